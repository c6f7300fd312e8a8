"""The simulated car as plain numbers for compiled loops: tyres, engine, and what the car can hold.

Compiles the inner loops with numba when it is installed (extra `fast`), and leaves them plain Python otherwise.

The loops are written on scalars and tuples, so that both ways give the same numbers to rounding. Compiled code is
kept on disk in a folder named after the source of all loops: numba itself looks only at the file of each function,
and would run a stale copy of what that function calls.

Forces of one tyre by the magic formula with cosine weighting, scalar, for the inner loop.

The car, its tyres and its engine as the plain numbers that the inner loops take, and what the car can hold.
"""

import hashlib
import math
from collections import namedtuple
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.simulation.simulated_car import RADIUS_B, RADIUS_D, RADIUS_F, Chassis, Powertrain, SimTyre
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

try:
    import numba
except ImportError:
    numba = None

IS_COMPILED = numba is not None
_HERE = Path(__file__).parent
_REAR_MARGIN = 1.06  # friction in hand at the rear axle when the front axle lets go; common practice, no source
_UNDERSTEER_RAD_PER_G = 0.008  # at small lateral acceleration; common practice, no source


F = TypeVar("F", bound=Callable[..., Any])


def _kept_code_folder() -> Path | None:
    """Where compiled loops are kept: beside the source, else in the user's cache, else nowhere."""
    source = b"".join(path.read_bytes() for path in sorted(_HERE.glob("*.py")))
    name = f"loops-{hashlib.sha256(source).hexdigest()[:12]}"
    for parent in (_HERE / "__pycache__", Path("~/.cache/halfshaft")):
        try:
            folder = parent.expanduser() / name
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "writable").touch()
        except (OSError, RuntimeError):  # the latter of a user without a home
            continue
        return folder
    return None


_FOLDER = _kept_code_folder() if IS_COMPILED else None


def compiled(function: F) -> F:
    """A function of scalars, tuples and arrays, compiled on its first call where numba is installed, else as it is."""
    if numba is None:
        return function
    if _FOLDER is None:
        in_memory: F = numba.njit(function)
        return in_memory
    before, numba.config.CACHE_DIR = numba.config.CACHE_DIR, str(_FOLDER)
    try:
        kept: F = numba.njit(cache=True)(function)
        return kept
    finally:
        numba.config.CACHE_DIR = before


# the figures of one axle's tyres in the form that both numba and plain Python read fast
TyreFigures = namedtuple(
    "TyreFigures",
    "friction_x friction_y friction_load_sensitivity slip_stiffness stiffness_load_sensitivity "
    "cornering_stiffness_per_rad cornering_peak_load shape_x shape_y curvature_x curvature_y weight_x weight_x_slip "
    "weight_x_shape weight_y weight_y_angle weight_y_shape reference_load_N relaxation_x_m relaxation_y_m",
)


def tyre_figures(tyre: SimTyre, *, friction_factor: float = 1.0, stiffness_factor: float = 1.0) -> TyreFigures:
    """The tyre as plain numbers, its friction (both ways) and its stiffness (both ways) scaled.

    Parameters
    ----------
    friction_factor, stiffness_factor : 1 leaves it as it is.
    """
    figures = TyreFigures(*(float(getattr(tyre, name)) for name in TyreFigures._fields))
    return figures._replace(
        friction_x=figures.friction_x * friction_factor,
        friction_y=figures.friction_y * friction_factor,
        slip_stiffness=figures.slip_stiffness * stiffness_factor,
        cornering_stiffness_per_rad=figures.cornering_stiffness_per_rad * stiffness_factor,
    )


@compiled
def cornering_stiffness(load: float, tyre: TyreFigures) -> float:
    """Lateral force per slip tangent at zero slip (N).

    Parameters
    ----------
    load : wheel load (N).
    tyre : `TyreFigures`.

    Notes
    -----
    C F_z0 sin(2 atan(F_z/(k F_z0))) / sin(2 atan(1/k)), k the load of the largest stiffness over F_z0.

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 4.3.2 (the form of K_y over load, from memory).
    """
    ratio, knee = load / tyre.reference_load_N, tyre.cornering_peak_load
    stiffness: float = tyre.cornering_stiffness_per_rad * tyre.reference_load_N
    rise = math.sin(2.0 * math.atan(ratio / knee)) / math.sin(2.0 * math.atan(1.0 / knee))
    return stiffness * rise


@compiled
def friction_scale(load: float, tyre: TyreFigures) -> float:
    """Friction at a wheel load (N) over friction at the reference load; held positive far above it."""
    scale: float = max(0.2, 1.0 - tyre.friction_load_sensitivity * (load / tyre.reference_load_N - 1.0))
    return scale


@compiled
def tyre_forces(
    slip: float, tangent: float, load: float, tyre: TyreFigures, friction: float = 1.0, stiffness: float = 1.0
) -> tuple[float, float, float]:
    """(F_x, F_y, dF_x/dslip) in N.

    Parameters
    ----------
    slip : longitudinal slip, (omega R - v) / v, positive driving.
    tangent : minus lateral over longitudinal contact speed; positive gives a force to the left.
    load : wheel load, N.
    friction, stiffness : factors on the tyre's friction and on both its stiffnesses.

    Notes
    -----
    F_x0 = D sin(C atan(B s - E (B s - atan(B s)))), D = mu_x F_z, B C D = K_x; the same across with K_y.
    F_x = F_x0 cos(C_a atan(B_a a)), B_a = r_1 cos(atan(r_2 s)); across likewise with slip and angle exchanged.
    The derivative is that of F_x0 times the weighting (the weighting's own slope is left out: it only guides a step).

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 3rd ed. 2012, section 4.3.2, without offsets, camber and turn slip.
    """
    if load <= 1.0:
        return 0.0, 0.0, 0.0
    ratio = load / tyre.reference_load_N
    scale = friction_scale(load, tyre) * load * friction
    peak_x, peak_y = tyre.friction_x * scale, tyre.friction_y * scale
    stiffness_x = tyre.slip_stiffness * load * math.exp(-tyre.stiffness_load_sensitivity * (ratio - 1.0)) * stiffness
    stiffness_y = cornering_stiffness(load, tyre) * stiffness

    b = stiffness_x / (tyre.shape_x * peak_x)
    bs = b * slip
    inner = bs - tyre.curvature_x * (bs - math.atan(bs))
    phase = tyre.shape_x * math.atan(inner)
    force_x = peak_x * math.sin(phase)
    slope_x = (
        peak_x
        * math.cos(phase)
        * tyre.shape_x
        / (1.0 + inner * inner)
        * b
        * (1.0 - tyre.curvature_x * bs * bs / (1.0 + bs * bs))
    )

    bt = stiffness_y / (tyre.shape_y * peak_y) * tangent
    force_y = peak_y * math.sin(tyre.shape_y * math.atan(bt - tyre.curvature_y * (bt - math.atan(bt))))

    # cos(atan(u)) = 1 / sqrt(1 + u^2)
    by_angle = tyre.weight_x / math.sqrt(1.0 + (tyre.weight_x_slip * slip) ** 2)
    by_slip = tyre.weight_y / math.sqrt(1.0 + (tyre.weight_y_angle * tangent) ** 2)
    weight_x = math.cos(tyre.weight_x_shape * math.atan(by_angle * tangent))
    weight_y = math.cos(tyre.weight_y_shape * math.atan(by_slip * slip))
    return force_x * weight_x, force_y * weight_y, slope_x * weight_x


CarFigures = namedtuple(
    "CarFigures",
    "mass yaw_inertia front rear height half_front half_rear rear_transfer drag downforce front_downforce "
    "front_brake rolling wheel_inertia r_fl r_fr r_rl r_rr "
    # what the options of `parameters` add: load lags (s), roll moment of a cross weight (N.m), share of the rear brakes
    # on the left, fall of the rolling radius (m/N; m, 1/N), static wheel loads (N), friction and stiffness by wheel
    "lag_front lag_rear cross_moment brake_left radius_line radius_arc radius_arc_per_N static_f static_r "
    "grip_fl grip_fr grip_rl grip_rr",
)
EngineFigures = namedtuple("EngineFigures", "engine_inertia driveline_inertia efficiency limiter lag table_step")


def car_figures(*, car: Car, tyre: SimTyre, chassis: Chassis | None = None) -> CarFigures:
    """The car in the form of the inner loop (SI; half tracks; drag and downforce as 1/2 rho A).

    Parameters
    ----------
    car : its own tyre figures are not looked at.
    tyre : for radii and grips that differ from wheel to wheel.
    chassis : None has the defaults.
    """
    chassis = chassis or Chassis()
    sides = np.array([1.0, -1.0, 1.0, -1.0])  # left wheels up, right wheels down
    radii = car.rolling_radii_m * np.array(tyre.radius_factors) * (1 + 0.005 * tyre.unlike_radius_percent * sides)
    grips = 1 + 0.005 * tyre.unlike_grip_percent * sides
    weight = car.mass_kg * STANDARD_GRAVITY_M_S2
    quarter = weight / 4
    radius_line = tyre.radius_fall_percent / 100 * float(np.mean(car.rolling_radii_m)) / quarter
    radius_arc = 0.0
    if tyre.radius_stiffness_N_mm > 0:
        stiffness = 1000 * tyre.radius_stiffness_N_mm
        radius_line += RADIUS_F / stiffness
        radius_arc = RADIUS_D * quarter / stiffness
    return CarFigures._make(
        (
            car.mass_kg,
            car.yaw_inertia,
            car.cg_to_front_m,
            car.cg_to_rear_m,
            car.cg_height_m,
            car.front_track_m / 2,
            car.rear_track_m / 2,
            car.rear_load_transfer,
            0.5 * AIR_DENSITY_KG_M3 * car.drag_area_m2,
            0.5 * AIR_DENSITY_KG_M3 * car.downforce_area_m2,
            car.front_downforce_share,
            car.front_brake_fraction,
            car.rolling_resistance,
            car.wheel_inertia_kg_m2,
            *(float(r) for r in radii),
            chassis.load_lag_front_s,
            chassis.load_lag_rear_s,
            chassis.cross_weight_percent / 100 * weight / (1 / car.front_track_m + 1 / car.rear_track_m),
            chassis.rear_brake_left_percent / 100,
            radius_line,
            radius_arc,
            RADIUS_B / quarter,
            weight * car.front_weight_fraction / 2,
            weight * (1 - car.front_weight_fraction) / 2,
            *(float(g) for g in grips),
        )
    )


def axle_grip(*, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], speed_m_s: float, ay: float) -> list[float]:
    """Lateral acceleration that the friction of each axle could hold.

    Parameters
    ----------
    tyres : front and rear.
    ay : lateral acceleration that the wheels are loaded as at (m/s2), either sign; a cross weight is left out.

    Returns
    -------
    list : front and rear (m/s2).
    """
    length = car.front + car.rear
    masses = car.mass * car.rear / length, car.mass * car.front / length
    loads = wheel_loads(speed_m_s, 0.0, ay, car._replace(cross_moment=0.0))  # which is other to the other side
    grip = [
        tyre.friction_y * sum(friction_scale(z, tyre) * z for z in pair)
        for tyre, pair in zip(tyres, (loads[:2], loads[2:]), strict=True)
    ]
    return [g / m for g, m in zip(grip, masses, strict=True)]


def lateral_limit(*, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], speed_m_s: float) -> float:
    """Lateral acceleration (m/s2) at which the weaker axle has spent its friction, with load transfer and downforce.

    Parameters
    ----------
    tyres : front and rear.
    """
    limit: float = tyres[0].friction_y * STANDARD_GRAVITY_M_S2
    for _ in range(40):
        limit = 0.5 * (limit + min(axle_grip(car=car, tyres=tyres, speed_m_s=speed_m_s, ay=limit)))
    return limit


def balanced(*, car: CarFigures, tyre: SimTyre) -> tuple[TyreFigures, TyreFigures]:
    """Front and rear tyre figures; where `tyre` leaves a rear factor open it is chosen for mild understeer.

    Notes
    -----
    Friction: the rear axle could hold `_REAR_MARGIN` times what the front one can, loaded as at the limit.
    Stiffness: W_f / C_f - W_r / C_r = `_UNDERSTEER_RAD_PER_G` at static loads (linear single-track car).
    """
    front = tyre_figures(tyre)
    speed = 20.0
    limit = front.friction_y * STANDARD_GRAVITY_M_S2
    for _ in range(40):
        limit = 0.5 * (limit + axle_grip(car=car, tyres=(front, front), speed_m_s=speed, ay=limit)[0])
    grips = axle_grip(car=car, tyres=(front, front), speed_m_s=speed, ay=limit)
    friction = _REAR_MARGIN * grips[0] / grips[1]
    loads = wheel_loads(0.0, 0.0, 0.0, car._replace(cross_moment=0.0))
    slip_f = loads[0] / cornering_stiffness(loads[0], front)
    slip_r = loads[2] / cornering_stiffness(loads[2], front)
    stiffness = slip_r / max(0.3 * slip_f, slip_f - _UNDERSTEER_RAD_PER_G)
    rear = tyre_figures(
        tyre,
        friction_factor=friction if tyre.rear_friction_factor is None else tyre.rear_friction_factor,
        stiffness_factor=stiffness if tyre.rear_stiffness_factor is None else tyre.rear_stiffness_factor,
    )
    return front, rear


def engine_figures(powertrain: Powertrain) -> tuple[EngineFigures, FloatArray]:
    """Engine figures, and the table of its torques.

    Returns
    -------
    tuple : `EngineFigures`; (n, 2) torque at the crank (N.m) at full throttle and with it closed, over evenly spaced
        engine speed from 0.
    """
    table = np.array([powertrain.full_torque_Nm, powertrain.drag_torque_Nm], float).T.copy()
    to_rad_s = math.pi / 30
    figures = EngineFigures(
        powertrain.engine_inertia_kg_m2,
        powertrain.driveline_inertia_kg_m2,
        powertrain.efficiency,
        powertrain.limiter_rpm * to_rad_s,
        powertrain.torque_lag_s,
        powertrain.speed_rpm[1] * to_rad_s,
    )
    return figures, table


@compiled
def rolling_radius(radius: float, load: float, static: float, car: CarFigures) -> float:
    """Effective rolling radius (m) of a wheel under `load` (N), `radius` being the one at its `static` load.

    Parameters
    ----------
    load, static : wheel load now and at rest (N).

    Notes
    -----
    R_e(F_z) = R_e(F_s) - (F_z0/C_z) [D (atan(B F_z/F_z0) - atan(B F_s/F_z0)) + F (F_z - F_s)/F_z0], plus the straight
    line of `SimTyre.radius_fall_percent`; both fall per newton, alike on both axles.

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 3rd ed. 2012, section 9.3 (form and the figures B, D, F as in our brief).
    """
    bent = math.atan(car.radius_arc_per_N * load) - math.atan(car.radius_arc_per_N * static)
    shrunk: float = car.radius_line * (load - static) + car.radius_arc * bent
    return radius - shrunk


@compiled
def wheel_loads(speed: float, ax: float, ay: float, car: CarFigures) -> tuple[float, float, float, float]:
    """`loads_on_road` on a level road, with front and rear in step.

    Parameters
    ----------
    speed : m/s.
    ax, ay : m/s2, forward and left positive.
    car : `CarFigures`.
    """
    return loads_on_road(speed, ax, ay, ay, STANDARD_GRAVITY_M_S2, car)


@compiled
def loads_on_road(
    speed: float, ax: float, ay: float, ay_rear: float, vertical: float, car: CarFigures
) -> tuple[float, float, float, float]:
    """Wheel loads, quasi-static; a lifted wheel hands its share to the other axle.

    Parameters
    ----------
    speed : for the downforce (m/s).
    ax, ay : specific force (tyre force over mass, m/s2) along the car's own axes, forward and left positive: grade and
        bank are in them.
    ay_rear : `ay` as late as the rear follows it.
    vertical : specific force upwards (m/s2); gravity on a level road.
    car : `CarFigures`.

    Returns
    -------
    tuple : front left, front right, rear left, rear right (N), never below 0.

    Notes
    -----
    Longitudinal m a_x h / L, lateral m a_y h / track split by the rear load-transfer fraction, downforce split by its
    front share; drag acts at the height of the road. A cross weight is a roll moment that the axles hold against each
    other.
    """
    length = car.front + car.rear
    weight, lift = car.mass * vertical, car.downforce * speed * speed
    along = car.mass * ax * car.height / length
    front = max(0.0, weight * car.rear / length + lift * car.front_downforce - along)
    rear = max(0.0, weight * car.front / length + lift * (1.0 - car.front_downforce) + along)
    moment = car.mass * ay * car.height  # positive in a left turn: loads the right wheels
    moment_rear = car.mass * ay_rear * car.height
    moment_r = moment_rear * car.rear_transfer - car.cross_moment
    moment = moment + (moment_rear - moment) * car.rear_transfer
    limit_f, limit_r = front * car.half_front, rear * car.half_rear
    moment_r = max(-limit_r, min(limit_r, moment_r))
    moment_f = max(-limit_f, min(limit_f, moment - moment_r))
    moment_r = max(-limit_r, min(limit_r, moment - moment_f))
    shift_f, shift_r = 0.5 * moment_f / car.half_front, 0.5 * moment_r / car.half_rear
    return 0.5 * front - shift_f, 0.5 * front + shift_f, 0.5 * rear - shift_r, 0.5 * rear + shift_r
