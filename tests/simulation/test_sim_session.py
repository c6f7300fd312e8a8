"""Whole sessions: limit cases, what the packs may do, determinism, log against truth."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from analyzer.channels import CHANNELS, STANDARD_GRAVITY_M_S2
from analyzer.errors import InputError
from analyzer.simulation import plain_car
from analyzer.simulation.circuit import demo_circuit, generated_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import Driver, LockParameters
from analyzer.simulation.simulated_session import simulate_session

PLATE = LockParameters(preload_Nm=40, drive_slope=0.15, coast_slope=0.1)
OPEN, SPOOL = LockParameters(kind="open"), LockParameters(kind="spool")


def test_open_differential_never_splits_the_torque(drive_lap):
    truth = drive_lap(OPEN).truth
    assert truth["torque_left_minus_right"].abs().max() == 0
    assert not truth["locked"].any() and truth["speed_difference"].abs().max() > 2


def test_spool_never_lets_the_wheels_differ(drive_lap):
    truth = drive_lap(SPOOL).truth
    assert truth["speed_difference"].abs().max() == 0
    assert truth["locked"].all() and np.isinf(truth["locking_capacity"]).all()


def test_packs_obey_the_lock_curve(drive_lap):
    truth = drive_lap(PLATE).truth
    difference, torque = truth["speed_difference"], truth["torque_left_minus_right"]
    curve = truth["input_torque"].map(PLATE.locking_torque)
    locked = truth["locked"]
    assert 0.2 < locked.mean() < 0.8
    assert (torque.abs() <= truth["locking_capacity"] + 1e-6)[locked].all()
    assert difference[locked].abs().max() < 1e-9
    assert torque.abs()[~locked].to_numpy() == pytest.approx(truth["locking_capacity"][~locked].to_numpy(), abs=1e-6)
    slipping = ~locked & (difference.abs() > 1e-6)
    assert (np.sign(torque) == -np.sign(difference))[slipping].all()  # from the faster to the slower wheel, [VSD2015]
    # the step's fixed point leaves a small fraction of a newton-metre
    assert truth["locking_capacity"].to_numpy() == pytest.approx(curve.to_numpy(), abs=1.0)


def test_little_lock_spins_the_inside_rear_and_much_lock_does_not(drive_lap):
    def inside_slip(lock):
        truth = drive_lap(lock).truth
        turning = truth["lateral_acceleration"].abs() > 2.5
        inside = truth["slip_left"].where(truth["yaw_rate"] > 0, truth["slip_right"])
        return inside[turning & (truth["throttle"] > 0.3)].max()

    assert inside_slip(OPEN) > 0.25
    assert inside_slip(LockParameters(preload_Nm=80, drive_slope=0.5)) < 0.15


def test_mirrored_circuit_gives_mirrored_truth(drive_lap):
    left, right = (drive_lap(PLATE, mirrored=m, variability=0.0).truth for m in (False, True))
    n = min(len(left), len(right))
    assert abs(len(left) - len(right)) <= 1
    for name, size in (("yaw_rate", 1), ("torque_left_minus_right", 300), ("y", 400)):
        assert right[name][:n].to_numpy() == pytest.approx(-left[name][:n].to_numpy(), abs=1e-3 * size)
    assert right["slip_left"][:n].to_numpy() == pytest.approx(left["slip_right"][:n].to_numpy(), abs=1e-3)


def test_forces_of_the_truth_move_the_car(drive_lap, club_car):
    # Newton: m a_x = sum F_x - drag, in the truth's own columns at the same instant; steer turns the front forces
    truth = drive_lap(PLATE).truth
    c, s = np.cos(truth["steer"]), np.sin(truth["steer"])
    front = (truth["fx_fl"] + truth["fx_fr"]) * s + (truth["fy_fl"] + truth["fy_fr"]) * c
    lateral = (front + truth["fy_rl"] + truth["fy_rr"]) / club_car.mass_kg
    assert lateral.to_numpy() == pytest.approx(truth["lateral_acceleration"].to_numpy(), abs=1.0)
    assert np.corrcoef(lateral, truth["lateral_acceleration"])[0, 1] > 0.999
    weight = truth[["load_fl", "load_fr", "load_rl", "load_rr"]].sum(axis=1)
    assert weight.to_numpy() == pytest.approx(club_car.mass_kg * STANDARD_GRAVITY_M_S2, rel=1e-6)


def test_seed_fixes_everything_and_sensors_do_not_change_the_drive(club_car):
    def drive(seed, **sensors):
        return simulate_session(
            car=club_car,
            lock=PLATE,
            circuit=generated_circuit(3),
            laps=1,
            seed=seed,
            sensors=Sensors(**sensors),
        )

    first, again, other = drive(1), drive(1), drive(2)
    assert first.log.equals(again.log) and first.truth.equals(again.truth)
    assert not first.truth["vx"].equals(other.truth["vx"])
    few = drive(1, channels="minimum", yaw_bias_deg_s=5.0)
    assert few.truth.equals(first.truth)
    assert list(few.log) == [
        "time",
        "wheel_speed_fl",
        "wheel_speed_fr",
        "wheel_speed_rl",
        "wheel_speed_rr",
        "throttle",
        "steer",
        "lat_g",
    ]
    half = drive(1, rate_Hz=50.0).truth
    assert half["x"].to_numpy() == pytest.approx(first.truth["x"].to_numpy()[1::2], abs=1e-12)


def test_log_says_what_the_truth_is_up_to_its_sensors(drive_lap, club_car):
    session = drive_lap(PLATE)
    log, truth = session.log, session.truth
    assert set(log) <= set(CHANNELS) and len(log) == len(truth)
    radius_km_h = 3.6 * club_car.rear_rolling_radius_m
    for wheel in ("fl", "fr", "rl", "rr"):
        # the pulse timer lags by half a sample and each wheel has its scale (0.4 % sd), so 1.5 % on the median
        ratio = log[f"wheel_speed_{wheel}"] / (truth[f"w_{wheel}"] * radius_km_h)
        assert ratio[10:].median() == pytest.approx(1, abs=0.015)
        assert (ratio[10:] - ratio[10:].median()).abs().quantile(0.9) < 0.01
    gyro = log["yaw_rate"] - np.degrees(truth["yaw_rate_mean"])
    assert gyro.std() == pytest.approx(0.15, rel=0.15)
    assert np.corrcoef(log["lat_g"], truth["lateral_acceleration"])[0, 1] > 0.99
    assert log["lap"].unique().tolist() == [1]
    # position: an arc minute of latitude is a nautical mile (1852 m) to half a per cent
    north = (log["latitude"] - log["latitude"].iloc[0]) * 60 * 1852
    assert north.to_numpy() == pytest.approx((truth["y"] - truth["y"].iloc[0]).to_numpy(), abs=8)


def test_falling_friction_on_winding_shafts_chatters(club_car):
    """Stick-slip: how often the packs let go in a lap. It takes both, friction that falls and a shaft that winds up."""

    def releases(static_ratio, stiffness):
        lock = LockParameters(
            preload_Nm=100,
            drive_slope=0.2,
            static_ratio=static_ratio,
            falling_speed_rad_s=2.0,
            shaft_stiffness_Nm_rad=stiffness,
        )
        truth = simulate_session(car=club_car, lock=lock, circuit=demo_circuit(), laps=1, seed=5).truth
        return int((truth["locked"].astype(int).diff() == -1).sum())

    smooth = releases(1.0, 0.0)
    assert smooth < 60
    assert releases(1.0, 3000.0) < 60 and releases(1.6, 0.0) < 60
    assert releases(1.6, 3000.0) > 4 * smooth


def test_packs_warm_up_and_fade(club_car):
    lock = LockParameters(preload_Nm=200, drive_slope=0.4, fade_per_K=0.01, heat_capacity_J_K=400.0, cooling_W_K=0.0)
    truth = simulate_session(
        car=club_car, lock=lock, circuit=demo_circuit(), laps=1, seed=5, start_temperature_degC=60.0
    ).truth
    assert truth["diff_temperature"].max() > 65
    share = truth["locking_capacity"] / truth["input_torque"].map(lock.locking_torque)
    expected = 1 - 0.01 * (truth["diff_temperature"] - 60)
    assert share.to_numpy() == pytest.approx(expected.to_numpy(), abs=0.02)


@pytest.mark.parametrize("laps, rate", [(0, 100.0), (1, 30.0), (1, 0.0), (1, float("nan")), (1, 1e-9)])
def test_impossible_sessions_are_refused(club_car, laps, rate):
    with pytest.raises(InputError, match="allowed"):
        simulate_session(
            car=club_car, lock=PLATE, circuit=demo_circuit(), laps=laps, seed=1, sensors=Sensors(rate_Hz=rate)
        )


@pytest.mark.parametrize("circuit", [demo_circuit(), generated_circuit(1), generated_circuit(2)], ids=lambda c: c.name)
def test_circuits_close_and_curve_as_they_say(circuit):
    step = np.hypot(np.diff(circuit.x_m, append=circuit.x_m[0]), np.diff(circuit.y_m, append=circuit.y_m[0]))
    assert step == pytest.approx(circuit.step_m, rel=0.02)
    # the curvature's integral is one full turn, either way; nodes are even to a per cent, so half a per cent here
    assert abs(circuit.curvature_1_m.sum() * circuit.step_m) == pytest.approx(2 * np.pi, rel=5e-3)
    assert 10 < 1 / np.abs(circuit.curvature_1_m).max() < 40
    assert (circuit.curvature_1_m > 0.01).any() and (circuit.curvature_1_m < -0.01).any()


@pytest.mark.parametrize("lock", [OPEN, LockParameters(), SPOOL], ids=lambda lock: lock.kind)
@pytest.mark.parametrize("mass, front", [(760, 0.45), (1500, 0.52)])
def test_light_and_heavy_cars_stay_near_the_line(club_car, lock, mass, front):
    car = club_car.model_copy(update={"mass_kg": float(mass), "front_weight_fraction": front, "cg_height_m": 0.42})
    truth = simulate_session(
        car=car, lock=lock, circuit=generated_circuit(2), laps=1, seed=3, driver=Driver(variability=1.0)
    ).truth
    assert truth["offset"].abs().max() < 8
    assert np.degrees(np.arctan2(truth["vy"], truth["vx"])).abs().max() < 15


PLAIN = """
import sys
if {plain}:
    sys.modules["numba"] = None
from analyzer.simulation.circuit import circuit_from_corners
from analyzer.simulation.plain_car import IS_COMPILED
from analyzer.simulation.simulated_car import LockParameters
from analyzer.simulation.simulated_session import simulate_session
from analyzer.vehicle.car import Car
car = Car.model_validate_json(sys.argv[1])
corners = [(0, 0, 20), (170, 0, 14), (170, 70, 18), (110, 70, 12), (110, 110, 12), (0, 110, 25)]
circuit = circuit_from_corners(name="short", corners_m=corners)
truth = simulate_session(car=car, lock=LockParameters(), circuit=circuit, laps=1, seed=1).truth
print(IS_COMPILED, len(truth), *(float(truth[c].abs().sum()) for c in ("x", "torque_left_minus_right", "slip_left")))
"""


def test_compiled_loops_are_kept_nowhere_for_a_user_without_a_home(monkeypatch, tmp_path):
    (tmp_path / "no folder").touch()
    monkeypatch.setattr(plain_car, "_HERE", tmp_path / "no folder")

    def no_home(path):
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "expanduser", no_home)
    assert plain_car._kept_code_folder() is None


@pytest.mark.slow
def test_plain_python_gives_what_the_compiler_gives(club_car):
    pytest.importorskip("numba")
    results = []
    for plain in (True, False):
        before = os.times()
        done = subprocess.run(
            [sys.executable, "-c", PLAIN.format(plain=plain), club_car.model_dump_json()],
            capture_output=True,
            text=True,
            check=True,
        )
        is_compiled, *values = done.stdout.split()
        assert is_compiled == str(not plain)
        # of the processor, whatever else the machine does; a lap is about 28 s
        assert os.times().children_user - before.children_user < 10
        results.append([float(v) for v in values])
    assert results[0] == pytest.approx(results[1], rel=1e-6)
