"""The fitted axle at every sample of the session: slips, torques and how sure. While braking, what coasting would
give is learnt off the brakes, and all force beyond it is brakes.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_banded

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.observations import CUTOFF_HZ, Observations, front_logged, rows_step
from analyzer.lockcurve.uncertainty import Spread
from analyzer.signals.calibrate import OFF_THROTTLE
from analyzer.signals.session import Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle import AxleEquations, equations, front_slip_stiffness
from analyzer.vehicle.axle_inputs import AxleInputs, given_by
from analyzer.vehicle.axle_slopes import Derivatives
from analyzer.vehicle.axle_solution import BLOCK, AxleSolution, put_together, rolling_freely, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import wheel_loads

CLOSED = 0.05  # throttle
SLOWING_M_S2 = -2.0  # more than an engine does through an open throttle
MOST_FORCE_RESIDUAL = 4.0  # standard deviations
# standard deviation of the torque difference, over weight times radius, from what is measured: more, and the split is a
# guess (half of that is usual while the front wheels roll)
MOST_SPLIT_SD_SHARE = 0.01
MOST_USE_OF_BOTH = 1.6  # combined slip over slip at the peak, of the wheel that slides less
FASTEST_CHANGE_RAD_S2 = 60.0  # beyond it a wheel of 1 kg m2 takes 60 N.m to spin up, and tyres lag
SETTLING_ROWS = 8  # 0.4 s on both sides of a slide at the fit's rate: the car swings back and the filters settle
PLATE_TORQUES = 64  # at which the curve's variance is worked out; between them it is all but straight
PAST_PEAK = 1.2  # combined slip over slip at the peak
SLIDING_FORCE_SHARE = 0.1
MODEL_SD_Nm = 20.0  # scatter of the torque difference that no calibrated quantity explains
MODEL_SD_SHARE = 0.06
VARIANCE_EVERY = 4  # rows of 1/20 s: what the fit is unsure of changes with the corner, not from sample to sample
DERIVED_LATERAL_SD_M_S2 = 0.7  # of a lateral acceleration that was had from the gyro, in and out of corners
BRAKE_SIDE_SHARE = 0.06  # left and right brake torque differ by about this; common practice, no source


@dataclass(frozen=True)
class AxleState:
    """Rear axle over a session. Arrays (n,), NaN where nothing can be said. ISO 8855, torques at the wheels.

    Attributes
    ----------
    slip_left, slip_right : longitudinal slip kappa = (R w - v)/v, positive driving.
    speed_difference_rad_s : w_left - w_right (rad/s), calibrated.
    free_difference_rad_s : w_left - w_right of an axle that rolls freely, -yaw_rate * track / R.
    input_torque_Nm : T_left + T_right through the differential; negative on coast; brakes removed.
    torque_difference_Nm : T_left - T_right through the differential.
    torque_difference_sd_Nm : its standard deviation, calibration included.
    moved_Nm, moved_sd_Nm : the same torque difference where the lock curve is heard as well: slipping packs move what
        it says. The best estimate of what was moved, but no witness of the curve.
    slipping, locked : bool; both False where it cannot be told (noise, transitions).
    load_left_N, load_right_N : wheel loads.
    longitudinal_force_left_N, longitudinal_force_right_N : tyre forces.
    use_left, use_right : combined slip over slip at peak force: 1 is the tyre's peak, above 1 it slides.
    braked : bool, brakes on: torques carry the left/right brake assumption and a wider sd.
    """

    slip_left: FloatArray
    slip_right: FloatArray
    speed_difference_rad_s: FloatArray
    free_difference_rad_s: FloatArray
    input_torque_Nm: FloatArray
    torque_difference_Nm: FloatArray
    torque_difference_sd_Nm: FloatArray
    moved_Nm: FloatArray
    moved_sd_Nm: FloatArray
    slipping: BoolArray
    locked: BoolArray
    load_left_N: FloatArray
    load_right_N: FloatArray
    longitudinal_force_left_N: FloatArray
    longitudinal_force_right_N: FloatArray
    use_left: FloatArray
    use_right: FloatArray
    braked: BoolArray


@dataclass(frozen=True)
class Braked:
    """Solution of braked samples (n,), with the force of the front brakes and the torque of the rear ones."""

    solution: AxleSolution
    front_N: FloatArray
    rear_Nm: FloatArray


def braked_rows(observed: Observations, signals: Signals) -> BoolArray:
    """(n,) bool, which rows of the fit have force on the brakes.

    In their release no longer once the throttle is open and the car no longer slows down as on the brakes (who brakes
    with the left foot may do both).

    Parameters
    ----------
    observed : n rows of `signals`.
    """
    let_go = (signals.throttle >= OFF_THROTTLE) & (signals.long_m_s2 > SLOWING_M_S2)
    return (signals.braking & ~let_go)[observed.index]


def coast_torque_Nm(torque_Nm: FloatArray, observed: Observations, signals: Signals, braked: BoolArray) -> FloatArray:
    """(n,) input torque at closed throttle by speed, a straight line; NaN where the throttle was never closed.

    Parameters
    ----------
    torque_Nm : input torque of the rows that are not `braked`.
    braked : (n,) bool, `braked_rows`.
    """
    speed, off = observed.inputs.front_m_s, ~braked
    closed = observed.usable & (signals.throttle[observed.index] < CLOSED) & off
    known, at = torque_Nm[closed[off]], speed[closed]
    if len(known) < 20 or np.ptp(at) < 5:
        return np.full(len(speed), np.median(known) if len(known) else np.nan)
    line = np.polynomial.polynomial.polyfit(at, known, 1)
    seen = np.clip(speed, *np.percentile(at, [2, 98]))
    return np.minimum(np.polynomial.polynomial.polyval(seen, line), 0.0)


def brakes(torque_Nm: FloatArray, coast_Nm: FloatArray, car: Car) -> tuple[FloatArray, FloatArray]:
    """Force of the front brakes (N) and torque of the rear ones (N.m), both (n,) and positive.

    Parameters
    ----------
    torque_Nm : what the longitudinal balance asks of the rear wheels when it knows of no brakes.
    coast_Nm : what they would have without; where it is NaN, nothing is put down to the brakes.
    """
    beyond = np.maximum(np.where(np.isfinite(coast_Nm), coast_Nm, torque_Nm) - torque_Nm, 0.0)
    return beyond * car.front_brake_fraction / car.rear_rolling_radius_m, beyond * (1 - car.front_brake_fraction)


def without_brake_slip(
    value: dict[str, float], inputs: AxleInputs, braked: BoolArray, coast_Nm: FloatArray, car: Car, *, rate_hz: float
) -> AxleInputs:
    """Inputs of a log without accelerometer, rows in time at `rate_hz`, with the ground speed of braked cars mended.

    Parameters
    ----------
    value : nuisance parameters of the log.
    inputs : n rows, evenly spaced at `rate_hz`, for the lag runs through them.
    braked : (n,) bool, `braked_rows`.
    coast_Nm : (n,) input torque without brakes; NaN counts as none.

    Notes
    -----
    Braked front wheels turn slower than they roll, and when the brakes let go of them they gain speed while the car
    still slows down: their change of speed then says 3 m/s2 of acceleration. The outer one, whose speed is taken, has
    half of the front brakes' force p m (a_coast - a) and answers with its slip stiffness C. With a = du/dt,

        u + (u p m / 2 C) (du/dt - a_coast) = speed of the wheel,

    so the ground speed follows the wheel as a lag of some tenth of a second, solved here forwards in time.
    """
    given = given_by(value, inputs, car)
    front_left, front_right, _, _ = wheel_loads(
        long_m_s2=given.along_m_s2, lat_m_s2=given.across_m_s2, downforce_N=np.zeros(len(inputs)), **given.loads
    )
    stiffness = front_slip_stiffness(given, front_left + front_right) * np.maximum(front_left, front_right)
    lag_s = np.where(braked, inputs.front_m_s * car.front_brake_fraction * given.mass_kg / (2 * stiffness), 0.0)
    still = replace(inputs, long_m_s2=np.zeros(len(inputs)))
    resisting = equations(rolling_freely(value, inputs, car), value, still, car).input_torque_Nm
    coasting = (np.nan_to_num(coast_Nm) - resisting) / car.rear_rolling_radius_m / given.mass_kg
    steps = lag_s * rate_hz
    ground = solve_banded(
        (1, 0), np.array([1.0 + steps, np.append(-steps[1:], 0.0)]), inputs.front_m_s + lag_s * coasting
    )
    change = low_pass(np.gradient(ground) * rate_hz, cutoff_hz=CUTOFF_HZ, rate_hz=rate_hz)
    return replace(
        inputs,
        front_m_s=np.where(braked, ground, inputs.front_m_s),
        long_m_s2=np.where(braked, change, inputs.long_m_s2),
    )


def solve_braked(value: dict[str, float], inputs: AxleInputs, coast_Nm: FloatArray, car: Car) -> Braked:
    """State of braked samples, the front brakes' force in the longitudinal balance.

    Left and right rear brakes pull alike, by assumption, so they leave the torque difference alone. The force hangs a
    little on the state, for a sliding car brakes itself; that of an axle which rolls freely is near enough.

    Parameters
    ----------
    value : nuisance parameters of the log.
    inputs : n braked samples, without the force of the front brakes: it is found here.
    coast_Nm : (n,) input torque without brakes; NaN where nothing tells the brakes' force.
    """
    state = rolling_freely(value, inputs, car)
    front, rear = brakes(equations(state, value, inputs, car).input_torque_Nm, coast_Nm, car)
    return Braked(solve(value, replace(inputs, front_brake_N=front), car, start=state), front, rear)


def session_state(
    fit: Fit, drawn: Spread, observed: Observations, signals: Signals, car: Car, *, log: int = 0
) -> AxleState:
    """Axle state of every sample of a session, on and off the brakes.

    Parameters
    ----------
    fit : fitted curve and nuisance parameters.
    drawn : draws of the same fit, for the standard deviation of the torque difference.
    observed : all rows of `signals` (`observe`), not what `pooled` chose of them.
    signals : the session, n samples.
    log : its place among the logs of the fit.

    Returns
    -------
    AxleState : (n,) each. The torque difference is NaN where the split of the sum cannot be told, as with both wheels
        sliding, on brakes whose force nothing tells, or where the slip is not known at all.
    """
    value = fit.problem.values(fit.theta, log)
    braked = braked_rows(observed, signals)
    solution, inputs, coast, rear_brake = _solved(value, observed, signals, braked, car)
    at = solution.at
    input_torque = np.where(braked, coast, at.input_torque_Nm)
    measured = solution.difference_variance
    variance = _nuisance_variance(fit, drawn, inputs, solution, car, log) + measured
    variance += (at.difference_per_slip * observed.slip_noise) ** 2
    variance += MODEL_SD_Nm**2 + (MODEL_SD_SHARE * at.torque_difference_Nm) ** 2 + (BRAKE_SIDE_SHARE * rear_brake) ** 2
    plates = _plates(fit, drawn, input_torque, observed, log)
    split, variance = _with_plates(plates, at, variance, observed, ~braked & np.isfinite(input_torque), car)
    moved, moved_sd = _moved(plates, split, np.sqrt(variance), observed.slipping & np.isfinite(input_torque))
    # both wheels sliding, or forces no tyre could give: the split of the sum cannot be told
    lost = (np.abs(at.residual[:2]).max(axis=0) > MOST_FORCE_RESIDUAL) | (at.use.min(axis=0) > MOST_USE_OF_BOTH)
    lost = windows.widened(lost, SETTLING_ROWS)
    # nor on the brakes where nothing tells their force, nor where what is measured leaves it open
    lost |= braked & np.isnan(coast)
    most = MOST_SPLIT_SD_SHARE * car.mass_kg * STANDARD_GRAVITY_M_S2 * car.rear_rolling_radius_m
    lost |= ~braked & (measured > most**2)
    # and where the wheels change speed against each other faster than the filters follow
    change = np.gradient(observed.speed_difference_rad_s, signals.time_s[observed.index])
    lost |= windows.widened(np.abs(change) > FASTEST_CHANGE_RAD_S2, 2)
    lost |= not observed.sensors.slip_known
    difference = np.where(lost, np.nan, split)
    count, step = len(signals.time_s), rows_step(signals.rate_hz)
    ground = between_rows(solution.state[0], step, count)
    yaw = (signals.yaw_rate_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"] - value["log_speed_scale"])
    scale = np.exp(value["rear_left_right_scale"] / 2)
    left, right = (
        low_pass(signals.wheel_speed_m_s[:, wheel], cutoff_hz=8.0, rate_hz=signals.rate_hz) * factor
        for wheel, factor in ((2, scale), (3, 1 / scale))
    )
    half = yaw * car.rear_track_m / 2
    known, unknown = signals.valid, np.flatnonzero(~signals.valid)
    nearest = nearest_rows(step, count)

    def gone(values: FloatArray) -> FloatArray:
        values[unknown] = np.nan
        return values

    def spread_out(rows: FloatArray) -> FloatArray:
        return gone(between_rows(rows, step, count))

    return AxleState(
        slip_left=gone(left / np.maximum(ground - half, 1.0) - 1),
        slip_right=gone(right / np.maximum(ground + half, 1.0) - 1),
        speed_difference_rad_s=gone((left - right) / car.rear_rolling_radius_m),
        free_difference_rad_s=gone(-yaw * car.rear_track_m / car.rear_rolling_radius_m),
        input_torque_Nm=spread_out(input_torque),
        torque_difference_Nm=spread_out(difference),
        torque_difference_sd_Nm=spread_out(np.sqrt(variance)),
        moved_Nm=spread_out(np.where(lost, np.nan, moved)),
        moved_sd_Nm=spread_out(moved_sd),
        slipping=observed.slipping[nearest] & known,
        locked=observed.locked[nearest] & known,
        load_left_N=spread_out(at.load_N[0]),
        load_right_N=spread_out(at.load_N[1]),
        longitudinal_force_left_N=spread_out(at.long_force_N[0]),
        longitudinal_force_right_N=spread_out(at.long_force_N[1]),
        use_left=spread_out(at.use[0]),
        use_right=spread_out(at.use[1]),
        braked=signals.braking,
    )


def _solved(
    value: dict[str, float], observed: Observations, signals: Signals, braked: BoolArray, car: Car
) -> tuple[AxleSolution, AxleInputs, FloatArray, FloatArray]:
    """Solution and inputs of every row, the brakes' force in them; coasting torque and rear brake torque (n,), N.m."""
    rolling = solve(value, observed.inputs.take(~braked), car)
    coast = coast_torque_Nm(rolling.at.input_torque_Nm, observed, signals, braked)
    inputs = observed.inputs
    if not signals.sensors.long_g and front_logged(signals):
        rate = signals.rate_hz / rows_step(signals.rate_hz)
        inputs = without_brake_slip(value, inputs, braked, coast, car, rate_hz=rate)
    on_brakes = solve_braked(value, inputs.take(braked), coast[braked], car)
    solution = put_together(braked, on_brakes.solution, rolling)
    front_brake, rear_brake = np.zeros(len(coast)), np.zeros(len(coast))
    front_brake[braked], rear_brake[braked] = on_brakes.front_N, on_brakes.rear_Nm
    inputs = replace(inputs, front_brake_N=front_brake)
    return solution, inputs, coast, rear_brake


def nearest_rows(step: int, count: int) -> IntArray:
    """For every sample, which of the rows at every `step`th is nearest; the later one of two.

    Parameters
    ----------
    step : samples from row to row.
    count : of samples.

    Returns
    -------
    ndarray : (count,) int.

    Examples
    --------
    >>> nearest_rows(3, 7).tolist()
    [0, 0, 1, 1, 1, 2, 2]
    """
    return np.minimum((np.arange(count) + step // 2) // step, (count - 1) // step)


def between_rows(rows: FloatArray, step: int, count: int) -> FloatArray:
    """Values at every sample, on straight lines between those of the rows; the last one goes on.

    Parameters
    ----------
    rows : (n,) values at every `step`th sample; one that is NaN leaves the samples of its neighbours known.
    step : samples from row to row.
    count : of samples.

    Returns
    -------
    ndarray : (count,).

    Examples
    --------
    >>> between_rows(np.array([0.0, 3.0, 9.0]), 3, 8).tolist()
    [0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 9.0, 9.0]
    """
    rise = np.diff(rows, append=rows[-1])
    lines = rows[:, None] + rise[:, None] * (np.arange(step) / step)
    lines[:, 0] = rows  # also beside a row that is not known
    return lines.ravel()[:count]


def _plates(
    fit: Fit, drawn: Spread, input_torque: FloatArray, observed: Observations, log: int
) -> tuple[FloatArray, FloatArray]:
    """What the lock curve says that slipping packs move (n,), left minus right, and its variance; nothing that means
    anything where the input torque is not known."""
    side, torque = fit.problem.logs[log].side, np.nan_to_num(input_torque)
    grid = np.linspace(torque.min(initial=0.0), torque.max(initial=0.0), PLATE_TORQUES)
    variance = model.locking_torque_Nm(drawn.curves_of(side)[:, :, None], grid).var(axis=0)
    towards = -np.sign(observed.speed_difference_rad_s)
    carried = towards * model.locking_torque_Nm(fit.curves[side], torque)
    return carried, np.interp(torque, grid, variance) + MODEL_SD_Nm**2


def _with_plates(
    plates: tuple[FloatArray, FloatArray],
    at: AxleEquations,
    variance: FloatArray,
    observed: Observations,
    known: BoolArray,
    car: Car,
) -> tuple[FloatArray, FloatArray]:
    """Torque difference and variance, with the plates as second witness where a wheel slides.

    Past its peak a tyre's force is known to `SLIDING_FORCE_SHARE` of its load only, while slipping plates carry M(T) to
    the slower wheel whatever the tyre does. There the two are averaged, each weighed by its variance.
    """
    spins = observed.slipping & (at.use.max(axis=0) > PAST_PEAK) & known
    carried, plates_variance = (each[spins] for each in plates)
    load = np.where(at.use[0] > at.use[1], at.load_N[0], at.load_N[1])[spins]
    tyre = variance[spins] + (SLIDING_FORCE_SHARE * load * car.rear_rolling_radius_m) ** 2
    share = tyre / (tyre + plates_variance)
    split, variance = at.torque_difference_Nm.copy(), variance.copy()
    split[spins] = (1 - share) * split[spins] + share * carried
    variance[spins] = (1 - share) * tyre
    return split, variance


def _moved(
    plates: tuple[FloatArray, FloatArray], split: FloatArray, split_sd: FloatArray, slips: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Torque difference and standard deviation (n,) with the lock curve heard wherever the packs slip.

    Both hang on the same tyre, so their errors count as one: the deviation is the mean of the two, not less.
    """
    carried, plates_sd = plates[0][slips], np.sqrt(plates[1][slips])
    share = split_sd[slips] ** 2 / (split_sd[slips] ** 2 + plates_sd**2)
    moved, sd = split.copy(), split_sd.copy()
    moved[slips] += share * (carried - split[slips])
    sd[slips] += share * (plates_sd - split_sd[slips])
    return moved, sd


def _nuisance_variance(
    fit: Fit, drawn: Spread, inputs: AxleInputs, solution: AxleSolution, car: Car, log: int
) -> FloatArray:
    """Variance (n,) of the torque difference from everything the fit is unsure of.

    Notes
    -----
    With L L' the covariance of the nuisance parameters, the variance is the sum of squares of the derivatives along
    the columns of L.
    """
    problem = fit.problem
    names, value = problem.unknowns.names, problem.values(fit.theta, log)
    drawn_values = problem.unknowns.parameters(drawn.draws, problem.logs[log])
    values, vectors = np.linalg.eigh(np.cov(drawn_values.T))
    along = vectors * np.sqrt(np.maximum(values, 0.0))
    if not fit.problem.sensors.lat_g:
        across = [DERIVED_LATERAL_SD_M_S2 * (name == "lat_bias") for name in names]
        along = np.column_stack([along, across])
    rows = np.arange(0, len(inputs), VARIANCE_EVERY)
    variance = np.empty(len(rows))
    for block in (slice(i, i + BLOCK) for i in range(0, len(rows), BLOCK)):
        slopes = _difference_slopes(value, along, inputs.take(rows[block]), solution.take(rows[block]), car)
        variance[block] = (slopes**2).sum(axis=0)
    smooth = np.minimum(windows.median(variance, 3), 1e6)
    between: FloatArray = np.interp(np.arange(len(inputs)), rows, smooth)
    return between


def _difference_slopes(
    value: dict[str, float], along: FloatArray, inputs: AxleInputs, solution: AxleSolution, car: Car
) -> FloatArray:
    """Derivatives (k, n) of the torque difference along directions (parameters, k), the state following."""
    at, slopes = solution.at, np.empty((len(value), len(inputs)))
    derivatives = Derivatives(solution.state, value, inputs, car)
    for k, name in enumerate(value):
        by = derivatives.by(name)
        shift = solution.state_shift((at.slope * by.residual).sum(axis=1))
        slopes[k] = by.torque_difference_Nm + (at.difference_slope * shift).sum(axis=0)
    return along.T @ slopes
