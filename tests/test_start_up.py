"""`--help` answers at once, because commands import what they compute with only when they run."""

import subprocess
import sys

import pytest

from analyzer.cli import predict
from analyzer.cli.main import COMMANDS, build_parser, main

# each takes 0.1 to 1 s to import; none is needed to say what a command does
HEAVY = {"numpy", "scipy", "pandas", "pyarrow", "plotly", "dash", "pydantic", "rich", "jinja2", "numba"}


def imported_by(*arguments: str) -> set[str]:
    """Top-level modules that a run of the command line imports, from the interpreter's own list."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "analyzer.cli.main", *arguments],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr[-500:]
    lines = [line for line in done.stderr.splitlines() if line.startswith("import time:")]
    return {line.rsplit("|", 1)[1].strip().split(".")[0] for line in lines}


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), *((c, "--help") for c in COMMANDS)], ids=" ".join)
def test_help_imports_nothing_heavy(arguments):
    modules = imported_by(*arguments)
    assert "argparse" in modules, "the list of imports could not be read"
    assert not modules & HEAVY


def test_the_list_would_show_a_heavy_import(tmp_path):
    """The check can fail: a command that computes does import numpy."""
    (tmp_path / "setup.toml").write_text('[differential]\ntype = "open"\n', encoding="utf-8")
    assert "numpy" in imported_by("predict", str(tmp_path / "setup.toml"))


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
