"""Which events of two runs count, on planted findings."""

from functools import partial
from types import SimpleNamespace

import pytest
from made_findings import made_evidence, made_finding
from scipy.stats import binomtest

from analyzer.comparison.phase_changes import event_changes, rate_ratio
from analyzer.findings.evidence import KINDS
from analyzer.findings.finding import Finding
from analyzer.presentation.comparison_words import EVENT_VERDICT_WORDS, rate_cells


def finding(kind: str, **evidence) -> Finding:
    return made_finding(made_evidence(next(c for c, name in KINDS.items() if name == kind), **evidence))


def view(side: int, findings: list[Finding], *, laps: int = 4, chatter_events: int | None = 0):
    chatter = SimpleNamespace(events=chatter_events)
    run = SimpleNamespace(side=side, lap_count=laps, analysis=SimpleNamespace(chatter=chatter))
    return SimpleNamespace(run=run, findings=tuple(findings))


def by_kind(views):
    return {e.kind: e for e in event_changes(views, ())}


def test_understeer_that_is_the_cars_own_does_not_count():
    before = [finding("coast_understeer", of_the_differential=of_it) for of_it in (True, False, False)]
    found = by_kind([view(0, before), view(1, [])])["coast_understeer"]
    assert (found.count_before, found.count_after) == (1, 0)


@pytest.mark.parametrize(("before", "after"), [(20, 10), (5, 0), (0, 4), (1, 1)])
def test_the_interval_is_clopper_and_pearsons(before, after):
    share = binomtest(after, before + after).proportion_ci(0.95, method="exact")
    found = rate_ratio(count_before=before, count_after=after, laps_before=10, laps_after=20)
    assert found.lower == pytest.approx(0.5 * share.low / (1 - share.low), rel=1e-6)
    if before:
        assert found.upper == pytest.approx(0.5 * share.high / (1 - share.high), rel=1e-6)
    else:
        assert found.upper is None


def test_none_on_either_side_is_told_as_that():
    found = by_kind([view(0, []), view(1, [], laps=1)])["inside_wheel_spin"]
    assert found.verdict == "none" and "none on either side" in EVENT_VERDICT_WORDS[found.verdict]
    one = by_kind([view(0, []), view(1, [finding("inside_wheel_spin")])])["inside_wheel_spin"]
    assert one.verdict == "cannot_tell"


def test_times_as_often_in_words():
    rate = partial(rate_ratio, laps_before=4, laps_after=4)
    assert rate_cells(rate(count_before=0, count_after=0)) == ("–", "–")
    assert rate_cells(rate(count_before=0, count_after=9)) == ("–", "none before; at least 2.0")
    assert rate_cells(rate(count_before=10, count_after=5))[0] == "0.5"


def test_chatter_that_a_treatment_of_the_plates_ends_is_fewer():
    # Clopper and Pearson (from memory): of n events, all before, the share before is at least 0.025^(1/n), so over
    # equal laps the rate after is at most (1 - q)/q of that before, q = 0.025^(1/n)
    found = by_kind([view(0, [finding("chatter")] * 20), view(1, [])])["chatter"]
    assert found.verdict == "fewer"
    assert found.rate_ratio.upper == pytest.approx((1 - 0.025 ** (1 / 20)) / 0.025 ** (1 / 20), rel=1e-6)
    assert by_kind([view(0, [finding("chatter")] * 2), view(1, [])])["chatter"].verdict == "cannot_tell"


def test_chatter_is_left_out_where_a_log_is_too_slow_to_show_it():
    assert "chatter" not in by_kind([view(0, []), view(1, [], chatter_events=None)])
