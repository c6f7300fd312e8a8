"""Spin of one or both rear wheels: planted events are found, look-alikes are not."""

from dataclasses import replace

import numpy as np
import pytest
from made_analysis import CORNERS, LAP_S, PEAK_SLIP, Made, made_car, made_signals_and_axle

from analyzer.findings.evidence import OpenBecause
from analyzer.findings.rear_axle import front_lateral_force_N, rear_axle, rear_lateral_force_N
from analyzer.findings.wheel_spin import (
    find_both_wheel_spin,
    find_inside_wheel_locking,
    find_inside_wheel_spin,
    find_one_wheel_spin,
)
from analyzer.presentation.finding_words import finding_sentence


def found(find, made=Made(), change=lambda signals, axle: (signals, axle)):  # noqa: B008
    signals, axle, corners, _ = made_signals_and_axle(made)
    signals, axle = change(signals, axle)
    return find(rear_axle(signals, axle, made_car()), corners)


def mirrored(signals, axle):
    """The same session driven on the mirrored circuit."""
    swap = [1, 0, 3, 2]
    return (
        replace(
            signals,
            wheel_speed_m_s=signals.wheel_speed_m_s[:, swap],
            steer_rad=-signals.steer_rad,
            lat_m_s2=-signals.lat_m_s2,
            yaw_rate_rad_s=-signals.yaw_rate_rad_s,
            yaw_acceleration_rad_s2=-signals.yaw_acceleration_rad_s2,
            y_m=-signals.y_m,
        ),
        replace(
            axle,
            slip_left=axle.slip_right,
            slip_right=axle.slip_left,
            speed_difference_rad_s=-axle.speed_difference_rad_s,
            free_difference_rad_s=-axle.free_difference_rad_s,
            torque_difference_Nm=-axle.torque_difference_Nm,
            load_left_N=axle.load_right_N,
            load_right_N=axle.load_left_N,
            longitudinal_force_left_N=axle.longitudinal_force_right_N,
            longitudinal_force_right_N=axle.longitudinal_force_left_N,
            use_left=axle.use_right,
            use_right=axle.use_left,
        ),
    )


def test_planted_spins_are_found_where_and_when_they_were_planted():
    spins = found(find_inside_wheel_spin)
    assert [(f.lap, f.corner) for f in spins] == [(2, 1), (3, 1)]
    first, stop, *_ = CORNERS[0]
    start = LAP_S + first + 0.62 * (stop - first)
    end = LAP_S + first + 0.75 * (stop - first)
    assert spins[0].start_s == pytest.approx(start, abs=0.05)
    assert spins[0].end_s == pytest.approx(end, abs=0.05)
    assert spins[0].evidence.peak_slip == pytest.approx(0.2)


def test_sliding_distance_and_energy_are_the_integrals():
    signals, axle, _, _ = made_signals_and_axle(Made())
    spin = found(find_inside_wheel_spin)[0]
    w = (signals.time_s >= spin.start_s) & (signals.time_s <= spin.end_s)
    slide = axle.slip_left[w] * signals.speed_m_s[w] / signals.rate_hz
    assert spin.evidence.sliding_distance_m == pytest.approx(slide.sum(), rel=1e-6)
    assert spin.evidence.energy_J == pytest.approx((axle.longitudinal_force_left_N[w] * slide).sum(), rel=1e-6)


def test_a_mirrored_session_has_the_same_spins():
    plain, mirror = found(find_inside_wheel_spin), found(find_inside_wheel_spin, change=mirrored)
    assert [(f.start_s, f.end_s) for f in plain] == [(f.start_s, f.end_s) for f in mirror]
    assert plain[0].evidence.energy_J == pytest.approx(mirror[0].evidence.energy_J)


def left_foot(signals, axle):
    """The same session with the brakes dragged all along."""
    on = np.ones(len(signals.time_s), bool)
    return replace(signals, braking=on), replace(axle, braked=on)


def test_a_spin_against_the_left_foot_is_found_by_the_difference_of_the_slips_and_blames_nobody():
    plain, braked = found(find_inside_wheel_spin), found(find_inside_wheel_spin, change=left_foot)
    assert [(f.lap, f.corner) for f in braked] == [(f.lap, f.corner) for f in plain]
    for one, other in zip(plain, braked, strict=True):
        assert one.start_s <= other.start_s + 1e-9 and other.end_s <= one.end_s + 1e-9
        least = one.evidence.peak_slip - one.evidence.outside_slip
        assert other.evidence.peak_slip == pytest.approx(least, abs=0.03)
        assert other.evidence.open_because is OpenBecause.BRAKED and "brakes were on" in finding_sentence(other)
    assert found(find_inside_wheel_spin, Made(spin_laps=()), change=left_foot) == ()


def test_a_locked_axle_does_not_spin_one_wheel():
    # inside slip past the peak by geometry alone: both wheels turn alike
    assert found(find_inside_wheel_spin, Made(locked=True)) == ()


def test_a_large_slip_below_the_peak_is_no_spin():
    assert found(find_inside_wheel_spin, Made(spin_inside_slip=0.09)) == ()


def test_unknown_slip_is_no_spin():
    def blank(signals, axle):
        nan = np.full(len(signals.time_s), np.nan)
        return signals, replace(axle, use_left=nan, use_right=nan)

    assert found(find_inside_wheel_spin, change=blank) == ()


def test_closed_throttle_is_no_spin():
    assert found(find_inside_wheel_spin, change=lambda s, a: (replace(s, throttle=np.zeros_like(s.throttle)), a)) == ()


def test_both_wheels_past_the_peak_is_both_wheel_spin_and_not_inside_wheel_spin():
    made = Made(spin_laps=(), both_spin_laps=(2,))
    assert [(f.lap, f.corner) for f in found(find_both_wheel_spin, made)] == [(2, 1)]
    assert found(find_inside_wheel_spin, made) == ()


def test_an_inside_spin_ends_where_the_outside_wheel_goes_past_its_peak_as_well():
    """The inside wheel turns faster and slips more, by 20 % against 15: both spin."""
    made = Made(spin_outside_slip=1.36 * PEAK_SLIP)
    assert found(find_inside_wheel_spin, made) == ()
    assert [(f.lap, f.corner) for f in found(find_both_wheel_spin, made)] == [(2, 1), (3, 1)]


def test_inside_rear_locking_under_braking_is_found_and_a_clean_session_has_none():
    locks = found(find_inside_wheel_locking, Made(spin_laps=(), inside_locks_laps=(3,)))
    assert [(f.lap, f.corner) for f in locks] == [(3, 1)]
    assert locks[0].evidence.slip_difference == pytest.approx(-0.4 + 0.04)
    assert found(find_inside_wheel_locking) == ()


def test_an_outside_wheel_that_slides_sideways_does_not_hide_the_spin():
    def sideways(signals, axle):
        w = (signals.time_s > 75.3) & (signals.time_s < 77)
        # the axle's lateral force takes all that its load can hold
        return (
            replace(signals, lat_m_s2=np.where(w, 12.0, signals.lat_m_s2)),
            replace(axle, use_right=np.where(w, 1.2, axle.use_right)),
        )

    assert [f.lap for f in found(find_inside_wheel_spin, change=sideways)] == [2, 3]


def test_a_spin_does_not_reach_into_locked_time():
    def locked_before(signals, axle):
        before = (signals.time_s > 74.9) & (signals.time_s < 75.45)
        return signals, replace(
            axle,
            locked=axle.locked | before,
            slip_left=np.where(before, 0.1, axle.slip_left),
            use_left=np.where(before, 0.95, axle.use_left),
        )

    plain, other = found(find_inside_wheel_spin)[0], found(find_inside_wheel_spin, change=locked_before)[0]
    assert (other.start_s, other.end_s) == (plain.start_s, plain.end_s)


def test_one_spinning_wheel_is_not_both():
    assert found(find_both_wheel_spin) == ()


def test_a_slip_difference_under_braking_below_the_peak_is_not_reported():
    def gentle(signals, axle):
        inside = axle.slip_left < -0.3
        return signals, replace(axle, slip_left=np.where(inside, -0.12, axle.slip_left))  # 0.08 deeper than outside

    assert found(find_inside_wheel_locking, Made(spin_laps=(), inside_locks_laps=(3,)), gentle) == ()


def test_rear_lateral_force_of_a_steady_turn_is_the_rear_weight_share():
    # steady single track: Fy_rear = m a_y a/L, and a/L is the rear weight share (Milliken & Milliken 1995, ch. 5)
    signals, *_ = made_signals_and_axle(Made())
    steady = replace(signals, yaw_acceleration_rad_s2=np.zeros_like(signals.yaw_rate_rad_s))
    assert rear_lateral_force_N(steady, made_car()) == pytest.approx(1100 * 0.52 * signals.lat_m_s2)


def test_axle_forces_turn_the_car_s_inertia():
    """Yaw acceleration alone: F_f + F_r = 0 and a F_f - b F_r = I_z r' give F_f = I_z r'/L = -F_r (derived)."""
    signals, *_ = made_signals_and_axle(Made())
    car, swing = made_car(), np.full_like(signals.lat_m_s2, 1.5)
    turning = replace(signals, lat_m_s2=0 * swing, yaw_acceleration_rad_s2=swing)
    assert front_lateral_force_N(turning, car) == pytest.approx(car.yaw_inertia * swing / car.wheelbase_m)
    assert rear_lateral_force_N(turning, car) == pytest.approx(-car.yaw_inertia * swing / car.wheelbase_m)


def _in_spins(signals, inside, outside):
    """`inside` where the spins are planted and a second around, else `outside`."""
    first, stop, *_ = CORNERS[0]
    spins = [LAP_S * lap + first + 0.68 * (stop - first) for lap in (1, 2)]
    near = np.any([np.abs(signals.time_s - at) < 1.0 for at in spins], axis=0)
    return np.where(near, inside, outside)


def _swinging_back(signals, axle):
    yaw = signals.yaw_rate_rad_s
    return replace(signals, yaw_rate_rad_s=_in_spins(signals, -yaw, yaw)), axle


def _straight_on(signals, axle):
    lat, yaw = signals.lat_m_s2, signals.yaw_rate_rad_s
    return (
        replace(
            signals, lat_m_s2=_in_spins(signals, 0.1 * lat, lat), yaw_rate_rad_s=_in_spins(signals, 0.1 * yaw, yaw)
        ),
        axle,
    )


@pytest.mark.parametrize(
    ("change", "swings", "says"), [(_swinging_back, True, "swinging back"), (_straight_on, False, "hardly any side")]
)
def test_a_wheel_that_spins_outside_of_cornering_is_told_by_its_side(change, swings, says):
    """The planted spins are the left wheel's; an inside wheel needs yaw and side force of one sign."""
    assert found(find_inside_wheel_spin, change=change) == ()
    spins = found(find_one_wheel_spin, change=change)
    assert [(f.lap, f.corner) for f in spins] == [(2, 1), (3, 1)]
    assert {f.evidence.wheel for f in spins} == {"left"} and {f.evidence.yaw_against_side_force for f in spins} == {
        swings
    }
    said = [finding_sentence(f) for f in spins]
    assert all("left rear spun alone" in sentence and says in sentence for sentence in said)
    there = found(find_one_wheel_spin, change=lambda s, a: mirrored(*change(s, a)))
    assert [f.evidence.wheel for f in there] == ["right", "right"]
    assert [f.start_s for f in there] == [f.start_s for f in spins]


def test_a_spin_of_the_inside_wheel_is_told_once():
    assert found(find_one_wheel_spin) == ()
    assert found(find_one_wheel_spin, Made(locked=True), change=_swinging_back) == ()


def test_both_wheels_past_the_peak_are_no_single_spin():
    made = Made(spin_laps=(), both_spin_laps=(2,))
    assert found(find_one_wheel_spin, made, change=_swinging_back) == ()
