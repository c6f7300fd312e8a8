"""What a finding rests on: every figure with words, unit and sensible digits."""

from dataclasses import fields

import pytest
from made_findings import made_evidence, made_finding

from analyzer.findings.evidence import (
    KINDS,
    Blame,
    CoastUndersteer,
    InsideSpin,
    InsideWheelLocking,
    OpenBecause,
    SetupContradicted,
)
from analyzer.presentation.tables import FIGURES, SAID, SIGNED, evidence_rows

TOGETHER = {"explanations", "value", "lower", "upper", "unit"}  # told in rows made of several
RENAMED = {"passes_with_understeer"}  # what `passes` is where the car's own understeer is told once a corner


def test_every_figure_of_every_finding_has_words_and_no_words_are_left_over():
    keys = {field.name for kind in KINDS for field in fields(kind)}
    assert len(keys) > 40
    assert keys == {*FIGURES, *SIGNED, *SAID, *TOGETHER} - RENAMED


@pytest.mark.parametrize(
    ("kind", "key", "value", "label", "shown"),
    [
        (InsideSpin, "speed_m_s", 10.0, "ground speed, km/h", "36"),
        (InsideSpin, "peak_slip", 4.86, "largest slip, %", "486"),
        (InsideSpin, "energy_J", 17884.0, "energy that the slide cost, kJ", "17.9"),
        (InsideSpin, "lost_force_N", 3355.4, "force that it cost, N", "3400"),
        (InsideWheelLocking, "slip_difference", -0.1994, "inside less outside slip, %", "-19.9"),
        (InsideSpin, "transfer_torque_Nm", -0.2, "transfer torque, N.m (positive against the turn)", "0"),
        (InsideSpin, "phase", "power_application", "phase of the corner", "power on"),
        (InsideSpin, "foot_or_car", Blame.OPEN, "throttle or differential", "not clear"),
        (InsideSpin, "foot_or_car", Blame.CAR, "throttle or differential", "differential"),
        (InsideSpin, "probability_car", 0.934, "chance that it was the differential, %", "93"),
        (InsideSpin, "open_because", OpenBecause.STOPPED, "why it is not clear", "the car stopped right after it"),
        (CoastUndersteer, "of_the_differential", True, "the differential's", "yes"),
    ],
)
def test_a_row(kind, key, value, label, shown):
    rows = evidence_rows(made_finding(made_evidence(kind, **{key: value})))
    assert rows[0] == ("log time, s", "3.00 to 4.50") and (label, shown) in rows


def test_what_does_not_exist_has_no_row():
    labels = [label for label, _ in evidence_rows(made_finding(made_evidence(InsideSpin)))]
    assert "force that it cost, N" not in labels and "why it is not clear" not in labels


def test_a_contradicted_setup_file_says_the_figure_that_it_needs():
    evidence = made_evidence(
        SetupContradicted,
        explanations=("friction", "preload_soft"),
        value=0.8,
        lower=0.7,
        upper=0.9,
        unit="of_the_file",
        fits=True,
    )
    rows = dict(evidence_rows(made_finding(evidence)))
    assert rows["figure it needs"] == "file × 0.80 (0.70 to 0.90)"
    assert rows["explained by"] == "the plate friction is not the file's, the preload has gone soft"
