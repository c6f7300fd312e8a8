"""`halfshaft predict` as its user types it."""

import argparse
import json
import os
import subprocess
import sys

import pytest

from analyzer.cli import predict
from analyzer.errors import InputError

SETUP = """
[differential]
name = "winter rebuild [A]"
type = "plate"
ramp_angle_reference = "ring_face"
drive_ramp_angle_deg = 45
coast_ramp_angle_deg = 60
pin_radius_mm = 38
friction_faces_per_side = 6
plate_outer_diameter_mm = 120
plate_inner_diameter_mm = 86
friction_coefficient = 0.11
[differential.cone_spring]
force_N = 900
[differential.ring_spring]
force_N = 400
"""


@pytest.fixture
def setup_file(tmp_path):
    path = tmp_path / "rebuild.toml"
    path.write_text(SETUP, encoding="utf-8")
    return path


def run(*words):
    parser = argparse.ArgumentParser()
    predict.add_arguments(parser)
    return predict.run(parser.parse_args([str(w) for w in words]))


def test_table_fits_eighty_columns_and_carries_the_caution(setup_file, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert run(setup_file) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "winter rebuild [A]" in out  # brackets are not eaten as markup
    for words in ("1.5-way", "preload", "locking", "bias ratio", "confirm on the bench", "closed course"):
        assert words in out


def test_json_on_standard_output_is_nothing_but_json(setup_file, capsys):
    assert run(setup_file, "--json", "-", "--max-torque", 1500) == 0
    result = json.loads(capsys.readouterr().out)
    # derived: 2 * 0.11 * 6 * 0.0515 m * 900 N = 61.182 N.m; slope = 0.06798/0.076
    assert result["schema"] == 1
    curve = result["predicted_lock_curve"]
    assert curve["preload_Nm"]["value"] == pytest.approx(61.182)
    assert curve["drive_slope"]["value"] == pytest.approx(0.894474, abs=1e-6)
    assert curve["preload_Nm"]["lower"] < 61.182 < curve["preload_Nm"]["upper"]
    assert curve["points"][-1]["input_torque_Nm"] == 1500
    assert curve["cone_spring_position"] is None
    assert "does not say where the preload springs sit" in curve["notes"][0]
    assert result["cautions"]


@pytest.mark.parametrize(
    ("position", "words", "hold_Nm"),
    # derived: ring springs 400 N * 0.076 m = 30.4 N.m; outside the packs 900 N more: 98.8 N.m
    [("outside_packs", "outside the packs", 98.8), ("between_rings", "between the rings", 30.4)],
)
def test_the_stated_position_is_in_heading_table_and_json(setup_file, capsys, position, words, hold_Nm):
    text = SETUP.replace("friction_coefficient", f'cone_spring_position = "{position}"\nfriction_coefficient')
    setup_file.write_text(text, encoding="utf-8")
    assert run(setup_file) == 0
    out = capsys.readouterr().out
    assert f"preload springs {words}" in out and "does not say" not in out
    assert run(setup_file, "--json", "-") == 0
    curve = json.loads(capsys.readouterr().out)["predicted_lock_curve"]
    assert curve["cone_spring_position"] == position
    assert curve["drive_hold_Nm"]["value"] == pytest.approx(hold_Nm)


def test_json_file_beside_the_table(setup_file, tmp_path, capsys):
    target = tmp_path / "curve.json"
    assert run(setup_file, "--json", target) == 0
    assert "Predicted lock curve" in capsys.readouterr().out
    assert json.loads(target.read_text(encoding="utf-8"))["setup"]["name"] == "winter rebuild [A]"


@pytest.mark.parametrize("kind", ["open", "spool"])
def test_limits_say_what_they_are(tmp_path, capsys, kind):
    path = tmp_path / "limit.toml"
    path.write_text(f'[differential]\ntype = "{kind}"\n', encoding="utf-8")
    assert run(path) == 0
    assert {"open": "no plates", "spool": "never slips"}[kind] in capsys.readouterr().out


@pytest.mark.parametrize("torque", ["0", "nan", "-5", "1e9"])
def test_impossible_torque_is_refused(setup_file, torque):
    with pytest.raises(InputError, match="allowed: 1 to 50000"):
        run(setup_file, f"--max-torque={torque}")


def test_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"gone\.toml: no such file"):
        run(tmp_path / "gone.toml")


def test_help_needs_no_heavy_import():
    code = "import sys, analyzer.cli.predict; print([m for m in ('numpy', 'pydantic', 'rich') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("encoding", ["ascii", "cp932"])  # neither has the dash that a table writes for nothing
def test_a_locale_that_is_not_utf_8(setup_file, encoding):
    setup_file.write_text(SETUP.replace("winter rebuild", "Überholung"), encoding="utf-8")
    command = [sys.executable, "-m", "analyzer.cli.main", "predict", str(setup_file)]
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    told = subprocess.run(command, env=environment, capture_output=True, check=True)
    assert b"preload" in told.stdout and b"?" in told.stdout and not told.stderr
    written = subprocess.run([*command, "--json", "-"], env=environment, capture_output=True, check=True)
    assert json.loads(written.stdout.decode("utf-8"))["setup"]["name"] == "Überholung [A]"
