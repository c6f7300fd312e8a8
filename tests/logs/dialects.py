"""The table of ways a log may be written, and what must come of each. The list of what is read is "
"this table."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import writers as w
from made_log import CONTRACT_UNITS, RADIUS_M, MadeLog
from writers import text

Write = Callable[[MadeLog, Path], bytes]


@dataclass(frozen=True)
class Dialect:
    """One way to write a log.

    Attributes
    ----------
    group, words : for the list of what is read.
    write : (made log, a folder to work in) -> the bytes of the file.
    outcome : `same` (the same channels to 1e-9), `asks` or `refused` (a message, exit status 2).
    says : for `asks` and `refused`, words the message must hold.
    channel_map : TOML, where the way needs one.
    tolerance : relative to the channel's size; above 1e-9 only where the writing itself loses digits.
    without : channels that this way does not carry.
    """

    group: str
    words: str
    write: Write
    outcome: str = "same"
    says: str = ""
    channel_map: str | None = None
    tolerance: float = 1e-9
    without: tuple[str, ...] = ()


def _t(**options) -> Write:
    """A plain text dialect in UTF-8."""
    return lambda log, _: text(log, **options).encode()


def _encoded(codec: str, mark: bytes = b"", **options) -> Write:
    return lambda log, _: mark + text(log, **options).encode(codec)


def _with_units(changed: dict[str, tuple[str, float]], **options) -> Write:
    return lambda log, _: text(log, units={**CONTRACT_UNITS, **changed}, header="{name} [{unit}]", **options).encode()


def _wheels(unit: str, factor: float) -> dict[str, tuple[str, float]]:
    return {f"wheel_speed_{c}": (unit, factor) for c in ("fl", "fr", "rl", "rr")}


def _commas_in_names(log: MadeLog, _: Path) -> bytes:
    names = {"lat_g": "Acceleration, lateral", "long_g": "Acceleration, longitudinal", "yaw_rate": "Rate, yaw"}
    return text(log, names=w.PLAIN_NAMES | names, header="{name} [{unit}]").replace('"', "").encode()


def _thousandths(unit: str) -> dict[str, tuple[str, float]]:
    return {**CONTRACT_UNITS, "throttle": (unit, 1000.0)}


def _speeds(unit: str) -> dict[str, tuple[str, float]]:
    return {**_wheels(*w.OTHER_UNITS[unit]), "gps_speed": w.OTHER_UNITS[unit]}


def _group_header(log: MadeLog) -> list[list[str]]:
    """Two rows: the group over its first column only (a merged cell), the part below."""
    top, bottom, last = [], [], ""
    for name in ["time", *log.channels]:
        group, part = ("Wheel Speed", name[-2:].upper()) if name.startswith("wheel") else (w.PLAIN_NAMES[name], "")
        top.append("" if group == last else group)
        bottom.append(part or "value")
        last = group
    return [top, bottom]


def _sparse(log: MadeLog, _: Path) -> bytes:
    slow = {"steer": 2, "brake": 5, "gps_speed": 5, "lap": 50}
    channels = {n: np.where(np.arange(len(v)) % slow.get(n, 1) == 0, v, np.nan) for n, v in log.channels.items()}
    return text(MadeLog(log.time, channels)).encode()


def _repeated(log: MadeLog, _: Path) -> bytes:
    """As `_sparse`, each value repeated until the next one: what is read must not move in steps."""
    slow = {"steer": 2, "brake": 5, "gps_speed": 5}
    channels = {n: v[np.arange(len(v)) // slow.get(n, 1) * slow.get(n, 1)] for n, v in log.channels.items()}
    return text(MadeLog(log.time, channels)).encode()


def _blank_rows(rows: list[list[str]]) -> list[list[str]]:
    return [r for i, row in enumerate(rows) for r in ([row, [""]] if i % 40 == 0 else [row])]


def _by_distance(log: MadeLog, _: Path) -> bytes:
    speed = log.channels["gps_speed"]
    distance = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(log.time))])
    shown = MadeLog(log.time, {**log.channels, "distance": distance})
    names, units = {**w.CANONICAL, "distance": "distance"}, {**CONTRACT_UNITS, "distance": ("m", 1.0)}
    return text(shown, names=names, units=units, skip=("time",), header="{name} [{unit}]").encode()


def _with_repeats(log: MadeLog, _: Path) -> bytes:
    doubled = MadeLog(log.time, {**log.channels, "again": log.channels["lat_g"], "more": log.channels["steer"]})
    names = {**w.CANONICAL, "again": "lat_g", "more": "steer"}
    return text(doubled, names=names, units={**CONTRACT_UNITS, "again": ("g", 0.1), "more": ("deg", 5.0)}).encode()


def _two_throttles(log: MadeLog, _: Path) -> bytes:
    other = np.clip(log.channels["throttle"] * 0.8 + 0.1 * np.sin(log.time), 0, 1)
    doubled = MadeLog(log.time, {**log.channels, "other": other})
    names = {**w.PLAIN_NAMES, "throttle": "Throttle Pedal", "other": "Throttle Valve"}
    return text(
        doubled, names=names, units={**CONTRACT_UNITS, "other": ("%", 100.0)}, header="{name} [{unit}]"
    ).encode()


def _timestamps(log: MadeLog, _: Path) -> bytes:
    table = w.arrow_table(log)
    stamps = pa.array(np.round(log.time * 1e9).astype("int64") + 1_900_000_000_000_000_000, pa.timestamp("ns", "UTC"))
    return w.parquet(table.set_column(0, "time", stamps))


def _nested(log: MadeLog, _: Path) -> bytes:
    rows = pa.array([{"speed": 1.0}] * len(log.time))
    return w.parquet(pa.table({"wheels": rows, "names": pa.array(["a"] * len(log.time)).dictionary_encode()}))


def _csv_as_other(log: MadeLog, _: Path) -> bytes:
    return text(log).encode()


def _wheels_called(pattern: str, corners: tuple[str, ...] = ("FL", "FR", "RL", "RR"), **options) -> Write:
    """Wheel columns whose names differ only in the wheel."""
    wheels = {f"wheel_speed_{c}": pattern.format(k) for c, k in zip(("fl", "fr", "rl", "rr"), corners, strict=True)}
    return _t(names={**w.PLAIN_NAMES, **wheels}, header="{name} [{unit}]", **options)


def _units_above(log: MadeLog, _: Path) -> bytes:
    data = w.columns(log)
    unit_of = {"time": "s", **{k: u for k, (u, _) in CONTRACT_UNITS.items()}}
    return text(log, header_rows=[[unit_of[n] for n in data], [w.PLAIN_NAMES[n] for n in data]]).encode()


def _types_between(log: MadeLog, _: Path) -> bytes:
    data = w.columns(log)
    unit_of = {"time": "s", **{k: u for k, (u, _) in CONTRACT_UNITS.items()}}
    names, types = [w.PLAIN_NAMES[n] for n in data], ["float64"] * len(data)
    return text(log, header_rows=[names, types, [unit_of[n] for n in data]]).encode()


def _in_words() -> dict[str, tuple[str, float]]:
    words = {
        **{"km/h": "kilometers per hour", "deg/s": "degrees per second", "rpm": "revolutions per minute"},
        **{"deg": "degrees", "%": "percent"},
    }
    return {name: (words.get(unit, unit), factor) for name, (unit, factor) in CONTRACT_UNITS.items()}


def _two_gyros(log: MadeLog, _: Path) -> bytes:
    other = log.channels["yaw_rate"] + np.random.default_rng(3).normal(0, 0.01, len(log.time))
    doubled = MadeLog(log.time, {**log.channels, "other": other})
    names, units = {**w.PLAIN_NAMES, "other": "Yaw Rate 2"}, {**CONTRACT_UNITS, "other": ("deg/s", 180 / np.pi)}
    return text(doubled, names=names, units=units, header="{name} [{unit}]").encode()


def _lap_clock(log: MadeLog, _: Path) -> bytes:
    """No time but that within the lap, and the distance."""
    distance = np.cumsum(log.channels["gps_speed"]) * 0.02
    shown = MadeLog(log.time, {**log.channels, "clock": log.time % 30, "distance": distance})
    names = {**w.PLAIN_NAMES, "clock": "Lap Time", "distance": "Distance"}
    units = {**CONTRACT_UNITS, "clock": ("s", 1.0), "distance": ("m", 1.0)}
    return text(shown, names=names, units=units, skip=("time",), header="{name} [{unit}]").encode()


def _lap_of_times(rows: list[list[str]]) -> list[list[str]]:
    return [[*row[:-1], f"1:{i % 2500 / 50:06.3f}"] for i, row in enumerate(rows)]


def _bracketed(rows: list[list[str]]) -> list[list[str]]:
    return [[f"({cell[1:]})" if cell.startswith("-") else cell for cell in row] for row in rows]


def _other_minus(rows: list[list[str]]) -> list[list[str]]:
    return [[f"\u2212{cell[1:]}" if cell.startswith("-") else cell for cell in row] for row in rows]


def _clock_in(factor: float, start: float = 0.0, **options) -> Write:
    return lambda log, _: text(replace(log, time=start + log.time / factor), **options).encode()


TEETH_MAP = "[channels]\ntime = 'time'\nthrottle = 'throttle'\nsteer = 'steer'\nlat_g = 'lat_g'\n" + "".join(
    f"[channels.wheel_speed_{c}]\ncolumn = 'wheel_speed_{c}'\nunit = 'Hz'\nteeth = 48\n"
    for c in ("fl", "fr", "rl", "rr")
)
_HZ = 48 / (2 * np.pi * RADIUS_M)
_RATE_MAP = "[log]\nrate_hz = 50\n[channels]\n" + "".join(f"{n} = '{n}'\n" for n in CONTRACT_UNITS)
_DISTANCE_MAP = "[log]\ndistance = 'distance'\ndistance_unit = 'm'\n[channels]\n" + "".join(
    f"{n} = '{n}'\n" for n in CONTRACT_UNITS
)
_OPTIONAL = ("long_g", "yaw_rate", "brake", "gps_speed", "engine_speed", "lap")
_UNITS_IN_NAMES = {
    "km/h": "kmh", "%": "pct", "deg": "deg", "g": "g", "deg/s": "deg_s", "bar": "bar", "rpm": "rpm", "1": "", "s": "s",
}  # fmt: skip
_SUFFIXED = {
    n: f"{w.PLAIN_NAMES[n].lower().replace(' ', '_')}_{_UNITS_IN_NAMES[u]}".rstrip("_")
    for n, u in {"time": "s", **{k: u for k, (u, _) in CONTRACT_UNITS.items()}}.items()
}
_RUSSIAN_WHEELS = {
    f"wheel_speed_{c}": f"Скорость колеса {k}"
    for c, k in zip(("fl", "fr", "rl", "rr"), ("ПЛ", "ПП", "ЗЛ", "ЗП"), strict=True)
}
_LONG = [f"Remark {i}: nothing of interest, only a long preamble" for i in range(9000)]
_COMMENTS = ["Session: invented", "Driver: nobody", ""]

DIALECTS: tuple[Dialect, ...] = (
    Dialect("Separators", "comma", _t()),
    Dialect("Separators", "semicolon", _t(separator=";")),
    Dialect("Separators", "tab", _t(separator="\t")),
    Dialect("Separators", "vertical bar", _t(separator="|")),
    Dialect("Separators", "runs of blanks", _t(separator="   ")),
    Dialect("Numbers", "decimal comma, semicolon", _t(separator=";", decimal=",")),
    Dialect("Numbers", "decimal comma, tab", _t(separator="\t", decimal=",")),
    Dialect("Numbers", "decimal comma in quotes, comma", _t(decimal=",", quote=True)),
    Dialect("Numbers", "thousands comma in quotes", _t(thousands=",", quote=True)),
    Dialect("Numbers", "thousands blank, decimal comma, semicolon", _t(thousands=" ", decimal=",", separator=";")),
    Dialect("Numbers", "thousands apostrophe, semicolon", _t(thousands="'", separator=";")),
    Dialect("Numbers", "every field in quotes", _t(quote=True)),
    Dialect("Numbers", "the Unicode minus", _t(edit=_other_minus)),
    Dialect("Numbers", "brackets for a minus", _t(edit=_bracketed)),
    Dialect("Encodings", "UTF-8 with byte-order mark", _encoded("utf-8-sig")),
    Dialect("Encodings", "UTF-16 little-endian with byte-order mark", _encoded("utf-16-le", b"\xff\xfe")),
    Dialect("Encodings", "UTF-16 big-endian with byte-order mark", _encoded("utf-16-be", b"\xfe\xff", separator=";")),
    Dialect("Encodings", "UTF-16 without a mark", _encoded("utf-16-le", separator="\t")),
    Dialect("Encodings", "Latin-1", _encoded("latin-1", names=w.GERMAN_NAMES, header="{name} [{unit}]", separator=";")),
    Dialect("Encodings", "Shift-JIS", _encoded("cp932", names=w.JAPANESE_NAMES, header="{name} [{unit}]")),
    Dialect("Lines", "line ends of two characters (CR LF)", _t(line_end="\r\n")),
    Dialect("Lines", "line ends CR alone", _t(line_end="\r")),
    Dialect("Lines", "blank rows among the data", _t(edit=_blank_rows)),
    Dialect("Lines", "text after the data", _t(tail=["", "End of log", "Total: 12 laps"])),
    Dialect("Lines", "a control-Z behind the last row", lambda log, _: text(log).encode() + b"\x1a"),
    Dialect("Lines", "a control-Z at the end of the last row", lambda log, _: text(log).rstrip().encode() + b"\x1a"),
    Dialect("Lines", "zeros up to the end of a sector", lambda log, _: text(log).encode() + bytes(512)),
    Dialect("Lines", "a separator at the end of every row", _t(edit=lambda rows: [[*r, ""] for r in rows])),
    Dialect(
        "Lines",
        "separators at the end of some rows",
        _t(edit=lambda rows: [[*r, *[""] * (i % 4)] for i, r in enumerate(rows)]),
    ),
    Dialect("Headers", "a preamble of three lines", _t(above=_COMMENTS)),
    Dialect(
        "Headers",
        "a preamble of pairs of name and value",
        _t(above=["Session,invented", "Sample count,6000", "Note,none", ""]),
    ),
    Dialect("Headers", "a preamble of 9000 lines", _t(above=_LONG)),
    Dialect("Headers", "a header that starts with '# '", lambda log, _: ("# " + text(log)).encode()),
    Dialect(
        "Headers", "a blank line between header and data", lambda log, _: text(log).replace("\n", "\n\n", 1).encode()
    ),
    Dialect(
        "Headers",
        "a header over two rows with merged cells",
        lambda log, _: text(log, header_rows=_group_header(log), unit_row="{unit}").encode(),
    ),
    Dialect(
        "Headers",
        "a row of channel numbers under the names",
        lambda log, _: text(
            log,
            header_rows=[
                list(map(w.CANONICAL.get, ["time", *log.channels])),
                [str(i) for i in range(len(log.channels) + 1)],
            ],
            unit_row="{unit}",
        ).encode(),
    ),
    Dialect("Headers", "a row of units above the names", _units_above),
    Dialect("Headers", "a row of types between names and units", _types_between),
    Dialect("Headers", "repeated column names (the first is taken)", _with_repeats),
    Dialect("Units", "none stated, canonical names", _t()),
    Dialect("Units", "in full words", _t(names=w.PLAIN_NAMES, header="{name} [{unit}]", units=_in_words())),
    Dialect("Units", "a row of units", _t(unit_row="{unit}")),
    Dialect("Units", "a row of units in brackets", _t(unit_row="[{unit}]")),
    Dialect("Units", "in square brackets after the name", _t(header="{name} [{unit}]")),
    Dialect("Units", "in round brackets after the name", _t(header="{name}({unit})")),
    Dialect("Units", "in curly brackets after the name", _t(header="{name} {{{unit}}}")),
    Dialect("Units", "at the end of the name", _t(names=_SUFFIXED)),
    Dialect("Units", "brake in kgf/cm2", _with_units({"brake": ("kgf/cm2", 1 / 98066.5)}, names=w.PLAIN_NAMES)),
    Dialect("Units", "brake in N/mm2", _with_units({"brake": ("N/mm2", 1e-6)}, names=w.PLAIN_NAMES)),
    Dialect("Units", "none, foreign names (told by behaviour)", _t(names=w.PLAIN_NAMES), without=("brake",)),
    Dialect(
        "Units",
        "none, wheels in m/s and ground speed in km/h (told by behaviour)",
        _t(names=w.PLAIN_NAMES, units={**CONTRACT_UNITS, **_wheels("m/s", 1.0)}),
        without=("brake",),
    ),
    Dialect(
        "Units",
        "none, wheels in km/h and ground speed in m/s (told by behaviour)",
        _t(names=w.PLAIN_NAMES, units={**CONTRACT_UNITS, "gps_speed": ("m/s", 1.0)}),
        without=("brake",),
    ),
    Dialect("Units", "m/s", _with_units(_speeds("m/s"))),
    Dialect("Units", "mph", _with_units(_speeds("mph"))),
    Dialect("Units", "knots", _with_units(_speeds("kn"))),
    Dialect("Units", "rotation in rad/s", _with_units(_wheels("rad/s", 1 / RADIUS_M))),
    Dialect("Units", "rotation in rpm", _with_units(_wheels("rpm", 60 / (2 * np.pi * RADIUS_M)))),
    Dialect(
        "Units",
        "pulses in Hz, teeth in the map",
        _with_units(_wheels("Hz", _HZ)),
        channel_map=TEETH_MAP,
        without=_OPTIONAL,
    ),
    Dialect("Units", "pulses in Hz without the teeth", _with_units(_wheels("Hz", _HZ)), "refused", "teeth"),
    Dialect(
        "Units",
        "m/s2, rad, rad/s, ratio, kPa",
        _with_units(
            {
                "lat_g": ("m/s^2", 1.0),
                "long_g": ("m/s²", 1.0),
                "steer": ("rad", 1.0),
                "yaw_rate": ("rad/s", 1.0),
                "throttle": ("ratio", 1.0),
                "brake": ("kPa", 1e-3),
            }
        ),
    ),
    Dialect(
        "Units", "thousandths of g", _with_units({"lat_g": ("mg", 1e3 / 9.80665), "long_g": ("mg", 1e3 / 9.80665)})
    ),
    Dialect(
        "Units",
        "cm/s, mrad, mrad/s, cm/s2",
        _with_units(
            {
                **_wheels("cm/s", 100.0),
                "lat_g": ("cm/s2", 100.0),
                "steer": ("mrad", 1000.0),
                "yaw_rate": ("mrad/s", 1000.0),
            }
        ),
    ),
    Dialect(
        "Units",
        "m/min, gon, rev/s of engine and yaw",
        _with_units(
            {
                **_wheels("m/min", 60.0),
                "steer": ("gon", 200 / np.pi),
                "engine_speed": ("rev/s", 1 / (2 * np.pi)),
                "yaw_rate": ("rev/s", 1 / (2 * np.pi)),
            }
        ),
    ),
    Dialect("Units", "throttle from 0 to 1, no unit", _t(units={**CONTRACT_UNITS, "throttle": ("", 1.0)})),
    Dialect("Units", "throttle from 0 to 1000, no unit", _t(units=_thousandths(""))),
    Dialect("Units", "throttle in thousandths", _t(units=_thousandths("‰"), header="{name} [{unit}]")),
    Dialect("Units", "throttle as a raw byte, 0 to 255", _t(units={**CONTRACT_UNITS, "throttle": ("%", 255.0)})),
    Dialect(
        "Units",
        "throttle stated in %, but 0 to 255",
        _with_units({"throttle": ("%", 255.0)}),
        "refused",
        "throttle",
    ),
    Dialect("Units", "volts", _with_units({"throttle": ("V", 5.0)}, names=w.PLAIN_NAMES), "refused", "throttle"),
    Dialect("Time", "milliseconds", lambda log, _: text(replace(log, time=log.time * 1e3), header="{name}").encode()),
    Dialect(
        "Time",
        "seconds since 1970",
        lambda log, _: text(log, clock=lambda s: f"{1.9e9 + s:.6f}").encode(),
        tolerance=1e-6,
    ),
    Dialect("Time", "hh:mm:ss.ffffff", _t(clock=w.clock_hms)),
    Dialect("Time", "hh:mm:ss.ffffff past midnight", _t(clock=w.clock_midnight)),
    Dialect("Time", "mm:ss.ffffff", _t(clock=w.clock_ms)),
    Dialect("Time", "ISO 8601 with a zone", _t(clock=w.clock_iso), tolerance=1e-7),
    Dialect("Time", "day.month.year hh:mm:ss,ffffff", _t(clock=w.clock_date, separator=";"), tolerance=1e-7),
    Dialect(
        "Time",
        "hhmmss.ffffff as one number",
        _t(names=w.PLAIN_NAMES, header="{name} [{unit}]", clock=w.clock_digits, units=CONTRACT_UNITS),
        tolerance=1e-6,
    ),
    Dialect("Time", "hh:mm:ss:mmm", _t(clock=w.clock_colons), tolerance=1e-7),
    Dialect("Time", "h:mm:ss.mmm with AM and PM, past noon", _t(clock=w.clock_half_day), tolerance=1e-7),
    Dialect(
        "Time",
        "milliseconds since 1970",
        _t(names={**w.CANONICAL, "time": "unix_time_ms"}, clock=lambda s: f"{round((1.7e9 + s) * 1e3)}"),
        tolerance=1e-6,
    ),
    Dialect(
        "Time",
        "nanoseconds since 1970",
        _t(
            names={**w.CANONICAL, "time": "timestamp_ns"},
            clock=lambda s: f"{1_700_000_000_000_000_000 + round(s * 1e9)}",
        ),
        tolerance=1e-6,
    ),
    Dialect("Time", "hundredths of a second (told by the motion)", _clock_in(0.01)),
    Dialect("Time", "minutes (told by the motion)", _clock_in(60.0)),
    Dialect(
        "Time", "days, as spreadsheets count them (told by the motion)", _clock_in(86400.0, 46000.0), tolerance=1e-5
    ),
    Dialect(
        "Time",
        "minutes, and no acceleration to tell them by",
        lambda log, _: text(replace(log, time=log.time / 60).change(long_g=None)).encode(),
        "asks",
        "State the factor to seconds",
    ),
    Dialect("Time", "that of the lap, which begins anew", _lap_clock, tolerance=1e-7),
    Dialect("Time", "one row a value (time, channel, value)", lambda log, _: w.tall(log).encode()),
    Dialect(
        "Time",
        "one row a value with its unit, semicolon",
        lambda log, _: w.tall(log, names=w.PLAIN_NAMES, units=True, separator=";").encode(),
    ),
    Dialect(
        "Time",
        "one row a value, channel after channel, with its unit, decimal comma",
        lambda log, _: w.tall_by_channel(log, heading=("channel", "time", "unit", "value")).encode(),
    ),
    Dialect(
        "Time",
        "one row a value, channel after channel, decimal comma",
        lambda log, _: w.tall_by_channel(log, heading=("time", "signal", "value")).encode(),
        without=("brake",),
    ),
    Dialect("Time", "none, rate stated above the data", _t(skip=("time",), above=["Sample rate: 50 Hz", ""])),
    Dialect("Time", "none, rate in the map", _t(skip=("time",)), channel_map=_RATE_MAP),
    Dialect("Time", "none, distance and speed", _by_distance, channel_map=_DISTANCE_MAP),
    Dialect("Time", "none at all", _t(skip=("time",)), "refused", "time"),
    Dialect(
        "Time", "channels at different rates in sparse columns", _sparse, without=("steer", "brake", "gps_speed", "lap")
    ),
    Dialect("Time", "channels at different rates, values repeated", _repeated, without=("steer", "brake", "gps_speed")),
    Dialect("Names", "plain English", _t(names=w.PLAIN_NAMES, header="{name} [{unit}]")),
    Dialect("Names", "German", _t(names=w.GERMAN_NAMES, header="{name} [{unit}]", separator=";", decimal=",")),
    Dialect("Names", "French", _t(names=w.FRENCH_NAMES, header="{name} ({unit})", separator=";", decimal=",")),
    Dialect("Names", "abbreviated", _t(names=w.SHORT_NAMES, header="{name}", unit_row="{unit}")),
    Dialect("Names", "Dutch", _t(names=w.DUTCH_NAMES, header="{name} [{unit}]", separator=";", decimal=",")),
    Dialect("Names", "Spanish", _t(names=w.SPANISH_NAMES, header="{name} ({unit})", separator=";", decimal=",")),
    Dialect("Names", "Portuguese", _t(names=w.PORTUGUESE_NAMES, header="{name} [{unit}]", separator=";", decimal=",")),
    Dialect("Names", "Swedish", _t(names=w.SWEDISH_NAMES, header="{name} [{unit}]", separator=";", decimal=",")),
    Dialect("Names", "Italian", _t(names=w.ITALIAN_NAMES, header="{name} [{unit}]", separator=";", decimal=",")),
    Dialect("Names", "German, longer", _t(names=w.GERMAN_LONG_NAMES, header="{name} [{unit}]", separator=";")),
    Dialect("Names", "short words glued, unit behind", _t(names=w.UNIT_AT_THE_END)),
    Dialect("Names", "with commas, not in quotes", _commas_in_names),
    Dialect("Names", "Japanese", _t(names=w.JAPANESE_NAMES, header="{name} [{unit}]")),
    Dialect("Names", "wheels in a name of nobody's, FL to RR", _wheels_called("MX_19_{}_Sig")),
    Dialect(
        "Names", "wheels in a name of nobody's, glued, LF to RR", _wheels_called("x{}out", ("LF", "RF", "LR", "RR"))
    ),
    Dialect("Names", "wheels in a name of nobody's, VL to HR", _wheels_called("b7.{}", ("VL", "VR", "HL", "HR"))),
    Dialect("Names", "wheels by FL, FR, RL, RR alone", _wheels_called("{}")),
    Dialect("Names", "wheels without a word (asks which)", _wheels_called("S{}", ("1", "2", "3", "4")), "asks", "S1"),
    Dialect(
        "Names",
        "a logger's name before every one",
        _t(names={k: f"UNIT_21::{v}" for k, v in w.PLAIN_NAMES.items()}, header="{name} [{unit}]"),
    ),
    Dialect(
        "Names",
        "a bus's name behind every one",
        _t(names={k: f"{v}_BUS2" for k, v in w.PLAIN_NAMES.items()}, header="{name} [{unit}]"),
    ),
    Dialect("Names", "wheels as FrntLe to ReRi", _wheels_called("VehSpdWhl{}", ("FrntLe", "FrntRi", "ReLe", "ReRi"))),
    Dialect(
        "Names",
        "wheels as FntLft to RrRgt (asks which)",
        _wheels_called("vWhl{}", ("FntLft", "FntRgt", "RrLft", "RrRgt")),
        "asks",
        "vWhlRrLft",
    ),
    Dialect(
        "Names",
        "letters of another alphabet (asks which)",
        _t(names={**w.PLAIN_NAMES, **_RUSSIAN_WHEELS, "gps_speed": "GPS скорость"}, header="{name} [{unit}]"),
        "asks",
        "колеса",
    ),
    Dialect("Names", "two gyros (the first is taken)", _two_gyros),
    Dialect(
        "Names",
        "a 'Lap' column that holds times (left out)",
        _t(names=w.PLAIN_NAMES, header="{name} [{unit}]", edit=_lap_of_times),
        without=("lap",),
    ),
    Dialect("Names", "two columns as good as each other", _two_throttles, "asks", "Throttle Valve"),
    Dialect("Containers", "gzip", lambda log, _: w.packed_gzip(text(log).encode())),
    Dialect("Containers", "zip with one log", lambda log, _: w.packed_zip(log__csv=text(log).encode())),
    Dialect("Containers", "xz", lambda log, _: w.packed_xz(text(log).encode())),
    Dialect("Containers", "bzip2", lambda log, _: w.packed_bzip2(text(log).encode())),
    Dialect("Containers", "tar.gz with one log", lambda log, _: w.packed_tar("w:gz", log__csv=text(log).encode())),
    Dialect(
        "Containers",
        "tar with two logs",
        lambda log, _: w.packed_tar("w", a__csv=b"a,b\n1,2\n", b__csv=b"a,b\n1,2\n"),
        "refused",
        "exactly one",
    ),
    Dialect("Containers", "spreadsheet (.xlsx)", lambda log, _: w.spreadsheet(log)),
    Dialect(
        "Containers",
        "gzip in zip",
        lambda log, _: w.packed_zip(log__gz=w.packed_gzip(text(log, separator=";").encode())),
    ),
    Dialect("Containers", "Parquet in gzip", lambda log, _: w.packed_gzip(w.parquet(w.arrow_table(log)))),
    Dialect(
        "Containers",
        "zip with two logs",
        lambda log, _: w.packed_zip(a__csv=b"a,b\n1,2\n", b__csv=b"a,b\n1,2\n"),
        "refused",
        "exactly one",
    ),
    Dialect("Parquet", "canonical names, no units", lambda log, _: w.parquet(w.arrow_table(log))),
    Dialect(
        "Parquet",
        "units in the field metadata",
        lambda log, _: w.parquet(w.arrow_table(log, names=w.PLAIN_NAMES, metadata=True)),
    ),
    Dialect(
        "Parquet", "32-bit numbers", lambda log, _: w.parquet(w.arrow_table(log, kind=pa.float32())), tolerance=1e-6
    ),
    Dialect("Parquet", "time stamps", _timestamps, tolerance=1e-7),
    Dialect("Parquet", "nested and dictionary columns", _nested, "refused", "struct"),
    Dialect("Arrow", "file (Feather version 2)", lambda log, _: w.arrow_file(w.arrow_table(log))),
    Dialect("Arrow", "stream", lambda log, _: w.arrow_stream(w.arrow_table(log, names=w.PLAIN_NAMES, metadata=True))),
    Dialect("ASAM MDF 4", "one rate", lambda log, folder: w.mdf(log, folder)),
    Dialect(
        "ASAM MDF 4",
        "two rates",
        lambda log, folder: w.mdf(log, folder, slow=("brake", "gps_speed")),
        without=("brake", "gps_speed"),
    ),
)
