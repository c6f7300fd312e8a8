"""`halfshaft simulate` as its user types it."""

import argparse

import pandas as pd
import pytest

from analyzer.cli import simulate
from analyzer.errors import InputError

CAR = """
[car]
name = "invented"
mass_kg = 900
wheelbase_m = 2.3
front_weight_fraction = 0.47
cg_height_m = 0.42
front_track_m = 1.4
rear_track_m = 1.4
front_rolling_radius_m = 0.29
rear_rolling_radius_m = 0.29
steering_ratio = 14
"""
OPEN_SETUP = '[differential]\ntype = "open"\n'
SHEET_SETUP = """
[differential]
type = "plate"
drive_lock_percent = 30
coast_lock_percent = 15
[differential.breakaway]
torque_Nm = 40
method = "one_wheel_held"
"""


@pytest.fixture
def files(tmp_path):
    for name, text in (("car.toml", CAR), ("open.toml", OPEN_SETUP), ("sheet.toml", SHEET_SETUP)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def run(files, *words, setup="sheet.toml", out="run.parquet"):
    parser = argparse.ArgumentParser()
    simulate.add_arguments(parser)
    arguments = ["--car", str(files / "car.toml"), "--setup", str(files / setup), "--out", str(files / out), *words]
    return simulate.run(parser.parse_args(arguments))


def test_log_and_truth_are_written_beside_each_other(files, capsys):
    assert run(files, "--laps", "1") == 0
    log, truth = pd.read_parquet(files / "run.parquet"), pd.read_parquet(files / "run.truth.parquet")
    assert log["time"].equals(truth["time"]) and "yaw_rate" in log
    # the curve that the setup predicts: bench 40 N.m with one wheel held is T_c, M_0 = 2 T_c = 80; sheet 30 %. The file
    # does not say where the preload springs sit: both add (80 + 0.30 T), or the larger clamps (0.30 T); half way
    slipping = truth[~truth["locked"] & (truth["input_torque"] > 200)]
    expected = 80 / 2 + 0.30 * slipping["input_torque"]
    assert slipping["locking_capacity"].to_numpy() == pytest.approx(expected.to_numpy(), rel=0.01)
    assert "run.truth.parquet" in capsys.readouterr().out


def test_minimum_channels_at_another_rate_as_zipped_csv(files):
    assert run(files, "--laps", "1", "--rate", "50", "--channels", "minimum", "--circuit", "2", out="run.csv.gz") == 0
    log = pd.read_csv(files / "run.csv.gz")
    assert log["time"].diff().median() == pytest.approx(0.02)
    assert len(log.columns) == 8 and "yaw_rate" not in log


def test_nuisances_are_options_and_the_command_says_which_are_on(files, capsys):
    assert run(files, "--laps", "1", out="plain.parquet") == 0
    words = ["--hillside-percent", "5", "--unit-x-m", "0.45", "--radius-fall-percent", "0.3", "--shift-time-s", "0.2"]
    assert run(files, "--laps", "1", *words, out="rough.parquet") == 0
    said = capsys.readouterr().out
    assert "hillside_percent 5" in said and "radius_fall_percent 0.3" in said and "unit_x_m 0.45" in said
    plain, rough = (pd.read_parquet(files / f"{name}.truth.parquet") for name in ("plain", "rough"))
    assert plain["gravity_x"].abs().max() == 0 and plain["altitude"].abs().max() == 0
    assert rough["gravity_x"].abs().max() == pytest.approx(9.80665 * 0.05, rel=0.01)


@pytest.mark.parametrize("manoeuvre, fastest_m_s", [("slow_lap", 22.5), ("circles", 17.0)])
def test_slow_manoeuvres(files, capsys, manoeuvre, fastest_m_s):
    assert run(files, "--laps", "1", "--manoeuvre", manoeuvre, "--radii", "15", "30") == 0
    assert "throttle pulses" in capsys.readouterr().out
    assert pd.read_parquet(files / "run.truth.parquet")["vx"].max() < fastest_m_s


def test_open_setup_gives_an_open_axle(files):
    assert run(files, "--laps", "1", setup="open.toml", out="run.csv") == 0
    assert pd.read_parquet(files / "run.truth.parquet")["torque_left_minus_right"].abs().max() == 0


@pytest.mark.parametrize(
    "words, out, says",
    [
        (["--laps", "0"], "run.parquet", "--laps is 0"),
        (["--rate", "33"], "run.parquet", "33 Hz"),
        (["--circuit", "home"], "run.parquet", "'home'"),
        (["--seed", "-3"], "run.parquet", "--seed is -3"),
        (["--gyro-scale-percent", "50"], "run.parquet", "gyro_scale_percent is 50; allowed: -10 to 10"),
        (["--manoeuvre", "circles", "--radii", "3"], "run.parquet", "radius is 3 m"),
        ([], "run.xlsx", "ending"),
        (["--laps", "1"], "nowhere/run.csv", "does not exist"),
    ],
)
def test_wrong_words_are_answered_with_one_sentence(files, words, out, says):
    with pytest.raises(InputError, match=says):
        run(files, *words, out=out)
