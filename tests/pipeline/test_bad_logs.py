"""Bad input through the command line: exit 2 or 3 and one plain message, or an answer that says what was wrong."""

import json
from importlib import resources

import numpy as np
import pytest
from pipeline.conftest import CAR_TOML
from sizes import only_whole

from analyzer.cli.main import main
from analyzer.pipeline import analyze
from analyzer.presentation.result_json import to_result
from analyzer.presentation.words import answer as answer_words


def run(log, car_file, tmp_path, capsys, ending="csv"):
    """(exit status, what went to standard error, the result or None)."""
    path = tmp_path / f"log.{ending}"
    log.to_parquet(path, index=False) if ending == "parquet" else log.to_csv(path, index=False)
    status = main(["analyze", str(path), "--car", str(car_file), "--json", "-"])
    captured = capsys.readouterr()
    return status, captured.err, json.loads(captured.out) if status == 0 else None


def assert_plain(error, *words):
    """One line, a sentence that ends, no traceback; names what it is about."""
    assert len(error.strip().splitlines()) == 1 and error.strip().endswith((".", "]", "?"))
    assert "Traceback" not in error and "Error" not in error
    for word in words:
        assert word in error


def standing(log):
    still = {name: 0.0 for name in log if name.startswith("wheel_speed")}
    return log.assign(**still, gps_speed=0.0, lat_g=0.0, yaw_rate=0.0)


def straight(log):
    rng, speed = np.random.default_rng(1), 60 + 30 * np.sin(log["time"] / 4)
    wheels = {n: speed + 0.1 * rng.standard_normal(len(log)) for n in log if n.startswith("wheel_speed")}
    quiet = {n: 0.05 * rng.standard_normal(len(log)) for n in ("yaw_rate", "steer")}
    along = np.gradient(speed / 3.6, log["time"]) / 9.81
    # what a car does there by itself: the driven wheels gain on power, and the throttle is why
    wheels |= {n: wheels[n] * (1 + 0.05 * along) for n in wheels if n.endswith(("rl", "rr"))}
    quiet["throttle"] = 100 * np.clip(along / 0.25, 0, 1)
    return log.drop(columns=["latitude", "longitude"]).assign(
        **wheels, **quiet, gps_speed=speed, lat_g=0.005 * rng.standard_normal(len(log)), long_g=along, brake=0.0
    )


REFUSED = {
    "no time": (lambda log: log.drop(columns="time"), (2, 3), "time"),
    "no rear wheel": (lambda log: log.drop(columns="wheel_speed_rl"), (3,), "rear left wheel speed"),
    "no throttle": (lambda log: log.drop(columns="throttle"), (3,), "throttle"),
    "no steer": (lambda log: log.drop(columns="steer"), (3,), "steer"),
    "no speed but the rear wheels'": (
        lambda log: log.drop(columns=["wheel_speed_fl", "wheel_speed_fr", "gps_speed"]),
        (3,),
        "front wheel speed",
    ),
    "neither lateral acceleration nor yaw rate": (lambda log: log.drop(columns=["lat_g", "yaw_rate"]), (3,), "lateral"),
    "a rear wheel without any value": (lambda log: log.assign(wheel_speed_rl=np.nan), (2, 3), "rear left wheel speed"),
    "words for numbers": (lambda log: log.assign(wheel_speed_rl="fast"), (2, 3), "rear left wheel speed"),
    "a header and no rows": (lambda log: log.iloc[:0], (2,), "log."),
    "one row": (lambda log: log.iloc[:1], (2,), "log."),
    "five seconds": (lambda log: log.iloc[:500], (3,), "10 s"),
    "four samples a second": (lambda log: log.iloc[::25], (3,), "8 Hz"),
    "a standing car": (standing, (3,), "stand"),
    "no corner": (straight, (3,), "corner"),
    "a rear wheel that never changes": (lambda log: log.assign(wheel_speed_rl=80.0), (3,), "rear left wheel speed"),
    "a rear wheel that never turns": (lambda log: log.assign(wheel_speed_rr=0.0), (3,), "rear right wheel speed"),
    "a clock that stands": (lambda log: log.assign(time=1.0), (2,), "time"),
    "rows in no order": (lambda log: log.sample(frac=1, random_state=1), (2, 3), "time"),
    "a rear wheel that stops in lap one": (
        lambda log: log.assign(wheel_speed_rl=log["wheel_speed_rl"].where(log["time"] < 3)),
        (3,),
        "every channel",
    ),
}


# where a text is another thing to read than a table of numbers; the others as text in a whole run
OF_A_TEXT = ("no time", "a rear wheel without any value", "words for numbers", "a header and no rows", "one row")


@pytest.mark.parametrize(
    ("case", "ending"),
    [
        pytest.param(case, ending, marks=only_whole if ending == "csv" and case not in OF_A_TEXT else ())
        for ending in ("csv", "parquet")
        for case in REFUSED
    ],
)
def test_what_cannot_be_answered_is_refused_in_one_sentence(short_log, car_file, tmp_path, capsys, case, ending):
    spoil, statuses, word = REFUSED[case]
    status, error, _ = run(spoil(short_log), car_file, tmp_path, capsys, ending)
    assert status in statuses
    assert_plain(error, f"log.{ending}", word)


MENDED = {
    "time backwards": (lambda log: log.iloc[::-1], "unsorted_time"),
    "every row twice": (lambda log: log.loc[log.index.repeat(2)], None),
    "time in milliseconds": (lambda log: log.assign(time=log["time"] * 1000), None),
    "lateral acceleration in m/s2": (lambda log: log.assign(lat_g=log["lat_g"] * 9.80665), "unit"),
    "a rear wheel silent for a tenth": (
        lambda log: log.assign(wheel_speed_rl=log["wheel_speed_rl"].where((log.index < 6000) | (log.index > 7700))),
        "dropout",
    ),
    "single values missing": (
        lambda log: log.where(log.index.to_series() % 37 != 5, axis=0).assign(time=log["time"]),
        None,
    ),
    "infinite values": (
        lambda log: log.assign(wheel_speed_rr=log["wheel_speed_rr"].where(log.index % 50 > 0, np.inf)),
        None,
    ),
}


@pytest.fixture(scope="module")
def healthy(short_log, tmp_path_factory):
    """The result of the log that nothing was done to."""
    folder = tmp_path_factory.mktemp("healthy")
    (folder / "car.toml").write_text(CAR_TOML)
    short_log.to_parquet(folder / "log.parquet", index=False)
    return to_result(analyze(log_path=folder / "log.parquet", car_path=folder / "car.toml"))


@pytest.mark.parametrize("case", MENDED)
def test_what_can_be_mended_changes_little_and_is_reported(short_log, healthy, car_file, tmp_path, capsys, case):
    spoil, code = MENDED[case]
    status, error, result = run(spoil(short_log), car_file, tmp_path, capsys)
    assert status == 0 and not error, error
    codes = {q["code"] for q in result["quality"]}
    assert code is None or code in codes
    assert not {"dropout", "gap"} <= codes  # one silence is told once
    before, after = ([p["locking_torque_Nm"] for p in r["lock_curve"]["points"]] for r in (healthy, result))
    at = [i for i, (x, y) in enumerate(zip(before, after, strict=True)) if x is not None and y is not None]
    assert len(at) > 10
    change = np.array([after[i] - before[i] for i in at])
    points = [healthy["lock_curve"]["points"][i] for i in at]
    width = np.median([p["upper_Nm"] - p["lower_Nm"] for p in points])
    assert np.median(np.abs(change)) < 0.25 * width


def test_one_lap_is_answered_or_refused_but_never_with_a_tight_interval(short_log, car_file, tmp_path, capsys):
    status, error, result = run(short_log[short_log["lap"] == 1], car_file, tmp_path, capsys)
    assert status in (0, 3)
    if status == 3:
        assert_plain(error)
    else:
        preload = result["lock_curve"]["preload_Nm"]
        assert preload["value"] is None or preload["upper"] - preload["lower"] > 40


def test_an_empty_file_is_refused(car_file, tmp_path, capsys):
    for name in ("empty.csv", "empty.parquet"):
        (tmp_path / name).write_bytes(b"")
        assert main(["analyze", str(tmp_path / name), "--car", str(car_file)]) == 2
        assert_plain(capsys.readouterr().err, name)


@pytest.mark.parametrize(
    "old, new, words",
    [
        ("wheelbase_m = 2.42", "wheelbase = 2.42", ("wheelbase", "did you mean 'wheelbase_m'")),
        ("mass_kg = 1180", "", ("mass_kg", "missing")),
        ("mass_kg = 1180", "mass_kg = 1180000", ("mass_kg", "1180000", "grams: divide by 1000 (1180)")),
        ("mass_kg = 1180", "mass_kg = 11800", ("mass_kg", "allowed: 150 to 5000", "Check the value and its unit")),
        ("mass_kg = 1180", "mass_kg = 1180,0", ("line 3", "decimal point")),
        ("[car]", "[differential]", ("[car]", "--setup")),
        ("wheelbase_m = 2.42", "wheelbase_m = 2420", ("wheelbase_m", "allowed: 1 to 5", "divide by 1000")),
        ("rear_track_m = 1.47", "rear_track_m = 57.9", ("rear_track_m", "inches")),
        ("rear_track_m = 1.47", "rear_track_m = 63", ("rear_track_m", "inches: multiply by 0.0254 (1.6), or centi")),
        ("cg_height_m = 0.47", "cg_height_m = 18.5", ("cg_height_m", "looks like inches", "(0.4699)")),
        ("front_rolling_radius_m = 0.312", "front_rolling_radius_m = 0.624", ("diameter in metres: multiply by 0.5",)),
        ("front_rolling_radius_m = 0.312", "front_rolling_radius_m = 12.3", ("looks like inches", "(0.3124)")),
        ("front_rolling_radius_m = 0.312", "front_rolling_radius_m = 624", ("diameter in millimetres",)),
        ("mass_kg = 1180", "mass_kg = 1180\nmass_kg = 1200", ("'mass_kg' stands twice, in lines 3 and 4",)),
        ("mass_kg = 1180", "mass_kg = 1180\n[car]", ("'[car]' stands twice, in lines 1 and 4",)),
        ("front_weight_fraction = 0.46", "front_weight_fraction = 46", ("front_weight_fraction", "divide by 100")),
        ("cg_height_m = 0.47", "cg_height_m = 47", ("cg_height_m", "divide by 100")),
        ("mass_kg = 1180", "mass_kg = 'heavy'", ("mass_kg", "heavy", "plain number")),
        ("mass_kg = 1180", "mass_kg = nan", ("mass_kg", "nan")),
        ("mass_kg = 1180", "mass_kg = ", ("line 3",)),
        ("[car]", "[vehicle]", ("[car]", "vehicle")),
        ("steering_ratio = 14.5", "steering_ratio = 14.5\nyaw_inertia_kg_m2 = 15", ("yaw_inertia_kg_m2",)),
    ],
)
def test_a_wrong_car_file_is_named_with_key_range_and_mend(short_log, car_file, tmp_path, capsys, old, new, words):
    text = car_file.read_text()
    assert old in text
    car_file.write_text(text.replace(old, new))
    status, error, _ = run(short_log.iloc[:100], car_file, tmp_path, capsys)
    assert status == 2
    assert_plain(error, "car.toml", *words)


def test_no_part_is_blamed_where_the_car_file_leaves_the_load_transfer_out(short_log, car_file, tmp_path):
    log = tmp_path / "log.parquet"
    short_log.to_parquet(log, index=False)
    setup = resources.files("sample_logs") / "baseline.setup.toml"
    full = analyze(log_path=log, car_path=car_file, setup_path=setup)
    assert full.agreement.diagnosis is not None and "rear_load_transfer_fraction" not in answer_words(full)
    car_file.write_text(car_file.read_text().replace("rear_load_transfer_fraction = 0.46", ""))
    silent = analyze(log_path=log, car_path=car_file, setup_path=setup)
    assert silent.agreement.diagnosis is None and "rear_load_transfer_fraction" in answer_words(silent)
    assert not [f for f in silent.findings if f.kind == "setup_contradicted"]
