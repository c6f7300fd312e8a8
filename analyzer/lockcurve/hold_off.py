"""What a log leaves open between where the ramps begin to clamp and how steep they then are.

A curve that bends later and rises more steeply behind the bend goes through the same samples. That trade is no straight
line: how steep goes as one over what is left of the torques behind the bend. Draws on a straight line through the fit
miss the late bends, which preload springs outside the packs have (h + M0 / slope), and the slopes that go with them.

What the samples measure is levels, and those straight draws give well; slopes and hold-offs are read off them. So their
intervals come from draws that follow the loss along the hold-off h. With L(h) the least loss over all but h (preload,
slopes, the other hold-off, tyre, car, sensors) and H its curvature over the rest of the curve, h is as likely as

    exp(-L(h)) |H(h)|^-1/2,

and the slope lies about where L(h) is had, as far off as the draws say, times what H(h) makes of it. A draw keeps its
rank in h.

Random cars with every nuisance, true values inside the 95 % intervals, on straight lines and now; the way to do it was
chosen on seeds 200 to 283, these are 1000 to 1039 (laps) and 1000 to 1023 (laps and circles):

    laps            drive slope 87, 90 %    coast slope 100, 100 %
    with circles    drive slope 58, 92 %    coast slope  92, 100 %

Levels drawn this way were held less often (80 % of the points for 86 %, with circles), and preloads (83 % for 100).
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from analyzer.arrays import FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.descent import lowest
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.problem import CURVE_BOUNDS
from analyzer.lockcurve.unknowns import CURVE_START
from analyzer.lockcurve.witness import Witness

_, DRIVE_SLOPE, DRIVE_HOLD, COAST_SLOPE, COAST_HOLD = range(5)  # in a curve, as `model.NAMES`
HOLDS = {DRIVE_HOLD: DRIVE_SLOPE, COAST_HOLD: COAST_SLOPE}
# hold-offs tried: these deviations of the draws from the fit's, and so many evenly to the far end; with twice as many,
# nine of ten widths of 119 slopes move by less than 5 per cent
NEAR = np.array([-3.0, -2.0, -1.0, -0.5, 0.5, 1.0, 2.0, 3.0])
FAR = 8
REACH = 4.0  # deviations of what is believed of a hold-off, from where that is likeliest
MOST_STEPS = 8
# plates, ramps and faces in use give 0.05 to 0.7 (common practice, no source); where nothing slipped behind a bend this
# is all that is known of the slope
SLOPE_SD = 0.3


@dataclass(frozen=True)
class _At:
    """A curve (5,), how far tyre, car and sensors have moved for it (K,), the loss there, its slopes over both (5,),
    (K,), its curvature over the curve (5, 5), and what mixes both (5, K)."""

    curve: FloatArray
    shift: FloatArray
    loss: float
    by_curve: FloatArray
    by_shift: FloatArray
    bend: FloatArray
    mixed: FloatArray


class Measurements(Protocol):
    """Measurements of a lock curve, such as `model.CurveAnchors`."""

    def residuals(self, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How far a curve (5,) is from the a of them (a,), in deviations, and how the curve moves that (a, 5)."""
        ...


@dataclass(frozen=True)
class CurveBelief:
    """What is known of a lock curve besides the samples.

    Attributes
    ----------
    mean, precision : (5,) of what is believed of it.
    measured : on the bench; None where nothing is.
    holds : hold-offs, by their places in a curve, that are measured and stay as they are.
    hold_sd_Nm : how far off a hold-off may be.
    counts : what a measurement counts, as the witness's samples do.
    """

    mean: FloatArray
    precision: FloatArray
    measured: Measurements | None
    holds: frozenset[int]
    hold_sd_Nm: float
    counts: float

    @classmethod
    def of(
        cls,
        rows: FloatArray,
        start: FloatArray,
        *,
        measured: Measurements | None,
        holds: frozenset[int],
        hold_sd_Nm: float,
        widened: float,
    ) -> "CurveBelief":
        """What the rows (m, 5) that are believed of a curve say, about where it begins (5,).

        Parameters
        ----------
        measured, holds, hold_sd_Nm : as the attributes.
        widened : by which all deviations of the answer are wider.
        """
        precision, mean = np.square(rows).sum(axis=0), start.copy()  # none of a hold-off that is anchored
        for slope in HOLDS.values():
            precision[slope], mean[slope] = SLOPE_SD**-2, CURVE_START[slope]
        return cls(mean, widened**-2 * precision, measured, holds, hold_sd_Nm, widened**-2)


@dataclass(frozen=True)
class _Profile:
    """The loss of curves, tyre, car and sensors at their best for each.

    Attributes
    ----------
    moved : (n, K) how tyre, car and sensors move the samples.
    inverse : (K, K) of the curvature over tyre, car and sensors at the fit.
    believed : of the curve.
    """

    witness: Witness
    moved: FloatArray
    inverse: FloatArray
    believed: CurveBelief

    @classmethod
    def of(cls, witness: Witness, curve: FloatArray, believed: CurveBelief) -> "_Profile":
        curvature = witness.judged(curve)[2]
        moved = witness.by_unknown.astype(float)
        inverse = np.linalg.inv(witness.information + (moved.T * curvature) @ moved)
        return cls(witness, moved, inverse, believed)

    def at(self, curve: FloatArray, shift: FloatArray) -> _At:
        """The loss of a curve (5,) with tyre, car and sensors moved (K,)."""
        witness, believed = self.witness, self.believed
        loss, slope, curvature = witness.judged(curve, self.moved @ shift)
        rows = witness.by_capacity * model.gradient(curve, witness.torque_Nm)[0]
        held = witness.information @ shift
        off = curve - believed.mean
        value = loss.sum() + (witness.gradient + 0.5 * held) @ shift + 0.5 * (believed.precision * off) @ off
        by_curve = rows @ slope + believed.precision * off
        bend = (rows * curvature) @ rows.T + np.diag(believed.precision)
        if believed.measured is not None:
            left, rows_of = believed.measured.residuals(curve)
            value += 0.5 * believed.counts * left @ left
            by_curve = by_curve + believed.counts * rows_of.T @ left
            bend = bend + believed.counts * rows_of.T @ rows_of
        by_shift = witness.gradient + held + self.moved.T @ slope
        return _At(curve, shift, float(value), by_curve, by_shift, bend, (rows * curvature) @ self.moved)

    def curvature(self, at: _At, free: IntArray) -> FloatArray:
        """(f, f) over the free ones of a curve, tyre, car and sensors following."""
        mixed = at.mixed[free]
        bend: FloatArray = at.bend[np.ix_(free, free)] - mixed @ self.inverse @ mixed.T
        return bend

    def best(self, at: _At, free: IntArray) -> _At:
        """The least loss over the free ones of a curve and over tyre, car and sensors with the fit's curvature."""
        low, high = np.array(CURVE_BOUNDS).T

        def step(here: _At, damping: float) -> _At:
            own, mixed = self.curvature(here, free), here.mixed[free]
            towards = here.by_curve[free] - mixed @ self.inverse @ here.by_shift
            curve = here.curve.copy()
            curve[free] -= np.linalg.solve(own + damping * np.diag(np.diag(here.bend)[free]), towards)
            curve = np.clip(curve, low, high)
            shift = here.shift - self.inverse @ (here.by_shift + here.mixed.T @ (curve - here.curve))
            return self.at(curve, shift)

        return lowest(at, step, damping=0.0, most_steps=MOST_STEPS)

    def along(self, hold: int, tried: FloatArray, start: FloatArray) -> "_Ridge | None":
        """The best curve for each hold-off tried (k,), rising, from that of `start` (5,) outwards; None where the loss
        has no lowest point there."""
        free = np.delete(np.arange(len(start)), hold)
        first = int(np.argmin(np.abs(tried - start[hold])))
        found: dict[int, tuple[FloatArray, FloatArray, float]] = {}
        for way in (range(first, len(tried)), range(first - 1, -1, -1)):
            curve, shift = start, np.zeros(len(self.inverse))
            for i in way:
                curve = curve.copy()
                curve[hold] = tried[i]
                best = self.best(self.at(curve, shift), free)
                curve, shift = best.curve, best.shift
                values, vectors = np.linalg.eigh(self.curvature(best, free))
                if values[0] <= 0:
                    break  # further out there is none either
                spread = np.zeros(len(start))
                spread[free] = np.sqrt(vectors**2 @ (1 / values))
                found[i] = curve, spread, -best.loss - 0.5 * float(np.log(values).sum())
        if len(found) < 2 or first not in found:
            return None
        curves, spreads, likely = zip(*(found[i] for i in sorted(found)), strict=True)
        return _Ridge(
            tried[sorted(found)], np.array(curves), np.array(spreads), np.exp(np.subtract(likely, max(likely)))
        )


@dataclass(frozen=True)
class _Ridge:
    """Along a hold-off (k,) N.m, rising: the best curves (k, 5), how far each of their parameters may be off there
    (k, 5), and how likely the hold-off is (k,); linear between."""

    hold_Nm: FloatArray
    curves: FloatArray
    spreads: FloatArray
    likely: FloatArray

    def at_rank(self, rank: FloatArray) -> FloatArray:
        """(n,) hold-offs below which these shares (n,) of the likelihood lie."""
        cells = np.diff(self.hold_Nm) * (self.likely[1:] + self.likely[:-1]) / 2
        below = np.concatenate([[0.0], np.cumsum(cells)])
        return np.interp(rank, below / below[-1], self.hold_Nm)

    def at(self, hold_Nm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Best curves and their spreads (n, 5) at hold-offs (n,)."""
        curves, spreads = (
            np.column_stack([np.interp(hold_Nm, self.hold_Nm, column) for column in of.T])
            for of in (self.curves, self.spreads)
        )
        return curves, spreads


def along_holds(fit: Fit, draws: FloatArray) -> FloatArray:
    """Draws of a fit's lock curve that follow what its hold-offs and slopes leave open.

    Parameters
    ----------
    fit : with one lock curve.
    draws : (k, 5) on straight lines through the fit.

    Returns
    -------
    ndarray : (k, 5), the preloads as they were; so is a hold-off that is anchored.
    """
    problem, anchors = fit.problem, fit.problem.anchors
    stated = {DRIVE_HOLD: anchors and anchors.drive_hold, COAST_HOLD: anchors and anchors.coast_hold}
    at = problem.unknowns.curve_slice(0)
    believed = CurveBelief.of(
        problem.unknowns.rows[:, at],
        problem.unknowns.start[at],
        measured=anchors,
        holds=frozenset(hold for hold, told in stated.items() if told),
        hold_sd_Nm=problem.hold_sd_Nm,
        widened=problem.widened,
    )
    if believed.holds == set(HOLDS):
        return draws
    return followed(Witness.of(fit), fit.curve, draws, believed)


def followed(witness: Witness, fitted: FloatArray, draws: FloatArray, believed: CurveBelief) -> FloatArray:
    """Draws of a lock curve that follow what a witness leaves open of its hold-offs and slopes.

    Parameters
    ----------
    fitted : (5,) the curve where the fit ended.
    draws : (k, 5) on straight lines through it.
    believed : of the curve.

    Returns
    -------
    ndarray : (k, 5), the preloads as they were; so is a hold-off that is measured.
    """
    profile = _Profile.of(witness, fitted, believed)
    holds, slopes = list(HOLDS), list(HOLDS.values())
    about = draws - fitted
    covariance = np.cov(draws.T)
    with_holds = np.linalg.lstsq(covariance[np.ix_(holds, holds)], covariance[np.ix_(holds, slopes)], rcond=None)[0]
    straight = about[:, holds, None] * with_holds  # (k, 2, 2) what goes with each hold-off
    scatter = about[:, slopes] - straight.sum(axis=1)  # of the slopes at known hold-offs
    moved, scale, bent = np.zeros_like(scatter), np.ones_like(scatter), draws.copy()
    for i, hold in enumerate(holds):
        near = fitted[hold] + np.std(draws[:, hold]) * NEAR
        far = np.linspace(0.0, believed.mean[hold] + REACH * believed.hold_sd_Nm, FAR)
        tried = np.unique(np.clip([fitted[hold], *near, *far], 0.0, far[-1]))
        ridge = None if hold in believed.holds else profile.along(hold, tried, fitted)
        if ridge is None:
            moved += straight[:, i]
            continue
        rank = (np.argsort(np.argsort(draws[:, hold])) + 0.5) / len(draws)
        bent[:, hold] = ridge.at_rank(rank)
        curve, spread = ridge.at(bent[:, hold])
        fitted_curve, fitted_spread = ridge.at(fitted[[hold]])
        moved += (curve - fitted_curve)[:, slopes]
        scale *= spread[:, slopes] / fitted_spread[:, slopes]
    bent[:, slopes] = fitted[slopes] + moved + scatter * scale
    return bent
