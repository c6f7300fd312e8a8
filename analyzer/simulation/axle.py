"""The driven axle: two wheels, the case between them and the packs, stepped without chatter."""

import math
from collections import namedtuple

from analyzer.simulation.compiled import compiled
from analyzer.simulation.parameters import LockParameters

LockFigures = namedtuple(
    "LockFigures",
    "preload drive_slope drive_hold coast_slope coast_hold static_ratio falling_speed fade reference "
    "heat_capacity cooling ambient stiffness damping hub_inertia play outside",
)
_NEVER_SLIPS_NM = 1e9  # capacity of a spool; finite, so that the same step serves


def lock_figures(lock: LockParameters) -> LockFigures:
    """The lock curve in the form of the inner loop; open and spool are the limits 0 and 1e9 N.m of a plate."""
    limits = {"open": 0.0, "spool": _NEVER_SLIPS_NM}
    plate = lock.kind == "plate"
    curve = (lock.preload_Nm, lock.drive_slope, lock.drive_hold_Nm, lock.coast_slope, lock.coast_hold_Nm)
    return LockFigures(
        *(curve if plate else (limits[lock.kind], 0.0, 0.0, 0.0, 0.0)),
        lock.static_ratio if plate else 1.0,
        lock.falling_speed_rad_s,
        lock.fade_per_K if plate else 0.0,
        lock.reference_degC,
        lock.heat_capacity_J_K,
        lock.cooling_W_K,
        lock.ambient_degC,
        lock.shaft_stiffness_Nm_rad,
        lock.shaft_damping_Nms_rad,
        lock.hub_inertia_kg_m2,
        lock.thrust_play_percent / 100 if plate else 0.0,
        1.0 if plate and lock.preload_springs == "outside_packs" else 0.0,
    )


@compiled
def ramp_torque(input_torque, before, lock):
    """What the ramps add to M (N.m) at a case torque (N.m); `before` is what they added the step before.

    Notes
    -----
    Pins that climb their ramps rub: while torque rises the thrust is less than without friction, while it falls it is
    more, and in between it stays as it is (derived; a play operator between slope (1 - play) and slope (1 + play)).
    """
    if input_torque > 0.0:
        smooth = lock.drive_slope * max(0.0, input_torque - lock.drive_hold)
    else:
        smooth = lock.coast_slope * max(0.0, -input_torque - lock.coast_hold)
    return max(smooth * (1.0 - lock.play), min(smooth * (1.0 + lock.play), before))


@compiled
def sliding_capacity(input_torque, temperature, lock, before=0.0):
    """M (N.m) of packs that slip fast, at the given case torque (N.m) and temperature (degC); `before` as above."""
    ramps = ramp_torque(input_torque, before, lock)
    torque = max(lock.preload, ramps) if lock.outside > 0.5 else lock.preload + ramps
    return torque * max(0.1, 1.0 - lock.fade * (temperature - lock.reference))


@compiled
def step_axle(
    left_stiff, left_push, right_stiff, right_push, case, shaft, before, hubs, twist, temperature, dt, lock, ramps=0.0
):
    """Wheel speeds at the end of a step, and the torques in between.

    Parameters
    ----------
    left_stiff, left_push : the left wheel alone obeys stiff * omega = push + T_left (N.m s, N.m); right likewise.
    case : inertia that turns with the case over the step, J_case / dt (N.m s).
    shaft : torque on the case from the engine (N.m).
    before : sum of both wheel speeds at the start of the step (rad/s).
    hubs, twist : speed difference in the packs, left minus right, at the start of the step (rad/s), and how far the
        left halfshaft is wound up more than the right one (rad). With rigid shafts the packs turn with the wheels.
    ramps : what the ramps added to M at the start of the step (N.m).

    Returns
    -------
    (omega_left, omega_right, T_in, T_left - T_right at the wheels, capacity, locked, hubs, twist, ramps)

    Notes
    -----
    T_in = shaft - J_case d(mean speed)/dt, T_left,right = (T_in +- D) / 2. All speeds are linear in the packs' torque
    P, so the P* that makes their speed difference zero at the end of the step is known: within the capacity the packs
    stick and P = P*, else P = +-capacity with the sign of P*, which always points from the faster to the slower side.
    This projection cannot chatter; stick-slip that comes out is the packs' own falling friction. Capacity depends on
    T_in, which hardly depends on P: three rounds settle it.
    """
    half = 0.25 * case
    push_l = left_push + 0.5 * shaft + half * before
    push_r = right_push + 0.5 * shaft + half * before
    a, b = left_stiff + half, right_stiff + half
    determinant = a * b - half * half
    free_l = (push_l * b - half * push_r) / determinant
    free_r = (a * push_r - half * push_l) / determinant
    gain_l = 0.5 * (b + half) / determinant  # per N.m of D
    gain_r = -0.5 * (a + half) / determinant

    # D = offset + share P at the wheels, and the packs' speed difference = start + mobility P
    offset, share = 0.0, 1.0
    start, mobility = free_l - free_r, gain_l - gain_r
    if lock.stiffness > 0.0:
        grip, light = lock.stiffness * dt + lock.damping, dt / lock.hub_inertia
        scale = 1.0 / (1.0 + grip * (light + mobility))
        offset = scale * (lock.stiffness * twist + grip * (hubs - start))
        share = scale * grip * light
        start, mobility = hubs - light * offset, light * (1.0 - share)
    stick = -start / mobility

    packs, capacity, locked, input_torque = stick, 0.0, False, 0.0
    for _ in range(3):
        total = free_l + free_r + (offset + share * packs) * (gain_l + gain_r)
        input_torque = shaft - 0.5 * case * (total - before)
        sliding = sliding_capacity(input_torque, temperature, lock, ramps)
        capacity = sliding * (1.0 + (lock.static_ratio - 1.0) * math.exp(-abs(hubs) / lock.falling_speed))
        locked = abs(stick) <= capacity and capacity > 0.0
        packs = stick if locked else math.copysign(capacity, stick)
    torque = offset + share * packs
    left, right = free_l + gain_l * torque, free_r + gain_r * torque
    if lock.stiffness > 0.0:
        hubs = 0.0 if locked else start + mobility * packs
        twist = twist + dt * (hubs - (left - right))
    else:
        if locked:
            left = right = 0.5 * (left + right)
        hubs = left - right
    return left, right, input_torque, torque, capacity, locked, hubs, twist, ramp_torque(input_torque, ramps, lock)
