"""Findings made up for the tests: every figure of a kind has some value, and a test plants those that it is about."""

import typing
from dataclasses import MISSING, fields

from analyzer.findings.evidence import Blame
from analyzer.findings.finding import Finding

SOME = {float: 1.0, int: 1, bool: False, str: "fading", Blame: Blame.OPEN, tuple[str, ...]: ("friction",)}


def made_evidence(kind: type, **planted):
    """Evidence of `kind` with the `planted` figures; the others are 1, what may be missing is."""
    hints = typing.get_type_hints(kind)
    values = {}
    for field in fields(kind):
        hint = hints[field.name]
        if field.default is MISSING:
            values[field.name] = None if type(None) in typing.get_args(hint) else SOME[hint]
    return kind(**(values | planted))


def made_finding(evidence, **changes) -> Finding:
    """A finding in corner 2, lap 1, with this evidence."""
    usual = dict(
        lap=1,
        corner=2,
        direction="left",
        start_s=3.0,
        end_s=4.5,
        distance_m=None,
        severity="note",
        confidence=0.9,
    )
    return Finding(evidence=evidence, **(usual | changes))
