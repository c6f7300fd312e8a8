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

What the equations take from channels and parameters is in `axle_inputs`; how the radius goes with load in
`rolling_radius`.

Torques at the wheels: T = R F_x + R c_rr F_z + I_w dw/dt; input torque is their sum, brakes excluded, taken from the
measured side of the longitudinal equation; the torque difference is left minus right.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.axle_inputs import AxleInputs, Given, Values, given_by
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car
from analyzer.vehicle.rolling_radius import radius_shrink
from analyzer.vehicle.tyres import WheelForces, rho_at, wheel_forces, wheel_loads

# of the weight, the same across; no source. 40 % more or less moves a point of the curve by 0.07 of half its interval
LAT_FORCE_SD_SHARE = 0.017
SIDES = np.array([[-1.0], [1.0]])  # of the middle: left, right


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
    slip += radius_shrink(of_front, given.static_front_N, **given.radius)
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
    sd_x, sd_y, sd_f = given.long_sd_share * weight, LAT_FORCE_SD_SHARE * weight, given.front_sd_m_s
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
    shrunk = radius_shrink(np.array(loads[2:]), given.tyre["static_load_N"], **given.radius)
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
