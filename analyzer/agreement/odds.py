"""The odds between the setup file and what one might have fitted instead, from the measured side alone.

Each alternative is a lock curve with what its parts leave unsure of it, as a belief over the curve's five. Its evidence
is how likely the logs are under it, averaged over that belief and over tyre, car and sensors (`lockcurve.evidence`).
The odds of two are the ratio of their evidence. Nothing has to be agreed on what counts as different: what both allow
cannot tell them apart, and the odds stay near 1.

The logs' likelihood counts a corner pass as one look, and what no equation of the fit knows of errs in it as well. So
the odds as computed are too sure; their logarithm is multiplied by `TEMPER`, which is measured.

References
----------
Kass and Raftery, Bayes Factors, J. Am. Stat. Assoc. 90 (1995) 773 (evidence by Laplace's approximation; from memory).
"""

import math

import numpy as np

from analyzer.agreement.alternatives import alternatives
from analyzer.agreement.verdict import Odds, OddsAgainst
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.differential.setup import Setup
from analyzer.lockcurve.evidence import Witness
from analyzer.lockcurve.problem import CURVE_BOUNDS

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


def odds(witness: Witness, predicted: PredictedLockCurve, setup: Setup) -> Odds | None:
    """The odds of the setup file against each alternative; None where nothing else might be fitted."""
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
    each = [witness.log_evidence(*belief(curve.placed(share))) for share in curve.series_shares]
    return float(np.logaddexp.reduce(each)) - math.log(len(each))


def belief(curve: PredictedLockCurve) -> tuple[np.ndarray, np.ndarray]:
    """(5,) figures of a curve and (5, 5) their covariance, by one standard deviation of each thing it rests on."""
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


def _figures(curve: PredictedLockCurve) -> np.ndarray:
    """(5,) in the order of the fitted curve's; what a curve does not have counts as zero."""
    values = (curve.preload_Nm, curve.drive_slope, curve.drive_hold_Nm, curve.coast_slope, curve.coast_hold_Nm)
    return np.clip([v or 0.0 for v in values], *CURVE_BOUNDS.T)
