"""Cars, sessions with known truth, and what is measured on them. All figures are invented; nothing is tuned to them.

The simulated tyre is not the fitted one (other formula, load sensitivity, combined slip, lag), so an error here is what
a tyre of another form costs.
"""

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analyzer.analysis import Analysis
from analyzer.differential.setup import Setup
from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_sessions
from analyzer.signals.long_session import read_session
from analyzer.simulation.circuit import demo_circuit, generated_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters, SimTyre
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.car import Car

from .driven import Carried

LEAST_TORQUE_Nm = 60.0  # relative errors are taken of at least this: no one cares for 20 % of 10 N.m


def invented_car(**figures) -> Car:
    shared = dict(
        name="invented car",
        mass_kg=1180,
        wheelbase_m=2.42,
        front_weight_fraction=0.46,
        cg_height_m=0.47,
        front_track_m=1.45,
        rear_track_m=1.47,
        front_rolling_radius_m=0.312,
        rear_rolling_radius_m=0.312,
        steering_ratio=14.5,
        rear_load_transfer_fraction=0.46,
    )
    return Car(**(shared | figures))


CLUB = invented_car()
LIGHT = invented_car(
    mass_kg=760,
    wheelbase_m=2.30,
    front_weight_fraction=0.44,
    cg_height_m=0.40,
    front_track_m=1.38,
    rear_track_m=1.36,
    front_rolling_radius_m=0.285,
    rear_rolling_radius_m=0.285,
    steering_ratio=13,
    wheel_inertia_kg_m2=0.7,
)
HEAVY = invented_car(
    mass_kg=1500,
    wheelbase_m=2.70,
    front_weight_fraction=0.52,
    cg_height_m=0.50,
    front_track_m=1.56,
    rear_track_m=1.58,
    front_rolling_radius_m=0.33,
    rear_rolling_radius_m=0.335,
    steering_ratio=15,
    wheel_inertia_kg_m2=1.5,
)
# a mix-up of front and rear is 15 % here, in radius and in track
UNLIKE_AXLES = invented_car(
    mass_kg=1090,
    front_track_m=1.38,
    rear_track_m=1.59,
    front_rolling_radius_m=0.280,
    rear_rolling_radius_m=0.322,
    front_weight_fraction=0.43,
)

# radii and tracks 15 % unlike front and rear, heavy wheels: whoever takes a figure of the wrong axle, is off by that
UNLIKE = invented_car(
    front_track_m=1.31,
    rear_track_m=1.53,
    front_rolling_radius_m=0.288,
    rear_rolling_radius_m=0.335,
    wheel_inertia_kg_m2=2.2,
)


@dataclass(frozen=True)
class Case:
    """One simulated session: car, differential, circuit (None is the sample logs' own), tyre, logger. `told` is the car
    file that the analysis gets, when it is not the true one."""

    car: Car = CLUB
    lock: LockParameters = field(default_factory=LockParameters)
    circuit: int | None = None
    laps: int = 3
    seed: int = 1
    tyre: SimTyre = field(default_factory=SimTyre)
    sensors: Sensors = field(default_factory=Sensors)
    told: Car | None = None

    @property
    def file(self) -> Car:
        """The car file that the analysis gets."""
        return self.told or self.car

    def drive(self) -> Session:
        return simulate_session(
            car=self.car,
            lock=self.lock,
            circuit=demo_circuit() if self.circuit is None else generated_circuit(self.circuit),
            laps=self.laps,
            seed=self.seed,
            tyre=self.tyre,
            sensors=self.sensors,
        )


def random_body(rng: np.random.Generator) -> dict[str, float]:
    """Figures of a random car's body, as `Car` names them."""
    return dict(
        wheelbase_m=rng.uniform(2.3, 2.7),
        front_weight_fraction=rng.uniform(0.40, 0.52),
        cg_height_m=rng.uniform(0.38, 0.52),
        rear_load_transfer_fraction=rng.uniform(0.38, 0.52),
        downforce_area_m2=0.1,
    )


def random_lock(rng: np.random.Generator, size: float, *, least_preload_Nm: float, steepest: float) -> LockParameters:
    """A random differential; `size` is the car's mass over 1180 kg."""
    return LockParameters(
        preload_Nm=size * rng.uniform(least_preload_Nm, 180),
        drive_slope=rng.uniform(0.10, steepest),
        drive_hold_Nm=size * rng.uniform(0, 80),
        coast_slope=rng.uniform(0.0, 0.25),
        coast_hold_Nm=size * rng.uniform(0, 100),
    )


def random_tyre(rng: np.random.Generator, **more: float) -> SimTyre:
    """A random tyre, with `more` of its figures given."""
    return SimTyre(
        friction_x=rng.uniform(1.15, 1.5),
        friction_y=rng.uniform(1.15, 1.45),
        slip_stiffness=rng.uniform(18, 32),
        cornering_stiffness_per_rad=rng.uniform(15, 26),
        shape_x=rng.uniform(1.35, 1.6),
        friction_load_sensitivity=rng.uniform(0.06, 0.16),
        stiffness_load_sensitivity=rng.uniform(0.05, 0.2),
        **more,
    )


STIFF = SimTyre(friction_x=1.5, friction_y=1.45, slip_stiffness=32.0, cornering_stiffness_per_rad=27.0)
SOFT = SimTyre(friction_x=1.1, friction_y=1.08, slip_stiffness=17.0, cornering_stiffness_per_rad=15.0)
POOR = Sensors(
    rate_Hz=50.0,
    teeth=44,
    tooth_error=0.03,
    timer_s=4e-6,
    wheel_resolution_km_h=0.1,
    wheel_scale_sd=0.008,
    yaw_noise_deg_s=0.5,
    yaw_bias_deg_s=1.0,
    acceleration_noise_g=0.03,
    acceleration_bias_g=0.02,
    steer_noise_deg=0.6,
    steer_offset_deg=3.0,
    position=False,
    lap=False,
)
CASES = {
    "club 1180 kg, 100 Hz": Case(),
    "light 760 kg, 200 Hz": Case(
        car=LIGHT,
        lock=LockParameters(preload_Nm=40.0, drive_slope=0.25, coast_slope=0.25),
        seed=2,
        tyre=replace(STIFF, reference_load_N=2000.0),
        sensors=Sensors(rate_Hz=200.0, position=False),
    ),
    "heavy 1500 kg, 50 Hz": Case(
        car=HEAVY,
        lock=LockParameters(preload_Nm=90.0, drive_slope=0.40, drive_hold_Nm=60.0, coast_slope=0.20),
        seed=3,
        tyre=replace(SOFT, reference_load_N=3700.0),
        sensors=Sensors(rate_Hz=50.0, lap=False),
    ),
    "club, minimum channels": Case(seed=4, sensors=Sensors(channels="minimum")),
    "light, poor sensors, wrong file": Case(
        car=LIGHT,
        lock=LockParameters(preload_Nm=45.0, drive_slope=0.22, coast_slope=0.20),
        seed=5,
        tyre=replace(STIFF, reference_load_N=2000.0, friction_load_sensitivity=0.20, stiffness_load_sensitivity=0.25),
        sensors=POOR,
        told=LIGHT.model_copy(
            update=dict(
                mass_kg=775.0,
                front_weight_fraction=0.445,
                cg_height_m=0.44,
                rear_load_transfer_fraction=0.42,
                drag_area_m2=0.7,
                wheel_inertia_kg_m2=0.8,
            )
        ),
    ),
    "heavy 200 Hz, wrong file": Case(
        car=HEAVY,
        lock=LockParameters(preload_Nm=80.0, drive_slope=0.35, coast_slope=0.25),
        seed=6,
        tyre=replace(SOFT, reference_load_N=3700.0, friction_load_sensitivity=0.05, weight_x=14.0, weight_y=5.0),
        sensors=Sensors(rate_Hz=200.0),
        told=HEAVY.model_copy(
            update=dict(
                mass_kg=1470.0,
                cg_height_m=0.455,
                rear_load_transfer_fraction=0.505,
                drag_area_m2=0.52,
                wheel_inertia_kg_m2=1.3,
            )
        ),
    ),
    "unlike axles": Case(car=UNLIKE_AXLES, lock=LockParameters(preload_Nm=70.0, drive_slope=0.25), seed=7),
}
# tyres that differ from the fitted form in everything it has a parameter for, and in what it has none for
TYRES = {
    "slippery and stiff": SimTyre(
        friction_x=1.0, friction_y=0.97, slip_stiffness=34.0, cornering_stiffness_per_rad=30.0
    ),
    "grippy and soft": SimTyre(friction_x=1.6, friction_y=1.55, slip_stiffness=17.0, cornering_stiffness_per_rad=16.0),
    "proportional to load": SimTyre(
        friction_load_sensitivity=0.0,
        stiffness_load_sensitivity=0.0,
        cornering_peak_load=6.0,
        weight_x=6.0,
        weight_y=5.0,
    ),
    "sensitive to load": SimTyre(
        friction_load_sensitivity=0.25,
        stiffness_load_sensitivity=0.30,
        cornering_peak_load=1.8,
        weight_x=14.0,
        weight_y=11.0,
    ),
    "falling past its peak": SimTyre(
        friction_x=1.45, friction_y=1.20, shape_x=1.7, shape_y=1.5, curvature_x=0.4, curvature_y=0.2
    ),
}


@dataclass(frozen=True)
class Measured:
    """Errors against truth. None where there is nothing to compare.

    Attributes
    ----------
    lock_error : median relative error of the measured curve where the truth slipped.
    coverage : share of those points whose 95 % interval holds the truth.
    width : median width of the interval over truth.
    transfer_correlation, transfer_rmse_Nm : of the mean transfer torque per phase off the brakes.
    braked_correlation : of the torque difference at the samples on the brakes.
    kinematic_error : median absolute error of the kinematic lock per phase.
    points : how many points were compared.
    """

    lock_error: float | None
    coverage: float | None
    width: float | None
    transfer_correlation: float | None
    transfer_rmse_Nm: float | None
    braked_correlation: float | None
    kinematic_error: float | None
    points: int


def analysed(log: pd.DataFrame, car: Car, folder: Path, setup: Setup | None = None) -> Analysis:
    """Through a file and its reader, as a user's log goes."""
    return analysed_together([log], car, folder, setup)


def analysed_together(logs: list[pd.DataFrame], car: Car, folder: Path, setup: Setup | None = None) -> Analysis:
    """Several logs of one car, one answer."""
    sessions = []
    for number, log in enumerate(logs):
        path = folder / f"log{number}.parquet"
        log.to_parquet(path)
        sessions.append(read_session((LogBlock(lambda path=path: read_log(path)),), car=car))
    return analyze_sessions(sessions=sessions, car=car, setup=setup)


def measure(case: Case, session: Session, analysis: Analysis) -> Measured:
    """Compare one analysis with its truth."""
    truth = session.truth
    time = truth["time"].to_numpy() - truth["time"].iloc[0]
    braked = truth["brake_torque"].to_numpy() > 50
    errors, inside, widths = [], [], []
    if case.lock.kind != "spool":
        carried = Carried.of(truth, case.lock)
        for point in analysis.lock_curve.points:
            true = carried.at(point.input_torque_Nm)
            if point.kind != "measured" or true is None:
                continue
            errors.append(abs(point.locking_torque_Nm - true) / max(true, LEAST_TORQUE_Nm))
            inside.append(point.lower_Nm - 1 <= true <= point.upper_Nm + 1)
            widths.append((point.upper_Nm - point.lower_Nm) / max(true, LEAST_TORQUE_Nm))
    transfer, kinematic = _by_phase(case, truth, time, braked, analysis)
    varied = len(transfer) > 5 and transfer[:, 1].std() > 1
    return Measured(
        lock_error=float(np.median(errors)) if errors else None,
        coverage=float(np.mean(inside)) if inside else None,
        width=float(np.median(widths)) if widths else None,
        transfer_correlation=float(np.corrcoef(transfer.T)[0, 1]) if varied else None,
        transfer_rmse_Nm=float(np.sqrt(np.mean((transfer[:, 0] - transfer[:, 1]) ** 2))) if len(transfer) else None,
        braked_correlation=_on_brakes(truth, time, braked, analysis),
        kinematic_error=float(np.median(np.abs(kinematic[:, 0] - kinematic[:, 1]))) if len(kinematic) else None,
        points=len(errors),
    )


def _on_brakes(truth: pd.DataFrame, time: np.ndarray, braked: np.ndarray, analysis: Analysis) -> float:
    """Correlation of the torque difference, said and true, where the brakes are truly on."""
    at, said = analysis.signals.time_s, analysis.axle.torque_difference_Nm
    on = (np.interp(at, time, braked) > 0.5) & analysis.axle.braked & np.isfinite(said)
    true = np.interp(at, time, truth["torque_left_minus_right"])
    return float(np.corrcoef(said[on], true[on])[0, 1])


def _by_phase(case: Case, truth: pd.DataFrame, time, braked, analysis: Analysis) -> tuple[np.ndarray, np.ndarray]:
    """(k, 2) transfer torque and (j, 2) kinematic lock, said and true, of phases off the brakes."""
    difference, yaw = truth["torque_left_minus_right"].to_numpy(), truth["yaw_rate"].to_numpy()
    speeds = truth["speed_difference"].to_numpy()
    transfer, kinematic = [], []
    for row in analysis.phase_results:
        where = (time >= row.start_s) & (time <= row.end_s)
        if where.sum() < 5 or braked[where].mean() > 0.1:
            continue
        inward = 1 if row.direction == "left" else -1
        if row.transfer_torque_Nm is not None:
            transfer.append((row.transfer_torque_Nm, inward * difference[where].mean()))
        if row.kinematic_lock is not None and np.abs(yaw[where]).mean() > 0.12:
            free = -yaw[where].mean() * case.car.rear_track_m / case.car.rear_rolling_radius_m
            kinematic.append((row.kinematic_lock, 1 - speeds[where].mean() / free))
    return np.array(transfer).reshape(-1, 2), np.array(kinematic).reshape(-1, 2)
