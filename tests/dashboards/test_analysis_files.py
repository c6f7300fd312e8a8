"""An analysis that was stored says the same as before."""

import json
from dataclasses import replace

import numpy as np
import pytest

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


def test_a_class_that_is_not_ours_is_not_made(analysis, tmp_path):
    analysis_files.save(analysis, tmp_path)
    path = tmp_path / analysis_files.JSON_NAME
    tree = json.loads(path.read_text())
    tree["class"] = "Popen"
    path.write_text(json.dumps(tree))
    with pytest.raises(InputError, match="analyse the log again"):
        analysis_files.load(tmp_path)
