"""Corner passes are resampled whole and count about once: is one pass long enough to hold what hangs together?

The reference is the automatic block length of [POLITIS2004] as computed by `arch`, on the residuals of the lock curve.
"""

import numpy as np
import pytest
from accuracy.cases import CASES, analysed
from arch.bootstrap import optimal_block_length

from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.loss import evaluate
from analyzer.lockcurve.observations import CORRELATION_S, FIT_RATE_HZ, observe
from analyzer.lockcurve.problem import make_problem
from analyzer.vehicle.parameters import priors


def effective_size(count: int, correlation: float) -> float:
    """Independent samples that know the mean of an AR(1) series as well as `count` correlated ones.

    Derived: n / [1 + 2 sum_k (1 - k/n) rho^k], whose sum has a closed form.
    """
    rho = correlation
    return count / ((1 + rho) / (1 - rho) - 2 * rho * (1 - rho**count) / (count * (1 - rho) ** 2))


@pytest.mark.parametrize("correlation, expected", [(0.5, 333.778), (0.9, 53.135)])
def test_effective_size_of_an_autoregressive_series(correlation, expected):
    # derived, n 1000; and from the scatter of simulated means
    assert effective_size(1000, correlation) == pytest.approx(expected, abs=5e-4)
    rng = np.random.default_rng(3)
    series = rng.standard_normal((4000, 1000))  # starts in its stationary state
    for k in range(1, 1000):
        series[:, k] = correlation * series[:, k - 1] + np.sqrt(1 - correlation**2) * series[:, k]
    assert 1 / series.mean(axis=1).var() == pytest.approx(expected, rel=0.08)


def test_the_weight_of_a_sample_is_the_effective_share_of_a_series_that_forgets_in_half_the_correlation_time():
    # derived: an AR(1) series of time step dt and time constant tau has n dt/(2 tau) independent samples for tau >> dt;
    # CORRELATION_S stands for 2 tau
    step, count = 1 / FIT_RATE_HZ, 20000
    rho = np.exp(-2 * step / CORRELATION_S)
    assert effective_size(count, rho) / count == pytest.approx(step / CORRELATION_S, rel=0.01)


def test_one_corner_pass_is_longer_than_the_best_block_and_passes_are_independent(tmp_path):
    case = CASES["club 1180 kg, 100 Hz"]
    signals = (analysis := analysed(case.drive().log, case.car, tmp_path)).signals
    observed = observe(signals, analysis.corners, case.car)
    nuisance = priors(case.car, sensors=signals.sensors, long_bias_sd_m_s2=signals.long_bias_sd_m_s2)
    fitted = fit(make_problem(observed, case.car, nuisance))
    problem = fitted.problem
    residual = evaluate(problem, fitted.theta, None, None).measured[problem.slipping]
    group = problem.group[problem.slipping]
    assert len(residual) > 200

    best_s = optimal_block_length(residual).iloc[0].to_numpy() / FIT_RATE_HZ  # stationary and circular bootstrap
    passes_s = np.array([(c.stop - c.start) / signals.rate_hz for c in analysis.corners])
    assert (best_s < np.median(passes_s)).all() and (best_s < CORRELATION_S).all()

    means = np.array([residual[group == g].mean() for g in np.unique(group)])
    off = means - means.mean()
    neighbours = (off[1:] * off[:-1]).mean() / off.var()
    assert abs(neighbours) < 2 / np.sqrt(len(means))  # 95 % band of no correlation
