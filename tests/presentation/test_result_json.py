"""The JSON keeps the contract: it validates, holds no NaN, and the schema refuses what it must refuse."""

import copy
import json
from dataclasses import fields, replace

import jsonschema
import numpy as np
import pytest
from made_analysis import made_analysis, made_estimate, made_prediction

from analyzer.agreement.verdict import Explanation
from analyzer.findings.finding import Finding
from analyzer.logs.recording import Annotation
from analyzer.presentation import result_types
from analyzer.presentation.result_json import PHASE_KEYS, plain, schema, to_json, to_result

VALIDATOR = jsonschema.Draft202012Validator(schema())


@pytest.fixture(scope="module")
def analysis():
    return made_analysis()


def test_the_schema_is_made_of_the_types():
    """`python -m analyzer.presentation.result_types` writes it."""
    assert result_types.SCHEMA_FILE.read_text("utf-8") == result_types.schema_text()


@pytest.mark.parametrize(
    "made, written",
    [(Finding, result_types.Finding), (Annotation, result_types.Annotation), (Explanation, result_types.Explanation)],
)
def test_what_is_written_is_what_there_is(made, written):
    # worked out of the rest
    said = {Finding: {"kind", "sentence"}, Explanation: {"sentence"}}.get(made, set())
    assert {f.name for f in fields(made)} | said == set(written.__annotations__) - {"log"}
    assert set(PHASE_KEYS) == set(result_types.Phase.__annotations__)


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("kind", ["plate", "open", "spool"])
def test_results_validate_for_every_kind_of_differential(kind):
    VALIDATOR.validate(json.loads(to_json(made_analysis(predicted=made_prediction(kind=kind)))))


def test_results_validate_without_setup_and_with_bounds_only():
    result = to_result(made_analysis(predicted=None, lock_curve=made_estimate(kind="bound")))
    VALIDATOR.validate(result)
    assert result["predicted_lock_curve"] is None and result["agreement"] is None
    assert all(p["locking_torque_Nm"] is None and p["lower_Nm"] > 0 for p in result["lock_curve"]["points"])


def test_what_does_not_exist_is_null(analysis):
    phase = replace(analysis.phase_results[0], inside_slip=float("nan"), kinematic_lock=None)
    result = to_result(replace(analysis, phase_results=(phase, *analysis.phase_results[1:])))
    first = result["corners"][0]["phases"][0]
    assert first["inside_slip"] is None and first["kinematic_lock"] is None
    assert "NaN" not in json.dumps(result)


def test_corners_and_phases_are_all_there_once(analysis):
    corners = to_result(analysis)["corners"]
    assert [(c["lap"], c["corner"]) for c in corners] == [(lap, n) for lap in (1, 2, 3, 4) for n in (1, 2, 3)]
    assert sum(len(c["phases"]) for c in corners) == len(analysis.phase_results)


def test_predicted_points_are_at_the_measured_points_torques(analysis):
    result = to_result(analysis)
    predicted = [p["input_torque_Nm"] for p in result["predicted_lock_curve"]["points"]]
    assert predicted == [p["input_torque_Nm"] for p in result["lock_curve"]["points"]]
    assert len(predicted) >= 40


@pytest.mark.parametrize(
    "spoil",
    [
        lambda r: r.pop("findings"),
        lambda r: r["lock_curve"]["points"][0].update(kind="guess"),
        lambda r: r["lock_curve"]["points"][0].update(kind="bound"),  # a bound with a number for the torque
        lambda r: r["agreement"].update(verdict="fine"),
        lambda r: r["findings"][0].update(confidence=1.2),
        lambda r: r["corners"][0]["phases"][0].pop("transfer_torque_Nm"),
    ],
)
def test_the_schema_refuses_a_broken_result(analysis, spoil):
    result = copy.deepcopy(to_result(analysis))
    spoil(result)
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate(result)


def test_numpy_becomes_plain():
    assert plain({"a": np.float64("nan"), "b": np.int64(3), "c": np.array([1.0, np.inf]), "d": np.bool_(True)}) == {
        "a": None,
        "b": 3,
        "c": [1.0, None],
        "d": True,
    }


def test_explanations_trend_and_chatter_are_in_the_result():
    result = to_result(made_analysis())
    explanations = result["agreement"]["explanations"]
    assert result["agreement"]["diagnosis"]["tied"][0] in {x["kind"] for x in explanations}
    assert explanations == sorted(explanations, key=lambda x: -x["times_better"])
    assert result["trend"]["verdict"] in ("fading", "rising", "steady", "cannot_tell")
    assert result["chatter"]["band_low_Hz"] == 7.0 and result["chatter"]["events"] is not None
    assert to_result(made_analysis(predicted=None))["agreement"] is None
