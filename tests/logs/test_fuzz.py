"""Mutated files and generated logs: every one gives an answer or a plain sentence, in bounded time and memory.

The target is a function of a path, so that whatever reads logs can be put through the same mutations.
"""

import resource
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import writers as w
from dialects import DIALECTS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_log import CAR, made_log
from sizes import sized

from analyzer.cli.main import main
from analyzer.errors import HalfshaftError, InputError
from analyzer.log_check import check_log
from analyzer.logs.behaviour import speed_unit
from analyzer.logs.read import read_log
from analyzer.logs.timeline import mend_time
from analyzer.pipeline import analyze
from analyzer.signals.delays import align_channels, estimate_delays
from analyzer.signals.examine import find_faults
from analyzer.signals.signs import settle_signs

# a warning would reach the user's terminal
pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")

LONGEST_S = 60.0  # a reader that hangs, not one on a busy machine
MOST_MEMORY_GROWTH_KB = 1_500_000
SMALL = made_log(24.0, rate_hz=20.0)


def _seeds() -> dict[str, bytes]:
    """Small whole files to mutate, one for each form and for several dialects."""
    text = w.text(SMALL).encode()
    return {
        "comma": text,
        "semicolon, decimal comma, units": w.text(SMALL, separator=";", decimal=",", unit_row="[{unit}]").encode(),
        "foreign names": w.text(SMALL, names=w.PLAIN_NAMES, header="{name} ({unit})", above=["A remark", ""]).encode(),
        "clock": w.text(SMALL, clock=w.clock_hms, separator="\t").encode(),
        "utf-16": b"\xff\xfe" + w.text(SMALL).encode("utf-16-le"),
        "gzip": w.packed_gzip(text),
        "zip": w.packed_zip(log__csv=text),
        "parquet": w.parquet(w.arrow_table(SMALL)),
        "arrow": w.arrow_file(w.arrow_table(SMALL)),
        "stream": w.arrow_stream(w.arrow_table(SMALL, names=w.PLAIN_NAMES, metadata=True)),
    }


SEEDS = _seeds()
CHANGES = ("flip", "delete", "insert", "repeat", "zero", "cut", "swap", "text")
BAD_WORDS = (
    b",",
    b";",
    b"\n",
    b'"',
    b"NaN",
    b"1e999",
    b"-",
    b"\x00",
    b"99999999999999999999",
    b"time",
    b"\xff\xfe",
    b"0x10",
    b"::",
)
change = st.tuples(st.sampled_from(CHANGES), st.floats(0, 1), st.integers(1, 4000), st.integers(0, 255))


def mutated(data: bytes, changes) -> bytes:
    """`data` with changes (kind, place from 0 to 1, length, value)."""
    for kind, place, length, value in changes:
        at = int(place * len(data))
        part = data[at : at + length]
        if kind == "flip" and part:
            data = data[:at] + bytes([part[0] ^ (value or 1)]) + data[at + 1 :]
        elif kind == "delete":
            data = data[:at] + data[at + length :]
        elif kind == "insert":
            data = data[:at] + bytes([value]) * (length % 50) + data[at:]
        elif kind == "repeat":
            data = data[:at] + part + part + data[at + length :]
        elif kind == "zero":
            data = data[:at] + bytes(len(part)) + data[at + length :]
        elif kind == "cut":
            data = data[:at]
        elif kind == "swap":
            data = data[at:] + data[:at]
        else:
            data = data[:at] + BAD_WORDS[value % len(BAD_WORDS)] + data[at:]
    return data


def survives(target: Callable[[Path], object], path: Path) -> None:
    """The target answers or raises a plain one-line message, in time."""
    started = time.perf_counter()
    try:
        target(path)
    except HalfshaftError as error:
        message = str(error)
        assert message and "\n" not in message and "Traceback" not in message
        assert error.exit_status in (2, 3)
    assert time.perf_counter() - started < LONGEST_S


def examined(path: Path) -> None:
    """Reading and everything that looks at a recording before the analysis."""
    recording = read_log(path)
    assert np.isfinite(recording.time_s).all() and (np.diff(recording.time_s) > 0).all() and recording.time_s[0] == 0
    for values in recording.channels.values():
        assert values.shape == recording.time_s.shape and not np.isinf(values).any()
    recording, _ = settle_signs(recording)
    find_faults(recording)
    align_channels(recording, estimate_delays(recording))


@pytest.fixture(scope="module", autouse=True)
def bounded_memory():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    yield
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MOST_MEMORY_GROWTH_KB


def budget(whole: int) -> settings:
    """So many examples in a whole run, a tenth of them otherwise."""
    return settings(
        max_examples=sized(max(2, whole // 10), whole),
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.function_scoped_fixture],
    )


many = budget(210)


@pytest.mark.parametrize("name", SEEDS)
@many
@given(changes=st.lists(change, min_size=1, max_size=6))
def test_mutated_bytes(name, changes, tmp_path):
    """Ten forms times 210 mutations in a whole run: more than 2,000 files."""
    path = tmp_path / "mutated"
    path.write_bytes(mutated(SEEDS[name], changes))
    survives(examined, path)


@budget(60)
@given(changes=st.lists(change, min_size=1, max_size=4))
def test_mutated_mdf(changes, tmp_path_factory):
    pytest.importorskip("asammdf")
    folder = tmp_path_factory.mktemp("mdf")
    path = folder / "mutated"
    path.write_bytes(mutated(w.mdf(SMALL, folder), changes))
    survives(examined, path)


@budget(300)
@given(name=st.sampled_from(sorted(SEEDS)), changes=st.lists(change, min_size=1, max_size=3))
def test_mutated_bytes_through_the_analysis(name, changes, tmp_path):
    (tmp_path / "car.toml").write_text(CAR)
    path = tmp_path / "mutated"
    path.write_bytes(mutated(SEEDS[name], changes))
    with warnings.catch_warnings():  # damaged numbers may overflow on the way; what counts is how it ends
        warnings.simplefilter("ignore", RuntimeWarning)
        survives(lambda log: analyze(log_path=log, car_path=tmp_path / "car.toml"), path)


@budget(100)
@given(name=st.sampled_from(sorted(SEEDS)), changes=st.lists(change, min_size=1, max_size=4))
def test_mutated_bytes_through_check(name, changes, tmp_path):
    path = tmp_path / "mutated"
    path.write_bytes(mutated(SEEDS[name], changes))
    survives(check_log, path)


@budget(200)
@given(data=st.binary(max_size=3000) | st.text(max_size=1500).map(str.encode))
def test_any_bytes(data, tmp_path):
    path = tmp_path / "any"
    path.write_bytes(data)
    survives(examined, path)


def _row(values) -> str:
    return ",".join(values)


cell = st.sampled_from(["", "0", "1", "-3.5", "1e300", "nan", "x", "12:00:01", "1,5", '"', "99"]) | st.floats().map(
    repr
)


@budget(200)
@given(rows=st.lists(st.lists(cell, min_size=9, max_size=9), min_size=1, max_size=40), ordered=st.booleans())
def test_generated_tables(rows, ordered, tmp_path):
    """Canonical headers over any cells."""
    header = "time,wheel_speed_fl,wheel_speed_fr,wheel_speed_rl,wheel_speed_rr,throttle,steer,lat_g,yaw_rate"
    if ordered:
        rows = [[str(i / 10), *row[1:]] for i, row in enumerate(rows)]
    path = tmp_path / "generated.csv"
    path.write_text("\n".join([header, *map(_row, rows)]))
    survives(examined, path)


def test_times_next_to_nothing(tmp_path):
    """Too small to be turned into another unit, and too close to be spread."""
    with pytest.raises(InputError, match="stands still"):
        mend_time(np.array([0.0, 0.0, 5e-324, 0.5, 1.0]), name="made")
    header = "time,wheel_speed_fl,wheel_speed_fr,wheel_speed_rl,wheel_speed_rr,throttle,steer,lat_g,yaw_rate"
    path = tmp_path / "tiny.csv"
    path.write_text(
        "\n".join([header, *(f"{t},20,20,{i % 3},20,1,2,0,0" for i, t in enumerate(("5e-324", "-0.0"))), ""])
    )
    survives(examined, path)


def test_one_row_tells_no_unit():
    one = np.ones(1)
    assert speed_unit(20 * one, one, {"long_g": one, "lat_g": one, "yaw_rate": one}, one).unit is None


def test_a_row_without_wheel_speeds_where_units_are_told(tmp_path):
    """numpy's warning of an empty mean would reach the user's terminal."""
    header = "time,wheel fl,wheel fr,wheel rl,wheel rr,throttle,steer,lat_g,yaw_rate"
    rows = [f"{i / 10},{',,,' if i == 7 else '20,21,20,22'},50,1,0.1,0.1" for i in range(40)]
    path = tmp_path / "empty.csv"
    path.write_text("\n".join([header, *rows, ""]))
    survives(examined, path)


ROUND_TRIP = [
    d
    for d in DIALECTS
    if d.outcome == "same"
    and not d.without
    and not d.channel_map
    and d.tolerance == 1e-9
    and "behaviour" not in d.words
]


@budget(6)
@given(data=st.data())
def test_round_trip_through_ten_dialects(data, tmp_path):
    """A log read in canonical form and in ten others gives the same recording to 1e-9."""
    log = made_log(30.0, rate_hz=data.draw(st.sampled_from([20.0, 25.0, 50.0])), seed=data.draw(st.integers(0, 99)))
    (tmp_path / "canonical.csv").write_text(w.text(log))
    expected = read_log(tmp_path / "canonical.csv")
    for dialect in data.draw(st.lists(st.sampled_from(ROUND_TRIP), min_size=10, max_size=10, unique_by=id)):
        path = tmp_path / "foreign"
        path.write_bytes(dialect.write(log, tmp_path))
        found = read_log(path)
        np.testing.assert_allclose(found.time_s, expected.time_s, rtol=0, atol=1e-8)
        if found.wheel_speed_unit != expected.wheel_speed_unit:
            continue  # rotations stay rotations; test_dialects compares them
        for name, values in expected.channels.items():
            scale = max(1.0, np.abs(values).max())
            np.testing.assert_allclose(found.channels[name], values, rtol=0, atol=1e-9 * scale, err_msg=dialect.words)


@pytest.mark.parametrize("name", SEEDS)
def test_the_command_exits_with_the_contract_s_status(name, tmp_path, capsys):
    """From outside: exit 0, 2 or 3, no traceback, on each form cut at a few places."""
    for share in (0.0, 0.01, 0.3, 0.9, 1.0):
        path = tmp_path / "cut"
        path.write_bytes(SEEDS[name][: int(share * len(SEEDS[name]))])
        status = main(["check", str(path)])
        shown = capsys.readouterr()
        assert status in (0, 2, 3) and "Traceback" not in shown.err + shown.out
        assert (status == 0) == bool(shown.out)
        assert status == 0 or shown.err.startswith("halfshaft check: ")


if __name__ == "__main__":  # a longer run by hand: python tests/logs/test_fuzz.py SEED COUNT
    rng = np.random.default_rng(int(sys.argv[1]))
    target = Path(sys.argv[3]) / "mutated"
    for _ in range(int(sys.argv[2])):
        names = sorted(SEEDS)
        picked = names[rng.integers(len(names))]
        steps = [
            (
                CHANGES[rng.integers(len(CHANGES))],
                float(rng.uniform()),
                int(rng.integers(1, 4000)),
                int(rng.integers(256)),
            )
            for _ in range(rng.integers(1, 6))
        ]
        target.write_bytes(mutated(SEEDS[picked], steps))
        survives(examined, target)
