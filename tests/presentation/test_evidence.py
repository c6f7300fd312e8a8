"""What a finding rests on: every figure with words, unit and sensible digits."""

import ast
from pathlib import Path

import pytest

import analyzer.findings
from analyzer.findings.finding import Finding
from analyzer.presentation.evidence import FIGURES, SAID, SIGNED, evidence_rows

TOGETHER = {"explanations", "value", "lower", "upper", "unit"}  # told in rows made of several


def finding(**evidence) -> Finding:
    return Finding("chatter", 1, 2, 3.0, 4.5, "note", 0.9, "It happened.", evidence)


def keys_in_the_findings() -> set[str]:
    """Every key that the code of a finding gives as evidence."""
    keys = set()
    for path in Path(analyzer.findings.__path__[0]).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.keyword) and node.arg == "evidence":
                given = [d for d in ast.walk(node.value) if isinstance(d, ast.Dict)]
                keys |= {k.value for d in given for k in d.keys if isinstance(k, ast.Constant)}
    return keys


def test_every_figure_of_every_finding_has_words_and_no_words_are_left_over():
    assert len(keys_in_the_findings()) > 40
    assert keys_in_the_findings() == {*FIGURES, *SIGNED, *SAID, *TOGETHER}


@pytest.mark.parametrize(
    ("key", "value", "label", "shown"),
    [
        ("speed_m_s", 10.0, "ground speed, km/h", "36"),
        ("peak_slip", 4.86, "largest slip, %", "486"),
        ("energy_J", 17884.0, "energy that the slide cost, kJ", "17.9"),
        ("lost_force_N", 3355.4, "force that it cost, N", "3400"),
        ("slip_difference", -0.1994, "inside less outside slip, %", "-19.9"),
        ("transfer_torque_Nm", -0.2, "transfer torque, N.m (positive against the turn)", "0"),
        ("transfer_torque_Nm", None, "transfer torque, N.m (positive against the turn)", "–"),
        ("phase", "power_application", "phase of the corner", "power on"),
        ("phase", None, "phase of the corner", "–"),
        ("foot_or_car", "cannot_tell", "foot or car", "foot or car cannot be told"),
        ("of_the_differential", True, "the differential's", "yes"),
    ],
)
def test_a_row(key, value, label, shown):
    assert evidence_rows(finding(**{key: value})) == [("log time, s", "3.00 to 4.50"), (label, shown)]


def test_a_contradicted_setup_file_says_the_figure_that_it_needs():
    rows = dict(
        evidence_rows(
            finding(
                explanations="friction, preload_soft", value=0.8, lower=0.7, upper=0.9, unit="of_the_file", fits=True
            )
        )
    )
    assert rows["figure it needs"] == "file × 0.80 (0.70 to 0.90)"
    assert rows["explained by"] == "the plates rub otherwise than the file says, the preload has gone soft"
