"""Output files are whole or not there."""

import errno
import os

import pytest

from analyzer import files
from analyzer.cli.main import main
from analyzer.errors import InputError
from analyzer.files import Outputs, is_own_json, write_atomic


def test_a_place_that_cannot_be_written_is_refused_before_the_work(tmp_path, capsys):
    with pytest.raises(InputError, match="does not exist"):
        Outputs().require(tmp_path / "missing" / "r.html", is_own_json)
    with pytest.raises(InputError, match="is a folder"):
        Outputs().require(tmp_path, is_own_json)
    Outputs().require(tmp_path / "new.html", is_own_json)
    Outputs().require("/dev/null", is_own_json)
    assert not list(tmp_path.iterdir())
    # the log does not exist either: what is told first was looked at first
    assert main(["analyze", "none.csv", "--car", "none.toml", "--html", str(tmp_path / "missing" / "r.html")]) == 2
    assert "does not exist" in capsys.readouterr().err


def test_writes_text_and_bytes(tmp_path):
    write_atomic(tmp_path / "a.json", "é")
    write_atomic(tmp_path / "b.bin", b"\x00\x01")
    assert (tmp_path / "a.json").read_bytes() == "é".encode() and (tmp_path / "b.bin").read_bytes() == b"\x00\x01"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "b.bin"]


@pytest.mark.parametrize("step", ["fsync", "replace", "fdopen"])
def test_a_full_disk_leaves_the_old_file_and_no_rest(step, tmp_path, monkeypatch):
    target = tmp_path / "report.html"
    target.write_text("old")

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(files.os, step, full)
    with pytest.raises(InputError, match="No space left"):
        write_atomic(target, "new" * 1000)
    monkeypatch.undo()
    assert target.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")
def test_a_device_that_is_full():
    with pytest.raises(InputError, match="cannot be written"):
        write_atomic("/dev/full", "x")


def test_keeps_permissions_and_follows_a_link(tmp_path):
    target, link = tmp_path / "real.json", tmp_path / "link.json"
    target.write_text("old")
    target.chmod(0o640)
    link.symlink_to(target)
    write_atomic(link, "new")
    assert link.is_symlink() and target.read_text() == "new" and target.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    ("name", "says"), [("", "is a folder"), ("none/x.json", "does not exist"), ("loop", "loop|levels")]
)
def test_places_that_cannot_be_written(name, says, tmp_path):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(InputError, match=says):
        write_atomic(tmp_path / name, "x")
