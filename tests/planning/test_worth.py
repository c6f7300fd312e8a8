"""What a figure of the car file is worth: how far the answer moves when it is off."""

from importlib import resources
from pathlib import Path

import pytest

from analyzer.errors import InputError
from analyzer.pipeline import analyze
from analyzer.planning import worth as module
from analyzer.planning.worth import figures_of, put_off, worth
from analyzer.vehicle.car import Car, load_car

SAMPLES = Path(str(resources.files("sample_logs")))
CAR = SAMPLES / "club_car.toml"


def test_a_figure_is_put_off_by_the_limit_that_the_car_file_states():
    car = load_car(CAR)
    sure = Car.model_validate(car.model_dump(exclude_unset=True) | {"uncertainty": {"cg_height_percent": 3.0}})
    assert figures_of(car)["cg_height_m"] == (pytest.approx(0.1 * car.cg_height_m), 10.0, True)
    assert figures_of(sure)["cg_height_m"] == (pytest.approx(0.03 * car.cg_height_m), 3.0, True)
    assert figures_of(car)["wheelbase_m"][1:] == (5.0, False)  # no limit of it in a car file


def test_what_the_file_leaves_open_and_what_is_zero_is_left_out():
    figures = figures_of(load_car(CAR))
    assert "downforce_area_m2" not in figures  # zero: no per cent of it
    assert "accelerometer_x_m" not in figures  # not stated: the log tells it


def test_at_the_end_of_its_range_a_figure_goes_the_other_way():
    car = Car.model_validate(load_car(CAR).model_dump(exclude_unset=True) | {"cg_height_m": 1.5})
    assert put_off(car, "cg_height_m", 0.1).cg_height_m == pytest.approx(1.4)
    with pytest.raises(InputError, match="cannot be moved"):
        put_off(car, "cg_height_m", 10.0)


def test_it_is_what_two_analyses_differ_by(monkeypatch, tmp_path):
    """Against the command's own analysis with a car file that says the other figure; and a radius, which the log tells
    by itself, is worth next to nothing beside the height of the centre of gravity, which it cannot tell."""
    car = load_car(CAR)
    two = {name: figures_of(car)[name] for name in ("front_rolling_radius_m", "cg_height_m")}
    monkeypatch.setattr(module, "figures_of", lambda _: two)
    told = []
    found = worth(
        log_paths=[SAMPLES / "baseline.parquet"], car=car, progress=lambda step, share: told.append((step, share))
    )
    height, radius = found  # the one that moves the answer most comes first
    assert (height.figure, radius.figure) == ("cg_height_m", "front_rolling_radius_m")
    other = tmp_path / "higher.toml"
    other.write_text(
        CAR.read_text("utf-8").replace("cg_height_m = 0.45", f"cg_height_m = {0.45 + height.step}"), "utf-8"
    )
    before, after = (analyze(log_path=SAMPLES / "baseline.parquet", car_path=path).lock_curve for path in (CAR, other))
    for name, moved in height.moved.items():
        assert moved == pytest.approx(after.parameters[name].value - before.parameters[name].value, rel=1e-6)
    for name in ("drive_slope", "coast_slope"):
        assert abs(radius.moved[name]) < 0.1 * abs(height.moved[name])
    assert [step for step, _ in told][1:] == ["with another front_rolling_radius_m", "with another cg_height_m"]
    assert [share for _, share in told] == sorted(share for _, share in told)
