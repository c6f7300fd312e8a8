"""What follows where channels contradict each other: the one that alone explains it is named, and left out where the
rest of the log answers without it; a log that hangs on it is refused; what cannot be decided bounds the answer."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from analyzer.channels import CHANNELS, REAR_WHEELS
from analyzer.errors import CannotTell
from analyzer.in_words import capitalised, listed, number
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.pair_fit import SURE, PairTest
from analyzer.signals.pair_tests import consistency_tests
from analyzer.vehicle.car import Car

CONTRADICTION = "contradiction"  # the marks: headline and verdicts go by them
AGAINST_CAR_FILE = "against_car_file"
LEFT_OUT = "contradicted_channel"
UNCHECKED = "unchecked_scale"  # nothing contradicts, for nothing would
THINGS = {
    "wheel_scale": "the unit of the wheel speeds",
    "front_wheels": "a front wheel speed",
    "rear_wheels": "a rear wheel speed",
    "position": "the position",
    "time": "the time",
    "pace": "the clock, which runs fast and slow by turns, or the position",
    "car": "the car file's track or steering ratio",
    "radius": "a rolling radius in the car file",
    "twice_round": "nothing at all (the circuit may cross itself, so that a lap turns twice round)",
    "half_round": "nothing at all (both halves of the lap may be the same)",
}
NOTHING = ("twice_round", "half_round")  # of `THINGS`, what is no fault
SCALES = {
    "time": "the clock",
    "wheel_scale": "the scale of the wheel speeds",
    "lat_g": "the scale of lateral acceleration",
}
# wheels held against themselves (`once_a_turn`) know the product of clock, scale and radius, none of them alone
OF_WHEELS_ALONE = frozenset({"front_wheels", "rear_wheels", "wheel_scale", "time", "radius"})
NEEDED = ("wheel_scale", "front_wheels", "rear_wheels", "time", "throttle")
ROUNDS = 3  # of leaving a channel out and looking again
# A misfit of less than this does not show in every test that hangs on its cause: what agrees acquits where it would.
SMALL = 0.15
# Of a test's limits, high over low: closer ones tell a scale by more than the log's own intervals are wide.
CLOSE = 1.25


@dataclass(frozen=True)
class Contradiction:
    """A contradiction between channels.

    Attributes
    ----------
    causes : what explains every test that failed; more than one where they cannot be told apart.
    together : True where it takes all of `causes`, False where any one of them would do.
    message : for a person.
    """

    causes: tuple[str, ...]
    together: bool
    message: str


def consistent(recording: Recording, car: Car | None, *, tests: Sequence[PairTest] | None = None) -> Recording:
    """The recording without the channels that the rest contradicts, each with a note; with an error among its
    annotations where what is wrong cannot be told or cannot be left out.

    Parameters
    ----------
    car : None where there is no car file yet; limits are then wider.
    tests : `consistency_tests` of them, where they are made already.

    Raises
    ------
    CannotTell : nothing can be answered without the channel that is wrong.
    """
    for _ in range(ROUNDS):
        tests = consistency_tests(recording, car) if tests is None else tests
        found = contradiction_of(tests)
        if found is None:
            return _with_shifted_wheel(_with_unchecked(recording, tests))
        certain = len(found.causes) == 1 or found.together
        if certain and all(_can_leave_out(cause, recording, found.causes) for cause in found.causes):
            recording, tests = _without(recording, found), None
            continue
        if certain and any(_is_needed(cause, recording, found.causes) for cause in found.causes):
            raise CannotTell(f"{recording.name}: {found.message}")
        note = Annotation(CONTRADICTION, "error", _channel(found.causes), None, None, found.message)
        return replace(recording, annotations=(*recording.annotations, note))
    return recording


def _with_unchecked(recording: Recording, tests: Sequence[PairTest]) -> Recording:
    """The recording with a word on its clock and its wheel speeds where no test would show either off by a fifth."""
    good = [test for test in tests if test.outcome == "agrees" and _is_close(test) and test.holds - OF_WHEELS_ALONE]
    told = frozenset[str]().union(*(test.holds for test in good))
    scales = [thing for thing in SCALES if thing not in told]
    scales = [thing for thing in scales if thing != "lat_g" or thing in recording.channels]
    if not tests or not scales:
        return recording
    words = (
        f"Nothing in this log checks {listed([SCALES[thing] for thing in scales])} to better than a fifth. The "
        "intervals allow for an error of a fifth, no more. Log longitudinal acceleration, yaw rate and GPS speed as "
        "well."
    )
    note = Annotation(UNCHECKED, "info", None, None, None, words)
    return replace(recording, annotations=(*recording.annotations, note), unchecked=tuple(scales))


def _with_shifted_wheel(recording: Recording) -> Recording:
    """The recording with a mark where a rear wheel had to be shifted against the other one: what a shift is off by,
    some milliseconds times the acceleration, is as much as the slip that the lock curve is told from."""
    late = next((a for a in recording.annotations if a.code == "delay" and a.channel in REAR_WHEELS), None)
    if late is None:
        return recording
    words = f"{late.message} What is left of it counts as slip, so the lock curve is not to be relied on."
    note = Annotation(CONTRADICTION, "error", late.channel, None, None, words)
    return replace(recording, annotations=(*recording.annotations, note))


def _is_close(test: PairTest) -> bool:
    """Whether a test would have shown a scale that is off by a fifth."""
    if not (test.lowest and test.highest):
        return False
    unsure = SURE * (test.deviation or 0.0)
    return test.highest + unsure < CLOSE * (test.lowest - unsure)


def unchecked(annotations: Sequence[Annotation]) -> Annotation | None:
    """The mark of a log in which nothing would show a wrong clock or scale of its wheels; None without one."""
    return next((a for a in annotations if a.code == UNCHECKED), None)


def contradicted(annotations: Sequence[Annotation]) -> Annotation | None:
    """The mark of a log that contradicts itself or its car file: nothing may be concluded from its answer. None without
    one."""
    return next((a for a in annotations if a.code in (CONTRADICTION, AGAINST_CAR_FILE)), None)


def car_file_mark(words: str, stated: float, pulled: float, deviations: float) -> Annotation:
    """The mark of a log that contradicts its car file.

    Parameters
    ----------
    words : the figure, by its key where it has one.
    stated, pulled : by the file, and where the log takes it.
    deviations : how far that is, in standard deviations of what the file allows.
    """
    message = (
        f"the car file says {words} {stated:.3g}; the log pulls it to {pulled:.2g}, {deviations:.1f} standard "
        "deviations of what the file allows, and would go further. Measure it again and correct the car file, or check "
        "the scales of the channels."
    )
    return Annotation(AGAINST_CAR_FILE, "error", None, None, None, message)


def contradiction_of(tests: Sequence[PairTest]) -> Contradiction | None:
    """The least that explains every test that failed; None where none did.

    Notes
    -----
    A cause is a hitting set: every failed test hangs on one of its members. Among those of the least size the one is
    taken that the fewest agreeing tests speak for; equals are all named.
    """
    failed = [test for test in tests if test.outcome == "disagrees"]
    if not failed:
        return None
    candidates = sorted(frozenset.union(*(test.holds for test in failed)))
    # a test with one limit, or with wide ones, would not have shown it
    good = [test for test in tests if test.outcome == "agrees" and not test.is_one_sided]
    if all(_is_small(test) for test in failed):
        good = [test for test in good if _shows(test, _off(failed))]
    for size in (1, 2):
        sets = [c for c in combinations(candidates, size) if all(test.holds & {*c} for test in failed)]
        if not sets:
            continue
        spoken_for = {c: sum(bool(test.holds & {*c}) for test in good) for c in sets}
        least = min(spoken_for.values())
        best = [c for c in sets if spoken_for[c] == least]
        if len(best) == 1:
            causes = best[0] if size > 1 else (*best[0], *_with_it(best[0][0], tests))
            return Contradiction(causes, True, _message(failed, causes, "and"))
        causes = tuple(sorted({cause for c in best for cause in c}))
        return Contradiction(causes, False, _message(failed, causes, "or"))
    return Contradiction(tuple(candidates), False, _message(failed, (), "or"))


def _with_it(cause: str, tests: Sequence[PairTest]) -> list[str]:
    """Channels that must be off by as much as `cause` is: they agree with it closely in scale, and would not if it were
    put right alone. One unit scales all that is in it."""
    told = [test for test in tests if test.outcome == "disagrees" and cause in test.holds]
    if not all(_scale(test) for test in told):
        return []  # lost, late or turned over, which says nothing of its scale
    found: set[str] = set()
    for test in tests:
        if test.outcome == "agrees" and cause in test.holds and _is_close(test) and _shows(test, _off(told)):
            found |= test.holds & CHANNELS.keys() - {cause, "time"}
    if cause == "long_g":
        found |= {"lat_g"} & {thing for test in tests if _is_nearer(test, _scale(told[0])) for thing in test.holds}
    return sorted(found)


def _is_nearer(test: PairTest, by: float) -> bool:
    """Whether lateral acceleration over what the gyro says would lie nearer to the middle of its limits if it were too
    large `by` as much: both accelerometers are of one unit, so one scale is off in both or in neither."""
    if not ({"lat_g", "yaw_rate"} <= test.holds and _scale(test) and _is_close(test)):
        return False
    middle = math.sqrt((test.lowest or 0.0) * (test.highest or 0.0))
    return abs(math.log(_scale(test) / by / middle)) < abs(math.log(_scale(test) / middle))


def _off(failed: Sequence[PairTest]) -> float:
    """The factor that the least of some ratios is off by."""
    return math.exp(min(abs(math.log(max(test.number or 0.0, 1e-3))) for test in failed))


def _shows(test: PairTest, off: float) -> bool:
    """Whether a scale that is off by a factor, either way, would have brought a ratio that agrees out of its limits."""
    inside = [(test.lowest or 0.0) <= _scale(test) * by <= (test.highest or 0.0) for by in (off, 1 / off)]
    return bool(_scale(test)) and not any(inside)


def _scale(test: PairTest) -> float:
    """The ratio of a test of the whole log; 0 where it tells none."""
    return test.number if test.reason == "ratio" and test.number and test.number > 0 else 0.0


def _is_small(test: PairTest) -> bool:
    return test.reason.startswith("ratio") and test.number is not None and abs(math.log(max(test.number, 1e-3))) < SMALL


def _message(failed: Sequence[PairTest], causes: Sequence[str], last: str) -> str:
    worst = failed[:3]
    told = "; ".join(f"{test.name}: {_number(test)}, where a sound log shows {test.ends}" for test in worst)
    more = f"; and {len(failed) - len(worst)} more" if len(failed) > len(worst) else ""
    sound_last = sorted(causes, key=lambda cause: cause in NOTHING)
    who = f"Probably wrong: {listed([_named(cause) for cause in sound_last], last)}. " if causes else ""
    return (
        f"the channels contradict each other ({told}{more}). {who}Check columns, units and sensors (halfshaft check "
        "shows what agrees with what), and state the right ones in a channel map."
    )


def _number(test: PairTest) -> str:
    words = f" ({test.reason})" if test.reason.startswith(("correlation", "scatter", "slip", "share of")) else ""
    return f"{number(test.number, 2)}{'' if test.unit == '1' else ' ' + test.unit}{words}"


def _named(cause: str) -> str:
    return THINGS.get(cause) or CHANNELS[cause].label


def _channel(causes: Sequence[str]) -> str | None:
    return causes[0] if len(causes) == 1 and causes[0] in CHANNELS else None


def _can_leave_out(cause: str, recording: Recording, causes: Sequence[str]) -> bool:
    """Whether the analysis has something else in this one's place once all `causes` are left out."""
    has = recording.channels.keys() - set(causes)
    if cause in ("yaw_rate", "lat_g"):
        return bool({"yaw_rate", "lat_g"} & has)
    if cause == "gps_speed":
        return bool({"wheel_speed_fl", "wheel_speed_fr"} & has)
    return cause in ("long_g", "brake", "position")


def _is_needed(cause: str, recording: Recording, causes: Sequence[str]) -> bool:
    hangs_on = cause in ("yaw_rate", "lat_g", "gps_speed") and not _can_leave_out(cause, recording, causes)
    return cause in NEEDED or hangs_on


def _without(recording: Recording, found: Contradiction) -> Recording:
    gone = {name for cause in found.causes for name in (("latitude", "longitude") if cause == "position" else (cause,))}
    label = listed([_named(cause) for cause in found.causes]).removeprefix("the ")
    words = f"{capitalised(label)} is left out: {found.message}"
    # speed times yaw rate in its place hides how the car drifts, so that is no answer to conclude from
    code, severity = (CONTRADICTION, "error") if "lat_g" in gone else (LEFT_OUT, "warning")
    note = Annotation(code, severity, _channel(found.causes), None, None, words)
    return replace(
        recording,
        channels={name: values for name, values in recording.channels.items() if name not in gone},
        annotations=(*recording.annotations, note),
        history=(*recording.history, f"left out {', '.join(sorted(gone))}"),
    )
