"""Predicted against simulated change: the same car, driver and seed with two differentials.

The first session is replayed with the second one's true lock curve, and the fall in spin time it predicts is held
against the fall between the two simulated sessions. The simulator's driver reacts to what the car does and its tyre is
another formula than the fit's, so this also measures "the driver drives the same".

`python -m tests.advice.pairs` runs all pairs both ways (some minutes) and prints what DEVELOPERS.md quotes.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analyzer.advice.evaluate import (
    DRAWS,
    NAMES,
    Session,
    anchored,
    as_logged,
    best_outcomes,
    drawn_outcomes,
    driver_answer,
    peak_slip,
    session_of,
)
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.pipeline import analyze
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.simulated_car import Driver, LockParameters, Powertrain
from analyzer.simulation.simulated_session import Session as Simulated
from analyzer.simulation.simulated_session import simulate_session
from analyzer.vehicle.car import Car, load_car

INSIDE, BOTH, MOMENT = (NAMES.index(n) for n in ("inside_spin_s", "both_spin_s", "coast_moment_Nm"))


CLUB_DRIVER = Driver()


@dataclass(frozen=True)
class Pair:
    """Two differentials of one car and driver; `power` multiplies the engine's torque."""

    name: str
    car: str
    before: LockParameters
    after: LockParameters
    power: float = 1.0
    driver: Driver = CLUB_DRIVER


def lock(preload: float, drive: float, drive_hold: float, coast: float, coast_hold: float) -> LockParameters:
    return LockParameters(
        preload_Nm=preload,
        drive_slope=drive,
        drive_hold_Nm=drive_hold,
        coast_slope=coast,
        coast_hold_Nm=coast_hold,
    )


def setup_toml(*, name: str, drive_deg: float, coast_deg: float, cone_N: float) -> str:
    """A setup file of invented parts: these ramps (from the ring's face) and cone springs, two faces a side."""
    return f"""[differential]
name = "{name}"
type = "plate"
ramp_angle_reference = "ring_face"
drive_ramp_angle_deg = {drive_deg}
coast_ramp_angle_deg = {coast_deg}
pin_radius_mm = 38
friction_faces_per_side = 2
plate_outer_diameter_mm = 120
plate_inner_diameter_mm = 86
friction_coefficient = 0.11
[differential.cone_spring]
force_N = {cone_N}
[differential.ring_spring]
force_N = 300
"""


LIGHT_CAR = """[car]
mass_kg = 1040
wheelbase_m = 2.38
front_weight_fraction = 0.475
cg_height_m = 0.45
front_track_m = 1.42
rear_track_m = 1.43
front_rolling_radius_m = 0.298
rear_rolling_radius_m = 0.300
steering_ratio = 15.0
yaw_inertia_kg_m2 = 1420
rear_load_transfer_fraction = 0.46
drag_area_m2 = 0.64
"""
REAR_HEAVY_CAR = """[car]
mass_kg = 1180
wheelbase_m = 2.42
front_weight_fraction = 0.413
cg_height_m = 0.47
front_track_m = 1.45
rear_track_m = 1.47
front_rolling_radius_m = 0.312
rear_rolling_radius_m = 0.312
steering_ratio = 14.5
yaw_inertia_kg_m2 = 1650
wheel_inertia_kg_m2 = 1.15
rear_load_transfer_fraction = 0.44
drag_area_m2 = 0.62
downforce_area_m2 = 0.10
"""
WEAK = lock(23, 0.13, 51, 0.08, 85)
KEEN = Driver(slip_feel=0.15, drive_use=1.0)
# the figures of a weak differential and of one with steeper drive ramps in a rear-heavy car; the car itself hardly
# spins its inside wheel, so the engine is made stronger
WEAK_REAR, STEEP_REAR = lock(40, 0.12, 40, 0.06, 60), lock(120, 0.6, 80, 0.18, 110)
PAIRS = (
    Pair("more preload", LIGHT_CAR, WEAK, replace(WEAK, preload_Nm=82)),
    Pair("steeper ramps", LIGHT_CAR, WEAK, lock(82, 0.27, 23, 0.145, 39)),
    Pair("drive ramps a step steeper", LIGHT_CAR, WEAK, replace(WEAK, drive_slope=0.19, drive_hold_Nm=35)),
    Pair("steeper ramps, 1.4 times the power", LIGHT_CAR, WEAK, lock(82, 0.27, 23, 0.145, 39), 1.4, KEEN),
    Pair("low lock to steep ramps, 1.5 times the power", REAR_HEAVY_CAR, WEAK_REAR, STEEP_REAR, 1.5, KEEN),
    Pair("low lock to steep ramps, twice the power", REAR_HEAVY_CAR, WEAK_REAR, STEEP_REAR, 2.0, KEEN),
)


@dataclass(frozen=True)
class Measured:
    """Of one pair and seed: spin time (s) by truth before and after; of the log and its replay; predicted after, with
    the 95 % interval from tyre, car and engine (None where not drawn); coast moment (N.m) by truth after, predicted."""

    before_s: float
    after_s: float
    logged_s: float
    replayed_s: float
    predicted_s: float
    interval_s: tuple[float, float] | None
    moment_Nm: float
    predicted_moment_Nm: float

    @property
    def fall_error(self) -> float:
        """Relative error of the predicted fall in spin time."""
        return (self.logged_s - self.predicted_s) / (self.before_s - self.after_s) - 1


def simulated(pair: Pair, which: LockParameters, car: Car, seed: int, laps: int = 4) -> Simulated:
    engine = Powertrain.for_car(car)
    engine = replace(engine, full_torque_Nm=tuple(pair.power * t for t in engine.full_torque_Nm))
    return simulate_session(
        car=car, lock=which, circuit=demo_circuit(), laps=laps, seed=seed, powertrain=engine, driver=pair.driver
    )


def session_from(run: Simulated, car_path: Path, folder: Path) -> Session:
    path = folder / "run.parquet"
    run.log.to_parquet(path)
    return session_of(analyze(log_path=path, car_path=car_path))


def parameters(which: LockParameters) -> np.ndarray:
    names = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope", "coast_hold_Nm")
    return np.array([getattr(which, n) for n in names])


def true_spin_s(run: Simulated, peak: float, clear_m_s: float, radius_m: float) -> float:
    """Time in which the inside wheel, or both, are past `peak` under power and the inside one out-turns the outside."""
    truth, left = run.truth, run.truth["yaw_rate"] > 0
    inside = np.where(left, truth["slip_left"], truth["slip_right"])
    outside = np.where(left, truth["slip_right"], truth["slip_left"])
    apart = np.where(left, 1.0, -1.0) * truth["speed_difference"] * radius_m
    driven = (truth["throttle"] > OPEN_THROTTLE) & (truth["brake_torque"] <= 0)
    driven &= truth["lateral_acceleration"].abs() > LEAST_LATERAL_M_S2
    spins = ((inside > peak) & (apart > clear_m_s)) | (np.minimum(inside, outside) > peak)
    return float((driven & spins).sum() * np.median(np.diff(truth["time"])))


def true_coast_moment_Nm(run: Simulated, car: Car) -> float:
    truth = run.truth
    turn = np.where(truth["yaw_rate"] > 0, 1.0, -1.0)
    coasting = (truth["throttle"] < 0.03) & (truth["brake_torque"] <= 0)
    coasting &= truth["lateral_acceleration"].abs() > LEAST_LATERAL_M_S2
    moment = turn * truth["torque_left_minus_right"] * car.rear_track_m / (2 * car.rear_rolling_radius_m)
    return float(moment[coasting].mean())


def measure(pair: Pair, seed: int, folder: Path, *, draws: int = 0) -> Measured:
    """Simulate both, replay the first with the second's lock curve, and with `draws` of what is not sure."""
    (folder / "car.toml").write_text(pair.car)
    car = load_car(folder / "car.toml")
    before, after = (simulated(pair, which, car, seed) for which in (pair.before, pair.after))
    session = session_from(before, folder / "car.toml", folder)
    curves = np.array([parameters(pair.before), parameters(pair.after)])
    logged, replayed = as_logged(session), best_outcomes(session, curves)
    table = anchored(replayed, logged)
    threshold = dict(
        peak=peak_slip(session.best.tyre), clear_m_s=session.rows.clear_m_s, radius_m=car.rear_rolling_radius_m
    )
    interval = None
    if draws:
        redrawn = drawn_outcomes(session, np.repeat(curves[None], draws, axis=0))
        drawn = anchored(redrawn, logged, driver_answer(draws))
        interval = tuple(np.percentile(drawn[:, 1, INSIDE] + drawn[:, 1, BOTH], [2.5, 97.5]).tolist())
    spin = lambda row: float(row[INSIDE] + row[BOTH])  # noqa: E731
    return Measured(
        before_s=true_spin_s(before, **threshold),
        after_s=true_spin_s(after, **threshold),
        logged_s=spin(logged),
        replayed_s=spin(replayed[0]),
        predicted_s=spin(table[1]),
        interval_s=interval,
        moment_Nm=true_coast_moment_Nm(after, car),
        predicted_moment_Nm=float(table[1, MOMENT]),
    )


def main() -> None:
    import tempfile

    print("pair, seed: true spin before -> after; log, replay; predicted after; error; moment true, predicted")
    for direction in ("more lock", "less lock"):
        errors, held = [], []
        for pair in PAIRS:
            if direction == "less lock":
                pair = replace(pair, before=pair.after, after=pair.before)
            for seed in (1, 2, 3):
                with tempfile.TemporaryDirectory() as folder:
                    m = measure(pair, seed, Path(folder), draws=DRAWS)
                low, high = m.interval_s
                errors.append(abs(m.fall_error))
                held.append(low - 0.05 <= m.after_s <= high + 0.05)
                print(
                    f"{direction}, {pair.name}, {seed}: {m.before_s:.1f} -> {m.after_s:.1f} s; {m.logged_s:.1f}, "
                    f"{m.replayed_s:.1f}; {m.predicted_s:.1f} ({low:.1f} to {high:.1f}) s; "
                    f"{100 * m.fall_error:+.0f} %; {m.moment_Nm:.0f}, {m.predicted_moment_Nm:.0f} N.m",
                    flush=True,
                )
        print(
            f"{direction}: median |error| {100 * np.median(errors):.0f} %, within 30 %: "
            f"{100 * np.mean(np.array(errors) < 0.3):.0f} %, interval holds the truth: {100 * np.mean(held):.0f} %"
        )


if __name__ == "__main__":
    main()
