"""Stretches of a log: runs of samples, the speed they are judged by, and those in which the car turned round about
itself and nothing that its wheels say is about the differential.
"""

from collections.abc import Callable, Mapping

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import WHEEL_CHANNELS
from analyzer.in_words import when
from analyzer.logs.recording import Annotation, Recording

NOMINAL_RADIUS_M = 0.3  # only to judge orders of magnitude where wheel speeds are rotations
LOST = "car_lost"
CORNERS_PERCENTILE = 99.0  # of the lateral acceleration on the move: what this car corners at
LEAST_CORNERS_M_S2 = 4.0
BEYOND = 1.2  # a car that is thrown about turns its nose faster than its path, for a moment
SLOWING = 1.2  # of the same: no tyres brake harder, so speed that is gone sooner is a wheel that stands
HELD_RAD = 0.6  # of side slip, 35 degrees: few catch that, and who stops after it has not
ROUND_RAD = 1.6  # about a quarter turn: nobody catches that
STOPS_M_S, STOPS_WITHIN_S = 3.0, 8.0
BEFORE_S, AFTER_S = 1.0, 1.0  # what began it, and its swing back, belong to it
LEAST_SPEED_M_S = 3.0


def runs(mask: BoolArray) -> IntArray:
    """Runs of True in a mask, in order.

    Parameters
    ----------
    mask : (n,) bool.

    Returns
    -------
    ndarray : (k, 2) first and last index, the last one included.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return np.column_stack([edges[::2], edges[1::2] - 1])


def joined(found: IntArray, time_s: FloatArray, *, within_s: float) -> IntArray:
    """Runs with those that are close made one.

    Parameters
    ----------
    found : (k, 2) first and last index, in order, as `runs` gives them.
    time_s : (n,) of all samples.
    within_s : from the end of one to the start of the next.
    """
    if len(found) < 2:
        return found
    apart = time_s[found[1:, 0]] - time_s[found[:-1, 1]] > within_s
    return np.column_stack([found[np.concatenate([[True], apart]), 0], found[np.concatenate([apart, [True]]), 1]])


def known(time_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Times and values where there is a value; the arrays themselves where that is everywhere."""
    good = np.isfinite(values)
    return (time_s, values) if good.all() else (time_s[good], values[good])


def read_off(time_s: FloatArray, at_s: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """What reads channels off at other times, linearly between the samples that have a value, held beyond the ends;
    zeros where a channel has none. The places are looked up once for all channels.

    Parameters
    ----------
    time_s : (n,) of the channels, rising, n of 2 or more.
    at_s : (m,) times wanted.

    Returns
    -------
    callable : channel (n,) -> (m,).
    """
    after = np.clip(np.searchsorted(time_s, at_s), 1, len(time_s) - 1)
    before = after - 1
    share = np.clip((at_s - time_s[before]) / (time_s[after] - time_s[before]), 0.0, 1.0)

    def read(values: FloatArray) -> FloatArray:
        times, present = known(time_s, values)
        if not len(times):
            return np.zeros(len(at_s))
        if len(times) < len(time_s):
            return np.interp(at_s, times, present)
        return values[before] + share * (values[after] - values[before])

    return read


def period_s(recording: Recording) -> float:
    """The usual time between samples, s."""
    return float(np.median(np.diff(recording.time_s)))


def wheel_speeds_m_s(recording: Recording, channels: Mapping[str, FloatArray] | None = None) -> dict[str, FloatArray]:
    """Channel -> logged wheel speed (n,) in m/s, good to the accuracy of a nominal radius where they are rotations;
    `channels` are the recording's own unless given."""
    channels = recording.channels if channels is None else channels
    speeds = {name: channels[name] for name in WHEEL_CHANNELS if name in channels}
    if recording.wheel_speed_unit != "rad/s":
        return speeds
    return {name: values * NOMINAL_RADIUS_M for name, values in speeds.items()}


def rough_speed_m_s(recording: Recording, *, without: str | None = None, part: slice = slice(None)) -> FloatArray:
    """Speed of the car (m/s) from the middle one of all speeds logged, NaN where there is none.

    Parameters
    ----------
    without : a channel to leave out.
    part : some of the samples only.

    Returns
    -------
    ndarray : (n,) of the part; wheel speeds in rad/s count with a nominal radius.
    """
    factor = NOMINAL_RADIUS_M if recording.wheel_speed_unit == "rad/s" else 1.0
    speeds = [
        recording.channels[name][part] * (factor if name in WHEEL_CHANNELS else 1.0)
        for name in (*WHEEL_CHANNELS, "gps_speed")
        if name in recording.channels and name != without
    ]
    if not speeds:
        return np.full(len(recording.time_s[part]), np.nan)
    if all(np.isfinite(v).all() for v in speeds):
        _sort_together(speeds)
        return (speeds[(len(speeds) - 1) // 2] + speeds[len(speeds) // 2]) / 2
    stacked = np.sort(np.array(speeds), axis=0)  # NaN sorts last
    count = np.isfinite(stacked).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    middle = middle[0], np.minimum(middle[1], np.maximum(count - 1, 0))
    columns = np.arange(stacked.shape[1])
    medians: FloatArray = (stacked[middle[0], columns] + stacked[middle[1], columns]) / 2
    return medians


def _sort_together(rows: list[FloatArray]) -> None:
    """Sort each sample over a few rows in place, by neighbours changing places: faster than sorting many short
    columns."""
    for k in range(len(rows)):
        for i in range(k % 2, len(rows) - 1, 2):
            rows[i], rows[i + 1] = np.minimum(rows[i], rows[i + 1]), np.maximum(rows[i], rows[i + 1])


def lost_car(
    *, time_s: FloatArray, yaw_rad_s: FloatArray, lat_m_s2: FloatArray, speed_m_s: FloatArray, moving: BoolArray
) -> tuple[BoolArray, list[Annotation]]:
    """Where the car was lost, (n,) bool, and a note on each time.

    Parameters
    ----------
    time_s, yaw_rad_s, lat_m_s2, speed_m_s : (n,) uniform time, yaw rate, lateral acceleration, speed of the front axle.
    moving : (n,) bool, where they hold.

    Notes
    -----
    Side slip grows by r - a_y/v. It is added up where the car turns faster than `BEYOND` times the largest a_y over the
    speed, as no car does that holds the road. The front wheels of a car that slides sideways stand, so its speed is
    taken to fall by `SLOWING` times that a_y at most.
    """
    none = np.zeros(len(time_s), bool)
    if not moving.any():
        return none, []
    most = max(float(np.percentile(np.abs(lat_m_s2[moving]), CORNERS_PERCENTILE)), LEAST_CORNERS_M_S2)
    fall = SLOWING * most * (time_s - time_s[0])
    speed = np.maximum(np.maximum.accumulate(np.nan_to_num(speed_m_s) + fall) - fall, LEAST_SPEED_M_S)
    turning = np.nan_to_num(np.abs(yaw_rad_s))
    slides = np.nan_to_num(turning - np.abs(lat_m_s2) / speed)
    step = float(time_s[1] - time_s[0])
    lost, notes = none, []
    for first, last in joined(runs(turning > BEYOND * most / speed), time_s, within_s=0.3):
        sideways = float(np.maximum(slides[first : last + 1], 0.0).sum() * step)
        after = slice(first, int(np.searchsorted(time_s, time_s[last] + STOPS_WITHIN_S)))
        slow = np.flatnonzero(speed_m_s[after] < STOPS_M_S)
        if sideways < (HELD_RAD if len(slow) else ROUND_RAD):
            continue
        start, end = time_s[first] - BEFORE_S, time_s[first + slow[-1] if len(slow) else last] + AFTER_S
        here = (time_s >= start) & (time_s <= end)
        lost = lost | here
        at = first + int(np.argmax((turning * speed)[first : last + 1]))
        notes.append(
            Annotation(
                LOST,
                "warning",
                None,
                float(time_s[here][0]),
                float(time_s[here][-1]),
                f"The car was lost at {when(time_s[first], time_s[first])}: it turned at up to "
                f"{np.degrees(turning[at]):.0f} deg/s, where it corners at {np.degrees(most / speed[at]):.0f} "
                f"deg/s at most{', and stopped' if len(slow) else ''}; nothing is concluded there.",
                True,
            )
        )
    return lost, notes
