"""The car file as a form."""

import io
import json
import tomllib

import pytest
from form_fields import fields_of

from analyzer.errors import InputError
from analyzer.vehicle.car import Car, CarUncertainty, Tyre, load_car
from dashboards.car_page import FORM, SHARED, told, typed

FULL = """
[car]
name = "every key"
mass_kg = 1180
wheelbase_m = 2.42
front_weight_fraction = 0.413
cg_height_m = 0.47
front_track_m = 1.45
rear_track_m = 1.47
front_rolling_radius_m = 0.312
rear_rolling_radius_m = 0.3125
steering_ratio = 14.5
yaw_inertia_kg_m2 = 1650
wheel_inertia_kg_m2 = 1.1
engine_inertia_kg_m2 = 0.15
rear_load_transfer_fraction = 0.44
roll_gradient_deg_per_g = 2.5
pitch_gradient_deg_per_g = 1.5
rolling_radius_load_percent = 0.4
accelerometer_x_m = -0.2
accelerometer_y_m = 0.1
accelerometer_z_m = -0.05
accelerometer_leans = true
drag_area_m2 = 0.62
downforce_area_m2 = 0.1
downforce_front_fraction = 0.4
front_brake_fraction = 0.62
rolling_resistance = 0.013
[car.tyre]
peak_friction = 1.3
peak_friction_percent = 12
slip_stiffness = 21
cornering_stiffness_per_rad = 17
[car.uncertainty]
mass_percent = 1
cg_height_percent = 8
load_transfer_percent = 12
drag_percent = 10
downforce_percent = 20
track_percent = 0.3
wheel_inertia_percent = 10
engine_inertia_percent = 12
rolling_radius_percent = 1
rolling_radius_load_percent = 0.05
accelerometer_place_m = 0.02
roll_gradient_deg_per_g = 0.4
"""


def test_every_key_of_a_car_file_survives_form_and_saving(logbook, tmp_path):
    stored = logbook.store("car", "full.toml", io.BytesIO(FULL.encode()), None)
    ids, values = zip(*fields_of(FORM.sections(SHARED.values_of(logbook, stored.key))), strict=True)
    (tmp_path / "saved.toml").write_text(FORM.to_toml(typed(list(values), list(ids))), "utf-8")
    assert tomllib.loads((tmp_path / "saved.toml").read_text("utf-8")) == tomllib.loads(FULL)
    # nothing that a car file may say is left out of the form
    said = tomllib.loads(FULL)["car"]
    assert set(said) == set(Car.model_fields)
    assert set(said["tyre"]) == set(Tyre.model_fields) and set(said["uncertainty"]) == set(CarUncertainty.model_fields)


def test_the_shipped_car_uploaded_fills_the_form(logbook):
    """Its key is `sample`, for the logbook knows its bytes."""
    bytes_of = logbook.file("car", "sample").path.read_bytes()
    stored = logbook.store("car", "mine.toml", io.BytesIO(bytes_of), len(bytes_of))
    filled = {where["key"]: value for where, value in fields_of(SHARED.sections(logbook, stored.key, None))}
    assert filled["mass_kg"] == "1040" and filled["wheelbase_m"] == "2.38"


def test_the_form_refuses_in_the_words_of_the_command_line():
    ids = [{"type": "figure", "table": "", "key": "mass_kg"}]
    with pytest.raises(InputError, match=r"'mass_kg' in .car. is 1\.2; allowed: 150 to 5000"):
        FORM.checked(FORM.tables(["1,2"], ids))
    with pytest.raises(InputError, match="is missing"):
        typed(["1040"], ids)


def test_a_kept_car_is_called_what_it_is_called(logbook):
    car = load_car(logbook.file("car", "sample").path)
    renamed = Car.model_validate(car.model_dump(exclude_unset=True) | {"name": "our car/2 <b>"})
    stored = SHARED.keep(logbook, renamed)
    assert stored.name == "our_car_2_b.toml"
    assert load_car(stored.path) == renamed
    assert stored.key in [f.key for f in logbook.files("car")]


def test_the_page_begins_with_the_run_s_car_and_without_one_empty(ask_page, run_id):
    assert '"sample"' in ask_page("/car", f"?run={run_id}")
    assert "1040" not in ask_page("/car")  # never the invented sample's figures unasked


def test_what_a_figure_is_worth_is_drawn_in_proportion():
    moved = {"preload_Nm": -10.0, "drive_slope": 0.0, "coast_slope": None}
    half = {"preload_Nm": 1.0, "drive_slope": 0.01, "coast_slope": 0.0}
    found = [
        {"figure": "cg_height_m", "step": 0.045, "percent": 10.0, "stated": True, "moved": moved},
        {"figure": "accelerometer_x_m", "step": 0.05, "percent": None, "stated": True, "moved": half},
    ]
    shown = json.dumps(told(found).to_plotly_json(), default=lambda c: c.to_plotly_json())
    assert '"width": "100.0%"' in shown and '"width": "50.0%"' in shown  # 0.01 at 500 N.m is 5 of 10 N.m
    assert "+10.0 %" in shown and "+0.05 m" in shown and "\\u2013" in shown
