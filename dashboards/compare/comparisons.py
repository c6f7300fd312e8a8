"""Comparisons in a logbook: which results are on which side, which laps of them count, and what came out."""

import json
import secrets
import sqlite3
import time
from collections.abc import Sequence
from typing import Any, NotRequired, TypedDict

from analyzer.errors import InputError
from analyzer.logbook import results
from analyzer.logbook.folder import is_id
from analyzer.logbook.runs import Run
from analyzer.logbook.store import Store

SIDES = ("before", "after")


class Kept(TypedDict):
    """The outcome of a comparison: `result` as `halfshaft compare` writes it, `charts` as plotly's JSON, `report` as
    HTML without the chart library (one kept by an earlier version has no report)."""

    result: dict[str, Any]
    charts: dict[str, dict[str, Any]]
    report: NotRequired[str]


def new(
    book: Store, before: Sequence[str], after: Sequence[str], *, before_laps: str | None, after_laps: str | None
) -> str:
    """Note that finished runs are to be compared, by the ids of their results; returns the comparison's id.

    Parameters
    ----------
    before_laps, after_laps : as in `halfshaft compare`; None or nothing for all.

    Raises
    ------
    InputError : no such runs, or they cannot be compared.
    """
    if set(before) & set(after) and not (before_laps and after_laps):
        raise InputError(
            "Before and after are the same run; choose another, or say which laps count before and which after."
        )
    _comparable([[results.run_of(book, results.result(book, k)) for k in side] for side in (before, after)])
    there = _same(book, before, after, before_laps or None, after_laps or None)
    if there is not None:
        return there
    made = secrets.token_hex(8)
    with book.transaction() as connection:
        connection.execute(
            "INSERT INTO comparisons (id, before_laps, after_laps, state, asked_s) VALUES (?, ?, ?, 'waiting', ?)",
            (made, before_laps or None, after_laps or None, time.time()),
        )
        for number, chosen in enumerate((before, after)):
            connection.executemany(
                "INSERT INTO compared (comparison_id, side, place, result_id) VALUES (?, ?, ?, ?)",
                [(made, number, place, result_id) for place, result_id in enumerate(chosen)],
            )
    return made


def _same(
    book: Store, before: Sequence[str], after: Sequence[str], before_laps: str | None, after_laps: str | None
) -> str | None:
    """A comparison of these very results and laps that is done or under way, and newer than all of them."""
    newest = max(results.result(book, k).asked_s for k in (*before, *after))
    rows = book.rows(
        "SELECT id FROM comparisons WHERE before_laps IS ? AND after_laps IS ? AND asked_s > ? "
        "AND state IN ('waiting', 'running', 'done') ORDER BY asked_s DESC",
        (before_laps, after_laps, newest),
    )
    asked = [sorted(before), sorted(after)]
    return next((r["id"] for r in rows if [sorted(side(book, r["id"], k)) for k in (0, 1)] == asked), None)


def _comparable(sides: list[list[Run]]) -> None:
    if not all(sides):
        raise InputError("One side has no run; choose at least one before and one after.")
    runs = [run for side in sides for run in side]
    if len({r.car.content_sha256 for r in runs}) > 1:
        raise InputError("The runs were analysed with different car files; analyse all with one, then compare.")
    if len({r.channels and r.channels.content_sha256 for r in runs}) > 1:
        raise InputError("The runs were read with different channel maps; a comparison takes one for all.")
    for side, words in zip(sides, SIDES, strict=True):
        if len({r.setup and r.setup.content_sha256 for r in side}) > 1:
            raise InputError(
                f"The runs {words} have different setup files; a side is one setup. Leave out those that differ."
            )


def row(book: Store, comparison_id: str) -> sqlite3.Row | None:
    """What the logbook knows of a comparison; None where the id is none of one."""
    if not is_id(comparison_id):
        return None
    return book.row("SELECT * FROM comparisons WHERE id = ?", (comparison_id,))


def side(book: Store, comparison_id: str, number: int) -> list[str]:
    """The results before (0) or after (1), by their ids, in the order chosen."""
    rows = book.rows(
        "SELECT result_id FROM compared WHERE comparison_id = ? AND side = ? ORDER BY place", (comparison_id, number)
    )
    return [found["result_id"] for found in rows]


def keep(book: Store, comparison_id: str, outcome: Kept) -> None:
    """Keep the outcome."""
    with book.transaction() as connection:
        connection.execute(
            "UPDATE comparisons SET result = ? WHERE id = ?", (json.dumps(outcome, allow_nan=False), comparison_id)
        )


def kept(book: Store, comparison_id: str) -> Kept | None:
    """What `keep` kept, or None when it is not done."""
    found = row(book, comparison_id)
    outcome: Kept | None = json.loads(found["result"]) if found is not None and found["result"] else None
    return outcome
