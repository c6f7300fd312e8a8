"""`halfshaft check` as its user types it."""

import json
from dataclasses import replace

import numpy as np
import pytest
import writers as w
from fault_table import FAULTS
from made_log import CAR, TRACK_M, made_log

from analyzer.cli.main import main
from analyzer.log_check import check_log
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read import read_log

LOG = made_log(60.0)


@pytest.fixture
def foreign(tmp_path):
    path = tmp_path / "session.csv"
    path.write_text(w.text(LOG, names=w.PLAIN_NAMES, header="{name} [{unit}]"))
    return path


def test_shows_what_was_recognised_and_fits_80_columns(foreign, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["check", str(foreign)]) == 0
    shown = capsys.readouterr().out
    assert "60.0 s at 50 Hz" in shown and "Wheel Speed FL" in shown and "can it show" in shown
    before_map = shown.split("Channel map")[0].split("\n")
    assert max(map(len, before_map)) <= 80


def test_json_and_map_files(foreign, tmp_path, capsys):
    assert main(["check", str(foreign), "--json", str(tmp_path / "c.json"), "--map", str(tmp_path / "m.toml")]) == 0
    check = json.loads((tmp_path / "c.json").read_text())
    assert check["problem"] is None and check["questions"] == []
    assert {line["channel"] for line in check["channels"]} == {"time", *LOG.channels}
    assert {a["verdict"] for a in check["answers"]} <= {"yes", "partly", "no"}
    recording = read_log(foreign, channel_map=load_channel_map(tmp_path / "m.toml"))
    assert recording.channels.keys() == LOG.channels.keys()
    capsys.readouterr()
    assert main(["check", str(foreign), "--channels", str(tmp_path / "m.toml"), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["problem"] is None


@pytest.mark.parametrize("seconds", [60.0, 130.0])
def test_a_temperature_does_not_tell_fading_and_a_short_log_cannot(seconds, tmp_path):
    log = made_log(seconds)
    path = tmp_path / "warm.csv"
    header, *rows = w.text(log).splitlines()
    rows = [f"{row},{60 + 0.01 * k:.2f}" for k, row in enumerate(rows)]
    path.write_text("\n".join([f"{header},diff_temperature", *rows]) + "\n")
    told = {a.question: a for a in check_log(path).answers}
    fading = told["lock fading within the run"]
    assert fading.verdict == (told["transfer torque and lock curve"].verdict if seconds > 120 else "no")
    assert "temperature channel is not used" in fading.reason


def test_satellites_tell_slip_only_beside_an_accelerometer(tmp_path):
    channels = {n: v for n, v in LOG.channels.items() if n not in ("wheel_speed_fl", "wheel_speed_fr")}
    channels["gps_speed"] = LOG.channels["wheel_speed_fl"]
    verdicts = []
    for left_out in ("", "long_g"):
        path = tmp_path / "run.csv"
        path.write_text(w.text(replace(LOG, channels={n: v for n, v in channels.items() if n != left_out})))
        answers = {a.question: a for a in check_log(path).answers}
        told = [answers[question] for question in ("transfer torque and lock curve", "off-throttle understeer")]
        verdicts.append([a.verdict for a in told])
    assert "no" not in verdicts[0] and verdicts[1] == ["no", "no"]
    assert all("does not tell slip" in a.reason for a in told)


def test_car_file_against_the_log(foreign, tmp_path, capsys):
    (tmp_path / "car.toml").write_text(CAR)
    assert main(["check", str(foreign), "--car", str(tmp_path / "car.toml")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert (
        "front track of 1.45 m (agrees within 15 %)" in shown
        and "(agrees within" in shown.split("Steer per path curvature")[1]
    )
    (tmp_path / "car.toml").write_text(CAR.replace("steering_ratio = 14", "steering_ratio = 5"))
    assert main(["check", str(foreign), "--car", str(tmp_path / "car.toml")]) == 0
    assert "differs by more than 50 %" in " ".join(capsys.readouterr().out.split()).split("Steer per path curvature")[1]


def test_a_front_wheel_that_locks_does_not_make_another_track(tmp_path, capsys):
    (tmp_path / "car.toml").write_text(CAR)
    turning = LOG.channels["yaw_rate"] > 0.2
    locking = turning & (np.arange(len(LOG.time)) % 100 < 12)  # the inside one, again and again as it is turned in
    log = LOG.change(
        wheel_speed_fl=np.where(locking, 0.4 * LOG.channels["wheel_speed_fl"], LOG.channels["wheel_speed_fl"])
    )
    (tmp_path / "log.csv").write_text(w.text(log))
    assert main(["check", str(tmp_path / "log.csv"), "--car", str(tmp_path / "car.toml")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "front track of 1.45 m (agrees within 15 %)" in shown


def test_what_stands_in_for_a_yaw_rate_is_in_the_log(tmp_path, capsys):
    (tmp_path / "log.csv").write_text(w.text(LOG.change(yaw_rate=None, lat_g=None)))
    assert main(["check", str(tmp_path / "log.csv")]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "comes from the front wheels, so intervals are wider" in shown
    assert "not in the log: lateral acceleration (lat_g) or yaw rate (yaw_rate)" in shown


def test_a_log_that_cannot_be_analysed_is_still_shown(tmp_path, capsys):
    path = tmp_path / "half.csv"
    path.write_text(w.text(LOG.change(throttle=None)))
    assert main(["check", str(path)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Can't be analysed as it is" in shown and "not in the log: throttle." in shown and "wheel_speed_rl" in shown


def test_a_log_without_a_corner_or_too_short_is_told_before_it_is_analysed(tmp_path, capsys):
    path = tmp_path / "straight.csv"
    rng, still = np.random.default_rng(1), 0.0 * LOG.time
    noise = lambda size: rng.normal(0, size, len(still))  # noqa: E731
    share = {"fl": 0.5, "fr": -0.5, "rl": 0.25, "rr": -0.25}  # of yaw rate times track that made_log gives the wheels
    turned = {c: share[c] * TRACK_M * LOG.channels["yaw_rate"] for c in share}
    wheels = {f"wheel_speed_{c}": LOG.channels[f"wheel_speed_{c}"] + turned[c] for c in share}
    turning = {"lat_g": noise(0.1), "yaw_rate": noise(0.002), "steer": noise(0.005)}
    path.write_text(w.text(LOG.change(**wheels, **turning)))
    assert main(["check", str(path), "--json", "-"]) == 0
    check = json.loads(capsys.readouterr().out)
    assert "no corner was driven" in check["problem"]
    # made_log steers by yaw rate alone; a car by yaw rate over speed
    steer = 15 * 2.6 * LOG.channels["yaw_rate"] / LOG.channels["gps_speed"]
    # nor does its road climb or its tail slide, which accelerometers feel
    feels = 0.3 * np.sin(0.4 * LOG.time)
    along, across = LOG.channels["long_g"] + feels, LOG.channels["lat_g"] + feels
    path.write_text(w.text(LOG.change(steer=steer, long_g=along, lat_g=across)))
    assert main(["check", str(path)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Can be analysed as it is" in shown and "only 60 s long" in shown
    assert "tests between channels agree" in shown and "what agrees with what" not in shown  # all is well: a count


def test_a_dead_sensor_is_not_told_as_a_lack_of_corners(tmp_path, capsys):
    path = tmp_path / "dead.csv"
    along = LOG.channels["long_g"] + 0.3 * np.sin(0.4 * LOG.time)  # as above: made_log's road does not climb
    path.write_text(w.text(LOG.change(lat_g=0.0 * LOG.time, long_g=along)))
    assert main(["check", str(path), "--json", "-"]) == 0
    check = json.loads(capsys.readouterr().out)
    assert "lateral acceleration" in check["contradiction"] and check["problem"] is None
    failed = {t["name"] for t in check["agreement"] if t["outcome"] == "disagrees"}
    assert "lateral acceleration over speed x yaw rate" in failed
    assert main(["check", str(path)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Nothing is concluded" in shown and "more tests between channels agree" in shown
    table = shown.split("what agrees with what")[1].split("more tests")[0]
    beside = [t for t in check["agreement"] if t["name"] in table]  # what has no channel in common with them is counted
    assert failed <= {t["name"] for t in beside} and len(beside) < len(check["agreement"]) / 2


def test_faults_are_shown(tmp_path, capsys):
    fault = next(f for f in FAULTS if f.words == "steer turned over")
    path = tmp_path / "spoilt.csv"
    path.write_text(w.text(fault.spoil(LOG)))
    assert main(["check", str(path)]) == 0
    assert "Steering-wheel angle was turned over" in " ".join(capsys.readouterr().out.split())


def test_what_cannot_be_read_exits_with_2(tmp_path, capsys):
    assert main(["check", str(tmp_path / "none.csv")]) == 2
    shown = capsys.readouterr()
    assert shown.out == "" and "no such file" in shown.err
