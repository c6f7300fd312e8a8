"""What the fitted parts come to: spring force, friction lever, ramp thrust and how sure they are; and what to note."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from analyzer.differential import clamp
from analyzer.differential.notes import (
    CoastLocksHarder,
    MoreShim,
    Note,
    PinFriction,
    PreloadsDiffer,
    SelfLocking,
    ShimsLeftOut,
    SpringsOnTheSameRings,
)
from analyzer.differential.setup import Setup
from analyzer.differential.springs import PressedStack
from analyzer.settings_file import required

UNEQUAL_PRELOADS = 1.33  # of bench over springs: more than their standard deviations explain, so something is wrong


def installed_cone_force_N(setup: Setup) -> float:
    """Force of the cone springs after shims and plate wear (N), never below zero; `setup.cone_spring` must be there."""
    return required(setup.cone_spring).fitted.force_at_N(_added_compression_m(setup))


def _added_compression_m(setup: Setup) -> float:
    return setup.shims.added_compression_m if setup.shims else 0.0


def friction_lever_m(setup: Setup) -> float:
    """2 mu z r_eff: locking torque per newton of clamp (m), the 2 for both packs. The file must give the parts."""
    parts = setup.parts
    radius = clamp.uniform_wear_radius_m if setup.friction_radius == "uniform_wear" else clamp.uniform_pressure_radius_m
    return 2 * clamp.pack_torque_Nm(
        friction_coefficient=parts.friction_coefficient,
        friction_faces=parts.friction_faces_per_side,
        friction_radius_m=radius(outer_radius_m=parts.plate_outer_radius_m, inner_radius_m=parts.plate_inner_radius_m),
        clamp_N=1.0,
    )


@dataclass(frozen=True, kw_only=True)
class Thrust:
    """Ramp thrust of one side per newton-metre of input torque (N per N.m): without pin friction, and its limits.

    Attributes
    ----------
    nominal : between rising and falling torque; zero of a flat ramp.
    rising, falling : what pin friction makes of it (falling is infinite where the ramp would not let go again).
    relative_sd : of `nominal`, by angle, pin radius and pin friction (1).
    """

    nominal: float
    rising: float
    falling: float
    relative_sd: float


def ramp_thrust(setup: Setup, *, ramp_angle_rad: float) -> Thrust:
    """Thrust of a ramp (from the ring's face).

    Parameters
    ----------
    setup : of plate type, given by its parts: pin radius, pin friction and how sure they and the angle are.
    ramp_angle_rad : of that side, from the ring's face, 0 to pi/2.

    Notes
    -----
    Angle: |d ln cot/d angle| = 1/(sin cos). Pin friction: the thrust lies anywhere between rising and falling torque
    (after the torque turns round the rings stay where they are until friction holds the other way), taken as equally
    likely, so its standard deviation is the range over sqrt 12. Of a ramp that would not let go, the range is twice
    what the rising torque lacks.
    """
    nominal, rising, falling = (
        clamp.thrust_N_per_Nm(
            ramp_angle_rad=ramp_angle_rad,
            pin_radius_m=setup.parts.pin_radius_m,
            ramp_friction_angle_rad=friction,
            torque_rising=rises,
        )
        for friction, rises in (
            (0.0, True),
            (math.atan(setup.ramp_friction_coefficient), True),
            (math.atan(setup.ramp_friction_coefficient), False),
        )
    )
    if not nominal:
        return Thrust(nominal=0.0, rising=0.0, falling=0.0, relative_sd=0.0)
    by_angle = math.radians(setup.uncertainty.ramp_angle_deg) / (math.sin(ramp_angle_rad) * math.cos(ramp_angle_rad))
    span = falling - rising if math.isfinite(falling) else 2 * (nominal - rising)
    by_friction = span / nominal / math.sqrt(12)
    sd = math.hypot(by_angle, setup.uncertainty.pin_radius_percent / 100, by_friction)
    return Thrust(nominal=nominal, rising=rising, falling=falling, relative_sd=sd)


def notes_on_parts(setup: Setup, *, drive: Thrust, coast: Thrust) -> Iterator[Note]:
    """What a reader must know about a prediction from these parts.

    Parameters
    ----------
    setup : of plate type, given by its parts.
    drive, coast : thrust of the ramps of each side.
    """
    lever_m = friction_lever_m(setup)
    if setup.breakaway and setup.cone_spring:
        by_springs, by_bench = lever_m * installed_cone_force_N(setup), setup.breakaway.locking_torque_Nm
        if by_springs and not 1 / UNEQUAL_PRELOADS <= by_bench / by_springs <= UNEQUAL_PRELOADS:
            yield PreloadsDiffer(by_bench, by_springs)
    if setup.breakaway and setup.shims and setup.shims.added_compression_m:
        yield ShimsLeftOut()
    spring = setup.cone_spring.fitted if setup.cone_spring and not setup.breakaway else None
    if isinstance(spring, PressedStack):
        yield MoreShim(lever_m * spring.rate_at_N_per_m(_added_compression_m(setup)) * 1e-4)
    if coast.nominal > 1.02 * drive.nominal:
        yield CoastLocksHarder()
    if setup.cone_spring_position == "between_rings" and setup.ring_spring and setup.ring_spring.total_force_N:
        yield SpringsOnTheSameRings()
    if math.isinf(drive.falling) or math.isinf(coast.falling):
        yield SelfLocking()
    elif drive.nominal and drive.falling > drive.rising:
        less, more = drive.nominal - drive.rising, drive.falling - drive.nominal
        yield PinFriction(setup.ramp_friction_coefficient, less / drive.nominal, more / drive.nominal)
