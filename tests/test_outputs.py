"""No command writes over what it reads or what is somebody else's, and none writes anything that it does not name.

The last test asks every command, also failing ones, in a folder of random files, and compares the folder before and
after.
"""

import json
import os
import random
import shutil
import threading
from importlib import resources
from pathlib import Path

import pytest

from analyzer import files
from analyzer.cli.main import COMMANDS, main
from analyzer.errors import InputError
from analyzer.files import (
    Outputs,
    is_own_html,
    is_own_json,
    is_own_parquet,
    is_own_toml,
    json_text,
    same_file,
    with_toml_mark,
    write_atomic,
)

SAMPLES = Path(str(resources.files("sample_logs")))
SETUP, CAR = "baseline.setup.toml", "club_car.toml"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A working folder with a log, car and setup."""
    for name in (SETUP, CAR, "baseline_minimum.csv", "shelf.parts.toml"):
        shutil.copy(SAMPLES / name, tmp_path / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_only_json_goes_to_standard_output(folder, capsys):
    assert main(["analyze", "baseline_minimum.csv", "--car", CAR, "--html", "-"]) == 2
    assert "--html -: only --json goes to standard output" in capsys.readouterr().err
    assert not (folder / "-").exists()


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("way", ["itself", "./itself", "link", "hard link", "other case", "link to its folder"])
def test_an_input_is_never_written_over(folder, way, capsys):
    name = {"itself": SETUP, "./itself": f"./{SETUP}", "other case": SETUP.upper()}.get(way, "other")
    if way == "link":
        (folder / name).symlink_to(folder / SETUP)
    elif way == "hard link":
        os.link(folder / SETUP, folder / name)
    elif way == "link to its folder":
        (folder / "there").symlink_to(folder)
        name = f"there/{SETUP}"
    left = contents(folder)
    for words in ([], ["--overwrite"]):
        assert main(["predict", SETUP, "--json", name, *words]) == 2
        assert "this command reads it" in capsys.readouterr().err
        assert contents(folder) == left


@pytest.mark.parametrize(
    "arguments",
    [
        ["predict", SETUP, "--json", "mine"],
        ["check", "baseline_minimum.csv", "--json", "mine"],
        ["check", "baseline_minimum.csv", "--map", "mine"],
        ["analyze", "baseline_minimum.csv", "--car", CAR, "--json", "mine"],
        ["analyze", "baseline_minimum.csv", "--car", CAR, "--html", "mine"],
        ["compare", "--before", "a.csv", "--after", "b.csv", "--car", CAR, "--html", "mine"],
        ["compare", "--plan", "a.csv", "--car", CAR, "--json", "mine"],
        ["advise", "a.csv", "--car", CAR, "--setup", SETUP, "--parts", "shelf.parts.toml", "--html", "mine"],
        ["plan", "baseline_minimum.csv", "--car", CAR, "--html", "mine"],
        ["simulate", "--car", CAR, "--setup", SETUP, "--out", "mine.csv"],
        ["simulate", "--car", CAR, "--setup", SETUP, "--out", "new.csv"],  # its truth is in the way
        ["demo", "--out", "."],
    ],
    ids=" ".join,
)
def test_somebody_s_file_is_refused_before_the_work(folder, arguments, capsys):
    for name in ("mine", "mine.csv", "new.truth.parquet", "baseline.html"):
        (folder / name).write_text('{"mine": 1}')
    left = contents(folder)
    assert main(arguments) == 2
    assert "not a file that halfshaft wrote" in capsys.readouterr().err and contents(folder) == left


def test_a_command_writes_over_what_it_wrote_itself(folder, capsys):
    for arguments in (
        ["predict", SETUP, "--json", "p.json"],
        ["check", "baseline_minimum.csv", "--json", "c.json", "--map", "m.toml"],
    ):
        assert main(arguments) == 0 and main(arguments) == 0
    capsys.readouterr()
    # a map that was corrected by hand is its writer's; so is a result of another kind
    (folder / "m.toml").write_text((folder / "m.toml").read_text() + "# mine\n")
    assert main(["check", "baseline_minimum.csv", "--map", "m.toml"]) == 2
    assert main(["check", "baseline_minimum.csv", "--map", "p.json"]) == 2
    assert main(["check", "baseline_minimum.csv", "--json", "m.toml", "--overwrite"]) == 0
    assert json.loads((folder / "m.toml").read_text())["generator"].startswith("halfshaft ")


def test_a_simulated_log_is_its_own_until_it_is_changed(folder, capsys):
    arguments = ["simulate", "--car", CAR, "--setup", SETUP, "--laps", "1", "--rate", "20", "--out", "run.csv"]
    assert main(arguments) == 0
    first = contents(folder)
    assert main(arguments) == 0 and contents(folder) == first
    (folder / "run.csv").write_bytes(first["run.csv"] + b"0\n")
    assert main(arguments) == 2 and "run.csv: is there already" in capsys.readouterr().err
    assert main([*arguments, "--overwrite"]) == 0 and contents(folder) == first


def test_two_outputs_are_two_files(folder, capsys):
    for other in ("x", "./x", "X"):
        assert main(["check", "baseline_minimum.csv", "--json", "x", "--map", other]) == 2
        assert "name the same file" in capsys.readouterr().err
    assert not (folder / "x").exists()


def test_what_lies_in_a_folder_that_is_read_is_read(folder, capsys):
    (folder / "logs").mkdir()
    shutil.copy(folder / "baseline_minimum.csv", folder / "logs" / "a.csv")
    (folder / "out").mkdir()
    (folder / "out" / "season.parquet").symlink_to("../logs/a.csv")
    left = contents(folder)
    for line in (
        ["batch", "logs", "--json", "logs/a.csv", "--out", "new"],
        ["batch", "logs", "--out", "out"],
    ):
        assert main([*line, "--car", CAR, "--overwrite"]) == 2
        assert "lies in logs, which this command reads" in capsys.readouterr().err and contents(folder) == left
    assert not (folder / "out" / "parts").exists() and not (folder / "new").exists()


@pytest.mark.parametrize("name", ["season.parquet", "results/a.json", "parts/a.parquet", "./parts/../Season.parquet"])
def test_the_words_of_a_batch_are_not_one_of_its_files(folder, name, capsys):
    (folder / "out" / "parts").mkdir(parents=True)
    (folder / "out" / "results").mkdir()
    line = ["batch", ".", "--car", CAR, "--out", "out", "--json", f"out/{name}", "--overwrite"]
    assert main(line) == 2 and "is among the files of --out" in capsys.readouterr().err


def test_logs_and_output_of_a_batch_are_two_folders(folder, capsys):
    assert main(["batch", ".", "--car", CAR, "--out", "."]) == 2
    assert "is the folder of logs and --out as well" in capsys.readouterr().err


@pytest.mark.parametrize("marked_by", ["marker", "database"])
def test_no_command_writes_among_a_logbook_s_files(folder, marked_by, capsys):
    book = folder / "book"
    for place in ("files/car/0123456789abcdef", "parquet", "results", "lost"):
        (book / place).mkdir(parents=True)
    (book / "files/car/0123456789abcdef/car.toml").write_text("name = 'mine'")
    (book / "results" / "old.json").write_text(json_text({}))  # halfshaft's own by its mark, and still the logbook's
    (book / {"marker": "about-this-logbook.txt", "database": "logbook.sqlite"}[marked_by]).write_text("here")
    (folder / "link").symlink_to("book/results")
    left = contents(folder)
    for name in (
        "book/logbook.sqlite",
        "book/logbook.sqlite-journal",
        "BOOK/../book/About-this-logbook.txt" if (folder / "BOOK").exists() else "book/about-this-logbook.txt",
        "book/files/car/0123456789abcdef/car.toml",
        "book/results/old.json",
        "book/parquet/new.json",
        "book/lost/new.json",
        "link/new.json",
    ):
        assert main(["predict", SETUP, "--json", name, "--overwrite"]) == 2, name
        assert "is among the files of the logbook book" in capsys.readouterr().err
    for line in (["demo", "--out", "book/results"], ["batch", ".", "--car", CAR, "--out", "book/results/batch"]):
        assert main(line) == 2 and "of the logbook book" in capsys.readouterr().err
    inner = ["logbook", "add", "baseline_minimum.csv", "--car", CAR, "--logbook", "book/results/inner"]
    assert main(inner) == 2 and "of the logbook book" in capsys.readouterr().err
    assert contents(folder) == left and sorted(p.name for p in (book / "results").iterdir()) == ["old.json"]
    # beside them the folder is the user's, who may keep a logbook among other files
    assert main(["predict", SETUP, "--json", "book/mine.json"]) == 0


def test_a_truth_is_not_written_over_its_log_nor_over_another_s(folder, capsys):
    arguments = ["simulate", "--car", CAR, "--setup", SETUP, "--laps", "1", "--rate", "20", "--out"]
    (folder / "u.truth.parquet").symlink_to("u.parquet")
    assert main([*arguments, "u.parquet", "--overwrite"]) == 2
    assert "--out and its truth name the same file" in capsys.readouterr().err and not (folder / "u.parquet").exists()
    assert main([*arguments, "w.csv"]) == 0
    left = contents(folder)
    assert main([*arguments, "w.parquet"]) == 2 and contents(folder) == left
    assert "w.truth.parquet: is there already" in capsys.readouterr().err


def test_what_a_command_wrote_it_does_not_write_over(tmp_path):
    outputs = Outputs(overwrite=True)
    outputs.write(tmp_path / "a", "one", is_own_json)
    (tmp_path / "b").symlink_to("a")
    for name in ("a", "b"):
        with pytest.raises(InputError, match="has just written another output there"):
            outputs.write(tmp_path / name, "two", is_own_json)
    assert (tmp_path / "a").read_text() == "one"


def test_a_pipe_is_written_once_somebody_reads_it_and_not_waited_for_for_ever(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "READER_WAIT_S", 0.3)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="cannot be written"):
        write_atomic(tmp_path / "pipe", "x")
    monkeypatch.setattr(files, "READER_WAIT_S", 30.0)
    read: list[str] = []
    reader = threading.Thread(target=lambda: read.append((tmp_path / "pipe").read_text()))
    reader.start()
    content = "long" * 100_000  # more than a pipe holds
    write_atomic(tmp_path / "pipe", content)
    reader.join(30)
    assert read == [content]


def test_every_mark_is_known_and_nothing_else(tmp_path):
    path = tmp_path / "f"
    knows = (is_own_json, is_own_html, is_own_toml, is_own_parquet)
    page = '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
    cases = (
        (json_text({"a": 1}), is_own_json),
        (json_text([{"a": 1}, {"b": 2}]), is_own_json),
        (json_text([]), is_own_json),
        (f'{page}<meta name="generator" content="halfshaft 9.9">\n', is_own_html),
        (with_toml_mark("[channels]\n"), is_own_toml),
        (with_toml_mark("[channels]\n") + " ", None),
        ('{"schema": 1}', None),
        ('[{"a": {"generator": "halfshaft 1"}}]', None),
        ("[1]", None),
        (f'{page}<meta name="generator" content="another">\n', None),
        ("# Written by halfshaft\n", None),
        ("generator: halfshaft", None),
        ("\x00\xff" * 50, None),
    )
    for text, knows_it in cases:
        path.write_text(text)
        assert [one for one in knows if one(path)] == ([knows_it] if knows_it else []), text


def test_an_empty_file_may_be_written(tmp_path):
    (tmp_path / "f").touch()  # as mktemp makes it
    Outputs().write(tmp_path / "f", json_text({}), is_own_json)
    assert is_own_json(tmp_path / "f")


@pytest.mark.parametrize("links", ["itself", "pair", "long chain", "folder"])
def test_a_loop_of_links_is_said_and_stays(tmp_path, links, monkeypatch):
    """Python 3.13's `resolve` no longer raises for a loop, so nothing may lean on it."""
    monkeypatch.setattr(Path, "resolve", None)
    target = tmp_path / "a"
    if links == "itself":
        target.symlink_to("a")
    elif links == "pair":
        target.symlink_to("b")
        (tmp_path / "b").symlink_to(target)
    elif links == "long chain":
        for k in range(60):
            (tmp_path / f"a{k}").symlink_to(f"a{k + 1}")
        target = tmp_path / "a0"
    else:
        (tmp_path / "d").symlink_to("d")
        target = tmp_path / "d" / "f"
    before = {p.name: os.readlink(p) for p in tmp_path.iterdir()}
    for write in (write_atomic, lambda path, text: Outputs().write(path, text, is_own_json)):
        with pytest.raises(InputError, match=r"loop|levels"):
            write(target, "x")
    assert {p.name: os.readlink(p) for p in tmp_path.iterdir()} == before


def test_a_chain_of_links_is_followed_and_kept(tmp_path):
    (tmp_path / "below").mkdir()
    (tmp_path / "one").symlink_to("below/two")
    (tmp_path / "below" / "two").symlink_to("../real")
    write_atomic(tmp_path / "one", "x")
    assert (tmp_path / "real").read_text() == "x" and (tmp_path / "one").is_symlink()


def test_a_disk_is_no_place_for_a_report(monkeypatch, tmp_path):
    import stat

    (tmp_path / "f").touch()
    real = os.stat
    monkeypatch.setattr(os, "stat", lambda path, **k: os.stat_result((stat.S_IFBLK | 0o660, *real(path, **k)[1:])))
    with pytest.raises(InputError, match="is a disk"):
        write_atomic(tmp_path / "f", "x")


def test_names_are_the_same_file_by_case_and_accent(tmp_path):
    (tmp_path / "M\u00e4rz.csv").touch()
    assert same_file(tmp_path / "ma\u0308rz.CSV", tmp_path / "M\u00e4rz.csv")
    assert not same_file(tmp_path / "april.csv", tmp_path / "M\u00e4rz.csv")
    assert not same_file(tmp_path / "gone.csv", tmp_path / "gone.csv")  # what is not there is not written over


def arguments_of(command: str, files: list[str], rng: random.Random) -> tuple[list[str], set[str]]:
    """A random line of a command, and what it may write."""
    one = lambda: rng.choice([*files, "none.csv", CAR, SETUP, "baseline_minimum.csv"])  # noqa: E731
    json_file, other = rng.choice(["new.json", one()]), rng.choice(["new.out", one()])
    lines = {
        "demo": ["--out", f"{one()}"],
        "check": [one(), "--json", json_file, "--map", other],
        "analyze": [one(), "--car", one(), "--json", json_file, "--html", other],
        "compare": ["--before", one(), "--after", one(), "--car", CAR, "--json", json_file, "--html", other],
        "advise": [one(), "--car", CAR, "--setup", SETUP, "--parts", one(), "--json", json_file, "--html", other],
        "plan": [one(), "--car", CAR, "--setup", one(), "--json", json_file, "--html", other],
        "predict": [rng.choice([SETUP, one()]), "--json", json_file],
        "simulate": ["--car", one(), "--setup", SETUP, "--laps", "0", "--out", other],
        "batch": [rng.choice([".", "below"]), "--car", one(), "--out", one(), "--json", json_file],
        "dashboard": ["--logbook", rng.choice([".", "below"]), "--port", "0"],
        "logbook": [
            *rng.choice([["list"], ["show", "x"], ["trend"], ["tidy"], ["update"], ["remove", "x"]]),
            *["--logbook", rng.choice([".", "below"])],
        ],
    }
    return [command, *lines[command]], {json_file, other} & {"new.json", "new.out"}


@pytest.mark.parametrize("seed", range(8))
def test_no_command_changes_what_it_does_not_name(folder, seed, capsys):
    rng = random.Random(seed)
    (folder / "below").mkdir()
    for place in ("", "below/", "results/", "parquet/", "incoming/", "files/log/"):
        (folder / place).mkdir(parents=True, exist_ok=True)
        for ending in ("csv", "toml", "json", "html", "parquet"):
            content = rng.choice([rng.randbytes(rng.randint(1, 500)), b"time,x\n0,1\n", b"{}", b'[{"a": 1}]'])
            (folder / f"{place}f{rng.randrange(10)}.{ending}").write_bytes(content)
    files = [name for name in contents(folder) if name not in (SETUP, CAR, "baseline_minimum.csv")]
    for command in COMMANDS:
        left = contents(folder)
        line, writes = arguments_of(command, files, rng)
        status = main(line)
        said = capsys.readouterr()
        after = contents(folder)
        assert {name: after.get(name) for name in left} == left, line
        made = set(after) - set(left)
        assert made <= writes, (line, made)
        assert status in (0, 2, 3) and "Traceback" not in said.err
        for name in made:
            (folder / name).unlink()
