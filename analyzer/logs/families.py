"""Four columns that are the wheel speeds, whatever they are called: by names that differ only in the wheel, or by
values that agree within per cents."""

import re
from collections.abc import Callable, Sequence

import numpy as np

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs import behaviour
from analyzer.logs.names import CORNERS, LONGEST_NAME, not_a_wheel_speed
from analyzer.logs.raw import RawLog

ALIKE = 0.08  # of their medians: circumferences and slip; four pressures or temperatures are further apart
TOGETHER = 0.95  # correlation of two wheels of a car
LEAST_SCATTER = 0.1  # of the median: a car's speed varies, four supply voltages do not
TOLD_BY_ROWS = 5_000
MOST_COLUMNS = 300  # of those that nothing else was made of


def named_alike(raw: RawLog) -> list[tuple[int, int, int, int]]:
    """Fours of columns (front left, front right, rear left, rear right) whose names differ only in the wheel."""
    by_name = {c.name.casefold(): i for i, c in enumerate(raw.columns) if len(c.name) <= LONGEST_NAME}
    found: list[tuple[int, int, int, int]] = []
    for name, index in by_name.items():
        if not_a_wheel_speed(raw.columns[index].name):
            continue
        for corners in CORNERS:
            for place in re.finditer(re.escape(corners[0]), name):
                before, after = name[: place.start()], name[place.end() :]
                fl, fr, rl, rr = (by_name.get(f"{before}{corner}{after}", -1) for corner in corners)
                if min(fr, rl, rr) >= 0 and (fl, fr, rl, rr) not in found:
                    found.append((fl, fr, rl, rr))
    return found


def agreeing(values: Sequence[np.ndarray]) -> bool:
    """Whether four columns (rows,) are speeds of the wheels of one car."""
    middles = [float(np.nanmedian(np.abs(v))) if np.isfinite(v).any() else 0.0 for v in values]
    if min(middles) <= 0 or max(middles) / min(middles) > 1 + ALIKE:
        return False
    if min(float(np.nanstd(v)) / m for v, m in zip(values, middles, strict=True)) < LEAST_SCATTER:
        return False
    return all(behaviour.moves_with(values[0], other) > TOGETHER for other in values[1:])


def unnamed(
    raw: RawLog, used: set[int], load: Callable[[Sequence[int]], dict[int, np.ndarray]]
) -> tuple[int, ...] | None:
    """Columns that agree as wheel speeds do, in file order, among those of which nothing else was made; None unless
    there are at least four."""
    free = [i for i, column in enumerate(raw.columns) if i not in used and not column.is_clock][:MOST_COLUMNS]
    if len(free) < len(WHEEL_CHANNELS):
        return None
    data = {i: v[:: max(1, len(v) // TOLD_BY_ROWS)] for i, v in load(free).items()}
    for first in free:
        like = [i for i in free if i == first or agreeing((data[first], data[i]))]
        if len(like) >= len(WHEEL_CHANNELS) and behaviour.possible(WHEEL_CHANNELS[0], data[first], "km/h"):
            return tuple(like)
    return None
