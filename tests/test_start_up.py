"""`--help` answers at once, because commands import what they compute with only when they run."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

import sample_logs
from analyzer.cli import predict
from analyzer.cli.main import COMMANDS, build_parser, main
from analyzer.logbook.store import Store

ROOT = Path(__file__).parents[1]
# each takes 0.1 to 1 s to import; none is needed to say what a command does
HEAVY = {"numpy", "scipy", "pandas", "pyarrow", "plotly", "dash", "pydantic", "rich", "jinja2", "numba"}


def imported_by(*arguments: str) -> set[str]:
    """Modules, by the first two names at most, that a run of the command line imports, from the interpreter's list."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "analyzer.cli.main", *arguments],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr[-500:]
    lines = [line for line in done.stderr.splitlines() if line.startswith("import time:")]
    modules = [line.rsplit("|", 1)[1].strip() for line in lines]
    return {".".join(parts[:depth]) for parts in (name.split(".") for name in modules) for depth in (1, 2)}


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), *((c, "--help") for c in COMMANDS)], ids=" ".join)
def test_help_imports_nothing_heavy(arguments):
    modules = imported_by(*arguments)
    assert "argparse" in modules, "the list of imports could not be read"
    assert not modules & HEAVY


def test_the_list_would_show_a_heavy_import(tmp_path):
    """The check can fail: a command that computes does import numpy."""
    (tmp_path / "setup.toml").write_text('[differential]\ntype = "open"\n', encoding="utf-8")
    assert "numpy" in imported_by("predict", str(tmp_path / "setup.toml"))


def test_an_analysis_imports_nothing_that_takes_longer_than_itself():
    """Each takes 0.1 to 0.3 s, and what was needed of it is a few lines here (`windows.py`,
    `signals/timebase.py`)."""
    slow = {f"scipy.{name}" for name in ("signal", "ndimage", "stats", "optimize", "interpolate", "integrate", "fft")}
    samples = Path(sample_logs.__file__).parent
    named = ["baseline.parquet", "--car", "club_car.toml", "--setup", "baseline.setup.toml"]
    arguments = [word if word.startswith("--") else str(samples / word) for word in named]
    modules = imported_by("analyze", *arguments)
    assert "scipy.special" in modules
    assert not modules & {"pandas", "plotly", "jinja2", "pyarrow.compute", "pyarrow.csv", *slow}


def test_a_list_of_runs_imports_nothing_that_analyses(tmp_path):
    Store(tmp_path / "book").close()
    modules = imported_by("logbook", "list", "--logbook", str(tmp_path / "book"))
    assert "sqlite3" in modules
    assert not modules & {"scipy", "pandas", "pyarrow", "plotly", "pydantic", "jinja2"}


def test_ctrl_c_ends_a_command_with_one_line(monkeypatch, capsys):
    def interrupted(arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(predict, "run", interrupted)
    assert main(["predict", "setup.toml"]) == 130  # 128 + SIGINT, as a shell reports it
    assert capsys.readouterr().err.split() == ["halfshaft:", "stopped."]


def test_no_command_shows_how_to_begin(capsys):
    assert main([]) == 2
    shown = capsys.readouterr().err
    assert "halfshaft demo" in shown and all(f" {command} " in shown for command in COMMANDS)


def test_analyse_is_understood_as_well():
    arguments = build_parser().parse_args(["analyse", "a.csv", "--car", "car.toml"])
    assert arguments.module == "analyze"


def test_only_the_command_that_is_asked_for_is_built():
    parser = build_parser("predict")
    assert parser.parse_args(["predict", "setup.toml"]).module == "predict"
    with pytest.raises(SystemExit):
        parser.parse_args(["analyze", "a.csv", "--car", "car.toml"])
    assert not {"simulation", "batch"} & {part for name in imported_by("predict", "--help") for part in name.split(".")}


def commands_of_the_readme() -> list[str]:
    text = (ROOT / "README.md").read_text("utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    return [line for line in lines if line.startswith("halfshaft")]


@pytest.mark.parametrize("line", commands_of_the_readme())
def test_commands_of_the_readme_are_commands(line):
    _, *words = shlex.split(line, comments=True)
    build_parser().parse_args(words)
    shipped = Path(sample_logs.__file__).parents[1]
    assert [w for w in words if w.startswith("sample_logs/") and not (shipped / w).is_file()] == []


def test_the_readme_shows_every_command():
    assert [c for c in COMMANDS if f"halfshaft {c}" not in (ROOT / "README.md").read_text("utf-8")] == []


THREADS = """
import os, sys
from pathlib import Path
os.environ.pop("OMP_NUM_THREADS")
from analyzer.cli.main import main
assert "numpy" not in sys.modules
assert main(["predict", sys.argv[1]]) == 0
from threadpoolctl import threadpool_info
import numpy
assert {of["num_threads"] for of in threadpool_info() if of["user_api"] == "blas"} == {1}
"""


def test_a_command_has_one_thread_of_linear_algebra(tmp_path):
    """More gain nothing, and where others work as well they wait for each other: 22 s of an analysis instead of 3.4."""
    (tmp_path / "setup.toml").write_text('[differential]\ntype = "open"\n', encoding="utf-8")
    subprocess.run([sys.executable, "-c", THREADS, str(tmp_path / "setup.toml")], check=True, timeout=60)
