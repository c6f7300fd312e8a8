"""The test of both sides' lock curves as a whole, on made-up draws whose distribution is known."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from analyzer.comparison.sides import SURE, AnyChange, SideChange, any_change, judged_under
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.comparison_words import whole

SD_Nm = np.array([8.0, 0.05])  # of the preload's change, and of the drive slope's
TORQUE_Nm = np.linspace(50.0, 1000.0, 20)


def side(change_Nm, *, torque_Nm=TORQUE_Nm, verdict="stronger", margin_Nm=30.0, sd_Nm=8.0):
    span = Interval(change_Nm, change_Nm - 2 * sd_Nm, change_Nm + 2 * sd_Nm)
    return SideChange(span, 60.0, None, margin_Nm, verdict, sd_Nm, torque_Nm)


def joint_of(preload_Nm, slope, *, seed=0, count=20_000):
    """A fit whose curves differ by so much, with independent normal errors of `SD_Nm`."""
    rng = np.random.default_rng(seed)
    before = np.array([60.0, 0.3, 0.0, 0.1, 0.0])
    curves = np.array([before, before + np.array([preload_Nm, slope, 0.0, 0.0, 0.0])])
    draws = np.tile(curves, (count, 1, 1))
    draws[:, 1, :2] += rng.standard_normal((count, 2)) * SD_Nm
    return SimpleNamespace(
        curves=curves, spread=SimpleNamespace(draws=draws, unknowns=SimpleNamespace(curves=np.array))
    )


SIDES = {"preload": side(0.0, torque_Nm=np.array([0.0])), "drive": side(0.0)}


@pytest.mark.parametrize("z", [(0.0, 0.0), (1.5, 0.0), (0.0, -2.0), (2.0, 2.0)])
def test_the_probability_is_that_of_chi_squared(z):
    """Independent errors: the squares of the standardised changes add up to chi-squared of two degrees of freedom."""
    found = any_change(joint_of(*(np.array(z) * SD_Nm)), SIDES)
    assert found.probability == pytest.approx(stats.chi2.sf(np.square(z).sum(), 2), rel=0.03)
    assert found.sides == ("preload", "drive")


def test_of_sides_that_are_the_same_one_in_twenty_is_an_alarm():
    rng = np.random.default_rng(1)
    alarms = [
        any_change(joint_of(*(rng.standard_normal(2) * SD_Nm), seed=k, count=400), SIDES).probability < SURE
        for k in range(150)
    ]
    assert stats.binomtest(sum(alarms), len(alarms), 0.05).pvalue > 0.01


def test_no_is_a_claim_of_its_own():
    near = {"preload": side(2.0, torque_Nm=np.array([0.0])), "drive": side(3.0), "coast": side(-4.0)}
    far = near | {"drive": side(20.0)}
    same = joint_of(0.0, 0.0)
    assert any_change(same, near).verdict == "no"
    assert any_change(joint_of(40.0, 0.0), near).verdict == "no"  # sure, and shown to be too small to matter
    assert any_change(joint_of(40.0, 0.0), far).verdict == "yes"
    assert any_change(same, far).verdict == "cannot_tell"
    untold = side(0.0)
    untold = SideChange(untold.change_Nm, None, None, 30.0, "cannot_tell", None, np.array([]))
    assert any_change(same, near | {"coast": untold}).verdict == "cannot_tell"


def test_no_side_changed_where_the_whole_is_not_shown_to_have():
    sides = {"preload": side(20.0), "drive": side(0.0, verdict="no_change")}
    found = judged_under(AnyChange(0.2, tuple(sides), False), sides)
    assert [c.verdict for c in found.values()] == ["cannot_tell", "no_change"]
    found = judged_under(AnyChange(0.001, tuple(sides), False), sides)
    assert [c.verdict for c in found.values()] == ["stronger", "no_change"]


def test_what_is_said_of_the_whole():
    words = lambda p, within=False: whole(AnyChange(p, ("preload",), within))  # noqa: E731
    assert words(1e-9) == (
        "Something changed: chance makes such a difference in fewer than 1 of 1000 comparisons of one setup."
    )
    assert words(0.004).endswith("1 of 250 comparisons of one setup.")
    assert words(0.01, True).startswith("Nothing changed that matters") and "smaller change is there" in words(
        0.01, True
    )
    assert words(0.5, True) == "Nothing changed that matters, neither in preload nor in what the ramps add."
    assert words(0.5).startswith("Not clear") and "1 of 2 " in words(0.5)
