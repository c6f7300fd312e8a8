"""What-if page: a lock curve to try by sliders, the laps replayed with it (spin by corner, the moment off the
throttle), and what to fit from a shelf of parts.
"""

import json
import threading
from dataclasses import fields, replace
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from dash import Dash, Input, Output, State, ctx, dcc, html

from analyzer.advice.evaluate import NAMES, Session, anchored, as_logged, outcomes, session_of
from analyzer.advice.replay import Replayed, replay
from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray
from analyzer.errors import HalfshaftError, InputError
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.advice_words import outcome_words
from dashboards.exchanged import Answered, Children, PartsFile, Tick
from dashboards.jobs import Asking, Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, clock, polled, table, waiting, ways_of, why
from dashboards.run.run_page import LOCK_READ

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
TRIAL_READ = (
    "Two bars a corner: above, the laps as they were driven; below, dashed, the same laps replayed with the curve you "
    f"try. A pass with less than {LEAST_SPIN_S:g} s of spin is not counted, though it may be a finding. Path, speed "
    "and throttle stay as logged, so how the driver adapts is not in it. Error of the predicted change: about 15 % for "
    "more lock, about half for less."
)
SAMPLE_PARTS = "shelf.parts.toml"


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


def _spin_s(session: Session, replayed: Replayed, number: int) -> FloatArray:
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


def sample_parts() -> Path:
    """The shipped parts file."""
    return Path(str(resources.files("sample_logs"))) / SAMPLE_PARTS


def layout(logbook: Logbook, run_id: str) -> html.Div:
    """The page of a finished run.

    Raises
    ------
    InputError : no such run, or it is not finished.
    """
    run = logbook.finished(run_id)
    analysis = logbook.analysis(run_id)
    starts = start_of(analysis)
    sliders = [
        html.Div(
            [
                html.Label(label, htmlFor=f"try-{name}"),
                html.Span(
                    id=f"try-{name}-place", **{"data-slider": name, "data-end": f"{end:g}", "data-step": f"{step:g}"}
                ),
                html.Output(id=f"told-{name}"),
            ],
            className="slider",
        )
        for name, (label, end, step) in ranges_of(analysis).items()
    ]
    begin = [
        html.Button(words, className="quiet", **{"data-begin": key})
        for key, words in (("measured", "As measured"), ("parts", "As the parts predict"))
        if starts[key] is not None
    ]
    return html.Div(
        [
            dcc.Store(id="advise-run", data=run_id),
            dcc.Store(id="uploaded-parts"),
            html.Div(
                [
                    html.H1(["What if: ", *breakable(run.name)]),
                    html.P("What would another differential have done on these laps?", className="facts"),
                    ways_of(run_id, "What if"),
                ],
                className="title",
            ),
            html.Section(
                [
                    html.Div([html.H2("Lock curve to try"), why(LOCK_READ), *begin], className="bar"),
                    html.Div(id="trial-key", className="key"),
                    html.Div(id="trial-lock", className="fill"),
                    html.Div(sliders, className="sliders"),
                ],
                className="panel trial-curve",
            ),
            html.Section(
                [
                    html.Div([html.H2("Spin by corner"), why(TRIAL_READ)], className="bar"),
                    html.P(id="trial-answer", className="answer", **{"aria-live": "polite"}),
                    html.Div(id="trial-refusal", role="alert", className="refusal"),
                    html.Div(id="trial-corners", className="fill"),
                ],
                className="panel trial-corners",
            ),
            html.Section(_advise(), className="panel advise"),
        ],
        id="whatif",
        className="screen whatif",
        **{"data-run": run_id, "data-starts": json.dumps(starts), "data-least": f"{LEAST_SPIN_S:g}"},
    )


def _advise() -> Children:
    picker: dict[str, Any] = {"data-kind": "parts", "data-endings": ".toml"}
    return [
        html.Div([html.H2("What to fit from your shelf")], className="bar"),
        html.P(
            [
                "Give a parts file: every combination of fitted and shelf parts is replayed on these laps. ",
                html.A("Save the sample's", href="/sample/parts", download=""),
                " and write your parts in.",
            ],
            className="hint",
        ),
        html.Div(html.Div(id="picker-parts", className="picker", **picker), **{"data-drop": "parts"}),
        html.Div(
            [
                html.Button("Advise", id="advise", className="main"),
                html.Button("With the sample's parts", id="advise-sample", className="quiet"),
            ],
            className="buttons",
        ),
        html.Div(id="advise-told", **{"aria-live": "polite"}),
        *clock("advise", answered={"over": True}),
    ]


def told(advice: dict[str, Any]) -> Children:
    """The advice as its JSON has it: the answer first, then the builds."""
    fitted = next(option for option in advice["options"] if not option["changes"])
    rows = []
    for option in (fitted, *advice["advised"]):
        spin, moment = option["outcome"]["spin_s"], option["outcome"]["coast_moment_Nm"]
        sure = "–" if option["sure"] is None else f"{100 * option['sure']:.0f}"
        said = (option["holds"], option["costs"], f"It depends on {option['hangs_on']}")  # what the columns do not say
        words = advice["replay_checked"] if option is fitted else " ".join(filter(None, said))
        rows.append([option["rank"] or "", option["label"], _interval(spin, 1), _interval(moment, 0), sure, words])
    heads = ["", "build", "spin, s", "off-throttle moment, N.m", "chance it helps, %", "why"]
    return [
        html.P(html.Strong(advice["answer"])),
        *[html.P(cause["sentence"], className="hint") for cause in advice["causes"].values()],
        table(heads, rows, words=(1, 5)),
        html.Details([html.Summary("What is assumed"), html.Ul([html.Li(line) for line in advice["assumptions"]])]),
        html.P(" ".join(advice["cautions"]), className="hint"),
    ]


def _interval(found: dict[str, Any], digits: int) -> str:
    return outcome_words(Interval(found["value"], found["lower"], found["upper"]), digits)


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the advice; the sliders are the browser's own (`assets/run/whatif.js`)."""
    advising: Asking[dict[str, Any]] = Asking(logbook, "advise")
    polled(app, "advise")

    @app.callback(
        Output("advise-told", "children"),
        Output("advise-answered", "data"),
        Input("advise", "n_clicks"),
        Input("advise-sample", "n_clicks"),
        Input("advise-tick", "data"),
        State("uploaded-parts", "data"),
        State("advise-run", "data"),
    )
    def _advise_now(
        clicks: int | None, sample: int | None, tick: Tick | None, parts: PartsFile | None, run_id: str
    ) -> tuple[Children, Answered]:
        refusal = ""
        if ctx.triggered_id in ("advise", "advise-sample"):
            try:
                own = None if ctx.triggered_id == "advise-sample" or parts is None else parts["text"]
                if ctx.triggered_id == "advise" and own is None:
                    raise InputError("Choose a parts file first, or take the sample's parts.")
                logbook.setup_path(run_id)  # refuses a run without one
                advising.start(run_id, sample_parts().read_text("utf-8") if own is None else own)
            except HalfshaftError as error:
                refusal = str(error)
        found = advising.state(run_id)
        answered: Answered = {"n": tick["n"] if tick else None, "over": found is None or not found.under_way}
        if refusal or found is None:
            return [html.P(refusal, className="refusal")] if refusal else [], answered
        if found.under_way:
            return waiting(found.step, found.share), answered
        if found.error or found.answer is None:
            return [html.P(found.error, className="refusal")], answered
        return told(found.answer), answered
