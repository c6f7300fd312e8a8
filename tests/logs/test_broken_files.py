"""Files that are not there, not whole or not logs: one plain sentence, or what can still be read."""

import bz2
import gzip
import lzma
import os
import resource
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pytest
import writers as w
from made_log import made_log
from sizes import sized

from analyzer.errors import CannotTell, InputError
from analyzer.logs import container, csv_rows
from analyzer.logs.container import open_source
from analyzer.logs.read import read_log
from analyzer.logs.registry import open_log

LOG = made_log(30.0)
TEXT = w.text(LOG)


def _read(tmp_path, data: bytes):
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    return read_log(path)


def _no_text(data: bytes) -> bytes:
    """A column's name spoilt to bytes that are no UTF-8."""
    return data.replace(b"wheel_speed_fl", b"wheel_sp\xe5ed_fl")


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: None, "no such file"),
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: p.symlink_to(p), "loop of links"),
        (lambda p: p.symlink_to(p.parent / "nowhere"), "no such file"),
        (lambda p: p.symlink_to("/dev/zero"), "device"),
        (lambda p: os.mkfifo(p), "device or a pipe"),
        (lambda p: p.write_bytes(b""), "empty"),
        (lambda p: p.write_bytes(b"\x00" * 5000), "not a kind of log"),
        (lambda p: p.write_bytes(bytes(range(256)) * 40), "not a kind of log"),
        (lambda p: p.write_text("time,throttle\n"), "no table of numbers"),
        (lambda p: p.write_text("just some words\nand more words\n"), "no table of numbers"),
        (lambda p: p.write_bytes(w.packed_gzip(b"")), "holds nothing"),
        (lambda p: p.write_bytes(w.packed_zip()), "exactly one log"),
        (lambda p: p.write_bytes(b"PK\x03\x04" + bytes(500)), "damaged or cut-off zip"),
        (lambda p: p.write_bytes(w.parquet(w.arrow_table(LOG))[:-100]), "damaged or cut-off Parquet"),
        (lambda p: p.write_bytes(b"PAR1" + bytes(300) + b"PAR1"), "damaged or cut-off Parquet"),
        (lambda p: p.write_bytes(w.arrow_file(w.arrow_table(LOG))[:-100]), "damaged or cut-off Arrow"),
        (lambda p: p.write_bytes(_no_text(w.parquet(w.arrow_table(LOG)))), "damaged or cut-off Parquet"),
        (lambda p: p.write_bytes(_no_text(w.arrow_file(w.arrow_table(LOG)))), "damaged or cut-off Arrow"),
        (lambda p: p.write_bytes(b"FEA1" + bytes(100)), "Feather version 1"),
        (lambda p: p.write_bytes(b"MDF     3.30    " + bytes(300)), "version 4"),
        (lambda p: p.write_bytes(b"MDF     4.10    " + bytes(300)), "damaged or cut-off MDF"),
    ],
)  # fmt: skip
def test_refused_with_a_plain_sentence(make, says, tmp_path):
    path = tmp_path / "log.csv"
    make(path)
    with pytest.raises(InputError, match=says) as caught:
        read_log(path)
    message = str(caught.value)
    assert "log.csv" in message and "\n" not in message and message.endswith(".")


@contextmanager
def no_root():
    """Nobody's rights for a while, where the tests run as root, who may read everything."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # nobody
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_unreadable_permissions(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(TEXT)
    path.chmod(0)
    with no_root(), pytest.raises(InputError, match="permissions"):
        read_log(path)


def test_a_name_with_a_zero_byte():
    with pytest.raises(InputError, match="path"):
        read_log("a\0b")


def test_truncated_gzip_keeps_what_came_before(tmp_path):
    packed = w.packed_gzip(TEXT.encode())
    recording = _read(tmp_path, packed[: len(packed) // 2])
    count = len(recording.time_s)
    assert 300 < count < len(LOG.time)
    np.testing.assert_allclose(recording.channels["steer"], LOG.channels["steer"][:count], rtol=1e-12)
    assert any("cut off inside the gzip" in a.message for a in recording.annotations)


@pytest.mark.parametrize("place", [0.3, 0.5, 0.97])
def test_a_damaged_gzip_is_refused_because_its_numbers_may_be_made_up(place, tmp_path):
    packed = bytearray(w.packed_gzip(TEXT.encode()))
    start = int(len(packed) * place)
    packed[start : start + 40] = bytes(40)
    with pytest.raises(InputError, match="gzip is damaged"):
        _read(tmp_path, bytes(packed))


def test_a_damaged_zip_is_refused(tmp_path):
    packed = bytearray(w.packed_zip(log__csv=TEXT.encode()))
    packed[len(packed) // 2] ^= 0xFF
    with pytest.raises(InputError, match="zip is damaged"):
        _read(tmp_path, bytes(packed))


@pytest.mark.parametrize("cut", [5, 40, 100, 137])
def test_cut_in_the_middle_of_a_line(cut, tmp_path):
    """Whatever is left of the last line, no number of it is taken for a whole one."""
    recording = _read(tmp_path, TEXT.encode()[:-cut])
    count = len(recording.time_s)
    for name, values in recording.channels.items():
        np.testing.assert_allclose(values, LOG.channels[name][:count], rtol=1e-12, atol=1e-12)
    assert count >= len(LOG.time) - 3


def test_a_file_being_written_grows_between_two_reads(tmp_path):
    path = tmp_path / "log.csv"
    data = TEXT.encode()
    path.write_bytes(data[: len(data) // 2])
    first = read_log(path)
    path.write_bytes(data)
    second = read_log(path)
    count = len(first.time_s)
    assert count < len(second.time_s) == len(LOG.time)
    np.testing.assert_array_equal(first.channels["lat_g"], second.channels["lat_g"][:count])


def test_a_broken_arrow_stream_keeps_its_whole_batches(tmp_path):
    data = w.arrow_stream(w.arrow_table(LOG))
    recording = _read(tmp_path, data[: len(data) * 2 // 3])
    assert len(recording.time_s) in (500, 1000)
    assert any("breaks off" in a.message for a in recording.annotations)


def test_words_among_numbers_become_gaps_and_are_told(tmp_path):
    lines = TEXT.split("\n")
    cells = lines[700].split(",")
    cells[6] = "sensor fault"
    lines[700] = ",".join(cells)
    recording = _read(tmp_path, "\n".join(lines).encode())
    assert np.flatnonzero(np.isnan(recording.channels["steer"])).tolist() == [699]
    assert any("holds words" in a.message and "steer" in a.message for a in recording.annotations)


def _with_line(number: int, change) -> bytes:
    lines = TEXT.split("\n")
    lines[number] = change(lines[number])
    return "\n".join(lines).encode()


def test_a_quotation_mark_that_nothing_closes_costs_one_cell(tmp_path):
    recording = _read(tmp_path, _with_line(700, lambda line: line.replace(",", ',"', 1)))
    np.testing.assert_allclose(recording.time_s, LOG.time, atol=1e-9)
    for name, values in recording.channels.items():
        expected = LOG.channels[name].copy()
        if name == "wheel_speed_fl":  # the cell behind the mark
            expected[699] = np.nan
        np.testing.assert_allclose(values, expected, rtol=1e-12, err_msg=name)
    assert any("'wheel_speed_fl' holds words" in a.message and "1 row" in a.message for a in recording.annotations)


@pytest.mark.parametrize("number", [0, 700], ids=["above the table", "in the table"])
def test_a_quoted_line_longer_than_a_csv_cell_may_be(number, tmp_path):
    """Python's csv module refuses cells of more than 131,072 characters."""
    ragged = "\n".join(line + ",9" * (k % 3 == 2) for k, line in enumerate(TEXT.split("\n")))  # no fast way to read it
    lines = ragged.split("\n")
    lines.insert(number, 'comment,"' + "x" * 140_000)
    recording = _read(tmp_path, "\n".join(lines).encode())
    kept = np.isin(LOG.time, recording.time_s)
    assert kept.sum() >= len(LOG.time) - 1
    np.testing.assert_allclose(recording.channels["lat_g"], LOG.channels["lat_g"][kept], rtol=1e-12)


def test_infinite_values_become_gaps(tmp_path):
    channels = {**LOG.channels, "steer": np.where(LOG.time == 10.0, 1e999, LOG.channels["steer"])}
    lines = w.text(LOG.change(**channels)).split("\n")
    lines[501] = lines[501].replace(",,", ",inf,", 1)
    recording = _read(tmp_path, "\n".join(lines).encode())
    assert np.flatnonzero(np.isnan(recording.channels["steer"])).tolist() == [500]


def test_more_rows_than_fit_are_averaged_and_told(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_rows, "MOST_ROWS", 400)
    recording = _read(tmp_path, TEXT.encode())
    assert 200 <= len(recording.time_s) <= 400
    assert any("averaged" in a.message for a in recording.annotations)
    expected = np.interp(recording.time_s, LOG.time - LOG.time[:4].mean(), LOG.channels["gps_speed"])
    np.testing.assert_allclose(recording.channels["gps_speed"], expected, atol=0.3)


@pytest.mark.parametrize(
    "codec, mark", [("utf-8", b""), ("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff"), ("utf-16-le", b"")]
)
def test_a_text_that_does_not_fit_is_entered_in_its_middle_whatever_its_letters(tmp_path, monkeypatch, codec, mark):
    monkeypatch.setattr(csv_rows, "BLOCK_BYTES", 60_000)
    path = tmp_path / "log.csv"
    path.write_bytes(mark + TEXT.encode(codec))
    raw = open_log(path).counted()
    assert raw.rows == len(LOG.time) and raw.part is not None
    (time,), _ = raw.part(slice(700, 1500)).load([0])
    np.testing.assert_allclose(time, LOG.time[700:1500], atol=1e-9)


@pytest.mark.slow
def test_a_large_text_is_read_in_bounded_memory(tmp_path):
    """Of the columns the channels are a fifth. 150 MB of text within 200 MB above the start (measured: 109), where the
    text and its columns would be 255; whole 600 MB within 1 GB."""
    size, most_kB = sized((150e6, 200_000), (600e6, 1_000_000))
    path = tmp_path / "large.csv"
    extra = 60
    header = TEXT.split("\n", 1)[0] + "," + ",".join(f"other {i}" for i in range(extra))
    rows = [line + ",0.123456" * extra for line in TEXT.split("\n")[1:-1]]
    with open(path, "w") as file:
        file.write(header + "\n")
        start, written = 0.0, 0
        while written < size:
            block = "\n".join(f"{start + i / 50:.2f}{row[row.index(',') :]}" for i, row in enumerate(rows)) + "\n"
            file.write(block)
            written += len(block)
            start += len(rows) / 50
    code = (
        "import resource, sys\n"
        "from analyzer.logs.read import read_log\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "recording = read_log(sys.argv[1])\n"
        "print(len(recording.time_s), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    count, grown_kB = map(int, done.stdout.split())
    assert count > size / 1200
    assert grown_kB < most_kB


def test_memory_is_measured_in_kB_here():
    """The test above reads ru_maxrss as kB, as Linux gives it (getrusage(2))."""
    assert 10_000 < resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 100_000_000


def test_pandas_is_not_needed_for_parquet(tmp_path):
    path = tmp_path / "log.parquet"
    path.write_bytes(w.parquet(w.arrow_table(LOG)))
    code = "import sys; from analyzer.logs.read import read_log; read_log(sys.argv[1]); print('pandas' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_wheel_that_was_only_logged_where_the_time_is_missing(tmp_path):
    rows = np.arange(len(LOG.time))
    wheel = np.where(rows % 2, np.nan, LOG.channels["wheel_speed_rl"])
    lines = w.text(LOG.change(wheel_speed_rl=wheel)).split("\n")
    lines[1:-1] = [line if k % 2 else line[line.index(",") :] for k, line in enumerate(lines[1:-1])]
    with pytest.raises(CannotTell, match="rear left wheel speed has no value"):
        _read(tmp_path, "\n".join(lines).encode())


def test_a_log_that_lacks_a_channel_says_what_was_found(tmp_path):
    with pytest.raises(CannotTell, match=r"throttle.*Found columns: time, wheel_speed_fl.*halfshaft check") as caught:
        _read(tmp_path, w.text(LOG.change(throttle=None)).encode())
    assert caught.value.exit_status == 3


def rows_that_repeat(size: int) -> Iterator[bytes]:
    yield b"time,a,b\n"
    row = b"1,2,3\n" * (1 << 17)
    for _ in range(size // len(row) + 1):
        yield row


@pytest.mark.parametrize("packing", ["gzip", "bzip2", "xz", "zip"])
def test_an_archive_that_unpacks_to_a_thousand_times_its_size_is_refused_early(packing, tmp_path, monkeypatch):
    """10 MB of it would be read for minutes."""
    monkeypatch.setattr(container, "_TOLD_BY_BYTES", 3_000_000)
    path, size = tmp_path / "log.csv.packed", 10_000_000
    if packing == "zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("log.csv", b"".join(rows_that_repeat(size)))
    else:
        opened = {"gzip": gzip.open, "bzip2": bz2.open, "xz": lzma.open}[packing]
        with opened(path, "wb") as file:
            for part in rows_that_repeat(size):
                file.write(part)
    with pytest.raises(InputError, match="unpacks to more than 100 times its size"):
        read_log(path)


def test_a_log_of_which_little_changes_is_not_taken_for_a_bomb(tmp_path, monkeypatch):
    """A car that stands: only the time moves."""
    monkeypatch.setattr(container, "_TOLD_BY_BYTES", 0)
    text = "time,wheel_speed_rl\n" + "".join(f"{k / 100},0.0\n" for k in range(100_000))
    (tmp_path / "log.csv.gz").write_bytes(gzip.compress(text.encode(), 9))
    with open_source(tmp_path / "log.csv.gz").open() as stream:
        assert stream.read() == text.encode()


def test_a_spreadsheet_that_memory_should_not_hold_is_refused_before_it_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(container, "_SHEET_BYTES", 1000)
    with zipfile.ZipFile(tmp_path / "log.xlsx", "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", "<c><v>100</v></c>" * 1000)
    with pytest.raises(InputError, match="save it as CSV"):
        read_log(tmp_path / "log.xlsx")
