"""What a setup file states that may anchor a fitted lock curve: bench figures and ratios, not plate friction.

Plate friction is known to 15 % at best and sits in every torque that follows from springs and plates, so no level and
no slope is anchored by parts alone. Three things do not depend on it: a breakaway torque measured on the bench, the
input torque at which the ramps overcome the ring springs, and the ratio of the two slopes. Where the preload springs
sit adds to the hold-off what the fit itself knows, preload over slope:

    hold = ring hold-off + series share * preload / slope
"""

import math
from dataclasses import dataclass

from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup

# below this no input torque of a car that drives is resolved: seals and gears drag by as much (common practice, no
# source); it keeps ring springs of no force from counting as exact
LEAST_HOLD_SD_NM = 5.0
_RATIO = "coast slope over drive slope: "


@dataclass(frozen=True, kw_only=True)
class Anchor:
    """One figure that the setup file states.

    Attributes
    ----------
    value, sd : the figure and one standard deviation, in the unit that its place in `Anchors` says.
    source : key of the setup file, such as `differential.breakaway`.
    label : what a reader is told was taken from the file.
    """

    value: float
    sd: float
    source: str
    label: str


@dataclass(frozen=True, kw_only=True)
class Anchors:
    """What may anchor a fit; None where the file states nothing.

    Attributes
    ----------
    preload : M at no input torque, sliding plates (N.m), by the bench.
    drive_ring_hold, coast_ring_hold : input torque at which the ramps of a side overcome the ring springs (N.m). Their
        common part, the force of the ring springs, is `ring_spring_relative_sd` of either value.
    ring_spring_relative_sd : relative standard deviation that both ring hold-offs share (1).
    series_share : lambda, 1 with the preload springs outside the packs, 0 between the rings; 1/2 +- 1/2 where the file
        does not say (None for an open differential or a spool, which have no preload).
    slope_ratio : coast slope over drive slope (1).
    """

    preload: Anchor | None = None
    drive_ring_hold: Anchor | None = None
    coast_ring_hold: Anchor | None = None
    ring_spring_relative_sd: float = 0.0
    series_share: Anchor | None = None
    slope_ratio: Anchor | None = None

    @property
    def any_stated(self) -> bool:
        """Whether there is anything that an anchored fit could use."""
        return any((self.preload, self.drive_ring_hold, self.coast_ring_hold, self.slope_ratio))


def hold_Nm(*, ring_hold_Nm: float, series_share: float, preload_Nm: float, slope: float) -> float:
    """Input torque at which the ramps begin to clamp (N.m): the hinge form of the clamp's law.

    Parameters
    ----------
    ring_hold_Nm : h, input torque at which the ramps overcome the ring springs; 0 without any.
    series_share : lambda, `clamp.SERIES_SHARE`.
    preload_Nm : M_0.
    slope : s, above 0.

    Notes
    -----
    M_0 + max(0, s (T - h) - lambda M_0) = M_0 + s max(0, T - hold), hold = h + lambda M_0/s

    Examples
    --------
    60 N.m of preload outside the packs, a slope of 0.3 and ring springs that hold off 40 N.m:

    >>> hold_Nm(ring_hold_Nm=40, series_share=1, preload_Nm=60, slope=0.3)
    240.0
    """
    return ring_hold_Nm + series_share * preload_Nm / slope


def anchors(setup: Setup) -> Anchors:
    """What `setup` states of its lock curve without plate friction.

    Parameters
    ----------
    setup : of any type; an open differential and a spool state nothing.

    Notes
    -----
    Slope ratio: tan(drive ramp)/tan(coast ramp), 0 of a flat coast ramp. Its standard deviation has angle and pin
    friction of each side by itself: the torque may mostly rise on one side and fall on the other.
    """
    if setup.type != "plate":
        return Anchors()
    curve = predict_lock_curve(setup)
    return Anchors(
        preload=_preload(setup, curve),
        drive_ring_hold=_ring_hold(setup, curve, side="drive"),
        coast_ring_hold=_ring_hold(setup, curve, side="coast"),
        ring_spring_relative_sd=curve.spread.ring_spring if setup.ring_spring else 0.0,
        series_share=_series_share(setup),
        slope_ratio=_slope_ratio(setup, curve),
    )


def _preload(setup: Setup, curve: PredictedLockCurve) -> Anchor | None:
    bench = setup.breakaway
    if bench is None or not curve.preload_Nm:
        return None
    plates = {"starting": "starting plates", "turning_warm": "turning plates", None: "plates of unstated state"}
    return Anchor(
        value=curve.preload_Nm,
        sd=curve.preload_Nm * setup.breakaway_relative_sd,
        source="differential.breakaway",
        label=f"preload by the bench: {curve.preload_Nm:.0f} N.m ({bench.torque_Nm:g} N.m read, "
        f"{bench.method.replace('_', ' ')}, {plates[bench.state]})",
    )


def _ring_hold(setup: Setup, curve: PredictedLockCurve, *, side: str) -> Anchor | None:
    value = getattr(curve, f"{side}_ring_hold_Nm")
    if setup.ring_spring is None or value is None:
        return None
    relative = math.hypot(curve.spread.ring_spring, getattr(curve.spread, f"{side}_thrust"))
    return Anchor(
        value=value,
        sd=max(value * relative, LEAST_HOLD_SD_NM),
        source="differential.ring_spring",
        label=f"{side} hold-off of the ring springs: {setup.ring_spring.total_force_N:g} N",
    )


def _series_share(setup: Setup) -> Anchor:
    shares = setup.series_shares
    where = {
        "outside_packs": "preload springs outside the packs",
        "between_rings": "preload springs between the rings",
        None: "the file does not say where the preload springs sit",
    }
    return Anchor(
        value=sum(shares) / len(shares),
        sd=(max(shares) - min(shares)) / 2,
        source="differential.cone_spring_position",
        label=where[setup.cone_spring_position],
    )


def _slope_ratio(setup: Setup, curve: PredictedLockCurve) -> Anchor | None:
    if not curve.drive_slope:
        return None
    ratio = (curve.coast_slope or 0.0) / curve.drive_slope
    if setup.drive_lock_percent is not None:
        doubt = setup.uncertainty.data_sheet_percent / 100
        words = f"{setup.coast_lock_percent:g} % over {setup.drive_lock_percent:g} % of lock"
        return Anchor(value=ratio, sd=ratio * doubt, source="differential.coast_lock_percent", label=_RATIO + words)
    # of a flat ramp the relative deviation does not exist: d cot = d angle there
    flat_sd = math.radians(setup.uncertainty.ramp_angle_deg) * math.tan(setup.parts.drive_ramp_angle_rad)
    coast_sd = ratio * curve.spread.coast_thrust if ratio else flat_sd
    words = f"ramps of {setup.drive_ramp_angle_deg:g} and {setup.coast_ramp_angle_deg:g} degrees"
    return Anchor(
        value=ratio,
        sd=math.hypot(ratio * curve.spread.drive_thrust, coast_sd),
        source="differential.coast_ramp_angle_deg",
        label=_RATIO + words,
    )
