"""Writes a made log in foreign ways. Plain Python and the public libraries of each form; nothing of the program."""

import bz2
import gzip
import io
import lzma
import tarfile
import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
from made_log import CONTRACT_UNITS, MadeLog

PLAIN_NAMES = {
    "time": "Time",
    "wheel_speed_fl": "Wheel Speed FL",
    "wheel_speed_fr": "Wheel Speed FR",
    "wheel_speed_rl": "Wheel Speed RL",
    "wheel_speed_rr": "Wheel Speed RR",
    "throttle": "Throttle Pedal",
    "steer": "Steering Angle",
    "lat_g": "Lateral Acceleration",
    "long_g": "Longitudinal Acceleration",
    "yaw_rate": "Yaw Rate",
    "brake": "Brake Pressure",
    "gps_speed": "GPS Speed",
    "engine_speed": "Engine Speed",
    "lap": "Lap",
}
GERMAN_NAMES = {
    "time": "Zeit",
    "wheel_speed_fl": "Raddrehzahl vorne links",
    "wheel_speed_fr": "Raddrehzahl vorne rechts",
    "wheel_speed_rl": "Raddrehzahl hinten links",
    "wheel_speed_rr": "Raddrehzahl hinten rechts",
    "throttle": "Gaspedal",
    "steer": "Lenkwinkel",
    "lat_g": "Querbeschleunigung",
    "long_g": "Längsbeschleunigung",
    "yaw_rate": "Gierrate",
    "brake": "Bremsdruck",
    "gps_speed": "GPS Geschwindigkeit",
    "engine_speed": "Motordrehzahl",
    "lap": "Runde",
}
FRENCH_NAMES = {
    "time": "Temps",
    "wheel_speed_fl": "Vitesse roue avant gauche",
    "wheel_speed_fr": "Vitesse roue avant droite",
    "wheel_speed_rl": "Vitesse roue arrière gauche",
    "wheel_speed_rr": "Vitesse roue arrière droite",
    "throttle": "Accélérateur",
    "steer": "Angle volant",
    "lat_g": "Accélération latérale",
    "long_g": "Accélération longitudinale",
    "yaw_rate": "Vitesse de lacet",
    "brake": "Pression frein",
    "gps_speed": "Vitesse GPS",
    "engine_speed": "Régime moteur",
    "lap": "Tour",
}
SHORT_NAMES = {
    "time": "t",
    "wheel_speed_fl": "wsFL",
    "wheel_speed_fr": "wsFR",
    "wheel_speed_rl": "wsRL",
    "wheel_speed_rr": "wsRR",
    "throttle": "tps",
    "steer": "swa",
    "lat_g": "accY",
    "long_g": "accX",
    "yaw_rate": "gyroZ",
    "brake": "pBrake",
    "gps_speed": "vGPS",
    "engine_speed": "nMot",
    "lap": "lapNo",
}
DUTCH_NAMES = {
    "time": "Tijd",
    "wheel_speed_fl": "Wielsnelheid linksvoor",
    "wheel_speed_fr": "Wielsnelheid rechtsvoor",
    "wheel_speed_rl": "Wielsnelheid linksachter",
    "wheel_speed_rr": "Wielsnelheid rechtsachter",
    "throttle": "Gaspedaalstand",
    "steer": "Stuurhoek",
    "lat_g": "Dwarsversnelling",
    "long_g": "Langsversnelling",
    "yaw_rate": "Giersnelheid",
    "brake": "Remdruk",
    "gps_speed": "GPS snelheid",
    "engine_speed": "Motortoerental",
    "lap": "Ronde",
}
SPANISH_NAMES = {
    "time": "Tiempo",
    "wheel_speed_fl": "Velocidad rueda delantera izquierda",
    "wheel_speed_fr": "Velocidad rueda delantera derecha",
    "wheel_speed_rl": "Velocidad rueda trasera izquierda",
    "wheel_speed_rr": "Velocidad rueda trasera derecha",
    "throttle": "Acelerador",
    "steer": "Ángulo de volante",
    "lat_g": "Aceleración lateral",
    "long_g": "Aceleración longitudinal",
    "yaw_rate": "Velocidad de guiñada",
    "brake": "Presión de freno",
    "gps_speed": "Velocidad GPS",
    "engine_speed": "Régimen motor",
    "lap": "Vuelta",
}
JAPANESE_NAMES = {
    "time": "時間",
    "wheel_speed_fl": "車輪速 左前",
    "wheel_speed_fr": "車輪速 右前",
    "wheel_speed_rl": "車輪速 左後",
    "wheel_speed_rr": "車輪速 右後",
    "throttle": "スロットル開度",
    "steer": "ステアリング角",
    "lat_g": "横加速度",
    "long_g": "前後加速度",
    "yaw_rate": "ヨーレート",
    "brake": "ブレーキ圧",
    "gps_speed": "GPS速度",
    "engine_speed": "エンジン回転数",
    "lap": "ラップ",
}
PORTUGUESE_NAMES = {
    "time": "Tempo",
    "wheel_speed_fl": "Velocidade roda dianteira esquerda",
    "wheel_speed_fr": "Velocidade roda dianteira direita",
    "wheel_speed_rl": "Velocidade roda traseira esquerda",
    "wheel_speed_rr": "Velocidade roda traseira direita",
    "throttle": "Acelerador",
    "steer": "Ângulo do volante",
    "lat_g": "Aceleração lateral",
    "long_g": "Aceleração longitudinal",
    "yaw_rate": "Taxa de guinada",
    "brake": "Pressão do freio",
    "gps_speed": "Velocidade GPS",
    "engine_speed": "Rotação do motor",
    "lap": "Volta",
}
ITALIAN_NAMES = {
    "time": "Tempo",
    "wheel_speed_fl": "Velocità ruota ant. sx",
    "wheel_speed_fr": "Velocità ruota ant. dx",
    "wheel_speed_rl": "Velocità ruota post. sx",
    "wheel_speed_rr": "Velocità ruota post. dx",
    "throttle": "Farfalla",
    "steer": "Angolo sterzo",
    "lat_g": "Accelerazione laterale",
    "long_g": "Accelerazione longitudinale",
    "yaw_rate": "Velocità di imbardata",
    "brake": "Pressione freno",
    "gps_speed": "Velocità GPS",
    "engine_speed": "Giri motore",
    "lap": "Giro",
}
SWEDISH_NAMES = {
    "time": "Tid",
    "wheel_speed_fl": "Hjulhastighet vänster fram",
    "wheel_speed_fr": "Hjulhastighet höger fram",
    "wheel_speed_rl": "Hjulhastighet vänster bak",
    "wheel_speed_rr": "Hjulhastighet höger bak",
    "throttle": "Gaspådrag",
    "steer": "Rattvinkel",
    "lat_g": "Sidacceleration",
    "long_g": "Längsacceleration",
    "yaw_rate": "Girhastighet",
    "brake": "Bromstryck",
    "gps_speed": "GPS Speed",
    "engine_speed": "Engine Speed",
    "lap": "Lap",
}
GERMAN_LONG_NAMES = {
    **GERMAN_NAMES,
    **{
        f"wheel_speed_{c}": f"Radgeschw. {words}"
        for c, words in (("fl", "vorne links"), ("fr", "vorne rechts"), ("rl", "hinten links"), ("rr", "hinten rechts"))
    },
    "throttle": "Gaspedalstellung",
    "brake": "Bremsdruck VA",
}
UNIT_AT_THE_END = {  # short words glued, and the unit behind them
    **{f"wheel_speed_{c.casefold()}": f"v_{c}_whl_kph" for c in ("FL", "FR", "RL", "RR")},
    "time": "Time",
    "throttle": "ThrPos_pct",
    "steer": "StrAng_deg",
    "lat_g": "AccLat_g",
    "long_g": "AccLong_g",
    "yaw_rate": "YawRt_degps",
    "brake": "BrkP_bar",
    "gps_speed": "GPS_Spd_kph",
    "engine_speed": "Eng_rpm",
    "lap": "Lap",
}
CANONICAL = {name: name for name in PLAIN_NAMES}
OTHER_UNITS = {
    "m/s": ("m/s", 1.0),
    "mph": ("mph", 1 / 0.44704),
    "kn": ("kn", 3600 / 1852),
    "ft/s": ("ft/s", 1 / 0.3048),
}
Clock = Callable[[float], str]


def number(value: float) -> str:
    """A number with every digit it has; '' where there is none."""
    return "" if not np.isfinite(value) else repr(float(value))


@lru_cache(maxsize=100)  # most dialects and faults leave most columns as they are
def _numbers(column: bytes) -> list[str]:
    return [number(value) for value in np.frombuffer(column).tolist()]


def numbers(values: np.ndarray) -> list[str]:
    """Each as `number` writes it."""
    return _numbers(np.asarray(values, float).tobytes())


def columns(log: MadeLog, units: Mapping[str, tuple[str, float]] = CONTRACT_UNITS) -> dict[str, np.ndarray]:
    """Time in s and every channel in the units given."""
    return {"time": log.time, **{k: v * units[k][1] for k, v in log.channels.items()}}


def text(
    log: MadeLog,
    *,
    names: Mapping[str, str] = CANONICAL,
    units: Mapping[str, tuple[str, float]] = CONTRACT_UNITS,
    header: str = "{name}",
    separator: str = ",",
    decimal: str = ".",
    quote: bool = False,
    thousands: str = "",
    unit_row: str | None = None,
    clock: Clock = number,
    above: Sequence[str] = (),
    header_rows: Sequence[Sequence[str]] | None = None,
    line_end: str = "\n",
    skip: Sequence[str] = (),
    edit: Callable[[list[list[str]]], list[list[str]]] = lambda rows: rows,
    tail: Sequence[str] = (),
) -> str:
    """A log as text."""
    data = {k: v for k, v in columns(log, units).items() if k not in skip}
    unit_of = {"time": "s", **{k: u for k, (u, _) in units.items()}}
    quoted = lambda cell: f'"{cell}"' if quote or (separator in cell and separator != " ") else cell  # noqa: E731

    def cell(written: str) -> str:
        whole, _, fraction = written.partition(".")
        value = float(written)
        written = f"{int(whole):,}".replace(",", thousands) + (f".{fraction}" if fraction else "")
        if int(whole) == 0 and value < 0:
            written = f"-{written.lstrip('-')}"
        if decimal == ",":
            head, _, rest = written.rpartition(".") if fraction else (written, "", "")
            written = f"{head},{rest}" if fraction else head
        return written

    def cells(name: str, values: np.ndarray) -> list[str]:
        if name == "time" and clock is not number:
            return [clock(value) for value in values]
        written = numbers(values)
        if thousands:
            return [cell(one) if one else one for one in written]
        return written if decimal == "." else [one.replace(".", decimal) for one in written]

    def line(row: list[str]) -> str:
        joined = separator.join(row)
        whole = not quote and (separator == " " or joined.count(separator) == len(row) - 1)
        return joined if whole else separator.join(map(quoted, row))

    rows = list(map(list, zip(*(cells(name, values) for name, values in data.items()), strict=True)))
    if header_rows is None:
        header_rows = [[header.format(name=names[n], unit=unit_of[n]) for n in data]]
    if unit_row is not None:
        header_rows = [*header_rows, [unit_row.format(unit=unit_of[n]) for n in data]]
    lines = [*above]
    lines += [separator.join(map(quoted, row)) for row in header_rows]
    lines += map(line, edit(rows))
    return line_end.join([*lines, *tail, ""])


def packed_zip(**members: bytes) -> bytes:
    """A zip archive; `__` in a name stands for a dot."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "."), data)
    return buffer.getvalue()


def packed_tar(mode: str, **members: bytes) -> bytes:
    """Members named with __ for the dot; `mode` as of tarfile, such as `w:gz`."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode=mode) as archive:  # type: ignore[call-overload]
        for name, data in members.items():
            info = tarfile.TarInfo(name.replace("__", "."))
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))
    return out.getvalue()


def packed_xz(data: bytes) -> bytes:
    """As .xz."""
    return lzma.compress(data)


def packed_bzip2(data: bytes) -> bytes:
    """As .bz2."""
    return bz2.compress(data)


def spreadsheet(log: MadeLog, *, names: Mapping[str, str] = PLAIN_NAMES) -> bytes:
    """A sheet with a row of text, one of names, one of units, and the data; a second sheet with a note."""
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("Session")
    data = columns(log)
    unit_of = {"time": "s", **{k: u for k, (u, _) in CONTRACT_UNITS.items()}}
    for row in (["Session: invented"], [names[n] for n in data], [unit_of[n] for n in data]):
        sheet.append(row)
    for row in zip(*data.values(), strict=True):
        sheet.append([float(v) for v in row])
    book.create_sheet("Note").append(["nothing"])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def tall(log: MadeLog, *, names: Mapping[str, str] = CANONICAL, units: bool = False, separator: str = ",") -> str:
    """One row a value: time, channel, value, and the unit where wanted."""
    data = columns(log)
    heading = ["time", "channel", "value", *(["unit"] if units else [])]
    rows = [separator.join(heading)]
    written = {name: numbers(values) for name, values in data.items()}
    for i, time in enumerate(written["time"]):
        for name in log.channels:
            cells = [time, names[name], written[name][i], *([CONTRACT_UNITS[name][0]] if units else [])]
            rows.append(separator.join(cells))
    return "\n".join([*rows, ""])


def tall_by_channel(log: MadeLog, *, heading: Sequence[str]) -> str:
    """One row a value, channel after channel, decimal comma; `heading` says in which order the cells come."""
    data, rows = columns(log), [";".join(heading)]
    for name in log.channels:
        for time, value in zip(numbers(data["time"]), numbers(data[name]), strict=True):
            cells = {"time": time, "value": value, "unit": CONTRACT_UNITS[name][0]}
            cells["channel"] = cells["signal"] = PLAIN_NAMES[name]
            rows.append(";".join(cells[k].replace(".", ",") if k in ("time", "value") else cells[k] for k in heading))
    return "\n".join([*rows, ""])


def packed_gzip(data: bytes) -> bytes:
    """Gzip without a time stamp, so that the bytes are always the same."""
    return gzip.compress(data, mtime=0)


def arrow_table(
    log: MadeLog, *, names=CANONICAL, units=CONTRACT_UNITS, metadata: bool = False, kind: pa.DataType | None = None
) -> pa.Table:
    """A log as an Arrow table, with units in the field metadata when asked."""
    data = columns(log, units)
    unit_of = {"time": "s", **{k: u for k, (u, _) in units.items()}}
    fields, arrays = [], []
    for name, values in data.items():
        arrays.append(
            pa.array(values, pa.float64()).cast(kind if kind is not None and name != "time" else pa.float64())
        )
        fields.append(pa.field(names[name], arrays[-1].type, metadata={"unit": unit_of[name]} if metadata else None))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def parquet(table: pa.Table) -> bytes:
    """A table as Parquet."""
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    return buffer.getvalue()


def arrow_file(table: pa.Table) -> bytes:
    """A table as an Arrow file (Feather version 2)."""
    buffer = io.BytesIO()
    feather.write_feather(table, buffer, compression="uncompressed")
    return buffer.getvalue()


def arrow_stream(table: pa.Table) -> bytes:
    """A table as an Arrow stream of several batches."""
    buffer = io.BytesIO()
    with pa.ipc.new_stream(buffer, table.schema) as writer:
        writer.write_table(table, max_chunksize=500)
    return buffer.getvalue()


def mdf(log: MadeLog, folder, *, slow: Sequence[str] = (), names=PLAIN_NAMES) -> bytes:
    """A log as ASAM MDF 4, the channels in `slow` in a group of their own with every fifth sample."""
    from asammdf import MDF, Signal

    data = columns(log)
    time = data.pop("time")
    path = folder / "made.mf4"
    with MDF(version="4.10") as file:
        for group, step in ((slow, 5), ([n for n in data if n not in slow], 1)):
            signals = [
                Signal(data[n][::step], time[::step], name=names[n], unit=CONTRACT_UNITS[n][0])
                for n in data
                if n in group
            ]
            if signals:
                file.append(signals)
        file.save(path, overwrite=True)
    return path.read_bytes()


START = datetime(2031, 5, 17, 23, 59, 20, tzinfo=UTC)  # an invented day; runs over midnight


def clock_digits(seconds: float) -> str:
    """hhmmss.ffffff as one number, starting at 10:59:30."""
    return (datetime(2031, 5, 17, 10, 59, 30, tzinfo=UTC) + timedelta(seconds=seconds)).strftime("%H%M%S.%f")


def clock_hms(seconds: float) -> str:
    """hh:mm:ss.ffffff, starting at 10:00:00."""
    return (datetime(2031, 5, 17, 10, tzinfo=UTC) + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")


def clock_midnight(seconds: float) -> str:
    """hh:mm:ss.ffffff, passing midnight."""
    return (START + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")


def clock_ms(seconds: float) -> str:
    """mm:ss.ffffff"""
    return f"{int(seconds // 60):02d}:{seconds % 60:09.6f}"


def clock_colons(seconds: float) -> str:
    """hh:mm:ss:mmm"""
    whole = round(seconds * 1000)
    return f"10:{whole // 60000:02d}:{whole // 1000 % 60:02d}:{whole % 1000:03d}"


def clock_half_day(seconds: float) -> str:
    """h:mm:ss.mmm with AM and PM; passes noon after ten seconds."""
    whole = round(seconds * 1000) + (11 * 3600 + 59 * 60 + 50) * 1000
    hour = whole // 3_600_000
    half = "AM" if hour < 12 else "PM"
    return f"{(hour - 1) % 12 + 1}:{whole // 60000 % 60:02d}:{whole // 1000 % 60:02d}.{whole % 1000:03d} {half}"


def clock_iso(seconds: float) -> str:
    """ISO 8601 with a zone."""
    return (START + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.%f+00:00")


def clock_date(seconds: float) -> str:
    """Day, month, year, then the time with a decimal comma."""
    return (START + timedelta(seconds=seconds)).strftime("%d.%m.%Y %H:%M:%S,%f")
