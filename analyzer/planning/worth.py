"""What each figure of the car file is worth on a log: how far the answer moves when the figure is off.

For each figure x the whole analysis is made again with x (1 + d), or x + d where the figure is one of place or lean,

    change of preload = preload(x (1 + d)) - preload(x),   and so on for the slopes,

d the limit that the car file states for the figure; where it states none, `ASSUMED_PERCENT`. A figure that the fit
finds by itself (a rolling radius, say) moves the answer little, and that is what it is worth.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import CannotTell, InputError
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read_blocks import open_blocks
from analyzer.pipeline import analyze_sessions
from analyzer.settings_file import validated
from analyzer.signals import long_session
from analyzer.signals.long_session import read_session
from analyzer.vehicle.car import Car

ASSUMED_PERCENT = 5.0  # of a figure that the car file states no limit for, to hold the figures against each other
LIMITS = {  # figure -> where the car file states its limit, in per cent of the figure
    "mass_kg": "mass_percent",
    "cg_height_m": "cg_height_percent",
    "rear_load_transfer_fraction": "load_transfer_percent",
    "drag_area_m2": "drag_percent",
    "downforce_area_m2": "downforce_percent",
    "front_track_m": "track_percent",
    "rear_track_m": "track_percent",
    "wheel_inertia_kg_m2": "wheel_inertia_percent",
    "front_rolling_radius_m": "rolling_radius_percent",
    "rear_rolling_radius_m": "rolling_radius_percent",
}
ADDED = {  # figure -> where the car file states its limit, in the figure's own unit
    "rolling_radius_load_percent": "rolling_radius_load_percent",
    "accelerometer_x_m": "accelerometer_place_m",
    "accelerometer_y_m": "accelerometer_place_m",
    "roll_gradient_deg_per_g": "roll_gradient_deg_per_g",
}
ALSO = ("wheelbase_m", "front_weight_fraction", "steering_ratio", "yaw_inertia_kg_m2", "front_brake_fraction")
TOLD = ("preload_Nm", "drive_slope", "coast_slope")
AT_NM = 500.0  # a middling input torque, to hold a change of slope against one of preload
WIDEST_STEP_PERCENT = 20.0  # beyond it a change is no more in proportion


@dataclass(frozen=True)
class Worth:
    """One figure: by how much it was put off, and how far preload (N.m) and slopes (1) moved; None where the log
    measures none.

    Attributes
    ----------
    step : what was added to the figure, in its own unit.
    percent : the same in per cent of the figure; None of a figure of place or lean.
    stated : the car file, or its default, states that limit.
    """

    figure: str
    step: float
    percent: float | None
    stated: bool
    moved: dict[str, float | None]


def figures_of(car: Car) -> dict[str, tuple[float, float | None, bool]]:
    """Figure -> step, per cent, whether its limit is stated; of those that the file states or has a default for, and
    that are not zero.

    Returns
    -------
    dict : step in the figure's own unit; per cent of the figure, None of one of place or lean; whether the file or its
        default states that limit.
    """
    found: dict[str, tuple[float, float | None, bool]] = {}
    for name in (*LIMITS, *ALSO):
        value = getattr(car, name)
        if not value:
            continue
        limit = min(getattr(car.uncertainty, LIMITS[name]), WIDEST_STEP_PERCENT) if name in LIMITS else ASSUMED_PERCENT
        found[name] = (value * limit / 100, limit, name in LIMITS)
    for name, limit_name in ADDED.items():
        if getattr(car, name) is not None:
            found[name] = (getattr(car.uncertainty, limit_name), None, True)
    return found


def put_off(car: Car, name: str, step: float) -> Car:
    """The car with a figure off by a step; downwards where upwards is no car.

    Parameters
    ----------
    name : key of the car file.
    step : in the figure's own unit.

    Raises
    ------
    InputError : neither way is within the key's range.
    """
    for one in (step, -step):
        table = car.model_dump(exclude_unset=True) | {name: getattr(car, name) + one}
        try:
            return validated(Car, table, file="car", table_name="car")
        except InputError:
            continue
    raise InputError(f"'{name}' cannot be moved by {step:g} within its range; check the car file.")


def worth(
    *,
    log_paths: Sequence[Path | str],
    car: Car,
    channels_path: Path | str | None = None,
    progress: Callable[[str, float], None] = lambda step, share: None,
) -> tuple[Worth, ...]:
    """Every figure with what it is worth on these logs, the one that moves preload and slopes most first.

    Parameters
    ----------
    log_paths : logs of one car with one differential, as `pipeline.analyze` takes them.
    channels_path : channel map of all of them.
    progress : called with what is being done and the share done, 0 to 1; the logs are analysed once as they are and
        once for each figure.

    Raises
    ------
    InputError, CannotTell : as `pipeline.analyze`.
    """
    channel_map = load_channel_map(channels_path) if channels_path is not None else None

    def answer(of: Car) -> dict[str, float | None]:
        logs = [
            open_blocks(path, channel_map=channel_map, rows=long_session.BLOCK_ROWS, lead_s=long_session.LEAD_S)
            for path in log_paths
        ]
        parameters = analyze_sessions(
            sessions=[read_session(log, car=of) for log in logs], car=of
        ).lock_curve.parameters
        return {name: parameters[name].value for name in TOLD}

    figures = figures_of(car)
    progress("with the car file as it is", 0.0)
    now = answer(car)
    found = []
    for k, (name, (step, percent, stated)) in enumerate(figures.items(), start=1):
        progress(f"with another {name}", k / (len(figures) + 1))
        off = put_off(car, name, step)
        taken = getattr(off, name) - getattr(car, name)
        try:
            then = answer(off)
        except CannotTell:  # so far off that the log refuses it
            then = dict.fromkeys(TOLD)
        moved = {key: _less(then[key], now[key]) for key in TOLD}
        found.append(
            Worth(name, taken, None if percent is None else percent * (1 if taken * step > 0 else -1), stated, moved)
        )
    return tuple(sorted(found, key=_size, reverse=True))


def _less(then: float | None, now: float | None) -> float | None:
    return None if then is None or now is None else then - now


def _size(one: Worth) -> float:
    """The largest change in N.m: of the preload, or of a slope at `AT_NM` of input torque."""
    changes = {name: abs(change or 0.0) for name, change in one.moved.items()}
    return max(change * (1.0 if name == "preload_Nm" else AT_NM) for name, change in changes.items())
