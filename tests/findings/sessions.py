"""Twenty simulated sessions of varied cars, drivers and loggers, and what truly happened in them.

`PYTHONPATH=tests python -m findings.sessions [sessions]` prints precision and recall of the findings.
Everything is invented; nothing is tuned to it. An event that is near its threshold counts neither way: a clear one must
be found, and a finding where nothing near it happened is false.
"""

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from accuracy.cases import SOFT, STIFF, Case, analysed, invented_car

from analyzer.analysis import Analysis
from analyzer.findings.coast_understeer import LEAST_FRONT_SHARE
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.signals.log_stretches import runs
from analyzer.simulation.circuit import generated_circuit
from analyzer.simulation.plain_car import balanced, car_figures, tyre_forces
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import Driver, LockParameters, SimTyre
from analyzer.simulation.simulated_session import Session, simulate_session

JOIN_S = 0.25
NEAR = 0.7  # of the threshold: a finding over an event that reaches this is not false
CLEAR = 1.3  # times the threshold, for CLEAR_S: an event that must be found
CLEAR_S = 0.4


@dataclass(frozen=True)
class Event:
    start_s: float
    end_s: float
    size: float  # largest (spin) or mean (understeer) value over its threshold


def varied(seed: int) -> Case:
    """A car of 760 to 1500 kg, any lock from none to strong, a driver who lifts early or late, either logger."""
    rng = np.random.default_rng(1000 + seed)
    mass = float(rng.uniform(760, 1500))
    scale = mass / 1180
    car = invented_car(
        mass_kg=mass,
        wheelbase_m=float(rng.uniform(2.25, 2.7)),
        front_weight_fraction=float(rng.uniform(0.43, 0.53)),
        cg_height_m=float(rng.uniform(0.4, 0.5)),
        rear_load_transfer_fraction=float(rng.uniform(0.42, 0.5)),
        wheel_inertia_kg_m2=1.1 * scale,
    )
    lock = LockParameters(
        preload_Nm=float(rng.choice([0.0, 40.0, 90.0, 180.0])) * scale,
        drive_slope=float(rng.uniform(0.0, 0.45)),
        coast_slope=float(rng.choice([0.0, 0.2, 0.4])),
    )
    base = (SimTyre(), STIFF, SOFT)[seed % 3]
    return Case(
        car=car,
        lock=lock,
        circuit=seed,
        seed=seed,
        tyre=replace(base, reference_load_N=mass * 9.81 / 4),
        sensors=Sensors(rate_Hz=(50.0, 100.0)[seed % 2], channels=("full", "minimum")[(seed // 2) % 2]),
    )


def driver(seed: int) -> Driver:
    """Half of them coast into their corners."""
    return Driver() if seed % 3 else Driver(lift_pause_s=0.5, release_pause_s=1.2, cornering_use=0.90)


def drive(seed: int, *, lock: LockParameters | None = None) -> tuple[Case, Session]:
    """The `seed`-th case driven, with another differential when one is given."""
    case = varied(seed)
    session = simulate_session(
        car=case.car,
        lock=lock or case.lock,
        circuit=generated_circuit(seed),
        laps=3,
        seed=seed,
        tyre=case.tyre,
        sensors=case.sensors,
        driver=driver(seed),
    )
    return case, session


def peak_slip(case: Case, load_N: np.ndarray) -> np.ndarray:
    """(n,) slip at the peak of the simulated rear tyre's force, running straight, at each load."""
    _, rear = balanced(car=car_figures(car=case.car, tyre=case.tyre), tyre=case.tyre)
    slips = np.linspace(0.01, 0.5, 246)
    loads = np.linspace(200.0, 9000.0, 23)
    peaks = [slips[int(np.argmax([tyre_forces(s, 0.0, load, rear)[0] for s in slips]))] for load in loads]
    return np.interp(load_N, loads, peaks)


def true_spins(case: Case, session: Session) -> tuple[list[Event], np.ndarray]:
    """Events of the inside rear past its peak slip on the throttle, faster than the outside; and (n,) how far past."""
    t = session.truth
    left = t["yaw_rate"].to_numpy() > 0
    pick = lambda name: np.where(left, t[f"{name}left"], t[f"{name}right"])  # noqa: E731
    inside, outside = pick("slip_"), np.where(left, t["slip_right"], t["slip_left"])
    past = inside / peak_slip(case, np.where(left, t["load_rl"], t["load_rr"]))
    ok = (t["throttle"] > OPEN_THROTTLE) & (t["brake_torque"] < 50) & ~t["locked"] & (inside > outside)
    ok &= (t["lateral_acceleration"].abs() > LEAST_LATERAL_M_S2) & (t["vx"] > LEAST_SPEED_M_S)
    # where the outside wheel is past its peak as well, both spin, which is another finding
    ok &= outside < peak_slip(case, np.where(left, t["load_rr"], t["load_rl"]))
    past = np.where(ok, past, 0.0)
    return _events(t["time"].to_numpy(), past, np.max), past


def true_understeer(case: Case, session: Session) -> tuple[list[Event], np.ndarray]:
    """Events off throttle and brakes in which the differential's yaw moment takes a share of the front side force; and
    (n,) that share over the threshold."""
    t, car = session.truth, case.car
    turn = np.sign(t["yaw_rate"].to_numpy())
    moment = turn * t["torque_left_minus_right"] * car.rear_track_m / (2 * car.rear_rolling_radius_m)
    front = (t["fy_fl"] + t["fy_fr"]).abs()
    ok = (t["throttle"] <= 0.03) & (t["brake_torque"] < 50)
    ok &= (t["lateral_acceleration"].abs() > LEAST_LATERAL_M_S2) & (t["vx"] > LEAST_SPEED_M_S)
    share = np.where(ok, moment / car.wheelbase_m / np.maximum(front, 200.0), 0.0) / LEAST_FRONT_SHARE
    return _events(t["time"].to_numpy(), share, np.mean), share


def _events(time: np.ndarray, size: np.ndarray, total) -> list[Event]:
    joined: list[list[int]] = []
    for start, last in runs(size > 1.0):
        stop = last + 1
        if joined and time[start] - time[joined[-1][1] - 1] < JOIN_S:
            joined[-1][1] = stop
        else:
            joined.append([start, stop])
    origin = time[0]
    return [Event(time[a] - origin, time[b - 1] - origin, float(total(size[a:b]))) for a, b in joined]


@dataclass
class Score:
    """Counts over sessions."""

    found: int = 0
    true: int = 0
    near: int = 0
    clear: int = 0
    caught: int = 0

    def add(self, findings, events: list[Event], size: np.ndarray, time: np.ndarray) -> None:
        time = time - time[0]
        for f in findings:
            around = (time >= f.start_s - 0.1) & (time <= f.end_s + 0.1)
            most = size[around].max(initial=0.0)
            self.found += 1
            self.true += most > 1.0
            self.near += most > NEAR
        for e in events:
            if e.size < CLEAR or e.end_s - e.start_s < CLEAR_S:
                continue
            self.clear += 1
            self.caught += any(f.start_s < e.end_s + 0.1 and f.end_s > e.start_s - 0.1 for f in findings)

    def row(self, name: str) -> str:
        share = lambda a, b: f"{100 * a / b:.0f} %" if b else "–"  # noqa: E731
        return (
            f"| {name} | {self.found} | {share(self.true, self.found)} | {share(self.near, self.found)} | {self.clear} "
            f"| {share(self.caught, self.clear)} |"
        )


HEAD = "| finding | found | over a true event | or near one | clear events | of them found |\n|---|---|---|---|---|---|"


def score(seed: int, folder: Path, spin: Score, understeer: Score) -> Analysis:
    case, session = drive(seed)
    analysis = analysed(session.log, case.car, folder)
    time = session.truth["time"].to_numpy()
    of = lambda kind: [f for f in analysis.findings if f.kind == kind]  # noqa: E731
    spin.add(of("inside_wheel_spin"), *true_spins(case, session), time)
    held = [f for f in of("coast_understeer") if f.evidence.of_the_differential]
    understeer.add(held, *true_understeer(case, session), time)
    return analysis


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        print(HEAD)
        for label, seeds in (("full", (0, 1)), ("minimum", (2, 3))):
            spin, understeer = Score(), Score()
            for seed in range(int(sys.argv[1]) if len(sys.argv) > 1 else 20):
                if seed % 4 in seeds:
                    score(seed, Path(name), spin, understeer)
            print(spin.row(f"inside spin, {label} channels"))
            print(understeer.row(f"coast understeer, {label} channels"))
