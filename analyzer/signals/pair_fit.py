"""Two channels brought to one quantity on one grid, and what a pair test says of them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from analyzer.robust import by_cauchy, regression, scatter
from analyzer.signals.log_view import RATE_HZ

BLOCK_S = 8.0  # a corner: within it errors go together
SURE = 2.0  # standard deviations beyond a limit
SIDES_APART = 1.2  # a ratio's limits in turns of one side: the circuit's cross slope does not even out there
# of the turning to one side, to the other: an oval, whose straights and the gyro's zero make half of that
ONE_WAY = 0.1
SURE_OF_A_PART = 4.0  # of a third of the log, in which a few corners stand for all
LEAST_S = 20.0  # of usable samples
# of a front wheel's load over the static one, per m/s2 across: 2 h/(g t); times 0.3 % of radius per unit of load
RADIUS_BY_LOAD_S2_M = 2.4e-4
FRONT_BY_LATERAL = 0.84  # the front wheels' turn over lateral acceleration / speed, least of sound cars
USUAL_WHEELBASE_M, USUAL_RATIO = 2.5, 14.0  # without a car file, with wider limits
LATEST_S = 2.0  # as in delays.py
LEAST_LEFT = 1e-9  # of what is known of a factor: one block may hold all of it
TOLD_BY = 0.6  # correlation that tells a delay; sound pedals have 0.73 at least
# beyond what a car, a pedal and half a second's mean make of it, 0.3 s at most on 32 sound sessions
MOST_LATE_S = 0.4
# standard deviations of bell-shaped means: the first less the second keeps what takes a second or less (most at 1.5 and
# at 0.76 Hz), the last what takes longer; and how long all rows about one must be usable
QUICK_S, SLOW_S, AROUND_S = ((0.1, 0.2), (0.2, 0.4)), 0.8, 1.5
# what another channel shows over what wheels do: wheels that lock or spin are quicker than the car, none is slower.
# 0.06 to 1.05 on 77 sound logs, 1.1 and more behind a low-pass of 0.3 s. Two of which one shows less than half of the
# other where they are slow are another test's business
QUICK_OVER_SLOW, GOES_ALONG = 1.1, 0.5
USUAL_PERCENT = 98.0  # the rest are wheels that lock, and a log's ragged ends
SCALES = ("wheel_scale", "time", "car", "radius")  # what makes a ratio wrong, and leaves the two going together
# what lies between two channels: values (m,), and mean and standard deviation of their factor
Between = Sequence[tuple[FloatArray, float, float]]


@dataclass(frozen=True)
class PairTest:
    """One test of channels against each other.

    Attributes
    ----------
    name : what is held against what.
    holds : what the test hangs on: canonical channels, `front_wheels`, `rear_wheels`, `wheel_scale` (unit of all
        wheels), `position`, `time`, `car` (its track or steering ratio), `radius`.
    number, deviation : what was found and its standard deviation; None where it cannot be tested.
    lowest, highest : what a car and honest sensors show; None where there is no such end.
    unit : of the number, '1' for a ratio.
    outcome : `agrees`, `disagrees` or `untested`.
    reason : why it cannot be tested, or what the number means.
    """

    name: str
    holds: frozenset[str]
    number: float | None
    deviation: float | None
    lowest: float | None
    highest: float | None
    unit: str
    outcome: str
    reason: str

    @property
    def is_one_sided(self) -> bool:
        return self.lowest is None or self.highest is None

    @property
    def is_within(self) -> bool:
        """Whether the number itself lies within the limits, its error left aside."""
        if self.number is None:
            return False
        above = self.lowest is None or self.number >= self.lowest
        return above and (self.highest is None or self.number <= self.highest)

    @property
    def ends(self) -> str:
        """The limits in words."""
        if self.lowest is None and self.highest is None:
            return ""
        if self.lowest is None:
            return f"{self.highest:.4g} at most"
        return f"{self.lowest:.4g} at least" if self.highest is None else f"{self.lowest:.4g} to {self.highest:.4g}"


@dataclass(frozen=True)
class PairFit:
    ratio: float
    deviation: float
    together: float  # correlation of both once what lies between them is taken out
    factors: FloatArray  # the ratio, then those of what lies between
    deviations: FloatArray  # of each


def fit_pair(
    a: FloatArray,
    b: FloatArray,
    between: Sequence[tuple[FloatArray, float, float]],
    where: BoolArray,
    time: FloatArray,
) -> PairFit:
    """Two channels held against each other, robustly: a = ratio b + what lies between them.

    Parameters
    ----------
    a, b : (m,) in one unit.
    between : (values (m,), mean, standard deviation) of each thing between them; the last two are of its factor.
    where : (m,) bool, rows that count.
    time : (m,) in s; rows of one `BLOCK_S` err together.
    """
    rows = np.flatnonzero(where)
    known = np.array([b, *(x for x, _, _ in between)])[:, rows]
    target = a[rows] - sum((mean * x[rows] for x, mean, _ in between), np.zeros(len(rows)))
    block = (time[rows] // BLOCK_S).astype(int)
    precision = np.diag([0.0, *(sd**-2 for _, _, sd in between)])
    fit = regression(
        known.T, target, pull=by_cauchy, least=1e-9, precision=precision, start=np.zeros(len(known)), rounds=12
    )
    factors, rest, weight = fit.coefficients, fit.residual, fit.weight
    moves = _without_each(known, weight, rest, block, fit.information)
    inverse = np.linalg.pinv(fit.information)
    # of a belief the pull is s^2 / sd^2 times how far off it is, which scatters by sd
    covariance = moves.T @ moves + inverse @ (fit.scatter**4 * precision) @ inverse
    own = factors[0] * known[0]
    own = own - np.average(own, weights=weight)
    size = np.average(own**2, weights=weight)
    together = np.sign(factors[0]) * np.sqrt(size / (size + np.average(rest**2, weights=weight) + 1e-18))
    deviations = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return PairFit(float(factors[0]), float(deviations[0]), float(together), factors, deviations)


def _without_each(
    known: FloatArray, weight: FloatArray, rest: FloatArray, block: IntArray, information: FloatArray
) -> FloatArray:
    """What leaving a block out would change (the jackknife), (blocks, k). Of a few blocks each draws the fit to itself,
    and what is left of them says too little.

    Parameters
    ----------
    known, weight, rest : (k, n), (n,) and (n,): columns, how much each row counts, what is left of it.
    block : (n,) in order, of each row.
    information : (k, k) of all rows and what was believed.
    """
    first = np.flatnonzero(np.diff(block, prepend=-1))
    counted = known * weight
    pull = np.add.reduceat(counted * rest, first, axis=1).T
    own = np.add.reduceat((counted[:, None] * known).reshape(-1, len(block)), first, axis=1)
    size = np.sqrt(np.maximum(np.diag(information), 1e-300))  # the columns are of all units
    unit = np.outer(size, size)
    left = (information - own.T.reshape(-1, *information.shape)) / unit
    left += LEAST_LEFT * np.eye(len(size))
    moved: FloatArray = np.linalg.solve(left, (pull / size)[..., None])[..., 0] / size
    return moved


def limited(
    name: str,
    holds: Sequence[str],
    number: float,
    deviation: float,
    ends: tuple[float | None, float | None],
    unit: str,
    reason: str,
) -> PairTest:
    """The test of a number against its limits.

    Parameters
    ----------
    name, holds, unit, reason : as in `PairTest`.
    number, deviation : found, and one standard deviation; it disagrees `SURE` of them beyond a limit.
    ends : lowest and highest; None where there is no such end.
    """
    low, high = ends
    wrong = (low is not None and number < low - SURE * deviation) or (
        high is not None and number > high + SURE * deviation
    )
    outcome = "disagrees" if wrong else "agrees"
    return PairTest(name, frozenset(holds), number, deviation, low, high, unit, outcome, reason)


def untested(name: str, holds: Sequence[str], reason: str) -> PairTest:
    """A test that could not be made, and why."""
    return PairTest(name, frozenset(holds), None, None, None, None, "1", "untested", reason)


def pair_test(
    name: str,
    holds: Sequence[str],
    a: FloatArray,
    b: FloatArray,
    between: Between,
    where: BoolArray,
    *,
    ends: tuple[float, float],
    least_size: float,
    least_together: float = 0.7,
    least_on_a_side: float | None = None,
    sides_apart: float | None = SIDES_APART,
    of_sides: BoolArray | None = None,
) -> PairTest:
    """Test two channels brought to one quantity, in the whole log, in each third of it, and in left and right turns.

    Parameters
    ----------
    name, holds : as in `PairTest`.
    a, b : (m,) in one unit; the number tested is the ratio a over b.
    between : what lies between them, as `fit_pair` takes it.
    where : (m,) bool, rows that count.
    ends : lowest and highest ratio of honest sensors.
    least_size : scatter, in the unit of both; less is too little to test.
    least_together : correlation below which they do not go together, whatever the ratio; under 0 none is asked for.
    least_on_a_side : the same for left and for right turns alone; None where the sides are not asked.
    sides_apart : factor by which the limits are wider there; None where nothing but `least_on_a_side` is asked there.
    of_sides : (m,) bool, rows that count there; None where they are those of `where`.

    Returns
    -------
    PairTest : the first that disagrees, else that of the whole log. A missing correlation is never put down to
        `SCALES`.
    """
    if where.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little driving for it")
    sizes = [scatter(x[where]) for x in (a, b)]
    # most of a lap may be straight: what the larger twentieth shows counts as well, single events do not
    large = [float(np.percentile(np.abs(x[where] - np.median(x[where])), 95)) / 3 for x in (a, b)]
    sizes = [max(pair) for pair in zip(sizes, large, strict=True)]
    if max(sizes) < least_size:
        return untested(name, holds, "too little of it in this log")
    # no unit, clock or car file makes two channels go apart
    channels = [thing for thing in holds if thing not in SCALES]
    if min(sizes) < 1e-3 * max(sizes):
        if least_together < 0:
            return untested(name, holds, "one of them does not move")
        return limited(name, channels, 0.0, 0.0, (least_together, None), "1", "correlation: one does not move")
    sides: list[tuple[str, BoolArray, float]] = []
    if least_on_a_side is not None:
        wider = ends if sides_apart is None else (ends[0] / sides_apart, ends[1] * sides_apart)
        rows = where if of_sides is None else of_sides
        both = ((" in left turns", rows & (b > least_size / 3)), (" in right turns", rows & (b < -least_size / 3)))
        # a circuit that turns one way has nothing but straights and noise on the other side
        sides = [
            (words, side, least_on_a_side)
            for words, side in both
            if side.any() and float(np.std(b[side])) > least_size / 2
        ]
        left, right = (float(np.abs(b[side]).sum()) for _, side in both)
        if min(left, right) < ONE_WAY * max(left, right):
            ends = wider  # for what both sides even out stays in it
    found = [_part_test(name, holds, a, b, between, where, "", SURE, ends, least_together)]
    for third in thirds(where):
        words = f" from {view_s(third)}" if third.any() else ""
        found.append(_part_test(name, holds, a, b, between, third, words, SURE_OF_A_PART, ends, least_together))
    for words, side, least in sides:
        of_a_side = (None, None) if sides_apart is None else wider
        found.append(_part_test(name, holds, a, b, between, side, words, SURE_OF_A_PART, of_a_side, least))
    told = [test for test in found if test is not None]
    return next((test for test in told if test.outcome == "disagrees"), told[0])


def _part_test(
    name: str,
    holds: Sequence[str],
    a: FloatArray,
    b: FloatArray,
    between: Between,
    where: BoolArray,
    when: str,
    sure: float,
    ends: tuple[float | None, float | None],
    least_together: float,
) -> PairTest | None:
    """`pair_test` of some rows; None where they are too few. `when` says which, `sure` how many deviations it takes."""
    if where.sum() < LEAST_S * RATE_HZ:
        return None
    fit = fit_pair(a, b, between, where, np.arange(len(a)) / RATE_HZ)
    if fit.together < least_together:
        channels = [thing for thing in holds if thing not in SCALES]
        words = f"correlation{when}: they hardly follow each other"
        return limited(name, channels, fit.together, 0.0, (least_together, None), "1", words)
    return limited(name, holds, fit.ratio, sure / SURE * fit.deviation, ends, "1", f"ratio{when}")


def late_test(
    name: str, holds: Sequence[str], a: FloatArray, b: FloatArray, where: BoolArray, *, least_size: float
) -> PairTest:
    """Test how much later than b (m,) a (m,) comes, in the whole log and in each third of it.

    Parameters
    ----------
    name, holds : as in `PairTest`.
    where : (m,) bool, rows that count.
    least_size : standard deviation of b; less is too little to test.
    """
    if where.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little driving for it")
    if np.std(b[where]) < least_size:
        return untested(name, holds, "too little of it in this log")
    found: list[PairTest] = []
    for part in (where, *thirds(where)):
        late_s, together = _lateness(a, b, part)
        if together > TOLD_BY:
            when = "" if part is where else f" from {view_s(part)}"
            found.append(limited(name, holds, late_s, 0.0, (-MOST_LATE_S, MOST_LATE_S), "s", f"delay{when}"))
    if not found:
        return untested(name, holds, "they do not go together closely enough to time them")
    return next((test for test in found if test.outcome == "disagrees"), found[0])


def quick_test(
    name: str, holds: Sequence[str], a: FloatArray, b: FloatArray, where: BoolArray, *, least_size: float
) -> PairTest:
    """Test how much of what b (m,) shows a (m,) shows, quick over slow. What smooths b makes this larger; what smooths
    a, and motion that b alone has, smaller.

    Parameters
    ----------
    name, holds : as in `PairTest`.
    where : (m,) bool, rows that count.
    least_size : standard deviation of b; less is too little to test.

    Notes
    -----
    |sum a b*| / sum |b|^2 of the analytic signals, quick over slow: a delay between the two is none of its business.
    Over one where slow is less: near the limit light wheels show more of a turn than there is.
    """
    where = windows.least(where, round(AROUND_S * RATE_HZ))
    if where.sum() < LEAST_S * RATE_HZ or np.std(b[where]) < least_size:
        return untested(name, holds, "too little of it in this log")

    def mean(values: FloatArray, seconds: float) -> FloatArray:
        return windows.gaussian(values, seconds * RATE_HZ)

    def gain(parts: Sequence[FloatArray]) -> tuple[float, float]:
        return _gain_of([_analytic(x)[where] for x in parts], np.flatnonzero(where))

    slow, _ = gain([mean(x, SLOW_S) for x in (a, b)])
    if slow < GOES_ALONG:
        return untested(name, holds, "they do not go together")
    quick = (gain([mean(x, first) - mean(x, second) for x in (a, b)]) for first, second in QUICK_S)
    number, unsure = max(quick, key=lambda found: found[0] - SURE * found[1])
    scale = max(slow, 1.0)
    return limited(name, holds, number / scale, unsure / scale, (None, QUICK_OVER_SLOW), "1", "quick over slow")


def _analytic(values: FloatArray) -> ComplexArray:
    """(m,) with the quarter of a turn later of each of its tones as imaginary part; without the mean."""
    count = len(values)
    tones = np.fft.fft(values)
    tones[0] = 0.0
    tones[1 : (count + 1) // 2] *= 2.0
    tones[count // 2 + 1 :] = 0.0
    signal: ComplexArray = np.fft.ifft(tones)
    return signal


def _gain_of(both: Sequence[ComplexArray], rows: IntArray) -> tuple[float, float]:
    """Size of a over b, analytic signals (m,) both, and its deviation; `rows` (m,) tell which err together."""
    usual = np.abs(both[1]) <= np.percentile(np.abs(both[1]), USUAL_PERCENT)
    a, b = (x[usual] for x in both)
    block = rows[usual] // round(BLOCK_S * RATE_HZ)
    product, power = np.zeros(block.max() + 1, complex), np.zeros(block.max() + 1)
    np.add.at(product, block, a * b.conj())
    np.add.at(power, block, np.abs(b) ** 2)
    gain = product.sum() / power.sum()
    return float(np.abs(gain)), float(np.linalg.norm(product - gain * power) / power.sum())


def _lateness(a: FloatArray, b: FloatArray, where: BoolArray) -> tuple[float, float]:
    """Seconds that a comes after b, to a row of `RATE_HZ`, and their correlation there; 0 and 0 without any."""
    rows, most = np.flatnonzero(where), round(LATEST_S * RATE_HZ)
    rows = rows[(rows >= most) & (rows < len(a) - most)]
    if len(rows) < LEAST_S / 2 * RATE_HZ or np.std(b[rows]) == 0:
        return 0.0, 0.0
    lags = np.arange(-most, most + 1)
    later, now = a[rows + lags[:, None]], b[rows] - b[rows].mean()
    moves = np.ptp(later, axis=1) > 0
    later -= later.mean(axis=1, keepdims=True)
    size = np.linalg.norm(later, axis=1) * np.linalg.norm(now)
    at = np.divide(later @ now, size, out=np.zeros(len(lags)), where=moves)
    best = int(np.argmax(at))
    return float(lags[best]) / RATE_HZ, float(at[best])


def view_s(rows: BoolArray) -> str:
    """From where to where in the log some rows (m,) bool of the view are."""
    at = np.flatnonzero(rows) / RATE_HZ
    return f"{at[0]:.0f} s to {at[-1]:.0f} s"


def thirds(where: BoolArray) -> list[BoolArray]:
    """`where` (n,) in three parts of the log: a sensor may come loose, or be plugged in turned over."""
    rows = np.arange(len(where)) * 3 // len(where)
    return [where & (rows == k) for k in range(3)]
