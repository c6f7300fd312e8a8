"""Proposes which column is which channel, with reasons, and says where it cannot decide."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, QUANTITIES, TIME_FACTORS, WHEEL_CHANNELS
from analyzer.in_words import listed
from analyzer.logs import behaviour
from analyzer.logs.assemble import Taken
from analyzer.logs.mapping import ChannelEntry, ChannelMap, LogEntry, channel_map_toml
from analyzer.logs.match_units import with_units
from analyzer.logs.names import LONGEST_NAME, name_score, tokens
from analyzer.logs.recording import RawLog
from analyzer.logs.unit_names import parse_unit, unit_suffix

LEAST_SCORE = 0.7  # below this a name is a hint, not a statement
CLOSE_SCORE = 0.06  # two candidates nearer than this are as good as each other
# correlation of one signal in two columns; the wheels of an axle have more than the first
SAME_SIGNAL, SAME_WHEEL = 0.999, 0.99999
# not needed, and held against the other channels afterwards: the first of several will do, a wrong one is found
TESTED = ("yaw_rate", "long_g", "gps_speed", "brake")
LAP_CLOCKS = ("lap time", "laptime", "time lap", "lap time s", "current lap time", "running lap time", "rundenzeit")
_AFFIX_ENDS = re.compile(r"[^\W_]+[\W_]+")  # an affix ends where a word does
SHARED_BY, LEAST_NAMES = 0.8, 5  # of the columns; fewer share a word by chance
FAMILY_SCORE = 0.8  # of a four of columns that differ only in the wheel and agree
Load = Callable[[Iterable[int]], dict[int, FloatArray]]


@dataclass(frozen=True)
class Candidate:
    """A column that may be a channel: its number, score 0 to 1, and the reasons."""

    index: int
    score: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Proposal:
    """What the matcher found.

    Attributes
    ----------
    taken : channels that are certain.
    doubts : channel -> candidates that are as good as each other, best first.
    refused : sentences on columns whose name fits but whose unit or numbers do not.
    unknown_units : channel -> why its unit could not be told.
    log : rate or distance, where the log has no time column.
    """

    taken: Mapping[str, Taken]
    doubts: Mapping[str, tuple[Candidate, ...]] = field(default_factory=dict)
    refused: tuple[str, ...] = ()
    unknown_units: Mapping[str, str] = field(default_factory=dict)
    log: LogEntry = field(default_factory=LogEntry)

    def channel_map(self, raw: RawLog) -> ChannelMap:
        """The proposal as a channel map; of doubtful channels the first candidate."""
        channels = {}
        for name in CHANNELS:
            taken = self.taken.get(name)
            if taken is None and name in self.doubts:
                taken = Taken(self.doubts[name][0].index, "")
            if taken is not None and taken.entry is not None:
                channels[name] = taken.entry
            elif taken is not None:
                unit = None if raw.columns[taken.index].is_clock else taken.unit
                channels[name] = ChannelEntry(column=raw.columns[taken.index].name, unit=unit, at=taken.at)
        return ChannelMap(channels, self.log)

    def toml(self, raw: RawLog) -> str:
        """The proposal as TOML to paste, with reasons as comments."""
        reasons = {name: taken.reason for name, taken in self.taken.items()}
        for name, candidates in self.doubts.items():
            others = " or ".join(f"'{raw.columns[c.index].name}'" for c in candidates)
            reasons[name] = f"NOT CERTAIN: {others}? Keep the right one"
        for name, why in self.unknown_units.items():
            reasons[name] = f'STATE THE UNIT: {why}. Add unit = "..."'
        return channel_map_toml(self.channel_map(raw), reasons) + self._not_found(raw)

    def _not_found(self, raw: RawLog) -> str:
        """A place to name the column of each channel that is needed and was not found, as comments."""
        found = {**self.taken, **self.doubts}
        used = {taken.index for taken in self.taken.values()}
        unused = ", ".join(f'"{column.name}"' for i, column in enumerate(raw.columns) if i not in used)
        missing = [c for c in CHANNELS.values() if c.required and c.name not in found and c.name != "time"]
        if not {"wheel_speed_fl", "wheel_speed_fr", "gps_speed"} & found.keys():
            missing += [CHANNELS["wheel_speed_fl"], CHANNELS["wheel_speed_fr"]]  # one of them will do
        if not missing or not unused:
            return ""
        lines = ["", f"# NOT FOUND, but needed. Name the columns and take the # away. Columns left: {unused[:300]}"]
        for channel in missing:
            lines += [f"# [channels.{channel.name}]  # {channel.label}", '# column = "..."']
            lines.append(f'# unit = "{channel.file_unit}"')
        return "\n".join(lines) + "\n"


def propose(raw: RawLog) -> Proposal:
    """Match the columns of a log to channels.

    Parameters
    ----------
    raw : opened log; columns whose names suggest a channel are loaded.
    """
    by_name = _by_name(raw)
    data: dict[int, FloatArray] = {}

    def load(wanted: Iterable[int]) -> dict[int, FloatArray]:
        missing = sorted({*wanted} - data.keys())
        loaded, _ = raw.load(missing) if missing else ([], [])
        data.update(zip(missing, loaded, strict=True))
        return data

    load(c.index for candidates in by_name.values() for c in candidates)
    _add_families(raw, by_name, load)
    refused: list[str] = []
    scored = {channel: _checked(raw, channel, candidates, data, refused) for channel, candidates in by_name.items()}
    scored = _wheels_together(scored, data)
    taken, doubts = _assigned(raw, scored, data)
    if {"wheel_speed_rl", "wheel_speed_rr"} - (taken.keys() | doubts.keys()):
        _doubt_unnamed_wheels(raw, taken, doubts, load)
    distance = taken.pop("distance", None)
    doubts.pop("distance", None)
    log = LogEntry()
    if "time" not in taken and "time" not in doubts:
        rate = raw.stated_rate_hz
        if rate:
            log = LogEntry(rate_hz=rate)
        elif (lap_clock := _lap_clock(raw)) is not None:
            data |= load([lap_clock])
            taken["time"] = Taken(lap_clock, "the time within the lap, put in a row lap by lap")
        elif distance is not None:
            column = raw.columns[distance.index]
            unit = parse_unit(column.unit) if column.unit else unit_suffix(column.name)
            log = LogEntry(distance=column.name, distance_unit=unit if unit in ("m", "km", "ft", "mi") else "m")
    taken, unknown = with_units(raw, taken, data)
    return Proposal(taken, doubts, tuple(refused), unknown, log)


def _by_name(raw: RawLog) -> dict[str, list[Candidate]]:
    result: dict[str, list[Candidate]] = {}
    own = _own_parts([column.name for column in raw.columns])
    for index, column in enumerate(raw.columns):
        plain = column.name.casefold()
        for channel in (*CHANNELS, "distance"):
            exact = plain == channel or plain.rsplit(" #", 1)[0] == channel
            score = 1.2 if exact else max(name_score(channel, column.name), name_score(channel, own[index]))
            if channel == "time" and column.is_clock:
                score = max(score, 0.75)
            if score >= 0.5:
                words = "halfshaft's own name for it" if exact else f"its name says {label_of(channel)}"
                result.setdefault(channel, []).append(Candidate(index, score, (words,)))
    # a canonical name is a statement: other columns do not compete with it
    for channel, candidates in result.items():
        if any(c.score > 1.1 for c in candidates):
            result[channel] = [c for c in candidates if c.score > 1.1]
    return result


def _own_parts(names: Sequence[str]) -> list[str]:
    """The names without what nearly all of them begin or end with: a logger's or a bus's name."""
    for turned in (False, True):
        names = [name[:LONGEST_NAME][:: -1 if turned else 1] for name in names]
        ends = Counter(name[: end.end()] for name in names for end in _AFFIX_ENDS.finditer(name))
        shared = [affix for affix, count in ends.items() if count > SHARED_BY * len(names)]
        affix = max(shared, key=len, default="") if len(names) >= LEAST_NAMES else ""
        names = [name.removeprefix(affix)[:: -1 if turned else 1] for name in names]
    return list(names)


def _lap_clock(raw: RawLog) -> int | None:
    """The column of a time that begins anew in each lap, for a log without another one."""
    named = (i for i, c in enumerate(raw.columns) if c.is_clock or parse_unit(c.unit or "s") in TIME_FACTORS)
    return next((i for i in named if " ".join(tokens(raw.columns[i].name)) in LAP_CLOCKS), None)


def _add_families(raw: RawLog, by_name: dict[str, list[Candidate]], load: Load) -> None:
    """Fours of columns whose names differ only in the wheel and whose values are those of wheels."""
    for four in behaviour.named_alike(raw):
        data = load(four)
        if not behaviour.agreeing([data[i] for i in four]):
            continue
        words = "its name and three others differ only in the wheel, and all four agree as wheel speeds do"
        for channel, index in zip(WHEEL_CHANNELS, four, strict=True):
            others = [c for c in by_name.get(channel, []) if c.index != index]
            own = next((c for c in by_name.get(channel, []) if c.index == index), None)
            if own is None or own.score < FAMILY_SCORE:
                own = Candidate(index, FAMILY_SCORE, (words,))
            by_name[channel] = [*others, own]


def _doubt_unnamed_wheels(
    raw: RawLog, taken: Mapping[str, Taken], doubts: dict[str, tuple[Candidate, ...]], load: Load
) -> None:
    """Columns that agree as wheel speeds do and have names that do not say so: the user must say which is which."""
    named = {taken[w].index for w in WHEEL_CHANNELS if w in taken}
    used = {item.index for item in taken.values()} - named
    used |= {c.index for channel, several in doubts.items() if channel not in WHEEL_CHANNELS for c in several}
    found = behaviour.unnamed(raw, used, load)
    if found is None:
        return
    words = (f"{len(found)} columns agree as wheel speeds do",)
    left = [i for i in found if i not in named]
    for k, channel in enumerate(c for c in WHEEL_CHANNELS if c not in taken):
        first = left[k] if k < len(left) else None
        order = left if first is None else [first, *(i for i in left if i != first)]
        doubts[channel] = tuple(Candidate(i, LEAST_SCORE, words) for i in order)


def label_of(channel: str) -> str:
    """What a column would be, in words."""
    if channel == "steer":
        return "steer angle"  # at the steering wheel or at the road wheel, which is told separately
    return CHANNELS[channel].label if channel in CHANNELS else channel


def _checked(
    raw: RawLog, channel: str, candidates: Iterable[Candidate], data: Mapping[int, FloatArray], refused: list[str]
) -> list[Candidate]:
    """Candidates whose unit and numbers fit the channel, scored by both."""
    result = []
    for candidate in candidates:
        column, values = raw.columns[candidate.index], data[candidate.index]
        if not np.isfinite(values).any():
            refused.append(f"'{column.name}' would be {label_of(channel)} but holds no numbers.")
            continue
        score, reasons = candidate.score, candidate.reasons
        if channel == "distance":
            result.append(candidate)
            continue
        symbol = parse_unit(column.unit) if column.unit else None
        if symbol is not None and not column.is_clock:
            allowed = {*QUANTITIES[CHANNELS[channel].quantity], *(["Hz"] if channel in WHEEL_CHANNELS else [])}
            if symbol not in allowed and not (channel == "time" and symbol in ("ns", "h")):
                refused.append(
                    f"'{column.name}' would be {label_of(channel)}, but its unit {column.unit} does not fit."
                )
                continue
            score += 0.05
            reasons = (*reasons, f"its unit {column.unit} fits")
            if not behaviour.possible(channel, values, symbol):
                refused.append(
                    f"'{column.name}' would be {label_of(channel)}, but its numbers (up to "
                    f"{np.nanmax(values):.3g}) are out of range in {column.unit}; state the unit that they are in, or "
                    "a scale, in a channel map."
                )
                continue
        elif not column.is_clock and not any(
            behaviour.possible(channel, values, u) for u in QUANTITIES[CHANNELS[channel].quantity]
        ):
            refused.append(
                f"'{column.name}' would be {label_of(channel)}, but its numbers ({np.nanmin(values):.3g} to "
                f"{np.nanmax(values):.3g}) fit in no unit; name another column, or a unit or a scale, in a channel map."
            )
            continue
        result.append(Candidate(candidate.index, score, reasons))
    return sorted(result, key=lambda c: -c.score)


def _wheels_together(scored: dict[str, list[Candidate]], data: Mapping[int, FloatArray]) -> dict[str, list[Candidate]]:
    """Wheel candidates gain when they move with the other wheels, and lose when they do not."""
    leaders = [scored[w][0].index for w in WHEEL_CHANNELS if scored.get(w)]
    if len(leaders) < 2:
        return scored
    result = dict(scored)
    for channel in WHEEL_CHANNELS:
        changed = []
        for candidate in scored.get(channel, []):
            others = [data[i] for i in leaders if i != candidate.index]
            together = float(np.median([_correlation(data[candidate.index], other) for other in others]))
            if together > 0.9:
                changed.append(
                    replace(
                        candidate,
                        score=candidate.score + 0.05,
                        reasons=(*candidate.reasons, "it moves with the other wheels"),
                    )
                )
            elif together < 0.3 and np.nanstd(data[candidate.index]) > 0:
                changed.append(
                    replace(
                        candidate,
                        score=candidate.score - 0.2,
                        reasons=(*candidate.reasons, "it does not move with the other wheels"),
                    )
                )
            else:
                changed.append(candidate)
        if changed:
            result[channel] = sorted(changed, key=lambda c: -c.score)
    return result


def _correlation(a: FloatArray, b: FloatArray) -> float:
    """Correlation, also of channels that were logged in different rows."""
    if np.count_nonzero(np.isfinite(a) & np.isfinite(b)) < 20:
        rows = np.arange(len(a))
        a, b = (np.interp(rows, rows[np.isfinite(v)], v[np.isfinite(v)]) for v in (a, b))
    return behaviour.moves_with(a, b)


def _assigned(
    raw: RawLog, scored: Mapping[str, list[Candidate]], data: Mapping[int, FloatArray]
) -> tuple[dict[str, Taken], dict[str, tuple[Candidate, ...]]]:
    """One column for one channel, best scores first; near ties that are different signals are doubts."""
    taken: dict[str, Taken] = {}
    doubts: dict[str, tuple[Candidate, ...]] = {}
    used: set[int] = set()
    order = sorted((c for c in scored if scored[c]), key=lambda c: -scored[c][0].score)
    for channel in order:
        free = [c for c in scored[channel] if c.index not in used]
        least = LEAST_SCORE
        if channel == "gps_speed" and not {"wheel_speed_fl", "wheel_speed_fr"} & scored.keys():
            least = 0.6  # without front wheels any speed of the car is better than none
        free = [c for c in free if c.score >= least]
        if not free:
            continue
        best = free[0]
        rivals = [c for c in free[1:] if best.score - c.score < CLOSE_SCORE]
        same = SAME_WHEEL if channel in WHEEL_CHANNELS else SAME_SIGNAL
        rivals = [c for c in rivals if _correlation(data[c.index], data[best.index]) < same]
        if channel == "time":
            rivals = []  # the first clock of the file
        if rivals and channel == "steer":
            best, rivals = _steer_by_lateral(best, rivals, scored, data)
        if rivals and channel in TESTED:
            names = listed([f"'{raw.columns[c.index].name}'" for c in rivals])
            best = replace(best, reasons=(*best.reasons, f"the first of several ({names} would do as well)"))
            rivals = []
        if rivals:
            doubts[channel] = (best, *rivals)
            used |= {c.index for c in doubts[channel]}
            continue
        used.add(best.index)
        taken[channel] = Taken(best.index, ", ".join(best.reasons))
    return taken, doubts


def _steer_by_lateral(
    best: Candidate,
    rivals: list[Candidate],
    scored: Mapping[str, list[Candidate]],
    data: Mapping[int, FloatArray],
) -> tuple[Candidate, list[Candidate]]:
    """Of several steer columns the one that clearly follows lateral acceleration or yaw best."""
    reference = next((data[scored[c][0].index] for c in ("yaw_rate", "lat_g") if scored.get(c)), None)
    if reference is None:
        return best, rivals
    follows = {c.index: abs(_correlation(data[c.index], reference)) for c in (best, *rivals)}
    first, *others = sorted((best, *rivals), key=lambda c: -follows[c.index])
    if all(follows[first.index] - follows[c.index] > 0.2 for c in others):
        return replace(first, reasons=(*first.reasons, "it follows the cornering best")), []
    return best, rivals
