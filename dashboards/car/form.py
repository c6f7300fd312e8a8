"""The car file as a form."""

from typing import Any, cast

from dash import html

from analyzer.vehicle.car import Car
from dashboards.figures_form import FileForm, Part

MEASURES = html.Img(
    src="/assets/car.svg",
    className="drawing",
    alt="From the side: wheelbase, height of the centre of gravity, rolling radius. From behind: track, and how far it "
    "leans.",
)
SENSOR = html.Img(
    src="/assets/sensor.svg",
    className="drawing",
    alt="From above: the accelerometer sits x ahead of the centre of gravity and y to its left.",
)
FORM = FileForm(
    name="figure",
    model=Car,
    table="car",
    parts=(
        Part(
            "Weight and size",
            "",
            (
                "name",
                "mass_kg",
                "wheelbase_m",
                "front_weight_fraction",
                "cg_height_m",
                "front_track_m",
                "rear_track_m",
            ),
            open=True,
            drawing=MEASURES,
        ),
        Part(
            "Wheels and steering",
            "",
            (
                "front_rolling_radius_m",
                "rear_rolling_radius_m",
                "steering_ratio",
                "wheel_inertia_kg_m2",
                "rolling_radius_load_percent",
            ),
            open=True,
        ),
        Part(
            "Load transfer and body",
            "",
            (
                "rear_load_transfer_fraction",
                "roll_gradient_deg_per_g",
                "pitch_gradient_deg_per_g",
                "yaw_inertia_kg_m2",
            ),
            open=True,
        ),
        Part(
            "Where the accelerometer sits",
            "",
            ("accelerometer_x_m", "accelerometer_y_m", "accelerometer_z_m", "accelerometer_leans"),
            drawing=SENSOR,
        ),
        Part(
            "Air, brakes and rolling",
            "",
            (
                "drag_area_m2",
                "downforce_area_m2",
                "downforce_front_fraction",
                "front_brake_fraction",
                "rolling_resistance",
            ),
        ),
        Part("Tyre, to start from (the log tells the rest)", "tyre"),
        Part("How sure you are: limits, plus and minus", "uncertainty"),
    ),
)


def typed(values: list[Any], ids: list[dict[str, str]]) -> Car:
    """The car that the form's fields say.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    return cast(Car, FORM.checked(FORM.tables(values, ids)))
