"""Rear axle: from wheel speeds, yaw rate and accelerations to slips, forces and torques.

Unknown at each sample are the ground speed at the middle of the rear axle, u, and the lateral slip tan(alpha), s. With

    kappa_l = v_l / (u - r t/2) - 1,   kappa_r = v_r / (u + r t/2) - 1

the tyre gives both wheels' forces, and three equations, each with its own error, must hold:

    longitudinal  F_xl + F_xr = m a_x + drag + front rolling resistance + front spin-up + F_yf sin(delta)
    lateral       F_yl + F_yr = [m a_y a - I_z dr/dt + (F_xr - F_xl) t/2] / L
    front speed   u cos(delta) + (r L - s u) sin(delta), times 1 + front slip = speed of the front axle's middle

Three equations for two unknowns: the weighted least-squares state is found by damped Gauss-Newton on all samples at
once. The surplus equation, the mean-slip closure, is what calibrates the tyre on the log. The front wheels slip too:
they are spun up and roll against resistance, which near the lateral limit costs some tenths of a per cent, of an inner
wheel that hardly touches the road some per cent; so each front wheel counts by its load.

Torques at the wheels: T = R F_x + R c_rr F_z + I_w dw/dt; input torque is their sum, brakes excluded, taken from the
measured side of the longitudinal equation; the torque difference is left minus right.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from analyzer.long_arrays import taken
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car
from analyzer.vehicle.loads import wheel_loads
from analyzer.vehicle.tyre import WheelForces, sine_and_cosine, wheel_forces

LARGEST_SIDE_SLIP = 0.25
SIDE_SLIP_SCALE = 0.3
BLOCK = 16_384  # samples solved at once: what a processor keeps close at hand, whatever the length of the log
SETTLED = 1e-7  # m/s and 1: a step smaller than this changes no result
LONG_FORCE_SD_SHARE = 0.005  # of the weight: noise of the longitudinal force
LAT_FORCE_SD_SHARE = 0.017


Entries = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class AxleInputs:
    """Measured side of the axle, all (n,), SI. `front_m_s` is the speed of the front axle's middle along its wheels, in
    which the left wheel counts `front_left_share`; `front_sd_m_s` is large where they cannot be trusted;
    `front_brake_N` is the force of the front brakes, 0 where they are off; `long_from_speed` is 1 where `long_m_s2` is
    only the change of speed, 0 where an accelerometer measured it."""

    left_m_s: np.ndarray
    right_m_s: np.ndarray
    left_acc_m_s2: np.ndarray
    right_acc_m_s2: np.ndarray
    front_m_s: np.ndarray
    front_sd_m_s: np.ndarray
    front_left_share: np.ndarray
    steer_rad: np.ndarray
    lat_m_s2: np.ndarray
    long_m_s2: np.ndarray
    yaw_rad_s: np.ndarray
    yaw_acc_rad_s2: np.ndarray
    front_brake_N: np.ndarray
    long_from_speed: np.ndarray

    def take(self, where: np.ndarray | slice) -> "AxleInputs":
        """The samples `where` (bool, index or slice)."""
        return replace(self, **{f.name: getattr(self, f.name)[where] for f in fields(self)})

    def __len__(self) -> int:
        return len(self.left_m_s)


@dataclass(frozen=True)
class AxleEquations:
    """Residuals of the three equations in standard deviations, what follows from a state, slopes against u and s, None
    where they were not asked for."""

    residual: np.ndarray  # (3, n)
    input_torque_Nm: np.ndarray
    torque_difference_Nm: np.ndarray
    slip: np.ndarray  # (2, n) left, right
    use: np.ndarray  # (2, n)
    load_N: np.ndarray  # (2, n)
    long_force_N: np.ndarray  # (2, n)
    lateral_demand: np.ndarray  # rear lateral force over what the tyres can give, (n,)
    slope: np.ndarray | None = None  # (2, 3, n)
    input_slope: np.ndarray | None = None  # (2, n)
    difference_slope: np.ndarray | None = None  # (2, n)
    difference_per_slip: np.ndarray | None = None  # dT_difference / d(kappa_l - kappa_r) at fixed state, (n,)


def tyre_figures(value: dict[str, float], car: Car) -> dict[str, float]:
    """The rear tyres' figures, as `tyre.wheel_forces` takes them, for nuisance parameters `value`."""
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
class _Given:
    """What the equations take from inputs and parameters whatever the state is. Arrays (n,); the rest are figures."""

    along_m_s2: np.ndarray  # without what the speed does not show
    across_m_s2: np.ndarray
    unseen: np.ndarray
    half_yaw_m_s: np.ndarray  # yaw rate times half the track
    yaw_rad_s: np.ndarray
    sin: np.ndarray
    cos: np.ndarray
    left_m_s: np.ndarray
    right_m_s: np.ndarray
    spin_up_N: np.ndarray  # per front wheel
    front_brake_N: np.ndarray
    turning_Nm: np.ndarray  # moments about the front axle that the rear one answers to
    front_lateral_N: np.ndarray
    front_m_s: np.ndarray
    front_sd_m_s: np.ndarray
    front_left_share: np.ndarray
    front_scale: np.ndarray  # logarithm of the front speed's scale
    static_front_N: float  # of one wheel
    mass_kg: float
    drag: float  # force over dynamic pressure (m2)
    downforce: float
    rolling: float
    rear_front_growth: float
    radius_fall: float
    tyre: dict[str, float]
    loads: dict[str, float]


def _given(value: dict[str, float], inputs: AxleInputs, car: Car) -> _Given:
    mass = car.mass_kg * np.exp(value["log_mass"])
    yaw = (inputs.yaw_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"])
    across = inputs.lat_m_s2 - value["lat_bias"]
    sin, cos = sine_and_cosine(inputs.steer_rad - value["steer_offset"])
    scale = np.exp(value["rear_left_right_scale"] / 2)
    rear_acc = np.clip((inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2, -15.0, 15.0)
    swing = car.yaw_inertia * inputs.yaw_acc_rad_s2
    return _Given(
        along_m_s2=inputs.long_m_s2 - value["long_bias"],
        across_m_s2=across,
        unseen=inputs.long_from_speed * yaw,
        half_yaw_m_s=yaw * car.rear_track_m / 2,
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
        front_scale=value["rear_front_scale"] + value["front_left_right_scale"] * (inputs.front_left_share - 0.5),
        static_front_N=mass * STANDARD_GRAVITY_M_S2 * car.front_weight_fraction / 2,
        mass_kg=mass,
        drag=car.drag_area_m2 * np.exp(value["log_drag"]),
        downforce=car.downforce_area_m2 * np.exp(value["log_downforce"]),
        rolling=car.rolling_resistance * np.exp(value["log_rolling_resistance"]),
        rear_front_growth=value["rear_front_growth"],
        radius_fall=value["radius_fall"],
        tyre=tyre_figures(value, car),
        loads=dict(
            mass_kg=mass,
            wheelbase_m=car.wheelbase_m,
            cg_height_m=car.cg_height_m * np.exp(value["log_cg_height"]),
            front_weight_fraction=car.front_weight_fraction,
            front_track_m=car.front_track_m,
            rear_track_m=car.rear_track_m,
            rear_transfer_share=car.rear_load_transfer * np.exp(value["log_load_transfer"]),
            roll_gradient_rad_per_g=car.roll_gradient_rad_per_g,
            front_downforce_share=car.front_downforce_share,
        ),
    )


@dataclass(frozen=True)
class _Balance:
    """Residuals (3, n) and their slopes (2, 3, n), and what torques and loads are made of."""

    residual: np.ndarray
    slope: np.ndarray | None
    kappa: tuple[np.ndarray, np.ndarray]
    loads_N: tuple[np.ndarray, np.ndarray]
    forces: tuple[WheelForces, WheelForces]
    difference_N: np.ndarray
    demand_N: tuple[np.ndarray, np.ndarray]  # along, across
    demand_slope: np.ndarray | None
    difference_slope: np.ndarray | None


def _balance(state: np.ndarray, given: _Given, car: Car, *, slopes: bool = True) -> _Balance:
    u, s = state
    track, base, mass, tyre = car.rear_track_m, car.wheelbase_m, given.mass_kg, given.tyre
    yaw, unseen, sin, cos = given.yaw_rad_s, given.unseen, given.sin, given.cos
    # a_x = du/dt - r v_y, and v_y = r b - s u: a car that slides outwards brakes itself by what its speed does not show
    along = given.along_m_s2 + unseen * (s * u - yaw * car.cg_to_rear_m)
    pressure = 0.5 * AIR_DENSITY_KG_M3 * u**2
    drag = pressure * given.drag
    load_fl, load_fr, load_l, load_r = wheel_loads(
        long_m_s2=along, lat_m_s2=given.across_m_s2, downforce_N=pressure * given.downforce, **given.loads
    )
    load_front = load_fl + load_fr
    wheels = []
    for turning, half, load in (
        (given.left_m_s, -given.half_yaw_m_s, load_l),
        (given.right_m_s, given.half_yaw_m_s, load_r),
    ):
        speed = turning * (1.0 - given.radius_fall * (load / tyre["static_load_N"] - 1.0))
        ground = np.maximum(u + half, 1.0)
        kappa = speed / ground - 1.0
        along_path = u / ground
        forces = wheel_forces(kappa=kappa, tan_alpha=s * along_path, load_N=load, slopes=slopes, **tyre)
        wheels.append((kappa, forces, ground, along_path))
    (kl, fl, ground_l, dsl), (kr, fr, ground_r, dsr) = wheels
    total_x, total_y = fl.longitudinal + fr.longitudinal, fl.lateral + fr.lateral
    difference = fl.longitudinal - fr.longitudinal
    demand_x = (
        mass * along
        + drag
        + given.rolling * load_front
        + 2 * given.spin_up_N
        + given.front_brake_N
        + (mass * given.across_m_s2 - total_y) * sin
    )
    demand_y = (given.turning_Nm - difference * track / 2) / base
    # front slip: the similarity curve inverted for the front lateral force gives the longitudinal gain that is left
    used = np.clip(np.abs(given.front_lateral_N) / (tyre["friction_y"] * load_front), 0.02, 0.97)
    gain = used / (tyre["shape"] * np.tan(np.arcsin(used) / tyre["shape"]))
    stiff = tyre["slip_stiffness"] * gain
    front_slip = sum(
        share
        * (
            np.clip(-(given.rolling * load + given.spin_up_N) / (stiff * np.maximum(load, 150.0)), -0.03, 0.03)
            + given.radius_fall * (load / given.static_front_N - 1.0)
        )
        for share, load in ((given.front_left_share, load_fl), (1.0 - given.front_left_share, load_fr))
    )
    to_front = (1 + front_slip) * np.exp(given.front_scale + given.rear_front_growth * (u / 40.0) ** 2)
    front = (u * cos + (yaw * base - s * u) * sin) * to_front
    weight = mass * STANDARD_GRAVITY_M_S2
    sd_x, sd_y, sd_f = LONG_FORCE_SD_SHARE * weight, LAT_FORCE_SD_SHARE * weight, given.front_sd_m_s
    residual = np.array([(total_x - demand_x) / sd_x, (total_y - demand_y) / sd_y, (front - given.front_m_s) / sd_f])
    slope = demand_slope = dd = None
    if slopes:
        dkl, dkr = -(1.0 + kl) / ground_l, -(1.0 + kr) / ground_r
        long_l = np.array([fl.dlong_dkappa * dkl, fl.dlong_dtan_alpha * dsl])
        long_r = np.array([fr.dlong_dkappa * dkr, fr.dlong_dtan_alpha * dsr])
        dx, dd = long_l + long_r, long_l - long_r
        dy = np.array(
            [fl.dlat_dkappa * dkl + fr.dlat_dkappa * dkr, fl.dlat_dtan_alpha * dsl + fr.dlat_dtan_alpha * dsr]
        )
        demand_slope = mass * unseen * np.array([s, u]) - sin * dy
        slope = np.empty((2, 3, len(u)))
        for i, front_slope in enumerate((cos - s * sin, -u * sin)):
            slope[i, 0] = (dx[i] - demand_slope[i]) / sd_x
            slope[i, 1] = (dy[i] + dd[i] * track / 2 / base) / sd_y
            slope[i, 2] = front_slope * to_front / sd_f
    return _Balance(
        residual, slope, (kl, kr), (load_l, load_r), (fl, fr), difference, (demand_x, demand_y), demand_slope, dd
    )


def equations(
    state: np.ndarray, value: dict[str, float], inputs: AxleInputs, car: Car, *, slopes: bool = True
) -> AxleEquations:
    """The three equations at `state` (2, n) for nuisance parameters `value`."""
    given = _given(value, inputs, car)
    found = _balance(state, given, car, slopes=slopes)
    (load_l, load_r), (fl, fr), (demand_x, demand_y) = found.loads_N, found.forces, found.demand_N
    radius, rolling = car.rear_rolling_radius_m, given.rolling
    inertia = car.wheel_inertia_kg_m2 * np.exp(value["log_wheel_inertia"])
    left_acc, right_acc = inputs.left_acc_m_s2 / radius, inputs.right_acc_m_s2 / radius
    difference = radius * (found.difference_N + rolling * (load_l - load_r)) + inertia * (left_acc - right_acc)
    at = AxleEquations(
        residual=found.residual,
        input_torque_Nm=radius * (demand_x + rolling * (load_l + load_r)) + inertia * (left_acc + right_acc),
        torque_difference_Nm=difference,
        slip=np.array(found.kappa),
        use=np.array([fl.use, fr.use]),
        load_N=np.array([load_l, load_r]),
        long_force_N=np.array([fl.longitudinal, fr.longitudinal]),
        lateral_demand=np.abs(demand_y) / (given.tyre["friction_y"] * (load_l + load_r)),
    )
    if not slopes:
        return at
    per_slip = radius * (fl.dlong_dkappa + fr.dlong_dkappa) / 2
    slope = {"input_slope": radius * found.demand_slope, "difference_slope": radius * found.difference_slope}
    return replace(at, slope=found.slope, difference_per_slip=per_slip, **slope)


@dataclass(frozen=True)
class AxleSolution:
    """State (2, n) and its equations, with the Gauss-Newton matrix entries (a, b, d) of [[a, b], [b, d]]."""

    state: np.ndarray
    at: AxleEquations
    normal: Entries

    def state_shift(self, gradient: np.ndarray) -> np.ndarray:
        """Change of the state (2, n) that answers a change of residuals with slopes' product `gradient` (2, n)."""
        a, b, d = self.normal
        determinant = a * d - b * b
        return np.array([-(d * gradient[0] - b * gradient[1]), -(a * gradient[1] - b * gradient[0])]) / determinant

    @property
    def difference_variance(self) -> np.ndarray:
        """Variance (n,) of the torque difference from the three equations' own errors (N2 m2): a' N^-1 a, N the
        Gauss-Newton matrix, a the difference's slopes. Large where a wheel slides and the front wheels say little."""
        a, b, d = self.normal
        by_u, by_s = self.at.difference_slope
        return (d * by_u**2 - 2 * b * by_u * by_s + a * by_s**2) / (a * d - b * b)

    def take(self, where: np.ndarray | slice) -> "AxleSolution":
        """The samples `where` (bool, index or slice)."""
        return _each_array(lambda values: values[..., where], self)

    def with_rows(self, where: np.ndarray, part: "AxleSolution") -> "AxleSolution":
        """A copy with the samples `where` (bool (n,) or index) taken from `part`."""

        def placed(values: np.ndarray, others: np.ndarray) -> np.ndarray:
            values = values.copy()
            values[..., where] = others
            return values

        return _each_array(placed, self, part)


def _each_array(change: Callable[..., np.ndarray], *solutions: AxleSolution) -> AxleSolution:
    """`change` applied to every array of solutions; samples are along the last axis."""
    at = {f.name: change(*(getattr(s.at, f.name) for s in solutions)) for f in fields(AxleEquations)}
    a, b, d = (change(*parts) for parts in zip(*(s.normal for s in solutions), strict=True))
    return AxleSolution(change(*(s.state for s in solutions)), AxleEquations(**at), (a, b, d))


def solve(
    value: dict[str, float], inputs: AxleInputs, car: Car, *, start: np.ndarray | None = None, iterations: int = 14
) -> AxleSolution:
    """Weighted least-squares state of every sample, damped Gauss-Newton from `start` or from rolling freely.

    Samples know nothing of each other: one that has settled leaves the iteration, and the rest go on.

    Parameters
    ----------
    value : nuisance parameter -> its value, as `parameters.priors` names them.
    inputs : n samples.
    start : (2, n) ground speed (m/s) and lateral slip to begin from.
    """
    if len(inputs) > BLOCK:
        blocks = [slice(i, i + BLOCK) for i in range(0, len(inputs), BLOCK)]
        begin = [None if start is None else start[:, block] for block in blocks]
        solved = [
            solve(value, inputs.take(block), car, start=s, iterations=iterations)
            for block, s in zip(blocks, begin, strict=True)
        ]
        return _each_array(lambda *parts: np.concatenate(parts, axis=-1), *solved)
    guess_u = inputs.front_m_s * np.exp(-value["rear_front_scale"])
    if start is None:
        start = np.array([guess_u, np.clip(inputs.lat_m_s2, -12, 12) * 0.006])
    whole = start.copy()
    rows, state, damping = np.arange(len(inputs)), whole, np.full(len(inputs), 1e-3)
    part = _given(value, inputs, car)
    at = _balance(state, part, car)
    cost, gradient, normal = _cost(at, state), *_normal(at, state)
    for _ in range(iterations):
        a, b, d = normal
        a2, d2 = a * (1 + damping), d * (1 + damping)
        determinant = a2 * d2 - b * b
        step = np.array([-(d2 * gradient[0] - b * gradient[1]), -(a2 * gradient[1] - b * gradient[0])]) / determinant
        step[0] = np.clip(step[0], -0.5, 0.5)
        step[1] = np.clip(step[1], -0.05, 0.05)
        trial = state + step
        trial[0] = np.clip(trial[0], 0.8 * guess_u, 1.25 * guess_u + 0.1)
        trial[1] = np.clip(trial[1], -LARGEST_SIDE_SLIP, LARGEST_SIDE_SLIP)
        tried = _balance(trial, part, car)
        tried_cost, tried_gradient, tried_normal = _cost(tried, trial), *_normal(tried, trial)
        better = tried_cost <= cost
        unsettled = np.abs(trial - state).max(axis=0) > SETTLED
        state = np.where(better, trial, state)
        whole[:, rows] = state
        if not unsettled.any():
            break
        cost = np.where(better, tried_cost, cost)[unsettled]
        gradient = np.where(better, tried_gradient, gradient)[:, unsettled]
        normal = tuple(np.where(better, t, o)[unsettled] for t, o in zip(tried_normal, normal, strict=True))
        damping = np.where(better, damping * 0.2, np.maximum(damping, 1e-3) * 8)[unsettled]
        state, guess_u, rows = state[:, unsettled], guess_u[unsettled], rows[unsettled]
        part = taken(part, unsettled)
    found = equations(whole, value, inputs, car)
    return AxleSolution(whole, found, _normal(found, whole)[1])


def _cost(at: AxleEquations | _Balance, state: np.ndarray) -> np.ndarray:
    return (at.residual**2).sum(axis=0) + (state[1] / SIDE_SLIP_SCALE) ** 2


def _normal(at: AxleEquations | _Balance, state: np.ndarray) -> tuple[np.ndarray, Entries]:
    gradient = (at.slope * at.residual).sum(axis=1)
    gradient[1] += state[1] / SIDE_SLIP_SCALE**2
    a = (at.slope[0] ** 2).sum(axis=0)
    b = (at.slope[0] * at.slope[1]).sum(axis=0)
    d = (at.slope[1] ** 2).sum(axis=0) + 1 / SIDE_SLIP_SCALE**2
    return gradient, (a, b, d)
