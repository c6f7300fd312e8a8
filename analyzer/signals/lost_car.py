"""A car that turned round about itself: nothing that its wheels say then is about the differential."""

import numpy as np

from analyzer.in_words import when
from analyzer.logs.recording import Annotation
from analyzer.signals.stretches import joined, runs

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


def lost_car(
    *, time_s: np.ndarray, yaw_rad_s: np.ndarray, lat_m_s2: np.ndarray, speed_m_s: np.ndarray, moving: np.ndarray
) -> tuple[np.ndarray, list[Annotation]]:
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
