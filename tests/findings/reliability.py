"""How often findings are true that are said to be 50, 70 or 90 % sure, by kind, on random cars with every nuisance.

`PYTHONPATH=tests python -m findings.reliability [SESSIONS] [--report]`

Sessions are those of `accuracy.random_sessions` with all nuisances (rough roads among them) and a car file wrong within
its limits. In turn the driver is gentle, pushes, stabs at the throttle, coasts into corners or brakes with the left
foot over an open throttle; a third of the cars hardly lock, a tenth have plates that stick and slip on soft shafts, and
every other log has the minimum channels. Seeds 0 to 999 are for choosing on; what is reported comes from 1000 on.

A finding is true where the truth, within 0.1 s of it, passes the threshold that its finder states.
"""

import argparse
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from accuracy.cases import Case, analysed
from accuracy.random_sessions import RandomCar, random_car, with_seeds
from findings.causes import FELT_OVER, FELT_S, FELT_SLIP, MINIMUM
from findings.sessions import peak_slip, true_understeer

from analyzer.analysis import Analysis
from analyzer.errors import CannotTell, InputError
from analyzer.findings.evidence import CoastUndersteer, TrendInRun
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.findings.whole_car import SEEN_SHARE, SNAP_YAW_RAD_S2, STEP_S
from analyzer.signals.consistency import contradicted
from analyzer.signals.log_stretches import HELD_RAD, runs
from analyzer.simulation.simulated_car import Driver
from analyzer.simulation.simulated_session import Session, simulate_session

NEAR_S = 0.1  # of a finding: filters move its ends by so much
JOIN_S = 0.25
LAPS = 3
BANDS = ((0.5, 0.7), (0.7, 0.9), (0.9, 1.0))  # of the confidence
PUSHES = dict(drive_use=1.1, slip_feel=0.25, throttle_rate_per_s=6.0, cornering_use=0.86, eagerness_sd=0.5)
# the drivers, by name; and by how much their engine is stronger than the default one
DRIVERS: dict[str, tuple[Driver, float]] = {
    "gentle": (Driver(), 1.0),
    "pushes": (Driver(**PUSHES), 1.8),
    "stabs": (Driver(throttle_rate_per_s=12.0), 1.0),
    "coasts": (Driver(lift_pause_s=0.5, release_pause_s=1.2, cornering_use=0.90), 1.0),
    "left foot": (Driver(**PUSHES, left_foot_brake=0.1), 1.8),
}


@dataclass(frozen=True)
class Drive:
    """One session as it was driven, with all that its truth needs."""

    car: RandomCar
    case: Case
    session: Session
    driver: str
    hardly_locks: bool
    chatters: bool
    minimum: bool

    @property
    def log(self):
        return self.session.log[MINIMUM] if self.minimum else self.session.log


def drive(seed: int) -> Drive | None:
    """The `seed`-th session; None where its driver leaves the circuit."""
    car = random_car(seed, "all")
    name = list(DRIVERS)[seed % len(DRIVERS)]
    driver, stronger = DRIVERS[name]
    size, hardly, chatters = car.car.mass_kg / 1180, seed % 3 == 0, seed % 10 == 3
    lock = car.lock
    if hardly:
        lock = replace(lock, preload_Nm=10.0 * size, drive_slope=0.03, coast_slope=0.03)
    if chatters:
        sticks = dict(static_ratio=2.0, falling_speed_rad_s=2.0, shaft_stiffness_Nm_rad=6000.0 * size)
        lock = replace(lock, preload_Nm=150.0 * size, **sticks)
    engine = replace(
        car.powertrain, full_torque_Nm=tuple(stronger * torque for torque in car.powertrain.full_torque_Nm)
    )
    sensors = replace(car.sensors, rate_Hz=100.0) if chatters else car.sensors
    car = replace(car, lock=lock, powertrain=engine, sensors=sensors)
    try:
        session = simulate_session(
            car=car.car,
            lock=lock,
            circuit=car.circuit,
            laps=LAPS,
            seed=1000 * seed,
            tyre=car.tyre,
            chassis=car.chassis,
            grip=car.grip,
            road=car.road,
            powertrain=engine,
            sensors=sensors,
            driver=driver,
        )
    except InputError:
        return None
    case = Case(car=car.car, lock=lock, seed=seed, tyre=car.tyre, told=car.file)
    return Drive(car, case, session, name, hardly, chatters, minimum=(seed // 2) % 2 == 1)


class Truth:
    """What happened: arrays (n,) over the truth's rows, each over its finder's threshold where it is above 1."""

    def __init__(self, drive: Drive) -> None:
        t, car = drive.session.truth, drive.case.car
        self.drive, self.t, self.car = drive, t, car
        self.time = t["time"].to_numpy() - t["time"].iloc[0]
        self.rate = 1 / float(np.median(np.diff(self.time)))
        left = t["yaw_rate"].to_numpy() > 0
        inner = lambda a, b: np.where(left, t[a], t[b])  # noqa: E731
        self.past = np.array(
            [t[f"slip_{side}"] / peak_slip(drive.case, t[f"load_r{side[0]}"]) for side in ("left", "right")]
        )
        self.inside, self.outside = inner("slip_left", "slip_right"), inner("slip_right", "slip_left")
        self.inside_past, self.outside_past = np.where(left, self.past, self.past[::-1])
        self.driven = (t["throttle"] > OPEN_THROTTLE).to_numpy() & (t["vx"] > LEAST_SPEED_M_S).to_numpy()
        self.cornering = (t["lateral_acceleration"].abs() > LEAST_LATERAL_M_S2).to_numpy()
        self.turn = np.where(left, 1.0, -1.0)

    @property
    def inside_spin(self) -> np.ndarray:
        # in a tight turn the inside wheel of a locked axle slips by 8 % more by geometry alone, and spins nowhere
        ok = self.driven & self.cornering & ~self.t["locked"].to_numpy()
        ok &= (self.inside > self.outside) & (self.outside_past < 1)
        return np.where(ok, self.inside_past, 0.0)

    @property
    def one_spin(self) -> np.ndarray:
        return np.where(self.driven & (self.past.min(axis=0) < 1), self.past.max(axis=0), 0.0)

    @property
    def both_spin(self) -> np.ndarray:
        return np.where(self.driven, self.past.min(axis=0), 0.0)

    @property
    def locking(self) -> np.ndarray:
        braked = (self.t["brake_torque"] > 50).to_numpy() & (self.inside < self.outside)
        return np.where(braked, -self.inside_past, 0.0)

    @property
    def understeer(self) -> np.ndarray:
        return true_understeer(self.drive.case, self.drive.session)[1]

    @property
    def snap(self) -> np.ndarray:
        lever = self.car.rear_track_m / (2 * self.car.rear_rolling_radius_m)
        moment = self.turn * self.t["torque_left_minus_right"].to_numpy() * lever
        step = max(1, round(STEP_S * self.rate))
        rise = np.zeros(len(moment))
        rise[:-step] = moment[step:] - moment[:-step]
        return rise / self.car.yaw_inertia / (SEEN_SHARE * SNAP_YAW_RAD_S2)

    @property
    def lost(self) -> np.ndarray:
        return np.abs(np.arctan2(self.t["vy"], self.t["vx"])).to_numpy() / HELD_RAD

    @property
    def chatter(self) -> np.ndarray:
        return np.full(len(self.time), 2.0 * self.drive.chatters)

    def felt(self) -> list[tuple[float, float]]:
        """Start and end (s) of the spins that a driver feels: past 12 % of slip and 5 % over the outside for 0.2 s."""
        feels = (self.inside > FELT_SLIP) & (self.inside - self.outside > FELT_OVER) & (self.inside_spin > 1)
        joined: list[list[int]] = []
        for start, last in runs(feels):
            stop = last + 1
            if joined and (start - joined[-1][1]) / self.rate < JOIN_S:
                joined[-1][1] = stop
            else:
                joined.append([start, stop])
        return [(self.time[a], self.time[b - 1]) for a, b in joined if feels[a:b].sum() / self.rate >= FELT_S]

    def most(self, size: np.ndarray, found: Finding) -> float:
        """Largest of `size` near a finding."""
        near = (self.time >= found.start_s - NEAR_S) & (self.time <= found.end_s + NEAR_S)
        return float(size[near].max(initial=0.0))


def is_true(found: Finding, truth: Truth) -> bool:
    """Whether what a finding says happened."""
    evidence = found.evidence
    if isinstance(evidence, TrendInRun):
        lock, t = truth.drive.car.lock, truth.t
        friction = 1 - lock.fade_per_K * (t["diff_temperature"] - lock.reference_degC)
        return bool(np.polyfit(t["time"], friction, 1)[0] * evidence.change_over_run > 0)
    if isinstance(evidence, CoastUndersteer) and not evidence.of_the_differential:
        return truth.most(truth.understeer, found) < 1
    if found.kind == "asymmetry":
        return False  # no simulated axle locks harder to one side
    if found.kind == "setup_contradicted":
        return truth.drive.hardly_locks or truth.drive.chatters  # every other car has the parts that its file states
    return truth.most(getattr(truth, SIZES[found.kind]), found) > 1


SIZES = {
    "inside_wheel_spin": "inside_spin",
    "one_wheel_spin": "one_spin",
    "both_wheel_spin": "both_spin",
    "coast_understeer": "understeer",
    "inside_wheel_locking": "locking",
    "lock_up_snap": "snap",
    "car_lost": "lost",
    "chatter": "chatter",
}


@dataclass(frozen=True)
class Scored:
    """One session. `found`: kind, confidence and truth of each finding; of felt spins how many there were and were
    found, and of the findings that say a spin as large how many lie over a true one."""

    roads: tuple[str, ...]
    found: tuple[tuple[str, float, bool], ...] = ()
    felt: int = 0
    caught: int = 0
    said: int = 0
    said_true: int = 0
    clear_understeer: int = 0
    caught_understeer: int = 0


def name_of(found: Finding) -> str:
    evidence = found.evidence
    if isinstance(evidence, CoastUndersteer):
        whose = "the differential's" if evidence.of_the_differential else "the car's own"
        return f"coast understeer, {whose}"
    return found.kind.replace("_", " ")


def scored(seed: int) -> Scored | None:
    """A session held against its truth; None where it could not be driven or read."""
    driven = drive(seed)
    if driven is None:
        return None
    analysis = _read(driven)
    if analysis is None:
        return None
    truth = Truth(driven)
    spins = [f for f in analysis.findings if f.kind in ("inside_wheel_spin", "one_wheel_spin", "both_wheel_spin")]
    over = lambda a, b: any(f.start_s < b + NEAR_S and f.end_s > a - NEAR_S for f in spins)  # noqa: E731
    felt = truth.felt()
    large = [f for f in spins if f.kind == "inside_wheel_spin" and f.evidence.peak_slip > FELT_SLIP]
    if contradicted(analysis.quality):
        return Scored(roads=("log withheld, its channels contradict each other",), felt=len(felt))
    groups = ["all, rough roads", "minimum channels" if driven.minimum else "all channels", f"driver: {driven.driver}"]
    if driven.hardly_locks:
        groups.append("hardly locks")
    held = [f for f in analysis.findings if name_of(f).endswith("differential's")]
    clear = [e for e in true_understeer(driven.case, driven.session)[0] if e.size > 1.3 and e.end_s - e.start_s >= 0.4]
    return Scored(
        roads=tuple(groups),
        found=tuple((name_of(f), f.confidence, is_true(f, truth)) for f in analysis.findings),
        felt=len(felt),
        caught=sum(over(a, b) for a, b in felt),
        said=len(large),
        said_true=sum(truth.most(truth.inside_spin, f) > 1 for f in large),
        clear_understeer=len(clear),
        caught_understeer=sum(
            any(f.start_s < e.end_s + NEAR_S and f.end_s > e.start_s - NEAR_S for f in held) for e in clear
        ),
    )


def _read(driven: Drive) -> Analysis | None:
    with tempfile.TemporaryDirectory() as folder:
        try:
            return analysed(driven.log, driven.car.file, Path(folder), driven.car.setup)
        except CannotTell:
            return None


def table(sessions: Iterable[Scored]) -> str:
    """True share by kind and confidence, and what of the spins that a driver feels is found."""
    sessions = list(sessions)
    share = lambda part, whole: f"{part} of {whole}" + (f" ({100 * part / whole:.0f} %)" if whole else "")  # noqa: E731
    heads = [f"said {100 * low:.0f} to {min(100 * high, 99):.0f} %" for low, high in BANDS]
    lines = [
        f"| finding, {len(sessions)} sessions | " + " | ".join(f"{h}: true" for h in heads) + " | mean said at 90 |"
    ]
    lines.append("|" + "---|" * (len(BANDS) + 2))
    by_kind: dict[str, list[tuple[float, bool]]] = {}
    for session in sessions:
        for kind, confidence, true in session.found:
            by_kind.setdefault(kind, []).append((confidence, true))
    for kind, of in sorted(by_kind.items()):
        cells = []
        for low, high in BANDS:
            told = [true for confidence, true in of if low <= confidence < high]
            cells.append(share(sum(told), len(told)) if told else "–")
        sure = [c for c, _ in of if c >= BANDS[-1][0]]
        lines.append(
            f"| {kind} | " + " | ".join(cells) + f" | {100 * np.mean(sure):.0f} % |"
            if sure
            else f"| {kind} | " + " | ".join(cells) + " | – |"
        )
    lines += ["", "| sessions | spins felt | found | large spins said | true | clear coast understeer | found |"]
    lines.append("|" + "---|" * 7)
    for name in dict.fromkeys(group for session in sessions for group in session.roads):
        of = [session for session in sessions if name in session.roads]
        total = lambda field, of=of: sum(getattr(s, field) for s in of)  # noqa: E731
        lines.append(
            f"| {name} | {total('felt')} | {share(total('caught'), total('felt'))} | {total('said')} "
            f"| {share(total('said_true'), total('said'))} | {total('clear_understeer')} "
            f"| {share(total('caught_understeer'), total('clear_understeer'))} |"
        )
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(prog="python -m findings.reliability", description=__doc__.split("\n\n")[0])
    parser.add_argument("sessions", nargs="?", type=int, default=30, help="(default %(default)s)")
    asked, first = with_seeds(parser, argv)
    with ProcessPoolExecutor(2) as workers:
        print(table(s for s in workers.map(scored, range(first, first + asked.sessions)) if s is not None))


if __name__ == "__main__":
    main()
