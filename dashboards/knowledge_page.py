"""What the runs of a car know of it together: the runs, what is known, and which run contradicts the rest."""

from dash import dcc, html

from analyzer.in_words import number
from analyzer.knowledge.known_car import Knowledge
from analyzer.logbook.car_knowledge import OfCar, knowledge_of, narrower, runs_and_words, state_words
from analyzer.logbook.listing import local, runs_of_car
from analyzer.logbook.results import heard_by
from analyzer.logbook.store import Store
from analyzer.presentation.knowledge_words import HOW_TO_READ, contradiction_words, learned_rows
from dashboards.exchanged import Children
from dashboards.logbook import Logbook
from dashboards.parts import breakable, in_guide, table

RUN_HEADINGS = ["run", "driven", "tyres", "weather", "sensor", "state", "others used", "narrower, %"]
KNOWN_HEADINGS = ["figure", "from the runs, ± one standard deviation", "before any run", "narrower, %"]


def layout(logbook: Logbook, car: str) -> html.Div:
    """The page.

    Raises
    ------
    InputError : no run is of a car of this name.
    """
    runs_of_car(logbook.book, car)
    every = runs_and_words(logbook.book, car)
    knowledge = knowledge_of(every, car)
    known = learned_rows(knowledge)
    nothing = html.P("No run of this car is analysed yet, so nothing is known of it.")
    return html.Div(
        [
            html.H1(["What is known of ", *breakable(car)]),
            html.P(["More in the guide: ", in_guide("user#knowledge-of-a-car", "Knowledge of a car"), "."]),
            *[html.P(contradiction_words(out), className="refusal") for out in knowledge.contradicting],
            html.Section([html.H2("Runs"), _runs(logbook.book, every, knowledge)], className="panel"),
            html.Section(
                [
                    html.H2("For the next run"),
                    table(KNOWN_HEADINGS, [list(row) for row in known]) if known else nothing,
                ],
                className="panel",
            ),
            html.P(_with_commands(HOW_TO_READ), className="hint"),
        ]
    )


def _with_commands(text: str) -> Children:
    """Words with what stands between backticks as something to type."""
    return [html.Code(part) if k % 2 else part for k, part in enumerate(text.split("`"))]


def _runs(store: Store, every: list[OfCar], knowledge: Knowledge) -> html.Div:
    rows = []
    for one in every:
        share = narrower(store, one)
        name = html.Span(breakable(one.run.name))
        if one.found is not None and one.found.state == "done":
            name = dcc.Link(breakable(one.run.name), href=f"/run/{one.found.id}")
        rows.append(
            [
                name,
                local(one.run.date_s, with_time=False),
                *(one.run.words.get(what) or "–" for what in ("tyres", "weather", "sensor")),
                state_words(one, every, knowledge),
                str(heard_by(one.found)),
                number(None if share is None else 100 * share),
            ]
        )
    return table(RUN_HEADINGS, rows, words=6)
