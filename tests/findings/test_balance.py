"""Coast understeer, asymmetry and snap, on a session whose balance and differential are known."""

from dataclasses import replace

import made_analysis
import numpy as np
import pytest
from made_analysis import GRADIENT_RAD, Made, made_car, made_estimate, made_signals_and_axle
from scipy.stats import ttest_ind

from analyzer.findings.coast_understeer import find_coast_understeer, fit_handling, steer_for_moment_rad
from analyzer.findings.find_all import SEVERITY_RANK, find_all, find_in
from analyzer.findings.rear_axle import rear_axle
from analyzer.findings.whole_car import (
    SEEN_SHARE,
    STEP_S,
    _chance_of_one_mean,
    excess_of_passes,
    find_asymmetry,
    find_lock_up_snap,
)
from analyzer.lockcurve.observations import CUTOFF_HZ
from analyzer.presentation.finding_words import finding_sentence
from analyzer.signals.timebase import low_pass


def found(find, made):
    signals, axle, corners, _ = made_signals_and_axle(made)
    return find(rear_axle(signals, axle, made_car()), corners)


def unlike_sides(signals, corners, axle):
    excess = excess_of_passes(rear_axle(signals, axle, made_car()), corners, made_estimate())
    return find_asymmetry([excess], start_s=0.0, end_s=float(signals.time_s[-1]))


def test_the_understeer_gradient_is_recovered():
    # steer beyond L r / u over lateral acceleration: [ISO4138] (recalled)
    signals, *_ = made_signals_and_axle(Made(extra_steer_laps=(1,)))
    found = fit_handling(signals, made_car())
    assert found.gradient_rad_per_m_s2 == pytest.approx(GRADIENT_RAD, rel=0.1)


def test_steer_against_a_moment_is_the_single_track_answer():
    # Solved by hand as two equations, force and moment balance of a single track at fixed path:
    # F_f + F_r = 0, a F_f - b F_r = N  ->  F_f = N/L, alpha_f = F_f/C_f, alpha_r = -F_f/C_r, d = alpha_f - alpha_r
    car = made_car()
    a, b, moment = car.cg_to_front_m, car.cg_to_rear_m, 500.0
    force = np.linalg.solve([[1.0, 1.0], [a, -b]], [0.0, moment])
    stiffness = car.tyre.cornering_stiffness_per_rad * car.mass_kg * 9.80665 * np.array([0.48, 0.52])
    expected = force[0] / stiffness[0] - force[1] / stiffness[1]
    assert steer_for_moment_rad(moment, car) == pytest.approx(expected)


@pytest.fixture
def free_axle(monkeypatch):
    """Packs that hold next to nothing off the throttle."""
    monkeypatch.setattr(made_analysis, "PRELOAD", 5.0)
    monkeypatch.setattr(made_analysis, "COAST", 0.0)


def test_a_free_axle_has_no_coast_understeer(free_axle):
    assert found(find_coast_understeer, Made(extra_steer_laps=(), spin_laps=())) == ()


def test_what_the_differential_holds_off_the_throttle_is_found_with_its_moment(monkeypatch):
    monkeypatch.setattr(made_analysis, "PRELOAD", 300.0)
    findings = found(find_coast_understeer, Made(extra_steer_laps=(1, 2, 3, 4), spin_laps=()))
    assert {(f.lap, f.corner) for f in findings} >= {(1, 2), (2, 2), (3, 2), (4, 2)}
    of_corner = next(f for f in findings if f.corner == 2)
    # M t_r/(2R) of the curve that the session is made with, at its 320 N.m of engine braking
    expected = (300.0 + made_analysis.COAST * (320 - made_analysis.COAST_HOLD)) * 1.46 / 0.6
    assert of_corner.evidence.yaw_moment_Nm == pytest.approx(expected, rel=0.05)
    assert of_corner.evidence.of_the_differential and of_corner.severity == "act"
    assert "held against the turn" in finding_sentence(of_corner)


def test_a_moment_within_its_uncertainty_is_not_told(monkeypatch):
    monkeypatch.setattr(made_analysis, "PRELOAD", 300.0)
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=(), extra_steer_laps=()))
    unsure = replace(axle, torque_difference_sd_Nm=np.full(len(signals.time_s), 300.0))
    assert find_coast_understeer(rear_axle(signals, unsure, made_car()), corners) == ()


def test_a_car_that_steers_less_than_its_balance_asks_does_not_understeer(monkeypatch):
    monkeypatch.setattr(made_analysis, "PRELOAD", 300.0)
    monkeypatch.setattr(made_analysis, "EXTRA_STEER_RAD", -0.02)
    findings = found(find_coast_understeer, Made(spin_laps=()))
    assert not [f for f in findings if f.corner == 2]


def test_understeer_without_a_moment_is_not_the_differentials_and_is_told_once_a_corner(free_axle):
    findings = found(find_coast_understeer, Made(extra_steer_laps=(2, 4), spin_laps=()))
    assert [(f.corner, f.evidence.passes, f.evidence.laps) for f in findings] == [(2, 2, "2, 4")]
    finding = findings[0]
    assert finding.evidence.extra_steer_deg == pytest.approx(np.degrees(0.03) * 14, rel=0.1)
    assert finding.severity == "note" and not finding.evidence.of_the_differential
    assert "not the differential's" in finding_sentence(finding)


@pytest.mark.parametrize("left_turn", [True, False])
def test_a_faster_outside_wheel_under_lock_opposes_the_turn(left_turn):
    signals, axle, _, _ = made_signals_and_axle(Made(spin_laps=()))
    rear = rear_axle(signals, axle, made_car())
    w = axle.slipping & ((signals.yaw_rate_rad_s > 0) == left_turn)
    assert w.sum() > 50
    assert (rear.opposing_moment_Nm[w] > 0).mean() > 0.95
    # M t_r/(2R), the brief's and Milliken's yaw moment of a torque difference
    assert rear.opposing_moment_Nm[w] == pytest.approx(rear.transfer_torque_Nm[w] * 1.46 / 0.6)


def test_the_chance_of_one_mean_is_welchs():
    rng = np.random.default_rng(5)
    left, right = rng.normal(0.0, 1.0, 7), rng.normal(1.0, 2.0, 12)
    assert _chance_of_one_mean(left, right) == pytest.approx(ttest_ind(left, right, equal_var=False).pvalue, rel=1e-9)


def test_with_few_passes_scatter_what_tyres_are_unlike_by_is_what_is_left():
    # 120 N.m apart with next to no scatter, and a known error of 60 N.m: two standard deviations of many passes
    left, right = 120 + np.linspace(-1, 1, 40), np.linspace(-1, 1, 40)
    assert _chance_of_one_mean(left, right, 60.0) == pytest.approx(0.0455, abs=0.001)
    assert _chance_of_one_mean(left, right) < 1e-9


def test_unlike_sides_are_found_and_like_ones_are_not():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=(), right_corner_factor=3.0))
    unlike = unlike_sides(signals, corners, axle)
    assert len(unlike) == 1 and unlike[0].evidence.left_minus_right_Nm < -30
    assert "harder in right" in finding_sentence(unlike[0])
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    assert unlike_sides(signals, corners, axle) == ()


def jumping(signals, axle, corners, *, jump_Nm: float, rise_s: float, lap: int = 2):
    """The transfer torque against the turn rises by `jump_Nm` as the throttle opens in corner 1 of `lap`."""
    corner = next(c for c in corners if (c.lap, c.number) == (lap, 1))
    opens = corner.start + int(np.argmax(signals.throttle[corner.start : corner.stop] > 0.08))
    opens += int(np.argmax(signals.throttle[opens:] < 0.03)) if signals.throttle[corner.start] > 0.08 else 0
    opens += int(np.argmax(signals.throttle[opens:] > 0.08))
    since = signals.time_s - signals.time_s[opens] - 0.1
    rise = jump_Nm * np.clip(since / rise_s, 0, 1) * (since < 2.0)
    turn = np.where(signals.yaw_rate_rad_s >= 0, 1.0, -1.0)
    # a steady transfer torque before, so that the planted jump is all there is
    steady = np.where((since > -1.0) & (since < 2.0), turn * 50.0, axle.torque_difference_Nm)
    return replace(axle, torque_difference_Nm=steady + turn * rise), float(signals.time_s[opens])


def test_a_planted_snap_is_found_with_its_size_where_it_was_planted():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    snapping, opens_s = jumping(signals, axle, corners, jump_Nm=700.0, rise_s=0.06)
    findings = find_lock_up_snap(rear_axle(signals, snapping, made_car()), corners)
    assert [(f.lap, f.corner) for f in findings] == [(2, 1)]
    assert findings[0].start_s == pytest.approx(opens_s + 0.1, abs=0.15)
    assert findings[0].evidence.yaw_moment_change_Nm == pytest.approx(700 * 1.46 / 0.6, rel=0.05)


def test_the_same_rise_slowly_is_no_snap_nor_is_a_small_one():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    for plant in ({"jump_Nm": 700.0, "rise_s": 1.0}, {"jump_Nm": 150.0, "rise_s": 0.06}):
        slow, _ = jumping(signals, axle, corners, **plant)
        assert find_lock_up_snap(rear_axle(signals, slow, made_car()), corners) == ()


def test_an_abrupt_jump_keeps_the_share_that_is_counted_on_through_the_filter_of_the_torques():
    time = np.arange(-3, 3, 0.01)
    jump = np.clip(time / 0.1 + 0.5, 0, 1)
    seen = low_pass(jump, cutoff_hz=CUTOFF_HZ, rate_hz=100.0)
    step = round(STEP_S * 100)
    assert (seen[step:] - seen[:-step]).max() == pytest.approx(SEEN_SHARE, abs=0.08)


def test_a_snap_under_brakes_is_not_told_and_one_just_after_them_is():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    snapping, opens_s = jumping(signals, axle, corners, jump_Nm=700.0, rise_s=0.06)
    find = lambda axle: find_lock_up_snap(rear_axle(signals, axle, made_car()), corners)  # noqa: E731
    until = lambda s: replace(snapping, braked=(signals.time_s > opens_s - 1) & (signals.time_s < opens_s + s))  # noqa: E731
    assert find(until(0.9)) == ()
    assert len(find(until(0.0))) == 1


def test_a_moment_that_comes_back_as_the_inside_wheel_stops_spinning_is_no_snap():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    snapping, opens_s = jumping(signals, axle, corners, jump_Nm=700.0, rise_s=0.06)
    turn = np.where(signals.yaw_rate_rad_s >= 0, 1.0, -1.0)
    around = np.abs(signals.time_s - opens_s) < 1.5
    faster = np.where(around, turn * 2.0, snapping.speed_difference_rad_s)  # rad/s, the inside wheel over the outside
    spinning = replace(snapping, speed_difference_rad_s=faster)
    assert find_lock_up_snap(rear_axle(signals, spinning, made_car()), corners) == ()


def test_a_moment_is_no_surer_for_lasting_longer():
    """The split of the torque errs by one error along an event: its deviation is the sample's times t_r/(2R)."""
    (finding, *_) = found(find_coast_understeer, Made(spin_laps=()))
    assert finding.evidence.duration_s > 1.0
    assert finding.evidence.yaw_moment_sd_Nm == pytest.approx(30.0 * 1.46 / 0.6)


def test_all_findings_come_worst_first_and_none_is_unlikely():
    signals, axle, corners, _ = made_signals_and_axle(Made())
    findings = find_all([find_in(signals, corners, axle, made_estimate(), made_car())])
    ranks = [SEVERITY_RANK[f.severity] for f in findings]
    assert ranks == sorted(ranks) and len(set(ranks)) > 1
    assert all(0.5 <= f.confidence <= 1 and f.end_s >= f.start_s for f in findings)


def test_steer_that_only_turns_the_car_in_is_no_understeer(free_axle):
    car = made_car()
    signals, axle, corners, _ = made_signals_and_axle(Made(extra_steer_laps=(), spin_laps=()))
    swing = np.where(signals.throttle < 0.03, 3.0 * np.sign(signals.yaw_rate_rad_s), 0.0)  # rad/s2, made up
    steer = signals.steer_rad + steer_for_moment_rad(car.yaw_inertia * swing, car)
    plain = replace(signals, steer_rad=steer, yaw_acceleration_rad_s2=np.zeros_like(swing))
    turning = replace(plain, yaw_acceleration_rad_s2=swing)
    assert find_coast_understeer(rear_axle(turning, axle, car), corners) == ()
    assert find_coast_understeer(rear_axle(plain, axle, car), corners) != ()


def test_an_over_speeding_inside_wheel_does_not_make_like_sides_unlike():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    left = signals.yaw_rate_rad_s > 0
    turned = replace(axle, torque_difference_Nm=np.where(left, -1, 1) * axle.torque_difference_Nm)
    assert unlike_sides(signals, corners, turned) == ()
