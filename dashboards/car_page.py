"""Car page: the car file as a form with drawings, and on a run what each figure is worth."""

from typing import NotRequired, TypedDict
from urllib.parse import parse_qs

from dash import Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import signed
from analyzer.vehicle.car import Car, load_car
from dashboards.exchanged import Answered, Children, FieldIds, Tick, Values, WorthAnswer, WorthJson
from dashboards.figures_form import FileForm, Part, words_of
from dashboards.jobs import Asking, Jobs
from dashboards.logbook import Logbook
from dashboards.parts import clock, in_guide, polled, waiting, ways_of, why
from dashboards.settings_page import SettingsPage

MEASURES = html.Img(
    src="/assets/car.svg",
    className="drawing",
    alt="From the side: wheelbase, height of the centre of gravity, rolling radius. From behind: track, and how far it "
    "leans.",
)
SENSOR = html.Img(
    src="/assets/sensor.svg",
    className="drawing",
    alt="From above: the accelerometer sits x ahead of the centre of gravity and y to its left.",
)
FORM = FileForm(
    name="figure",
    model=Car,
    table="car",
    parts=(
        Part(
            "Weight and size",
            "",
            (
                "name",
                "mass_kg",
                "wheelbase_m",
                "front_weight_fraction",
                "cg_height_m",
                "front_track_m",
                "rear_track_m",
            ),
            open=True,
            drawing=MEASURES,
        ),
        Part(
            "Wheels, engine and steering",
            "",
            (
                "front_rolling_radius_m",
                "rear_rolling_radius_m",
                "steering_ratio",
                "wheel_inertia_kg_m2",
                "engine_inertia_kg_m2",
                "rolling_radius_load_percent",
            ),
            open=True,
        ),
        Part(
            "Load transfer and body",
            "",
            (
                "rear_load_transfer_fraction",
                "roll_gradient_deg_per_g",
                "pitch_gradient_deg_per_g",
                "yaw_inertia_kg_m2",
            ),
            open=True,
        ),
        Part(
            "Where the accelerometer sits",
            "",
            ("accelerometer_x_m", "accelerometer_y_m", "accelerometer_z_m", "accelerometer_leans"),
            drawing=SENSOR,
        ),
        Part(
            "Air, brakes and rolling",
            "",
            (
                "drag_area_m2",
                "downforce_area_m2",
                "downforce_front_fraction",
                "front_brake_fraction",
                "rolling_resistance",
            ),
        ),
        Part("Tyre, to start from (the log tells the rest)", "tyre"),
        Part("How sure you are: limits, plus and minus", "uncertainty"),
    ),
)
AT_NM = 500.0  # input torque at which a change of slope is drawn
READ = (
    "The run is analysed again with one figure off at a time, by as much as this car file says that it may be off (5 % "
    "where it says nothing). The longer the bar, the more the answer hangs on the figure: measure those first. Slopes "
    "count at 500 N.m of input torque. What the log tells by itself, a rolling radius for instance, is worth little."
)
UNDERNEATH = ("preload_Nm", "drive_slope", "coast_slope")
MEASURING = in_guide("user#car-file", "How to measure each")
EMPTY = html.P(
    "Choose a run above: then the page shows how far preload and slopes move when a figure is off.", className="hint"
)


class WorthAsked(TypedDict):
    """Which car file, as text, is held against which run, or why it cannot be; `n` is the press."""

    n: int | None
    run: NotRequired[str]
    car: NotRequired[str]
    refusal: NotRequired[str]


def typed(values: Values, ids: FieldIds) -> Car:
    """The car that the form's fields say.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    return FORM.checked(FORM.tables(values, ids))


SHARED = SettingsPage("car", FORM, load_car, typed, ".toml")


def layout(logbook: Logbook, search: str) -> html.Div:
    """The page; `?run=ID` begins with that run's car file, without one with the car given last, else empty."""
    asked = parse_qs(search.lstrip("?")).get("run", [None])[0]
    chosen = next((r for r in logbook.runs() if r.id == asked and r.state == "done"), None)
    own = [f.key for f in logbook.files("car") if f.key != "sample"]
    key = logbook.job(chosen.id)["keys"]["car"] if chosen is not None else (own[0] if own else None)
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Car file"),
                    html.Span("The figures of the car, and how much each matters.", className="facts"),
                    ways_of(None if chosen is None else chosen.id, "Car"),
                ],
                className="title",
            ),
            *SHARED.tools(logbook, key, chosen, run_words="worth on the run"),
            html.Div(
                [
                    html.Div(
                        SHARED.sections(logbook, key, chosen.id if chosen else None), id="car-form", className="fields"
                    ),
                    html.Div(
                        html.Section(
                            [
                                html.Div(
                                    [html.H2("What each figure is worth"), why(READ, " ", MEASURING)], className="bar"
                                ),
                                html.Div(id="worth-told", **{"aria-live": "polite"}),
                                html.Div(
                                    [
                                        html.Button("Work it out on this run", id="worth", className="quiet"),
                                        html.Span("about a minute for a short log", className="hint"),
                                    ],
                                    className="buttons",
                                    id="worth-ask",
                                    hidden=chosen is None,
                                ),
                            ],
                            className="panel",
                        ),
                        className="beside",
                    ),
                ],
                className="half",
            ),
            dcc.Store(id="worth-asked"),
            *clock("worth", answered={"over": True}),
        ],
        className="car",
    )


def told(found: list[WorthJson]) -> html.Table:
    """Every figure with a bar for what it is worth, and the three changes in numbers."""
    most = max((_size(one) for one in found), default=0.0) or 1.0
    rows = [
        html.Tr(
            [
                html.Th(words_of(one["figure"]).split(",")[0], scope="row", className="words"),
                html.Td(_step(one)),
                html.Td(html.I(style={"width": f"{100 * _size(one) / most:.1f}%"}), className="worth-bar"),
                *(html.Td(_change(name, one["moved"][name])) for name in UNDERNEATH),
            ],
            **{"data-worth": one["figure"]},
        )
        for one in found
    ]
    heads = ["figure", "off by", "", "preload, N.m", "drive, per 100 N.m", "coast, per 100 N.m"]
    head = html.Tr([html.Th(words, scope="col", className="words" if k == 0 else "") for k, words in enumerate(heads)])
    return html.Table([html.Thead(head), html.Tbody(rows)], className="worth")


def _size(one: WorthJson) -> float:
    moved = one["moved"]
    return max(abs(moved[name] or 0.0) * (1.0 if name == "preload_Nm" else AT_NM) for name in UNDERNEATH)


def _step(one: WorthJson) -> str:
    if one["percent"] is not None:
        return f"{signed(one['percent'], 1)} %"
    unit = words_of(one["figure"]).partition(", ")[2]
    return f"{signed(one['step'], 2)} {unit}"


def _change(name: str, value: float | None) -> str:
    if value is None:
        return "–"
    return signed(value, 0) if name == "preload_Nm" else signed(100 * value, 1)


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""
    SHARED.register(app, logbook, jobs)
    asking: Asking[WorthAnswer] = Asking(logbook, "worth")
    polled(app, "worth")

    @app.callback(
        Output("car-refusal", "children"),
        Input(SHARED.fields, "value"),
        State(SHARED.fields, "id"),
    )
    def _check(values: Values, ids: FieldIds) -> str:
        tables = FORM.tables(values, ids)
        if not tables:
            return ""  # nothing is typed yet
        try:
            FORM.checked(tables)
        except HalfshaftError as error:
            return str(error)
        return ""

    @app.callback(
        Output("worth-ask", "hidden"),
        Input("car-run", "value"),
    )
    def _can_ask(run_id: str | None) -> bool:
        return run_id is None

    @app.callback(
        Output("worth-asked", "data"),
        Input("worth", "n_clicks"),
        State("car-run", "value"),
        State(SHARED.fields, "value"),
        State(SHARED.fields, "id"),
        prevent_initial_call=True,
    )
    def _ask(clicks: int | None, run_id: str | None, values: Values, ids: FieldIds) -> WorthAsked:
        try:
            if run_id is None:
                raise InputError("Choose a run above first.")
            text = FORM.to_toml(typed(values, ids))
        except HalfshaftError as error:
            return {"refusal": str(error), "n": clicks}
        asking.start(run_id, text)
        return {"run": run_id, "car": text, "n": clicks}

    @app.callback(
        Output("worth-told", "children"),
        Output("worth-answered", "data"),
        Input("worth-asked", "data"),
        Input("worth-tick", "data"),
        Input("car-run", "value"),
    )
    def _told(asked: WorthAsked | None, tick: Tick | None, run_id: str | None) -> tuple[Component | Children, Answered]:
        answered: Answered = {"n": tick["n"] if tick else None, "over": True}
        if run_id is None:
            return EMPTY, answered
        if asked is not None and "refusal" in asked:
            return [html.P(asked["refusal"], className="refusal", role="alert")], answered
        same = asked is not None and asked["run"] == run_id
        found = asking.state(run_id, asked["car"] if same and asked else None)
        if found is None:
            return [], answered
        if found.under_way:
            return waiting(found.step, found.share), answered | {"over": False}
        if found.error or found.answer is None:
            return [html.P(found.error, className="refusal", role="alert")], answered
        return told(found.answer["worth"]), answered
