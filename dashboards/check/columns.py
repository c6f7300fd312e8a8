"""Columns of a stored log for the channel map's picker: their names, and what one looks like."""

from typing import Any

import numpy as np

from analyzer.channels import CHANNELS
from analyzer.errors import InputError
from analyzer.logbook import results
from analyzer.logs.registry import open_log
from analyzer.units import QUANTITIES
from dashboards.logbook import Logbook
from dashboards.run.lines import thinned
from dashboards.run.views import packed

PREVIEW_POINTS = 400


def columns_of(logbook: Logbook, run_id: str) -> dict[str, Any]:
    """Names and units of the log's columns, and the channels with the units that each may have.

    Raises
    ------
    InputError : no such run, or its log cannot be opened.
    """
    raw = open_log(_log(logbook, run_id))
    return {
        "columns": [{"name": c.name, "unit": c.unit} for c in raw.columns],
        "channels": [
            {"name": name, "label": channel.label, "units": list(QUANTITIES[channel.quantity])}
            for name, channel in CHANNELS.items()
        ],
    }


def preview(logbook: Logbook, run_id: str, column: str) -> dict[str, Any]:
    """A column's trace, thinned to a small picture, with its least and largest value.

    Raises
    ------
    InputError : no such run or column, or the log cannot be opened.
    """
    raw = open_log(_log(logbook, run_id))
    number = next((k for k, c in enumerate(raw.columns) if c.name == column), None)
    if number is None:
        raise InputError(f"The log has no column '{column}'; choose one of the list.")
    (values,), _ = raw.load([number])
    known = values[np.isfinite(values)]
    ends = [None, None] if not len(known) else [float(known.min()), float(known.max())]
    return {"values": packed(thinned(values, PREVIEW_POINTS)), "lowest": ends[0], "highest": ends[1]}


def _log(logbook: Logbook, run_id: str) -> Any:
    return results.run_of(logbook.book, results.result(logbook.book, run_id)).log.path
