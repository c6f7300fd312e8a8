"""Words that terminal, report and page share: the answer in one paragraph, names of kinds and phases, numbers."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from analyzer.agreement.anchored import AnchoredEstimate
from analyzer.agreement.verdict import Agreement, Explanation
from analyzer.analysis import Analysis
from analyzer.channels import CHANNELS
from analyzer.findings.chatter import Chatter
from analyzer.findings.evidence import Blame, InsideSpin
from analyzer.findings.finding import OF_THE_SESSION, Finding, FindingGroup, cause_of
from analyzer.findings.lock_trend import TEN_MINUTES_S, LockTrend
from analyzer.in_words import capitalised, listed, number, signed
from analyzer.lockcurve.estimate import Interval
from analyzer.phases.phases import Laps
from analyzer.presentation.agreement_words import EXPLANATION_NAMES, MOST_TIMES, at_the_end
from analyzer.presentation.finding_words import CAUSE_WORDS, LEAST_COST_S, trend_sentence
from analyzer.signals.consistency import CONTRADICTION, LEFT_OUT, contradicted, unchecked

KIND_NAMES = {
    "inside_wheel_spin": "inside rear spin",
    "one_wheel_spin": "one rear wheel spins alone",
    "both_wheel_spin": "both rear wheels spin",
    "coast_understeer": "off-throttle understeer",
    "inside_wheel_locking": "inside rear locks under braking",
    "car_lost": "the car was lost",
    "asymmetry": "left and right lock differ",
    "lock_up_snap": "lock-up snap",
    "chatter": "chatter",
    "lock_trend": "lock changes within the run",
    "setup_contradicted": "the log speaks against the setup file",
}
PHASE_NAMES = {
    "braking": "braking",
    "turn_in": "turn-in",
    "mid_corner": "mid-corner",
    "power_application": "power on",
    "exit": "exit",
}
VERDICT_WORDS = {
    "agrees": "agrees with the setup file",
    "stronger": "locks more than the setup file says",
    "weaker": "locks less than the setup file says",
    "cannot_tell": "not clear from this log",
}
MOST_CORNERS = 3  # named in the answer
LEAST_COST_A_LAP_S = 0.05  # rounds to a tenth; a session's sum is right to a quarter (`tests/findings/test_cost.py`)
POINT_WORDS = {"measured": "measured", "bound": "lower limit", "none": "not known"}
SEVERITY_WORDS = {"act": "act on it", "caution": "caution", "note": "note"}
PARAMETER_NAMES = {
    "preload_Nm": ("preload (locking torque at zero input torque), N.m", 0),
    "drive_slope": ("drive slope, N.m per N.m", 3),
    "drive_hold_Nm": ("drive ramps start to clamp at, N.m", 0),
    "coast_slope": ("coast slope, N.m per N.m", 3),
    "coast_hold_Nm": ("coast ramps start to clamp at, N.m", 0),
}
HOW_TO_READ = (
    "Locking torque is what the slower rear wheel gets more than the faster one. Slipping plates measure it, mostly "
    "while the torque rises: as it falls, pins that rub on their ramps hold on to more. A locked "
    "axle only shows that it is at least what the wheels exchange: a lower limit. "
    "Kinematic lock: 0 rolls free, 1 turns as one, above 1 the inside wheel turns too fast. "
    "Transfer torque: positive resists the turn, negative turns the car in. Torques are at the wheels; intervals are "
    "95 %; a dash means not clear from this log."
)

NOT_TO_BE_USED = "The numbers below are what such a log gives; do not act on them."

HOW_TO_READ_EXPLANATIONS = (
    "How much better: how much likelier the slipping samples are under the explanation than under the setup file. An "
    "explanation that could fit anything gains nothing by it. Below 3 times the difference means nothing; only 10 "
    "times or more counts against the file. Causes are tried one at a time, not two together."
)


def interval_words(interval: Interval, digits: int = 0) -> tuple[str, str]:
    """(value, interval) of a parameter in words; a bound is said to be one."""
    if interval.value is None:
        if interval.lower is not None:
            return "–", f"at least {number(interval.lower, digits)}"
        return "–", interval.reason or "not clear from this log"
    if interval.lower is None or interval.upper is None:
        return number(interval.value, digits), ""
    return number(interval.value, digits), f"{number(interval.lower, digits)} to {number(interval.upper, digits)}"


def parameter_cells(parameters: Mapping[str, Interval]) -> dict[str, tuple[str, str]]:
    """Parameter name -> (value, 95 % interval) in words; dashes where there is no number, see `why_not_measured`."""
    return {
        name: ("–", "–") if _unknown(parameters[name]) else interval_words(parameters[name], digits)
        for name, (_, digits) in PARAMETER_NAMES.items()
        if name in parameters
    }


def why_not_measured(parameters: Mapping[str, Interval]) -> list[str]:
    """The reasons, each once, of parameters that have no number: in a table's cells they would push the numbers out."""
    unknown = [p for name, p in parameters.items() if name in PARAMETER_NAMES and _unknown(p)]
    told = {interval_words(parameter)[1] for parameter in unknown}
    return [f"Not measured: {reason}." for reason in sorted(told)]


def _unknown(found: Interval) -> bool:
    return found.value is None and found.lower is None


def explanation_cells(explanation: Explanation) -> tuple[str, str, str]:
    """Name, how much better than the file, and the figure that it would need, of one explanation."""
    times = explanation.times_better
    if explanation.kind == "as_the_file_says":
        better = "–"
    elif times >= 2:
        better = _times_up_to(times)
    else:
        worse = 1 / max(times, 1e-9)
        better = f"{_times_up_to(worse)} worse" if worse > 1.5 else "no better"
    figure = needed_figure(explanation.value, explanation.lower, explanation.upper, explanation.unit)
    if at_the_end(explanation):
        figure = f"at least file × {number(explanation.lower, 2)}"
    return EXPLANATION_NAMES[explanation.kind], better, figure


def _times_up_to(times: float) -> str:
    return f"over {MOST_TIMES:.0f} times" if times > MOST_TIMES else f"{times:.0f} times"


def needed_figure(value: float | None, lower: float | None, upper: float | None, unit: str | None) -> str:
    """The figure that an explanation needs, with its interval: a torque, or a multiple of what the file says.

    Parameters
    ----------
    value, lower, upper : as in `verdict.Explanation`; "" comes back where there is no value.
    unit : `Nm`, or `of_the_file`.
    """
    if value is None:
        return ""
    before, digits, after = ("", 0, " N.m") if unit == "Nm" else ("file × ", 2, "")
    return f"{before}{number(value, digits)} ({number(lower, digits)} to {number(upper, digits)}){after}"


def group_where(group: FindingGroup) -> str:
    """Corner, laps and cause of a group in words, after a comma: `, corner 4, every lap: differential, 93 % likely`."""
    words = ""
    if group.corner is not None:
        words = f", corner {group.corner}, {'every lap' if group.every_lap else laps_words(group.laps)}"
    return words if group.cause is None else f"{words}: {cause_likely(group.cause, group.probability)}"


def cause_likely(cause: Blame, probability: float | None) -> str:
    """Throttle, differential or not clear, with the chance of it: a number of its own beside that it happened."""
    if probability is None:
        return CAUSE_WORDS[cause]
    if cause is Blame.OPEN:
        return f"{CAUSE_WORDS[cause]}, {100 * probability:.0f} % {CAUSE_WORDS[Blame.CAR]}"
    return f"{CAUSE_WORDS[cause]}, {100 * probability:.0f} % likely"


def sure_words(group: FindingGroup) -> str:
    """How sure a group's finding is; what was found of the whole session did not happen at a time."""
    of = "" if group.kind in OF_THE_SESSION else " that it happened"
    return f"{100 * group.worst.confidence:.0f} % sure{of}"


def place_words(found: Finding) -> str:
    """Where and when one finding was."""
    if not found.is_placed:
        return "whole session"
    corner = "outside the corners" if found.corner is None else f"corner {found.corner}"
    return f"{corner}, {moment_words(found)}"


def moment_words(found: Finding) -> str:
    """Lap and log time of one finding, under a heading that names its corner."""
    if not found.is_placed:
        return "whole session"
    lap = laps_words((found.lap,)) if found.lap is not None else ""
    return ", ".join(part for part in (lap, f"{found.start_s:.1f} s") if part)


def laps_words(laps: tuple[int, ...]) -> str:
    """Laps as text: `laps 2, 3`; lap 0 is outside the whole laps."""
    numbers = ", ".join(str(lap) for lap in laps if lap)
    words = [f"lap{'s' if ',' in numbers else ''} {numbers}"] if numbers else []
    return " and ".join(words + (["outside the whole laps"] if 0 in laps else []))


def chatter_words(chatter: Chatter) -> str:
    """Whether the plates chatter, in one sentence."""
    if chatter.reason is not None:
        return f"Chatter is not clear from this log: {chatter.reason}."
    where = (
        f"in {chatter.slow_corner_s:.0f} s of slow corners (looked for from {chatter.band_low_Hz:.0f} to "
        f"{chatter.band_high_Hz:.0f} Hz)"
    )
    if not chatter.events:
        return f"No chatter was seen {where}."
    return (
        f"The plates chattered {_times(chatter.events)}, {chatter.chatter_s:.1f} s {where}: the rear wheels trembled "
        f"{chatter.rms_rad_s:.2f} rad/s against each other, the logger's own noise is {chatter.background_rad_s:.2f}."
    )


def trend_rows(trend: LockTrend) -> list[tuple[str, str, str, str, str]]:
    """(parameter, early, late, change over the run, its interval) of a lock that changes; a steady one's preload and
    slope only trade against each other."""
    rows: list[tuple[str, str, str, str, str]] = []
    if trend.verdict not in ("fading", "rising"):
        return rows
    for name, change in trend.parameters_per_10_min.items():
        label, digits = PARAMETER_NAMES[name]
        if change.value is not None:
            rows.append(
                (
                    label,
                    number(trend.early[name], digits),
                    number(trend.late[name], digits),
                    *(_over_run(change, trend.span_s, digits)),
                )
            )
    return rows


def _over_run(per_10_min: Interval, span_s: float, digits: int) -> tuple[str, str]:
    """A change per 10 minutes as what it is over the run, with its interval: of a short run nobody has seen more."""
    share = span_s / TEN_MINUTES_S
    ends = (per_10_min.value, per_10_min.lower, per_10_min.upper)
    change, lower, upper = (signed(None if v is None else share * v, digits) for v in ends)
    return change, f"{lower} to {upper}"


def whole_laps_words(laps: Laps) -> str:
    """How many laps the log holds; without laps the whole log stands as one, and that is said."""
    if laps.method == "none":
        return "no lap repeats, so the whole log counts as one" if laps.bounds else "no laps"
    return f"whole laps: {len(laps.bounds)}"


def answer(analysis: Analysis) -> str:
    """What the differential did, in one paragraph: what the driver asks first, then the rest."""
    return " ".join(answer_parts(analysis))


def answer_parts(analysis: Analysis) -> tuple[str, str]:
    """What the driver asks (did it spin, where, foot or car), and the rest: lock, curve and parts."""
    if mark := contradicted(analysis.quality):
        what = "itself" if mark.code == CONTRADICTION else "its car file"
        asked = f"This log contradicts {what}, so it says nothing about the differential, the driver or the parts."
        return asked, f"{capitalised(mark.message)} {NOT_TO_BE_USED}"
    return _events(analysis), _said(analysis, REST)


def answer_on_screen(analysis: Analysis) -> tuple[str, str, str]:
    """The same in three: what the driver asks; what the tuner asks, whether it agrees with the parts, and first an
    axle that did not both lock and slip, of which there is no more to say; and the rest."""
    asked, rest = answer_parts(analysis)
    if contradicted(analysis.quality):
        return asked, "", rest
    tuner: list[Callable[[Analysis], str]] = []
    if _locked_share(analysis) in (None, 0.0, 1.0):
        tuner += [_locking, _curve]
    if analysis.agreement is not None:
        tuner.append(_parts)
    return asked, _said(analysis, tuner), _said(analysis, [part for part in REST if part not in tuner])


def _said(analysis: Analysis, parts: Sequence[Callable[[Analysis], str]]) -> str:
    return " ".join(s for s in (part(analysis) for part in parts) if s)


def anchored_words(found: AnchoredEstimate) -> str:
    """What the anchored curve rests on, and whether it and the log contradict each other."""
    taken = "; ".join(anchor.label for anchor in found.anchors)
    text = f"Taken from the setup file as measurements: {taken}. Plate friction and cone force on paper are not used."
    if found.contradicted:
        text += (
            " The log and these figures contradict each other: one is wrong, or the plates are not what they were."
            " Measure the breakaway again, warm and turning, and check the ring springs and the ramps."
        )
    return text


def _anchored(analysis: Analysis) -> str:
    found = analysis.anchored
    if found is None:
        return ""
    if found.contradicted:
        return "The figures that the setup file states as measured contradict the log: check them before anything else."
    preload = found.lock_curve.parameters["preload_Nm"]
    if preload.value is None or "differential.breakaway" not in {anchor.source for anchor in found.anchors}:
        return ""
    return f"With the bench breakaway as a measurement, preload is {_with_interval(preload)}."


def _left_out(analysis: Analysis) -> str:
    """Which channels the rest of the log contradicts."""
    names = [CHANNELS[a.channel].label for a in analysis.quality if a.code == LEFT_OUT and a.channel]
    if not names and not any(a.code == LEFT_OUT for a in analysis.quality):
        return ""
    return f"{capitalised(listed(names) or 'the position')} contradicts the rest of the log and was left out."


def _locking(analysis: Analysis) -> str:
    share = _locked_share(analysis)
    if share is None:
        return "This log can't separate locked from slipping at any time, so it says nothing about the differential."
    if share == 1:
        return "The rear wheels turned as one for the whole session: the differential never slipped."
    if share == 0:
        return "The rear wheels turned apart whenever the log could show it: the axle was never locked."
    return f"Where the log can show it, the rear axle was locked {100 * share:.0f} % of the time and slipped the rest."


def _locked_share(analysis: Analysis) -> float | None:
    """Of the time that the log can show it; 0 and 1 within a hundredth, None where it never can."""
    slipping, locked = int(analysis.axle.slipping.sum()), int(analysis.axle.locked.sum())
    if not slipping + locked:
        return None
    share = locked / (slipping + locked)
    return 1.0 if share > 0.99 else 0.0 if share < 0.01 else share


def _curve(analysis: Analysis) -> str:
    curve = analysis.lock_curve
    preload = curve.parameters["preload_Nm"]
    if preload.value is None and not (curve.drive_supported or curve.coast_supported):
        bounds = [p.lower_Nm for p in curve.points if p.kind == "bound" and p.lower_Nm is not None]
        if bounds and max(bounds) > 0:
            return f"The log gives only a lower limit for the lock: it held at least {max(bounds):.0f} N.m."
        if not analysis.signals.sensors.slip_known:
            return f"The log gives no lock curve: {preload.reason}."
        return "The log gives no lock curve: the plates slipped too little in it, or it is too short."
    parts = []
    if preload.value is not None:
        parts.append(f"preload is {_with_interval(preload)}")
    for side, supported in (("drive", curve.drive_supported), ("coast", curve.coast_supported)):
        slope = curve.parameters.get(f"{side}_slope")
        if supported and slope is not None and slope.value is not None:
            parts.append(f"each 100 N.m of {side} torque adds {_with_interval(slope, 100.0)}")
        elif not supported:
            parts.append(f"{side} was not measured")
    text = "; ".join(parts)
    return f"{capitalised(text)}." if text else ""


def _with_interval(interval: Interval, factor: float = 1.0) -> str:
    text = f"{number(None if interval.value is None else factor * interval.value)} N.m"
    if interval.lower is not None and interval.upper is not None:
        text += f" ({factor * interval.lower:.0f} to {factor * interval.upper:.0f})"
    return text


def _events(analysis: Analysis) -> str:
    spins = [f for f in analysis.findings if f.kind == "inside_wheel_spin"]
    understeer = [f for f in analysis.findings if f.kind == "coast_understeer" and f.severity != "note"]
    if spins:
        text = f"The inside rear spun {_times(len(spins))}{_where(spins)}. {_blamed(spins)}"
        text += _cost_a_lap(spins, analysis)
    else:
        text = "No inside rear spin was found."
    alone = sum(f.kind == "one_wheel_spin" for f in analysis.findings)
    if alone:
        text += f" One rear wheel spun alone {_times(alone)}, on a straight or while the car swung back from a slide."
    lost = [f for f in analysis.findings if f.kind == "car_lost"]
    if lost:
        text += f" The car was lost {_times(len(lost))}{_where(lost)}; throttle or differential is not clear there."
    if understeer:
        text += f" The differential made the car understeer off the throttle ({_times(len(understeer))})."
    return text


def _where(findings: list[Finding]) -> str:
    """Where it happened most; nothing where more than three corners share the first place or it is only once."""
    count = Counter(f.corner for f in findings if f.corner is not None)
    most = max(count.values(), default=0)
    first = [corner for corner, times in sorted(count.items()) if times == most]
    if not first or len(first) > MOST_CORNERS:
        return ""
    words = f"corner{'s' if len(first) > 1 else ''} {listed([str(corner) for corner in first])}"
    if most * len(first) == len(findings):
        return f" in {words}"
    if most == 1:
        return ""
    return f", most often in {words} ({_times(most)}{' each' if len(first) > 1 else ''})"


def foot_or_car(spins: Sequence[Finding]) -> str:
    """Throttle, differential or not clear, counted over the spins."""
    count = Counter(cause_of(f) or Blame.OPEN for f in spins)
    said = [(count[blame], words) for blame, words in CAUSE_WORDS.items() if count[blame]]
    if len(said) == 1:
        return said[0][1]
    return listed([f"{_times(times)} {words}" for times, words in said])


def _blamed(spins: list[Finding]) -> str:
    """The same as a sentence."""
    count = Counter(cause_of(f) or Blame.OPEN for f in spins)
    said = {
        Blame.CAR: "the differential let it go",
        Blame.FOOT: "you asked for more than the tyres had",
        Blame.OPEN: "it is not clear which",
    }
    told = [(count[blame], words) for blame, words in said.items() if count[blame]]
    if len(told) == 1:
        words, often = told[0][1], " each time" if len(spins) > 1 and told[0][1] != said[Blame.OPEN] else ""
        return f"{capitalised(words)}{often}."
    text = listed([f"{_times(times)} {words}" for times, words in told])
    return f"{capitalised(text)}."


def _cost_a_lap(spins: Sequence[Finding], analysis: Analysis) -> str:
    """What the spins of the whole laps cost together, a lap; nothing where no lap repeats or it is next to nothing."""
    if analysis.laps.method == "none":
        return ""
    each = [f.evidence.lost_s or 0.0 for f in spins if f.lap and isinstance(f.evidence, InsideSpin)]
    a_lap = sum(lost for lost in each if lost >= LEAST_COST_S) / len(analysis.laps.bounds)
    return f" Together the spins cost about {a_lap:.1f} s a lap." if a_lap >= LEAST_COST_A_LAP_S else ""


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _assumed(analysis: Analysis) -> str:
    """What the curve leans on that the car file does not say."""
    curve = analysis.lock_curve
    if not analysis.car.load_transfer_is_guessed or not (curve.drive_supported or curve.coast_supported):
        return ""
    return (
        "The car file leaves out rear_load_transfer_fraction; a guess from the rear's share of the weight stands in, "
        "and nothing else moves the lock curve as much. Find the figure before you change a part."
    )


def _unchecked(analysis: Analysis) -> str:
    """What no channel of the log would show to be wrong."""
    mark = unchecked(analysis.quality)
    return mark.message if mark else ""


def _trend(analysis: Analysis) -> str:
    trend = analysis.trend
    return trend_sentence(trend) if trend is not None and trend.verdict in ("fading", "rising") else ""


def _parts(analysis: Analysis) -> str:
    agreement = analysis.agreement
    if agreement is None:
        return "No setup file was given, so there is nothing to compare with."
    diagnosis = agreement.diagnosis
    if diagnosis is not None and diagnosis.verdict == "explained":
        likely = f"most likely {EXPLANATION_NAMES[diagnosis.tied[0]]}."
        if agreement.verdict == "cannot_tell":
            return f"Preload, drive or coast alone leaves it open whether the setup file is right; together, {likely}"
        return f"{_agrees(agreement)} {capitalised(likely)}"
    return _agrees(agreement)


def _agrees(agreement: Agreement) -> str:
    if agreement.verdict == "agrees":
        return "The log agrees with the setup file where it could measure."
    if agreement.verdict == "cannot_tell":
        return "It is not clear from this log whether it agrees with the setup file."
    sides = [s for s, v in agreement.by_side.items() if v == agreement.verdict]
    where = listed([{"preload": "in preload"}.get(s, f"on {s}") for s in sides])
    return f"It locks {'more' if agreement.verdict == 'stronger' else 'less'} than the setup file says ({where})."


REST = (_locking, _curve, _anchored, _trend, _parts, _left_out, _assumed, _unchecked)  # of the answer, caveats last
