"""How well a lock curve can be known, and whether the fit comes near that and says so: sets of 480 samples."""

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, information, simulated_set
from scipy.optimize import minimize
from sizes import share_bounds, sized

from analyzer.lockcurve import model, uncertainty
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.model import censored
from analyzer.lockcurve.problem import CURVE_BOUNDS, LOCK_SD_Nm, make_problem
from analyzer.lockcurve.uncertainty import curve_draws
from analyzer.robust import huber

SETS, SAMPLES = sized(80, 400), 480
PROBE_Nm = np.array([-350.0, 300.0, 700.0, 1300.0])
NAMES = [*model.NAMES, *(f"M({t:.0f})" for t in PROBE_Nm)]


def with_probe(curve):
    """Parameters and the curve at the probed torques, (..., 11)."""
    return np.concatenate([curve, model.locking_torque_Nm(curve, PROBE_Nm)])


@pytest.fixture(scope="module")
def estimates():
    """Per set, (sets, 11): error over the Cramer-Rao bound, and whether the 95 % interval holds the truth. The form of
    the tyre is right here, so what the intervals add for a wrong form is left out."""
    rng = np.random.default_rng(77)
    errors, inside = [], []
    with pytest.MonkeyPatch.context() as patch:
        for share in ("CURVE_ERROR_SHARE", "SPLIT_ERROR_SHARE", "TILT_ERROR_Nm"):
            patch.setattr(uncertainty, share, 0.0)
        for _ in range(SETS):
            made = simulated_set(SAMPLES, rng)
            problem = make_problem(made.observed, CAR, KNOWN)
            fitted = fit(problem)
            drawn = uncertainty.spread(fitted)
            curves = curve_draws(fitted.curve, drawn.draws[:, -5:], PROBE_Nm)
            lower, upper = np.percentile(np.hstack([drawn.curves, curves]), [2.5, 97.5], axis=0)
            # the fit's weak priors count as knowledge, which lowers the bound
            covariance = np.linalg.inv(information(made) + problem.unknowns.information[-5:, -5:])
            slopes, _ = model.gradient(made.curve, PROBE_Nm)
            bound = np.append(np.diag(covariance), np.einsum("in,ij,jn->n", slopes, covariance, slopes))
            true = with_probe(made.curve)
            errors.append((with_probe(fitted.curve) - true) / np.sqrt(bound))
            inside.append((lower <= true) & (true <= upper))
    return np.array(errors), np.array(inside)


def test_information_of_censored_observations_is_the_spread_of_their_score():
    # derived two ways: the closed form, and the slopes of the project's likelihood over many draws
    rng = np.random.default_rng(1)
    made = simulated_set(SAMPLES, rng)
    capacity = model.locking_torque_Nm(made.curve, made.torque_Nm)
    slopes, _ = model.gradient(made.curve, made.torque_Nm)
    scores = []
    for _ in range(4000):
        drawn = capacity + LOCK_SD_Nm * rng.standard_normal(SAMPLES)
        seen, bounded = (drawn - capacity) / LOCK_SD_Nm, -censored((capacity - made.asked_Nm) / LOCK_SD_Nm)[1]
        scores.append(slopes @ np.where(drawn < made.asked_Nm, seen, bounded) / LOCK_SD_Nm)
    expected = information(made)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.cov(np.array(scores).T) / scale == pytest.approx(expected / scale, abs=0.08)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_spread_of_the_estimates_is_near_the_cramer_rao_bound(estimates, name):
    errors = estimates[0][:, NAMES.index(name)]
    # 400 sets gave a size of 1.07 (drive slope, last point) and a mean of 0.23 (preload) at the most. 400 of another
    # seed gave 1.04, but 1.29 for the coast slope: in one set of a hundred the bend comes out near the last torques,
    # and the bound, which knows the loss at the truth alone, knows nothing of that; the middle two thirds spread by
    # 1.00. 200 sets of four times the samples gave 1.08 at most, and 1.02 for the coast slope
    assert np.sqrt((errors**2).mean()) <= 1.07 * (1 + 2.75 / np.sqrt(2 * SETS))
    assert np.abs(errors.mean()) <= 0.23 + 2.75 / np.sqrt(SETS)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_intervals_hold_the_truth_as_often_as_they_say(estimates, name):
    # 800 sets gave 0.93 to 0.95 for the points of the curve; 200 sets of
    # another seed gave 0.885 for the last one, 0.94 to 0.955 for the others. Hold-offs and preload carry the whole of a
    # weak prior, wider than the hold-offs here, and may do more
    share = estimates[1][:, NAMES.index(name)].mean()
    from_prior = name in ("preload_Nm", "drive_hold_Nm", "coast_hold_Nm")
    least, most = share_bounds(0.95, SETS)
    assert least <= share <= (1.0 if from_prior else most)


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_the_joint_fit_agrees_with_an_independent_optimiser(seed):
    # the same observations without tyre and axle: locking torque and input torque straight into the likelihood,
    # minimised by a simplex from another start
    made = simulated_set(SAMPLES, np.random.default_rng(seed))
    problem = make_problem(made.observed, CAR, KNOWN)
    fitted = fit(problem)
    at, slips = fitted.solution.at, made.observed.slipping
    assert at.input_torque_Nm == pytest.approx(made.torque_Nm, abs=0.5)
    seen = -made.observed.speed_difference_rad_s * at.torque_difference_Nm
    prior, start = np.diag(problem.unknowns.information)[-5:], problem.start[-5:]

    def loss(p):
        miss = (model.locking_torque_Nm(p, made.torque_Nm) - seen) / LOCK_SD_Nm
        return huber(miss[slips])[0].sum() + censored(miss[~slips])[0].sum() + 0.5 * (prior * (p - start) ** 2).sum()

    simplex = minimize(
        loss,
        np.array([120.0, 0.15, 80.0, 0.3, 80.0]),
        method="Nelder-Mead",
        bounds=CURVE_BOUNDS,
        options={"maxiter": 8000, "maxfev": 8000, "xatol": 1e-4, "fatol": 1e-7, "adaptive": True},
    )
    assert loss(fitted.curve) <= simplex.fun + 0.05
    assert with_probe(fitted.curve)[5:] == pytest.approx(with_probe(simplex.x)[5:], abs=1.5)
