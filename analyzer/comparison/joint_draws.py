"""How sure a joint fit is: draws of all its parameters, and what the form of the tyre curve gets wrong.

Corner passes are resampled as corners, with the passes before and after together: what the model gets wrong in a corner
it gets wrong on both sides, and that cancels in the difference.
"""

import numpy as np
from scipy.special import ndtri, stdtrit

from analyzer.lockcurve import model
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error
from analyzer.lockcurve.unknowns import CURVE

SLOPES = tuple(model.NAMES.index(n) for n in ("drive_slope", "coast_slope"))
# A changed slope is known to a factor, whose logarithm has this standard deviation, and the preload errs the other way,
# by as much as keeps the curve at `PIVOT_SHARE` of the median slipping torque in its place: where the tyre's form is
# wrong, the error differs with what the wheels do. From simulated pairs with a tyre of another form, drive slope 40 and
# 60 % up. A factor widens the interval of a change but makes none of nothing.
SLOPE_CHANGE_LOG_SD = 0.4
PIVOT_SHARE = 0.2


def joint_draws(theta: np.ndarray, influence: np.ndarray, clusters: tuple[tuple, ...], prior: np.ndarray) -> np.ndarray:
    """(k, size): corners resampled whole, both sides together, and beliefs redrawn, as in `lockcurve.uncertainty`.

    Parameters
    ----------
    influence, prior : (passes, size) and (beliefs, size), what each pass and each belief moves the unknowns by.
    """
    rng = np.random.default_rng(SEED)
    names = list(dict.fromkeys(clusters))
    member = np.array([names.index(c) for c in clusters])
    count = len(names)
    times = rng.multinomial(count, np.full(count, 1 / count), size=REPLICATES)
    sampling = (times - 1)[:, member] @ influence * few_corners(count)
    return theta + sampling + rng.standard_normal((REPLICATES, len(prior))) @ prior


def few_corners(count: int) -> float:
    """How much wider than the normal distribution Student's t is over `count` corners, at 97.5 %.

    Examples
    --------
    >>> round(few_corners(8), 2)
    1.21

    References
    ----------
    Cameron, Gelbach and Miller, Rev. Econ. Stat. 90, 2008 (few clusters; from memory).
    """
    return float(stdtrit(max(count - 1, 1), 0.975) / ndtri(0.975))


def form_error(fitted: np.ndarray, slipping_torque_Nm: np.ndarray) -> np.ndarray:
    """(k, 2, 5): what the form of the tyre curve gets wrong, alike on both sides, and of a changed slope besides."""
    error = np.empty((REPLICATES, 2, CURVE))
    for side in (0, 1):  # the same seed: the same error of the tyre
        rng = np.random.default_rng(SEED + 1)
        error[:, side] = model_error(
            fitted[side], slipping_torque_Nm=slipping_torque_Nm, rng=rng, replicates=REPLICATES
        )
    rng = np.random.default_rng(SEED + 2)
    for slope, sign in zip(SLOPES, (1.0, -1.0), strict=True):
        on_side = sign * slipping_torque_Nm[sign * slipping_torque_Nm > 0]
        off = np.expm1(SLOPE_CHANGE_LOG_SD * rng.standard_normal(REPLICATES)) * (fitted[1, slope] - fitted[0, slope])
        error[:, 1, slope] += off
        error[:, 1, 0] -= PIVOT_SHARE * off * (np.median(on_side) if len(on_side) else 0.0)
    return error
