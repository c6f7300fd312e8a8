"""The corner table: per corner and phase what the rear axle did."""

from dash import html

from analyzer.analysis import Analysis
from analyzer.report.corner_table import CornerRow, corner_rows
from analyzer.report.words import PHASE_NAMES, number
from dashboards.pages.parts import table

NORMAL_95 = 1.96
HEADINGS = [
    "corner",
    "phase",
    "inside slip, %",
    "outside slip, %",
    "kinematic lock",
    "input, N.m",
    "transfer, N.m",
    "95 % interval",
    "parts say, N.m",
    "locked, %",
    "",
]
READ = (
    "Kinematic lock: 0 rolls free, 1 turns as one. Transfer torque: positive holds against the turn, negative turns "
    "the car in. 'Parts say' is the torque up to which the axle should stay locked; a dash: the log cannot say."
)


def corner_table(analysis: Analysis, lap: int | None) -> html.Div:
    """Medians over laps (`lap` None) or one lap."""
    results = analysis.phase_results if lap is None else tuple(r for r in analysis.phase_results if r.lap == lap)
    rows = [_row(analysis, r, lap) for r in corner_rows(results)]
    return html.Div([table(HEADINGS, rows, words=2), html.P(READ, className="read")])


def _row(analysis: Analysis, r: CornerRow, lap: int | None) -> list:
    passes = (c for c in analysis.corners if c.number == r.corner and lap in (None, c.lap) and c.lap > 0)
    first = next(passes, None)
    target = None if first is None else round(float(analysis.signals.time_s[first.apex]), 3)
    go = (
        ""
        if target is None
        else html.Button(
            "show",
            id={"type": "go", "moment": target, "phase": r.phase},
            className="quiet",
            **{"aria-label": f"show corner {r.corner}, {PHASE_NAMES[r.phase]}"},
        )
    )
    return [
        f"{r.corner} {r.direction}",
        PHASE_NAMES[r.phase],
        number(_times(r.inside_slip, 100), 1),
        number(_times(r.outside_slip, 100), 1),
        number(r.kinematic_lock, 2),
        number(r.input_torque_Nm),
        number(r.transfer_torque_Nm),
        _interval(r),
        number(r.predicted_locking_torque_Nm),
        number(_times(r.locked_fraction, 100)),
        go,
    ]


def _interval(r: CornerRow) -> str:
    if r.transfer_torque_Nm is None or r.transfer_torque_sd_Nm is None:
        return "–"
    half = NORMAL_95 * r.transfer_torque_sd_Nm
    return f"{number(r.transfer_torque_Nm - half)} to {number(r.transfer_torque_Nm + half)}"


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value
