"""Zeros that were written for missing samples."""

import numpy as np
import pytest
from signals.contradictions import CONTRADICTIONS, sound_log, spoilt
from signals.expected import FIRST_OF_GROUP, ZEROS, as_cases, told_of_all, told_of_few

from analyzer.logs.read import read_log
from analyzer.signals.examine import examined


@pytest.mark.parametrize("case", as_cases("all", ZEROS, fast=FIRST_OF_GROUP))
def test_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_all(case)


@pytest.mark.parametrize("case", as_cases("minimum", ZEROS))
def test_with_few_channels_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_few(case)


@pytest.mark.parametrize("name", ["lat_g", "yaw_rate", "steer", "long_g", "throttle", "wheel_speed_rl", "gps_speed"])
@pytest.mark.parametrize("words", ["5% of {}, single samples", "10% of {}, half seconds"])
def test_zeros_written_for_missing_samples_become_gaps(name, words, tmp_path):
    (case,) = (c for c in CONTRADICTIONS if c.words == words.format(name))
    sound, path = sound_log("all"), tmp_path / "zeros.parquet"
    spoilt(sound, case).to_parquet(path)
    found = examined(read_log(path)).channels[name]
    sound.to_parquet(path)
    true = examined(read_log(path)).channels[name]
    both = np.isfinite(found) & np.isfinite(true)
    assert both.mean() > 0.8
    # a lost sample between neighbours near zero stays; it is off by no more than they are
    size = np.nanpercentile(np.abs(true), 95)
    assert np.mean(np.abs(found - true)[both] > 0.25 * size) < 0.01
