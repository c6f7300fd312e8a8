"""A setup as the text of a setup file."""

import json
from typing import Any

from analyzer.differential.setup import Setup


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
