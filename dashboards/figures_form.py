"""A settings file as a form: every figure that it may have, with its unit and range."""

import json
from dataclasses import dataclass, field
from types import UnionType
from typing import Any, Generic, Literal, TypeVar, Union, get_args, get_origin

from dash import dcc, html
from dash.development.base_component import Component
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from analyzer.settings_file import Settings, validated
from dashboards.exchanged import Children, FieldIds, Values

S = TypeVar("S", bound=Settings)
Said = dict[str, Any]  # as the file has them, tables in tables
UNITS = {
    "_deg": "degrees",
    "_mm": "mm",
    "_m": "m",
    "_m2": "m²",
    "_kg": "kg",
    "_kg_m2": "kg m²",
    "_N": "N",
    "_Nm": "N.m",
    "_N_per_mm": "N/mm",
    "_percent": "%",
    "_GPa": "GPa",
    "_per_rad": "per radian",
    "_deg_per_g": "degrees per g",
}


@dataclass(frozen=True)
class Part:
    """A section of the form: its heading, its table of the file ("" is the main one), and which keys; all without."""

    heading: str
    table: str
    keys: tuple[str, ...] = ()
    open: bool | None = None  # None: folded away unless the file says something in it
    drawing: Component | None = None


@dataclass(frozen=True)
class FileForm(Generic[S]):
    """What a form is of.

    Attributes
    ----------
    name : of its fields among the page's components.
    model, table : of the settings file, such as `Setup` and `differential`.
    about : (table, key) -> words added to what the model says of a figure.
    """

    name: str
    model: type[S]
    table: str
    parts: tuple[Part, ...]
    about: dict[tuple[str, str], str] = field(default_factory=dict)

    def sections(self, values: Said, *, kept_as: str = "form") -> Children:
        """Sections of fields, filled with `values`; what is typed into them the browser keeps under a name, so that it
        is there again after Back."""
        return [self._section(part, values, kept_as) for part in self.parts]

    def _section(self, part: Part, values: Said, kept_as: str) -> html.Section:
        model = self.model if part.table == "" else _model_of(self.model, part.table)
        said = values if part.table == "" else values.get(part.table) or {}
        keys = part.keys or tuple(k for k, info in model.model_fields.items() if not _is_table(info.annotation))
        fields = [self._field(part.table, key, model.model_fields[key], said.get(key), kept_as) for key in keys]
        inside = [part.drawing, html.Div(fields, className="form")]
        if part.open:
            return html.Section([html.H2(part.heading), *inside], className="panel")
        opened = any(said.get(key) is not None for key in keys)
        return html.Section(html.Details([html.Summary(part.heading), *inside], open=opened), className="panel")

    def _field(self, group: str, key: str, info: FieldInfo, value: Any, kept_as: str) -> html.Div:
        field_id = {"type": self.name, "table": group, "key": key}
        label = words_of(key)
        choices = _choices(info.annotation)
        # dash writes a dictionary id as JSON with sorted keys and no spaces
        html_id = json.dumps(field_id, sort_keys=True, separators=(",", ":"))
        kept = {"persistence": kept_as, "persistence_type": "session"}
        if choices:
            chosen = str(value).lower() if isinstance(value, bool) else value
            control = dcc.Dropdown(list(choices), chosen, id=field_id, placeholder="not stated", **kept)
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
        about = (info.description or "") + self.about.get((group, key), "")
        hint = ["" if about.split(",")[0] == label.split(",")[0] else about, _range_words(info)]
        needed = html.Span(" needed", className="needed") if info.is_required() else ""
        return html.Div(
            [
                html.Label([label, needed], htmlFor=html_id),
                control,
                html.Span("; ".join(h for h in hint if h), className="hint"),
            ],
            **{"data-figure": key},
        )

    def tables(self, values: Values, ids: FieldIds) -> Said:
        """What the form's fields say, as the file has it; empty fields are left out."""
        tables: Said = {}
        for value, where in zip(values, ids, strict=True):
            if value is None or value == "":
                continue
            target = tables if where["table"] == "" else tables.setdefault(where["table"], {})
            target[where["key"]] = _number(value) if not where["key"] == "name" else value
        return tables

    def checked(self, tables: Said) -> S:
        """The settings of tables that were typed.

        Raises
        ------
        InputError : what is wrong, in the words of the command line.
        """
        return validated(self.model, tables, file="form", table_name=self.table)

    def to_toml(self, settings: Settings) -> str:
        """TOML with the keys that were given; reads back to the same settings."""
        tables = settings.model_dump(mode="json", exclude_unset=True, exclude_none=True)
        lines = [f"[{self.table}]", *_keys(tables)]
        for name, inner in tables.items():
            if isinstance(inner, dict):
                lines += [f"[{self.table}.{name}]", *_keys(inner)]
        return "\n".join(lines) + "\n"


def _model_of(model: type[Settings], table: str) -> type[Settings]:
    """The model of a table in a table."""
    annotation = model.model_fields[table].annotation
    return next(a for a in (annotation, *get_args(annotation)) if isinstance(a, type) and issubclass(a, Settings))


def words_of(key: str) -> str:
    """A key as a label, its unit behind it."""
    for ending in sorted(UNITS, key=len, reverse=True):
        if key.endswith(ending):
            return f"{key.removesuffix(ending).replace('_', ' ').replace('cg ', 'c.g. ')}, {UNITS[ending]}"
    return key.replace("_", " ").replace("poisson ratio", "Poisson's ratio")


def _default(info: FieldInfo) -> str:
    return f"{info.default:g} when left empty" if isinstance(info.default, int | float) else ""


def _range_words(info: FieldInfo) -> str:
    low = next(
        (getattr(m, "ge", getattr(m, "gt", None)) for m in info.metadata if hasattr(m, "ge") or hasattr(m, "gt")), None
    )
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    return "" if low is None or high is None else f"{low:g} to {high:g}"


def _choices(annotation: object) -> tuple[str, ...]:
    kinds = get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,)
    if bool in kinds:
        return ("true", "false")
    return next((get_args(kind) for kind in kinds if get_origin(kind) is Literal), ())


def _is_table(annotation: object) -> bool:
    return any(isinstance(a, type) and issubclass(a, BaseModel) for a in (annotation, *get_args(annotation)))


def _number(value: Any) -> Any:
    """A number where it reads like one (decimal comma allowed), else as typed, for the check to refuse."""
    try:
        number_typed = float(str(value).replace(",", "."))
    except ValueError:
        return value
    return int(number_typed) if number_typed.is_integer() else number_typed


def _keys(table: Said) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict)]


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        # JSON's escapes are TOML's, save for the delete character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
