"""Throttle or differential: what each spin truly was, and what the findings say of it.

`PYTHONPATH=tests python -m findings.causes [first seed] [sessions] [file]` prints right, wrong and not clear over clear
events of six cars, at full, half and a fifth of the log's rate, with minimum channels, and at full rate with the
engine's inertia in the car file, within 15 %; and what flips between the copies. With a file (CSV) every spin is kept
there for `findings.cause_limits`.
Everything is invented; constants were set on seeds under 120 and are reported on others.

Truth: at each sample the throttle asks F = (T_shaft - (J_case + 2 I_w) a/R)/R - rolling resistance of the rear tyres,
what the engine's torque would push with were no wheel spinning up. The tyres could take C: the largest longitudinal
force of the two simulated tyres, turning as one, at their true loads with the side force of that moment. An event's
share is the largest mean of F over mean of C in 0.4 s. Under 0.9 it is the differential's, over 1.1 the throttle's.
"""

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from accuracy.cases import CLUB, HEAVY, LIGHT, SOFT, STIFF, Case, analysed, invented_car
from findings.sessions import true_spins

from analyzer.errors import CannotTell, InputError
from analyzer.findings.evidence import InsideSpin
from analyzer.findings.finding import Finding
from analyzer.simulation.circuit import generated_circuit
from analyzer.simulation.plain_car import TyreFigures, balanced, car_figures, compiled, engine_figures, tyre_forces
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import Driver, LockParameters, Powertrain, SimTyre
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.car import Car

# asked for a tenth more than it holds, an axle with its engine gains 10 rad/s2: 5 % of slip at 20 m/s in this time
WINDOW_S = 0.4
FELT_S = 0.2  # of an event that counts, past 12 % of slip and 5 % over the outside wheel
FELT_SLIP, FELT_OVER = 0.12, 0.05
CLEAR = (0.9, 1.1)
MINIMUM = ["time", *(f"wheel_speed_{c}" for c in ("fl", "fr", "rl", "rr")), "throttle", "steer", "lat_g"]
COPIES = ("full", "half", "fifth", "minimum")
STATED = "engine stated"  # the full log again
STATED_WITHIN = 0.15  # of the engine's inertia

CARS = (
    CLUB,
    LIGHT,
    HEAVY,
    invented_car(mass_kg=1000, wheelbase_m=2.3, front_weight_fraction=0.40, cg_height_m=0.44),
    invented_car(mass_kg=1350, wheelbase_m=2.6, front_weight_fraction=0.50, rear_load_transfer_fraction=0.40),
    invented_car(mass_kg=880, wheelbase_m=2.45, front_weight_fraction=0.43, cg_height_m=0.52),
)
TYRES = (SimTyre(), STIFF, SOFT)
# an engine's torque over the default one's, and the driver: as the other findings' sessions; who asks for more than the
# tyres have and does not ease off; the same with a quick foot
DRIVERS = (
    (1.0, Driver()),
    (1.8, Driver(drive_use=1.1, slip_feel=0.25, throttle_rate_per_s=6.0, cornering_use=0.86, eagerness_sd=0.5)),
    (2.2, Driver(drive_use=1.0, slip_feel=0.20, throttle_rate_per_s=8.0, cornering_use=0.80, eagerness_sd=0.7)),
)


@dataclass(frozen=True)
class Spin:
    """A true spin. `share` is asked over possible, `spun_up` the part of what was asked that spun up wheels and engine,
    in the window of that share."""

    start_s: float
    end_s: float
    share: float
    felt: bool
    spun_up: float

    @property
    def truth(self) -> str:
        return "car" if self.share < CLEAR[0] else "foot" if self.share > CLEAR[1] else "between"


@dataclass(frozen=True)
class Told:
    """What one copy of a log says of a true spin; None where it is not found."""

    said: str | None
    probability: float | None
    share: float | None
    spread: float | None = None  # standard deviation of the share's logarithm


def drawn(seed: int) -> tuple[Case, Powertrain, Driver]:
    """Six cars, next to open or with some lock, drivers who ask for less or more than the tyres have."""
    rng = np.random.default_rng(70_000 + seed)
    car = CARS[seed % len(CARS)]
    size = car.mass_kg / 1180
    push = (seed // len(CARS)) % len(DRIVERS)
    if push == 0:
        lock = LockParameters(
            preload_Nm=size * rng.uniform(0, 60), drive_slope=rng.uniform(0.0, 0.15), coast_slope=rng.uniform(0, 0.1)
        )
    else:
        lock = LockParameters(
            preload_Nm=size * rng.uniform(0, 120), drive_slope=rng.uniform(0.03, 0.2), coast_slope=rng.uniform(0, 0.3)
        )
    stronger, driver = DRIVERS[push]
    stronger *= 1.4 if car is LIGHT else 1.0  # its tyres hold all that the default engine gives
    base = Powertrain.for_car(car)
    engine = replace(
        base,
        full_torque_Nm=tuple(stronger * t for t in base.full_torque_Nm),
        engine_inertia_kg_m2=base.engine_inertia_kg_m2 * rng.uniform(0.6, 1.5),
    )
    tyre = replace(
        TYRES[int(rng.integers(3))],
        reference_load_N=car.mass_kg * 9.81 / 4,
        friction_load_sensitivity=rng.uniform(0.05, 0.2),
        shape_x=rng.uniform(1.35, 1.65),
    )
    case = Case(
        car=car, lock=lock, circuit=seed % 7, laps=3, seed=seed, tyre=tyre, sensors=Sensors(rate_Hz=100.0), told=car
    )
    return case, engine, driver


def drive(seed: int) -> tuple[Case, Powertrain, Session]:
    case, engine, driver = drawn(seed)
    session = simulate_session(
        car=case.car,
        lock=case.lock,
        circuit=generated_circuit(case.circuit),
        laps=case.laps,
        seed=case.seed,
        tyre=case.tyre,
        sensors=case.sensors,
        driver=driver,
        powertrain=engine,
    )
    return case, engine, session


@compiled
def _most_drive(ground_l, ground_r, load_l, load_r, speed, side, tyre):
    """Largest F_x (N) of both rear wheels turning as one that leaves the side force `side` (N, positive), -1 where
    none does. Scans the wheels' speed; the side slip that gives the side force is bisected on the rising side."""
    best = -1.0
    mean = 0.5 * (ground_l + ground_r)
    for i in range(61):
        surface = mean * (1.0 + 0.005 * i)
        slip_l, slip_r = surface / ground_l - 1.0, surface / ground_r - 1.0
        low, high, found = 0.0, 0.0, False
        previous = -1.0
        for j in range(1, 41):  # the least side slip that gives it
            s = 0.01 * j
            fy = (
                tyre_forces(slip_l, s * speed / ground_l, load_l, tyre)[1]
                + tyre_forces(slip_r, s * speed / ground_r, load_r, tyre)[1]
            )
            if fy >= side:
                low, high, found = s - 0.01, s, True
                break
            if fy < previous:
                break
            previous = fy
        if not found:
            continue
        for _ in range(12):
            s = 0.5 * (low + high)
            fy = (
                tyre_forces(slip_l, s * speed / ground_l, load_l, tyre)[1]
                + tyre_forces(slip_r, s * speed / ground_r, load_r, tyre)[1]
            )
            if fy >= side:
                high = s
            else:
                low = s
        fx = (
            tyre_forces(slip_l, high * speed / ground_l, load_l, tyre)[0]
            + tyre_forces(slip_r, high * speed / ground_r, load_r, tyre)[0]
        )
        best = max(best, fx)
    return best


def asked_N(case: Case, engine: Powertrain, truth: pd.DataFrame) -> np.ndarray:
    """(n,) force that the throttle asks of the rear tyres, were no wheel spinning up."""
    figures, _ = engine_figures(engine)
    radius = case.car.rear_rolling_radius_m
    ratio = (np.array(engine.gear_ratios) * engine.final_drive)[truth["gear"].to_numpy() - 1]
    torque = truth["engine_torque"].to_numpy()
    shaft = torque * ratio * np.where(torque > 0, figures.efficiency, 1 / figures.efficiency)
    turning = 2 * case.car.wheel_inertia_kg_m2 + figures.driveline_inertia + figures.engine_inertia * ratio**2
    rolling = case.car.rolling_resistance * (truth["load_rl"] + truth["load_rr"]).to_numpy()
    return (shaft - turning * truth["longitudinal_acceleration"].to_numpy() / radius) / radius - rolling


def possible_N(case: Case, truth: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """Force that both rear tyres could take turning as one, at the side force of the moment, at `rows`; 0 where the
    side force alone is too much."""
    _, rear = balanced(car=car_figures(car=case.car, tyre=case.tyre), tyre=case.tyre)
    rear = TyreFigures(*map(float, rear))
    half = case.car.rear_track_m / 2
    side = pd.Series(truth["fy_rl"] + truth["fy_rr"]).rolling(11, center=True, min_periods=1).mean().to_numpy()
    t = {name: truth[name].to_numpy() for name in ("vx", "yaw_rate", "load_rl", "load_rr")}
    found = [
        _most_drive(
            max(t["vx"][i] - t["yaw_rate"][i] * half, 1.0),
            max(t["vx"][i] + t["yaw_rate"][i] * half, 1.0),
            float(t["load_rl"][i]),
            float(t["load_rr"][i]),
            float(t["vx"][i]),
            abs(float(side[i])),
            rear,
        )
        for i in rows
    ]
    return np.maximum(np.array(found), 0.0)


def spins(case: Case, engine: Powertrain, session: Session) -> list[Spin]:
    """The true spins of a session with their shares."""
    truth = session.truth
    time = truth["time"].to_numpy() - truth["time"].iloc[0]
    rate = 1 / float(np.median(np.diff(time)))
    events, past = true_spins(case, session)
    left = truth["yaw_rate"].to_numpy() > 0
    inside = np.where(left, truth["slip_left"], truth["slip_right"])
    outside = np.where(left, truth["slip_right"], truth["slip_left"])
    felt = (inside > FELT_SLIP) & (inside - outside > FELT_OVER) & (past > 0)
    asked = asked_N(case, engine, truth)
    pushed = (truth["fx_rl"] + truth["fx_rr"]).to_numpy()
    window = max(1, round(WINDOW_S * rate))
    found = []
    for e in events:
        rows = np.flatnonzero((time >= e.start_s - 0.05) & (time <= e.end_s))
        width = min(window, len(rows))
        mean = lambda x, width=width: np.convolve(x, np.ones(width) / width, mode="valid")  # noqa: E731
        could = mean(possible_N(case, truth, rows))
        shares = mean(asked[rows]) / np.maximum(could, 1.0)
        at = int(np.argmax(shares))
        spun_up = 1 - float(mean(pushed[rows])[at] / max(mean(asked[rows])[at], 1.0))
        found.append(Spin(e.start_s, e.end_s, float(shares[at]), bool(felt[rows].sum() / rate >= FELT_S), spun_up))
    return found


def copies(case: Case, engine: Powertrain, session: Session) -> Iterator[tuple[str, pd.DataFrame, Car]]:
    log, car = session.log, case.car
    off = np.random.default_rng(90_000 + case.seed).uniform(1 - STATED_WITHIN, 1 + STATED_WITHIN)
    stated = {"engine_inertia_kg_m2": off * engine.engine_inertia_kg_m2}
    yield "full", log, car
    yield "half", log.iloc[::2].reset_index(drop=True), car
    yield "fifth", log.iloc[::5].reset_index(drop=True), car
    yield "minimum", log[MINIMUM], car
    yield STATED, log, car.model_copy(update=stated)


def said_of(spin: Spin, findings: list[Finding]) -> Told:
    """The finding that lies over a spin longest."""
    overlap = lambda f: min(f.end_s, spin.end_s + 0.1) - max(f.start_s, spin.start_s - 0.1)  # noqa: E731
    over = [f for f in findings if overlap(f) > 0]
    if not over:
        return Told(None, None, None)
    evidence = max(over, key=overlap).evidence
    assert isinstance(evidence, InsideSpin)
    known = evidence.asked_share is not None
    spread = float(np.log(evidence.asked_share_upper / evidence.asked_share) / 1.96) if known else None
    return Told(str(evidence.foot_or_car), evidence.probability_car, evidence.asked_share, spread)


def as_table(rows: list[tuple[int, Spin, dict[str, Told]]]) -> pd.DataFrame:
    """Every spin and what each copy of its log says, a row each."""
    return pd.DataFrame(
        [
            {"session": seed, "spin": k, "true_share": spin.share, "felt": spin.felt, "spun_up": spin.spun_up}
            | {"copy": name, **asdict(told)}
            for k, (seed, spin, of) in enumerate(rows)
            for name, told in of.items()
        ]
    )


def told(seed: int, only: tuple[str, ...] = (*COPIES, STATED)) -> list[tuple[int, Spin, dict[str, Told]]]:
    """Every true spin of a session, and what each copy of its log says."""
    try:
        case, engine, session = drive(seed)
    except InputError:  # who asks for that much of this car leaves the circuit
        return []
    true = [s for s in spins(case, engine, session) if 0.05 < s.share < 20]
    said: list[dict[str, Told]] = [{} for _ in true]
    for name, log, car in copies(case, engine, session):
        if name not in only:
            continue
        try:
            with tempfile.TemporaryDirectory() as folder:
                analysis = analysed(log, car, Path(folder))
        except CannotTell as why:  # a sound log, refused
            print(f"{seed} {name}: {str(why)[:160]}", file=sys.stderr)
            for of in said:
                of[name] = Told(None, None, None)
            continue
        found = [f for f in analysis.findings if f.kind == "inside_wheel_spin"]
        for spin, of in zip(true, said, strict=True):
            of[name] = said_of(spin, found)
    return [(seed, spin, of) for spin, of in zip(true, said, strict=True)]


def table(rows: list[tuple[int, Spin, dict[str, Told]]]) -> str:
    """Right, wrong and not clear by copy, flips against the full log, and a reliability table."""
    clear = [r for r in rows if r[1].felt and r[1].truth != "between"]
    told_of = lambda name, whose: [  # noqa: E731
        r[2][name].said for r in clear if r[1].truth == whose and name in r[2] and r[2][name].said is not None
    ]
    count = Counter(r[1].truth for r in clear)
    lines = [
        f"{len(rows)} true spins, {sum(r[1].felt for r in rows)} that a driver feels, of them clear: "
        f"{count['car']} differential, {count['foot']} throttle",
        "| copy | clear and found | right | wrong | not clear | flipped against the full log |",
        "|---|---|---|---|---|---|",
    ]
    for name in (*COPIES, STATED):
        got = [(r[1].truth, r[2][name].said) for r in clear if name in r[2] and r[2][name].said is not None]
        if not got:
            continue
        share = lambda k, of=got: f"{k} ({100 * k / len(of):.0f} %)"  # noqa: E731
        right = sum(a == b for a, b in got)
        open_ = sum(b == "cannot_tell" for _, b in got)
        flipped = sum({r[2]["full"].said, r[2][name].said} == {"car", "foot"} for r in rows if name in r[2])
        lines.append(
            f"| {name} | {len(got)} | {share(right)} | {share(len(got) - right - open_)} | {share(open_)} | {flipped} |"
        )
    known = [
        (t.probability, r[1].share < 1.0)
        for r in rows
        for n, t in r[2].items()
        if n in COPIES and t.probability is not None
    ]
    lines += ["", "| copy | differential: right | wrong | throttle: right | wrong |", "|---|---|---|---|---|"]
    for name in (*COPIES, STATED):
        cells = []
        for whose in ("car", "foot"):
            of = told_of(name, whose)
            counts = sum(s == whose for s in of), sum(s not in (whose, "cannot_tell") for s in of)
            cells += [f"{count} of {len(of)}" for count in counts]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    lines += ["", "| probability said | spins | truly share < 1 |", "|---|---|---|"]
    for low, high in ((0, 0.05), (0.05, 0.2), (0.2, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        of = [truth for p, truth in known if low <= p < high]
        if of:
            lines.append(f"| {low:.2f} to {min(high, 1):.2f} | {len(of)} | {100 * np.mean(of):.0f} % |")
    return "\n".join(lines)


def main(first: int, count: int, kept: str | None = None) -> None:
    with ProcessPoolExecutor(2) as workers:
        rows = [r for found in workers.map(told, range(first, first + count)) for r in found]
    if kept is not None:
        as_table(rows).to_csv(kept, index=False)
    print(table(rows))


if __name__ == "__main__":
    first, count, kept = (*sys.argv[1:], *("100", "36", None)[len(sys.argv) - 1 :])
    main(int(first), int(count), kept)
