"""What changed corner phase by corner phase; and more or fewer spins, understeer off the
throttle and chatter a lap, with an exact interval.

Change of kinematic lock, transfer torque and inside slip by corner phase, at matched speed and throttle.

For one phase and quantity y, pass i of corner c on side k:

    y_cki = a_ck + b_v (log v_i - mean_ck log v) + b_t (throttle_i - mean_ck throttle) + noise

The slopes b are common to all corners and had within corner and side only, so that the change itself cannot leak
into them. The change in corner c is a_c1 - a_c0 less b times the difference of mean speed and throttle. Rows are
weighed by Huber's function; intervals come from resampling passes within corner and side, slopes found anew each
time, and from the error that is the same through a run (`together`).

Two Poisson counts a, b over L_a, L_b laps: given a + b, a is binomial with p = r L_a / (r L_a + L_b), r the ratio of
the rates; the exact (Clopper-Pearson) interval of p gives that of r.

A spin is an event of its own. Understeer off the throttle is found where the differential's share passes a
threshold, which all corners of a run may pass together when the estimate moves a little; so more or less of it is
said only when the torque that holds against the turn in the turn-in phase changed the same way, beyond its interval.

References
----------
Przyborowski and Wilenski, "Homogeneity of results in testing samples from Poisson series", Biometrika 31, 1940;
Clopper and Pearson, Biometrika 26, 1934 (both from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, ndtri, stdtrit

from analyzer.analysis import PhaseResult
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.comparison.together import SharedView
from analyzer.findings.finding import Finding
from analyzer.lockcurve.estimate import Interval
from analyzer.phases.phases import PHASES
from analyzer.robust import by_huber, scatter

QUANTITIES = ("kinematic_lock", "transfer_torque_Nm", "inside_slip")
LEAST_PASSES = 2  # of a corner on each side
# Speed (log) and throttle that vary by less than this from pass to pass say nothing about their effect: it is drawn
# to zero (common practice, no source).
COVARIATE_FLOORS = np.array([0.003, 0.01])
# left out on both sides, as speed and throttle that far apart are not matched by a straight line
MOST_APART = np.array([0.15, 0.35])
REPLICATES = 400
SEED = 20260301
KINDS = ("inside_wheel_spin", "coast_understeer", "chatter")


@dataclass(frozen=True)
class PhaseChange:
    """One phase of one corner, after minus before, or of all matched corners together.

    Attributes
    ----------
    phase : its name.
    corner, direction : numbered as in the first run; None for all corners.
    passes_before, passes_after : passes with a value of any quantity.
    speed_ratio, throttle_change : how the passes differed before matching; None without passes.
    kinematic_lock, transfer_torque_Nm, inside_slip : the change at matched speed and throttle; its `value` is None,
        with a reason, where corner or phase has no match.
    """

    phase: str
    corner: int | None
    direction: str | None
    passes_before: int
    passes_after: int
    speed_ratio: float | None
    throttle_change: float | None
    kinematic_lock: Interval
    transfer_torque_Nm: Interval
    inside_slip: Interval


def phase_changes(views: list[SharedView]) -> tuple[PhaseChange, ...]:
    """For every phase: all corners together first, then each corner in the order of the track.

    Parameters
    ----------
    views : of both sides, from one joint fit, so that their errors are paired.
    """
    rows = [(view.run.side, r) for view in views for r in view.phases]
    errors = {q: np.concatenate([view.errors[q] for view in views]) for q in QUANTITIES}
    found = []
    for phase in PHASES:
        here = [k for k, (_, r) in enumerate(rows) if r.phase == phase]
        if here:
            found += _of_phase(phase, [rows[k] for k in here], {q: errors[q][here] for q in QUANTITIES})
    return tuple(found)


def _of_phase(phase: str, rows: list[tuple[int, PhaseResult]], errors: dict[str, FloatArray]) -> list[PhaseChange]:
    corners = sorted({(r.corner, r.direction) for _, r in rows})
    changes = {q: _changes(rows, corners, q, errors[q]) for q in QUANTITIES}
    found = []
    for key in [None, *corners]:
        mine = [(side, r) for side, r in rows if key is None or (r.corner, r.direction) == key]
        counts = [sum(side == k for side, _ in mine) for k in (0, 1)]
        found.append(
            PhaseChange(
                phase=phase,
                corner=None if key is None else key[0],
                direction=None if key is None else key[1],
                passes_before=counts[0],
                passes_after=counts[1],
                speed_ratio=_apart(mine, "mean_speed_m_s", ratio=True),
                throttle_change=_apart(mine, "mean_throttle", ratio=False),
                **{q: changes[q][key] for q in QUANTITIES},
            )
        )
    return found


def _apart(rows: list[tuple[int, PhaseResult]], name: str, *, ratio: bool) -> float | None:
    means = []
    for side in (0, 1):
        values = [getattr(r, name) for s, r in rows if s == side and getattr(r, name) is not None]
        if not values:
            return None
        means.append(float(np.median(values)))
    return means[1] / means[0] if ratio else means[1] - means[0]


def _changes(
    rows: list[tuple[int, PhaseResult]], corners: list[tuple[int, str]], quantity: str, errors: FloatArray
) -> dict[tuple[int, str] | None, Interval]:
    """Change by corner, and under None the mean over the corners that have one."""
    known = [
        (corners.index((r.corner, r.direction)), side, getattr(r, quantity), r.mean_speed_m_s, r.mean_throttle, k)
        for k, (side, r) in enumerate(rows)
        if None not in (getattr(r, quantity), r.mean_speed_m_s, r.mean_throttle)
    ]
    table = np.array(known, float).reshape(-1, 6)
    table[:, 3] = np.log(np.maximum(table[:, 3], 1.0))
    cell = (2 * table[:, 0] + table[:, 1]).astype(int)
    count = np.bincount(cell, minlength=2 * len(corners)).reshape(-1, 2)
    matched: BoolArray = np.all(count >= LEAST_PASSES, axis=1)
    found: dict[tuple[int, str] | None, Interval] = {
        corner: _nothing(n) for corner, n in zip(corners, count, strict=True)
    }
    found[None] = Interval(None, None, None, "no corner has enough passes on both sides")
    if not matched.any():
        return found
    keep = matched[table[:, 0].astype(int)]
    table, cell = table[keep], np.unique(cell[keep], return_inverse=True)[1]
    fit = _Matched(cell, table[:, 2], table[:, 3:5])
    shared = _shared_error(cell, errors[table[:, 5].astype(int)])
    apart: BoolArray = np.all(np.abs(fit.apart) <= MOST_APART, axis=1)
    degrees = count[matched].sum(axis=1) - 2
    small = count[matched].min(axis=1)
    deviation = fit.draws.std(axis=0) * np.sqrt(small / (small - 1))
    for i, c in enumerate(np.flatnonzero(matched)):
        if apart[i]:
            found[corners[c]] = _student(fit.change[i], deviation[i], degrees[i], shared[i].std())
        else:
            found[corners[c]] = Interval(None, None, None, "speed or throttle too far apart to be matched")
    if apart.any():
        inflation = np.sqrt(np.mean(small[apart] / (small[apart] - 1)))
        together = fit.draws[:, apart].mean(axis=1).std() * inflation
        alike = shared[apart].mean(axis=0).std()
        found[None] = _student(fit.change[apart].mean(), together, int(degrees[apart].sum()), alike)
    return found


def _nothing(count: IntArray) -> Interval:
    missing = [words for n, words in zip(count, ("before", "after"), strict=True) if n < LEAST_PASSES]
    return Interval(None, None, None, f"fewer than {LEAST_PASSES} passes with a value {' and '.join(missing)}")


def _shared_error(cell: IntArray, errors: FloatArray) -> FloatArray:
    """(corners, draws): the error that is the same through a run, after minus before."""
    means = np.array([errors[cell == c].mean(axis=0) for c in range(cell.max() + 1)])
    apart: FloatArray = means[1::2] - means[::2]
    return apart


def _student(value: float, deviation: float, degrees: int, shared: float) -> Interval:
    """95 % interval from the scatter of passes (Student's t) and the error that they share (normal)."""
    half = float(np.hypot(stdtrit(max(int(degrees), 1), 0.975) * deviation, ndtri(0.975) * shared))
    return Interval(float(value), float(value) - half, float(value) + half)


class _Matched:
    """Changes (corners,), their resampled draws (k, corners), and the differences of the covariates (corners, 2)."""

    def __init__(self, cell: IntArray, values: FloatArray, covariates: FloatArray) -> None:
        self._cell, self._values, self._covariates = cell, values, covariates
        self._member = np.eye(cell.max() + 1)[cell]
        # medians to begin with, so that a wild pass does not hide behind the mean that it pulled
        left = values - np.array([np.median(values[cell == c]) for c in range(cell.max() + 1)])[cell]
        for _ in range(6):
            weight = by_huber(left / max(scatter(left, about=0.0), 1e-9))
            change, slope, centre, middle = self._solve(weight[None])
            left = values - centre[0, cell] - (covariates - middle[0, cell]) @ slope[0]
        self.change, self.apart = change[0], middle[0, 1::2] - middle[0, ::2]
        rng = np.random.default_rng(SEED)
        times = np.empty((REPLICATES, len(values)))
        for c in range(cell.max() + 1):
            where = np.flatnonzero(cell == c)
            times[:, where] = rng.multinomial(len(where), np.full(len(where), 1 / len(where)), size=REPLICATES)
        self.draws = self._solve(weight * times)[0]

    def _solve(self, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Changes (k, corners), slopes (k, 2), cell means of values (k, cells) and covariates (k, cells, 2)."""
        total = np.maximum(weight @ self._member, 1e-12)
        centre = (weight * self._values) @ self._member / total
        middle = np.stack([(weight * x) @ self._member / total for x in self._covariates.T], axis=-1)
        y = self._values - centre[:, self._cell]
        x = self._covariates - middle[:, self._cell]
        gram = np.einsum("kn,kni,knj->kij", weight, x, x)
        gram += np.diag(COVARIATE_FLOORS**2) * weight.sum(axis=1)[:, None, None]
        slope = np.linalg.solve(gram, np.einsum("kn,kni,kn->ki", weight, x, y)[..., None])[..., 0]
        raw = centre[:, 1::2] - centre[:, ::2]
        return raw - np.einsum("kci,ki->kc", middle[:, 1::2] - middle[:, ::2], slope), slope, centre, middle


@dataclass(frozen=True)
class EventChange:
    """One kind of event.

    Attributes
    ----------
    kind : finding's kind.
    count_before, count_after, laps_before, laps_after : events and laps they were counted over.
    rate_ratio : events a lap after over before, 95 %; None, with a reason, where there were none before.
    verdict : `more`, `fewer`, `none` (none on either side) or `cannot_tell`.
    """

    kind: str
    count_before: int
    count_after: int
    laps_before: float
    laps_after: float
    rate_ratio: Interval
    verdict: str


def event_changes(views: list[SharedView], phases: tuple[PhaseChange, ...]) -> tuple[EventChange, ...]:
    """One entry a kind; events count as independent, which is common practice.

    Understeer that is the car's own does not count. Chatter is left out where a log is too slow to show it.

    Parameters
    ----------
    views : of both sides.
    phases : `phase_changes` of the same: more or less understeer is said only where they bear it out.
    """
    laps = [sum(v.run.lap_count for v in views if v.run.side == side) for side in (0, 1)]
    found = []
    for kind in KINDS:
        if kind == "chatter" and not all(_shows_chatter(v) for v in views):
            continue
        counts = [sum(_counts(f, kind) for v in views if v.run.side == side for f in v.findings) for side in (0, 1)]
        ratio = rate_ratio(count_before=counts[0], count_after=counts[1], laps_before=laps[0], laps_after=laps[1])
        said = "cannot_tell" if any(counts) else "none"
        if ratio.lower is not None and ratio.lower > 1 and _backed(kind, phases, 1):
            said = "more"
        elif ratio.upper is not None and ratio.upper < 1 and _backed(kind, phases, -1):
            said = "fewer"
        found.append(EventChange(kind, counts[0], counts[1], laps[0], laps[1], ratio, said))
    return tuple(found)


def _counts(finding: Finding, kind: str) -> bool:
    return finding.kind == kind and finding.differential_is_seen


def _shows_chatter(view: SharedView) -> bool:
    measured = view.run.analysis.chatter
    return measured is not None and measured.events is not None


def _backed(kind: str, phases: tuple[PhaseChange, ...], sign: int) -> bool:
    """Whether the phases bear out the count; see the module's text."""
    if kind != "coast_understeer":
        return True
    found = [p.transfer_torque_Nm for p in phases if p.corner is None and p.phase == "turn_in"]
    return any(i.lower is not None and i.upper is not None and min(sign * i.lower, sign * i.upper) > 0 for i in found)


def rate_ratio(*, count_before: int, count_after: int, laps_before: float, laps_after: float) -> Interval:
    """Rate after over rate before with its exact 95 % interval.

    Parameters
    ----------
    count_before, count_after : events.
    laps_before, laps_after : laps (or any exposure) they were counted over.

    Returns
    -------
    Interval : of the ratio (1); without a value, with a reason, where there were no events before.

    Examples
    --------
    >>> ratio = rate_ratio(count_before=20, count_after=10, laps_before=10, laps_after=10)
    >>> round(ratio.value, 2), round(ratio.lower, 2), round(ratio.upper, 2)
    (0.5, 0.21, 1.12)
    """
    both = count_before + count_after
    if not both:
        return Interval(None, None, None, "none on either side")
    low = float(betaincinv(count_after, count_before + 1, 0.025)) if count_after else 0.0
    high = float(betaincinv(count_after + 1, count_before, 0.975)) if count_before else 1.0
    exposure = laps_before / laps_after
    lower = exposure * low / (1 - low)
    upper = exposure * high / (1 - high) if high < 1 else None
    if not count_before:
        return Interval(None, lower, None, "none before")
    return Interval(exposure * count_after / count_before, lower, upper)
