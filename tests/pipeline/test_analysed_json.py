"""The result of real analyses against its schema and against what the contract promises beyond it."""

import json
from itertools import pairwise

import jsonschema
import pytest

from analyzer.presentation.result_json import schema, to_json

VALIDATOR = jsonschema.Draft202012Validator(schema())


@pytest.fixture(params=["plate", "open", "spool", "minimum"])
def result(answer, request):
    return json.loads(to_json(answer(request.param)[2]), parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))


def test_result_validates(result):
    VALIDATOR.validate(result)


def test_points_cover_the_torques_seen(result):
    points = result["lock_curve"]["points"]
    torque = [p["input_torque_Nm"] for p in points]
    assert len(points) >= 40 and torque == sorted(torque)
    assert torque[0] == pytest.approx(-0.3 * torque[-1], abs=1.0)
    for point in points:
        if point["kind"] == "measured":
            assert 0 <= point["lower_Nm"] <= point["locking_torque_Nm"] <= point["upper_Nm"]
        else:
            assert point["locking_torque_Nm"] is None and point["upper_Nm"] is None
            assert (point["kind"] == "bound") == (point["lower_Nm"] is not None)


def test_parameters_lie_in_their_intervals(result):
    for name in ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope"):
        interval = result["lock_curve"][name]
        if interval["value"] is not None:
            assert interval["lower"] <= interval["value"] <= interval["upper"], name


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
