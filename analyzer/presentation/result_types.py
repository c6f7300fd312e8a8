"""The result of `analyze` as types, from which its JSON Schema is made.

    python -m analyzer.presentation.result_types    writes result.schema.json beside this file

Torques in N.m at the wheels, drive positive; times in seconds of the log; intervals are 95 %. What does not exist is
null.
"""

import json
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired

from pydantic import Field, TypeAdapter
from typing_extensions import TypedDict

from analyzer.findings.chatter import Chatter
from analyzer.findings.lock_trend import Window
from analyzer.lockcurve.estimate import Interval
from analyzer.signals.session import CalibrationStep

SCHEMA_FILE = Path(__file__).parent / "result.schema.json"

Count = Annotated[int, Field(ge=0)]
Fraction = Annotated[float, Field(ge=0, le=1)]
NotNegative = Annotated[float, Field(ge=0)]
Sentence = Annotated[str, Field(min_length=1)]
Verdict = Literal["agrees", "stronger", "weaker", "cannot_tell"]
ExplanationKind = Literal[
    "as_the_file_says",
    "ramps_exchanged",
    "preload_soft",
    "preload_up",
    "ring_springs",
    "friction",
    "other_angle_reference",
    "other_spring_position",
]


class Log(TypedDict):
    """One log."""

    file: str
    duration_s: NotNegative
    sample_rate_hz: Annotated[float, Field(gt=0)]
    laps: Count
    lap_method: NotRequired[str]
    lap_length_m: NotRequired[float | None]
    position_source: NotRequired[str]


class Named(TypedDict):
    """Something with a name."""

    name: str


class Annotation(TypedDict):
    """Something wrong with the log, or to know about it; `log` where there are several."""

    code: str
    severity: Literal["info", "warning", "error"]
    channel: str | None
    start_s: float | None
    end_s: float | None
    message: str
    excludes: NotRequired[bool]
    log: NotRequired[str]


class Fitted(TypedDict):
    """A fitted parameter of tyre, sensors or car."""

    value: float | None
    standard_deviation: float | None


class Phase(TypedDict):
    """One phase of a corner pass, means over it. Transfer torque is inside less outside; positive resists the turn.
    `kinematic_lock_note` says why there is no kinematic lock, or what one outside 0 to 1 means."""

    phase: Literal["braking", "turn_in", "mid_corner", "power_application", "exit"]
    start_s: float
    end_s: float
    inside_slip: float | None
    outside_slip: float | None
    speed_difference_rad_s: NotRequired[float | None]
    free_difference_rad_s: NotRequired[float | None]
    kinematic_lock: float | None
    input_torque_Nm: float | None
    transfer_torque_Nm: float | None
    transfer_torque_sd_Nm: NotNegative | None
    locking_value: float | None
    predicted_locking_torque_Nm: NotNegative | None
    locked_fraction: Fraction | None
    mean_throttle: NotRequired[float | None]
    mean_speed_m_s: NotRequired[float | None]
    kinematic_lock_note: NotRequired[str | None]


class CornerPass(TypedDict):
    """One pass through a corner; lap 0 is outside the whole laps."""

    lap: Count
    corner: Annotated[int, Field(ge=1)]
    direction: Literal["left", "right"]
    phases: list[Phase]
    log: NotRequired[str]


class MeasuredPoint(TypedDict):
    """The lock curve where plates slipped."""

    input_torque_Nm: float
    locking_torque_Nm: NotNegative
    lower_Nm: float
    upper_Nm: float
    kind: Literal["measured"]


class BoundPoint(TypedDict):
    """The lock curve where nothing slipped: at least `lower_Nm`."""

    input_torque_Nm: float
    locking_torque_Nm: None
    lower_Nm: float
    upper_Nm: None
    kind: Literal["bound"]


class UnknownPoint(TypedDict):
    """The lock curve where nothing is known."""

    input_torque_Nm: float
    locking_torque_Nm: None
    lower_Nm: None
    upper_Nm: None
    kind: Literal["none"]


class Supported(TypedDict):
    """Sides that slipping samples measure."""

    drive: bool
    coast: bool


class Samples(TypedDict):
    """Samples used."""

    slipping: Count
    locked: Count


class LockCurve(TypedDict):
    """Measured lock curve. `budget`: parameter -> source of uncertainty -> share of the variance."""

    method: str
    supported: Supported
    preload_Nm: Interval
    drive_slope: Interval
    drive_hold_Nm: Interval
    coast_slope: Interval
    coast_hold_Nm: NotRequired[Interval]
    points: Annotated[list[MeasuredPoint | BoundPoint | UnknownPoint], Field(min_length=40)]
    budget: NotRequired[dict[str, dict[str, float | None]]]
    samples: NotRequired[Samples]


class Anchor(TypedDict):
    """Something that was taken from the setup file."""

    source: str
    label: str
    value: float
    standard_deviation: NotNegative


class Misfit(TypedDict):
    """How well log and anchors go together."""

    probability: float | None
    contradicted: bool


class AnchoredLockCurve(LockCurve):
    """The lock curve with what the setup file states of bench, ring springs and ramps as measurements."""

    anchors: NotRequired[list[Anchor]]
    misfit: NotRequired[Misfit]


class HeardRun(TypedDict):
    """A run whose word was used; `digest` changes when what it tells does."""

    run: str
    digest: str


class NotHeard(TypedDict):
    """A run whose word was not used; `probability` by chance where it contradicts the others."""

    run: str
    reason: Sentence
    probability: Fraction | None


class KnowledgeUsed(TypedDict):
    """What `lock_curve` used of other runs' knowledge of the car; `lock_curve_alone` is the one from the logs alone.

    `probability` of a run as far from the others' word as this one, or further, by chance; `contradicts`: so small that
    none of them is heard; `narrower`: by how much the points' intervals are, in the median (1 is all of it).
    """

    used: bool
    car: str
    runs: list[HeardRun]
    left_out: list[NotHeard]
    probability: Fraction | None
    contradicts: bool
    narrower: float | None
    lock_curve_alone: LockCurve
    sentences: list[Sentence]


class PredictedPoint(TypedDict):
    """The predicted lock curve at one input torque; null for a spool."""

    input_torque_Nm: float
    locking_torque_Nm: float | None
    lower_Nm: NotRequired[float | None]
    upper_Nm: NotRequired[float | None]
    locking_value: NotRequired[float | None]
    torque_bias_ratio: NotRequired[float | None]


class PredictedInterval(TypedDict):
    """A predicted figure with its 95 % interval."""

    value: float | None
    lower: float | None
    upper: float | None


class PredictedLockCurve(TypedDict):
    """The lock curve that the parts should give. `cone_spring_position` is null where the setup file leaves it open:
    the curve runs midway, lower and upper span both."""

    kind: NotRequired[Literal["plate", "open", "spool"]]
    ways: NotRequired[str]
    cone_spring_position: NotRequired[Literal["outside_packs", "between_rings"] | None]
    preload_Nm: NotRequired[PredictedInterval]
    drive_slope: NotRequired[PredictedInterval]
    drive_hold_Nm: NotRequired[PredictedInterval]
    coast_slope: NotRequired[PredictedInterval]
    coast_hold_Nm: NotRequired[PredictedInterval]
    points: list[PredictedPoint]
    notes: NotRequired[list[str]]
    reason: NotRequired[str]


class BySide(TypedDict):
    """A verdict a side."""

    preload: Verdict
    drive: Verdict
    coast: Verdict


class Sentences(TypedDict):
    """A sentence a side."""

    preload: str
    drive: str
    coast: str


class Diagnosis(TypedDict):
    """Which explanation of the measured curve the log supports, and those that it can't separate."""

    verdict: Literal["as_the_file_says", "explained", "cannot_tell_apart", "cannot_tell"]
    tied: list[ExplanationKind]
    sentence: Sentence


class Explanation(TypedDict):
    """One way in which parts and file could differ; `times_better` is the Bayes factor against the file as it is."""

    kind: ExplanationKind
    times_better: NotNegative
    value: float | None
    lower: float | None
    upper: float | None
    unit: Literal["of_the_file", "Nm"] | None
    fits: bool
    sentence: Sentence


class OddsAgainst(TypedDict):
    """The setup file against one thing that might be fitted instead, both held equally likely before the log was read:
    20 speaks 20 to 1 for the file, 0.05 as much for the other; between 0.5 and 2 nothing is said."""

    kind: Literal[
        "ramps_exchanged",
        "preload_gone",
        "plates_worn",
        "plates_glazed",
        "ring_springs_left_out",
        "ramps_steeper",
        "ramps_flatter",
        "preload_step_up",
        "preload_step_down",
    ]
    name: Sentence
    for_the_file: Annotated[float, Field(gt=0)]
    words: Sentence


class Odds(TypedDict):
    """The setup file against other builds."""

    sentence: Sentence
    against: list[OddsAgainst]


class Agreement(TypedDict):
    """Measured against predicted; the diagnosis is null where the setup has no parts to doubt, explanations come best
    first; no odds where nothing else might be fitted."""

    verdict: Verdict
    by_side: BySide
    sentences: NotRequired[Sentences]
    diagnosis: NotRequired[Diagnosis | None]
    explanations: NotRequired[list[Explanation]]
    odds: NotRequired[Odds | None]


class Finding(TypedDict):
    """One thing that happened; `log` where there are several."""

    kind: str
    lap: int | None
    corner: int | None
    direction: Literal["left", "right"] | None
    start_s: float
    end_s: float
    distance_m: float | None
    severity: Literal["note", "caution", "act"]
    confidence: Fraction
    sentence: Sentence
    evidence: dict[str, float | str | bool | None]
    log: NotRequired[str]


class SlopeIntervals(TypedDict):
    """Change of each parameter."""

    preload_Nm: Interval
    drive_slope: Interval
    coast_slope: Interval


class Slopes(TypedDict):
    """Value of each parameter."""

    preload_Nm: float | None
    drive_slope: float | None
    coast_slope: float | None


class Trend(TypedDict):
    """Change of the lock within the run: every corner against itself, tyre and car held."""

    verdict: Literal["fading", "rising", "steady", "cannot_tell"]
    relative_per_10_min: Interval
    span_s: NotNegative
    parameters_per_10_min: SlopeIntervals
    early: Slopes
    late: Slopes
    windows: list[Window]
    sentence: Sentence


class Result(TypedDict):
    """The result of `analyze`."""

    schema: Literal[1]
    log: Log
    logs: NotRequired[Annotated[list[Log], Field(min_length=1)]]
    car: NotRequired[Named]
    quality: list[Annotation]
    calibration: NotRequired[list[CalibrationStep]]
    tyre: NotRequired[dict[str, Fitted]]
    corners: list[CornerPass]
    lock_curve: LockCurve
    anchored_lock_curve: NotRequired[AnchoredLockCurve | None]
    knowledge: NotRequired[KnowledgeUsed | None]
    predicted_lock_curve: PredictedLockCurve | None
    agreement: Agreement | None
    findings: list[Finding]
    chatter: NotRequired[Chatter | None]
    trend: NotRequired[Trend | None]
    cautions: NotRequired[list[str]]


def made_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of `Result`."""
    made = TypeAdapter(Result).json_schema(mode="serialization")
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:halfshaft:result:1",
        "title": "Result of halfshaft analyze",
        "description": "Torques in N.m at the wheels, drive positive; times in seconds of the log; intervals are 95 %. "
        "What does not exist is null.",
    }
    whole: dict[str, Any] = _without_titles({**made, **head})
    return whole


def _without_titles(schema: Any, *, top: bool = True, names: bool = False) -> Any:
    """The schema without the titles that pydantic makes of names; `names`: its keys are names and no keywords."""
    if isinstance(schema, list):
        return [_without_titles(item, top=False) for item in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        key: _without_titles(value, top=False, names=not names and key in ("properties", "$defs"))
        for key, value in schema.items()
        if top or names or key != "title"
    }


def schema_text() -> str:
    """The file's text."""
    return json.dumps(made_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), "utf-8")
