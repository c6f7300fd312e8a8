"""What a simulated car has beyond its car file: tyre, engine and gears, differential. All figures are free."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from analyzer.vehicle.car import Car

if TYPE_CHECKING:
    from analyzer.differential.predicted import PredictedLockCurve

Wheels4 = tuple[float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class SimTyre:
    """Magic-formula tyre with cosine weighting for combined slip.

    On purpose not the tyre that the estimator fits, so that a good answer on a simulated log is not the estimator
    meeting itself. Defaults are invented figures of a dry-road semi-slick, no source.

    Attributes
    ----------
    friction_x, friction_y : peak friction along and across at the reference load.
    friction_load_sensitivity : mu = mu_ref (1 - sensitivity (F_z - F_ref) / F_ref).
    slip_stiffness : longitudinal stiffness over load at the reference load, per unit slip.
    stiffness_load_sensitivity : K_x = slip_stiffness F_z exp(-sensitivity (F_z - F_ref) / F_ref).
    cornering_stiffness_per_rad : cornering stiffness over load at the reference load.
    cornering_peak_load : load, over the reference load, at which the cornering stiffness stops rising.
    shape_x, shape_y : C of the magic formula; sin(C pi/2) is the share of the peak that is left in a full slide.
    curvature_x, curvature_y : E of the magic formula.
    weight_x, weight_x_slip, weight_x_shape : longitudinal force under slip angle (r_Bx1, r_Bx2, r_Cx1).
    weight_y, weight_y_angle, weight_y_shape : lateral force under slip (r_By1, r_By2, r_Cy1).
    relaxation_x_m, relaxation_y_m : relaxation lengths.
    rear_friction_factor, rear_stiffness_factor : rear tyres over front ones; None is what makes the car understeer a
        little (see `motion.balanced`), as whoever chose its tyres and bars would have seen to.
    radius_factors : true rolling radius over the car file's, by wheel (front left, front right, rear left, rear right).

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 3rd ed. 2012, section 4.3.2 (forms from memory, figures our own).
    """

    friction_x: float = 1.30
    friction_y: float = 1.27
    friction_load_sensitivity: float = 0.12
    slip_stiffness: float = 25.0
    stiffness_load_sensitivity: float = 0.15
    cornering_stiffness_per_rad: float = 22.0
    cornering_peak_load: float = 2.5
    shape_x: float = 1.5
    shape_y: float = 1.3
    curvature_x: float = -0.3
    curvature_y: float = -0.5
    weight_x: float = 10.0
    weight_x_slip: float = 9.0
    weight_x_shape: float = 1.05
    weight_y: float = 8.0
    weight_y_angle: float = 5.0
    weight_y_shape: float = 1.05
    reference_load_N: float = 3000.0
    relaxation_x_m: float = 0.15
    relaxation_y_m: float = 0.35
    rear_friction_factor: float | None = None
    rear_stiffness_factor: float | None = None
    radius_factors: Wheels4 = (1.0, 1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class LockParameters:
    """Lock curve M(T_in) of the differential, and how its friction changes with slip speed and heat.

    Attributes
    ----------
    kind : `plate`, `open` (M = 0) or `spool` (never slips).
    preload_Nm, drive_slope, drive_hold_Nm, coast_slope, coast_hold_Nm :
        M = preload + slope max(0, |T_in| - hold), with M = T_slow - T_fast and T_in the sum of both wheels' torques.
    static_ratio : friction of the sticking packs over that of the slipping ones; above 1 the packs chatter.
    falling_speed_rad_s : speed difference over which friction falls from static to slipping (e-fold).
    fade_per_K : share of the friction lost per kelvin above `reference_degC`.
    heat_capacity_J_K, cooling_W_K, ambient_degC : oil and plates as one lump.
    shaft_stiffness_Nm_rad, shaft_damping_Nms_rad, hub_inertia_kg_m2 : each halfshaft and what turns with its side gear;
        stiffness 0 is a rigid shaft. Packs chatter only on shafts that wind up: tyres alone damp the wheels too well.
    """

    kind: Literal["plate", "open", "spool"] = "plate"
    preload_Nm: float = 60.0
    drive_slope: float = 0.30
    drive_hold_Nm: float = 0.0
    coast_slope: float = 0.15
    coast_hold_Nm: float = 0.0
    static_ratio: float = 1.0
    falling_speed_rad_s: float = 0.5
    fade_per_K: float = 0.0
    reference_degC: float = 60.0
    heat_capacity_J_K: float = 9000.0
    cooling_W_K: float = 8.0
    ambient_degC: float = 25.0
    shaft_stiffness_Nm_rad: float = 0.0
    shaft_damping_Nms_rad: float = 2.0
    hub_inertia_kg_m2: float = 0.03

    @classmethod
    def from_prediction(cls, curve: "PredictedLockCurve") -> "LockParameters":
        """The differential that locks exactly as predicted (a figure that a curve does not have counts as zero)."""
        return cls(
            kind=curve.kind,
            preload_Nm=curve.preload_Nm or 0.0,
            drive_slope=curve.drive_slope or 0.0,
            drive_hold_Nm=curve.drive_hold_Nm or 0.0,
            coast_slope=curve.coast_slope or 0.0,
            coast_hold_Nm=curve.coast_hold_Nm or 0.0,
        )

    def locking_torque(self, input_torque_Nm: float) -> float:
        """M (N.m) of the slipping packs at the reference temperature; infinite for a spool."""
        if self.kind == "open":
            return 0.0
        if self.kind == "spool":
            return math.inf
        drive = self.drive_slope * max(0.0, input_torque_Nm - self.drive_hold_Nm)
        coast = self.coast_slope * max(0.0, -input_torque_Nm - self.coast_hold_Nm)
        return self.preload_Nm + (drive if input_torque_Nm > 0 else coast)


@dataclass(frozen=True, kw_only=True)
class Powertrain:
    """Engine, gears and driveline. Torques at the crankshaft, by engine speed; invented figures, no source.

    `full_torque_Nm` and `drag_torque_Nm` (negative: engine braking) belong to `speed_rpm`, evenly spaced from 0.
    `driveline_inertia_kg_m2` turns with the differential case. The box shifts by itself, without a clutch.
    """

    speed_rpm: tuple[float, ...] = (0, 1000, 2000, 3000, 4000, 5000, 6000, 7000, 8000)
    full_torque_Nm: tuple[float, ...] = (90, 140, 185, 215, 236, 248, 244, 226, 190)
    drag_torque_Nm: tuple[float, ...] = (0, -8, -22, -28, -34, -41, -49, -58, -68)
    gear_ratios: tuple[float, ...] = (2.95, 2.05, 1.53, 1.21, 1.00)
    final_drive: float = 4.1
    efficiency: float = 0.94
    engine_inertia_kg_m2: float = 0.13
    driveline_inertia_kg_m2: float = 0.08
    shift_up_rpm: float = 7100.0
    shift_down_rpm: float = 4300.0
    limiter_rpm: float = 7600.0
    shift_time_s: float = 0.10
    torque_lag_s: float = 0.05

    @classmethod
    def for_car(cls, car: Car) -> "Powertrain":
        """The default engine scaled to the car's mass (about 145 W/kg) and its gearing to the wheel radius."""
        base, scale = cls(), car.mass_kg / 1180
        return cls(
            full_torque_Nm=tuple(t * scale for t in base.full_torque_Nm),
            drag_torque_Nm=tuple(t * scale for t in base.drag_torque_Nm),
            engine_inertia_kg_m2=base.engine_inertia_kg_m2 * scale,
            final_drive=base.final_drive * car.rear_rolling_radius_m / 0.31,
        )


@dataclass(frozen=True, kw_only=True)
class Driver:
    """How the driver drives. `variability` 0 repeats every lap exactly; 1 is a club driver (about 2 % in speed).

    Attributes
    ----------
    cornering_use, braking_use, drive_use : share of the tyres' grip that is planned for, 0 to 1.
    slip_feel : mean rear slip at which the driver begins to ease the throttle.
    throttle_rate_per_s : pedal travel per second on the way down.
    eagerness_sd : how much the drive that the driver asks for scatters about the planned one, from corner to corner.
    lift_pause_s, release_pause_s : coasting between throttle and brake, and between brake and throttle.
    """

    cornering_use: float = 0.94
    braking_use: float = 0.80
    drive_use: float = 0.95
    slip_feel: float = 0.11
    throttle_rate_per_s: float = 3.0
    eagerness_sd: float = 0.12
    lift_pause_s: float = 0.15
    release_pause_s: float = 0.35
    variability: float = 1.0
