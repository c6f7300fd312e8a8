"""The parameters of several logs fitted at once: which are one for all, and which a log's, a side's or a source's own.

Where the ramps begin to clamp (hold-off) is tied between the sides: a workshop changes it on purpose (ring springs,
ramps) or not at all. Left free, it trades against preload and slope and makes both changes look unknown. The logs
cannot say whether it holds: with and without the tie they fit alike, and a changed ring spring passes for less preload
and less on drive. So the tie is loosened by as much as the setup files speak of, or dropped by whoever knows.
"""

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Problem
from analyzer.vehicle.parameters import Prior

SHARED_GROUPS = ("tyre", "car")
SHARED_NAMES = ("log_yaw_scale",)  # gyro and tracks stay in the car
# Of the variance of what calibration leaves of a sensor's zero, the share that is alike in all runs: how the sensor
# sits in the car, how the car pitches, the circuit's camber. Before and after it cancels. The zeros of repeated
# simulated runs of one car differed by less yet: by a third of the longitudinal variance, 3 % of the lateral.
ALIKE_SHARE = {"long_bias": 0.5, "lat_bias": 0.85, "yaw_bias": 0.75, "steer_offset": 0.5}
CURVE = len(model.NAMES)
HOLD_NAMES = ("drive_hold_Nm", "coast_hold_Nm")
HOLDS = tuple(model.NAMES.index(n) for n in HOLD_NAMES)


@dataclass(frozen=True)
class JointLog:
    """One log of a comparison.

    Attributes
    ----------
    problem : its samples and priors; priors alike in all logs.
    side : 0 before, 1 after.
    source : logs of one source (laps of one recording) share their calibration left-overs as well.
    clusters : what each of the problem's groups, in rising order, is resampled with (a corner of the circuit).
    """

    problem: Problem
    side: int
    source: Hashable
    clusters: tuple[tuple, ...]


class Layout:
    """Which entries of the joint parameters are each log's: of all, its side's, its source's, and the curve."""

    def __init__(
        self, logs: tuple[JointLog, ...], *, tie_sd_Nm: tuple[float, float] | None, own: tuple[str, ...], alike: bool
    ) -> None:
        priors = logs[0].problem.priors
        columns: dict[tuple, int] = {}
        self.index = []
        for log in logs:
            for j, prior in enumerate(priors):
                columns.setdefault(_owner(j, prior, log, own), len(columns))
        self.size = len(columns) + 2 * CURVE
        # the owner's first entry is the place of its prior
        self.names = [(priors[key[0]].name, priors[key[0]].group) for key in columns]
        self.names += [(name, "lock_curve") for name in (*model.NAMES, *model.NAMES)]
        for log in logs:
            nuisance = [columns[_owner(j, prior, log, own)] for j, prior in enumerate(priors)]
            curve = len(columns) + CURVE * log.side + np.arange(CURVE)
            self.index.append(np.concatenate([nuisance, curve]).astype(int))
        self.start, diagonal = np.zeros(self.size), np.zeros(self.size)
        for log, entries in zip(logs, self.index, strict=True):
            self.start[entries], diagonal[entries] = log.problem.start, log.problem.information
        self.information = np.diag(diagonal)
        if alike:
            self._tie_left_overs(priors, columns)
        if tie_sd_Nm is not None:
            for hold, deviation in zip(HOLDS, tie_sd_Nm, strict=True):
                tie = 1 / deviation**2
                before, after = self.size - 2 * CURVE + hold, self.size - CURVE + hold
                # one prior for the level, on the side before; the tie is what is known of the other
                self.information[after, after] = tie
                self.information[before, before] += tie
                self.information[before, after] = self.information[after, before] = -tie

    def _tie_left_overs(self, priors: tuple[Prior, ...], columns: dict[tuple, int]) -> None:
        """The logs' left-overs of one sensor as partly one error: covariance a^2 1 1' + diag(sd_k^2 - a^2)."""
        for j, prior in enumerate(priors):
            entries = [column for key, column in columns.items() if key[:2] == (j, "source")]
            if prior.name not in ALIKE_SHARE or len(entries) < 2:
                continue
            variance = 1 / np.diag(self.information)[entries]
            alike = ALIKE_SHARE[prior.name] * variance.min()
            covariance = np.diag(variance - alike) + alike
            self.information[np.ix_(entries, entries)] = np.linalg.inv(covariance)

    def curves(self, theta: np.ndarray) -> np.ndarray:
        """(..., 2, 5) curves before and after, of joint parameters (..., size)."""
        return theta[..., -2 * CURVE :].reshape(*theta.shape[:-1], 2, CURVE)

    def prior_loss(self, theta: np.ndarray) -> float:
        """Half the squared distance of joint parameters (size,) from where they start, in the priors' own measure."""
        off = theta - self.start
        return float(0.5 * off @ self.information @ off)


def _owner(j: int, prior: Prior, log: JointLog, own: tuple[str, ...]) -> tuple:
    """What a nuisance parameter belongs to: the same key, the same parameter. `own` names groups and parameters that
    each side has to itself."""
    if prior.group in own or prior.name in own:
        return j, "side", log.side
    if prior.group in SHARED_GROUPS or prior.name in SHARED_NAMES:
        return j, "all"
    return j, "source", log.source
