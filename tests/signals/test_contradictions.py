"""A log that contradicts itself is refused, bounded, or answered without the wrong channel; never in silence. Here: the
table, and what is wrong with sensors, pedals and time; wheels and zeros in files of their own.
"""

import pytest
from signals.contradictions import CAR, CONTRADICTIONS, sound_log, spoilt
from signals.expected import (
    FEW,
    FIRST_OF_GROUP,
    OTHERS,
    WHEELS,
    ZEROS,
    as_cases,
    name_of,
    told_of_all,
    told_of_few,
)

from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_session
from analyzer.signals.consistency import contradicted, contradiction_of
from analyzer.signals.examine import examined
from analyzer.signals.long_session import read_session
from analyzer.signals.pair_tests import consistency_tests


def test_the_table_is_as_long_as_promised_and_has_no_twins():
    assert len(CONTRADICTIONS) >= 60 and len({name_of(c) for c in CONTRADICTIONS}) == len(CONTRADICTIONS)


def test_every_case_has_the_channels_that_it_spoils():
    assert set(sound_log("minimum").columns) == {"time", *FEW}
    assert {name for case in CONTRADICTIONS for name in case.needs} <= set(sound_log("all").columns)


@pytest.mark.parametrize("channels", ["all", "minimum"])
def test_a_sound_log_agrees_with_itself(channels, tmp_path):
    path = tmp_path / "sound.parquet"
    sound_log(channels).to_parquet(path)
    tests = consistency_tests(examined(read_log(path)), CAR)
    assert [t for t in tests if t.outcome == "disagrees"] == []
    assert sum(t.outcome == "agrees" for t in tests) >= 10


def test_every_group_is_in_one_file():
    assert {case.group for case in CONTRADICTIONS} == OTHERS | WHEELS | ZEROS


@pytest.mark.parametrize("case", as_cases("all", OTHERS, fast=FIRST_OF_GROUP))
def test_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_all(case)


@pytest.mark.parametrize("case", as_cases("minimum", OTHERS))
def test_with_few_channels_a_contradiction_is_told_and_no_interval_excludes_the_truth_in_silence(case):
    told_of_few(case)


def test_an_accelerometer_that_is_filtered_over_seconds_is_no_wrong_clock(tmp_path):
    """Nothing else in such a log checks the clock, which would explain the ratio as well."""
    (case,) = (c for c in CONTRADICTIONS if name_of(c) == "accelerometers: longitudinal filtered over 2 s")
    path = tmp_path / "filtered.parquet"
    log = sound_log("all")[["time", *FEW, "yaw_rate", "long_g"]]
    spoilt(log, case).to_parquet(path)
    found = contradiction_of(consistency_tests(examined(read_log(path)), CAR))
    assert found.causes == ("long_g",) and found.together
    answered = read_session([LogBlock(lambda: read_log(path))], car=CAR).signals()
    assert not contradicted(answered.annotations) and not answered.sensors.long_g


def test_what_contradicts_itself_before_the_fit_is_bounded_in_the_answer(tmp_path):
    (case,) = (c for c in CONTRADICTIONS if name_of(c) == "accelerometers: lateral noise only")
    path = tmp_path / "spoilt.parquet"
    spoilt(sound_log("all"), case).to_parquet(path)
    session = read_session([LogBlock(lambda: read_log(path))], car=CAR)
    assert contradicted(session.signals().annotations)
    analysis = analyze_session(session=session, car=CAR)
    assert contradicted(analysis.quality) and analysis.findings == ()
