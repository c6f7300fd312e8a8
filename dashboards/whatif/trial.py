"""The logged laps replayed with a lock curve that somebody tries: spin by corner, and the moment off the throttle."""

import threading
from dataclasses import fields, replace
from typing import Any

import numpy as np

from analyzer.advice.evaluate import NAMES, Session, anchored, as_logged, session_of
from analyzer.advice.outcomes import outcomes
from analyzer.advice.replay import Replayed, replay
from analyzer.analysis import Analysis
from analyzer.errors import InputError
from analyzer.lockcurve import model

LEAST_SPIN_S = 0.2  # of a pass, to be counted as a spin; shorter ones no driver feels
RANGES = {  # of the sliders: (label, end unless the car has more, step)
    "preload_Nm": ("preload, N.m", 250.0, 1.0),
    "drive_slope": ("drive slope, N.m per 100 N.m", 80.0, 0.5),
    "drive_hold_Nm": ("drive hold-off, N.m", 600.0, 5.0),
    "coast_slope": ("coast slope, N.m per 100 N.m", 80.0, 0.5),
    "coast_hold_Nm": ("coast hold-off, N.m", 600.0, 5.0),
}
SHOWN_PER_100 = ("drive_slope", "coast_slope")
_one_at_a_time = threading.Lock()  # a replay takes a processor for about a second
_last: list[Session] = []  # the one session that is kept: the next slider is most likely of the same run


def ranges_of(analysis: Analysis) -> dict[str, tuple[str, float, float]]:
    """`RANGES` for this car: each slider ends at twice what was measured or predicted, where that is more."""
    known = [values for values in _curves(analysis).values() if values is not None]
    return {
        name: (label, max(end, *(np.ceil(2 * values[name] / step) * step for values in known), 0.0), step)
        for name, (label, end, step) in RANGES.items()
    }


def start_of(analysis: Analysis) -> dict[str, dict[str, float] | None]:
    """Curves to begin from, in the units and steps of the sliders: as measured, and as the parts predict; None where
    there is none."""
    return {
        words: values and {name: round(values[name] / step) * step for name, (_, _, step) in RANGES.items()}
        for words, values in _curves(analysis).items()
    }


def _curves(analysis: Analysis) -> dict[str, dict[str, float] | None]:
    parameters, parts = analysis.lock_curve.parameters, analysis.predicted
    measured = {name: parameters[name].value for name in RANGES}
    predicted = {name: None if parts is None else getattr(parts, name) for name in RANGES}
    return {"measured": _shown(measured), "parts": _shown(predicted)}


def _shown(values: dict[str, float | None]) -> dict[str, float] | None:
    """In the units of the sliders; a slope or a hold-off that there is none of is 0, ramps that never clamp as well."""
    if values["preload_Nm"] is None:
        return None
    known = {name: value if value is not None and np.isfinite(value) else 0.0 for name, value in values.items()}
    return {name: value * (100.0 if name in SHOWN_PER_100 else 1.0) for name, value in known.items()}


def trial(analysis: Analysis, shown: dict[str, float]) -> dict[str, Any]:
    """Spin by corner with the measured curve and with the one tried.

    Parameters
    ----------
    shown : figures of the curve in the units of the sliders, by the names of `RANGES`, within `ranges_of`.

    Raises
    ------
    InputError : a figure is out of its range, or the log's slips are not known.

    Notes
    -----
    Path, speed and throttle stay as logged; `advice/replay.py` says what that leaves out. Spin times start from the
    log's own, as advice does (`evaluate.anchored`); corners share the total as the replay splits it.
    """
    for name, (label, end, _) in ranges_of(analysis).items():
        if not 0 <= shown[name] <= end:
            raise InputError(f"{label} is {shown[name]:g}; allowed: 0 to {end:g}. Move the slider back.")
    with _one_at_a_time:
        if not _last or _last[0].analysis is not analysis:
            _last[:] = [session_of(analysis)]
        session = _last[0]
        tried = [shown[name] / (100.0 if name in SHOWN_PER_100 else 1.0) for name in model.NAMES]
        curves = np.array([session.fitted.curve, tried])
        replayed = replay(session.best, curves, step_s=session.passes.step_s, car=analysis.car)
    found = outcomes(replayed, session.best, session.rows, analysis.car)
    table = np.column_stack([getattr(found, name) for name in NAMES])
    total = anchored(table, as_logged(session))
    spin, moment = (NAMES.index(name) for name in ("spin_s", "coast_moment_Nm"))
    scale = [total[k, spin] / table[k, spin] if table[k, spin] > 0 else 0.0 for k in (0, 1)]
    return {
        "corners": _by_corner(session, replayed, scale),
        "spin_s": [round(float(v), 2) for v in total[:, spin]],
        "moment_Nm": [None if np.isnan(v) else round(float(v)) for v in total[:, moment]],
    }


def _by_corner(session: Session, replayed: Replayed, scale: list[float]) -> list[dict[str, Any]]:
    middle = session.observed.index[
        session.passes.row[np.arange(len(session.passes.length)), session.passes.length // 2]
    ]
    starts = np.array([c.start for c in session.analysis.corners])
    order = np.argsort(starts)
    passed = order[np.clip(np.searchsorted(starts[order], middle, "right") - 1, 0, None)]
    numbers = np.array([session.analysis.corners[k].number for k in passed])
    each = np.array([_spin_s(session, replayed, k) for k in range(len(numbers))])  # (passes, 2)
    rows = []
    for number in np.unique(numbers):
        own = each[numbers == number]
        rows.append(
            {
                "corner": int(number),
                "passes": len(own),
                "seconds": [round(float(own[:, k].sum() * scale[k]), 2) for k in (0, 1)],
                "spins": [int((own[:, k] * scale[k] >= LEAST_SPIN_S).sum()) for k in (0, 1)],
            }
        )
    return rows


def _spin_s(session: Session, replayed: Replayed, number: int) -> np.ndarray:
    """Spin (s) of one pass with each curve."""
    part = slice(number, number + 1)
    rows = session.rows
    own = replace(
        rows,
        turn=rows.turn[part],
        driven=rows.driven[part],
        coasting=rows.coasting[part],
        applications=rows.applications[:0],
        front_side_N=rows.front_side_N[part],
    )
    of_pass = Replayed(*(getattr(replayed, f.name)[..., part, :] for f in fields(Replayed)))
    return outcomes(of_pass, session.best, own, session.analysis.car).spin_s
