"""What a chart's line is called is what it shows: each wheel, each side, each channel its own."""

from dataclasses import replace

import numpy as np
import pytest

from dashboards.figures.quantities import QUANTITIES


@pytest.fixture(scope="module")
def told_apart(analysis):
    """The made-up session with four wheel speeds that cannot be taken for each other (m/s)."""
    count = len(analysis.signals.time_s)
    wheels = np.tile([10.0, 20.0, 30.0, 40.0], (count, 1))  # front left, front right, rear left, rear right
    return replace(analysis, signals=replace(analysis.signals, wheel_speed_m_s=wheels))


def lines(analysis, key):
    return {line.name: line.part(slice(None)) for line in QUANTITIES[key].lines(analysis)}


def test_every_wheel_speed_goes_by_its_own_name(told_apart):
    shown = {name: float(np.unique(values).item()) for name, values in lines(told_apart, "wheel_speed").items()}
    wanted = {"front left": 36.0, "front right": 72.0, "rear left": 108.0, "rear right": 144.0}  # km/h
    assert shown == pytest.approx(wanted)


def test_inside_and_outside_are_the_wheels_of_the_turn(analysis):
    axle, left = analysis.axle, analysis.signals.yaw_rate_rad_s > 0
    for key, name_in, name_out, at_left, at_right, factor in (
        ("slip", "inside rear slip", "outside rear slip", axle.slip_left, axle.slip_right, 100),
        ("tyre_use", "inside rear", "outside rear", axle.use_left, axle.use_right, 1),
    ):
        shown = lines(analysis, key)
        known = np.isfinite(shown[name_in])
        assert known.sum() > 1000 and (known & left).any() and (known & ~left).any()
        inside, outside = np.where(left, at_left, at_right), np.where(left, at_right, at_left)
        assert not np.allclose(inside[known], outside[known])
        assert shown[name_in][known] == pytest.approx(factor * inside[known])
        assert shown[name_out][known] == pytest.approx(factor * outside[known])


def test_speed_difference_is_left_minus_right_beside_that_of_free_wheels(analysis):
    shown = lines(analysis, "speed_difference")
    assert shown["left minus right"] == pytest.approx(analysis.axle.speed_difference_rad_s)
    assert shown["if both rolled free"] == pytest.approx(analysis.axle.free_difference_rad_s)
