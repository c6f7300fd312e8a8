"""Changes by phase on made-up passes: the change and the effect of speed are known, so are the intervals' rates."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analyzer.analysis import PhaseResult
from analyzer.comparison.phase_changes import phase_changes

PASSES, CORNERS = 5, 6
PASS = PhaseResult(
    lap=1, corner=1, direction="left", phase="turn_in", start_s=0.0, end_s=1.0, inside_slip=0.01, outside_slip=0.0,
    speed_difference_rad_s=1.0, free_difference_rad_s=2.0, kinematic_lock=0.5, input_torque_Nm=0.0,
    transfer_torque_Nm=100.0, transfer_torque_sd_Nm=10.0, locking_value=None, predicted_locking_torque_Nm=None,
    locked_fraction=0.0, mean_throttle=0.1, mean_speed_m_s=20.0,
)  # fmt: skip


def views(rng, *, change, speed_effect=0.0, faster=0.0, noise=8.0, run_error=0.0):
    """A run before and one after; `run_error` is the standard deviation of an error that a run's passes share."""
    made = []
    for side in (0, 1):
        shared = rng.normal(0, run_error) if run_error else 0.0
        rows = []
        for corner in range(1, CORNERS + 1):
            for lap in range(1, PASSES + 1):
                speed = 20.0 * np.exp(faster * side + rng.normal(0, 0.02))
                value = 100 + 10 * corner + change * side + speed_effect * np.log(speed / 20) + shared
                rows.append(
                    replace(PASS, lap=lap, corner=corner, mean_speed_m_s=speed,
                            transfer_torque_Nm=value + rng.normal(0, noise))
                )  # fmt: skip
        errors = {q: np.zeros((len(rows), 100)) for q in ("inside_slip", "kinematic_lock")}
        drawn = rng.normal(0, run_error, 100) if run_error else np.zeros(100)
        errors["transfer_torque_Nm"] = np.tile(drawn, (len(rows), 1))
        made.append(SimpleNamespace(run=SimpleNamespace(side=side), phases=tuple(rows), errors=errors))
    return made


def together(made):
    return next(p for p in phase_changes(made) if p.corner is None)


def test_a_change_is_found_in_every_corner():
    found = phase_changes(views(np.random.default_rng(1), change=40.0))
    rows = [p.transfer_torque_Nm for p in found if p.corner is not None]
    assert len(rows) == CORNERS
    assert np.mean([i.value for i in rows]) == pytest.approx(40.0, abs=6.0)
    assert together(views(np.random.default_rng(1), change=40.0)).transfer_torque_Nm.lower > 30.0


def test_speed_is_matched():
    """10 % faster at 300 N.m per unit of log speed would pass for 29 N.m; matched, nothing changed."""
    made = views(np.random.default_rng(2), change=0.0, speed_effect=300.0, faster=0.10, noise=3.0)
    raw = [np.mean([r.transfer_torque_Nm for r in v.phases]) for v in made]
    assert raw[1] - raw[0] > 20
    matched = together(made)
    assert matched.transfer_torque_Nm.lower < 0 < matched.transfer_torque_Nm.upper
    assert matched.speed_ratio == pytest.approx(np.exp(0.10), rel=0.01)


def test_too_far_apart_is_not_matched():
    found = together(views(np.random.default_rng(3), change=0.0, faster=0.25))
    assert found.transfer_torque_Nm.value is None
    assert "enough passes" in found.transfer_torque_Nm.reason or "too far apart" in found.transfer_torque_Nm.reason


def test_one_pass_is_too_few():
    made = views(np.random.default_rng(4), change=0.0)
    made[1].phases = tuple(r for r in made[1].phases if r.corner != 2 or r.lap == 1)
    made[1].errors = {q: e[: len(made[1].phases)] for q, e in made[1].errors.items()}
    row = next(p for p in phase_changes(made) if p.corner == 2).transfer_torque_Nm
    assert row.value is None
    assert row.reason == "fewer than 2 passes with a value after"


def test_a_wild_pass_does_not_carry_the_change():
    made = views(np.random.default_rng(5), change=40.0)
    wild = made[1].phases[0]
    made[1].phases = (replace(wild, transfer_torque_Nm=wild.transfer_torque_Nm + 1500), *made[1].phases[1:])
    assert together(made).transfer_torque_Nm.value == pytest.approx(40.0, abs=12.0)


@pytest.mark.parametrize("run_error", [0.0, 10.0])
def test_intervals_hold_the_truth_as_often_as_they_say(run_error):
    """120 made-up comparisons: of 95 % intervals, 90 to 99 % hold the truth (binomial limits of 120 at 0.95)."""
    inside = []
    for seed in range(120):
        made = views(np.random.default_rng(100 + seed), change=25.0, speed_effect=100.0, run_error=run_error)
        found = together(made).transfer_torque_Nm
        inside.append(found.lower <= 25.0 <= found.upper)
    assert 0.90 <= np.mean(inside) <= 0.995
