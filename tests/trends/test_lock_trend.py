"""Lock that fades within a run is told; a steady one is not. Whole: `PYTHONPATH=tests python -m trends.sessions`."""

from dataclasses import replace

import numpy as np
import pytest
from made_analysis import Made, made_estimate, made_signals_and_axle
from trends.sessions import run

from analyzer.agreement.steady_samples import steady_samples
from analyzer.findings import lock_trend as room
from analyzer.findings.lock_trend import TEN_MINUTES_S, lock_trend
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.finding_words import trend_sentence


def trend_of(change_over_run: float, *, laps_known: bool = True, until_s: float = np.inf):
    """A made-up session of 4 laps whose torque difference changes along a straight line."""
    signals, axle, corners, laps = made_signals_and_axle(Made(spin_laps=()))
    share = signals.time_s / signals.time_s[-1] - 0.5
    axle = replace(
        axle,
        torque_difference_Nm=axle.torque_difference_Nm * (1 + change_over_run * share),
        slipping=axle.slipping & (signals.time_s < until_s),
    )
    laps = laps if laps_known else replace(laps, bounds=(), method="none")
    samples = steady_samples(signals, corners, axle)
    return lock_trend(signals, corners, laps, samples, made_estimate()), float(signals.time_s[-1])


@pytest.mark.parametrize(("change", "verdict"), [(-0.5, "fading"), (0.7, "rising"), (0.0, "steady")])
def test_a_planted_change_is_told_with_its_size(change, verdict):
    trend, length_s = trend_of(change)
    assert trend.verdict == verdict
    found = trend.relative_per_10_min
    true = change * TEN_MINUTES_S / length_s
    assert found.lower <= true <= found.upper
    assert found.value == pytest.approx(true, abs=0.15)
    levels = [w.level for w in trend.windows]
    assert len(levels) == 4 and [w.laps for w in trend.windows] == ["lap 1", "lap 2", "lap 3", "lap 4"]
    if change:
        assert np.sign(np.diff(levels)).tolist() == [np.sign(change)] * 3


def test_a_rise_that_tyres_fake_as_they_warm_up_is_no_trend_and_a_fade_of_that_size_is():
    trend, _ = trend_of(0.3)
    assert trend.verdict == "cannot_tell" and "Tyres that warm up" in trend_sentence(trend)
    assert trend_of(-0.3)[0].verdict == "fading"


def test_an_interval_is_never_narrower_than_what_a_warming_tyre_can_fake():
    """A made run without any scatter still leaves the tyre's drift, 1.96 of its standard deviations to either side."""
    trend, length_s = trend_of(0.0)
    found = trend.relative_per_10_min
    drift = room.TYRE_DRIFT_SHARE * TEN_MINUTES_S / trend.span_s
    assert found.value - found.lower >= 1.96 * drift and found.upper - found.value >= 1.96 * drift
    assert trend.span_s <= length_s


def test_a_share_of_next_to_no_lock_is_not_said():
    """An open axle: torques that only scatter about nothing, of which any change is hundreds of per cent."""
    signals, axle, corners, laps = made_signals_and_axle(Made(spin_laps=()))
    scatter = np.repeat(np.random.default_rng(3).normal(0.0, 40.0, 400), len(signals.time_s) // 400 + 1)
    axle = replace(axle, torque_difference_Nm=scatter[: len(signals.time_s)])
    samples = steady_samples(signals, corners, axle)
    trend = lock_trend(signals, corners, laps, samples, made_estimate(preload=0.0, drive=0.0, coast=0.0))
    assert trend.verdict == "cannot_tell" and trend.windows == ()
    said = trend_sentence(trend)
    assert "%" not in said and "1 N.m or less in the mean" in said


def test_no_change_has_no_sign():
    change = Interval(-0.004, -0.04, 0.04)
    trend = replace(trend_of(0.0)[0], verdict="steady", relative_per_10_min=change, span_s=TEN_MINUTES_S)
    words = trend_sentence(trend)
    assert words.endswith("0 % (-4 to +4) over 10 min.") and "-0" not in words


def test_parameters_that_the_torques_do_not_tell_apart_get_no_number():
    # one torque on drive and one on coast: preload and slopes could trade any change between them
    trend, _ = trend_of(-0.5)
    assert all(c.value is None and "tell" in c.reason for c in trend.parameters_per_10_min.values())
    assert trend.early["preload_Nm"] is None


def test_without_laps_the_run_is_cut_by_time():
    trend, _ = trend_of(-0.5, laps_known=False)
    assert trend.verdict == "fading" and all("s" in w.laps for w in trend.windows)


def test_a_short_stretch_of_slipping_cannot_tell_and_says_why():
    trend, _ = trend_of(-0.5, until_s=60.0)
    assert trend.verdict == "cannot_tell" and trend.relative_per_10_min.value is None
    assert "needs 120 s" in trend_sentence(trend) and trend.windows == ()


def test_intervals_of_runs_without_a_trend_hold_zero_as_often_as_they_say():
    """200 runs of 6 laps of 8 corners, each pass with an error of its own: 95 % intervals hold none in 90 to 99 %."""
    rng = np.random.default_rng(5)
    corner = np.tile(np.arange(8), 6)
    hinges = np.column_stack([np.where(corner % 2, 300.0 + 40 * corner, 0), np.zeros(48)])
    level = 80 + 0.3 * hinges[:, 0]
    time = np.arange(48) * 12.0
    held = 0
    for _ in range(200):
        rows = room._Rows(
            time_s=time,
            locking_Nm=level * (1 + 0.1 * rng.standard_normal(8)[corner]) + 15 * rng.standard_normal(48),
            level_Nm=level,
            hinges_Nm=hinges + 20 * rng.standard_normal((48, 2)) * (hinges > 0),
            corner=corner,
            corner_pass=np.arange(48),
            weight=np.ones(48),
        )
        tens = (time - time.mean()) / TEN_MINUTES_S
        (change,) = room._changes(rows, room._base(rows), (tens * level)[:, None], extra_sd=np.zeros(1))
        held += change.lower <= 0 <= change.upper
    assert 180 <= held <= 198


@pytest.mark.parametrize(("fade_per_K", "verdict"), [(0.0, "steady"), (0.004, "fading")])
def test_a_simulated_run_with_warming_plates_is_told_and_a_steady_one_is_not(fade_per_K, verdict, tmp_path):
    trend, true = run(4, tmp_path, fade_per_K=fade_per_K, laps=6)
    over = trend.span_s / TEN_MINUTES_S
    assert trend.verdict == verdict
    assert trend.relative_per_10_min.lower * over <= true <= trend.relative_per_10_min.upper * over
    drive = trend.parameters_per_10_min["drive_slope"]
    if drive.value is not None:
        change = trend.late["drive_slope"] - trend.early["drive_slope"]
        assert change == pytest.approx(drive.value * over)
