"""From an installed setup to its lock curve: M_0 + slope * max(0, |T_in| - hold), drive and coast.

Torques are at the wheels; M = T_slow - T_fast = 2 T_c, twice the torque T_c that one pack carries while it slips.

Assumed: both packs alike, both rings share the torque, one friction coefficient at every speed and temperature, side
gears that press on their own washers and not on the packs. [RAMPTABLE], a car maker's table of lock percentages,
follows faces times (a + b cot theta): the b part is the ramp statics used here, the a part is lock without ramp thrust,
as side gears that press on the packs would give it. Where they do, the true curve is steeper than predicted.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analyzer.differential import plates, springs
from analyzer.differential.ramps import thrust_N_per_Nm
from analyzer.differential.setup import Setup

NORMAL_95 = 1.959964  # standard normal quantile of a two-sided 95 % interval


@dataclass(frozen=True, kw_only=True)
class PredictionSpread:
    """Relative standard deviations of what a prediction rests on (1); independent of each other.

    Attributes
    ----------
    slope_friction : friction coefficient and radius (or the data sheet) in both slopes.
    preload_friction : the same in the preload; 0 when the bench measured it. Fully tied to `slope_friction`.
    preload_source : cone springs or bench reading.
    drive_thrust, coast_thrust : ramp angle and pin radius of that side.
    ring_spring : hold-off force.
    """

    slope_friction: float = 0.0
    preload_friction: float = 0.0
    preload_source: float = 0.0
    drive_thrust: float = 0.0
    coast_thrust: float = 0.0
    ring_spring: float = 0.0


@dataclass(frozen=True, kw_only=True)
class PredictedLockCurve:
    """Predicted capacity of the packs against input torque.

    Attributes
    ----------
    kind : plate, open or spool.
    preload_Nm : M at no input torque (N.m), 2 T_c; None for a spool.
    drive_slope, coast_slope : dM/d|T_in| past the hold-off (N.m per N.m); None for a spool.
    drive_hold_Nm, coast_hold_Nm : input torque at which the ramps begin to clamp (N.m); None where there is no slope.
    spread : standard deviations behind the 95 % band.
    notes : what a reader must know about this prediction, one sentence each.
    """

    kind: Literal["plate", "open", "spool"]
    preload_Nm: float | None
    drive_slope: float | None
    drive_hold_Nm: float | None
    coast_slope: float | None
    coast_hold_Nm: float | None
    spread: PredictionSpread = PredictionSpread()
    notes: tuple[str, ...] = ()

    @property
    def preload_relative_sd(self) -> float | None:
        """Relative standard deviation of `preload_Nm` (1); None where there is no preload."""
        return math.hypot(self.spread.preload_friction, self.spread.preload_source) if self.preload_Nm else None

    @property
    def drive_slope_relative_sd(self) -> float | None:
        """Relative standard deviation of `drive_slope` (1); None where there is no slope."""
        return math.hypot(self.spread.slope_friction, self.spread.drive_thrust) if self.drive_slope else None

    @property
    def coast_slope_relative_sd(self) -> float | None:
        """Relative standard deviation of `coast_slope` (1); None where there is no slope."""
        return math.hypot(self.spread.slope_friction, self.spread.coast_thrust) if self.coast_slope else None

    @property
    def drive_hold_relative_sd(self) -> float | None:
        """Relative standard deviation of `drive_hold_Nm` (1); None where there is no hold-off."""
        return math.hypot(self.spread.ring_spring, self.spread.drive_thrust) if self.drive_hold_Nm else None

    @property
    def coast_hold_relative_sd(self) -> float | None:
        """Relative standard deviation of `coast_hold_Nm` (1); None where there is no hold-off."""
        return math.hypot(self.spread.ring_spring, self.spread.coast_thrust) if self.coast_hold_Nm else None

    def locking_torque_Nm(self, input_torque_Nm: ArrayLike) -> np.ndarray:
        """Capacity M (N.m) at each input torque (N.m, drive positive), of its shape; infinite for a spool."""
        torque = np.asarray(input_torque_Nm, dtype=float)
        if self.kind == "spool":
            return np.full(torque.shape, np.inf)
        return self._capacity_Nm(torque)

    def band_Nm(self, input_torque_Nm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """95 % band of M: (lower, upper) in N.m, each of the argument's shape.

        Notes
        -----
        Each figure is moved alone by a factor exp(+-1.96 sd); the logarithms of what that does to M are added in
        quadrature, up and down apart. So the band stays continuous over the hold-off's kink, never falls below zero,
        and at a single figure is that figure's own interval. Where M is zero the band is zero.
        """
        torque = np.asarray(input_torque_Nm, dtype=float)
        if self.kind != "plate":
            locking = self.locking_torque_Nm(torque)
            return locking, locking.copy()
        nominal, s = self._capacity_Nm(torque), self.spread
        # one row per independent cause: how far it moves (log units) each figure
        causes = (
            {"preload": s.preload_friction, "slopes": s.slope_friction},
            {"preload": s.preload_source},
            {"drive_thrust": s.drive_thrust, "coast_thrust": s.coast_thrust},  # a torque has one side only
            {"holds": s.ring_spring},
        )
        up, down = np.zeros_like(nominal), np.zeros_like(nominal)
        for cause in causes:
            for sign in (NORMAL_95, -NORMAL_95):
                moved = self._capacity_Nm(torque, **{k: math.exp(sign * sd) for k, sd in cause.items()})
                ratio = np.divide(moved, nominal, out=np.ones_like(nominal), where=nominal > 0)
                up += np.log(np.maximum(ratio, 1)) ** 2
                with np.errstate(divide="ignore"):  # a figure that takes all of M away: log 0, lower edge 0
                    down += np.log(np.minimum(ratio, 1)) ** 2
        return nominal * np.exp(-np.sqrt(down)), nominal * np.exp(np.sqrt(up))

    def _capacity_Nm(
        self,
        torque_Nm: np.ndarray,
        *,
        preload: float = 1.0,
        slopes: float = 1.0,
        drive_thrust: float = 1.0,
        coast_thrust: float = 1.0,
        holds: float = 1.0,
    ) -> np.ndarray:
        """M with each figure multiplied by a factor. More thrust steepens the slope and shortens the hold-off."""
        drive = (
            self.drive_slope * slopes * np.maximum(0.0, torque_Nm * drive_thrust - (self.drive_hold_Nm or 0.0) * holds)
        )
        coast = (
            self.coast_slope * slopes * np.maximum(0.0, -torque_Nm * coast_thrust - (self.coast_hold_Nm or 0.0) * holds)
        )
        return self.preload_Nm * preload + drive + coast


def predict_lock_curve(setup: Setup) -> PredictedLockCurve:
    """The lock curve that follows from what is fitted.

    Parameters
    ----------
    setup : what is fitted, as `setup.load_setup` reads it.

    Notes
    -----
    clamp = F_cone + max(0, |T_in| c - F_hold), c = cot(theta + phi)/(2 r_p), per ring and pack;
    T_c = mu z r_eff clamp; M = 2 T_c. So M_0 = 2 mu z r_eff F_cone, slope = 2 mu z r_eff c, hold = F_hold/c.

    Examples
    --------
    >>> setup = Setup.model_validate({
    ...     "type": "plate", "ramp_angle_reference": "ring_face", "drive_ramp_angle_deg": 45,
    ...     "coast_ramp_angle_deg": 60, "pin_radius_mm": 38, "friction_faces_per_side": 6,
    ...     "plate_outer_diameter_mm": 120, "plate_inner_diameter_mm": 86, "friction_coefficient": 0.11,
    ...     "cone_spring": {"force_N": 900}, "ring_spring": {"force_N": 400},
    ... })
    >>> curve = predict_lock_curve(setup)
    >>> round(curve.preload_Nm, 1), round(curve.drive_slope, 3), round(curve.drive_hold_Nm, 1)
    (61.2, 0.894, 30.4)
    >>> [round(float(m)) for m in curve.locking_torque_Nm([-200, 0, 500])]
    [137, 61, 481]
    >>> ways(curve)
    '1.5-way'
    """
    if setup.type == "open":
        return PredictedLockCurve(
            kind="open", preload_Nm=0.0, drive_slope=0.0, drive_hold_Nm=None, coast_slope=0.0, coast_hold_Nm=None
        )
    if setup.type == "spool":
        return PredictedLockCurve(
            kind="spool",
            preload_Nm=None,
            drive_slope=None,
            drive_hold_Nm=None,
            coast_slope=None,
            coast_hold_Nm=None,
            notes=("A spool never slips: the wheels turn as one and the tyres decide the torque split.",),
        )
    return _from_data_sheet(setup) if setup.drive_lock_percent is not None else _from_parts(setup)


def installed_cone_force_N(setup: Setup) -> float:
    """Force of the cone springs after shims and plate wear (N), never below zero; `setup.cone_spring` must be there."""
    spring = setup.cone_spring
    change_m = setup.shims.added_compression_m if setup.shims else 0.0
    if spring.stack is not None:
        return springs.stack_force_N(spring.stack, deflection_m=max(0.0, spring.deflection_m + change_m))
    return max(0.0, spring.force_N + (spring.rate_N_per_mm or 0.0) * change_m * 1e3)


def _from_data_sheet(setup: Setup) -> PredictedLockCurve:
    drive, coast = setup.drive_lock_percent / 100, setup.coast_lock_percent / 100
    return PredictedLockCurve(
        kind="plate",
        preload_Nm=setup.breakaway.locking_torque_Nm,
        drive_slope=drive,
        drive_hold_Nm=0.0 if drive else None,
        coast_slope=coast,
        coast_hold_Nm=0.0 if coast else None,
        spread=PredictionSpread(
            slope_friction=setup.uncertainty.data_sheet_percent / 100,
            preload_source=setup.uncertainty.breakaway_percent / 100,
        ),
        notes=("Lock percentages are taken as the ramps' share, on top of the preload.",),
    )


def _friction_lever_m(setup: Setup) -> float:
    """2 mu z r_eff: locking torque per newton of clamp (m)."""
    radius = (
        plates.uniform_wear_radius_m if setup.friction_radius == "uniform_wear" else plates.uniform_pressure_radius_m
    )
    r_eff = radius(
        outer_radius_m=setup.plate_outer_diameter_mm / 2e3, inner_radius_m=setup.plate_inner_diameter_mm / 2e3
    )
    return 2 * plates.pack_torque_Nm(
        friction_coefficient=setup.friction_coefficient,
        friction_faces=setup.friction_faces_per_side,
        friction_radius_m=r_eff,
        clamp_N=1.0,
    )


def _from_parts(setup: Setup) -> PredictedLockCurve:
    lever_m = _friction_lever_m(setup)
    hold_N = setup.ring_spring.total_force_N if setup.ring_spring else 0.0
    friction_angle = math.atan(setup.ramp_friction_coefficient)
    slopes, holds, thrust_sd = [], [], []
    for angle in (setup.drive_ramp_angle_rad, setup.coast_ramp_angle_rad):
        thrust = thrust_N_per_Nm(
            ramp_angle_rad=angle, pin_radius_m=setup.pin_radius_mm / 1e3, ramp_friction_angle_rad=friction_angle
        )
        slopes.append(lever_m * thrust)
        holds.append(hold_N / thrust if thrust else None)
        thrust_sd.append(_thrust_relative_sd(setup, angle + friction_angle) if thrust else 0.0)
    bench, doubt = setup.breakaway, setup.uncertainty
    friction_sd = math.hypot(doubt.friction_coefficient_percent, doubt.friction_radius_percent) / 100
    return PredictedLockCurve(
        kind="plate",
        preload_Nm=bench.locking_torque_Nm if bench else lever_m * installed_cone_force_N(setup),
        drive_slope=slopes[0],
        drive_hold_Nm=holds[0],
        coast_slope=slopes[1],
        coast_hold_Nm=holds[1],
        spread=PredictionSpread(
            slope_friction=friction_sd,
            preload_friction=0.0 if bench else friction_sd,
            preload_source=(doubt.breakaway_percent if bench else doubt.cone_spring_percent) / 100,
            drive_thrust=thrust_sd[0],
            coast_thrust=thrust_sd[1],
            ring_spring=doubt.ring_spring_percent / 100,
        ),
        notes=tuple(_notes(setup, lever_m=lever_m, slopes=slopes)),
    )


def _thrust_relative_sd(setup: Setup, wedge_angle_rad: float) -> float:
    """Relative standard deviation of cot(angle)/(2 r): |d ln cot/d angle| = 1/(sin cos)."""
    angle_sd = math.radians(setup.uncertainty.ramp_angle_deg)
    by_angle = angle_sd / (math.sin(wedge_angle_rad) * math.cos(wedge_angle_rad))
    return math.hypot(by_angle, setup.uncertainty.pin_radius_percent / 100)


def _notes(setup: Setup, *, lever_m: float, slopes: list[float]) -> list[str]:
    notes = []
    if setup.breakaway and setup.cone_spring:
        by_springs, by_bench = lever_m * installed_cone_force_N(setup), setup.breakaway.locking_torque_Nm
        if by_springs and not 0.75 <= by_bench / by_springs <= 1.33:
            notes.append(
                f"The bench says {by_bench:.0f} N.m of preload, the springs {by_springs:.0f}: check the method of the "
                "breakaway test, the friction coefficient and the shims."
            )
    if setup.breakaway and setup.shims and setup.shims.added_compression_m:
        notes.append("The preload is the bench reading, so shims and wear do not enter: measure again after a change.")
    stack = setup.cone_spring.stack if setup.cone_spring and not setup.breakaway else None
    if stack is not None:
        change_m = setup.shims.added_compression_m if setup.shims else 0.0
        pressed_m = max(0.0, setup.cone_spring.deflection_m + change_m)
        per_tenth = lever_m * springs.stack_rate_N_per_m(stack, deflection_m=pressed_m) * 1e-4
        notes.append(
            f"0.1 mm more shim per pack changes the preload by {per_tenth:+.1f} N.m; plate wear does the opposite."
        )
    if slopes[1] > 1.02 * slopes[0]:
        notes.append(
            "The coast ramp locks harder than the drive ramp: check that the rings are not in the wrong way round."
        )
    if setup.ramp_friction_coefficient and slopes[0]:
        friction = math.atan(setup.ramp_friction_coefficient)
        falling, rising = (
            thrust_N_per_Nm(
                ramp_angle_rad=setup.drive_ramp_angle_rad,
                pin_radius_m=setup.pin_radius_mm / 1e3,
                ramp_friction_angle_rad=friction,
                torque_rising=rises,
            )
            for rises in (False, True)
        )
        if math.isinf(falling):
            notes.append("With this ramp friction the drive ramp would not let go again (self-locking).")
        else:
            notes.append(
                f"The curve is for rising torque; ramp friction keeps {100 * (falling / rising - 1):.0f} % more drive "
                "slope while the torque falls."
            )
    return notes


def ways(curve: PredictedLockCurve) -> str:
    """The trade's name for the pair of ramps: 1-way, 1.5-way or 2-way.

    Notes
    -----
    1-way: the coast ramp is flat and only the preload acts. 2-way: both slopes within 5 %. Common practice, no source.
    """
    if curve.kind != "plate":
        return curve.kind
    drive, coast = curve.drive_slope, curve.coast_slope
    if not drive and not coast:
        return "preload only"
    if not coast:
        return "1-way"
    if coast > 1.05 * drive:
        return "coast harder than drive"
    return "2-way" if coast >= 0.95 * drive else "1.5-way"
