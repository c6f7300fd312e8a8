"""The setup file as a form."""

from typing import Any, cast

from dash import html

from analyzer.differential.setup import Setup
from dashboards.figures_form import FileForm, Part

RAMPS = html.Details(
    [
        html.Summary("Which way is the ramp angle quoted?"),
        html.Img(
            src="/assets/ramps.svg",
            className="drawing",
            alt="ring_face: angle from the ring's face, smaller locks harder. shaft_axis: angle from the shaft axis, "
            "larger locks harder. The two add up to 90 degrees.",
        ),
    ],
    open=True,
)
FORM = FileForm(
    name="part",
    model=Setup,
    table="differential",
    parts=(
        Part("Differential, ramps and plates", "", open=True, drawing=RAMPS),
        Part("Cone springs (clamp the packs)", "cone_spring"),
        Part("Ring springs (hold the pressure rings together)", "ring_spring"),
        Part("Shims and wear", "shims"),
        Part("Bench breakaway (wins over the springs)", "breakaway", open=True),
        Part("Uncertainty of each figure (one standard deviation)", "uncertainty"),
    ),
    about={("", "type"): "; open and spool have no plates, and none of the figures below is used or saved"},
)
BARE = ("open", "spool")  # types without plates


def typed(values: list[Any], ids: list[dict[str, str]]) -> Setup:
    """The setup that the form's fields say; of an open differential or a spool nothing but its name and type.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    tables = FORM.tables(values, ids)
    if tables.get("type") in BARE:
        tables = {key: value for key, value in tables.items() if key in ("name", "type")}
    return cast(Setup, FORM.checked(tables))
