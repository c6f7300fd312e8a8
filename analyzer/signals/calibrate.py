"""From a recording to calibrated signals: biases, wheel scales, yaw rate, speed, path."""

from dataclasses import replace

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray
from analyzer.errors import CannotTell
from analyzer.logs.recording import Annotation, Recording
from analyzer.robust import scatter
from analyzer.signals.biases import calibrate_longitudinal, find_zeros, lateral_by_turning
from analyzer.signals.kinematics import (
    LEAST_SPEED_M_S,
    SLIP_UNKNOWN,
    dead_reckoned,
    delay_behind_accelerometer_s,
    from_position,
    front_axle_m_s,
    mean_of_both,
    smooth_yaw_rate,
    surface_speeds_m_s,
)
from analyzer.signals.log_stretches import lost_car
from analyzer.signals.session import CalibrationStep, Sensors, Signals, taken_out
from analyzer.signals.timebase import low_pass, to_uniform
from analyzer.vehicle.car import Car

NEEDED = frozenset(
    {"wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "throttle", "steer", "lat_g"}
)
SIGNAL_CUTOFF_HZ = 8.0  # car signals end below 5 Hz (ISO 15037-1, from memory); the rest is sensor noise
BRAKE_ON = 1e5  # Pa; 1 bar
BRAKE_RELEASE_S = 0.3  # pads drag and wheels recover after the pedal is off
OFF_THROTTLE = 0.1
REST_BAND = 0.02  # of throttle; a foot that holds it open moves more
REST_TIME_SHARE = 0.05  # of the time on the move that a sensor whose zero is off stays at its rest, at the least
REST_RANGE = (0.02, 0.3)  # nearer to zero it changes nothing; further off it is no zero
DELAY_SD_S = 0.005  # 1 to 2 ms by simulated receivers that only come late; more where they filter as well
HARD_DECELERATION_M_S2 = -3.0  # past engine braking of any car in scope: the brakes are on
RELEASED_SHARE = 2 / 3  # of the way from there to how the session coasts: below it what engine braking scatters by


def prepare(recording: Recording, *, car: Car) -> Signals:
    """Calibrated signals of a recording.

    Parameters
    ----------
    recording : examined (`examine.examined`), so that faults are among its annotations.
    car : for radii, tracks, steering ratio and the place of the centre of gravity.

    Returns
    -------
    Signals : of all of the recording, on its own time.

    Raises
    ------
    CannotTell : the log lacks what is needed; names the channel.
    """
    has = recording.channels.keys()
    if "lat_g" not in has and "yaw_rate" not in has:
        raise CannotTell(
            f"{recording.name}: has neither lateral acceleration nor yaw rate; one is needed to find corners. "
            "Log lateral acceleration."
        )
    uniform = to_uniform(recording, needed=NEEDED & frozenset(has))
    rate, channels, n = uniform.rate_hz, uniform.channels, len(uniform.time_s)
    steps: list[CalibrationStep] = []
    notes: list[Annotation] = list(recording.annotations) + list(uniform.gaps)
    wheels = surface_speeds_m_s(uniform.channels, recording.wheel_speed_unit, car)

    def smooth(x: FloatArray) -> FloatArray:
        return low_pass(x, cutoff_hz=SIGNAL_CUTOFF_HZ, rate_hz=rate)

    steer = smooth(channels["steer"]) / (1.0 if recording.steer_at == "road_wheel" else car.steering_ratio)
    rear_mean = mean_of_both(wheels[:, 2], wheels[:, 3])
    if np.nanmax(rear_mean) < LEAST_SPEED_M_S:
        raise CannotTell(
            f"{recording.name}: the car never drives faster than {np.nanmax(rear_mean):.1f} m/s; "
            f"at least {LEAST_SPEED_M_S:g} m/s are needed. Give a log of a session on track."
        )
    front = wheels[:, :2]
    has_fronts = np.isfinite(front).all()
    fallback = channels.get("gps_speed")
    speed = front_axle_m_s(front, channels, car) if np.isfinite(front).any() else fallback
    if speed is None:
        raise CannotTell(
            f"{recording.name}: has no front wheel speed and no ground speed; one is needed to know the slip. "
            "Log a front wheel speed."
        )
    long_known = "long_g" in channels
    by_satellite = not np.isfinite(front).any()
    if by_satellite and long_known:
        speed = _in_step(speed, channels, uniform.valid, rate, steps)
    elif by_satellite:
        notes.append(Annotation("slip_unknown", "error", "gps_speed", None, None, SLIP_UNKNOWN))
    slope = np.gradient(smooth(speed), 1.0 / rate)
    longitudinal = smooth(channels["long_g"]) if long_known else low_pass(slope, cutoff_hz=3.0, rate_hz=rate)
    moving = (speed > LEAST_SPEED_M_S) & uniform.valid
    throttle = _throttle(channels["throttle"], slope, moving, steps)
    braking = _braking(channels, throttle, slope, moving, rate)
    lateral = smooth(channels["lat_g"]) if "lat_g" in channels else None
    gyro = channels.get("yaw_rate")
    raw_yaw = gyro if gyro is not None else lateral / np.maximum(speed, LEAST_SPEED_M_S)
    if lateral is None:
        # said by the reader, which knows that the channel is missing
        lateral = lateral_by_turning(speed_m_s=speed, yaw_rad_s=raw_yaw, rate_hz=rate, car=car)
    straight = moving & ~braking & (np.abs(lateral) < 1.0)
    if straight.sum() < 2 * rate:
        straight = moving & ~braking
    if straight.sum() < rate:
        raise CannotTell(
            f"{recording.name}: holds no second of driving off the brakes above {LEAST_SPEED_M_S:g} m/s; "
            "nothing can be calibrated. Give a log of a session on track."
        )
    wheels = _calibrate_rear(wheels, straight, steps)
    trusted = ~braking & moving
    front_yaw, front_sd = np.full(n, np.nan), np.full(n, np.inf)
    sensors = Sensors(gyro=gyro is not None, lat_g="lat_g" in channels, unchecked=recording.unchecked)
    zeros = find_zeros(
        front_m_s=front if has_fronts else None,
        speed_m_s=speed,
        yaw_rad_s=raw_yaw,
        lateral_m_s2=lateral,
        straight=straight,
        moving=moving,
        rate_hz=rate,
        car=car,
        sensors=sensors,
    )
    steps += zeros.steps
    if has_fronts:
        wheels[:, 0] *= np.exp(zeros.front_scale / 2)
        wheels[:, 1] *= np.exp(-zeros.front_scale / 2)
        speed = front_axle_m_s(wheels[:, :2], channels, car)
        difference = wheels[:, 1] - wheels[:, 0]
        front_yaw = difference / (car.front_track_m * np.cos(steer))
        disagreement = np.abs(smooth(difference - car.front_track_m * (raw_yaw - zeros.yaw_rad_s) * np.cos(steer)))
        limit = 0.3 if gyro is not None else 0.8
        bad = windows.widened(disagreement > limit, max(1, round(0.15 * rate)))
        trusted &= ~bad
        front_sd = np.where(trusted, 0.1 / car.front_track_m, np.inf)
    lateral = lateral - zeros.lateral_m_s2
    if long_known:
        longitudinal, steps_long = calibrate_longitudinal(longitudinal, slope, straight & trusted, rate)
        steps.append(steps_long)
    else:
        notes.append(
            Annotation(
                "long_g_derived",
                "warning",
                "long_g",
                None,
                None,
                "The change of speed stands in for longitudinal acceleration, so a slope of the road counts as "
                "acceleration (1 % of slope is 0.1 m/s2).",
            )
        )
    measurements, deviations = [front_yaw], [front_sd]
    if gyro is not None:  # it outweighs lateral acceleration over speed in transients
        measurements.append(gyro - zeros.yaw_rad_s)
        deviations.append(np.full(n, 0.006))
    else:
        # of braked front wheels the faster one is nearer to the ground's speed
        rolling = np.where(braking, np.fmax(speed, np.fmax(front[:, 0], front[:, 1])), speed)
        turning = lateral / np.maximum(rolling, 3.0)
        sideslip_noise = 0.04 + 0.5 * np.abs(low_pass(np.gradient(turning, 1 / rate), cutoff_hz=2.0, rate_hz=rate))
        measurements.append(turning)
        deviations.append(np.where(moving, sideslip_noise, np.inf))
    yaw, yaw_sd = smooth_yaw_rate(measurements=measurements, standard_deviations=deviations, rate_hz=rate)
    lost, lost_notes = lost_car(
        time_s=uniform.time_s, yaw_rad_s=yaw, lat_m_s2=lateral, speed_m_s=speed, moving=uniform.valid & moving
    )
    notes += lost_notes
    if gyro is None:
        notes.append(
            Annotation(
                "yaw_rate_fused",
                "warning",
                "yaw_rate",
                None,
                None,
                "yaw rate is not logged; front wheel speeds and lateral acceleration over speed stand in for it, "
                "which widens every torque interval.",
            )
        )
    if not trusted.any():
        notes.append(
            Annotation(
                "front_untrusted", "warning", None, None, None, "the front wheel speeds never agree with the yaw rate."
            )
        )
    half = yaw * car.front_track_m / 2 * np.cos(steer)
    best_front = np.fmax(wheels[:, 0] + half, wheels[:, 1] - half)
    ground = speed if not has_fronts else np.where(trusted, speed, best_front)
    if fallback is not None and not by_satellite:
        ground = np.where(trusted, ground, fallback)
    ground = np.maximum(low_pass(ground, cutoff_hz=5.0, rate_hz=rate), 0.0)
    if "latitude" in channels and "longitude" in channels:
        x, y = from_position(channels["latitude"], channels["longitude"])
        source = "position"
    else:
        x, y = dead_reckoned(ground, yaw, rate)
        source = "dead_reckoned"
    return Signals(
        time_s=uniform.time_s,
        rate_hz=rate,
        valid=uniform.valid & moving & ~lost,
        wheel_speed_m_s=wheels,
        throttle=throttle,
        steer_rad=steer,
        lat_m_s2=lateral,
        long_m_s2=longitudinal,
        yaw_rate_rad_s=yaw,
        yaw_acceleration_rad_s2=np.gradient(yaw, 1 / rate),
        yaw_rate_sd_rad_s=yaw_sd,
        speed_m_s=ground,
        speed_trusted=trusted,
        braking=braking,
        x_m=x,
        y_m=y,
        distance_m=np.cumsum(ground) / rate,
        position_source=source,
        lap_channel=channels.get("lap"),
        calibration=tuple(steps),
        annotations=tuple(notes),
        sensors=replace(sensors, long_g=long_known, slip_known=long_known or not by_satellite),
        wheel_speed_noise_m_s=_noise(wheels[:, 2:]),
    )


def _in_step(
    speed: FloatArray, channels: dict[str, FloatArray], valid: BoolArray, rate: float, steps: list[CalibrationStep]
) -> FloatArray:
    """Satellites' speed (n,) in step with the accelerometer."""
    across = channels.get("lat_g")
    late = delay_behind_accelerometer_s(
        speed_m_s=speed,
        long_m_s2=channels["long_g"],
        lat_m_s2=speed * channels["yaw_rate"] if across is None else across,
        use=(speed > LEAST_SPEED_M_S) & valid,
        rate_hz=rate,
    )
    words = "GPS speed is out of step with longitudinal acceleration by {}"
    steps.append(taken_out("speed_delay", late, DELAY_SD_S, "s", words))
    time = np.arange(len(speed)) / rate
    return np.interp(time + late, time, speed)


def _throttle(logged: FloatArray, slope: FloatArray, moving: BoolArray, steps: list[CalibrationStep]) -> FloatArray:
    """Throttle (n,), 0 to 1, from where it rests while the car slows down: a sensor whose zero is off never reads
    closed, and braking and coasting are told by that."""
    throttle = np.clip(logged, 0.0, 1.0)
    driven = throttle[moving]
    if not len(driven) or np.ptp(driven) < REST_RANGE[1]:
        return throttle
    resting = driven < np.percentile(driven, 1) + REST_BAND
    rest = float(np.median(driven[resting]))
    held = resting.mean() > REST_TIME_SHARE and np.median(slope[moving][resting]) < 0
    if not (held and REST_RANGE[0] < rest < REST_RANGE[1]):
        return throttle
    words = "throttle is off by {} with the foot off it"
    steps.append(taken_out("throttle_rest", 100 * rest, float(100 * np.std(driven[resting])), "%", words))
    return np.clip((throttle - rest) / (1.0 - rest), 0.0, 1.0)


def _braking(
    channels: dict[str, FloatArray], throttle: FloatArray, slope: FloatArray, moving: BoolArray, rate: float
) -> BoolArray:
    """Brakes on, and a while after."""
    if "brake" in channels and np.ptp(channels["brake"]) > 0:
        level = channels["brake"]
        threshold = min(BRAKE_ON, 0.03 * float(np.percentile(level, 99.5)) + 1e-9) if level.max() > 2 else 0.02
        on = level > threshold
    else:
        on = _braking_by_change_of_speed(slope, throttle < OFF_THROTTLE, moving, rate)
    return windows.widened(on, _brake_release_samples(rate))


def _brake_release_samples(rate: float) -> int:
    return max(1, round(BRAKE_RELEASE_S * rate))


def _braking_by_change_of_speed(slope: FloatArray, closed: BoolArray, moving: BoolArray, rate: float) -> BoolArray:
    """Brakes on where no channel says so: a deceleration that no engine gives, and the stretches on both sides of it
    that are still harder than the session's coasting. A foot that leaves the pedal slowly passes through
    decelerations of an engine; taken for coasting, its brake torque would count as torque through the differential."""
    change = low_pass(slope, cutoff_hz=2.0, rate_hz=rate)
    hard = (change < HARD_DECELERATION_M_S2) & closed
    near = windows.widened(hard, _brake_release_samples(rate))
    coasting = change[closed & moving & ~near & (change < 0)]
    if not hard.any() or not len(coasting):
        return hard
    usual = float(np.median(coasting))
    released = HARD_DECELERATION_M_S2 + RELEASED_SHARE * (usual - HARD_DECELERATION_M_S2)
    return windows.reached(hard, hard | ((change < released) & closed))


def _calibrate_rear(wheels: FloatArray, straight: BoolArray, steps: list[CalibrationStep]) -> FloatArray:
    """Scale of rear left over rear right, from straights, where a held and an open axle both turn as one."""
    wheels = wheels.copy(order="K")
    ratio = np.log(wheels[straight, 2] / wheels[straight, 3])
    scale = float(np.median(ratio))
    spread = float(np.subtract(*np.percentile(ratio, [75, 25])) / 1.349)
    wheels[:, 2] *= np.exp(-scale / 2)
    wheels[:, 3] *= np.exp(scale / 2)
    steps.append(
        taken_out(
            "rear_wheel_scale",
            100 * scale,
            float(100 * spread / np.sqrt(max(straight.sum() / 50, 1))),
            "%",
            "rear left is off by {} against rear right on the straights",
        )
    )
    return wheels


def _noise(rear: FloatArray) -> float:
    """Standard deviation of white noise of the rear wheel speeds (m/s), from third differences."""
    third = np.diff(rear, n=3, axis=0)
    return scatter(third.ravel(), about=0.0) / float(np.sqrt(20.0))
