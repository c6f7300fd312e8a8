"""What is in a log and what it can answer: composes reading, signs, delays and faults for `halfshaft check`."""

from collections import Counter
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypedDict

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, REAR_WHEELS
from analyzer.errors import HalfshaftError
from analyzer.findings.lock_trend import LEAST_SPAN_S
from analyzer.in_words import shown_name
from analyzer.logs.assemble import Taken, assemble
from analyzer.logs.behaviour import steer_slope_m
from analyzer.logs.mapping import ChannelMap
from analyzer.logs.match import Proposal, propose
from analyzer.logs.read import from_map, missing_channels, require_usable, with_true_clock
from analyzer.logs.recording import Annotation, RawLog, Recording
from analyzer.logs.registry import open_log
from analyzer.signals.consistency import consistent, contradicted
from analyzer.signals.examine import examined
from analyzer.signals.kinematics import SATELLITES_ALONE
from analyzer.signals.log_stretches import rough_speed_m_s
from analyzer.signals.pair_fit import PairTest
from analyzer.signals.pair_tests import consistency_tests
from analyzer.vehicle.car import Car

# of the front wheels' difference while they roll: pulses, slip, road (common practice, no source)
WHEEL_SCATTER_M_S = 0.1
MOST_ALIKE, MOST_OF_A_CODE = 3, 8  # notes shown of one kind in one channel, and of one kind: what a screen holds
SHORT_LOG_S = 120.0  # about a lap; guide and README ask for four
LEAST_CORNERING_M_S2 = 2.5  # as in phases/corners.py: below it a road bends and a car changes lane
NO_CORNER = f"lateral acceleration stays under {LEAST_CORNERING_M_S2:g} m/s2, so no corner was driven in it"


@dataclass(frozen=True)
class ChannelLine:
    """One recognised channel: column, unit in the file, own rate (Hz), lowest and highest value in the file's unit."""

    channel: str
    column: str
    unit: str
    rate_hz: float | None
    lowest: float | None
    highest: float | None
    filled: float
    reason: str


@dataclass(frozen=True)
class Answer:
    """One question the analysis answers, and whether this log can: `yes`, `partly` or `no`, with the reason."""

    question: str
    verdict: str
    reason: str


class ChannelJson(TypedDict):
    """A `ChannelLine` as JSON."""

    channel: str
    column: str
    unit: str
    rate_hz: float | None
    lowest: float | None
    highest: float | None
    filled: float
    reason: str


class AnswerJson(TypedDict):
    """An `Answer` as JSON."""

    question: str
    verdict: str
    reason: str


class QualityJson(TypedDict):
    """What is said of the log, and where (s)."""

    code: str
    severity: str
    channel: str | None
    start_s: float | None
    end_s: float | None
    message: str


class LogJson(TypedDict):
    """The log as a whole."""

    file: str
    form: str
    duration_s: float | None
    sample_rate_hz: float | None
    excluded_share: float | None


class CheckJson(TypedDict):
    """The check as JSON: what `halfshaft check --json` writes and the log check page shows."""

    schema: int
    log: LogJson
    channels: list[ChannelJson]
    unused_columns: list[str]
    questions: list[str]
    problem: str | None
    quality: list[QualityJson]
    answers: list[AnswerJson]
    car_checks: list[str]
    agreement: list[dict[str, object]]  # a `PairTest` each
    contradiction: str | None
    channel_map: str


@dataclass(frozen=True)
class LogCheck:
    """Everything `halfshaft check` says."""

    file: str
    form: str
    duration_s: float | None
    sample_rate_hz: float | None
    channels: tuple[ChannelLine, ...]
    unused: tuple[str, ...]
    questions: tuple[str, ...]
    problem: str | None
    annotations: tuple[Annotation, ...]
    excluded_share: float | None
    answers: tuple[Answer, ...]
    car_checks: tuple[str, ...]
    agreement: tuple[PairTest, ...]
    contradiction: str | None
    channel_map: str
    map_needed: bool

    def as_json(self) -> CheckJson:
        """The check as plain JSON data."""
        return {
            "schema": 1,
            "log": {
                "file": self.file,
                "form": self.form,
                "duration_s": self.duration_s,
                "sample_rate_hz": self.sample_rate_hz,
                "excluded_share": self.excluded_share,
            },
            "channels": [_channel_json(line) for line in self.channels],
            "unused_columns": list(self.unused),
            "questions": list(self.questions),
            "problem": self.problem,
            "quality": [_quality_json(note) for note in self.annotations],
            "answers": [{"question": a.question, "verdict": a.verdict, "reason": a.reason} for a in self.answers],
            "car_checks": list(self.car_checks),
            "agreement": [{**vars(test), "holds": sorted(test.holds)} for test in self.agreement],
            "contradiction": self.contradiction,
            "channel_map": self.channel_map,
        }


def _channel_json(line: ChannelLine) -> ChannelJson:
    return {
        "channel": line.channel,
        "column": line.column,
        "unit": line.unit,
        "rate_hz": line.rate_hz,
        "lowest": line.lowest,
        "highest": line.highest,
        "filled": line.filled,
        "reason": line.reason,
    }


def _quality_json(note: Annotation) -> QualityJson:
    return {
        "code": note.code,
        "severity": note.severity,
        "channel": note.channel,
        "start_s": note.start_s,
        "end_s": note.end_s,
        "message": note.message,
    }


def check_log(
    path: Path | str,
    *,
    channel_map: ChannelMap | None = None,
    car: Car | None = None,
    progress: Callable[[str, float], None] = lambda step, share: None,
) -> LogCheck:
    """Look at a log without analysing it.

    Parameters
    ----------
    channel_map, car : None where there is none.
    progress : called with what is being done and the share done, 0 to 1.

    Raises
    ------
    InputError : the file cannot be read at all. A log that can be read but not used is told in `problem`.
    """
    raw, name = open_log(path), Path(path).name
    progress("reading", 0.0)
    proposal = propose(raw)
    taken = dict(proposal.taken)
    log_entry = proposal.log
    if channel_map is not None:
        taken, log_entry = from_map(raw, channel_map, name), channel_map.log
        proposal = Proposal(taken, log=log_entry)
    usable = {c: t for c, t in taken.items() if c not in proposal.unknown_units}
    recording, problem = None, None
    annotations: tuple[Annotation, ...] = ()
    tests: tuple[PairTest, ...] = ()
    contradiction = None
    try:
        recording = assemble(raw, usable, name=name, log_entry=log_entry)
        if channel_map is None and "time" in usable and not raw.columns[usable["time"].index].unit:
            recording = with_true_clock(recording)
        progress("looking for faults", 0.6)
        recording = examined(recording)
        annotations = recording.annotations
        require_usable(recording, raw)
        progress("comparing channels", 0.8)
        tests = consistency_tests(recording, car)
        recording = consistent(recording, car, tests=tests)
        annotations = recording.annotations
        mark = contradicted(annotations)
        contradiction = mark.message if mark else None
        if mark is None and not _cornered(recording):
            problem = f"{name}: {NO_CORNER}. Give a log with cornering."
    except HalfshaftError as error:
        problem = str(error)
    needed = any(
        raw.columns[t.index].name.casefold() != c or t.unit not in (None, CHANNELS[c].file_unit)
        for c, t in taken.items()
    )
    used = {t.index for t in taken.values()}
    return LogCheck(
        file=name,
        form=raw.form,
        duration_s=float(recording.time_s[-1]) if recording else None,
        sample_rate_hz=float(1 / np.median(np.diff(recording.time_s))) if recording else None,
        channels=tuple(_line(raw, c, t, recording) for c, t in _in_order(taken)),
        unused=tuple(column.name for i, column in enumerate(raw.columns) if i not in used),
        questions=_questions(raw, proposal),
        problem=problem,
        annotations=annotations,
        excluded_share=_excluded_share(recording, annotations) if recording else None,
        answers=_answers(recording) if recording else (),
        car_checks=_car_checks(recording, car) if recording and car else (),
        agreement=tests,
        contradiction=contradiction,
        channel_map=proposal.toml(raw),
        map_needed=needed or bool(proposal.doubts) or bool(proposal.unknown_units) or problem is not None,
    )


def _in_order(taken: dict[str, Taken]) -> list[tuple[str, Taken]]:
    return [(name, taken[name]) for name in CHANNELS if name in taken]


def _line(raw: RawLog, channel: str, taken: Taken, recording: Recording | None) -> ChannelLine:
    column = raw.columns[taken.index]
    (values,), _ = raw.load([taken.index])
    finite = values[np.isfinite(values)]
    source = recording.sources.get(channel) if recording else None
    unit = source.unit if source else column.unit or taken.unit or ""
    rate = source.rate_hz if source else None
    if channel == "time" and recording is not None:
        unit, rate = "clock" if column.is_clock else unit or "s", float(1 / np.median(np.diff(recording.time_s)))
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (None, None)
    return ChannelLine(channel, column.name, unit, rate, low, high, len(finite) / max(1, len(values)), taken.reason)


def _questions(raw: RawLog, proposal: Proposal) -> tuple[str, ...]:
    """What the user has to decide."""
    result = []
    for channel, candidates in proposal.doubts.items():
        columns = " or ".join(f"'{shown_name(raw.columns[c.index].name)}'" for c in candidates)
        result.append(f"{CHANNELS[channel].label}: {columns}? They are as good as each other.")
    for channel, why in proposal.unknown_units.items():
        column = shown_name(raw.columns[proposal.taken[channel].index].name)
        result.append(f"{CHANNELS[channel].label}: which unit is '{column}' in? None is stated, and {why}.")
    return (*result, *proposal.refused)


def _excluded_share(recording: Recording, annotations: tuple[Annotation, ...]) -> float:
    out = np.zeros(len(recording.time_s), bool)
    for a in annotations:
        if a.excludes and a.start_s is not None and a.end_s is not None:
            out |= (recording.time_s >= a.start_s) & (recording.time_s <= a.end_s)
    return float(out.mean())


def _answers(recording: Recording) -> tuple[Answer, ...]:
    """The questions of the analysis against the channels of the log."""
    have = recording.channels.keys()
    rears = have >= set(REAR_WHEELS)
    cornered = _cornered(recording)
    turn = cornered and ("yaw_rate" in have or "lat_g" in have or {"wheel_speed_fl", "wheel_speed_fr"} <= have)
    yaw = _yaw_words(have) if cornered else NO_CORNER
    lock = ("yes" if "yaw_rate" in have else "partly") if rears and turn else "no"
    pedals = "throttle" in have
    driven_s = float(recording.time_s[-1] - recording.time_s[0])
    torque, missing = _torque_answer(recording, cornered, yaw, driven_s)
    position = {"latitude", "longitude"} <= have
    laps = "by lap channel" if "lap" in have else "by position" if position else "from where the path repeats"
    brake = "brake is logged" if "brake" in have else "braking comes from deceleration"
    brake = brake if pedals else "needs throttle"
    understeer = _needing(
        "off-throttle understeer",
        rears and "steer" in have and pedals and turn,
        "rear wheel speeds, steer, throttle and cornering",
    )
    if missing == SATELLITES_ALONE:  # it is told by the torque moved across
        understeer = Answer(understeer.question, "no", missing)
    return (
        Answer("locked or slipping, kinematic lock", lock, yaw if rears else "both rear wheel speeds are needed"),
        _needing("inside rear spin on power", rears and pedals and turn, "rear wheel speeds, throttle and cornering"),
        Answer("transfer torque and lock curve", torque, missing),
        understeer,
        Answer("phases of a corner", ("yes" if "brake" in have else "partly") if pedals else "no", brake),
        Answer("laps", "yes" if "lap" in have or position else "partly", laps),
        Answer(
            "lock fading within the run",
            torque if driven_s >= LEAST_SPAN_S else "no",
            f"over the time of the run; the plates must slip over {LEAST_SPAN_S / 60:.0f} minutes of it or more"
            + ("; the temperature channel is not used" if "diff_temperature" in have else ""),
        ),
    )


def _yaw_words(have: Collection[str]) -> str:
    """Where the yaw rate of a log with these channels comes from."""
    fronts = {"wheel_speed_fl", "wheel_speed_fr"} <= set(have)
    instead = ["the front wheels"] * fronts + ["lateral acceleration"] * ("lat_g" in have)
    if "yaw_rate" in have:
        return "yaw rate is logged"
    if instead:
        return f"yaw rate comes from {' and '.join(instead)}, so intervals are wider"
    return "nothing tells the yaw rate"


def _torque_answer(recording: Recording, cornered: bool, yaw: str, driven_s: float) -> tuple[str, str]:
    """Whether transfer torque and lock curve can be told, and why (not)."""
    have = recording.channels.keys()
    gaps = missing_channels(recording.channels)
    torque = "no" if gaps or not cornered else ("yes" if {"yaw_rate", "long_g"} <= have else "partly")
    missing = f"missing: {'; '.join(gaps)}" if gaps else yaw
    if torque == "partly" and "long_g" not in have and not {"wheel_speed_fl", "wheel_speed_fr"} & have:
        torque, missing = "no", SATELLITES_ALONE
    elif torque == "partly" and "long_g" not in have:
        missing += "; longitudinal acceleration comes from the wheel speeds"
    if torque != "no" and driven_s < SHORT_LOG_S:
        torque, missing = "partly", f"only {driven_s:.0f} s long; a lock curve takes about four laps"
    return torque, missing


def _cornered(recording: Recording) -> bool:
    """Whether a corner can be in it; a log without lateral acceleration is not judged here."""
    lateral = recording.channels.get("lat_g")
    return lateral is None or bool((np.abs(lateral) > LEAST_CORNERING_M_S2).any())


def _needing(question: str, able: bool, channels: str) -> Answer:
    return Answer(question, "yes" if able else "no", f"{channels} are logged" if able else f"needs {channels}")


def _car_checks(recording: Recording, car: Car) -> tuple[str, ...]:
    """Figures that the log shows by itself, against the car file."""
    result = []
    channels = recording.channels
    factor = car.front_rolling_radius_m if recording.wheel_speed_unit == "rad/s" else 1.0
    speed = rough_speed_m_s(recording)
    if {"wheel_speed_fl", "wheel_speed_fr", "yaw_rate"} <= channels.keys():
        difference = (channels["wheel_speed_fr"] - channels["wheel_speed_fl"]) * factor
        good = (speed > 8) & np.isfinite(difference) & np.isfinite(channels["yaw_rate"])
        good &= np.gradient(_smooth(speed), recording.time_s) > -1.0  # a braked front wheel slips
        if good.sum() > 200:
            design = np.column_stack([channels["yaw_rate"][good], speed[good]])
            from scipy import optimize  # takes longer to import than all that is here

            # a front wheel that locks is metres a second off, and would turn the line
            track, _ = optimize.least_squares(
                lambda line: design @ line - difference[good],
                [car.front_track_m, 0.0],
                jac=lambda line: design,
                loss="cauchy",
                f_scale=WHEEL_SCATTER_M_S,
            ).x
            result.append(
                f"Front wheels' difference over yaw rate: {track:.2f} m; the car file has a front track of "
                f"{car.front_track_m:.2f} m{_verdict(track, car.front_track_m, 0.15)}"
            )
    turn = channels.get("yaw_rate")
    if turn is None and "lat_g" in channels:
        turn = channels["lat_g"] / np.maximum(speed, 5.0)
    if "steer" in channels and turn is not None and (slope := steer_slope_m(channels["steer"], speed, turn)):
        ratio = 1.0 if recording.steer_at == "road_wheel" else car.steering_ratio
        result.append(
            f"Steer per path curvature: {slope:.1f} m; wheelbase times steering ratio, to which understeer adds, is "
            f"{car.wheelbase_m * ratio:.1f} m"
            f"{_verdict(slope, car.wheelbase_m * ratio, 0.5)}"
        )
    return tuple(result)


def _smooth(values: FloatArray) -> FloatArray:
    return np.convolve(np.pad(values, 25, mode="edge"), np.full(51, 1 / 51), mode="valid")


def _verdict(found: float, stated: float, tolerance: float) -> str:
    within = f"{100 * tolerance:.0f} %"
    if abs(found / stated - 1) <= tolerance:
        return f" (agrees within {within})."
    return f" (differs by more than {within}: check unit, map and car file)."


def shortened(check: LogCheck) -> LogCheck:
    """The check with the first few annotations of each kind."""
    return replace(check, annotations=first_few(check.annotations))


def first_few(annotations: tuple[Annotation, ...]) -> tuple[Annotation, ...]:
    """At most `MOST_ALIKE` annotations of one code and channel and `MOST_OF_A_CODE` of one code, in their order; the
    rest is counted in the last one kept. The JSON has them all."""
    kept: list[Annotation] = []
    alike: Counter[tuple[str, str | None]] = Counter()
    of_code: Counter[str] = Counter()
    for a in annotations:
        if alike[a.code, a.channel] < MOST_ALIKE and of_code[a.code] < MOST_OF_A_CODE:
            alike[a.code, a.channel] += 1
            of_code[a.code] += 1
            kept.append(a)
    all_of_code = Counter(a.code for a in annotations)
    for code, total in all_of_code.items():
        more = total - of_code[code]
        if more:
            last = max(k for k, a in enumerate(kept) if a.code == code)
            kept[last] = replace(kept[last], message=f"{kept[last].message} And {more} more like it.")
    return tuple(kept)
