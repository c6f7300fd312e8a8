"""A session with known truth: car, differential, circuit and driver in, log and truth out, as Parquet or CSV."""

import gzip
import hashlib
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.errors import InputError
from analyzer.files import GENERATOR, PARQUET_MARK, Outputs, is_own_parquet, open_regular, write_atomic
from analyzer.simulation import driver_plan
from analyzer.simulation.circuit import Circuit, Road, Surface, surface_of
from analyzer.simulation.drive import CONTROL_S, EXTRA, DriverFigures, Hands, run_session
from analyzer.simulation.driver_plan import Manoeuvre, planned_nodes, session_plan
from analyzer.simulation.plain_car import CarFigures, balanced, car_figures, engine_figures
from analyzer.simulation.planar_car import Forces, State, lock_figures, rolling_state
from analyzer.simulation.sensors import Sensors, sensed_log
from analyzer.simulation.simulated_car import Chassis, Driver, Grip, LockParameters, Powertrain, SimTyre
from analyzer.vehicle.car import Car

STEP_S = 0.001
_SLOWEST_MEAN_M_S = 3.5  # a session that averages less than this has gone wrong; bounds the arrays
_CARE = (1.0, 0.94, 0.88, 0.82, 0.75)  # who leaves the circuit starts again, asking less of the tyres
ENDINGS = (".parquet", ".csv", ".csv.gz")
_OF_LOG = b"halfshaft_log_sha256"  # the log that a truth was written with
_FULL_PRECISION = ("time", "latitude", "longitude", "x", "y", "distance", "heading")  # single precision is too coarse


@dataclass(frozen=True)
class Session:
    """A simulated log and its truth, row by row at the same times.

    Attributes
    ----------
    log : canonical channels and units, see `analyzer.channels`.
    truth : SI; `time`, `lap`, `distance`, `offset` (left of the line), `x`, `y`, `heading`, `vx`, `vy`, `yaw_rate`;
        `input_torque` (sum of both driveshafts, brakes excluded), `torque_left_minus_right` (at the wheels),
        `locking_capacity` (M of the packs as they are, infinite for a spool), `locked`, `speed_difference` (left minus
        right, rad/s), `slip_left`, `slip_right`; per wheel `load_`, `fx_`, `fy_`; `altitude`, gravity along and across
        the car (`gravity_x`, `gravity_y`), `vertical_acceleration` (specific force, the standard gravity at rest on
        the level), `friction_factor`; and what the sensors start from.
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
    chassis: Chassis | None = None,
    grip: Grip | None = None,
    road: Road | None = None,
    manoeuvre: driver_plan.Name | Manoeuvre = "laps",
    radii_m: tuple[float, ...] = driver_plan.RADII_M,
    start_temperature_degC: float = 60.0,
) -> Session:
    """Drive `laps` flying laps of `circuit`. A driver who leaves it starts the session again, a little slower.

    Parameters
    ----------
    car : what it weighs and measures; its own tyre figures are not looked at, `tyre` has those that it drives on.
    laps : whole flying laps; not looked at for `circles`.
    seed : of everything random; the driver's draws do not depend on the sensors', so the same seed with other
        sensors is the same drive.
    tyre, sensors, driver, chassis, grip, road : None has the defaults, without nuisances.
    powertrain : None is the default engine scaled to the car.
    manoeuvre : `laps`; `slow_lap` for slow laps with throttle pulses in the corners; `circles` for slow circles of
        `radii_m` both ways with throttle pulses on a paved area, which need neither circuit nor laps. Or a course with
        what is asked on it.
    start_temperature_degC : of the differential.

    Returns
    -------
    Session : the log as sensors would write it, and the truth at the same rate (SI).

    Raises
    ------
    InputError : no laps, a log rate that does not divide 1000 Hz, or a car that nobody could keep on the
        circuit.

    Examples
    --------
    >>> from importlib.resources import files
    >>> from analyzer.simulation.circuit import circuit_by_name
    >>> from analyzer.vehicle.car import load_car
    >>> session = simulate_session(
    ...     car=load_car(files("sample_logs") / "club_car.toml"),
    ...     lock=LockParameters(preload_Nm=60, drive_slope=0.3),
    ...     circuit=circuit_by_name("demo"),
    ...     laps=1,
    ...     seed=1,
    ... )
    >>> truth = session.truth
    >>> len(truth) == len(session.log)
    True
    >>> bool((truth["torque_left_minus_right"].abs() <= truth["locking_capacity"] + 1e-6).all())
    True
    """
    tyre, sensors, driver = tyre or SimTyre(), sensors or Sensors(), driver or Driver()
    powertrain, chassis, road = powertrain or Powertrain.for_car(car), chassis or Chassis(), road or Road()
    if isinstance(manoeuvre, Manoeuvre):
        asked = manoeuvre
    else:
        asked = driver_plan.manoeuvre(manoeuvre, circuit=circuit, driver=driver, radii_m=radii_m)
    circuit, driver = asked.course, asked.driver
    if not circuit.closed:  # circles on a paved area
        laps, road, sensors = 1, road.pad(), replace(sensors, lap=False)
    surface = surface_of(road, circuit)
    if laps < 1:
        raise InputError(f"laps is {laps}; allowed: 1 or more. Ask for at least one lap.")
    every = round(1 / (sensors.rate_Hz * STEP_S)) if 1 <= sensors.rate_Hz <= 1 / STEP_S else 0
    if every < 1 or abs(every * STEP_S * sensors.rate_Hz - 1) > 1e-9:
        raise InputError(
            f"the log rate is {sensors.rate_Hz:g} Hz; allowed: 1 Hz or more that divides 1000 Hz, such as 50, 100, 200."
        )
    figures = car_figures(car=car, tyre=tyre, chassis=chassis)
    length = circuit.driven_m(laps)
    for care in _CARE:
        drive_rng, sensor_rng = np.random.default_rng(seed).spawn(2)
        careful = replace(
            driver,
            cornering_use=care * driver.cornering_use,
            braking_use=care * driver.braking_use,
            drive_use=care * driver.drive_use,
        )
        truth, angles = _driven(
            car=car,
            figures=figures,
            tyre=tyre,
            powertrain=powertrain,
            lock=lock,
            circuit=circuit,
            laps=laps,
            driver=careful,
            asked=asked,
            surface=surface,
            grip=grip or Grip(),
            every=every,
            temperature_degC=start_temperature_degC,
            rng=drive_rng,
        )
        if truth["distance"].max() > length - 10 and np.isfinite(angles[-1]).all():
            break
    else:
        raise InputError(
            f"the simulated car leaves the circuit after {truth['distance'].max():.0f} m of {length:.0f} m even with a "
            "careful driver; check the car's mass, centre of gravity and load transfer, and the tyre."
        )
    log = sensed_log(
        truth=truth,
        angles_rad=angles,
        step_s=STEP_S,
        radii_m=car.rolling_radii_m,
        steering_ratio=car.steering_ratio,
        sensors=sensors,
        rng=sensor_rng,
    )
    return Session(log=log, truth=truth)


def _driven(
    *,
    car: Car,
    figures: CarFigures,
    tyre: SimTyre,
    powertrain: Powertrain,
    lock: LockParameters,
    circuit: Circuit,
    laps: int,
    driver: Driver,
    asked: Manoeuvre,
    surface: Surface,
    grip: Grip,
    every: int,
    temperature_degC: float,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, FloatArray]:
    """Truth, and (n, 4) wheel angles at every step; both end early when the car leaves the circuit."""
    tyres = balanced(car=figures, tyre=tyre)
    nodes = np.arange(planned_nodes(circuit, laps), dtype=float) * circuit.step_m
    friction, stiffness = grip.factors(nodes, circuit.length_m * laps)
    plan = session_plan(
        circuit=circuit,
        laps=laps,
        car=figures,
        tyres=tyres,
        powertrain=powertrain,
        driver=driver,
        grip=friction,
        pulses=asked.pulses,
        card=asked.card,
        rng=rng,
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
        temperature_degC=temperature_degC,
    )
    turning = speed / (0.5 * (figures.r_rl + figures.r_rr)) * ratios
    gear = float(np.argmax(turning < 0.9 * powertrain.shift_up_rpm * to_rad_s))
    length = circuit.driven_m(laps)
    periods = int(length / _SLOWEST_MEAN_M_S / CONTROL_S)
    substeps = round(CONTROL_S / STEP_S)
    samples = periods * substeps // every
    states, forces = np.empty((samples, len(State._fields))), np.empty((samples, len(Forces._fields)))
    extras, means, angles = np.empty((samples, len(EXTRA))), np.empty((samples, 3)), np.empty((periods * substeps, 4))
    rows, steps = run_session(
        state,
        Hands(0.0, 0.0, 0.0 if asked.pulses or asked.card else 0.5, 0.0, 0.0, 0.0, gear, 0.0, 0.0, 0.0, 0.0),
        rng.standard_normal(periods),
        length,
        (circuit.step_m, circuit.x_m, circuit.y_m, circuit.heading_rad, circuit.curvature_1_m),
        (
            plan.speed_m_s,
            plan.acceleration_m_s2,
            plan.offset_m,
            plan.eagerness,
            plan.pulse,
            plan.torque_Nm,
            plan.gain_1_s,
        ),
        surface.figures,
        (friction, stiffness),
        ratios,
        (powertrain.shift_up_rpm * to_rad_s, powertrain.shift_down_rpm * to_rad_s, powertrain.shift_time_s),
        figures,
        tyres,
        engine,
        table,
        lock_figures(lock),
        _driver_figures(driver, tyre, car, powertrain),
        STEP_S,
        substeps,
        every,
        states,
        forces,
        extras,
        means,
        angles,
    )
    states, forces, extras, means = states[:rows], forces[:rows], extras[:rows], means[:rows]
    truth = _truth(states, forces, extras, means, every * STEP_S, circuit.length_m, length, lock, surface)
    return truth, angles[:steps]


def _driver_figures(driver: Driver, tyre: SimTyre, car: Car, powertrain: Powertrain) -> DriverFigures:
    peak = 2.3 * tyre.shape_y * tyre.friction_y / tyre.cornering_stiffness_per_rad  # about the slip angle of the peak
    return DriverFigures(
        0.0008,
        1.15 * peak,
        0.9 * peak,
        driver.slip_feel,
        driver.throttle_rate_per_s,
        car.wheelbase_m,
        0.0015 * driver.variability,
        1.15 * car.mass_kg * STANDARD_GRAVITY_M_S2 * car.front_rolling_radius_m,
        driver.lift_pause_s,
        driver.release_pause_s,
        powertrain.shift_miss_percent / 100,
        driver.brake_reserve_m_s2,
        driver.left_foot_brake,
    )


def _truth(
    states: FloatArray, forces: FloatArray, extras: FloatArray, means: FloatArray, sample_s: float, lap_m: float,
    length: float, lock: LockParameters, surface: Surface,
) -> pd.DataFrame:  # fmt: skip
    s = dict(zip(State._fields, states.T, strict=True))
    f = dict(zip(Forces._fields, forces.T, strict=True))
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
    columns |= {
        "altitude": surface.altitude_m(e["distance"], e["offset"], s["x"], s["y"]),
        "gravity_x": e["along"],
        "gravity_y": e["across"],
        "vertical_acceleration": e["vertical"],
        "friction_factor": e["friction"],
    }
    columns |= {name: s[name] for name in ("x", "y", "heading", "vx", "vy", "w_fl", "w_fr", "w_rl", "w_rr")}
    columns |= {name: f[name] for name in Forces._fields if name.startswith(("load_", "fx_", "fy_"))}
    truth = pd.DataFrame(columns)
    return truth[truth["distance"] < length].reset_index(drop=True)


def check_ending(path: Path | str) -> None:
    """Refuse a file name whose ending says no format.

    Raises
    ------
    InputError : neither .parquet, .csv nor .csv.gz.
    """
    if not str(path).lower().endswith(ENDINGS):
        raise InputError(f"{Path(path).name}: the ending says no format; allowed: {', '.join(ENDINGS)}. Name one.")


def truth_path(log: Path | str) -> Path:
    """Where the truth of `log` goes: `run.csv.gz` has `run.truth.parquet` beside it."""
    log = Path(log)
    ending = next((e for e in ENDINGS if log.name.lower().endswith(e)), "")
    return log.with_name(log.name[: len(log.name) - len(ending)] + ".truth.parquet")


def write_table(table: pd.DataFrame, path: Path | str) -> None:
    """Write `table` to `path`, whole or not at all; single precision where that is finer than the logger.

    Raises
    ------
    InputError : an ending that is no format, or a folder that cannot be written.
    """
    write_atomic(path, _table_bytes(table, path))


def write_session(session: Session, path: Path | str, outputs: Outputs) -> None:
    """Write a session's log to `path` and its truth beside it. The truth says which log it is of: so a CSV, which can
    carry no mark, is known as halfshaft's own until somebody changes it.

    Parameters
    ----------
    path : of the log; its ending says the format.
    outputs : says what may be overwritten: only halfshaft's own files.

    Raises
    ------
    InputError : as `write_table` and `Outputs.write`.
    """
    log = _table_bytes(session.log, path)
    truth = _table_bytes(
        session.truth,
        truth_path(path),
        {PARQUET_MARK: GENERATOR.encode(), _OF_LOG: hashlib.sha256(log).hexdigest().encode()},
    )
    outputs.write(path, log, is_own_log)
    outputs.write(truth_path(path), truth, is_own_truth(path))


def is_own_log(path: Path) -> bool:
    """Whether a file is the log that the truth beside it was written with, to the byte."""
    truth = truth_path(path)
    if not truth.is_file() or not is_own_parquet(truth):
        return False
    with open_regular(path) as stream:
        found = hashlib.sha256(stream.read()).hexdigest()
    return (pq.read_schema(truth).metadata or {}).get(_OF_LOG) == found.encode()


def is_own_truth(log: Path | str) -> Callable[[Path], bool]:
    """Whether a file is a truth, and not that of a log beside `log` with another ending."""
    log, stem = Path(log), truth_path(log).name.removesuffix(".truth.parquet")
    others = [other for ending in ENDINGS if (other := log.with_name(f"{stem}{ending}")) != log and other.is_file()]
    return lambda truth: is_own_parquet(truth) and not any(is_own_log(other) for other in others)


def _table_bytes(table: pd.DataFrame, path: Path | str, metadata: dict[bytes, bytes] | None = None) -> bytes:
    check_ending(path)
    name = str(path).lower()
    if name.endswith(".parquet"):
        wide = {c: "float32" for c in table.select_dtypes("float64") if c not in _FULL_PRECISION}
        content = io.BytesIO()
        made = pa.Table.from_pandas(table.astype(wide), preserve_index=False)
        pq.write_table(
            made.replace_schema_metadata({**(made.schema.metadata or {}), **(metadata or {})}),
            content,
            compression="zstd",
        )
        return content.getvalue()
    text = table.to_csv(index=False, float_format="%.10g", lineterminator="\n").encode()
    return gzip.compress(text, mtime=0) if name.endswith(".gz") else text
