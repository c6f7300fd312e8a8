"""Rear axle: from wheel speeds, yaw rate and accelerations to slips, forces and torques.

Unknown at each sample are the ground speed at the middle of the rear axle, u, and the lateral slip tan(alpha), s. With

    kappa_l = v_l / (u - r t/2) - 1,   kappa_r = v_r / (u + r t/2) - 1

the tyre gives both wheels' forces, and four equations, each with its own error, must hold:

    longitudinal      F_xl + F_xr = m a_x + drag + front rolling resistance + front spin-up + F_yf sin(delta)
    lateral           F_yl + F_yr = [m a_y a - I_z dr/dt + (F_xr - F_xl) t/2] / L
    front speed       u cos(delta) + (r L - s u) sin(delta), times 1 + front slip = speed of the front axle's middle
    front difference  r t_f cos(delta), with the slip of each front wheel = front right less front left

Four equations for two unknowns: the weighted least-squares state is found by damped Gauss-Newton on all samples at
once. The surplus ones calibrate: the mean-slip closure the tyre, the front difference the gyro's scale and how the
rolling radius falls with load. The front wheels slip too: they are spun up and roll against resistance, which near the
lateral limit costs some tenths of a per cent, of an inner wheel that hardly touches the road some per cent; so each
front wheel counts by its load.

Speeds are in units of the wheels as the car file has their radii: a true speed is exp(log_speed_scale) times that. A
wheel under load F rolls as one of radius R [1 - `radius_shrink`], alike per newton on all four wheels.

The accelerometer sits at (x, y) from the centre of gravity (ISO 8855), turned by psi about the vertical, and leans with
the body. It reads

    a_x' = (1 + g_x) (a_x - r^2 x - dr/dt y) + psi a_y + bias
    a_y' = (1 + g_y) (a_y + dr/dt x - r^2 y) - psi a_x + bias,

g_x and g_y the sensor's scale and what gravity adds as the body pitches and rolls: g times the angle, which goes with
the acceleration itself. To first order in all of these, that is undone here.

Torques at the wheels: T = R F_x + R c_rr F_z + I_w dw/dt; input torque is their sum, brakes excluded, taken from the
measured side of the longitudinal equation; the torque difference is left minus right.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.long_arrays import taken
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car
from analyzer.vehicle.tyres import WheelForces, rho_at, sine_and_cosine, wheel_forces, wheel_loads

LONG_FORCE_SD_SHARE = 0.005  # of the weight: noise of the longitudinal force
LAT_FORCE_SD_SHARE = 0.017
# common figures of the effective rolling radius over load in published tyre files, with the load for F_z0: Pacejka,
# Tyre and Vehicle Dynamics, 4.3.6 (form and figures from memory)
RADIUS_B, RADIUS_D, RADIUS_F = 8.0, 0.24, 0.01
RADIUS_LOADS = (0.25, 1.75)  # of the static one: inner and outer wheel near the limit; common practice, no source
RADIUS_SCALE = 1 / (RADIUS_D * np.ptp(np.arctan(RADIUS_B * np.array(RADIUS_LOADS))) / np.ptp(RADIUS_LOADS) + RADIUS_F)
SIDES = np.array([[-1.0], [1.0]])  # of the middle: left, right

Values = dict[str, Any]  # parameter -> its value (float), or one a sample (n,)


@dataclass(frozen=True)
class AxleInputs:
    """Measured side of the axle, all (n,), SI. `front_m_s` is the speed of the front axle's middle along its wheels, in
    which the left wheel counts `front_left_share`; `front_difference_m_s` is right less left as logged; their
    deviations are large where the wheels cannot be trusted, the difference's also where no gyro tells the yaw rate;
    `front_brake_N` is the force of the front brakes, 0 where they are off; `long_from_speed` is 1 where `long_m_s2` is
    only the change of speed, 0 where an accelerometer measured it; `lat_from_yaw` is 1 where `lat_m_s2` is worked out
    from speed and yaw rate; `speed_by_satellite` is 1 where `front_m_s` is no
    wheel's speed but that of the centre of gravity over ground."""

    left_m_s: FloatArray
    right_m_s: FloatArray
    left_acc_m_s2: FloatArray
    right_acc_m_s2: FloatArray
    front_m_s: FloatArray
    front_sd_m_s: FloatArray
    front_left_share: FloatArray
    front_difference_m_s: FloatArray
    front_difference_sd_m_s: FloatArray
    steer_rad: FloatArray
    lat_m_s2: FloatArray
    long_m_s2: FloatArray
    yaw_rad_s: FloatArray
    yaw_acc_rad_s2: FloatArray
    front_brake_N: FloatArray
    long_from_speed: FloatArray
    lat_from_yaw: FloatArray
    speed_by_satellite: FloatArray

    def take(self, where: BoolArray | IntArray | slice) -> "AxleInputs":
        """The samples `where` (bool, index or slice)."""
        return taken(self, where)

    def __len__(self) -> int:
        return len(self.left_m_s)


@dataclass(frozen=True)
class AxleEquations:
    """Residuals of the four equations in standard deviations, what follows from a state, slopes against u and s."""

    residual: FloatArray  # (4, n)
    input_torque_Nm: FloatArray
    torque_difference_Nm: FloatArray
    slip: FloatArray  # (2, n) left, right
    use: FloatArray  # (2, n)
    load_N: FloatArray  # (2, n)
    long_force_N: FloatArray  # (2, n)
    lateral_demand: FloatArray  # rear lateral force over what the tyres can give, (n,)
    slope: FloatArray  # (2, 4, n)
    input_slope: FloatArray  # (2, n)
    difference_slope: FloatArray  # (2, n)
    difference_per_slip: FloatArray  # dT_difference / d(kappa_l - kappa_r) at fixed state, (n,)


def tyre_figures(value: Values, car: Car) -> Values:
    """The rear tyres' figures, as `tyres.wheel_forces` takes them.

    Parameters
    ----------
    value : nuisance parameters as `parameters.priors` names them; logarithms multiply the car file's figure.

    Returns
    -------
    dict : floats, or (n,) where a parameter has a value for each sample.
    """
    mass = car.mass_kg * np.exp(value["log_mass"])
    friction, stiffness = np.exp(value["log_friction"]), np.exp(value["log_slip_stiffness"])
    return dict(
        static_load_N=mass * STANDARD_GRAVITY_M_S2 * (1 - car.front_weight_fraction) / 2,
        slip_stiffness=stiffness,
        cornering_stiffness=stiffness * np.exp(value["log_cornering_ratio"]),
        friction_x=friction,
        friction_y=friction * np.exp(value["log_friction_ratio"]),
        friction_fall=value["friction_fall"],
        stiffness_fall=value["stiffness_fall"],
        shape=value["shape"],
        combined_weight=value["combined_weight"],
    )


@dataclass(frozen=True)
class Given:
    """What the equations take from inputs and parameters whatever the state is. Arrays (n,); figures are those too,
    where a parameter has a value for each sample."""

    along_m_s2: FloatArray  # without what the speed does not show
    across_m_s2: FloatArray
    unseen: FloatArray
    half_yaw_m_s: FloatArray  # yaw rate times half the rear track, as the wheels' radii have speeds
    front_yaw_m_s: FloatArray  # yaw rate times half the front track along the wheels, the same
    led_m_s: FloatArray  # by this much `front_m_s` was led from each front wheel to the middle
    yaw_rad_s: FloatArray  # over the wheels' scale of speed
    sin: FloatArray
    cos: FloatArray
    left_m_s: FloatArray
    right_m_s: FloatArray
    spin_up_N: FloatArray  # per front wheel
    front_brake_N: FloatArray
    turning_Nm: FloatArray  # moments about the front axle that the rear one answers to
    front_lateral_N: FloatArray
    front_m_s: FloatArray
    front_sd_m_s: FloatArray
    front_left_share: FloatArray
    front_difference_m_s: FloatArray
    front_difference_sd_m_s: FloatArray
    by_satellite: BoolArray  # bool
    front_scale: FloatArray  # logarithm of the front speed's scale
    front_side_scale: float  # logarithm of front left over front right
    static_front_N: float  # of one wheel
    mean_load_N: float  # of a wheel at rest
    mass_kg: float
    drag: float  # force over dynamic pressure (m2)
    downforce: float
    rolling: float
    rear_front_growth: float
    radius_fall: float
    radius_bend: float
    tyre: Values
    loads: Values


def given_by(value: Values, inputs: AxleInputs, car: Car) -> Given:
    """`Given` of the inputs: measured channels with offsets, scales and the sensor's place taken off.

    Parameters
    ----------
    value : nuisance parameters as `parameters.priors` names them, a float or (n,) each.
    inputs : n samples.

    Returns
    -------
    Given : speeds and yaw rate in units of the wheels (see the module), not true ones.
    """
    mass = car.mass_kg * np.exp(value["log_mass"])
    turning = (inputs.yaw_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"])
    yaw = turning * np.exp(-value["log_speed_scale"])
    along, across = accelerations(value, inputs, turning)
    sin, cos = sine_and_cosine(inputs.steer_rad - value["steer_offset"])
    half_front = car.front_track_m * np.exp(value["log_front_track"]) / 2
    scale = np.exp(value["rear_left_right_scale"] / 2)
    rear_acc = np.clip((inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2, -15.0, 15.0)
    swing = car.yaw_inertia * inputs.yaw_acc_rad_s2
    return Given(
        along_m_s2=along,
        across_m_s2=across,
        unseen=inputs.long_from_speed * yaw,
        half_yaw_m_s=yaw * car.rear_track_m / 2,
        front_yaw_m_s=yaw * half_front * cos,
        led_m_s=inputs.yaw_rad_s * car.front_track_m / 2 * np.cos(inputs.steer_rad),
        yaw_rad_s=yaw,
        sin=sin,
        cos=cos,
        left_m_s=inputs.left_m_s * scale,
        right_m_s=inputs.right_m_s / scale,
        spin_up_N=car.wheel_inertia_kg_m2 * rear_acc / car.front_rolling_radius_m**2,
        front_brake_N=inputs.front_brake_N,
        turning_Nm=mass * across * car.cg_to_front_m - swing,
        front_lateral_N=(mass * across * car.cg_to_rear_m + swing) / car.wheelbase_m,
        front_m_s=inputs.front_m_s,
        front_sd_m_s=inputs.front_sd_m_s,
        front_left_share=inputs.front_left_share,
        front_difference_m_s=inputs.front_difference_m_s,
        front_difference_sd_m_s=inputs.front_difference_sd_m_s,
        by_satellite=inputs.speed_by_satellite > 0,
        front_scale=value["rear_front_scale"] + value["front_left_right_scale"] * (inputs.front_left_share - 0.5),
        front_side_scale=value["front_left_right_scale"],
        static_front_N=mass * STANDARD_GRAVITY_M_S2 * car.front_weight_fraction / 2,
        mean_load_N=mass * STANDARD_GRAVITY_M_S2 / 4,
        mass_kg=mass,
        drag=car.drag_area_m2 * np.exp(value["log_drag"]),
        downforce=car.downforce_area_m2 * np.exp(value["log_downforce"]),
        rolling=car.rolling_resistance * np.exp(value["log_rolling_resistance"]),
        rear_front_growth=value["rear_front_growth"],
        radius_fall=value["radius_fall"],
        radius_bend=value["radius_bend"],
        tyre=tyre_figures(value, car),
        loads=car.load_figures
        | dict(
            mass_kg=mass,
            cg_height_m=car.cg_height_m * np.exp(value["log_cg_height"]),
            rear_transfer_share=car.rear_load_transfer * np.exp(value["log_load_transfer"]),
        ),
    )


def accelerations(value: Values, inputs: AxleInputs, yaw_rad_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Specific force at the centre of gravity along and across the car, from what the sensor reads where it sits.

    A change of speed that stands in for the sensor sits nowhere, and has the scales of the clock and the wheels
    (`change_gain`).

    Parameters
    ----------
    value : nuisance parameters; of them the sensor's place, turn, gains and zeros count.
    inputs : n samples as logged.
    yaw_rad_s : (n,) true yaw rate, left positive: without its zero and in the gyro's right scale.

    Returns
    -------
    tuple : forward and left positive (m/s2), (n,) each.

    Notes
    -----
    The module's two equations solved for a_x and a_y to first order.
    """
    measured, sideways = 1.0 - inputs.long_from_speed, 1.0 - inputs.lat_from_yaw
    squared, swing = yaw_rad_s**2, inputs.yaw_acc_rad_s2
    x, y, turned = value["sensor_x_m"], value["sensor_y_m"], value["sensor_turned"]
    along = inputs.long_m_s2 - value["long_bias"]
    across = inputs.lat_m_s2 - value["lat_bias"]
    place = x * squared + y * swing
    stands_in = inputs.long_from_speed * value["change_gain"]
    return (
        along * (1.0 - stands_in) - measured * (value["long_gain"] * along + turned * across - place),
        across - sideways * (value["lat_gain"] * across - turned * measured * along + swing * x - squared * y),
    )


@dataclass(frozen=True)
class Balance:
    """Residuals (4, n) and their slopes (2, 4, n), and what torques and loads are made of; of the rear wheels (2, n),
    left and right."""

    residual: FloatArray
    slope: FloatArray
    kappa: FloatArray
    load_N: FloatArray
    forces: WheelForces
    difference_N: FloatArray
    demand_N: tuple[FloatArray, FloatArray]  # along, across
    demand_slope: FloatArray
    difference_slope: FloatArray


def published_fall(load: FloatArray | float) -> FloatArray:
    """Fall of the effective rolling radius over wheel load (over the mean static one), in the published form
    D atan(B f) + F f, so scaled that its mean slope over the loads of cornering, `RADIUS_LOADS`, is one.

    Parameters
    ----------
    load : wheel load over the mean static one (1), any shape.

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 4.3.6 (form and figures from memory).

    Examples
    --------
    Over the loads of cornering, 0.25 to 1.75 of the static one, it falls by 1.5, more of it on the light side:

    >>> light, static, heavy = (float(published_fall(load)) for load in (0.25, 1.0, 1.75))
    >>> round(heavy - light, 6), round(static - light, 2)
    (1.5, 1.22)
    """
    fall: FloatArray = RADIUS_SCALE * (RADIUS_D * np.arctan(RADIUS_B * load) + RADIUS_F * load)
    return fall


def published_steepness(load: FloatArray) -> FloatArray:
    """Slope of `published_fall` against `load` (wheel load over the mean static one), of its shape."""
    steepness: FloatArray = RADIUS_SCALE * (RADIUS_D * RADIUS_B / (1.0 + (RADIUS_B * load) ** 2) + RADIUS_F)
    return steepness


def radius_shrink(given: Given, load_N: FloatArray, static_N: float) -> FloatArray:
    """Share by which wheels' effective rolling radius is smaller than at rest, of the shape of `load_N`.

    Parameters
    ----------
    load_N : (n,) or (wheels, n).
    static_N : load of such a wheel at rest, where the share is 0.

    Notes
    -----
    With f the load over a quarter of the weight, fall (f - f_0) + bend [h(f) - h(f_0) - (f - f_0)], h `published_fall`:
    a straight line where bend is 0, the published form, steep on a light wheel, where it is `radius_fall`.
    """
    load, at_rest = load_N / given.mean_load_N, static_N / given.mean_load_N
    bent = published_fall(load) - published_fall(at_rest)
    return (given.radius_fall - given.radius_bend) * (load - at_rest) + given.radius_bend * bent


def front_slip_stiffness(given: Given, load_N: FloatArray) -> FloatArray:
    """What is left of the front tyres' longitudinal stiffness over load while the axle corners.

    The similarity curve inverted for the axle's lateral force; the rear tyres' figures stand for the front ones'.

    Parameters
    ----------
    load_N : (n,) of both front wheels together.

    Returns
    -------
    ndarray : (n,) per unit slip; times a wheel's load it is that wheel's stiffness (N).
    """
    tyre = given.tyre
    used = np.clip(np.abs(given.front_lateral_N) / (tyre["friction_y"] * load_N), 0.02, 0.97)
    stiffness: FloatArray = tyre["slip_stiffness"] * used / rho_at(used, tyre["shape"])
    return stiffness


def balance(state: FloatArray, given: Given, car: Car) -> Balance:
    """The four equations at a state; `equations` makes torques of it.

    Parameters
    ----------
    state : (2, n) ground speed at the middle of the rear axle (m/s, in units of the wheels) and lateral slip (1).
    given : of the same n samples.
    """
    u, s = state
    track, base, mass, tyre = car.rear_track_m, car.wheelbase_m, given.mass_kg, given.tyre
    yaw, unseen, sin, cos = given.yaw_rad_s, given.unseen, given.sin, given.cos
    along, pressure, loads, ground, kappa = _rolling(state, given, car)
    drag = pressure * given.drag
    load_fl, load_fr, load_l, load_r = loads
    load_front, load, along_path = load_fl + load_fr, np.array([load_l, load_r]), u / ground
    forces = wheel_forces(kappa=kappa, tan_alpha=s * along_path, load_N=load, **tyre)
    (long_l, long_r), (lat_l, lat_r) = forces.longitudinal, forces.lateral
    total_x, total_y, difference = long_l + long_r, lat_l + lat_r, long_l - long_r
    demand_x = (
        mass * along
        + drag
        + given.rolling * load_front
        + 2 * given.spin_up_N
        + given.front_brake_N
        + (mass * given.across_m_s2 - total_y) * sin
    )
    demand_y = (given.turning_Nm - difference * track / 2) / base
    stiff = front_slip_stiffness(given, load_front)
    grown = np.exp(given.rear_front_growth * (u / 40.0) ** 2 + given.front_scale)
    middle, by_u, by_s = u * cos + (yaw * base - s * u) * sin, cos - s * sin, -u * sin
    share = given.front_left_share
    of_front, counts = np.array([load_fl, load_fr]), np.array([share, 1.0 - share])
    slip = np.clip(-(given.rolling * of_front + given.spin_up_N) / (stiff * np.maximum(of_front, 150.0)), -0.03, 0.03)
    slip += radius_shrink(given, of_front, given.static_front_N)
    # `front_scale` is the middle's, in which the wheels count their shares
    turns_l, turns_r = turns = (1.0 + slip) * grown * np.exp(given.front_side_scale * -SIDES * (1.0 - counts))
    front_l, front_r = (middle + SIDES * given.front_yaw_m_s) * turns
    front = share * front_l + (1.0 - share) * front_r + (2.0 * share - 1.0) * given.led_m_s
    to_front = share * turns_l + (1.0 - share) * turns_r
    apart = front_r - front_l
    front_slopes = by_u * to_front, by_s * to_front
    apart_slopes = by_u * (turns_r - turns_l), by_s * (turns_r - turns_l)
    if given.by_satellite.any():
        sideways = yaw * car.cg_to_rear_m - s * u
        over_ground = np.hypot(u, sideways)
        front = np.where(given.by_satellite, over_ground * grown, front)
        by_state = (u - s * sideways) / over_ground * grown, -u * sideways / over_ground * grown
        front_slopes = tuple(
            np.where(given.by_satellite, own, wheel) for own, wheel in zip(by_state, front_slopes, strict=True)
        )
    weight = mass * STANDARD_GRAVITY_M_S2
    sd_x, sd_y, sd_f = LONG_FORCE_SD_SHARE * weight, LAT_FORCE_SD_SHARE * weight, given.front_sd_m_s
    sd_d = given.front_difference_sd_m_s
    residual = np.array(
        [
            (total_x - demand_x) / sd_x,
            (total_y - demand_y) / sd_y,
            (front - given.front_m_s) / sd_f,
            (apart - given.front_difference_m_s) / sd_d,
        ]
    )
    by_ground = -(1.0 + kappa) / ground
    long_l, long_r = np.array([forces.dlong_dkappa * by_ground, forces.dlong_dtan_alpha * along_path]).swapaxes(0, 1)
    lat_l, lat_r = np.array([forces.dlat_dkappa * by_ground, forces.dlat_dtan_alpha * along_path]).swapaxes(0, 1)
    dx, dd, dy = long_l + long_r, long_l - long_r, lat_l + lat_r
    demand_slope = mass * unseen * np.array([s, u]) - sin * dy
    slope = np.empty((2, 4, len(u)))
    for i, (front_slope, apart_slope) in enumerate(zip(front_slopes, apart_slopes, strict=True)):
        slope[i, 0] = (dx[i] - demand_slope[i]) / sd_x
        slope[i, 1] = (dy[i] + dd[i] * track / 2 / base) / sd_y
        slope[i, 2] = front_slope / sd_f
        slope[i, 3] = apart_slope / sd_d
    return Balance(residual, slope, kappa, load, forces, difference, (demand_x, demand_y), demand_slope, dd)


def _rolling(
    state: FloatArray, given: Given, car: Car
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, ...], FloatArray, FloatArray]:
    """Of a state: acceleration along (m/s2), dynamic pressure (Pa), loads of all wheels (N), and of the rear wheels
    speed of the ground (m/s) and slip (2, n)."""
    u, s = state
    # a_x = du/dt - r v_y, and v_y = r b - s u: a car that slides outwards brakes itself by what its speed does not show
    along = given.along_m_s2 + given.unseen * (s * u - given.yaw_rad_s * car.cg_to_rear_m)
    pressure = 0.5 * AIR_DENSITY_KG_M3 * u**2
    loads = wheel_loads(
        long_m_s2=along, lat_m_s2=given.across_m_s2, downforce_N=pressure * given.downforce, **given.loads
    )
    shrunk = radius_shrink(given, np.array(loads[2:]), given.tyre["static_load_N"])
    ground = np.maximum(u + SIDES * given.half_yaw_m_s, 1.0)
    return along, pressure, loads, ground, np.array([given.left_m_s, given.right_m_s]) * (1.0 - shrunk) / ground - 1.0


def rear_slip(state: FloatArray, value: Values, inputs: AxleInputs, car: Car) -> FloatArray:
    """Slips (2, n) of the rear wheels, left and right, as `equations` has them, without the rest of these.

    Parameters
    ----------
    state, value, inputs : as of `equations`.
    """
    return _rolling(state, given_by(value, inputs, car), car)[-1]


def equations(state: FloatArray, value: Values, inputs: AxleInputs, car: Car) -> AxleEquations:
    """The four equations at a state, and the torques that follow from it.

    Parameters
    ----------
    state : (2, n) ground speed at the middle of the rear axle (m/s, in units of the wheels) and lateral slip (1).
    value : nuisance parameters as `parameters.priors` names them, a float or (n,) each.
    inputs : n samples.

    Notes
    -----
    T = R F_x + R c_rr F_z + I_w dw/dt at each wheel, as the module has it.
    """
    given = given_by(value, inputs, car)
    found = balance(state, given, car)
    forces, (load_l, load_r), (demand_x, demand_y) = found.forces, found.load_N, found.demand_N
    radius, rolling = car.rear_rolling_radius_m, given.rolling
    inertia = car.wheel_inertia_kg_m2 * np.exp(value["log_wheel_inertia"])
    left_acc, right_acc = inputs.left_acc_m_s2 / radius, inputs.right_acc_m_s2 / radius
    difference = radius * (found.difference_N + rolling * (load_l - load_r)) + inertia * (left_acc - right_acc)
    return AxleEquations(
        residual=found.residual,
        input_torque_Nm=radius * (demand_x + rolling * (load_l + load_r)) + inertia * (left_acc + right_acc),
        torque_difference_Nm=difference,
        slip=found.kappa,
        use=forces.use,
        load_N=found.load_N,
        long_force_N=forces.longitudinal,
        lateral_demand=np.abs(demand_y) / (given.tyre["friction_y"] * (load_l + load_r)),
        slope=found.slope,
        input_slope=radius * found.demand_slope,
        difference_slope=radius * found.difference_slope,
        difference_per_slip=radius * (forces.dlong_dkappa[0] + forces.dlong_dkappa[1]) / 2,
    )
