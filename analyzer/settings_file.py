"""Reads TOML settings into frozen pydantic models, and turns what is wrong into one plain sentence."""

import difflib
import math
import re
import tomllib
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from analyzer.errors import InputError
from analyzer.files import read_at_most

LARGEST_BYTES = 1_000_000  # a thousand times a car file; tomllib takes about a second for it
DEEPEST = 16  # tables in tables; a setup file has 3
# a key of 64 parts or more, before tomllib sees it: its time grows with the square of them (20,000 parts: 22 s)
_KEY_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_DOTTED = re.compile(rf"(?<![\w-]){_KEY_PART}(?:[ \t]*\.[ \t]*{_KEY_PART}){{63}}")
MOST_SHOWN, MOST_NAMED = 60, 8  # letters of a wrong value or name in a message, and names in a list
_TOO_DEEP = "tables or lists are nested too deep for a settings file; write each key once, in its own table."
_TOO_LONG = "holds a whole number of more than 18 digits; write a plain number with a decimal point."

Model = TypeVar("Model", bound="Settings")
Value = TypeVar("Value")


class Settings(BaseModel):
    """Base of every settings table: frozen, unknown keys refused, numbers must be finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=False)


def required(value: Value | None) -> Value:
    """A figure that the file's own checks have asked for.

    Raises
    ------
    ValueError : it is not there, so the checks have let through what they should not.
    """
    if value is None:
        raise ValueError("a figure is missing that the checks of the settings file ask for.")
    return value


def read_toml(path: Path | str) -> dict[str, Any]:
    """The tables of a TOML file.

    Raises
    ------
    InputError : the file is missing, unreadable, no regular file, too large, not UTF-8 or not TOML (with line and
        column), or holds a number or a nesting that no settings file has.
    """
    path = Path(path)
    content = read_at_most(path, LARGEST_BYTES, what="settings file")
    try:
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        tables = None if _DOTTED.search(text) else tomllib.loads(text)
    except UnicodeDecodeError:
        raise InputError(
            f"{path.name}: is not UTF-8 text, so it is not TOML; save it as UTF-8, or name a settings "
            "file if this is a log."
        ) from None
    except RecursionError:
        raise InputError(f"{path.name}: {_TOO_DEEP}") from None
    except tomllib.TOMLDecodeError as error:
        if twice := _stands_twice(text, str(error)):
            raise InputError(f"{path.name}: {twice}") from None
        raise InputError(
            f"{path.name}: not valid TOML: {error}. Mend the line named: numbers take a decimal point and no unit, "
            "words take quotes."
        ) from None
    except (
        ValueError
    ):  # Python's own limit of digits, https://docs.python.org/3/library/stdtypes.html#int-max-str-digits
        raise InputError(f"{path.name}: {_TOO_LONG}") from None
    if tables is None:
        raise InputError(f"{path.name}: {_TOO_DEEP}")
    _require_plain(tables, path.name)
    return tables


# how tomllib says that a key or a table comes a second time (its own words; else its message is passed on as it is)
_TWICE = re.compile(r"Cannot (?:overwrite a value|declare .* twice) \(at line (\d+)")


def _stands_twice(text: str, error: str) -> str | None:
    """The sentence on a key or table that a TOML text has twice, with both lines; None of other errors."""
    found = _TWICE.match(error)
    if found is None:
        return None
    lines, second = text.split("\n"), int(found[1])
    name = _line_names(lines[second - 1])
    for first in range(second - 1, 0, -1):
        line = lines[first - 1]
        if name and _line_names(line) == name:
            shown = name[:MOST_SHOWN]
            return f"'{shown}' stands twice, in lines {first} and {second}; keep the one that is right."
        if not name.startswith("[") and line.lstrip().startswith("["):
            break  # the table above has keys of its own
    return None


def _line_names(line: str) -> str:
    """The key or the [table] that a line of TOML writes."""
    line = line.split("#", 1)[0].strip()
    return line if line.startswith("[") else line.partition("=")[0].strip().strip("'\"")


def _require_plain(tables: dict[str, Any], file: str) -> None:
    """Refuse what TOML allows and no calculation can use: integers beyond 64 bits (TOML 1.0 promises no more), and
    deep nesting."""
    waiting: list[tuple[Any, int]] = [(tables, 0)]
    while waiting:
        value, depth = waiting.pop()
        if depth > DEEPEST:
            raise InputError(f"{file}: {_TOO_DEEP}")
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            raise InputError(f"{file}: {_TOO_LONG}")
        if isinstance(value, dict | list):
            inside = value.values() if isinstance(value, dict) else value
            waiting += [(part, depth + 1) for part in inside]


def validated(model: type[Model], table: Any, *, file: str, table_name: str) -> Model:
    """A table as a model.

    Parameters
    ----------
    table : as read from TOML; anything but a dict is refused.
    file, table_name : for what is said of a wrong one.

    Raises
    ------
    InputError : names the key, the value, the allowed range and the likely mend (one problem at a time,
        unit slips recognised by factors of ten and by common conversions).
    """
    if not isinstance(table, dict):
        raise InputError(f"{file}: [{table_name}] must be a table, found {_shown(table)}. Write it as [{table_name}].")
    try:
        return model.model_validate(table)
    except ValidationError as error:
        # a mistyped key shows up twice, as unknown and as missing: say the unknown one
        first = min(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
        raise InputError(f"{file}: {_sentence(model, first, table_name)}") from None


# files that are one table with its own tables in it: the table -> what the file is, and the option that takes it
_ONE_TABLE = {"car": ("a car file", "--car"), "differential": ("a setup file", "--setup")}


def load_table(model: type[Model], path: Path | str, *, table_name: str) -> Model:
    """The file's only table, `car` or `differential`, as a `model`.

    Raises
    ------
    InputError : the file cannot be read, is of another kind, or a key is wrong; the message names key, value, range
        and mend.
    """
    tables, file = read_toml(path), Path(path).name
    if table_name not in tables:
        other = next((_ONE_TABLE[name] for name in tables if name in _ONE_TABLE), None)
        mend = (
            f"Write [{table_name}] above its keys."
            if other is None
            else f"This is {other[0]}: give it as such ({other[1]} on the command line)."
        )
        keys = [f"[{k[:MOST_SHOWN]}]" if isinstance(v, dict) else k[:MOST_SHOWN] for k, v in tables.items()]
        found = ", ".join(keys[:MOST_NAMED]) or "nothing"
        raise InputError(f"{file}: the table [{table_name}] is missing; found {found}. {mend}")
    extra = next((name for name in tables if name != table_name), None)
    if extra is not None:
        kind = _ONE_TABLE[table_name][0]
        named = extra[:MOST_SHOWN]
        raise InputError(f"{file}: unknown key or table '{named}'; {kind} has [{table_name}] and its own tables.")
    return validated(model, tables[table_name], file=file, table_name=table_name)


def _shown(value: Any) -> str:
    """A wrong value as a message shows it, cut where it is long."""
    text = repr(value)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]} ..."


def _submodel(annotation: Any) -> type[BaseModel] | None:
    """The model inside `X`, `X | None` or `Optional[X]`."""
    options = get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,)
    return next((o for o in options if isinstance(o, type) and issubclass(o, BaseModel)), None)


def _locate(model: type[BaseModel], location: tuple[str, ...], table_name: str) -> tuple[type[BaseModel], str, str]:
    """(the model that owns the key, the table's name, the key) for a pydantic error location."""
    *path, key = location or ("",)
    for step in path:
        field = model.model_fields.get(str(step))
        inner = _submodel(field.annotation) if field else None
        if inner is None:
            break
        model, table_name = inner, f"{table_name}.{step}"
    return model, table_name, str(key)[:MOST_SHOWN]


def _sentence(model: type[BaseModel], error: ErrorDetails, table_name: str) -> str:
    location = tuple(step for step in error["loc"] if isinstance(step, str))
    owner, table, key = _locate(model, location, table_name)
    value, kind, context = error.get("input"), error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, owner.model_fields, n=1, cutoff=0.5)
        hint = f"did you mean '{near[0]}'?" if near else "remove it."
        return f"unknown key '{key}' in [{table}]; {hint} Allowed: {', '.join(owner.model_fields)}."
    if kind == "missing":
        description = owner.model_fields[key].description or ""
        return f"key '{key}' is missing in [{table}] ({description}); add it."
    if kind == "value_error":
        return f"[{table}] {context['error']}" if not key else f"'{key}' in [{table}]: {context['error']}"
    if kind in ("literal_error", "enum"):
        return f"'{key}' in [{table}] is {_shown(value)}; allowed: {context['expected']}. Use one of these."
    low, high = _range(owner, key)
    if kind == "int_from_float":
        allowed = f"allowed: whole numbers from {_number(low)} to {_number(high)}"
        return f"'{key}' in [{table}] is {_shown(value)}; {allowed}. Write a whole number."
    if low is not None or high is not None:
        allowed = f"allowed: {_number(low)} to {_number(high)}"
        return f"'{key}' in [{table}] is {_shown(value)}; {allowed}. {_mend(key, value, low, high)}"
    return f"'{key}' in [{table}] is {_shown(value)}: {error['msg'][0].lower()}{error['msg'][1:]}. Correct it."


def _range(model: type[BaseModel], key: str) -> tuple[float | None, float | None]:
    field = model.model_fields.get(key)
    bounds = field.metadata if field else ()
    low = next((m.ge if hasattr(m, "ge") else m.gt for m in bounds if hasattr(m, "ge") or hasattr(m, "gt")), None)
    high = next((m.le if hasattr(m, "le") else m.lt for m in bounds if hasattr(m, "le") or hasattr(m, "lt")), None)
    return low, high


def _number(value: float | None) -> str:
    return "any" if value is None else f"{value:g}"


# key's ending, factor from what was probably typed to what the key wants, what was probably typed
_SLIPS = (
    ("_mm", 1e3, "metres"),
    ("_mm", 10.0, "centimetres"),
    ("_mm", 25.4, "inches"),
    ("_m", 1e-3, "millimetres"),
    ("_m", 1e-2, "centimetres"),
    ("_m", 0.0254, "inches"),
    ("_m", 0.3048, "feet"),
    ("_radius_m", 0.5, "a diameter in metres"),
    ("_radius_m", 0.5e-3, "a diameter in millimetres"),
    ("_radius_m", 0.0127, "a diameter in inches"),
    ("_kg", 1e-3, "grams"),
    ("_kg", 1e3, "tonnes"),
    ("_kg", 0.45359237, "pounds"),
    ("_Nm", 1.3558, "pound-feet"),
    ("_N", 1e3, "kilonewtons"),
    ("_N", 9.80665, "kilograms-force"),
    ("_percent", 1e2, "a fraction"),
    ("_fraction", 1e-2, "per cent"),
    ("_coefficient", 1e-2, "per cent"),
)
MOST_GUESSES = 2


def _mend(key: str, value: Any, low: float | None, high: float | None) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "Write a plain number with a decimal point and no unit."
    fits = [
        (value * factor, factor, unit)
        for ending, factor, unit in _SLIPS
        if key.endswith(ending) and (low is None or value * factor >= low) and (high is None or value * factor <= high)
    ]
    if not fits:
        return "Check the value and its unit (the key's ending names the unit)."
    if low and high:  # the likeliest lies in the middle of what is allowed
        fits.sort(key=lambda fit: abs(math.log(fit[0] / math.sqrt(low * high))))
    return f"{value:.12g} looks like {', or '.join(_slip(*fit) for fit in fits[:MOST_GUESSES])}."


def _slip(meant: float, factor: float, unit: str) -> str:
    step = f"multiply by {factor:.4g}" if factor > 0.02 else f"divide by {1 / factor:.4g}"
    return f"{unit}: {step} ({meant:.4g})"
