"""An analysis that was stored says the same as before."""

import json
from dataclasses import replace

import numpy as np
import pytest
from made_analysis import Made, made_analysis, made_prediction

from analyzer.errors import InputError
from analyzer.logbook import analysis_files
from analyzer.presentation.result_json import to_json


def test_result_is_the_same_after_storing(analysis, tmp_path):
    analysis_files.save(analysis, tmp_path)
    again = analysis_files.load(tmp_path)
    assert to_json(again) == to_json(analysis)
    np.testing.assert_array_equal(again.signals.wheel_speed_m_s, analysis.signals.wheel_speed_m_s)
    np.testing.assert_array_equal(again.axle.locked, analysis.axle.locked)
    assert again.car == analysis.car and again.corners == analysis.corners


def test_without_a_setup(analysis, tmp_path):
    bare = replace(analysis, predicted=None, agreement=None)
    analysis_files.save(bare, tmp_path)
    assert analysis_files.load(tmp_path).predicted is None


def as_earlier(tree):
    """The stored records as versions kept them that wrote sentences into them and had a flag for each sensor."""
    if isinstance(tree, list):
        return [as_earlier(part) for part in tree]
    if not isinstance(tree, dict):
        return tree
    told = {key: as_earlier(part) for key, part in tree.items()}
    key = analysis_files.ONCE_SAID.get(tree.get("class"))
    if key is not None:
        told["fields"][key] = "An old sentence."
    if tree.get("class") == "SetupContradicted":
        told["fields"]["explanations"] = ", ".join(tree["fields"]["explanations"]["tuple"])
    if tree.get("class") == "Signals":
        sensors = told["fields"].pop("sensors")["fields"]
        told["fields"] |= {flag: sensors[key] for flag, key in analysis_files.ONCE_FLAGS.items()}
    return told


def test_a_run_that_an_earlier_version_stored_is_read_and_says_what_is_said_now(tmp_path):
    kept = made_analysis(Made(spin_laps=()), predicted=made_prediction(preload=360.0))
    assert "setup_contradicted" in {f.kind for f in kept.findings} and kept.trend is not None
    analysis_files.save(kept, tmp_path)
    path = tmp_path / analysis_files.JSON_NAME
    path.write_text(json.dumps(as_earlier(json.loads(path.read_text()))))
    assert path.read_text().count("An old sentence.") > 5
    assert to_json(analysis_files.load(tmp_path)) == to_json(kept)


def test_a_class_that_is_not_ours_is_not_made(analysis, tmp_path):
    analysis_files.save(analysis, tmp_path)
    path = tmp_path / analysis_files.JSON_NAME
    tree = json.loads(path.read_text())
    tree["class"] = "Popen"
    path.write_text(json.dumps(tree))
    with pytest.raises(InputError, match="analyse the log again"):
        analysis_files.load(tmp_path)
