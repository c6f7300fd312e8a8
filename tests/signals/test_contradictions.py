"""A log that contradicts itself is refused, bounded, or answered without the wrong channel; never in silence."""

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from signals.contradictions import CAR, CONTRADICTIONS, judged, sound_log, spoilt

from analyzer.errors import HalfshaftError
from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_session
from analyzer.signals.consistency import CONTRADICTION, LEFT_OUT, UNCHECKED, consistent, contradicted
from analyzer.signals.examine import examined
from analyzer.signals.long_session import read_session
from analyzer.signals.pair_tests import consistency_tests

# what is put right or does no harm: the channels must come out as those of the sound log
MENDED = {
    "places: all wheels mirrored",
    "accelerometers: lateral in m/s2 called g",
    "pedals: brake dead",
    "pedals: throttle 0 to 255 called per cent",
    "pedals: throttle 0 to 1 called per cent",
    "lost rows: rears bridged over 2 s in 40 places",
    "lost rows: 20 s from the middle",
    *(f"zeros for missing: {case.words}" for case in CONTRADICTIONS if case.group == "zeros for missing"),
}
# With four wheels, steer, throttle and lateral acceleration only, nothing tells these from what sound cars show (see
# DEVELOPERS.md): the headline says that the clock and the scales are open.
OPEN_WITH_FEW = {"wheel units: 8 % too much", "time: 1.1"}


def _cases(channels):
    have = set(sound_log(channels).columns)
    return [case for case in CONTRADICTIONS if set(case.needs) <= have]


def _name(case):
    return f"{case.group}: {case.words}"


@cache
def _outcome(channels, case):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "spoilt.parquet"
        spoilt(sound_log(channels), case).to_parquet(path)
        try:
            recording = consistent(examined(read_log(path)), CAR)
        except HalfshaftError:
            return "refused"
    codes = {a.code for a in recording.annotations}
    return next((code for code in (CONTRADICTION, LEFT_OUT, UNCHECKED) if code in codes), "silent")


def test_the_table_is_as_long_as_promised_and_has_no_twins():
    assert len(CONTRADICTIONS) >= 60 and len({_name(c) for c in CONTRADICTIONS}) == len(CONTRADICTIONS)


@pytest.mark.parametrize("channels", ["all", "minimum"])
def test_a_sound_log_agrees_with_itself(channels, tmp_path):
    path = tmp_path / "sound.parquet"
    sound_log(channels).to_parquet(path)
    tests = consistency_tests(examined(read_log(path)), CAR)
    assert [t for t in tests if t.outcome == "disagrees"] == []
    assert sum(t.outcome == "agrees" for t in tests) >= 10


@pytest.mark.parametrize("case", _cases("all"), ids=_name)
def test_a_contradiction_is_told(case):
    outcome = _outcome("all", case)
    if _name(case) in MENDED:
        assert outcome == "silent"
        return
    assert outcome not in ("silent", UNCHECKED)


@pytest.mark.parametrize("case", _cases("minimum"), ids=_name)
def test_a_contradiction_is_told_with_few_channels(case):
    outcome = _outcome("minimum", case)
    # nothing in such a log checks clock and scales closely, and that is said of it whatever is done to it
    assert (outcome == UNCHECKED) == (_name(case) in MENDED | OPEN_WITH_FEW)


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


@pytest.mark.slow
@pytest.mark.parametrize("channels", ["all", "minimum"])
def test_no_interval_excludes_the_truth_in_silence(channels):
    """What is refused has no interval, and one of a log that contradicts itself is marked (below)."""
    answered = [c for c in _cases(channels) if _outcome(channels, c) not in ("refused", CONTRADICTION)]
    assert len(answered) >= 5
    found = {_name(c): judged(spoilt(sound_log(channels), c)) for c in answered}
    assert "silently wrong" not in found.values(), found
    assert {name for name, outcome in found.items() if outcome == "wrong, said open"} <= OPEN_WITH_FEW


def test_what_contradicts_itself_before_the_fit_is_bounded_in_the_answer(tmp_path):
    (case,) = (c for c in CONTRADICTIONS if _name(c) == "accelerometers: lateral noise only")
    path = tmp_path / "spoilt.parquet"
    spoilt(sound_log("all"), case).to_parquet(path)
    session = read_session([LogBlock(lambda: read_log(path))], car=CAR)
    assert contradicted(session.signals().annotations)
    analysis = analyze_session(session=session, car=CAR)
    assert contradicted(analysis.quality) and analysis.findings == ()
