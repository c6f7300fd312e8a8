"""Wheel loads against worked examples and statics."""

import math

import numpy as np
import pytest

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.tyres import wheel_loads

NONE = np.zeros(1)


def loads(**changes):
    figures = dict(
        mass_kg=1180.0,
        wheelbase_m=2.42,
        cg_height_m=0.47,
        front_weight_fraction=0.45,
        front_track_m=1.45,
        rear_track_m=1.47,
        rear_transfer_share=0.44,
        roll_gradient_rad_per_g=0.0,
        long_m_s2=NONE,
        lat_m_s2=NONE,
        downforce_N=NONE,
        front_downforce_share=0.4,
    )
    return np.array(wheel_loads(**(figures | changes)))[:, 0]


def test_longitudinal_transfer_is_the_textbook_one():
    # [MERIAM] sample 6/1 (statement read, answers recalled): 3220 lb, cg 60 in from both axles and 24 in high, rear
    # drive, 4.84 ft/s2 up a 10 % grade: 1441 lb front, 1763 lb rear, 804 lb of drive. On the grade the accelerometer
    # of a level-frame car reads a + g sin, and the weight on the road is W cos.
    grade = math.atan(0.1)
    pound, foot, inch = 0.45359237, 0.3048, 0.0254
    specific = (4.84 * foot + STANDARD_GRAVITY_M_S2 * math.sin(grade)) / math.cos(grade)
    fl, fr, rl, rr = loads(
        mass_kg=3220 * pound * math.cos(grade),
        wheelbase_m=120 * inch,
        cg_height_m=24 * inch,
        front_weight_fraction=0.5,
        long_m_s2=np.array([specific]),
    )
    to_pounds = 1 / (STANDARD_GRAVITY_M_S2 * pound)
    assert (fl + fr) * to_pounds == pytest.approx(1441, abs=1.5)
    assert (rl + rr) * to_pounds == pytest.approx(1763, abs=1.5)
    assert 3220 * pound * math.cos(grade) * specific * to_pounds == pytest.approx(804, abs=1.5)


# [CHASSIS2018] p. 174 (read), N per wheel, at 0.6 g and 1.46 m track: front, rear
LINK, UNSPRUNG, ROLL, TOTAL = (195, 760), (158, 218), (1556, 671), (1909, 1649)
LATERAL = np.array([0.6 * 9.81])


@pytest.mark.parametrize(
    "mass, height, rear_share, published, which",
    [
        (1280 * 0.54, 0.07, 0.0, LINK[0], "front"),
        (1280 * 0.46, 0.32, 1.0, LINK[1], "rear"),
        (140, 0.28, 0.0, UNSPRUNG[0], "front"),
        (180, 0.30, 1.0, UNSPRUNG[1], "rear"),
    ],
)
def test_single_paths_of_lateral_transfer_are_the_textbook_ones(mass, height, rear_share, published, which):
    fl, fr, rl, rr = loads(
        mass_kg=mass, cg_height_m=height, rear_transfer_share=rear_share, lat_m_s2=LATERAL,
        front_track_m=1.46, rear_track_m=1.46,
    )  # fmt: skip
    moved = (fr - fl) / 2 if which == "front" else (rr - rl) / 2
    assert moved == pytest.approx(published, abs=1.0)


def test_one_share_gathers_roll_link_and_unsprung_transfer():
    # the car file's one share stands for all three paths: share and height from the published parts, loads as published
    front, rear = (sum(part[i] for part in (LINK, UNSPRUNG, ROLL)) for i in (0, 1))
    mass = 1280 + 140 + 180
    height = (front + rear) * 1.46 / (mass * LATERAL[0])
    fl, fr, rl, rr = loads(
        mass_kg=mass, cg_height_m=height, rear_transfer_share=rear / (front + rear), lat_m_s2=LATERAL,
        front_track_m=1.46, rear_track_m=1.46,
    )  # fmt: skip
    assert (fr - fl) / 2 == pytest.approx(TOTAL[0], abs=1.0)
    assert (rr - rl) / 2 == pytest.approx(TOTAL[1], abs=1.0)


def test_loads_balance_weight_downforce_and_both_moments():
    # derived: three equations of statics, both accelerations and downforce at once
    ax, ay, down = 2.0, -6.0, 700.0
    fl, fr, rl, rr = loads(long_m_s2=np.array([ax]), lat_m_s2=np.array([ay]), downforce_N=np.array([down]))
    weight = 1180 * STANDARD_GRAVITY_M_S2
    assert fl + fr + rl + rr == pytest.approx(weight + down)
    assert (fr - fl) * 1.45 / 2 + (rr - rl) * 1.47 / 2 == pytest.approx(1180 * ay * 0.47)
    assert (rl + rr) == pytest.approx(weight * 0.55 + 0.6 * down + 1180 * ax * 0.47 / 2.42)
    assert (rr - rl) * 1.47 / 2 / (1180 * ay * 0.47) == pytest.approx(0.44)


def test_a_wheel_in_the_air_keeps_the_least_load():
    assert loads(lat_m_s2=np.array([25.0])).min() == 50.0


@pytest.mark.parametrize("lateral, share", [(9.0, 0.3), (-9.0, 0.3), (9.0, 0.8), (-9.0, 0.8), (15.0, 0.3)])
def test_the_axle_on_both_wheels_holds_what_a_lifted_one_cannot(lateral, share):
    # statics of a rigid body: whatever is off the road, the loads hold the weight up and the moment m a_y h at bay,
    # until both inner wheels are off
    figures = dict(mass_kg=1000.0, cg_height_m=0.55, front_weight_fraction=0.5, front_track_m=1.4, rear_track_m=1.5)
    front_left, front_right, rear_left, rear_right = every = loads(
        **figures, lat_m_s2=np.array([lateral]), rear_transfer_share=share, least_N=0.0
    )
    assert every.sum() == pytest.approx(1000 * STANDARD_GRAVITY_M_S2)
    moment = (front_right - front_left) * 1.4 / 2 + (rear_right - rear_left) * 1.5 / 2
    tips_at = 1000 * STANDARD_GRAVITY_M_S2 * (0.5 * 1.4 + 0.5 * 1.5) / 2
    assert moment == pytest.approx(np.clip(1000 * lateral * 0.55, -tips_at, tips_at))
    lifted = front_left if share < 0.5 else rear_left
    assert (lifted if lateral > 0 else front_right if share < 0.5 else rear_right) == 0


@pytest.mark.parametrize("turning_m_s2", [0.0, 4.0, -4.0])
def test_a_cross_weight_goes_on_one_diagonal_and_leaves_axles_and_sides(turning_m_s2):
    """By its definition, and by the moment of each axle, which the other one holds."""
    lat = np.array([turning_m_s2])
    plain, crossed = loads(lat_m_s2=lat), loads(lat_m_s2=lat, cross_weight=0.02)
    weight = 1180 * STANDARD_GRAVITY_M_S2
    assert crossed.sum() == pytest.approx(weight)
    assert (crossed[1] + crossed[2] - plain[1] - plain[2]) / weight == pytest.approx(0.02)
    assert crossed[:2].sum() == pytest.approx(plain[:2].sum())
    moved = crossed - plain
    assert (moved[1] - moved[0]) * 1.45 == pytest.approx((moved[2] - moved[3]) * 1.47)
