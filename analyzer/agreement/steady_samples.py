"""What the slipping samples say by themselves, without a curve fitted through them: means over narrow bands of torque.

The fitted curve is a hinge with weak beliefs about where it bends; causes that move the bend are better weighed by the
samples themselves.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.arrays import FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.session_state import AxleState
from analyzer.phases.phases import Corner
from analyzer.signals.session import Signals

# while the torque runs through zero as the throttle opens, tyre and body lag and the split reads some 40 N.m high
# (simulated cars with known truth); 100 N.m in 0.1 s
FASTEST_NM_S = 1000.0
MOST_USE = 1.2  # combined slip over slip at peak force
BANDS = 12
NARROWEST_NM = 60.0
LEAST_S = 0.3  # of a band: twice the shortest event (`findings.events.LEAST_S`)
LEAST_PASSES = 3
# a real curve is no perfect hinge, and the error of the split is not the same at all torques
FORM_NM, FORM_SHARE = 8.0, 0.04


@dataclass(frozen=True)
class SteadySamples:
    """Slipping samples off the brakes with a steady torque and a tyre that holds. Arrays (n,).

    Attributes
    ----------
    time_s : log time of the sample.
    input_torque_Nm, locking_torque_Nm : T_in and M of the sample.
    corner_pass : number of the corner pass, counted over the session.
    rate_hz : sample rate.
    """

    time_s: FloatArray
    input_torque_Nm: FloatArray
    locking_torque_Nm: FloatArray
    corner_pass: IntArray
    rate_hz: float


@dataclass(frozen=True)
class SteadyMeans:
    """(k,) input torques and mean locking torques (N.m) of the bands, and the (k, k) covariance of the means."""

    torque_Nm: FloatArray
    locking_Nm: FloatArray
    covariance: FloatArray


def steady_samples(signals: Signals, corners: Sequence[Corner], axle: AxleState) -> SteadySamples:
    """Samples that speak for themselves; past a tyre's peak the fitted curve is in the split, so those are left out.

    Parameters
    ----------
    corners : of the session; samples outside of them do not count.
    axle : fitted state of the same samples.
    """
    torque = axle.input_torque_Nm
    locking = -np.sign(axle.speed_difference_rad_s) * axle.torque_difference_Nm
    which = np.full(len(torque), -1)
    for k, corner in enumerate(corners):
        which[corner.start : corner.stop] = k
    use = axle.slipping & ~axle.braked & np.isfinite(locking) & (which >= 0)
    use &= np.abs(np.gradient(torque, signals.time_s)) < FASTEST_NM_S
    use &= np.maximum(axle.use_left, axle.use_right) < MOST_USE
    index = np.flatnonzero(use)
    return SteadySamples(signals.time_s[index], torque[index], locking[index], which[index], signals.rate_hz)


def steady_samples_of_all(parts: Sequence[SteadySamples], passes: Sequence[int]) -> SteadySamples:
    """One set from those of a session's stretches.

    Parameters
    ----------
    parts : in order of time.
    passes : how many corner passes each stretch has, by which the numbers of the next are moved on.
    """
    before = np.cumsum([0, *passes[:-1]])
    return SteadySamples(
        np.concatenate([p.time_s for p in parts]),
        np.concatenate([p.input_torque_Nm for p in parts]),
        np.concatenate([p.locking_torque_Nm for p in parts]),
        np.concatenate([p.corner_pass + k for p, k in zip(parts, before, strict=True)]),
        parts[0].rate_hz,
    )


def steady_means(samples: SteadySamples, estimate: LockCurveEstimate) -> SteadyMeans:
    """Mean locking torque of steady slipping samples by band of input torque.

    Parameters
    ----------
    estimate : the fitted curve; of it only the spread of its draws is used.

    Returns
    -------
    SteadyMeans : k bands that were seen long enough and in enough passes; k may be 0.

    Notes
    -----
    A corner pass is one look: its mean counts by its samples, and the scatter between passes gives the sampling error.
    What the bands share (tyre, car, sensors) comes from the covariance of the fit's draws at the same torques.
    """
    torque, locking, which = samples.input_torque_Nm, samples.locking_torque_Nm, samples.corner_pass
    rows = []
    if len(torque):
        low, high = np.percentile(torque, [1, 99])
        edges = np.arange(low, high + NARROWEST_NM, max(NARROWEST_NM, (high - low) / BANDS))
        band = np.digitize(torque, edges)
        rows = [
            _mean(torque[band == b], locking[band == b], which[band == b], samples.rate_hz) for b in np.unique(band)
        ]
    found = np.array([r for r in rows if r is not None]).reshape(-1, 3)
    at, mean, variance = found.T
    covariance = np.diag(variance + (FORM_NM + FORM_SHARE * np.abs(mean)) ** 2)
    if len(at) and len(estimate.replicates) > 1:
        draws = model.locking_torque_Nm(np.nan_to_num(estimate.replicates)[:, :, None], at)
        covariance = covariance + np.cov(draws.T)
    return SteadyMeans(at, mean, covariance)


def _mean(
    torque: FloatArray, locking: FloatArray, which: IntArray, rate_hz: float
) -> tuple[float, float, float] | None:
    """(input torque, locking torque, variance of the mean) of one band; None where too little was seen of it."""
    passes, inverse, counts = np.unique(which, return_inverse=True, return_counts=True)
    if len(passes) < LEAST_PASSES or counts.sum() / rate_hz < LEAST_S:
        return None
    means = np.bincount(inverse, weights=locking) / counts
    share = counts / counts.sum()
    mean = float(share @ means)
    # clusters of unequal size; few of them understate the spread
    variance = float((share**2) @ (means - mean) ** 2) * len(passes) / (len(passes) - 1)
    return float(torque.mean()), mean, variance
