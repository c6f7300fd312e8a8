"""What a pair fit says it is unsure of."""

import numpy as np
import pytest

from analyzer.signals.pair_fit import _without_each, fit_pair, quick_test, view_s


@pytest.mark.parametrize("noise", [1e-3, 1.0, 30.0])
def test_what_the_rows_say_nothing_of_is_as_unsure_as_it_is_believed(noise):
    rng = np.random.default_rng(1)
    b, time = rng.normal(0, 10, 4000), np.arange(4000) / 10
    nothing = np.zeros(len(b))
    fit = fit_pair(1.1 * b + rng.normal(0, noise, len(b)), b, [(nothing, 0.5, 0.2)], np.ones(len(b), bool), time)
    assert fit.deviations[1] == pytest.approx(0.2, rel=1e-6)
    assert fit.ratio == pytest.approx(1.1, abs=5 * noise / 10 / np.sqrt(len(b)))


def test_the_deviation_of_a_ratio_is_that_of_plain_least_squares_within_its_blocks():
    # independent noise of 1 on n rows of size s: 1/(s sqrt(n)); Cauchy's weights cost 5 to 10 % of it
    found = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        b = rng.normal(0, 10, 4000)
        found.append(
            fit_pair(b + rng.normal(0, 1, 4000), b, [], np.ones(4000, bool), np.arange(4000) / 10),
        )
    usual = np.sqrt(np.mean([fit.deviation**2 for fit in found]))
    assert usual == pytest.approx(np.std([fit.ratio for fit in found]), rel=0.35)
    assert usual == pytest.approx(1 / (10 * np.sqrt(4000)), rel=0.35)


def test_what_a_low_pass_takes_from_quick_motion_is_told_whatever_its_delay():
    """Against 1 / |H| = sqrt(1 + (2 pi f tau)^2) of a low-pass of first order."""
    time, tau = np.arange(0, 300, 0.1), 0.3
    parts = [(f, amplitude, np.sqrt(1 + (2 * np.pi * f * tau) ** 2)) for f, amplitude in ((0.05, 3.0), (0.76, 1.0))]
    moved = sum(size * np.sin(2 * np.pi * f * time) for f, size, _ in parts)
    smoothed = sum(size / by * np.sin(2 * np.pi * f * time - np.arctan(2 * np.pi * f * tau)) for f, size, by in parts)
    everywhere = np.ones(len(time), bool)
    found = quick_test("x", ("front_wheels",), moved, smoothed, everywhere, least_size=0.1)
    assert found.number == pytest.approx(parts[1][2] / parts[0][2], rel=0.02)
    assert found.outcome == "disagrees"
    assert quick_test("x", ("front_wheels",), smoothed, moved, everywhere, least_size=0.1).outcome == "agrees"


def test_wheels_that_are_smooth_because_nothing_is_quick_are_not_smoothed():
    """What a slow driver leaves to be seen is noise, which goes with nothing."""
    time, rng = np.arange(0, 300, 0.1), np.random.default_rng(3)
    motion = 3 * np.sin(2 * np.pi * 0.05 * time)
    found = quick_test(
        "x", ("front_wheels",), motion + rng.normal(0, 0.3, len(time)), motion, np.ones(len(time), bool), least_size=0.1
    )
    assert found.outcome == "agrees"


def test_what_a_block_moves_is_what_leaving_it_out_moves():
    # weighted least squares without each block in turn, by numpy
    rng = np.random.default_rng(3)
    known, weight = rng.normal(0, [[1.0], [50.0]], (2, 60)), rng.uniform(0.2, 1.0, 60)
    target, block = np.array([0.7, 0.1]) @ known + rng.normal(0, 1, 60), np.repeat([0, 1, 2], [10, 20, 30])

    def solved(rows):
        root = np.sqrt(weight[rows])
        return np.linalg.lstsq((known[:, rows] * root).T, target[rows] * root, rcond=None)[0]

    best = solved(np.ones(60, bool))
    moves = _without_each(known, weight, target - best @ known, block, (known * weight) @ known.T)
    assert moves == pytest.approx(np.array([best - solved(block != k) for k in range(3)]), rel=1e-6)


def test_a_third_of_a_log_may_have_one_row_for_a_test():
    assert view_s(np.arange(100) == 50) == "5 s to 5 s"
    assert view_s(np.isin(np.arange(100), (20, 80))) == "2 s to 8 s"
