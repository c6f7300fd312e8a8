"""What was measured of each kind of finding: typed records, from which sentences, tables and JSON are made.

Names end with their unit; what does not exist is None. Torques at the wheels (N.m), shares and slips as fractions.
"""

from dataclasses import dataclass
from enum import StrEnum


class Blame(StrEnum):
    """Whose a spin was, as the result contract names it."""

    CAR = "car"
    FOOT = "foot"
    OPEN = "cannot_tell"


class OpenBecause(StrEnum):
    """Why throttle or differential is left open."""

    NEAR = "near"  # what was asked for is too near to what both tyres could take
    ENGINE = "engine"  # the same, and most of what is unsure is how heavy the engine turns
    STOPPED = "stopped"  # the car stopped right after it
    SLIP_UNKNOWN = "slip_unknown"  # the log does not say how the tyres shared the drive
    BRAKED = "braked"  # the brakes were on: what reached the tyres is not known
    NOT_REPLAYED = "not_replayed"  # no row of the fit lies in it


@dataclass(frozen=True, kw_only=True)
class InsideSpin:
    """The inside rear spins on power. Slips over the wheel's ground speed; uses over the slip at peak force.

    Attributes
    ----------
    foot_or_car : whose it is; `probability_car` is the chance that it is the differential's (None where not judged).
    open_because : why it is left open, None where it is not.
    asked_share : asked for over what both tyres could take turning as one, with its 95 % interval.
    asked_force_N, locked_axle_force_N, held_force_N, held_by_file_N : what the throttle asked for, what the axle takes
        locked, as it is, and with the lock of the setup file, while most was asked for.
    less_throttle : share of the drive asked for that was too much for the axle as it is.
    lock_Nm, needed_lock_Nm : locking torque there, and the one that would have held.
    engine_error_share : of the variance of `asked_share`, what the engine's inertia has of it, 0 to 1.
    lost_force_N, lost_s, lost_m : mean over the spin, and what it cost up to the next braking point.
    passes, passes_with_spin : of this corner in this log.
    """

    phase: str | None
    duration_s: float
    peak_slip: float
    peak_use: float
    outside_slip: float | None
    outside_use: float | None
    sliding_distance_m: float
    energy_J: float
    throttle: float
    speed_m_s: float
    input_torque_Nm: float | None
    transfer_torque_Nm: float | None
    packs_slipping_fraction: float
    foot_or_car: Blame
    probability_car: float | None = None
    open_because: OpenBecause | None = None
    asked_share: float | None = None
    asked_share_lower: float | None = None
    asked_share_upper: float | None = None
    asked_force_N: float | None = None
    locked_axle_force_N: float | None = None
    held_force_N: float | None = None
    held_by_file_N: float | None = None
    less_throttle: float | None = None
    lock_Nm: float | None = None
    needed_lock_Nm: float | None = None
    engine_error_share: float | None = None
    lost_force_N: float | None = None
    lost_s: float | None = None
    lost_m: float | None = None
    passes: int | None = None
    passes_with_spin: int | None = None


@dataclass(frozen=True, kw_only=True)
class OneWheelSpin:
    """One rear wheel spins on power where no inside wheel can be named."""

    duration_s: float
    wheel: str
    peak_slip: float
    peak_use: float
    sliding_distance_m: float
    throttle: float
    speed_m_s: float
    yaw_against_side_force: bool


@dataclass(frozen=True, kw_only=True)
class BothWheelSpin:
    """Both rear wheels spin on power."""

    phase: str | None
    duration_s: float
    peak_slip: float
    peak_use: float
    throttle: float
    locked_fraction: float
    stopped_after: bool


@dataclass(frozen=True, kw_only=True)
class CoastUndersteer:
    """Understeer off the throttle: what the differential holds against the turn, or what it does not explain."""

    of_the_differential: bool
    phase: str | None
    duration_s: float
    yaw_moment_Nm: float
    yaw_moment_sd_Nm: float | None
    front_side_force_share: float | None
    transfer_torque_Nm: float | None
    explained_steer_deg: float
    explained_steer_sd_deg: float
    extra_steer_deg: float | None
    extra_road_wheel_deg: float | None
    understeer_gradient_deg_per_g: float | None
    steady_scatter_deg: float | None
    speed_m_s: float
    passes: int = 1
    laps: str = ""


@dataclass(frozen=True, kw_only=True)
class InsideWheelLocking:
    """The inside rear is braked past its grip."""

    phase: str | None
    duration_s: float
    slip_difference: float
    slip_difference_sd: float
    peak_slip_of_tyre: float
    speed_m_s: float


@dataclass(frozen=True, kw_only=True)
class LockUpSnap:
    """A yaw moment against the turn that arrives with a snap as the throttle opens."""

    phase: str | None
    yaw_moment_change_Nm: float
    yaw_acceleration_change_rad_s2: float
    rise_s: float
    throttle: float
    transfer_torque_before_Nm: float
    transfer_torque_after_Nm: float


@dataclass(frozen=True, kw_only=True)
class CarLost:
    """The car turned round about itself."""

    phase: str | None
    duration_s: float
    yaw_rate_deg_s: float
    speed_m_s: float
    throttle: float
    stopped: bool


@dataclass(frozen=True, kw_only=True)
class Trembling:
    """Plates that stick and slip."""

    phase: str | None
    duration_s: float
    rms_rad_s: float
    background_rad_s: float
    times_background: float
    frequency_Hz: float
    band_low_Hz: float
    band_high_Hz: float
    speed_m_s: float


@dataclass(frozen=True, kw_only=True)
class Asymmetry:
    """Locking torque differs between left and right corners."""

    left_minus_right_Nm: float
    level_Nm: float
    left_passes: int
    right_passes: int
    chance_of_equal_sides: float


@dataclass(frozen=True, kw_only=True)
class TrendInRun:
    """The lock changes within the run; the verdict is `fading` or `rising`."""

    verdict: str
    change_over_run: float
    lower_over_run: float
    upper_over_run: float
    change_per_10_min: float
    lower_per_10_min: float
    upper_per_10_min: float
    span_s: float


@dataclass(frozen=True, kw_only=True)
class SetupContradicted:
    """The log contradicts the setup file: kinds of `Explanation` that it can't separate, and the figures of the best,
    which comes first."""

    explanations: tuple[str, ...]
    times_better_than_file: float
    value: float | None
    lower: float | None
    upper: float | None
    unit: str | None
    fits: bool | None


Evidence = (
    InsideSpin
    | OneWheelSpin
    | BothWheelSpin
    | CoastUndersteer
    | InsideWheelLocking
    | LockUpSnap
    | CarLost
    | Trembling
    | Asymmetry
    | TrendInRun
    | SetupContradicted
)
KINDS: dict[type, str] = {
    InsideSpin: "inside_wheel_spin",
    OneWheelSpin: "one_wheel_spin",
    BothWheelSpin: "both_wheel_spin",
    CoastUndersteer: "coast_understeer",
    InsideWheelLocking: "inside_wheel_locking",
    LockUpSnap: "lock_up_snap",
    CarLost: "car_lost",
    Trembling: "chatter",
    Asymmetry: "asymmetry",
    TrendInRun: "lock_trend",
    SetupContradicted: "setup_contradicted",
}
