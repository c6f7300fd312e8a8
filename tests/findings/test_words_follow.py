"""What is said of a finding follows from its evidence, and every group ends with what to do: random records."""

import typing
from dataclasses import MISSING, fields

import numpy as np
import pytest
from made_findings import made_evidence, made_finding

from analyzer.findings.evidence import (
    KINDS,
    Asymmetry,
    BothWheelSpin,
    CarLost,
    CoastUndersteer,
    InsideSpin,
    InsideWheelLocking,
    OneWheelSpin,
    OpenBecause,
    SetupContradicted,
    TrendInRun,
)
from analyzer.findings.finding import grouped
from analyzer.presentation.agreement_words import EXPLANATION_NAMES
from analyzer.presentation.finding_words import finding_sentence, group_advice

NEGATIVE = ("slip_difference", "left_minus_right_Nm")  # below zero at times, or always


def random_evidence(kind: type, rng: np.random.Generator):
    """Evidence with random figures; what may be missing is there half of the time."""
    hints, values = typing.get_type_hints(kind), {}
    for field in fields(kind):
        allowed = typing.get_args(hints[field.name]) or (hints[field.name],)
        if type(None) in allowed and field.default is not MISSING and rng.random() < 0.5:
            continue
        first = allowed[0]
        if first is bool:
            values[field.name] = bool(rng.random() < 0.5)
        elif first is float:
            sign = rng.choice([-1.0, 1.0]) if field.name in NEGATIVE else 1.0
            values[field.name] = float(sign * rng.exponential(1.0) + 1e-3 * sign)
        elif first is int:
            values[field.name] = int(rng.integers(1, 20))
        elif first is str:
            values[field.name] = "said"
    if kind is CoastUndersteer and values.get("of_the_differential"):
        values |= {"front_side_force_share": 0.05, "transfer_torque_Nm": 90.0, "yaw_moment_sd_Nm": 9.0}
    if kind is CoastUndersteer:
        values.setdefault("extra_steer_deg", 3.0)
    if kind is TrendInRun:
        values["verdict"] = str(rng.choice(["fading", "rising"]))
    if kind is SetupContradicted:
        kinds = rng.permutation([name for name in EXPLANATION_NAMES if name != "as_the_file_says"])
        figure = float(rng.exponential(1.0))
        values["explanations"] = tuple(map(str, kinds[: rng.integers(1, 4)]))
        values |= {"value": figure, "lower": 0.8 * figure, "upper": 1.3 * figure, "unit": "of_the_file"}
    return kind(**values)


def records(kind: type, count: int = 300):
    rng = np.random.default_rng(11)
    return [random_evidence(kind, rng) for _ in range(count)]


def said(evidence) -> tuple[str, str]:
    found = made_finding(evidence)
    return finding_sentence(found), group_advice(grouped([found])[0])


@pytest.mark.parametrize("kind", [k for k in KINDS if k is not InsideSpin])
def test_every_record_has_a_sentence_and_its_group_one_line_of_advice(kind):
    for evidence in records(kind):
        sentence, advice = said(evidence)
        assert sentence and advice.endswith(".") and "\n" not in advice
        assert not {"None", "nan", "inf"} & set(sentence.replace(".", " ").replace(",", " ").split())


def test_the_differential_is_named_only_where_it_held_the_car():
    for e in records(CoastUndersteer):
        sentence, advice = said(e)
        assert ("the differential held against the turn" in sentence) == e.of_the_differential
        assert ("Leave the differential" in advice) == (not e.of_the_differential)


def test_throttle_is_blamed_for_both_wheels_only_where_the_car_went_on():
    for e in records(BothWheelSpin):
        sentence, advice = said(e)
        assert ("Less throttle" in advice) == (not e.stopped_after)
        assert ("too much throttle" in sentence) == (not e.stopped_after)
        assert ("the axle was locked" in sentence) == (e.locked_fraction > 0.5 and not e.stopped_after)


def test_more_preload_is_advised_only_where_the_car_was_not_swinging_back():
    for e in records(OneWheelSpin):
        sentence, advice = said(e)
        assert ("swinging back" in sentence) == e.yaw_against_side_force
        assert ("preload" in advice) == (not e.yaw_against_side_force)


def test_sides_sizes_and_stops_are_those_of_the_record():
    for e in records(Asymmetry):
        assert ("harder in left" in said(e)[0]) == (e.left_minus_right_Nm > 0)
    for e in records(InsideWheelLocking):
        assert ("rear locked" in said(e)[0]) == (e.slip_difference < -0.3)
    for e in records(CarLost):
        assert ("and stopped" in said(e)[0]) == e.stopped


def test_an_open_verdict_says_why():
    words = {
        OpenBecause.BRAKED: "the brakes were on",
        OpenBecause.STOPPED: "stopped right after it",
        OpenBecause.SLIP_UNKNOWN: "how the tyres shared the drive",
        OpenBecause.NOT_REPLAYED: "too short or too poor",
    }
    for because, why in words.items():
        sentence, advice = said(made_evidence(InsideSpin, open_because=because))
        assert why in sentence and "not clear whether throttle or differential" in sentence and advice
