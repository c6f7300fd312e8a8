"""From an installed setup to its lock curve: M_0 + max(0, slope (|T_in| - h) - lambda M_0), drive and coast.

Torques are at the wheels; M = T_slow - T_fast = 2 T_c, twice the torque T_c that one pack carries while it slips.
`clamp` has the free body of a ring behind it: h is the hold-off of the ring springs; lambda is 1 where the preload
springs sit outside the packs (the larger of preload and ramps rules) and 0 where they spread the rings (both add up).
As a hinge it is M_0 + slope max(0, |T_in| - hold) with hold = h + lambda M_0/slope.

Assumed: both packs alike, both rings share the torque, one friction coefficient at every speed and temperature, side
gears that press on their own washers and not on the packs. [RAMPTABLE], a car maker's table of lock percentages,
follows faces times (a + b cot theta): the b part is the ramp statics used here, the a part is lock without ramp thrust,
as side gears that press on the packs would give it. Where they do, the true curve is steeper than predicted, and the
interval does not hold it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analyzer.arrays import FloatArray
from analyzer.differential.clamp import SERIES_SHARE, SpringPosition
from analyzer.differential.installed import friction_lever_m, installed_cone_force_N, notes_on_parts, ramp_thrust
from analyzer.differential.notes import (
    BenchOfStartingPlates,
    BenchStateOpen,
    LockPercentages,
    NeverSlips,
    Note,
    PositionOpen,
)
from analyzer.differential.setup import STATIC_RATIO, DataSheet, Open, Parts, Setup, Spool

Figure = float | FloatArray
NORMAL_95 = 1.959964  # standard normal quantile of a two-sided 95 % interval


@dataclass(frozen=True, kw_only=True)
class PredictionSpread:
    """Relative standard deviations of what a prediction rests on (1); independent of each other.

    Attributes
    ----------
    slope_friction : friction coefficient and radius (or the data sheet) in both slopes.
    preload_friction : the same in the preload; 0 when the bench measured it. Fully tied to `slope_friction`.
    preload_source : cone springs or bench reading.
    drive_thrust, coast_thrust : ramp angle, pin radius and pin friction (rising or falling torque) of that side.
    ring_spring : hold-off force.
    """

    slope_friction: float = 0.0
    preload_friction: float = 0.0
    preload_source: float = 0.0
    drive_thrust: float = 0.0
    coast_thrust: float = 0.0
    ring_spring: float = 0.0


@dataclass(frozen=True)
class LockFigures:
    """What a capacity is worked out from: each figure a number, or (k, 1) of many curves. What a curve does not have is
    zero."""

    preload_Nm: Figure
    drive_slope: Figure
    drive_ring_hold_Nm: Figure
    coast_slope: Figure
    coast_ring_hold_Nm: Figure
    series_share: Figure

    def locking_torque_Nm(self, torque_Nm: FloatArray) -> FloatArray:
        """Capacity M at input torques (N.m).

        Parameters
        ----------
        torque_Nm : (n,) sum of both wheels' torques, drive positive.

        Returns
        -------
        ndarray : (n,), or (k, n) of many curves.

        Notes
        -----
        M_0 + max(0, slope (|T| - h) - lambda M_0), slope and ring hold-off h of the side that T is on. The kink is
        sharp; the fitted curve rounds it (`lockcurve.model`).
        """
        taken_Nm = self.series_share * self.preload_Nm
        drive = self.drive_slope * (torque_Nm - self.drive_ring_hold_Nm) - taken_Nm
        coast = self.coast_slope * (-torque_Nm - self.coast_ring_hold_Nm) - taken_Nm
        return self.preload_Nm + np.maximum(0.0, drive) + np.maximum(0.0, coast)

    def moved(
        self,
        *,
        preload: Figure = 1.0,
        slopes: Figure = 1.0,
        drive_thrust: Figure = 1.0,
        coast_thrust: Figure = 1.0,
        holds: Figure = 1.0,
    ) -> "LockFigures":
        """These figures multiplied.

        Parameters
        ----------
        preload : on the preload.
        slopes, holds : on both slopes, on both ring hold-offs.
        drive_thrust, coast_thrust : on the ramp thrust of a side: more of it steepens the slope and shortens the
            hold-off.

        Notes
        -----
        A factor is a number, or (k, 1) of many curves. The series share stays.
        """
        return LockFigures(
            self.preload_Nm * preload,
            self.drive_slope * slopes * drive_thrust,
            self.drive_ring_hold_Nm * holds / drive_thrust,
            self.coast_slope * slopes * coast_thrust,
            self.coast_ring_hold_Nm * holds / coast_thrust,
            self.series_share,
        )


@dataclass(frozen=True, kw_only=True)
class PredictedLockCurve:
    """Predicted capacity of the packs against input torque.

    Attributes
    ----------
    kind : plate, open or spool.
    preload_Nm : M at no input torque (N.m), 2 T_c; None for a spool.
    drive_slope, coast_slope : dM/d|T_in| once the ramps clamp (N.m per N.m); None for a spool.
    drive_ring_hold_Nm, coast_ring_hold_Nm : input torque at which the ramps overcome the ring springs (N.m); None where
        there is no slope.
    series_shares : lambda of `clamp`, one, or several where the file does not say where the preload springs sit.
    spread : standard deviations behind the 95 % band.
    notes : what a reader must know about this prediction.
    """

    kind: Literal["plate", "open", "spool"]
    preload_Nm: float | None
    drive_slope: float | None
    drive_ring_hold_Nm: float | None
    coast_slope: float | None
    coast_ring_hold_Nm: float | None
    series_shares: tuple[float, ...] = (0.0,)
    spread: PredictionSpread = PredictionSpread()
    notes: tuple[Note, ...] = ()

    @property
    def series_share(self) -> float:
        """The lambda of the curve itself: midway between those that the file does not exclude, both equally likely."""
        return sum(self.series_shares) / len(self.series_shares)

    @property
    def spring_position(self) -> SpringPosition | None:
        """Where the preload springs sit; None where the file leaves it open, or there are none."""
        if self.kind != "plate" or len(self.series_shares) > 1:
            return None
        return next((name for name, share in SERIES_SHARE.items() if share == self.series_share), None)

    def placed(self, series_share: float) -> "PredictedLockCurve":
        """This curve with its preload springs in one place.

        Parameters
        ----------
        series_share : lambda of that place, `clamp.SERIES_SHARE`.
        """
        return replace(self, series_shares=(series_share,))

    @property
    def drive_hold_Nm(self) -> float | None:
        """Input torque at which the ramps begin to clamp on drive (N.m); None where there is no slope."""
        return self._hold_Nm(self.drive_ring_hold_Nm, self.drive_slope)

    @property
    def coast_hold_Nm(self) -> float | None:
        """Input torque at which the ramps begin to clamp on coast (N.m); None where there is no slope."""
        return self._hold_Nm(self.coast_ring_hold_Nm, self.coast_slope)

    def _hold_Nm(self, ring_hold_Nm: float | None, slope: float | None) -> float | None:
        if ring_hold_Nm is None or not slope:
            return None
        return ring_hold_Nm + self.series_share * (self.preload_Nm or 0.0) / slope

    @property
    def preload_relative_sd(self) -> float | None:
        """Relative standard deviation of `preload_Nm` (1); None where there is no preload."""
        return math.hypot(self.spread.preload_friction, self.spread.preload_source) if self.preload_Nm else None

    def locking_torque_Nm(self, input_torque_Nm: ArrayLike) -> FloatArray:
        """Capacity M (N.m) at each input torque, of its shape; infinite for a spool.

        Parameters
        ----------
        input_torque_Nm : sum of both wheels' torques (N.m), drive positive.
        """
        torque = np.asarray(input_torque_Nm, dtype=float)
        if self.kind == "spool":
            return np.full(torque.shape, np.inf)
        return self.figures.locking_torque_Nm(torque)

    @property
    def figures(self) -> LockFigures:
        """What `locking_torque_Nm` is worked out from."""
        return LockFigures(
            self.preload_Nm or 0.0,
            self.drive_slope or 0.0,
            self.drive_ring_hold_Nm or 0.0,
            self.coast_slope or 0.0,
            self.coast_ring_hold_Nm or 0.0,
            self.series_share,
        )

    def moved(self, **factors: float) -> "PredictedLockCurve":
        """This curve with its figures multiplied, as `LockFigures.moved`.

        Parameters
        ----------
        **factors : by the names of `LockFigures.moved`; what is not named stays.
        """
        moved = self.figures.moved(**factors)
        return replace(
            self,
            preload_Nm=float(moved.preload_Nm),
            drive_slope=float(moved.drive_slope),
            drive_ring_hold_Nm=None if self.drive_ring_hold_Nm is None else float(moved.drive_ring_hold_Nm),
            coast_slope=float(moved.coast_slope),
            coast_ring_hold_Nm=None if self.coast_ring_hold_Nm is None else float(moved.coast_ring_hold_Nm),
        )

    def band_Nm(self, input_torque_Nm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """95 % band of M: (lower, upper) in N.m, each of the argument's shape.

        Parameters
        ----------
        input_torque_Nm : sum of both wheels' torques (N.m), drive positive.

        Notes
        -----
        Each figure is moved alone by a factor exp(+-1.96 sd); the logarithms of what that does to M are added in
        quadrature, up and down apart. So the band stays continuous over the hold-off's kink, never falls below zero,
        and at a single figure is that figure's own interval. Where M is zero the band is zero. Where the file leaves
        open where the preload springs sit, the band holds that of either. An open differential and a spool have no
        band: both edges are M.
        """
        torque = np.asarray(input_torque_Nm, dtype=float)
        if self.kind != "plate":
            locking = self.locking_torque_Nm(torque)
            return locking, locking.copy()
        return self._band(lambda curve: curve.locking_torque_Nm(torque))

    def interval_of(self, figure: str) -> tuple[float, float]:
        """95 % interval of one figure, made as the band of `band_Nm`.

        Parameters
        ----------
        figure : name of an attribute that is not None, such as `drive_hold_Nm`.

        Returns
        -------
        tuple : lower and upper, in the figure's unit.
        """
        lower, upper = self._band(lambda curve: np.asarray(getattr(curve, figure), dtype=float))
        return float(lower), float(upper)

    def _band(self, value: Callable[["PredictedLockCurve"], FloatArray]) -> tuple[FloatArray, FloatArray]:
        bands = [self._band_at(self.placed(share), value) for share in self.series_shares]
        return np.min([low for low, _ in bands], axis=0), np.max([high for _, high in bands], axis=0)

    @staticmethod
    def _band_at(
        curve: "PredictedLockCurve", value: Callable[["PredictedLockCurve"], FloatArray]
    ) -> tuple[FloatArray, FloatArray]:
        nominal, s = value(curve), curve.spread
        # one row per independent cause: how far it moves (log units) each figure
        causes = (
            {"preload": s.preload_friction, "slopes": s.slope_friction},
            {"preload": s.preload_source},
            {"drive_thrust": s.drive_thrust},
            {"coast_thrust": s.coast_thrust},
            {"holds": s.ring_spring},
        )
        up, down = np.zeros_like(nominal), np.zeros_like(nominal)
        for cause in causes:
            for sign in (NORMAL_95, -NORMAL_95):
                moved = value(curve.moved(**{k: math.exp(sign * sd) for k, sd in cause.items()}))
                ratio = np.divide(moved, nominal, out=np.ones_like(nominal), where=nominal > 0)
                up += np.log(np.maximum(ratio, 1)) ** 2
                with np.errstate(divide="ignore"):  # a figure that takes all of M away: log 0, lower edge 0
                    down += np.log(np.minimum(ratio, 1)) ** 2
        return nominal * np.exp(-np.sqrt(down)), nominal * np.exp(np.sqrt(up))


def figures_of(curves: Sequence[PredictedLockCurve]) -> LockFigures:
    """Figures of many curves, so that one call gives the torques of all.

    Parameters
    ----------
    curves : k of them, none of a spool.

    Returns
    -------
    LockFigures : (k, 1) each.
    """
    each = [curve.figures for curve in curves]
    return LockFigures(*(np.array([[getattr(one, f.name)] for one in each]) for f in fields(LockFigures)))


def predict_lock_curve(setup: Setup) -> PredictedLockCurve:
    """The lock curve that follows from what is fitted.

    Parameters
    ----------
    setup : what is fitted, as `setup.load_setup` reads it.

    Notes
    -----
    clamp = F_cone + max(0, |T_in| c - F_hold - lambda F_cone), c = cot(theta)/(2 r_p), per ring and pack;
    T_c = mu z r_eff clamp; M = 2 T_c. So M_0 = 2 mu z r_eff F_cone, slope = 2 mu z r_eff c, ring hold-off = F_hold/c.
    Pin friction is in the band: cot(theta + phi) while the torque rises, cot(theta - phi) while it falls. A file that
    does not say where the preload springs sit gets the curve midway (lambda 1/2) and a band that holds both.

    Examples
    --------
    >>> setup = Setup.model_validate({
    ...     "type": "plate", "ramp_angle_reference": "ring_face", "drive_ramp_angle_deg": 45,
    ...     "coast_ramp_angle_deg": 60, "pin_radius_mm": 38, "friction_faces_per_side": 6,
    ...     "plate_outer_diameter_mm": 120, "plate_inner_diameter_mm": 86, "friction_coefficient": 0.11,
    ...     "cone_spring_position": "outside_packs",
    ...     "cone_spring": {"force_N": 900}, "ring_spring": {"force_N": 400},
    ... })
    >>> curve = predict_lock_curve(setup)
    >>> round(curve.preload_Nm, 1), round(curve.drive_slope, 3), round(curve.drive_hold_Nm, 1)
    (61.2, 0.894, 98.8)
    >>> [round(float(m)) for m in curve.locking_torque_Nm([-200, 0, 500])]
    [76, 61, 420]
    >>> ways(curve)
    '1.5-way'
    """
    described = setup.described
    if isinstance(described, Open):
        return PredictedLockCurve(
            kind="open",
            preload_Nm=0.0,
            drive_slope=0.0,
            drive_ring_hold_Nm=None,
            coast_slope=0.0,
            coast_ring_hold_Nm=None,
        )
    if isinstance(described, Spool):
        return PredictedLockCurve(
            kind="spool",
            preload_Nm=None,
            drive_slope=None,
            drive_ring_hold_Nm=None,
            coast_slope=None,
            coast_ring_hold_Nm=None,
            notes=(NeverSlips(),),
        )
    curve = _from_data_sheet(setup, described) if isinstance(described, DataSheet) else _from_parts(setup, described)
    return replace(curve, notes=(*_notes_on_position(curve), *_notes_on_bench(setup), *curve.notes))


def _from_data_sheet(setup: Setup, sheet: DataSheet) -> PredictedLockCurve:
    drive, coast = sheet.drive_lock_share, sheet.coast_lock_share
    return PredictedLockCurve(
        kind="plate",
        preload_Nm=sheet.bench.locking_torque_Nm,
        drive_slope=drive,
        drive_ring_hold_Nm=0.0 if drive else None,
        coast_slope=coast,
        coast_ring_hold_Nm=0.0 if coast else None,
        series_shares=setup.series_shares,
        spread=PredictionSpread(
            slope_friction=setup.uncertainty.data_sheet_percent / 100,
            preload_source=setup.breakaway_relative_sd,
        ),
        notes=(LockPercentages(),),
    )


def _from_parts(setup: Setup, parts: Parts) -> PredictedLockCurve:
    lever_m = friction_lever_m(setup)
    hold_N = setup.ring_spring.total_force_N if setup.ring_spring else 0.0
    drive, coast = (
        ramp_thrust(setup, ramp_angle_rad=angle) for angle in (parts.drive_ramp_angle_rad, parts.coast_ramp_angle_rad)
    )
    bench, doubt = setup.breakaway, setup.uncertainty
    friction_sd = math.hypot(doubt.friction_coefficient_percent, doubt.friction_radius_percent) / 100
    return PredictedLockCurve(
        kind="plate",
        preload_Nm=bench.locking_torque_Nm if bench else lever_m * installed_cone_force_N(setup),
        drive_slope=lever_m * drive.nominal,
        drive_ring_hold_Nm=hold_N / drive.nominal if drive.nominal else None,
        coast_slope=lever_m * coast.nominal,
        coast_ring_hold_Nm=hold_N / coast.nominal if coast.nominal else None,
        series_shares=setup.series_shares,
        spread=PredictionSpread(
            slope_friction=friction_sd,
            preload_friction=0.0 if bench else friction_sd,
            preload_source=setup.breakaway_relative_sd if bench else doubt.cone_spring_percent / 100,
            drive_thrust=drive.relative_sd,
            coast_thrust=coast.relative_sd,
            ring_spring=doubt.ring_spring_percent / 100,
        ),
        notes=tuple(notes_on_parts(setup, drive=drive, coast=coast)),
    )


def _notes_on_position(curve: PredictedLockCurve) -> tuple[Note, ...]:
    """That the file leaves open where the preload springs sit, where it matters."""
    if len(curve.series_shares) < 2 or not curve.preload_Nm or not (curve.drive_slope or curve.coast_slope):
        return ()
    side: Literal["drive", "coast"] = "drive" if curve.drive_slope else "coast"
    between, outside = (getattr(curve.placed(share), f"{side}_hold_Nm") for share in sorted(curve.series_shares))
    return (PositionOpen(side, between, outside),)


def _notes_on_bench(setup: Setup) -> tuple[Note, ...]:
    """What the state of the plates made of the bench reading."""
    bench = setup.breakaway
    if bench is None or bench.state == "turning_warm":
        return ()
    return (BenchStateOpen() if bench.state is None else BenchOfStartingPlates(STATIC_RATIO),)


def ways(curve: PredictedLockCurve) -> str:
    """The trade's name for the pair of ramps: 1-way, 1.5-way or 2-way.

    Notes
    -----
    1-way: the coast ramp is flat and only the preload acts. 2-way: both slopes within 5 %. Common practice, no source.
    """
    if curve.kind != "plate":
        return curve.kind
    drive, coast = curve.drive_slope or 0.0, curve.coast_slope or 0.0
    if not drive and not coast:
        return "preload only"
    if not coast:
        return "1-way"
    if coast > 1.05 * drive:
        return "coast harder than drive"
    return "2-way" if coast >= 0.95 * drive else "1.5-way"
