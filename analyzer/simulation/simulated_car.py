"""What a simulated car has beyond its car file: tyre, chassis, engine and gears, differential, grip that changes.

All figures are free. A field made by `option` is a nuisance: off by default, and an option of `halfshaft simulate` (see
`options.OPTIONS`).
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.simulation.nuisances import Options, option
from analyzer.vehicle.car import Car

if TYPE_CHECKING:
    from analyzer.differential.predicted import PredictedLockCurve

Wheels4 = tuple[float, float, float, float]
RADIUS_B, RADIUS_D, RADIUS_F = 8.0, 0.24, 0.01  # common figures of the effective rolling radius, see `SimTyre`


@dataclass(frozen=True, kw_only=True)
class SimTyre(Options):
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
        little (see `plain_car.balanced`), as whoever chose its tyres and bars would have seen to.
    radius_factors : true rolling radius over the car file's, by wheel (front left, front right, rear left, rear right).
    radius_fall_percent : the effective rolling radius falls by this share per quarter of the car's weight of wheel
        load, in a straight line. Published tyre files give 0.2 to 0.55.
    radius_stiffness_N_mm : vertical stiffness C_z of the tyre, and with it the published form of the same fall,
        R_e = R_0 - (F_z0/C_z) (D atan(B F_z/F_z0) + F F_z/F_z0), B 8, D 0.24, F 0.01, steepest on a light wheel;
        F_z0 is a quarter of the weight. 0 leaves it out. The car file's radius is the one under static load.
    unlike_grip_percent : left tyres over right ones in friction and both stiffnesses.
    unlike_radius_percent : left tyres over right ones in rolling radius.

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 3rd ed. 2012, sections 4.3.2 and 9.3 (forms from memory, figures our own but
    for B, D and F of the radius, which are common in published tyre files).
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
    radius_fall_percent: float = option("radius_fall_percent")
    radius_stiffness_N_mm: float = option("radius_stiffness_N_mm")
    unlike_grip_percent: float = option("unlike_grip_percent")
    unlike_radius_percent: float = option("unlike_radius_percent")


@dataclass(frozen=True, kw_only=True)
class Chassis(Options):
    """How the car's corners differ, and how late load follows.

    Attributes
    ----------
    cross_weight_percent : share of the weight on front right and rear left at rest, over a half.
    rear_brake_left_percent : the left wheel's share of the rear brake torque.
    load_lag_front_s, load_lag_rear_s : lag of first order of each axle's sideways load transfer (dampers, bushes,
        bars); longitudinal transfer keeps the usual one.
    """

    cross_weight_percent: float = option("cross_weight_percent")
    rear_brake_left_percent: float = option("rear_brake_left_percent")
    load_lag_front_s: float = option("load_lag_front_s")
    load_lag_rear_s: float = option("load_lag_rear_s")


@dataclass(frozen=True, kw_only=True)
class Grip(Options):
    """How the tyres change along the session, as factors on friction and on both stiffnesses of all four.

    Attributes
    ----------
    cold_grip_percent, cold_stiffness_percent : what is missing (grip) or more (stiffness: cold rubber is stiffer) at
        the start of the session; it dies away exponentially.
    warm_up_m : distance over which it falls to 1/e.
    grip_step_percent : change of grip half-way through the session, within 50 m (-45: it begins to rain).
    """

    cold_grip_percent: float = option("cold_grip_percent")
    cold_stiffness_percent: float = option("cold_stiffness_percent")
    warm_up_m: float = option("warm_up_m")
    grip_step_percent: float = option("grip_step_percent")

    def factors(self, distance_m: FloatArray, length_m: float) -> tuple[FloatArray, FloatArray]:
        """Factors on friction and stiffness along a session.

        Parameters
        ----------
        distance_m : (n,) from its start.
        length_m : of the session, for what happens half-way.

        Returns
        -------
        tuple : (n,) each.
        """
        cold = np.exp(-distance_m / self.warm_up_m)
        late = np.clip((distance_m - 0.5 * length_m) / 50.0, 0.0, 1.0)
        friction = (1 - self.cold_grip_percent / 100 * cold) * (1 + self.grip_step_percent / 100 * late)
        return friction, 1 + self.cold_stiffness_percent / 100 * cold


@dataclass(frozen=True, kw_only=True)
class LockParameters(Options):
    """Lock curve M(T_in) of the differential, and how its friction changes with slip speed and heat.

    Attributes
    ----------
    kind : `plate`, `open` (M = 0) or `spool` (never slips).
    preload_Nm, drive_slope, drive_hold_Nm, coast_slope, coast_hold_Nm :
        M = preload + slope max(0, |T_in| - hold), with M = T_slow - T_fast and T_in the sum of both wheels' torques.
    preload_springs : `between_rings`, where preload and ramp thrust add as above, or `outside_packs`, where the larger
        of preload and slope max(0, |T_in| - hold) rules: the stack is in series (free body of a ring, derived).
    thrust_play_percent : friction of the pins on their ramps. Slopes are less by this share while torque rises and more
        while it falls; in between the thrust stays as it is. tan(friction angle) over sin(theta) cos(theta), some 20.
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
    preload_springs: Literal["between_rings", "outside_packs"] = "between_rings"
    thrust_play_percent: float = option("thrust_play_percent")
    static_ratio: float = option("static_ratio")
    falling_speed_rad_s: float = 0.5
    fade_per_K: float = option("fade_per_K")
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

    @property
    def hinge_holds_Nm(self) -> tuple[float, float]:
        """Hold-offs (drive, coast) of the same curve written as preload + slope max(0, |T_in| - hold).

        max(M_0, s (T - h)) is M_0 + s max(0, T - (h + M_0/s)); where there is no slope the hold-off is as given.
        """
        pairs = (self.drive_slope, self.drive_hold_Nm), (self.coast_slope, self.coast_hold_Nm)
        outside = self.preload_springs == "outside_packs"
        drive, coast = (hold + (self.preload_Nm / slope if outside and slope > 0 else 0.0) for slope, hold in pairs)
        return drive, coast

    def locking_torque(self, input_torque_Nm: float) -> float:
        """M (N.m) of the slipping packs at the reference temperature, midway between rising and falling torque;
        infinite for a spool.

        Parameters
        ----------
        input_torque_Nm : sum of both wheels' torques, drive positive.
        """
        if self.kind == "open":
            return 0.0
        if self.kind == "spool":
            return math.inf
        drive = self.drive_slope * max(0.0, input_torque_Nm - self.drive_hold_Nm)
        coast = self.coast_slope * max(0.0, -input_torque_Nm - self.coast_hold_Nm)
        ramps = drive if input_torque_Nm > 0 else coast
        return max(self.preload_Nm, ramps) if self.preload_springs == "outside_packs" else self.preload_Nm + ramps


@dataclass(frozen=True, kw_only=True)
class Powertrain(Options):
    """Engine, gears and driveline. Torques at the crankshaft, by engine speed; invented figures, no source.

    `full_torque_Nm` and `drag_torque_Nm` (negative: engine braking) belong to `speed_rpm`, evenly spaced from 0.
    `driveline_inertia_kg_m2` turns with the differential case. The box shifts by itself, without a clutch.
    `shift_miss_percent`: share of the engine's change of speed at a shift that the tyres must bring about, because the
    driver's foot does not: the engine's angular momentum J dw goes through the differential within about 0.08 s, as a
    spike of engine braking on the way down through the gears and a push on the way up.
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
    shift_time_s: float = option("shift_time_s")
    shift_miss_percent: float = option("shift_miss_percent")
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
    brake_reserve_m_s2 : deceleration beyond that of coasting which is wanted before the foot goes to the brake.
    left_foot_brake : share of the hardest braking that the left foot drags over an open throttle in corners, 0 to 1.
    top_speed_m_s, most_lateral_m_s2 : a driver who is to go slowly goes no faster, and corners no harder.
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
    brake_reserve_m_s2: float = 0.5
    left_foot_brake: float = 0.0
    top_speed_m_s: float = 90.0
    most_lateral_m_s2: float = math.inf
