"""Phases of a pass drawn by hand: every pedal and the lateral acceleration change at known times."""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.phases.phases import split_phases, traces


@pytest.fixture
def hand_drawn(drive):
    """Ten seconds at 100 Hz. Brakes 1.0 to 3.0 s; lateral acceleration 0 at 2.8 s, 10 m/s2 from 3.8 to 6.0 s, 0 at
    8.0 s; throttle 0 to 5.0 s, full at 6.0 s."""
    signals = drive(np.zeros(600), noise_m_s2=0.0, top_m_s=55.0)
    time = np.arange(1000) / 100.0
    signals = replace(signals, time_s=time)
    return replace(
        signals,
        lat_m_s2=np.interp(time, [2.8, 3.8, 4.9, 6.0, 8.0], [0.0, 9.9, 10.0, 9.9, 0.0]),
        throttle=np.interp(time, [5.0, 6.0], [0.0, 1.0]),
        braking=(time >= 1.0) & (time < 3.0),
    )


def split(signals, apex=490):
    return {
        p.name: (p.start / 100, p.stop / 100) for p in split_phases(traces(signals), signals.rate_hz, 100, 800, apex)
    }


def test_all_five_phases_where_they_were_drawn(hand_drawn):
    phases = split(hand_drawn)
    assert list(phases) == ["braking", "turn_in", "mid_corner", "power_application", "exit"]
    assert phases["braking"] == pytest.approx((1.0, 3.0), abs=0.05)
    assert phases["turn_in"][1] == pytest.approx(2.8 + 0.85 / 0.99, abs=0.05)
    assert phases["mid_corner"][1] == pytest.approx(5.2, abs=0.05)
    assert phases["power_application"][1] == pytest.approx(6.0 + 2.0 * (0.99 - 0.6) / 0.99, abs=0.05)
    assert phases["exit"][1] == 8.0


def test_trail_braking_is_turn_in_once_the_car_is_turned(hand_drawn):
    time = hand_drawn.time_s
    phases = split(replace(hand_drawn, braking=(time >= 1.0) & (time < 4.3)))
    # 40 % of the apex's 10 m/s2 is reached 0.404 s after 2.8 s
    assert phases["braking"][1] == pytest.approx(3.2, abs=0.05)
    assert phases["turn_in"] == pytest.approx((3.2, 4.3), abs=0.05)


def test_no_brakes_no_braking(hand_drawn):
    phases = split(replace(hand_drawn, braking=np.zeros(1000, bool)))
    assert list(phases) == ["turn_in", "mid_corner", "power_application", "exit"]


def test_blip_is_not_power_application(hand_drawn):
    time = hand_drawn.time_s
    blip = np.where((time > 4.1) & (time < 4.25), 0.6, hand_drawn.throttle)
    assert split(replace(hand_drawn, throttle=blip)) == split(hand_drawn)


def test_closed_throttle_has_neither_power_nor_exit(hand_drawn):
    phases = split(replace(hand_drawn, throttle=np.zeros(1000)))
    assert list(phases) == ["braking", "turn_in", "mid_corner"]


def test_flat_out_has_no_power_application_but_an_exit(hand_drawn):
    phases = split(replace(hand_drawn, throttle=np.ones(1000), braking=np.zeros(1000, bool)))
    assert list(phases) == ["turn_in", "mid_corner", "exit"]


def test_steady_throttle_is_mid_corner_until_it_rises(hand_drawn):
    phases = split(replace(hand_drawn, throttle=np.maximum(hand_drawn.throttle, 0.3)))
    # a fifth of the 70 % left: 44 %
    assert phases["mid_corner"][1] == pytest.approx(5.44, abs=0.05)


def test_noise_moves_bounds_little(hand_drawn):
    rng = np.random.default_rng(5)
    noisy = replace(
        hand_drawn,
        lat_m_s2=hand_drawn.lat_m_s2 + rng.normal(0, 0.8, 1000),
        throttle=np.clip(hand_drawn.throttle + rng.normal(0, 0.02, 1000), 0, 1),
    )
    clean, found = split(hand_drawn), split(noisy)
    assert list(found) == list(clean)
    for name in clean:
        assert found[name] == pytest.approx(clean[name], abs=0.15)


def test_turning_right_gives_the_same_phases(hand_drawn):
    assert split(replace(hand_drawn, lat_m_s2=-hand_drawn.lat_m_s2)) == split(hand_drawn)
