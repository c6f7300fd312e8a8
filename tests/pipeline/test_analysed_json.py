"""The result of real analyses against its schema and against what the contract promises beyond it."""

import json
from itertools import pairwise

import jsonschema
import numpy as np
import pytest

from analyzer.presentation.result_json import schema, to_json

VALIDATOR = jsonschema.Draft202012Validator(schema())


@pytest.fixture(params=["plate", "open", "spool", "minimum"])
def made(answer, request):
    """(case, session, analysis)"""
    return answer(request.param)


@pytest.fixture
def result(made):
    return json.loads(to_json(made[2]), parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))


def test_result_validates(result):
    VALIDATOR.validate(result)


def test_points_reach_as_far_as_the_torques_that_were_driven(made, result):
    # to the largest half per cent of the true torque, and on coast to -0.3 of it (the contract); measured 1 to 3 % off
    torque = [p["input_torque_Nm"] for p in result["lock_curve"]["points"]]
    largest = np.percentile(made[1].truth["input_torque"], 99.5)
    assert torque[-1] == pytest.approx(largest, rel=0.05)
    assert torque[0] == pytest.approx(-0.3 * largest, rel=0.05) and len(torque) >= 40


def test_only_torques_at_which_the_axle_truly_slipped_are_told_as_measured(made, result):
    truth, points = made[1].truth, result["lock_curve"]["points"]
    slips = ~truth["locked"] & (truth["speed_difference"].abs() > 0.3) & (truth["brake_torque"] < 50)
    measured = [p["input_torque_Nm"] for p in points if p["kind"] == "measured"]
    assert bool(measured) == slips.any()
    if measured:
        least, most = np.percentile(truth["input_torque"][slips], [0.5, 99.5])
        window = 0.07 * points[-1]["input_torque_Nm"]  # a point is carried by what lies within 0.06 of the largest
        assert least - window < measured[0] and measured[-1] < most + window


def test_parameters_hold_the_truth_in_their_intervals(made, result):
    case, _, _ = made
    true = {"preload_Nm": 0.0, "drive_slope": 0.0}
    if case.lock.kind == "plate":
        true = {name: getattr(case.lock, name) for name in (*true, "coast_slope")}
    for name, value in true.items():
        told = result["lock_curve"][name]
        if case.lock.kind == "spool":
            assert told["value"] is None and told["upper"] is None and told["reason"], name
        else:
            assert told["lower"] <= value <= told["upper"], name


def test_phases_follow_each_other_within_a_corner(result):
    assert len(result["corners"]) > 30
    for corner in result["corners"]:
        phases = corner["phases"]
        assert all(p["start_s"] <= p["end_s"] for p in phases)
        assert all(a["end_s"] <= b["start_s"] + 0.05 for a, b in pairwise(phases))
        for p in phases:
            assert p["locked_fraction"] is None or 0 <= p["locked_fraction"] <= 1
            if p["locking_value"] is not None:
                share = abs(p["transfer_torque_Nm"]) / abs(p["input_torque_Nm"])
                assert p["locking_value"] == pytest.approx(share, rel=1e-3, abs=1e-3)
