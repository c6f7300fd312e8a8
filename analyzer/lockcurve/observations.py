"""Which samples measure the lock curve, which bound it, and which say nothing."""

import math
from dataclasses import dataclass, replace

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.long_arrays import taken
from analyzer.phases.phases import Corner
from analyzer.signals.session import Sensors, Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import wheel_loads

CUTOFF_HZ = 3.0  # tyre and axle settle faster; wheel pulses and pitch errors of the ring are slower to average out
FIT_RATE_HZ = 20.0  # over six times the cutoff: nothing that passes it is lost between two rows
CORRELATION_S = 2.5  # one corner pass counts about once: its model error does not average out within it
LONGEST_PASS_S = 12.0  # of a corner on a circuit; what lasts longer is a circle, driven with several pulses of throttle
SETTLE_S = 0.13  # left out on both sides of a change between locked and slipping
# the mean-slip closure holds to about this share of the speed: 0.0005 on simulated cars, 0.0025 on the multi-body one
# in tight corners (tests/external). Taken for smaller, it tells the side slip where the lateral equation, flat near the
# peak, no longer does, and pushes it past the peak
FRONT_SD_SHARE = 0.003
FRONT_SD_M_S = 0.02
FRONT_DIFFERENCE_SD_SHARE = 0.0015
SLIP_SD_SHARE = 0.5  # of the slip of a wheel that hardly touches the road: its stiffness then is anybody's guess
UNTOLD_SD_M_S = 1e6  # of a difference that says nothing
SATELLITE_SD_M_S = 0.05  # of a receiver's speed, by Doppler shift; common practice, no source
SATELLITE_TIMING_S = 0.01  # what `kinematics.delay_behind_accelerometer_s` leaves of its delay, filters' included
ANTENNA_SIDE_M = 0.1  # from the middle of the roof
UNTRUSTED_SD_SHARE = 0.03  # braked or lifted front wheels still bound the ground speed to some per cent


@dataclass(frozen=True)
class Observations:
    """The session on the fit's own time base.

    Attributes
    ----------
    index : (n,) sample of the session for each row.
    time_s : (n,) log time.
    inputs : measured side of the axle.
    speed_difference_rad_s : w_left - w_right.
    slipping, locked : bool, sustained; neither in transitions or noise.
    usable : bool, off the brakes, fronts trusted, valid.
    group : (n,) int, one number per corner pass and per straight; samples of one group are not independent.
    slip_noise : standard deviation of kappa_left - kappa_right from the wheel speeds.
    torque_rate_Nm_s : how fast the input torque changes.
    weight : what one sample counts, its share of an independent look.
    sensors : as the signals'.
    """

    index: IntArray
    time_s: FloatArray
    inputs: AxleInputs
    speed_difference_rad_s: FloatArray
    slipping: BoolArray
    locked: BoolArray
    usable: BoolArray
    group: IntArray
    slip_noise: FloatArray
    torque_rate_Nm_s: FloatArray
    weight: float
    sensors: Sensors

    def take(self, where: IntArray | slice) -> "Observations":
        """The rows `where` (bool, index or slice)."""
        return replace(taken(self, where), inputs=self.inputs.take(where))


def rows_step(rate_hz: float) -> int:
    """Samples of the session from one row of the fit to the next, 1 or more."""
    return max(1, round(rate_hz / FIT_RATE_HZ))


def observe(signals: Signals, corners: tuple[Corner, ...], car: Car) -> Observations:
    """Observations of a session at about `FIT_RATE_HZ`.

    Parameters
    ----------
    signals : the session, calibrated.
    corners : its passes; each is a group, as is each stretch between two.

    Returns
    -------
    Observations : every `rows_step`th sample, the unusable ones too; all behind a low-pass of `CUTOFF_HZ` without
        delay.
    """
    rate = signals.rate_hz
    step = rows_step(rate)

    def smooth(x: FloatArray) -> FloatArray:
        return low_pass(x, cutoff_hz=CUTOFF_HZ, rate_hz=rate)

    rear = smooth(signals.wheel_speed_m_s[:, 2:])
    lateral, yaw = smooth(signals.lat_m_s2), smooth(signals.yaw_rate_rad_s)
    left_share = _front_left_share(signals, car, lateral)
    front = smooth(_front_middle(signals, car, left_share))
    radius = car.rear_rolling_radius_m
    difference = (rear[:, 0] - rear[:, 1]) / radius
    noise = signals.wheel_speed_noise_m_s * np.sqrt(2 * min(1.0, 2 * CUTOFF_HZ / rate)) / radius
    slip_threshold, lock_threshold = max(0.3, 4.5 * noise), max(0.16, 2.3 * noise)
    slipping = _sustained(difference > slip_threshold, rate) | _sustained(difference < -slip_threshold, rate)
    # equal speeds say that the axle is locked only where a free axle would show a difference
    free = np.abs(yaw) * car.rear_track_m / radius
    locked = _sustained(np.abs(difference) < lock_threshold, rate) & (free > slip_threshold)
    ok = signals.valid & ~signals.braking
    trusted = signals.speed_trusted & ok
    group = _passes(corners, len(front), rate)
    index = np.arange(0, len(front), step)
    acceleration = np.gradient(rear, 1 / rate, axis=0)
    along = smooth(signals.long_m_s2)
    by_satellite = not front_logged(signals)
    front_sd = front_speed_sd_m_s(front, along, yaw, by_satellite=by_satellite)
    if not by_satellite:
        front_sd = np.where(trusted, front_sd, 0.2 + UNTRUSTED_SD_SHARE * front)
    apart = signals.wheel_speed_m_s[:, 1] - signals.wheel_speed_m_s[:, 0]
    told = trusted & np.isfinite(apart) & signals.sensors.gyro
    share = np.hypot(FRONT_DIFFERENCE_SD_SHARE, SLIP_SD_SHARE * _light_wheel_slip(signals, car, lateral))
    apart_sd = np.where(told, np.hypot(FRONT_SD_M_S, share * front), UNTOLD_SD_M_S)
    inputs = AxleInputs(
        left_m_s=rear[:, 0],
        right_m_s=rear[:, 1],
        left_acc_m_s2=acceleration[:, 0],
        right_acc_m_s2=acceleration[:, 1],
        front_m_s=np.maximum(front, 1.0),
        front_sd_m_s=front_sd,
        front_left_share=left_share,
        front_difference_m_s=smooth(np.nan_to_num(apart)),
        front_difference_sd_m_s=apart_sd,
        steer_rad=smooth(signals.steer_rad),
        lat_m_s2=lateral,
        long_m_s2=along,
        yaw_rad_s=yaw,
        yaw_acc_rad_s2=np.gradient(yaw, 1 / rate),
        front_brake_N=np.zeros(len(front)),
        long_from_speed=np.full(len(front), 0.0 if signals.sensors.long_g else 1.0),
        lat_from_yaw=np.full(len(front), 0.0 if signals.sensors.lat_g else 1.0),
        speed_by_satellite=np.full(len(front), float(by_satellite)),
    ).take(index)
    slip_noise = np.hypot(noise * radius, signals.yaw_rate_sd_rad_s[index] * car.rear_track_m) / inputs.front_m_s
    return Observations(
        index=index,
        time_s=signals.time_s[index],
        inputs=inputs,
        speed_difference_rad_s=difference[index],
        slipping=slipping[index],
        locked=locked[index],
        usable=(ok & trusted)[index],
        group=group[index],
        slip_noise=slip_noise,
        torque_rate_Nm_s=car.mass_kg * radius * np.abs(np.gradient(along, 1 / rate))[index],
        weight=min(1.0, step / rate / CORRELATION_S),
        sensors=signals.sensors,
    )


def _passes(corners: tuple[Corner, ...], count: int, rate_hz: float) -> IntArray:
    """(count,) number of the corner pass or the straight; a steady circle is as many looks as its length holds."""
    group = np.full(count, -1)
    for i, corner in enumerate(corners):
        group[corner.start : corner.stop] = i
    outside = group < 0
    blocks = np.cumsum(np.diff(outside.astype(int), prepend=0) == 1)
    group[outside] = len(corners) + blocks[outside]
    after = int(group.max(initial=0)) + 1
    for corner in corners:
        pieces = int((corner.stop - corner.start) / rate_hz / LONGEST_PASS_S)
        for k in range(1, pieces + 1):
            start = corner.start + k * (corner.stop - corner.start) // (pieces + 1)
            group[start : corner.stop] = after
            after += 1
    return group


def _front_left_share(signals: Signals, car: Car, lateral_m_s2: FloatArray) -> FloatArray:
    """(n,) what the left front wheel counts in the speed of the front axle, by load: the inner one, hardly on the road,
    is slowed by little and tells it badly. A wheel that is not logged counts nothing. Without a gyro both count alike,
    for the yaw rate that would lead from one wheel to the middle comes from their difference."""
    logged: BoolArray = np.all(np.isfinite(signals.wheel_speed_m_s[:, :2]), axis=0)
    if not logged.all() or not signals.sensors.gyro:
        return np.full(len(signals.time_s), 0.5 if logged[0] == logged[1] else float(logged[0]))
    none = np.zeros(len(signals.time_s))
    left, right, _, _ = wheel_loads(long_m_s2=none, lat_m_s2=lateral_m_s2, downforce_N=none, **car.load_figures)
    return left / (left + right)


def _light_wheel_slip(signals: Signals, car: Car, lateral_m_s2: FloatArray) -> FloatArray:
    """(n,) about how far the lighter front wheel slips as it is spun up and rolls, the car file's tyre on its load."""
    none = np.zeros(len(signals.time_s))
    left, right, _, _ = wheel_loads(
        long_m_s2=signals.long_m_s2, lat_m_s2=lateral_m_s2, downforce_N=none, **car.load_figures
    )
    light = np.minimum(left, right)
    spin_up = car.wheel_inertia_kg_m2 * np.abs(signals.long_m_s2) / car.front_rolling_radius_m**2
    return (car.rolling_resistance + spin_up / light) / car.tyre.slip_stiffness


def _front_middle(signals: Signals, car: Car, left_share: FloatArray) -> FloatArray:
    """(n,) speed of the middle of the front axle along its wheels, from both of them by what they count (m/s).

    On the brakes of a car without accelerometer it is the faster wheel's, also where satellites give the ground speed:
    `session_state.without_brake_slip` leads from that wheel to the ground and to the deceleration.
    """
    if not front_logged(signals):
        return signals.speed_m_s
    half = signals.yaw_rate_rad_s * car.front_track_m / 2 * np.cos(signals.steer_rad)
    left, right = signals.wheel_speed_m_s[:, 0] + half, signals.wheel_speed_m_s[:, 1] - half
    middle = left_share * np.nan_to_num(left) + (1 - left_share) * np.nan_to_num(right)
    ground = signals.speed_m_s
    if not signals.sensors.long_g:
        ground = np.where(signals.braking, np.fmax(left, right), ground)
    return np.where(signals.speed_trusted, middle, ground)


def front_speed_sd_m_s(
    speed_m_s: FloatArray, along_m_s2: FloatArray, yaw_rad_s: FloatArray, *, by_satellite: bool
) -> FloatArray:
    """(n,) assumed of the front wheels' speed off the brakes, or of satellites' against that of the centre of gravity.

    Parameters
    ----------
    speed_m_s, along_m_s2, yaw_rad_s : (n,) motion of the car.
    by_satellite : which of both it is.
    """
    if not by_satellite:
        return np.hypot(FRONT_SD_M_S, FRONT_SD_SHARE * speed_m_s)
    parts = (FRONT_SD_SHARE * speed_m_s, SATELLITE_TIMING_S * along_m_s2, ANTENNA_SIDE_M * yaw_rad_s)
    return np.sqrt(SATELLITE_SD_M_S**2 + sum(np.square(part) for part in parts))


def front_logged(signals: Signals) -> bool:
    """Whether a front wheel's speed is in the log at all."""
    return bool(np.isfinite(signals.wheel_speed_m_s[:, :2]).any())


def _sustained(mask: BoolArray, rate_hz: float) -> BoolArray:
    """True where `mask` holds from `SETTLE_S` before to `SETTLE_S` after."""
    return windows.narrowed(mask, math.ceil(round(SETTLE_S * rate_hz, 6)))
