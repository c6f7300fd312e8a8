"""Keeps an analysis on disk as JSON with its arrays beside it (npz), and reads it back. No pickle anywhere:
only the classes that an analysis is made of are ever made, and arrays are read with `allow_pickle=False`."""

import dataclasses
import enum
import json
import typing
from pathlib import Path
from typing import Any

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import AnyArray, FloatArray
from analyzer.differential.notes import KeptSentence
from analyzer.errors import InputError
from analyzer.files import write_atomic
from analyzer.signals.session import Sensors
from analyzer.vehicle.car import Car


def _classes(hint: Any, found: dict[str, type]) -> dict[str, type]:
    """Every dataclass and enumeration that can be in a value of this type."""
    for part in typing.get_args(hint):
        _classes(part, found)
    if isinstance(hint, type) and issubclass(hint, enum.Enum):
        found[hint.__name__] = hint
    if isinstance(hint, type) and dataclasses.is_dataclass(hint) and hint.__name__ not in found:
        found[hint.__name__] = hint
        for inner in typing.get_type_hints(hint, localns={"FloatArray": FloatArray}).values():
            _classes(inner, found)
    return found


CLASSES = _classes(Analysis, {})
# sentences that earlier versions kept beside what they are made from; they are made anew
ONCE_SAID = {
    "Explanation": "sentence",
    "Diagnosis": "sentence",
    "LockTrend": "sentence",
    "TrendInRun": "said",
    "SetupContradicted": "said",
}
# flags of `Signals` that became its `Sensors`
ONCE_FLAGS = {
    "has_gyro": "gyro",
    "has_long_g": "long_g",
    "has_lateral": "lat_g",
    "slip_known": "slip_known",
    "unchecked": "unchecked",
}
JSON_NAME, ARRAYS_NAME = "analysis.json", "analysis.npz"


def save(analysis: Analysis, folder: Path) -> None:
    """Write `analysis.npz`, then `analysis.json`: a folder with the JSON is whole."""
    arrays: dict[str, AnyArray] = {}
    tree = _packed(analysis, arrays)
    np.savez(folder / ARRAYS_NAME, allow_pickle=False, **arrays)
    write_atomic(folder / JSON_NAME, json.dumps(tree))


def load(folder: Path) -> Analysis:
    """The analysis kept in `folder`.

    Raises
    ------
    InputError : the files are missing, damaged, or from another version.
    """
    try:
        tree = json.loads((folder / JSON_NAME).read_text("utf-8"))
        with np.load(folder / ARRAYS_NAME, allow_pickle=False) as arrays:
            analysis: Analysis = _unpacked(tree, arrays)
            return analysis
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"the stored run {folder.name} cannot be read ({error}); analyse the log again.") from None


def _packed(value: Any, arrays: dict[str, AnyArray]) -> Any:
    if isinstance(value, Car):
        return {"car": value.model_dump(mode="json", exclude_unset=True)}
    if dataclasses.is_dataclass(value):
        fields = {f.name: _packed(getattr(value, f.name), arrays) for f in dataclasses.fields(value)}
        return {"class": type(value).__name__, "fields": fields}
    if isinstance(value, enum.Enum):
        return {"enum": type(value).__name__, "value": value.value}
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, tuple):
        return {"tuple": [_packed(v, arrays) for v in value]}
    if isinstance(value, list):
        return [_packed(v, arrays) for v in value]
    if hasattr(value, "items"):
        return {"dict": {str(k): _packed(v, arrays) for k, v in value.items()}}
    return value


def _unpacked(value: Any, arrays: Any) -> Any:
    if isinstance(value, list):
        return [_unpacked(v, arrays) for v in value]
    if not isinstance(value, dict):
        return value
    if "class" in value:
        fields = {k: _unpacked(v, arrays) for k, v in value["fields"].items()}
        return _made(value["class"], fields)
    if "enum" in value:
        return CLASSES[value["enum"]](value["value"])
    if "array" in value:
        return arrays[value["array"]]
    if "tuple" in value:
        return tuple(_unpacked(v, arrays) for v in value["tuple"])
    if "car" in value:
        return Car.model_validate(value["car"])
    return {k: _unpacked(v, arrays) for k, v in value["dict"].items()}


def _made(name: str, fields: dict[str, Any]) -> Any:
    """A record from its fields, those of an earlier version too."""
    fields.pop(ONCE_SAID.get(name, ""), None)
    if name == "SetupContradicted" and isinstance(fields["explanations"], str):
        fields["explanations"] = tuple(fields["explanations"].split(", "))
    if name == "PredictedLockCurve":
        fields["notes"] = tuple(KeptSentence(n) if isinstance(n, str) else n for n in fields["notes"])
    if name == "Signals" and "sensors" not in fields:
        fields["sensors"] = Sensors(**{key: fields.pop(flag) for flag, key in ONCE_FLAGS.items()})
    return CLASSES[name](**fields)
