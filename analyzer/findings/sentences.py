"""What a driver reads: every sentence of a finding and every line of advice, made from the evidence alone."""

from collections.abc import Sequence
from functools import singledispatch
from statistics import median

from analyzer.findings.evidence import (
    Asymmetry,
    Blame,
    BothWheelSpin,
    CarLost,
    CoastUndersteer,
    InsideSpin,
    InsideWheelLocking,
    LockUpSnap,
    OneWheelSpin,
    OpenBecause,
    SetupContradicted,
    Trembling,
    TrendInRun,
)
from analyzer.in_words import counted, number

MOSTLY_LOCKED = 0.5  # of the time, for an axle that spun both wheels as one
LEAST_COST_S = 0.005  # less is not said: a hundredth of a second is what laps are told apart by
STANDS = 0.3  # of slip under braking: past it the wheel is on its way to standing still
CLEAR_EXTRA_DEG = 1.0  # at the road wheel: less understeer than this a driver does not notice
LEAST_LESS = 0.02  # of throttle: less is not said
CAUSE_WORDS = {Blame.CAR: "differential", Blame.FOOT: "throttle", Blame.OPEN: "not clear"}


def place(corner: int | None, direction: str | None, lap: int | None, distance_m: float | None) -> str:
    """Where, in words: the corner and lap, or the distance along the log.

    Parameters
    ----------
    corner, direction, lap : of a finding; outside of corners None, and lap 0 outside the whole laps.
    distance_m : from the beginning of the log, said where there is no corner; "" where that is None as well.
    """
    if corner is None:
        return "" if distance_m is None else f"{distance_m:.0f} m into the log"
    return f"in corner {corner} ({direction}), " + (f"lap {lap}" if lap else "outside the whole laps")


@singledispatch
def sentence(evidence: object, *, where: str) -> str:
    """What happened, in one to three sentences.

    Parameters
    ----------
    evidence : of one of the kinds of `evidence`.
    where : `place` of it, put into the sentence.
    """
    raise TypeError(f"no sentence for {type(evidence).__name__}")


@sentence.register
def _(e: InsideSpin, *, where: str) -> str:
    spun = (
        f"The inside rear spun {where}, for {e.duration_s:.1f} s with up to {100 * e.throttle:.0f} % throttle and slid "
        f"{e.sliding_distance_m:.1f} m"
    )
    return f"{spun}: {_cause(e)}.{_cost(e)}"


def _cause(e: InsideSpin) -> str:
    if e.foot_or_car is Blame.OPEN and e.open_because is not OpenBecause.NEAR:
        why = {
            OpenBecause.STOPPED: "the car stopped right after it",
            OpenBecause.BRAKED: "the brakes were on at the same time",
            OpenBecause.SLIP_UNKNOWN: "the log doesn't say how the tyres shared the drive",
        }.get(e.open_because, "the log is too short or too poor there to replay it")
        return f"not clear whether throttle or differential, {why}"
    asked = f"{100 * e.asked_share:.0f} % ({100 * e.asked_share_lower:.0f} to {100 * e.asked_share_upper:.0f})"
    if e.foot_or_car is Blame.CAR:
        return f"the differential let the inside wheel go. You asked for {asked} of what both rear tyres could take"
    if e.foot_or_car is Blame.FOOT:
        return f"you asked for more than the tyres had, {asked} of what both rear tyres could take"
    return (
        f"this log can't separate throttle from differential. You asked for {asked} of what both rear tyres could take"
    )


def _cost(e: InsideSpin) -> str:
    if e.lost_s is None or e.lost_s < LEAST_COST_S:
        return ""
    return f" It cost {e.lost_s:.2f} s and {number(e.lost_m, 1)} m by the next braking point."


@sentence.register
def _(e: OneWheelSpin, *, where: str) -> str:
    when = (
        "while the car was swinging back, its yaw against its side force: the throttle came before the car was caught"
        if e.yaw_against_side_force
        else "with hardly any side force: it had less load or grip than the other one, and the differential let it go"
    )
    return (
        f"The {e.wheel} rear spun alone {where}, for {e.duration_s:.1f} s with up to {100 * e.throttle:.0f} % throttle "
        f"and slid {e.sliding_distance_m:.1f} m, {when}."
    )


@sentence.register
def _(e: BothWheelSpin, *, where: str) -> str:
    why = (
        "the car stopped right after it, so what began it is not clear"
        if e.stopped_after
        else "the axle was locked and took both tyres past their grip: too much throttle, or too much lock here"
        if e.locked_fraction > MOSTLY_LOCKED
        else "both tyres were past their grip: too much throttle"
    )
    return f"Both rear wheels spun {where}, for {e.duration_s:.1f} s: {why}."


@sentence.register
def _(e: CoastUndersteer, *, where: str) -> str:
    extra = e.extra_steer_deg
    if not e.of_the_differential:
        explained = f"{e.explained_steer_deg:.1f} degrees" if e.explained_steer_deg >= 0.05 else "none"
        return (
            f"Off the throttle {where} the car took {_degrees(extra)} more steering wheel than its own balance asks "
            f"for. That is not the differential's, which accounts for {explained} of it."
        )
    text = (
        f"Off the throttle {where} the differential held against the turn with {number(e.yaw_moment_Nm, -1)} N.m of "
        f"yaw moment for {e.duration_s:.1f} s. That takes {100 * e.front_side_force_share:.0f} % of the front tyres' "
        f"side force and at least {_degrees(e.explained_steer_deg)} at the steering wheel."
    )
    clear = (e.extra_road_wheel_deg or 0.0) > CLEAR_EXTRA_DEG
    if extra is not None and extra > 2 * e.explained_steer_deg and clear:
        text += (
            f" The car took {_degrees(extra)} more than its own balance asks for; the rest isn't the differential's."
        )
    return text


@sentence.register
def _(e: InsideWheelLocking, *, where: str) -> str:
    what = "locked" if -e.slip_difference > STANDS else "went past its grip"
    return (
        f"The inside rear {what} under braking {where}, for {e.duration_s:.1f} s (at least "
        f"{-100 * e.slip_difference:.0f} % slip)."
    )


@sentence.register
def _(e: LockUpSnap, *, where: str) -> str:
    return (
        f"Opening the throttle {where} put at least {number(e.yaw_moment_change_Nm, -1)} N.m of yaw moment against the "
        f"turn within {e.rise_s:.2f} s: a lock-up that is felt as a snap."
    )


@sentence.register
def _(e: CarLost, *, where: str) -> str:
    return (
        f"The car was lost {where}: it turned round at up to {number(e.yaw_rate_deg_s, -1)} degrees a second"
        f"{' and stopped' if e.stopped else ''}. The wheels of a car that slides sideways don't say what began it."
    )


@sentence.register
def _(e: Trembling, *, where: str) -> str:
    return (
        f"The rear wheels trembled against each other {where}, for {e.duration_s:.1f} s, {e.rms_rad_s:.1f} rad/s at "
        f"about {e.frequency_Hz:.0f} Hz: plates that stick and slip."
    )


@sentence.register
def _(e: Asymmetry, *, where: str) -> str:
    harder, softer = ("left", "right") if e.left_minus_right_Nm > 0 else ("right", "left")
    return (
        f"The axle locks {abs(e.left_minus_right_Nm):.0f} N.m harder in {harder} than in {softer} corners at the same "
        "torque."
    )


@sentence.register
def _(e: TrendInRun, *, where: str) -> str:
    return e.said


@sentence.register
def _(e: SetupContradicted, *, where: str) -> str:
    return e.said


def _degrees(angle_deg: float) -> str:
    """An angle at the steering wheel as a driver says it, with a decimal where that is all there is."""
    return counted(angle_deg, "degree") if angle_deg >= 1.95 else f"{number(angle_deg, 1)} degrees"


@singledispatch
def advice(evidence: object, group: Sequence[object]) -> str:
    """What to do about a group of findings of one kind and cause, `evidence` being the worst's: one line, "" where
    its sentence says all."""
    return ""


@advice.register
def _(e: InsideSpin, group: Sequence[InsideSpin]) -> str:
    known = [x for x in group if x.less_throttle is not None]
    if not known:
        return "Look at the throttle and the steering just before."
    less = max(x.less_throttle for x in known)
    hold = f"{100 * less:.0f} % less throttle" if less >= LEAST_LESS else "a little less throttle"
    if e.foot_or_car is Blame.FOOT:
        return f"Less throttle here costs nothing: {hold} would have held the wheel; more drive lock would not."
    if e.foot_or_car is Blame.OPEN:
        return f"Neither is clear. First try {hold} here; if the wheel still spins, look at drive lock."
    if all(x.held_by_file_N is not None and x.held_force_N < x.asked_force_N <= x.held_by_file_N for x in known):
        return "The lock that the setup file states would have held this: check that the car has those parts."
    needed, has = (number(median(getattr(x, name) for x in known), -1) for name in ("needed_lock_Nm", "lock_Nm"))
    figures = f", about {needed} N.m there instead of {has}" if all(x.needed_lock_Nm > x.lock_Nm for x in known) else ""
    return f"More drive lock would hold it{figures}: try halfshaft advise. Until then, {hold}."


@advice.register
def _(e: OneWheelSpin, group: Sequence[OneWheelSpin]) -> str:
    if e.yaw_against_side_force:
        return "Catch the car first, then open the throttle."
    return "More preload would drive the other wheel too: try halfshaft advise."


@advice.register
def _(e: BothWheelSpin, group: Sequence[BothWheelSpin]) -> str:
    if e.stopped_after:
        return "Look at the throttle and the steering just before."
    return "Less throttle here; more lock would not hold it."


@advice.register
def _(e: CoastUndersteer, group: Sequence[CoastUndersteer]) -> str:
    if e.of_the_differential:
        return "Less preload or less coast lock would free the car: try halfshaft advise."
    return "Leave the differential: look at balance, brakes and line."


@advice.register
def _(e: InsideWheelLocking, group: Sequence[InsideWheelLocking]) -> str:
    return "Less rear brake, or more lock on coast, would hold it."


@advice.register
def _(e: LockUpSnap, group: Sequence[LockUpSnap]) -> str:
    return "Open the throttle more gently, or fit flatter drive ramps: try halfshaft advise."


@advice.register
def _(e: CarLost, group: Sequence[CarLost]) -> str:
    return "Look at the throttle and the steering just before."


@advice.register
def _(e: Trembling, group: Sequence[Trembling]) -> str:
    return "Look at the plates' surface, the oil and its friction modifier."


@advice.register
def _(e: TrendInRun, group: Sequence[TrendInRun]) -> str:
    return "Drive a run from cold again: if it repeats, look at the oil and the plates."


@advice.register
def _(e: SetupContradicted, group: Sequence[SetupContradicted]) -> str:
    return "Check the fitted parts against the setup file before you change anything."


@advice.register
def _(e: Asymmetry, group: Sequence[Asymmetry]) -> str:
    return "Look for unequal packs or tyre radii, a bent axle, or a wrong car figure."
