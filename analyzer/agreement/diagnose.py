"""What would explain a disagreement best, and the odds of the setup file against other builds,
from the measured side alone.

Each alternative is a lock curve with what its parts leave unsure of it, as a belief over the curve's five. Its
evidence is how likely the logs are under it, averaged over that belief and over tyre, car and sensors
(`lockcurve.marginal_likelihood`). The odds of two are the ratio of their evidence. Nothing has to be agreed on what
counts as different: what both allow cannot tell them apart, and the odds stay near 1.

The logs' likelihood counts a corner pass as one look, and what no equation of the fit knows of errs in it as well.
So the odds as computed are too sure; their logarithm is multiplied by `TEMPER`, which is measured.

References
----------
Kass and Raftery, Bayes Factors, J. Am. Stat. Assoc. 90 (1995) 773 (evidence by Laplace's approximation; from memory).

Which explanation of a disagreement the log supports best, and how much better than the file as it is.

Each cause is weighed by its evidence: how likely the measured curve is under it, averaged over what the cause leaves
free. A free figure that could have fitted anything pays for it in that average, so causes with and without one
compare fairly (no separate penalty is needed).

The measured curve enters as mean locking torques of slipping samples over bands of input torque; what the file
itself is unsure of (friction, springs, angles) is added to their covariance by its slopes. Torques where nothing
slipped enter as bounds: the curve must lie above them. A multivariate t of 5 degrees of freedom keeps one bad torque
from deciding.

References
----------
Kass and Raftery, Bayes Factors, J. Am. Stat. Assoc. 90 (1995) 773: below 3 a Bayes factor is not worth more than a bare
mention, from 20 it is strong (from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc, gammaln, log_ndtr, logsumexp

from analyzer.agreement.alternatives import Cause, alternatives, possible_causes
from analyzer.agreement.steady_samples import SteadyMeans, SteadySamples, steady_means
from analyzer.agreement.verdict import Agreement, Diagnosis, Explanation, Odds, OddsAgainst, agree
from analyzer.arrays import FloatArray
from analyzer.differential.predicted import PredictedLockCurve, figures_of
from analyzer.differential.setup import Setup
from analyzer.lockcurve import marginal_likelihood
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.problem import CURVE_BOUNDS
from analyzer.lockcurve.witness import Witness
from analyzer.vehicle.car import Car

# by `python -m agreement.odds_sessions 80` (53 of 55 said at 10 to 1 were right with it) while the fit assumed its
# errors; since it takes them from its residuals the evidence is tempered as well, so odds are said more seldom than
# they might be
TEMPER = 0.5
# of preload, slope and hold-off: seals and gears drag by so much, a ramp cut flat still clamps a little, and no input
# torque is resolved finer (common practice, no source)
LEAST_SD = {"preload_Nm": 5.0, "slope": 0.01, "hold_Nm": 5.0}
FLAT = 0.02  # a ramp below this hardly clamps, and where it begins to says nothing
ANYWHERE_NM = 200.0
FIGURES = (
    {"preload": "preload_friction", "slopes": "slope_friction"},
    {"preload": "preload_source"},
    {"drive_thrust": "drive_thrust"},
    {"coast_thrust": "coast_thrust"},
    {"holds": "ring_spring"},
)
BARE_MENTION = 3.0  # the log can't separate explanations that differ by less
STRONG = 10.0  # needed to leave the file, which most often is right
DEGREES = 5.0
BOUND_SD_NM, BOUND_SD_SHARE = 25.0, 0.08
UNFIT = 0.01


def odds(witness: Witness, predicted: PredictedLockCurve, setup: Setup) -> Odds | None:
    """The odds of the setup file against each alternative; None where nothing else might be fitted.

    Parameters
    ----------
    witness : of the fit that saw nothing of the file.
    predicted, setup : the file and the curve that follows from it.

    Notes
    -----
    Odds are (p_file / p_other)^`TEMPER`, kept within e^-50 and e^50.
    """
    others = alternatives(predicted, setup)
    if len(others) < 2:
        return None
    file, *rest = (log_evidence(witness, one.curve) for one in others)
    return Odds(
        tuple(
            OddsAgainst(one.kind, math.exp(min(max(TEMPER * (file - other), -50.0), 50.0)))
            for one, other in zip(others[1:], rest, strict=True)
        )
    )


def log_evidence(witness: Witness, curve: PredictedLockCurve) -> float:
    """Of a predicted curve with its spread; the mean over where the preload springs sit, where the file is silent."""
    each = [marginal_likelihood.log_evidence(witness, *belief(curve.placed(share))) for share in curve.series_shares]
    return float(np.logaddexp.reduce(each)) - math.log(len(each))


def belief(curve: PredictedLockCurve) -> tuple[FloatArray, FloatArray]:
    """A predicted curve as a belief over the fitted curve's five.

    Parameters
    ----------
    curve : of plate type, its springs in one place (`placed`).

    Returns
    -------
    tuple : figures (5,) in the order of `lockcurve.model.NAMES` and their covariance (5, 5), by one standard deviation
        of each thing they rest on; `LEAST_SD` at the least, and a hold-off anywhere within `ANYWHERE_NM` of a flat
        ramp.
    """
    at = _figures(curve)
    preload, slope, hold = LEAST_SD.values()
    covariance = np.diag(np.array([preload, slope, hold, slope, hold]) ** 2)
    for moves in FIGURES:
        sd = {name: getattr(curve.spread, source) for name, source in moves.items()}
        up, down = (
            _figures(curve.moved(**{name: math.exp(sign * value) for name, value in sd.items()})) for sign in (1, -1)
        )
        covariance += np.outer(up - down, up - down) / 4
    for of_slope, of_hold in ((1, 2), (3, 4)):
        if at[of_slope] < FLAT:
            covariance[of_hold, of_hold] += ANYWHERE_NM**2
    return at, covariance


def _figures(curve: PredictedLockCurve) -> FloatArray:
    """(5,) in the order of the fitted curve's; what a curve does not have counts as zero."""
    values = (curve.preload_Nm, curve.drive_slope, curve.drive_hold_Nm, curve.coast_slope, curve.coast_hold_Nm)
    figures: FloatArray = np.clip([v or 0.0 for v in values], *CURVE_BOUNDS.T)
    return figures


@dataclass(frozen=True)
class _Data:
    """What was seen: means of slipping samples, and bounds, input torque and lower (m,)."""

    measured: SteadyMeans
    bound_at_Nm: FloatArray
    bound_Nm: FloatArray


def agree_and_diagnose(
    samples: SteadySamples,
    estimate: LockCurveEstimate,
    predicted: PredictedLockCurve,
    setup: Setup,
    car: Car,
    witness: Witness | None,
) -> Agreement:
    """Agreement by side with what would explain a disagreement and the odds against other builds.

    Parameters
    ----------
    samples : steady slipping samples of the whole session.
    estimate : the curve that saw nothing of the file, not the anchored one.
    predicted, setup : the file and the curve that follows from it.
    car : where its rear load transfer is a guess, no part is named: that figure bends the curve as other parts would.
    witness : of the same fit; None leaves the odds out.
    """
    found = agree(estimate, predicted)
    if car.load_transfer_is_guessed:
        return found
    return replace(
        found,
        diagnosis=diagnose(steady_means(samples, estimate), estimate, predicted, setup),
        odds=None if witness is None else odds(witness, predicted, setup),
    )


def diagnose(
    measured: SteadyMeans, estimate: LockCurveEstimate, predicted: PredictedLockCurve, setup: Setup | None = None
) -> Diagnosis | None:
    """Explanations ranked by evidence; None for an open differential or a spool, which have no parts to doubt.

    Parameters
    ----------
    measured : means of the slipping samples.
    estimate : the fitted curve, for its bounds.
    predicted : from the setup file as it is.
    setup : the file itself, for the explanation that doubts how its angles were read.

    Notes
    -----
    The file is left only for an explanation 10 times better than it; explanations within a factor of 3 of the best are
    tied. All are held equally likely beforehand.
    """
    if predicted.kind != "plate":
        return None
    data = _Data(measured, *_bounds(estimate))
    if not len(measured.torque_Nm) and not len(data.bound_at_Nm):
        return Diagnosis("cannot_tell", (), ())
    causes = possible_causes(predicted, setup)
    likelihoods = [_log_likelihoods(cause.curves, data) for cause in causes]
    evidence = np.array([logsumexp(each) - math.log(len(each)) for each in likelihoods])
    found = [
        _explanation(cause, each, float(math.exp(min(e - evidence[0], 50.0))), data)
        for cause, each, e in zip(causes, likelihoods, evidence, strict=True)
    ]
    ranked = tuple(sorted(found, key=lambda x: (-x.times_better, x.kind != "as_the_file_says")))
    return _concluded(ranked)


def _concluded(ranked: tuple[Explanation, ...]) -> Diagnosis:
    best = ranked[0]
    if best.times_better < STRONG:
        # the file stands; what is better than a bare mention stands beside it, what is as good is not excluded
        open_ = [x.kind for x in ranked if x.kind != "as_the_file_says" and x.times_better > 1 / BARE_MENTION]
        verdict = "cannot_tell_apart" if best.times_better >= BARE_MENTION else "as_the_file_says"
        kinds = ("as_the_file_says", *open_)
    else:
        kinds = tuple(x.kind for x in ranked if x.times_better > best.times_better / BARE_MENTION)
        verdict = "explained" if len(kinds) == 1 else "cannot_tell_apart"
    return Diagnosis(verdict, kinds, ranked)


def _bounds(estimate: LockCurveEstimate) -> tuple[FloatArray, FloatArray]:
    bounds = [p for p in estimate.points if p.kind == "bound" and p.lower_Nm]
    return np.array([p.input_torque_Nm for p in bounds]), np.array([p.lower_Nm for p in bounds])


def _file_slopes(curves: Sequence[PredictedLockCurve], torque_Nm: FloatArray) -> FloatArray:
    """(k, things, n) change of M of each curve by one standard deviation of each thing that the file is unsure of."""
    every = figures_of(curves)
    rows = []
    for moves in FIGURES:
        sd = {k: np.array([[getattr(curve.spread, source)] for curve in curves]) for k, source in moves.items()}
        up, down = (
            every.moved(**{k: np.exp(sign * v) for k, v in sd.items()}).locking_torque_Nm(torque_Nm) for sign in (1, -1)
        )
        rows.append((up - down) / 2)
    # where the file leaves open where the preload springs sit, either end is as likely: half the way is one deviation
    low, high = (
        replace(every, series_share=np.array([[end(c.series_shares)] for c in curves])).locking_torque_Nm(torque_Nm)
        for end in (max, min)
    )
    rows.append((high - low) / 2)
    return np.stack(rows, axis=1)


def _distances(curves: Sequence[PredictedLockCurve], seen: SteadyMeans) -> tuple[FloatArray, FloatArray]:
    """Squared Mahalanobis distance of the measured torques from each curve (k,), and the log determinants with it."""
    slopes = _file_slopes(curves, seen.torque_Nm)
    factor = np.linalg.cholesky(seen.covariance + slopes.swapaxes(1, 2) @ slopes)
    left = seen.locking_Nm - figures_of(curves).locking_torque_Nm(seen.torque_Nm)
    apart = np.linalg.solve(factor, left[:, :, None])[:, :, 0]
    return (apart**2).sum(axis=1), 2 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)


def _log_likelihoods(curves: Sequence[PredictedLockCurve], data: _Data) -> FloatArray:
    """(k,) of each curve."""
    total = np.zeros(len(curves))
    count = len(data.measured.torque_Nm)
    if count:
        square, log_determinant = _distances(curves, data.measured)
        total += gammaln((DEGREES + count) / 2) - gammaln(DEGREES / 2) - count / 2 * math.log(DEGREES * math.pi)
        total -= 0.5 * log_determinant + (DEGREES + count) / 2 * np.log1p(square / DEGREES)
    if len(data.bound_at_Nm):
        slopes = _file_slopes(curves, data.bound_at_Nm)
        sd = np.sqrt(BOUND_SD_NM**2 + (BOUND_SD_SHARE * data.bound_Nm) ** 2 + (slopes**2).sum(axis=1))
        margins = (figures_of(curves).locking_torque_Nm(data.bound_at_Nm) - data.bound_Nm) / sd
        for side in (data.bound_at_Nm < 0, data.bound_at_Nm >= 0):
            # neighbouring bounds come from the same corners: the strictest stands for its side
            if side.any():
                total += log_ndtr(margins[:, side].min(axis=1))
    return total


def _explanation(cause: Cause, log_likelihoods: FloatArray, times_better: float, data: _Data) -> Explanation:
    best = int(np.argmax(log_likelihoods))
    fits = True
    if len(data.measured.torque_Nm):
        (square,), _ = _distances(cause.curves[best : best + 1], data.measured)
        # of the F kind that a t of as many degrees has
        fits = bool(fdtrc(len(data.measured.torque_Nm), DEGREES, square / len(data.measured.torque_Nm)) > UNFIT)
    value = lower = upper = None
    if cause.unit is not None:
        value = float(cause.values[best])
        share = np.cumsum(np.exp(log_likelihoods - log_likelihoods.max()))
        share /= share[-1]
        lower, upper = (float(v) for v in np.interp([0.025, 0.975], share, cause.values))
        lower, upper = min(lower, value), max(upper, value)
    return Explanation(cause.kind, times_better, value, lower, upper, cause.unit, fits)
