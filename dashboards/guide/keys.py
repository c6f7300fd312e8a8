"""Tables of the keys of a TOML file, made from the model that reads the file."""

import re
import types
from collections.abc import Iterator
from html import escape
from importlib import import_module
from typing import Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from analyzer.settings_file import Settings

WORD_OF_A_FILE = re.compile(r"\w+_\w+")
HEADS = ("key", "allowed", "left out", "what")


def key_tables(place: str, table_name: str) -> Iterator[tuple[str, list[tuple[str, ...]]]]:
    """(name of a TOML table, rows of HTML cells under `HEADS`) of the model `module:Class`, inner tables after it."""
    module, _, name = place.partition(":")
    return _tables(getattr(import_module(module), name), table_name)


def _tables(model: type[Settings], table_name: str) -> Iterator[tuple[str, list[tuple[str, ...]]]]:
    inner = {key: table for key, field in model.model_fields.items() if (table := _table_of(field.annotation))}
    yield table_name, [_row(key, field) for key, field in model.model_fields.items() if key not in inner]
    for key, table in inner.items():
        yield from _tables(table, f"{table_name}.{key}")


def _table_of(annotation: object) -> type[Settings] | None:
    """The model of a key that is a table of its own."""
    return next((kind for kind in _kinds(annotation) if isinstance(kind, type) and issubclass(kind, Settings)), None)


def _kinds(annotation: object) -> tuple:
    """What a key may be, without None."""
    union = get_origin(annotation) in (Union, types.UnionType)
    return tuple(k for k in (get_args(annotation) if union else (annotation,)) if k is not type(None))


def _row(key: str, field: FieldInfo) -> tuple[str, ...]:
    what, _, silent = (field.description or "").partition("; default ")
    if field.is_required():
        left_out = "needed"
    elif field.default is None:
        left_out = silent or "not told"
    else:
        left_out = str(field.default)
    return f"<code>{key}</code>", _allowed(field), marked(left_out), marked(what)


def marked(text: str) -> str:
    """HTML of a text, words of the file as code."""
    return WORD_OF_A_FILE.sub(r"<code>\g<0></code>", escape(text))


def _allowed(field: FieldInfo) -> str:
    words = [word for kind in _kinds(field.annotation) if get_origin(kind) is Literal for word in get_args(kind)]
    if words:
        return ", ".join(f"<code>{word}</code>" for word in words)
    limits = {
        name: getattr(limit, name) for limit in field.metadata for name in ("ge", "gt", "le") if hasattr(limit, name)
    }
    if "le" not in limits:
        return "words"
    low = f"{limits['ge']:g} to" if "ge" in limits else f"over {limits['gt']:g}, up to"
    return f"{low} {limits['le']:g}"
