"""How units are written in logs, turned into the symbols of `analyzer.channels`."""

import re

# symbol -> spellings, compared after `_squeeze` (lower case, no blanks, dots, carets, stars or brackets)
_SPELLINGS = {
    "s": "s sec secs second seconds sek sekunden",
    "ms": "ms msec millisecond milliseconds millis",
    "us": "us µs μs usec microsecond microseconds",
    "ns": "ns nanosecond nanoseconds",
    "min": "min mins minute minutes",
    "h": "h hr hour hours",
    "m": "m meter meters metre metres",
    "km": "km kilometre kilometres kilometer kilometers",
    "ft": "ft feet foot",
    "mi": "mi mile miles",
    "m/s": "m/s mps ms-1 m/sec metre/s meter/s",
    "km/h": "km/h kmh kph kmph km/hr kmh-1 km/std km/t",
    "mph": "mph mi/h miles/h",
    "kn": "kn kt kts knot knots",
    "ft/s": "ft/s fps ftps",
    "cm/s": "cm/s cm/sec cms-1",
    "m/min": "m/min",
    "rev/s": "rev/s revs/s rps r/s u/s tr/s",
    "mrad/s": "mrad/s",
    "rad/s": "rad/s rads-1 rad/sec radps radian/s radians/s",
    "deg/s": "deg/s degs-1 °s-1 °/s deg/sec degps degree/s degrees/s º/s dps grad/s",
    "rpm": "rpm revolutions/minute rotations/minute 1/min r/min rev/min min-1 u/min tr/min revs/min",
    "Hz": "hz hertz 1/s s-1 pulses/s",
    "%": "% pct percent percentage %/100 prozent",
    "1/255": "1/255 byte",
    "1/1000": "1/1000 ‰ permille promille per-mille",
    "1": "1 - ratio fraction none unitless [-] count # n/a",
    "deg": "deg ° º degree degrees grad grader fok grados gradi",
    "rad": "rad radian radians",
    "mrad": "mrad",
    "gon": "gon",
    "rev": "rev revs turns revolutions",
    "g": "g gn g0 gee gees",
    "mg": "mg millig milli-g",
    "m/s2": "m/s2 m/s/s ms-2 m/sec2 mps2 m/s² meter/s2",
    "ft/s2": "ft/s2 fps2",
    "cm/s2": "cm/s2 cms-2 gal",
    "bar": "bar bars barg",
    "kPa": "kpa",
    "MPa": "mpa n/mm2",
    "Pa": "pa pascal",
    "psi": "psi psig lb/in2",
    "kgf/cm2": "kgf/cm2 kg/cm2 kgfcm2",
    "N.m": "nm n-m newtonmetre newtonmeter",
    "lbf.ft": "lbfft lbft lb-ft ftlb ft-lb ftlbf lbf-ft",
    "degC": "degc °c ºc c celsius deg_c",
    "degF": "degf °f ºf f fahrenheit deg_f",
    "K": "k kelvin",
    "V": "v volt volts",
    "mV": "mv millivolt millivolts",
    "A": "a amp amps ampere",
}


def _squeeze(text: str) -> str:
    text = text.strip().strip("[](){}<>'\"").casefold().replace("²", "2").replace("⁻", "-").replace("¹", "1")
    text = text.replace(" per ", "/").replace("squared", "2")
    return re.sub(r"[\s.^*·⋅]", "", text)


_SYMBOL = {_squeeze(spelling): symbol for symbol, line in _SPELLINGS.items() for spelling in line.split()}
# where case tells two units apart, the exact writing wins over the squeezed one
_EXACT = {"MPa": "MPa", "mPa": None, "Ms": None, "S": None, "G": "g", "M": None, "N": None, "H": None, "d": None}


def parse_unit(text: str) -> str | None:
    """The unit symbol for a unit as a log writes it, or None when it is not a unit this program knows.

    Parameters
    ----------
    text : such as `km/h`, `[KMH]`, `m/s^2`, `°/s`, `Nm`.
    """
    bare = text.strip().strip("[](){}<>")
    if bare in _EXACT:
        return _EXACT[bare]
    squeezed = _squeeze(text)
    return _SYMBOL.get(squeezed) or _spelled_out(squeezed)


def _spelled_out(squeezed: str) -> str | None:
    """The unit of words such as `kilometers/hour` and `meters/second2`, each of which is one."""
    top, slash, below = squeezed.partition("/")
    square = "2" if below.endswith("2") else ""
    parts = [_SYMBOL.get(part) for part in (top, below.removesuffix("2"))]
    return _SYMBOL.get(f"{parts[0]}/{parts[1]}{square}".casefold()) if slash and all(parts) else None


LONGEST_HEADER = 500  # characters; longer is no name with its unit
_BRACKETED = re.compile(
    r"^(?P<name>.*\S)\s*(?:\[(?P<a>[^\[\]]*)\]|\((?P<b>[^()]*)\)|\{(?P<c>[^{}]*)\}|<(?P<d>[^<>]*)>)\s*$"
)


def split_unit(header: str) -> tuple[str, str]:
    """A header cell as (name, unit as written); the unit is '' when the cell states none in brackets.

    Square and curly brackets always hold a unit; round and angle ones only when what they hold is one,
    because `Throttle (pedal)` is a name.
    """
    found = _BRACKETED.match(header.strip()) if len(header) < LONGEST_HEADER else None
    if not found:
        return header.strip(), ""
    unit = next(part for part in found.group("a", "b", "c", "d") if part is not None)
    certain = found["a"] is not None or found["c"] is not None
    if certain or parse_unit(unit) is not None:
        return found["name"].strip(), unit.strip()
    return header.strip(), ""


# `WheelVelocityKph`; shorter ones are words as often as units
_AHEAD = ("rpm", "km/h", "kmh", "kph", "mph", "rad/s")
_CAMEL = re.compile(r"(?<=[a-z])(?:Kph|Kmh|Mph|Rpm|Mps|KPH|KMH|MPH|RPM|MPS)$")


def unit_suffix(name: str) -> str | None:
    """The unit at the end of a name such as `speed_kmh`, `ax m/s2` or `yaw_deg_s`; None when there is none.

    A hint only: the caller must see whether it fits the quantity (`lat_g` ends in a unit, `tank_c` need not).
    """
    tokens = [t for t in re.split(r"[\s_]+", name.strip()[-LONGEST_HEADER:]) if t]
    if len(tokens) == 1 and (hump := _CAMEL.search(tokens[0])):
        return parse_unit(hump[0])
    for count in (3, 2, 1):
        if len(tokens) <= count:
            continue
        tail = tokens[-count:]
        for joined in ("/".join(tail), "".join(tail)):
            symbol = parse_unit(joined)
            if symbol not in (None, "1"):
                return symbol
    # `RPM wheel FL`; only what no name of a channel begins with
    return parse_unit(tokens[0]) if len(tokens) > 1 and tokens[0].casefold() in _AHEAD else None
