"""Ramp statics: thrust, locking value, and the shape of a car maker's lock table. Keys: tests/SOURCES.md."""

import math

import numpy as np
import pytest

from analyzer.differential.locking import locking_value, torque_bias_ratio
from analyzer.differential.plates import pack_torque_Nm
from analyzer.differential.ramps import ring_face_angle_rad, thrust_N_per_Nm


# derived (statics of two rings that share the torque): T 400 N.m, r 0.040, Rm 0.045, mu 0.1, z 8, no preload
@pytest.mark.parametrize(
    ("angle_deg", "thrust_N", "pack_Nm", "s", "ratio"),
    [
        (45, 5000.0, 180.0, 0.9, 19.0),
        (60, 2886.75, 103.923, 0.5196, 3.163),
        (75, 1339.75, 48.231, 0.2412, 1.636),
    ],
)
def test_thrust_pack_torque_and_locking_value(angle_deg, thrust_N, pack_Nm, s, ratio):
    thrust = 400 * thrust_N_per_Nm(ramp_angle_rad=math.radians(angle_deg), pin_radius_m=0.040)
    torque = pack_torque_Nm(friction_coefficient=0.1, friction_faces=8, friction_radius_m=0.045, clamp_N=thrust)
    value = locking_value(locking_torque_Nm=2 * torque, input_torque_Nm=400)
    assert thrust == pytest.approx(thrust_N, abs=0.01)
    assert torque == pytest.approx(pack_Nm, abs=0.001)
    assert value == pytest.approx(s, abs=1e-4)
    assert torque_bias_ratio(value) == pytest.approx(ratio, abs=1e-3)


def test_thirty_degrees_can_send_all_torque_to_one_wheel():
    s = 0.1 * 8 * 0.045 * 2 * thrust_N_per_Nm(ramp_angle_rad=math.radians(30), pin_radius_m=0.040)
    assert s > 1
    assert torque_bias_ratio(s) == math.inf


def test_virtual_work_of_the_wedge():
    # derived: as the pin moves r dphi round the axis, a ramp at theta from the face lets each ring out by
    # r dphi tan(theta); the work T dphi goes into two rings, 2 F dx
    theta, r, dphi = math.radians(52), 0.041, 1e-3
    dx = r * dphi * math.tan(theta)
    thrust = thrust_N_per_Nm(ramp_angle_rad=theta, pin_radius_m=r)
    assert 2 * thrust * dx == pytest.approx(1.0 * dphi)


def test_flat_ramp_gives_no_thrust_in_either_convention():
    assert thrust_N_per_Nm(ramp_angle_rad=math.radians(90), pin_radius_m=0.04) == 0
    flat = ring_face_angle_rad(math.radians(0), reference="shaft_axis")
    assert thrust_N_per_Nm(ramp_angle_rad=flat, pin_radius_m=0.04) == 0


@pytest.mark.parametrize("face_deg", [20, 30, 45, 60, 83.5])
def test_both_conventions_mean_one_ramp(face_deg):
    face = ring_face_angle_rad(math.radians(face_deg), reference="ring_face")
    assert ring_face_angle_rad(math.radians(90 - face_deg), reference="shaft_axis") == pytest.approx(face)


def test_ramp_friction_costs_thrust_rising_and_keeps_it_falling():
    # derived: cot(theta + phi) rising, cot(theta - phi) falling; 45 deg with phi 5 deg
    phi = math.radians(5)
    kwargs = {"ramp_angle_rad": math.radians(45), "pin_radius_m": 0.04}
    rising = thrust_N_per_Nm(**kwargs, ramp_friction_angle_rad=phi)
    falling = thrust_N_per_Nm(**kwargs, ramp_friction_angle_rad=phi, torque_rising=False)
    assert rising * 0.08 == pytest.approx(math.tan(math.radians(40)))
    assert falling * 0.08 == pytest.approx(math.tan(math.radians(50)))
    assert thrust_N_per_Nm(ramp_angle_rad=math.radians(88), pin_radius_m=0.04, ramp_friction_angle_rad=phi) == 0
    jams = {"ramp_angle_rad": math.radians(4), "ramp_friction_angle_rad": phi, "torque_rising": False}
    assert thrust_N_per_Nm(pin_radius_m=0.04, **jams) == math.inf


def test_a_car_makers_lock_table_follows_faces_and_cotangent():
    # [RAMPTABLE] (read): lock % by (ramp angle from the ring's face, friction faces listed), rounded to whole per cent
    table = {
        (80, 2): 13, (60, 2): 19, (80, 4): 25, (45, 2): 27, (80, 6): 38,
        (60, 4): 39, (30, 2): 39, (45, 4): 53, (60, 6): 58,
    }  # fmt: skip
    faces = np.array([z for _, z in table], dtype=float)
    # pin radius 0.5 m makes the thrust per newton-metre the cotangent itself
    cot = np.array([thrust_N_per_Nm(ramp_angle_rad=math.radians(a), pin_radius_m=0.5) for a, _ in table])
    lock = np.array(list(table.values()), dtype=float)
    model = np.column_stack([faces, faces * cot])
    (constant, per_cot), *_ = np.linalg.lstsq(model, lock, rcond=None)
    assert np.abs(model @ [constant, per_cot] - lock).max() <= 0.5  # within the table's rounding
    assert per_cot > constant > 0  # the constant is lock without ramp thrust, which this project does not predict
