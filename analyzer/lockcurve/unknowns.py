"""What a fit may move, whose it is, and what is believed of it before the log is looked at.

A parameter has one column for all logs (tyre, car, sensor pose), or one a log (sensors' zeros, wheel scales), or one a
side of a comparison; and it may have columns that add to it, for what a log's tyre differs by. The value of a sample is
the sum of its columns. Behind them stand the lock curves' five, a set a side.

What is believed is a list of rows: weights @ unknowns = target, within one standard deviation. The car file's limits
are one row a parameter; a measurement that the session makes as a whole is a row over several; so is a tie.
"""

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.vehicle.parameters import Prior

CURVE = len(model.NAMES)
HOLD_NAMES = ("drive_hold_Nm", "coast_hold_Nm")
HOLDS = tuple(model.NAMES.index(n) for n in HOLD_NAMES)
LOCK_CURVE = "lock_curve"  # the group of beliefs that only keep the fit regular
HOLD_OFF = "hold_off"
ALL: tuple[str, Hashable] = ("all", None)
SHARED_GROUPS = ("tyre", "car", "radius", "sensor_pose", "plates")
# gyro, tracks and radii stay in the car
SHARED_NAMES = ("log_yaw_scale", "log_speed_scale", "log_front_track")
# Of the variance of what calibration leaves of a sensor's zero, the share that is the same in all runs: how the sensor
# sits in the car, how the car pitches, the circuit's camber. Before and after it cancels. The zeros of repeated
# simulated runs of one car differed by less yet: by a third of the longitudinal variance, 3 % of the lateral.
ALIKE_SHARE = {"long_bias": 0.5, "lat_bias": 0.85, "yaw_bias": 0.75, "steer_offset": 0.5}
# Tyres of one set are warmer, dirtier or more worn in one log than in the next; common practice, no source
BETWEEN_LOGS_SD = {"log_friction": 0.03, "log_slip_stiffness": 0.04}
# from one stretch of a log to the next: warm-up takes a few per cent a minute, rain or oil thirty at once; common
# practice, no source. The log tells friction within a stretch to some per cent whatever is believed.
DRIFT_SD = {"log_friction": 0.05, "log_slip_stiffness": 0.04}
MEAN_SD = 1e-3  # of what stretches add on average: nothing, for that is the log's own figure
CURVE_START = (60.0, 0.2, None, 0.1, None)  # None: the hold-off's own
CURVE_SD = (1000.0, 10.0, None, 10.0, None)
HOLD_START_SHARE = 0.12  # of the hold-off's standard deviation


@dataclass(frozen=True)
class Measured:
    """Something the session measures as a whole: sum of coefficient times parameter = value, within `deviation`."""

    coefficients: Mapping[str, float]
    value: float
    deviation: float
    group: str
    code: str


@dataclass(frozen=True)
class Owner:
    """Whose samples they are: side 0 or 1 of a comparison, the log (laps of one recording are one source), and where a
    log is long enough for its tyres to change, which stretch of it; None is the log as a whole. Logs of one course are
    driven on the same ground."""

    side: int = 0
    source: Hashable = 0
    course: Hashable = None
    stretch: int | None = None


@dataclass(frozen=True)
class Column:
    """One unknown: parameter `name` of all, of a side, of a log; or, where `adds`, what these add to it."""

    name: str
    owner: tuple[str, Hashable]
    group: str
    adds: bool = False

    def counts_for(self, owner: Owner) -> bool:
        """Whether it is part of the value of that owner's samples."""
        kind, whose = self.owner
        if kind == "stretch":
            return whose == (owner.source, owner.stretch)
        return kind == "all" or whose == (owner.side if kind == "side" else owner.source)


@dataclass(frozen=True)
class Unknowns:
    """Columns and beliefs of a fit.

    Attributes
    ----------
    names : the parameters, in order.
    columns : the nuisance unknowns; the curves' follow them.
    sides : how many lock curves there are.
    rows : (m, P) weights of the beliefs, over their standard deviations.
    targets : (m,) what they should give, over the same.
    groups : (m,) source of each, for the budget; `lock_curve` where nobody believes it.
    start : (P,) where the unknowns begin.
    """

    names: tuple[str, ...]
    columns: tuple[Column, ...]
    sides: int
    rows: FloatArray
    targets: FloatArray
    groups: tuple[str, ...]
    start: FloatArray

    @property
    def count(self) -> int:
        """P, of all unknowns."""
        return len(self.columns) + CURVE * self.sides

    @property
    def information(self) -> FloatArray:
        """(P, P) of the beliefs."""
        return self.rows.T @ self.rows

    @property
    def believed(self) -> BoolArray:
        """(m,) bool: beliefs that somebody holds; preload and slopes have weak ones that only keep the fit regular."""
        return np.array([group != LOCK_CURVE for group in self.groups])

    def curve_slice(self, side: int) -> slice:
        """Where the lock curve of a side stands among the unknowns; `side` is 0, or 1 of a comparison's second."""
        first = len(self.columns) + CURVE * side
        return slice(first, first + CURVE)

    def curves(self, theta: FloatArray) -> FloatArray:
        """Lock curves of all sides, (..., sides, 5).

        Parameters
        ----------
        theta : (..., P) unknowns.
        """
        return theta[..., len(self.columns) :].reshape(*theta.shape[:-1], self.sides, CURVE)

    def active(self, owner: Owner) -> IntArray:
        """Indices (q,) of the nuisance columns that count for an owner, rising."""
        return np.array([i for i, column in enumerate(self.columns) if column.counts_for(owner)])

    def parameters(self, theta: FloatArray, owner: Owner) -> FloatArray:
        """Values of an owner's parameters, the sum of the columns that count for it.

        Parameters
        ----------
        theta : (..., P) unknowns.
        owner : its stretch None gives the log's own figures, without what stretches add.

        Returns
        -------
        ndarray : (..., names) in the order of `names`.
        """
        place = {name: i for i, name in enumerate(self.names)}
        found = np.zeros((*theta.shape[:-1], len(self.names)))
        for i in self.active(owner):
            found[..., place[self.columns[i].name]] += theta[..., i]
        return found

    def with_row(self, weights: Mapping[int, float], target: float, deviation: float, group: str) -> "Unknowns":
        """One belief more: sum of weight times unknown = target, within `deviation`.

        Parameters
        ----------
        weights : index of an unknown -> its weight.
        target, deviation : in the unit of the sum.
        group : its source in the budget.
        """
        row = np.zeros((1, self.count))
        for i, weight in weights.items():
            row[0, i] = weight / deviation
        return self.with_rows(row, np.array([target / deviation]), group)

    def with_rows(self, rows: FloatArray, targets: FloatArray, group: str) -> "Unknowns":
        """Several beliefs more.

        Parameters
        ----------
        rows : (m, P) weights, over the beliefs' standard deviations.
        targets : (m,) over the same.
        group : the source of all of them in the budget.
        """
        return replace(
            self,
            rows=np.vstack([self.rows, rows]),
            targets=np.append(self.targets, targets),
            groups=(*self.groups, *[group] * len(rows)),
        )


def unknowns(
    priors: Sequence[Prior],
    owners: Sequence[Owner],
    *,
    hold_sd_Nm: float,
    own: tuple[str, ...] = (),
    tie_sd_Nm: tuple[float, float] | None = None,
    tie_preload: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0)),
    alike: bool = False,
    tyre_drifts: bool = False,
) -> Unknowns:
    """The unknowns of some logs.

    Parameters
    ----------
    priors : of every log's parameters, the same in all.
    owners : of the logs.
    hold_sd_Nm : how far off the hold-offs may be.
    own : groups and parameters that each side has to itself.
    tie_sd_Nm : how far apart the hold-offs of two sides may be, on drive and on coast; None: each is free.
    tie_preload : what of a hold-off goes with the preload, lambda over the slope, before and after, on drive and on
        coast: preload springs outside the packs hold the ramps off too, and the tie is then between what is left.
    alike : what calibration leaves of a sensor is partly one error in all logs of a course (`ALIKE_SHARE`).
    tyre_drifts : each log's tyre differs from the others' by `BETWEEN_LOGS_SD`.
    """
    several = len({o.source for o in owners}) > 1
    stretched = {o.source for o in owners if o.stretch}
    entries: dict[Column, Prior] = {}
    for prior in priors:
        for owner in owners:
            entries.setdefault(Column(prior.name, _whose(prior, owner, own), prior.group), prior)
            if tyre_drifts and several and prior.name in BETWEEN_LOGS_SD:
                adds = Column(prior.name, ("log", owner.source), prior.group, adds=True)
                entries.setdefault(adds, replace(prior, start=0.0, deviation=BETWEEN_LOGS_SD[prior.name]))
            if owner.source in stretched and prior.name in DRIFT_SD:
                adds = Column(prior.name, ("stretch", (owner.source, owner.stretch)), prior.group, adds=True)
                entries.setdefault(adds, replace(prior, start=0.0, deviation=DRIFT_SD[prior.name]))
    columns = tuple(entries)
    sides = 1 + max(o.side for o in owners)
    start = np.array([p.start for p in entries.values()] + [0.0] * CURVE * sides)
    deviation = np.array([p.deviation for p in entries.values()] + [1.0] * CURVE * sides)
    groups = [p.group for p in entries.values()] + [LOCK_CURVE] * CURVE * sides
    for side in range(sides):
        for i in range(CURVE):
            at = len(columns) + CURVE * side + i
            begin, sd = CURVE_START[i], CURVE_SD[i]
            start[at] = HOLD_START_SHARE * hold_sd_Nm if begin is None else begin
            deviation[at] = hold_sd_Nm if sd is None else sd
            if sd is None:
                groups[at] = HOLD_OFF
    rows = np.diag(1 / deviation)
    _walk(rows, columns)
    if alike:
        courses = {o.source: o.course for o in owners}
        for course in dict.fromkeys(courses.values()):
            _tie_left_overs(rows, columns, deviation, {source for source, on in courses.items() if on == course})
    made = Unknowns(tuple(p.name for p in priors), columns, sides, rows, rows @ start, tuple(groups), start)
    if tie_sd_Nm is not None and sides == 2:
        for hold, sd, (share_before, share_after) in zip(HOLDS, tie_sd_Nm, tie_preload, strict=True):
            before, after = len(columns) + hold, len(columns) + CURVE + hold
            preload = {len(columns): share_before, len(columns) + CURVE: -share_after}
            # one prior for the level, on the side before; the tie is what is known of the other
            made.rows[after, after] = 0.0
            made.targets[after] = 0.0
            made = made.with_row({before: -1.0, after: 1.0, **preload}, 0.0, sd, HOLD_OFF)
    return made


def measured_by(made: Unknowns, owner: Owner, found: Sequence[Measured]) -> Unknowns:
    """`made` with what one log measures as a whole; a parameter's coefficient counts for each column that adds to it.

    Parameters
    ----------
    owner : of the log as a whole.
    found : what it measures; a parameter that the problem does not have is left out of the sum.
    """
    for one in found:
        weights: dict[int, float] = {}
        for i in made.active(owner):
            weight = one.coefficients.get(made.columns[i].name)
            if weight is not None:
                weights[int(i)] = weight
        made = made.with_row(weights, one.value, one.deviation, one.group)
    return made


def _walk(rows: FloatArray, columns: Sequence[Column]) -> None:
    """What stretches of a log add as a random walk about nothing: rows of steps, and one of their mean."""
    walks: dict[tuple[str, Hashable], list[int]] = {}
    for i, column in enumerate(columns):
        kind, whose = column.owner
        if kind == "stretch" and isinstance(whose, tuple):
            walks.setdefault((column.name, whose[0]), []).append(i)
    for (name, _), at in walks.items():
        step = np.diff(np.eye(len(at)), axis=0) / DRIFT_SD[name]
        rows[np.ix_(at, at)] = np.vstack([step, np.full(len(at), 1 / (len(at) * MEAN_SD))])


def _tie_left_overs(
    rows: FloatArray, columns: Sequence[Column], deviation: FloatArray, sources: Collection[Hashable]
) -> None:
    """Some logs' left-overs of one sensor as partly one error: covariance a^2 1 1' + diag(sd_k^2 - a^2)."""
    for name, share in ALIKE_SHARE.items():
        at = [i for i, c in enumerate(columns) if c.name == name and c.owner[0] == "log" and c.owner[1] in sources]
        if len(at) < 2:
            continue
        variance = deviation[at] ** 2
        alike = share * variance.min()
        covariance = np.diag(variance - alike) + alike
        rows[np.ix_(at, at)] = np.linalg.cholesky(np.linalg.inv(covariance)).T


def _whose(prior: Prior, owner: Owner, own: tuple[str, ...]) -> tuple[str, Hashable]:
    if prior.group in own or prior.name in own:
        return "side", owner.side
    if prior.group in SHARED_GROUPS or prior.name in SHARED_NAMES:
        return ALL
    return "log", owner.source
