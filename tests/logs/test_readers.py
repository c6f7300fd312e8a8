"""One contract that every reader keeps, and every sniffer against every other form's bytes."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import writers as w
from made_log import made_log

from analyzer.errors import InputError
from analyzer.logs.container import open_source
from analyzer.logs.read import read_log
from analyzer.logs.registry import READERS, open_log

LOG = made_log(6.0)
FORMS = {
    "Parquet": lambda folder: w.parquet(w.arrow_table(LOG, metadata=True)),
    "Arrow (Feather)": lambda folder: w.arrow_file(w.arrow_table(LOG, metadata=True)),
    "ASAM MDF 4": lambda folder: w.mdf(LOG, folder, names=w.CANONICAL),
    "spreadsheet (.xlsx)": lambda folder: w.spreadsheet(LOG, names=w.CANONICAL),
    "text (CSV)": lambda folder: w.text(LOG, header="{name} [{unit}]").encode(),
}


@pytest.fixture(params=READERS, ids=lambda reader: reader.form)
def reader(request):
    return request.param


def test_every_reader_has_bytes_to_be_tested_with():
    assert {reader.form for reader in READERS} == FORMS.keys()


def test_sniffs_its_own_form_and_no_other(reader, tmp_path):
    for form, make in FORMS.items():
        path = tmp_path / "log"
        path.write_bytes(make(tmp_path))
        assert reader.sniff(open_source(path).head()) == (form == reader.form), form


@pytest.mark.parametrize(
    "head", [b"", b"\0", b"\x89PNG\r\n\x1a\n" + bytes(100), b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n" + bytes(range(256))]
)
def test_no_sniffer_takes_what_is_no_log(head, reader, tmp_path):
    if reader.form == "text (CSV)" and head == b"":  # to a sniffer text without letters: refused before it is asked
        (tmp_path / "log.csv").touch()
        with pytest.raises(InputError, match="empty"):
            read_log(tmp_path / "log.csv")
    else:
        assert not reader.sniff(head)


def test_contract(reader, tmp_path):
    path = tmp_path / "a name without an ending"
    path.write_bytes(FORMS[reader.form](tmp_path))
    assert reader.sniff(open_source(path).head())
    raw = reader.read(open_source(path))
    names = [column.name for column in raw.columns]
    assert raw.form and len(set(names)) == len(names) == len(LOG.channels) + 1
    assert [c.unit for c in raw.columns if c.name == "steer"] == ["deg"]
    everything, notes = raw.load(range(len(names)))
    assert notes == []
    for values in everything:
        assert values.dtype == np.float64 and values.shape == LOG.time.shape and not np.isinf(values).any()
        values[0] = 0.0  # belongs to the caller
    by_name = dict(zip(names, everything, strict=True))
    np.testing.assert_allclose(by_name["steer"][1:], np.degrees(LOG.channels["steer"])[1:], rtol=1e-12)
    # any selection in any order, as often as wanted
    for wanted in ([3], [5, 2], [2, 5, 2], []):
        part, _ = raw.load(wanted)
        assert len(part) == len(wanted)
        for index, values in zip(wanted, part, strict=True):
            np.testing.assert_array_equal(values[1:], everything[index][1:])


@pytest.mark.parametrize("form", FORMS)
def test_a_file_name_need_not_be_utf_8(form, tmp_path):
    """POSIX.1-2017, 3.170: a file name is bytes, any but the slash and the null."""
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/l\xffg"))
    path.write_bytes(FORMS[form](tmp_path))
    assert np.allclose(read_log(path).time_s, LOG.time)


def test_the_ending_does_not_count(tmp_path):
    for form, ending in (
        ("Parquet", "csv"),
        ("text (CSV)", "parquet"),
        ("ASAM MDF 4", "txt"),
        ("Arrow (Feather)", "mf4"),
    ):
        path = tmp_path / f"log.{ending}"
        path.write_bytes(FORMS[form](tmp_path))
        assert open_log(path).columns[1].name == "wheel_speed_fl"


def test_a_log_that_starts_elsewhere_says_how_to_find_its_times(tmp_path):
    """Times in every answer count from the first row; a reader has the file's own beside them."""
    log = made_log(30.0)
    path = tmp_path / "late.csv"
    path.write_text(w.text(replace(log, time=log.time + 412.3)))
    (note,) = (a for a in read_log(path).annotations if a.code == "time_origin")
    assert "which the file calls 412.30 s" in note.message and not note.excludes
    path.write_text(w.text(log))
    assert not [a for a in read_log(path).annotations if a.code == "time_origin"]
