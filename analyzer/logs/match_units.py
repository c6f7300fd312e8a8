"""Units of columns that state none: by the end of their name, then by their behaviour, then by the contract."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, QUANTITIES, TIME_FACTORS, WHEEL_CHANNELS
from analyzer.logs import behaviour
from analyzer.logs.assemble import Taken
from analyzer.logs.names import ROAD_WHEEL, tokens
from analyzer.logs.recording import RawLog
from analyzer.logs.unit_names import parse_unit, unit_suffix

_ROTATION = {
    "w",
    "n",
    "omega",
    "rotation",
    "rot",
    "revs",
    "drehzahl",
    "raddrehzahl",
    "freq",
    "frequency",
    "pulse",
    "pulses",
}
Settle = Callable[[str, behaviour.Evidence], None]
Data = Mapping[int, FloatArray]


def with_units(raw: RawLog, taken: dict[str, Taken], data: Data) -> tuple[dict[str, Taken], dict[str, str]]:
    """`taken` with the units found, and the channels whose unit could not be told with the reason.

    Parameters
    ----------
    raw : the opened log.
    taken : channel -> column.
    data : column number -> values.
    """
    known: dict[str, FloatArray] = {}
    open_: list[str] = []
    result = dict(taken)
    for channel, item in taken.items():
        column = raw.columns[item.index]
        quantity = QUANTITIES[CHANNELS[channel].quantity]
        symbol = parse_unit(column.unit) if column.unit else None
        if symbol is None and not column.unit and not column.is_clock:
            suffix = unit_suffix(column.name) if column.name.casefold() != channel else None
            if suffix in quantity and behaviour.possible(channel, data[item.index], suffix):
                symbol = suffix
                result[channel] = replace(item, unit=suffix, reason=f"{item.reason}, unit {suffix} by its name")
            elif channel == "time":
                symbol = behaviour.time_unit(data[item.index])
                result[channel] = replace(item, unit=symbol)
            elif column.name.casefold() == channel and in_contract_unit(channel, data[item.index]):
                symbol = CHANNELS[channel].file_unit
                result[channel] = replace(item, unit=symbol)
            elif not column.unit:
                open_.append(channel)
        if symbol in quantity and channel != "time":
            known[channel] = data[item.index] * quantity[symbol].factor + quantity[symbol].offset
    return _units_by_behaviour(raw, result, open_, known, data)


def in_contract_unit(channel: str, values: FloatArray) -> bool:
    """Whether a column of halfshaft's own name, without a unit, can be in the contract's."""
    if channel == "throttle":  # a pedal that never opens by more than a hundredth is one from 0 to 1
        return behaviour.fraction_unit(values).unit in ("%", None) and behaviour.possible(channel, values, "%")
    return behaviour.possible(channel, values, CHANNELS[channel].file_unit)


def _units_by_behaviour(
    raw: RawLog, taken: dict[str, Taken], open_: list[str], known: dict[str, FloatArray], data: Data
) -> tuple[dict[str, Taken], dict[str, str]]:
    unknown: dict[str, str] = {}

    def settle(channel: str, evidence: behaviour.Evidence) -> None:
        item = taken[channel]
        if evidence.unit is None:
            unknown[channel] = evidence.reason
            return
        unit = QUANTITIES[CHANNELS[channel].quantity][evidence.unit]
        known[channel] = data[item.index] * unit.factor + unit.offset
        taken[channel] = replace(item, unit=evidence.unit, reason=f"{item.reason}, {evidence.reason}")

    for channel in [c for c in open_ if c in ("lat_g", "long_g")]:
        settle(channel, behaviour.acceleration_unit(data[taken[channel].index]))
    if "yaw_rate" in open_:
        settle("yaw_rate", behaviour.yaw_unit(data[taken["yaw_rate"].index]))
    if "throttle" in open_:
        settle("throttle", behaviour.fraction_unit(data[taken["throttle"].index]))
    _settle_wheels(raw, taken, open_, known, data, settle)
    if "gps_speed" in open_:
        settle("gps_speed", _ground_speed_unit(raw, taken, known, data))
    if "steer" in open_ or ("steer" in taken and ROAD_WHEEL.search(_words(raw, taken["steer"]))):
        _settle_steer(raw, taken, open_, known, data, settle)
    for channel in open_:
        if channel == "brake":
            top = float(np.nanmax(data[taken[channel].index]))
            settle(channel, behaviour.Evidence("1" if top <= 1.2 else "%", "unit unknown, used only as on or off"))
        elif channel in ("latitude", "longitude", "engine_speed", "gear", "lap", "engine_torque", "diff_temperature"):
            settle(
                channel, behaviour.Evidence(CHANNELS[channel].file_unit, f"unit taken as {CHANNELS[channel].file_unit}")
            )
    return taken, unknown


def _words(raw: RawLog, taken: Taken) -> str:
    return " ".join(tokens(raw.columns[taken.index].name))


def _settle_wheels(
    raw: RawLog, taken: dict[str, Taken], open_: list[str], known: dict[str, FloatArray], data: Data, settle: Settle
) -> None:
    wheels = [c for c in WHEEL_CHANNELS if c in open_]
    if not wheels:
        return
    settled = [c for c in WHEEL_CHANNELS if c in taken and c not in wheels]
    if wheels and settled:  # some wheels state their unit: the others are in the same one
        unit = taken[settled[0]].unit or parse_unit(raw.columns[taken[settled[0]].index].unit)
        for channel in wheels:
            settle(channel, behaviour.Evidence(unit, f"unit {unit} as the other wheels"))
        return
    time = _seconds(raw, taken, data)
    mean = _mean([data[taken[c].index] for c in wheels])
    difference = None
    if {"wheel_speed_fl", "wheel_speed_fr"} <= set(wheels):
        difference = data[taken["wheel_speed_fr"].index] - data[taken["wheel_speed_fl"].index]
    rotations = [c for c in wheels if _ROTATION & set(tokens(raw.columns[taken[c].index].name))]
    if rotations:  # with a wheel of 0.28 m, rad/s and km/h are the same numbers: only a statement can tell
        evidence = behaviour.Evidence(None, "its name says a rotation, whose unit the other channels cannot tell")
    else:
        evidence = behaviour.speed_unit(mean, time, known, difference)
    for channel in wheels:
        settle(channel, evidence)


def _ground_speed_unit(
    raw: RawLog, taken: dict[str, Taken], known: dict[str, FloatArray], data: Data
) -> behaviour.Evidence:
    """The ground speed's own unit: loggers write it in another than the wheels' as often as not."""
    wheels = [known[c] for c in WHEEL_CHANNELS if c in known and _inside_of(raw, taken, c) == "m/s"]
    others = {**known, "wheel_speeds": _mean(wheels)} if wheels else known
    return behaviour.speed_unit(data[taken["gps_speed"].index], _seconds(raw, taken, data), others, None)


def _settle_steer(
    raw: RawLog, taken: dict[str, Taken], open_: list[str], known: dict[str, FloatArray], data: Data, settle: Settle
) -> None:
    item = taken["steer"]
    speed = next((known[c] for c in (*WHEEL_CHANNELS, "gps_speed") if c in known), None)
    turn = known.get("yaw_rate")
    if turn is None and "lat_g" in known and speed is not None:
        turn = known["lat_g"] / np.maximum(speed, 5.0)
    raw_slope = None
    if speed is not None and turn is not None:
        if _inside_of(raw, taken, "wheel_speed_rl") == "rad/s" and "gps_speed" not in known:
            speed = speed * 0.3
        raw_slope = behaviour.steer_slope_m(data[item.index], speed, turn)
    if "steer" in open_:
        settle("steer", behaviour.steer_unit(raw_slope, data[item.index]))
    unit = taken["steer"].unit or parse_unit(raw.columns[item.index].unit)
    if unit is None or raw_slope is None or not ROAD_WHEEL.search(_words(raw, item)):
        return
    slope = abs(raw_slope) * QUANTITIES["angle"][unit].factor
    if slope < 8.0:
        reason = f"{taken['steer'].reason}, at the road wheel by its name and by steer per curvature ({slope:.1f} m)"
        taken["steer"] = replace(taken["steer"], at="road_wheel", reason=reason)


def _inside_of(raw: RawLog, taken: dict[str, Taken], channel: str) -> str:
    if channel not in taken:
        return ""
    symbol = taken[channel].unit or parse_unit(raw.columns[taken[channel].index].unit)
    unit = QUANTITIES["wheel_speed"].get(symbol or "")
    return unit.inside if unit else "rad/s"


def _mean(columns: list[FloatArray]) -> FloatArray:
    """(n,) mean of the columns that have a number in a row, NaN where none has."""
    known = np.isfinite(columns)
    total = np.where(known, columns, 0.0).sum(axis=0)
    count = known.sum(axis=0)
    mean: FloatArray = np.divide(total, count, out=np.full(len(total), np.nan), where=count > 0)
    return mean


def _seconds(raw: RawLog, taken: dict[str, Taken], data: Data) -> FloatArray:
    if "time" not in taken:
        return np.arange(len(next(iter(data.values())))) / (raw.stated_rate_hz or 100.0)
    item = taken["time"]
    symbol = item.unit or parse_unit(raw.columns[item.index].unit) or "s"
    values = data[item.index] * TIME_FACTORS.get(symbol, 1.0)
    rows = np.arange(len(values))
    good = np.isfinite(values)
    filled = np.interp(rows, rows[good], values[good])
    return filled if (np.diff(filled) > 0).all() else np.linspace(filled.min(), filled.max() + 1e-9, len(filled))
