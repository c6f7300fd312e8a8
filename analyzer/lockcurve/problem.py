"""What is fitted: the chosen samples of one or several logs one behind the other, with their unknowns."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve.model import CurveAnchors, MOST_HOLD_Nm
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.unknowns import HOLDS, Measured, Owner, Unknowns, measured_by, unknowns
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import BOUNDS, Prior

LOCK_SD_Nm = 50.0  # scatter of the locking torque about its curve on a rough road; `fit.weighed` sees what it is
MOST_SAMPLES = 6000  # of a log
# how long tyres are taken for the same: a circuit of a minute or two keeps its corners in every stretch
STRETCH_S, MOST_STRETCHES = 100.0, 12
# of the torque that rear tyres take to their peak: preload springs outside the packs hold the ramps off by the preload
# over the slope, 70 to 500 N.m on the cars of tests/accuracy
HOLD_SD_SHARE = 0.2
PEAK_FORCE_SHARE = 0.45  # of the weight, what rear tyres take in a corner at their peak; common practice, no source
CURVE_BOUNDS = np.array([[0.0, 5000.0], [0.0, 3.0], [0.0, MOST_HOLD_Nm], [0.0, 3.0], [0.0, MOST_HOLD_Nm]])
FIRST = Owner()


@dataclass(frozen=True)
class LogPart:
    """The chosen samples of one log, (n,) each; `weight` is what one of them counts."""

    inputs: AxleInputs
    sign: FloatArray
    slipping: BoolArray
    locked: BoolArray
    group: IntArray
    slip_noise: FloatArray
    torque_rate_Nm_s: FloatArray
    stretch: IntArray
    weight: float
    owner: Owner
    sensors: Sensors
    measured: tuple[Measured, ...] = ()


@dataclass(frozen=True)
class Problem:
    """The samples of all logs one behind the other, (n,) each, with the unknowns.

    Attributes
    ----------
    sign : of the speed difference.
    group : number of the corner pass, no two logs share one.
    weight : what a sample counts.
    parts : where the samples of each log, or of each of its stretches, are.
    owners : whose they are.
    logs : the logs as a whole.
    anchors : what the parts say of a side's curve; None leaves the log alone to speak.
    lock_sd_Nm : scatter of the locking torque about its curve, of all samples or of each (n,).
    sensors : what all logs measured.
    widened : factor on the deviations of the answer, see `fit`.
    """

    inputs: AxleInputs
    sign: FloatArray
    slipping: BoolArray
    locked: BoolArray
    group: IntArray
    slip_noise: FloatArray
    torque_rate_Nm_s: FloatArray
    weight: FloatArray
    parts: tuple[slice, ...]
    owners: tuple[Owner, ...]
    logs: tuple[Owner, ...]
    unknowns: Unknowns
    car: Car
    hold_sd_Nm: float
    sensors: Sensors
    anchors: CurveAnchors | None = None
    lock_sd_Nm: FloatArray | float = LOCK_SD_Nm
    widened: float = 1.0

    @property
    def start(self) -> FloatArray:
        """(P,) where the unknowns begin."""
        return self.unknowns.start

    def values(self, theta: FloatArray, log: int = 0) -> dict[str, float]:
        """Parameters of one log by name, those of the log as a whole.

        Parameters
        ----------
        theta : (P,) unknowns.
        log : its place in `logs`.
        """
        found = self.unknowns.parameters(theta, self.logs[log])
        return dict(zip(self.unknowns.names, found.tolist(), strict=True))

    def sample_values(self, theta: FloatArray) -> dict[str, float | FloatArray]:
        """Parameters by name, as the axle's equations take them.

        Parameters
        ----------
        theta : (P,) unknowns.

        Returns
        -------
        dict : a float where all samples have the same, else (n,).
        """
        by_log = np.array([self.unknowns.parameters(theta, owner) for owner in self.owners])
        counts = [part.stop - part.start for part in self.parts]
        found: dict[str, float | FloatArray] = {}
        for name, values in zip(self.unknowns.names, by_log.T, strict=True):
            found[name] = float(values[0]) if np.ptp(values) == 0 else np.repeat(values, counts)
        return found

    def samples_of(self, log: Owner) -> IntArray:
        """Indices of a log's samples, of all its stretches, rising.

        Parameters
        ----------
        log : any owner of that source; its side and stretch do not count.
        """
        own = [
            np.arange(part.start, part.stop)
            for part, owner in zip(self.parts, self.owners, strict=True)
            if owner.source == log.source
        ]
        return np.concatenate(own)

    def curve_of(self, theta: FloatArray, part: int) -> FloatArray:
        """(5,) lock curve that the samples of a part follow, in the order of `model.NAMES`.

        Parameters
        ----------
        theta : (P,) unknowns.
        part : its place in `parts`.
        """
        return theta[self.unknowns.curve_slice(self.owners[part].side)]


def hold_sd_Nm(car: Car) -> float:
    """How far from zero the ramps may begin to clamp (N.m), one standard deviation."""
    return HOLD_SD_SHARE * PEAK_FORCE_SHARE * car.mass_kg * STANDARD_GRAVITY_M_S2 * car.rear_rolling_radius_m


def log_part(observed: Observations, *, owner: Owner = FIRST, measured: Sequence[Measured] = ()) -> LogPart:
    """Choose the samples of a log: all usable slipping or locked ones, thinned to at most `MOST_SAMPLES`.

    Parameters
    ----------
    owner : whose they are.
    measured : what the log tells as a whole besides.

    Returns
    -------
    LogPart : `weight` makes up for what was thinned, up to 1.
    """
    slipping = observed.usable & observed.slipping
    locked = observed.usable & observed.locked
    chosen = np.flatnonzero(slipping | locked)
    thin = max(1, int(np.ceil(len(chosen) / MOST_SAMPLES)))
    chosen = chosen[::thin]
    return LogPart(
        inputs=observed.inputs.take(chosen),
        sign=np.sign(observed.speed_difference_rad_s[chosen]),
        slipping=slipping[chosen],
        locked=locked[chosen],
        group=observed.group[chosen],
        slip_noise=observed.slip_noise[chosen],
        torque_rate_Nm_s=observed.torque_rate_Nm_s[chosen],
        stretch=stretches(observed.time_s[chosen]),
        weight=min(1.0, observed.weight * thin),
        owner=owner,
        measured=tuple(measured),
        sensors=observed.sensors,
    )


def stretches(time_s: FloatArray) -> IntArray:
    """In which of a log's equal stretches each sample is.

    Parameters
    ----------
    time_s : (n,) rising; stretches are of time, so one may have no sample.

    Returns
    -------
    ndarray : (n,) int from 0; stretches are of `STRETCH_S` or more, and `MOST_STRETCHES` at the most.
    """
    length = float(time_s[-1] - time_s[0]) if len(time_s) else 0.0
    count = int(np.clip(length / STRETCH_S, 1, MOST_STRETCHES))
    share = (time_s - time_s[0]) / max(length, 1e-9) if len(time_s) else time_s
    number: IntArray = np.minimum((share * count).astype(int), count - 1)
    return number


def owners_of(parts: Sequence[LogPart]) -> list[Owner]:
    """Whose the samples of some logs are, stretch by stretch."""
    return [owner for part in parts for owner, _ in _cut(part)]


def _cut(part: LogPart) -> list[tuple[Owner, int]]:
    """Owner and number of samples of each stretch of a log; of all of it, where there is but one."""
    numbers, counts = np.unique(part.stretch, return_counts=True)
    if len(numbers) < 2:
        return [(part.owner, len(part.inputs))]
    each = zip(numbers.tolist(), counts.tolist(), strict=True)
    return [(replace(part.owner, stretch=number), count) for number, count in each]


def make_problem(observed: Observations, car: Car, priors: Sequence[Prior]) -> Problem:
    """The problem of one log that measures nothing as a whole.

    Parameters
    ----------
    priors : of the log's parameters, as `parameters.priors` gives them.
    """
    part = log_part(observed)
    return joined([part], car, unknowns(priors, owners_of([part]), hold_sd_Nm=hold_sd_Nm(car)))


def joined(parts: Sequence[LogPart], car: Car, made: Unknowns) -> Problem:
    """The problem of several logs; what each log measures as a whole is added to the unknowns' beliefs.

    Parameters
    ----------
    parts : of each log; their samples stand one behind the other.
    made : the unknowns, for the owners that `owners_of(parts)` gives.
    """
    for part in parts:
        made = measured_by(made, part.owner, part.measured)
    counts = [len(part.inputs) for part in parts]
    cut = [piece for part in parts for piece in _cut(part)]
    ends = np.cumsum([0, *(count for _, count in cut)])
    groups = np.cumsum([0, *(int(p.group.max(initial=-1)) + 1 for p in parts)])
    inputs = {f.name: np.concatenate([getattr(p.inputs, f.name) for p in parts]) for f in fields(AxleInputs)}
    return Problem(
        inputs=AxleInputs(**inputs),
        sign=np.concatenate([p.sign for p in parts]),
        slipping=np.concatenate([p.slipping for p in parts]),
        locked=np.concatenate([p.locked for p in parts]),
        slip_noise=np.concatenate([p.slip_noise for p in parts]),
        torque_rate_Nm_s=np.concatenate([p.torque_rate_Nm_s for p in parts]),
        group=np.concatenate([p.group + g for p, g in zip(parts, groups, strict=False)]),
        weight=np.repeat([p.weight for p in parts], counts),
        parts=tuple(slice(int(a), int(b)) for a, b in pairwise(ends)),
        owners=tuple(owner for owner, _ in cut),
        logs=tuple(p.owner for p in parts),
        unknowns=made,
        car=car,
        hold_sd_Nm=hold_sd_Nm(car),
        sensors=Sensors.common(p.sensors for p in parts),
    )


def anchored(problem: Problem, anchors: CurveAnchors) -> Problem:
    """The same problem with what the parts say of its curve.

    A hold-off that they state keeps nothing of the weak belief that it is small: preload springs outside the packs
    alone take it to a few hundred N.m.

    Parameters
    ----------
    problem : of one lock curve; of two, the first is anchored.
    """
    made = problem.unknowns
    first = made.curve_slice(0).start
    stated = [anchors.drive_hold is not None, anchors.coast_hold is not None]
    weak = {first + hold for hold, told in zip(HOLDS, stated, strict=True) if told}
    keep = np.array([set(np.flatnonzero(row)) - weak != set() for row in made.rows])
    groups = tuple(g for g, k in zip(made.groups, keep, strict=True) if k)
    made = replace(made, rows=made.rows[keep], targets=made.targets[keep], groups=groups)
    return replace(problem, unknowns=made, anchors=anchors)


def bounded(problem: Problem, theta: FloatArray) -> FloatArray:
    """Unknowns moved inside the limits of tyre and lock curve (`BOUNDS`, `CURVE_BOUNDS`); the argument stays as it is.

    Parameters
    ----------
    theta : (P,).
    """
    theta = theta.copy()
    for j, column in enumerate(problem.unknowns.columns):
        if column.name in BOUNDS and not column.adds:
            theta[j] = np.clip(theta[j], *BOUNDS[column.name])
    for side in range(problem.unknowns.sides):
        at = problem.unknowns.curve_slice(side)
        theta[at] = np.clip(theta[at], CURVE_BOUNDS[:, 0], CURVE_BOUNDS[:, 1])
    return theta
