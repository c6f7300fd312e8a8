"""A session with known truth: car, differential, circuit and driver in, log and truth out."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer.errors import InputError
from analyzer.simulation.axle import lock_figures
from analyzer.simulation.circuit import Circuit
from analyzer.simulation.drive import CONTROL_S, EXTRA, DriverFigures, Hands, run_session
from analyzer.simulation.motion import FORCES, STATE, balanced, car_figures, engine_figures, rolling_state
from analyzer.simulation.parameters import Driver, LockParameters, Powertrain, SimTyre
from analyzer.simulation.plan import session_plan
from analyzer.simulation.sensors import Sensors, sensed_log
from analyzer.vehicle.car import Car

STEP_S = 0.001
_SLOWEST_MEAN_M_S = 8.0  # a session that averages less than this has gone wrong; bounds the arrays


@dataclass(frozen=True)
class Session:
    """A simulated log and its truth, row by row at the same times.

    Attributes
    ----------
    log : canonical channels and units, see `analyzer.channels`.
    truth : SI; `time`, `lap`, `distance`, `offset` (left of the line), `x`, `y`, `heading`, `vx`, `vy`, `yaw_rate`;
        `input_torque` (sum of both driveshafts, brakes excluded), `torque_left_minus_right`, `locking_capacity` (M of
        the packs as they are, infinite for a spool), `locked`, `speed_difference` (left minus right, rad/s),
        `slip_left`, `slip_right`; per wheel `load_`, `fx_`, `fy_`, and what the sensors start from.
    """

    log: pd.DataFrame
    truth: pd.DataFrame


def simulate_session(
    *,
    car: Car,
    lock: LockParameters,
    circuit: Circuit,
    laps: int,
    seed: int,
    tyre: SimTyre | None = None,
    sensors: Sensors | None = None,
    driver: Driver | None = None,
    powertrain: Powertrain | None = None,
    start_temperature_degC: float = 60.0,
) -> Session:
    """Drive `laps` flying laps of `circuit`.

    Parameters
    ----------
    seed : of everything random; the driver's draws do not depend on the sensors', so the same seed with other
        sensors is the same drive.

    Raises
    ------
    InputError : no laps, a log rate that does not divide 1000 Hz, or a car that leaves the line by more than 60 m or
        stops, because car, tyre and driver do not go together.
    """
    tyre, sensors, driver = tyre or SimTyre(), sensors or Sensors(), driver or Driver()
    powertrain = powertrain or Powertrain.for_car(car)
    if laps < 1:
        raise InputError(f"laps is {laps}; allowed: 1 or more. Ask for at least one lap.")
    every = round(1 / (sensors.rate_Hz * STEP_S))
    if every < 1 or abs(every * STEP_S * sensors.rate_Hz - 1) > 1e-9:
        raise InputError(
            f"the log rate is {sensors.rate_Hz:g} Hz; allowed: a divisor of 1000 Hz, such as 50, 100, 200."
        )
    drive_rng, sensor_rng = np.random.default_rng(seed).spawn(2)
    figures = car_figures(car=car, tyre=tyre)
    tyres = balanced(car=figures, tyre=tyre)
    plan = session_plan(
        circuit=circuit, laps=laps, car=figures, tyres=tyres, powertrain=powertrain, driver=driver, rng=drive_rng
    )
    engine, table = engine_figures(powertrain)
    ratios = np.array(powertrain.gear_ratios) * powertrain.final_drive
    to_rad_s = math.pi / 30
    speed = float(plan.speed_m_s[0])
    state = rolling_state(
        car=figures,
        speed_m_s=speed,
        x_m=circuit.x_m[0],
        y_m=circuit.y_m[0],
        heading_rad=circuit.heading_rad[0],
        temperature_degC=start_temperature_degC,
    )
    turning = speed / figures.r_rl * ratios
    gear = float(np.argmax(turning < 0.9 * powertrain.shift_up_rpm * to_rad_s))
    hands = Hands(0.0, 0.0, 0.5, 0.0, 0.0, 0.0, gear, 0.0, 0.0)
    length = circuit.length_m * laps
    periods = int(length / _SLOWEST_MEAN_M_S / CONTROL_S)
    substeps = round(CONTROL_S / STEP_S)
    steps = periods * substeps
    states, forces = np.empty((steps // every, len(STATE.split()))), np.empty((steps // every, len(FORCES.split())))
    extras, means = np.empty((steps // every, len(EXTRA))), np.empty((steps // every, 3))
    angles = np.empty((steps, 4))
    rows, steps = run_session(
        state,
        hands,
        drive_rng.standard_normal(periods),
        length,
        (circuit.step_m, circuit.x_m, circuit.y_m, circuit.heading_rad, circuit.curvature_1_m),
        (plan.speed_m_s, plan.acceleration_m_s2, plan.offset_m, plan.eagerness),
        ratios,
        (powertrain.shift_up_rpm * to_rad_s, powertrain.shift_down_rpm * to_rad_s, powertrain.shift_time_s),
        figures,
        tyres,
        engine,
        table,
        lock_figures(lock),
        _driver_figures(driver, tyre, car),
        STEP_S,
        substeps,
        every,
        states,
        forces,
        extras,
        means,
        angles,
    )
    truth = _truth(
        states[:rows], forces[:rows], extras[:rows], means[:rows], every * STEP_S, circuit.length_m, laps, lock
    )
    reached = float(truth["distance"].max())
    if reached < length - 10 or not np.isfinite(states[:rows]).all():
        raise InputError(
            f"the simulated car left the circuit or stopped after {reached:.0f} m of {length:.0f} m; check the car's "
            "mass, centre of gravity and load transfer, or give the driver a smaller cornering_use."
        )
    log = sensed_log(
        truth=truth,
        angles_rad=angles[:steps],
        step_s=STEP_S,
        radii_m=car.rolling_radii_m,
        steering_ratio=car.steering_ratio,
        sensors=sensors,
        rng=sensor_rng,
    )
    return Session(log=log, truth=truth)


def _driver_figures(driver: Driver, tyre: SimTyre, car: Car) -> DriverFigures:
    peak = 2.3 * tyre.shape_y * tyre.friction_y / tyre.cornering_stiffness_per_rad  # about the slip angle of the peak
    return DriverFigures(
        0.0008,
        1.15 * peak,
        0.9 * peak,
        driver.slip_feel,
        driver.throttle_rate_per_s,
        car.wheelbase_m,
        0.0015 * driver.variability,
        1.15 * car.mass_kg * 9.8 * car.front_rolling_radius_m,
    )


def _truth(
    states: np.ndarray, forces: np.ndarray, extras: np.ndarray, means: np.ndarray, sample_s: float, lap_m: float,
    laps: int, lock: LockParameters,
) -> pd.DataFrame:  # fmt: skip
    s = dict(zip(STATE.split(), states.T, strict=True))
    f = dict(zip(FORCES.split(), forces.T, strict=True))
    e = dict(zip(EXTRA, extras.T, strict=True))
    columns = {
        "time": np.round(np.arange(len(states)) * sample_s + sample_s, 6),
        "lap": np.maximum(0, e["distance"] // lap_m).astype(int) + 1,
        "distance": e["distance"],
        "offset": e["offset"],
        "input_torque": f["input_torque"],
        "torque_left_minus_right": f["torque_difference"],
        "locking_capacity": np.full(len(states), np.inf) if lock.kind == "spool" else f["capacity"],
        "slip_left": f["slip_rl"],
        "slip_right": f["slip_rr"],
        "yaw_rate": s["yaw_rate"],
        "speed_difference": s["w_rl"] - s["w_rr"],
        "locked": f["locked"] > 0.5,
        "lateral_acceleration": means[:, 1],
        "longitudinal_acceleration": means[:, 0],
        "yaw_rate_mean": means[:, 2],
        "steer": e["steer"],
        "throttle": e["throttle"],
        "brake_torque": e["brake"],
        "gear": e["gear"].astype(int),
        "engine_speed": 0.5 * (s["w_rl"] + s["w_rr"]) * e["ratio"],
        "engine_torque": s["engine_torque"],
        "diff_temperature": s["temperature"],
    }
    columns |= {name: s[name] for name in ("x", "y", "heading", "vx", "vy", "w_fl", "w_fr", "w_rl", "w_rr")}
    columns |= {name: f[name] for name in FORCES.split() if name.startswith(("load_", "fx_", "fy_"))}
    truth = pd.DataFrame(columns)
    return truth[truth["distance"] < laps * lap_m].reset_index(drop=True)
