"""What a driver reads: the sentence of every finding, the advice of every group and what the lock does within the run,
each made from the typed record alone."""

from collections.abc import Sequence
from functools import singledispatch
from statistics import median

from analyzer.agreement.verdict import Diagnosis, Explanation
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
from analyzer.findings.finding import Finding, FindingGroup
from analyzer.findings.lock_trend import STEADY_SHARE, TEN_MINUTES_S, LockTrend
from analyzer.in_words import counted, number, signed
from analyzer.presentation.agreement_words import diagnosis_sentence

MOSTLY_LOCKED = 0.5  # of the time, for an axle that spun both wheels as one
# less is not said: of 171 spins of sessions 3 to 8 (`tests/findings/test_cost.py`) what was lost scatters by 0.017 s
# about what is said, and those that read less had lost anything from nothing to that
LEAST_COST_S = 0.03
STANDS = 0.3  # of slip under braking: past it the wheel is on its way to standing still
CLEAR_EXTRA_DEG = 1.0  # at the road wheel: less understeer than this a driver does not notice
LEAST_LESS = 0.02  # of throttle: less is not said
ADVISE = "halfshaft advise"  # what tries other parts, in an advice; the page names its own
CAUSE_WORDS = {Blame.CAR: "differential", Blame.FOOT: "throttle", Blame.OPEN: "not clear"}


def finding_sentence(found: Finding) -> str:
    """What happened and where, in one to three sentences."""
    return sentence(found.evidence, where=place(found.corner, found.direction, found.lap, found.distance_m))


def group_advice(group: FindingGroup) -> str:
    """What to do about a group of findings, one line; "" where its sentence says all."""
    return advice(group.worst.evidence, [f.evidence for f in group.events])


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
    if e.foot_or_car is Blame.OPEN and e.open_because not in (OpenBecause.NEAR, OpenBecause.ENGINE):
        said: dict[OpenBecause | None, str] = {
            OpenBecause.STOPPED: "the car stopped right after it",
            OpenBecause.BRAKED: "the brakes were on at the same time",
            OpenBecause.SLIP_UNKNOWN: "the log doesn't say how the tyres shared the drive",
        }
        why = said.get(e.open_because, "the log is too short or too poor there to replay it")
        return f"not clear whether throttle or differential, {why}"
    asked = f"{_percent(e.asked_share)} % ({_percent(e.asked_share_lower)} to {_percent(e.asked_share_upper)})"
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
    return f" It cost about {e.lost_s:.2f} s and {number(e.lost_m)} m by the next braking point."


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
        f"yaw moment for {e.duration_s:.1f} s. That takes {_percent(e.front_side_force_share)} % of the front tyres' "
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
    return _within_the_run(e.verdict, (e.change_per_10_min, e.lower_per_10_min, e.upper_per_10_min), e.span_s)


@sentence.register
def _(e: SetupContradicted, *, where: str) -> str:
    best = Explanation(
        e.explanations[0], e.times_better_than_file, e.value, e.lower, e.upper, e.unit, fits=bool(e.fits)
    )
    verdict = "explained" if len(e.explanations) == 1 else "cannot_tell_apart"
    return diagnosis_sentence(Diagnosis(verdict, e.explanations, (best,)))


def trend_sentence(trend: LockTrend) -> str:
    """Whether the lock fades or grows within the run, with the change over it; or why that is not clear."""
    whole = trend.relative_per_10_min
    if whole.value is None or whole.lower is None or whole.upper is None:
        return f"It is not clear whether the lock changes within the run: {whole.reason}."
    return _within_the_run(trend.verdict, (whole.value, whole.lower, whole.upper), trend.span_s)


def _within_the_run(verdict: str, per_10_min: tuple[float, float, float], span_s: float) -> str:
    """The sentence of a verdict; `per_10_min` is the relative change with both ends of its interval."""
    over = span_s / TEN_MINUTES_S
    # no lock loses more than all it has, whatever a straight line says
    change, lower, upper = (signed(100 * max(share * over, -1.0)) for share in per_10_min)
    numbers = f"{change} % ({lower} to {upper}) over {span_s / 60:.0f} min"
    return {
        "fading": f"The lock fades within the run: {numbers}. Heat in oil and plates does that, and wear if it stays.",
        "rising": f"The lock grows within the run: {numbers}.",
        "steady": f"The lock changes by less than {100 * STEADY_SHARE:.0f} % within the run: {numbers}.",
        "cannot_tell": f"It is not clear whether the lock changes within the run: {numbers}."
        + (" Tyres that warm up read like that." if per_10_min[1] > 0 else ""),
    }[verdict]


def _percent(share: float | None) -> str:
    return number(None if share is None else 100 * share)


def _degrees(angle_deg: float | None) -> str:
    """An angle at the steering wheel as a driver says it, with a decimal where that is all there is."""
    if angle_deg is not None and angle_deg >= 1.95:
        return counted(angle_deg, "degree")
    return f"{number(angle_deg, 1)} degrees"


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
    less = max(x.less_throttle or 0.0 for x in known)
    hold = f"{100 * less:.0f} % less throttle than you used" if less >= LEAST_LESS else "a little less throttle"
    if e.foot_or_car is Blame.FOOT:
        return f"Less throttle here costs nothing: {hold} would have held the wheel; more drive lock would not."
    if e.foot_or_car is Blame.OPEN and e.open_because is OpenBecause.ENGINE:
        return (
            "Most of the doubt is how heavy the engine is to spin up: with its inertia in the car file and its speed "
            f"in the log the answer gets clearer. Until then, try {hold} here."
        )
    if e.foot_or_car is Blame.OPEN:
        return f"Neither is clear. First try {hold} here; if the wheel still spins, look at drive lock."
    if all(map(_held_by_the_file, known)):
        return "The lock that the setup file states would have held this: check that the car has those parts."
    return f"More drive lock would hold it{_lock_instead(known)}: try {ADVISE}. Until then, {hold}."


def _held_by_the_file(e: InsideSpin) -> bool:
    """Whether the axle as it is let go and one with the lock of the setup file would have held."""
    if e.held_by_file_N is None or e.held_force_N is None or e.asked_force_N is None:
        return False
    return e.held_force_N < e.asked_force_N <= e.held_by_file_N


def _lock_instead(group: Sequence[InsideSpin]) -> str:
    """The lock that would have held and the one there was, in the median; nothing where they do not differ so."""
    known = [(x.needed_lock_Nm, x.lock_Nm) for x in group if x.needed_lock_Nm is not None and x.lock_Nm is not None]
    if not known or any(needed <= there for needed, there in known):
        return ""
    needed, there = (number(median(values), -1) for values in zip(*known, strict=True))
    return f", about {needed} N.m there instead of {there}"


@advice.register
def _(e: OneWheelSpin, group: Sequence[OneWheelSpin]) -> str:
    if e.yaw_against_side_force:
        return "Catch the car first, then open the throttle."
    return f"More preload would drive the other wheel too: try {ADVISE}."


@advice.register
def _(e: BothWheelSpin, group: Sequence[BothWheelSpin]) -> str:
    if e.stopped_after:
        return "Look at the throttle and the steering just before."
    return "Less throttle here; more lock would not hold it."


@advice.register
def _(e: CoastUndersteer, group: Sequence[CoastUndersteer]) -> str:
    if e.of_the_differential:
        return f"Less preload or less coast lock would free the car: try {ADVISE}."
    return "Leave the differential: look at balance, brakes and line."


@advice.register
def _(e: InsideWheelLocking, group: Sequence[InsideWheelLocking]) -> str:
    return "Less rear brake, or more lock on coast, would hold it."


@advice.register
def _(e: LockUpSnap, group: Sequence[LockUpSnap]) -> str:
    return f"Open the throttle more gently, or fit flatter drive ramps: try {ADVISE}."


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
