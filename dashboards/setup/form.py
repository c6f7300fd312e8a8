"""The setup file as a form: every figure that a setup file may have, with its unit and range."""

import json
from typing import Any, Literal, get_args, get_origin

from dash import dcc, html
from pydantic import BaseModel

from analyzer.differential.setup import Breakaway, Setup, SetupUncertainty, load_setup
from analyzer.differential.spring_tables import ConeSpring, RingSpring, Shims
from analyzer.settings_file import Settings, validated
from dashboards.logbook import Logbook

GROUPS: dict[str, tuple[str, type[Settings]]] = {  # table -> (heading, model); "" is [differential] itself
    "": ("Differential, ramps and plates", Setup),
    "cone_spring": ("Cone springs (clamp the packs)", ConeSpring),
    "ring_spring": ("Ring springs (hold the pressure rings together)", RingSpring),
    "shims": ("Shims and wear", Shims),
    "breakaway": ("Bench breakaway (wins over the springs)", Breakaway),
    "uncertainty": ("Uncertainty of each figure (one standard deviation)", SetupUncertainty),
}
OPEN = ("", "breakaway")  # groups that are always unfolded
BARE = ("open", "spool")  # types without plates


def values_of(logbook: Logbook, key: str | None) -> dict[str, Any]:
    """What a stored setup file says, and nothing that it leaves to its defaults; without a file nothing.

    Raises
    ------
    InputError : no such file, or it is wrong.
    """
    if key is None:
        return {}
    return load_setup(logbook.file("setup", key).path).model_dump(exclude_unset=True)


def form(values: dict[str, Any], *, kept_as: str = "form") -> list:
    """Sections of fields, filled with `values`; what is typed into them the browser keeps under a name, so that it is
    there again after Back."""
    sections = []
    for group, (heading, model) in GROUPS.items():
        table_values = values if group == "" else values.get(group) or {}
        fields = [
            _field(group, key, info, table_values.get(key), kept_as)
            for key, info in model.model_fields.items()
            if not _is_table(info.annotation)
        ]
        parts: list = [html.H2(heading)]
        if group == "":
            parts += [
                html.Details(
                    [
                        html.Summary("Which way is the ramp angle quoted?"),
                        html.Img(
                            src="/assets/ramps.svg",
                            className="drawing",
                            alt="ring_face: angle from the ring's face, smaller locks harder. shaft_axis: angle from "
                            "the shaft axis, larger locks harder. The two add up to 90 degrees.",
                        ),
                    ],
                    open=True,
                ),
            ]
        parts.append(html.Div(fields, className="form"))
        if group in OPEN:
            sections.append(html.Section(parts, className="panel"))
        else:
            opened = bool(table_values)
            inner = html.Details([html.Summary(heading), *parts[1:]], open=opened)
            sections.append(html.Section([inner], className="panel"))
    return sections


def _field(group: str, key: str, info: Any, value: Any, kept_as: str) -> html.Div:
    field_id = {"type": "part", "table": group, "key": key}
    label = _words(key)
    choices = _choices(info.annotation)
    # dash writes a dictionary id as JSON with sorted keys and no spaces
    html_id = json.dumps(field_id, sort_keys=True, separators=(",", ":"))
    kept = {"persistence": kept_as, "persistence_type": "session"}
    if choices:
        control = dcc.Dropdown(list(choices), value, id=field_id, placeholder="not stated", **kept)
    else:
        control = dcc.Input(
            id=field_id,
            value="" if value is None else (value if isinstance(value, str) else f"{value:.12g}"),
            placeholder=_default(info),
            type="text",
            inputMode="text" if key == "name" else "decimal",
            debounce=0.3,
            autoComplete="off",
            **kept,
        )
    about = info.description or ""
    if (group, key) == ("", "type"):
        about += "; open and spool have no plates, and none of the figures below is used or saved"
    hint = ["" if about.split(",")[0] == label.split(",")[0] else about, _range_words(info)]
    return html.Div(
        [html.Label(label, htmlFor=html_id), control, html.Span("; ".join(h for h in hint if h), className="hint")]
    )


def _default(info: Any) -> str:
    return f"{info.default:g} when left empty" if isinstance(info.default, int | float) else ""


def _words(key: str) -> str:
    units = {
        "_deg": "degrees",
        "_mm": "mm",
        "_N": "N",
        "_Nm": "N.m",
        "_N_per_mm": "N/mm",
        "_percent": "%",
        "_GPa": "GPa",
    }
    for ending in sorted(units, key=len, reverse=True):
        if key.endswith(ending):
            return f"{key.removesuffix(ending).replace('_', ' ')}, {units[ending]}"
    return key.replace("_", " ").replace("poisson ratio", "Poisson's ratio")


def _range_words(info: Any) -> str:
    low = next(
        (getattr(m, "ge", getattr(m, "gt", None)) for m in info.metadata if hasattr(m, "ge") or hasattr(m, "gt")), None
    )
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    return "" if low is None or high is None else f"{low:g} to {high:g}"


def _choices(annotation: Any) -> tuple[str, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((get_args(a) for a in get_args(annotation) if get_origin(a) is Literal), ())


def _is_table(annotation: Any) -> bool:
    return any(isinstance(a, type) and issubclass(a, BaseModel) for a in (annotation, *get_args(annotation)))


def typed(values: list[Any], ids: list[dict[str, str]]) -> Setup:
    """The setup that the form's fields say; of an open differential or a spool nothing but its name and type.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    tables: dict[str, Any] = {}
    for value, where in zip(values, ids, strict=True):
        if value is None or value == "":
            continue
        target = tables if where["table"] == "" else tables.setdefault(where["table"], {})
        target[where["key"]] = _number(value) if not where["key"] == "name" else value
    if tables.get("type") in BARE:
        tables = {key: value for key, value in tables.items() if key in ("name", "type")}
    return validated(Setup, tables, file="form", table_name="differential")


def _number(value: Any) -> Any:
    """A number where it reads like one (decimal comma allowed), else as typed, for the check to refuse."""
    try:
        number_typed = float(str(value).replace(",", "."))
    except ValueError:
        return value
    return int(number_typed) if number_typed.is_integer() else number_typed


def to_toml(setup: Setup) -> str:
    """TOML with the keys that were given; reads back to the same setup."""
    tables = setup.model_dump(mode="json", exclude_unset=True, exclude_none=True)
    lines = ["[differential]", *_keys(tables)]
    for name, inner in tables.items():
        if isinstance(inner, dict):
            lines += [f"[differential.{name}]", *_keys(inner)]
    return "\n".join(lines) + "\n"


def _keys(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict)]


def _value(value: Any) -> str:
    if isinstance(value, str):
        # JSON's escapes are TOML's, save for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
