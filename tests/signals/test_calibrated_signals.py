"""Time base, yaw rate, calibration and path on made signals whose answer is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from signals.made_session import CAR, made_session, recording

from analyzer.errors import CannotTell
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals import biases
from analyzer.signals.calibrate import prepare
from analyzer.signals.kinematics import dead_reckoned, from_position, smooth_yaw_rate
from analyzer.signals.timebase import low_pass, to_uniform

# ---- time base


def test_uneven_times_become_even_and_keep_a_line():
    rng = np.random.default_rng(1)
    time = np.cumsum(0.02 * (1 + 0.2 * rng.uniform(-1, 1, 1000)))
    time -= time[0]
    even = to_uniform(recording(time, throttle=3 * time + 1), needed=frozenset({"throttle"}))
    assert np.ptp(np.diff(even.time_s)) < 1e-9 and even.rate_hz == pytest.approx(50, rel=0.02)
    inner = slice(1, -2)
    assert even.channels["throttle"][inner] == pytest.approx(3 * even.time_s[inner] + 1, abs=1e-9)
    assert even.valid.all() and not even.gaps


def test_fast_logs_are_averaged_down_without_a_delay():
    time = np.arange(0, 20, 0.002)
    even = to_uniform(recording(time, throttle=time), needed=frozenset())
    assert even.rate_hz == 100
    middle = slice(50, -50)
    assert even.channels["throttle"][middle] == pytest.approx(even.time_s[middle], abs=0.0021)


def test_a_gap_of_a_needed_channel_is_marked_and_of_another_is_not():
    time = np.arange(0, 20, 0.02)
    silent = (time > 5) & (time < 7)
    values = np.where(silent, np.nan, 1.0)
    for needed in (True, False):
        even = to_uniform(recording(time, throttle=values), needed=frozenset({"throttle"} if needed else ()))
        inside = (even.time_s > 5.05) & (even.time_s < 6.95)
        assert even.valid[inside].any() != needed
        assert even.valid[~((even.time_s > 4.9) & (even.time_s < 7.1))].all()
        assert [g.code for g in even.gaps] == (["gap"] if needed else [])


@pytest.mark.parametrize("rate_hz", [200, 1000])
def test_lap_counter_is_read_not_averaged(rate_hz):
    time = np.arange(0, 40, 1 / rate_hz)
    even = to_uniform(recording(time, lap=1.0 + time // 10), needed=frozenset())
    assert set(even.channels["lap"]) == {1.0, 2.0, 3.0, 4.0}
    assert even.time_s[np.flatnonzero(np.diff(even.channels["lap"])) + 1] == pytest.approx([10, 20, 30])


def test_one_gap_of_all_channels_is_one_annotation():
    time = np.concatenate([np.arange(0, 10, 0.02), np.arange(13, 25, 0.02)])
    even = to_uniform(recording(time, throttle=time, steer=time), needed=frozenset({"throttle", "steer"}))
    assert len(even.gaps) == 1 and even.gaps[0].channel is None
    assert even.gaps[0].end_s - even.gaps[0].start_s == pytest.approx(3.02, abs=0.01)


def test_an_excluding_annotation_leaves_the_answer():
    time = np.arange(0, 20, 0.02)
    made = recording(time, throttle=time)
    note = Annotation("stuck", "warning", "throttle", 3.0, 4.0, "stuck.", excludes=True)
    even = to_uniform(Recording(**{**made.__dict__, "annotations": (note,)}), needed=frozenset())
    assert even.valid.sum() == pytest.approx(len(time) - 50, abs=2)


@pytest.mark.parametrize("time, words", [(np.arange(0, 5, 0.01), "10 s"), (np.arange(0, 100, 0.25), "8 Hz")])
def test_too_short_or_slow_cannot_be_told(time, words):
    with pytest.raises(CannotTell, match=words):
        to_uniform(recording(time, throttle=time), needed=frozenset())


def test_low_pass_is_zero_phase_and_halves_at_its_cutoff():
    # Butterworth forwards and backwards: |H|^2, so 1/2 at the cutoff; derived
    time = np.arange(0, 40, 0.01)
    wave = np.sin(2 * math.pi * 5 * time)
    out = low_pass(wave, cutoff_hz=5.0, rate_hz=100.0)
    middle = slice(1000, 3000)
    assert np.dot(out[middle], wave[middle]) / np.dot(wave[middle], wave[middle]) == pytest.approx(0.5, abs=0.01)
    assert low_pass(wave, cutoff_hz=48.0, rate_hz=100.0) is not wave


# ---- yaw rate


def test_smoother_is_the_dense_least_squares_solution():
    rng = np.random.default_rng(2)
    n, rate, roughness = 60, 20.0, 8.0
    z = [np.sin(np.arange(n) / 9) + 0.05 * rng.standard_normal(n) for _ in range(2)]
    sd = [np.full(n, 0.05), np.where(np.arange(n) % 7 == 0, np.inf, 0.1)]
    yaw, spread = smooth_yaw_rate(measurements=z, standard_deviations=sd, rate_hz=rate, roughness_rad_s3=roughness)
    second = np.diff(np.eye(n), n=2, axis=0) * rate**2
    weight = sum(np.where(np.isfinite(s), 1 / s**2, 0) for s in sd)
    precision = np.diag(weight) + second.T @ second / (roughness**2 * rate)
    right = sum(np.where(np.isfinite(s), v / s**2, 0) for v, s in zip(z, sd, strict=True))
    assert yaw == pytest.approx(np.linalg.solve(precision, right), abs=1e-6)
    exact = np.sqrt(np.diag(np.linalg.inv(precision)))
    middle = slice(10, -10)
    ratio = spread[middle] / exact[middle]
    assert 0.9 < np.median(ratio) < 1.4  # a local approximation, on the safe side


@pytest.mark.parametrize("sd", [0.006, 0.05])
def test_the_smoothers_deviation_is_near_that_of_the_dense_problem(sd):
    """Posterior variance of a linear Gaussian problem: the diagonal of the inverse; the code's is a local figure."""
    n, rate, roughness = 400, 50.0, 8.0
    _, stated = smooth_yaw_rate(measurements=[np.zeros(n)], standard_deviations=[np.full(n, sd)], rate_hz=rate)
    second = np.diff(np.eye(n), n=2, axis=0) * rate**2
    precision = np.eye(n) / sd**2 + second.T @ second / (roughness**2 * rate)
    exact = np.sqrt(np.diag(np.linalg.inv(precision)))
    assert stated[n // 2] == pytest.approx(exact[n // 2], rel=0.3)


def test_what_knows_nothing_counts_nothing():
    n = 200
    truth = np.sin(np.arange(n) / 30)
    wild = np.full(n, 50.0)
    yaw, _ = smooth_yaw_rate(
        measurements=[truth, wild], standard_deviations=[np.full(n, 0.01), np.full(n, np.inf)], rate_hz=50.0
    )
    assert np.abs(yaw - truth).max() < 0.01


# ---- calibration on a made session: constant speed, a straight and alternate corners, no noise


def test_what_is_right_is_said_to_be_so_without_a_signed_zero():
    told = {
        s.code: s.message
        for s in prepare(made_session(lat_bias=-0.001, scales=(0, 0, 0.4, -0.3))[0], car=CAR).calibration
    }
    assert told["lateral_bias"] == "lateral acceleration is off by less than 0.01 m/s2 over the session."
    assert told["rear_wheel_scale"] == "rear left is off by +0.70 % against rear right on the straights; taken out."
    assert not any(sign + "0.00" in message for message in told.values() for sign in "+-")


def test_scales_and_biases_are_found_and_taken_out():
    made, yaw, _, true = made_session(scales=(0.3, -0.2, 0.4, -0.3), yaw_bias=0.01, lat_bias=0.15, long_bias=0.1)
    signals = prepare(made, car=CAR)
    step = {s.code: s.value for s in signals.calibration}
    assert step["rear_wheel_scale"] == pytest.approx(0.7, abs=0.03)
    assert step["yaw_rate_bias"] == pytest.approx(math.degrees(0.01), abs=0.06)
    assert step["lateral_bias"] == pytest.approx(0.15, abs=0.03)
    assert step["longitudinal_bias"] == pytest.approx(0.1, abs=0.02)
    inner = slice(200, -200)
    assert signals.yaw_rate_rad_s[inner] == pytest.approx(yaw[inner], abs=0.01)
    # what decides locked or slipping: the rear difference, here free rolling
    got = signals.wheel_speed_m_s[:, 3] - signals.wheel_speed_m_s[:, 2]
    assert got[inner] == pytest.approx((true[3] - true[2])[inner], abs=0.02)


def test_biases_are_found_where_a_car_passes_from_corner_to_corner_without_a_straight():
    # derived: lateral acceleration is v yaw + dv_y/dt. Slowly from left to right and quickly back, so that most samples
    # near zero have a dv_y/dt of -0.17 m/s2, which must not pass for a bias; over the session it adds up to zero
    made, _, speed, _ = made_session()
    time = made.time_s
    yaw = low_pass(np.interp(np.mod(time, 10), [0, 7, 10], [0.4, -0.4, 0.4]), cutoff_hz=1.0, rate_hz=50.0)
    half = np.array([CAR.front_track_m, CAR.front_track_m, CAR.rear_track_m, CAR.rear_track_m]) / 2
    wheels = speed[:, None] + yaw[:, None] * half * [-1, 1, -1, 1]
    channels = {k: v for k, v in made.channels.items() if k != "time"}
    channels |= {n: wheels[:, i] for i, n in enumerate(k for k in channels if k.startswith("wheel"))}
    channels |= {"lat_g": speed * yaw + np.gradient(1.5 * yaw, 0.02) + 0.1, "yaw_rate": yaw + 0.005, "steer": 0.1 * yaw}
    steps = {s.code: s for s in prepare(recording(time, **channels), car=CAR).calibration}
    yaw_bias, lateral_bias = steps["yaw_rate_bias"], steps["lateral_bias"]
    assert lateral_bias.value - 20 * math.radians(yaw_bias.value) == pytest.approx(0.1 - 20 * 0.005, abs=0.05)
    # the speed hardly varies, so the two are hard to tell apart, and said to be
    assert abs(yaw_bias.value - math.degrees(0.005)) < 2 * yaw_bias.standard_deviation < 2.0
    assert abs(lateral_bias.value - 0.1) < 2 * lateral_bias.standard_deviation < 0.8


def test_the_longitudinal_bias_is_as_sure_as_its_blocks_agree(monkeypatch):
    """Forty sessions whose road slopes otherwise every 10 s: the errors are as large as the deviations say."""
    monkeypatch.setattr(biases, "BIAS_DRIFT_M_S2", 0.0)
    rng, off = np.random.default_rng(11), []
    for _ in range(40):
        slopes = np.repeat(0.1 * rng.standard_normal(12), 500)
        step = {s.code: s for s in prepare(made_session(long_bias=slopes)[0], car=CAR).calibration}
        off.append(step["longitudinal_bias"].value / step["longitudinal_bias"].standard_deviation)
    assert 0.6 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_without_a_gyro_the_front_wheels_and_lateral_acceleration_give_the_yaw_rate():
    made, yaw, _, _ = made_session(scales=(0.3, -0.2, 0, 0), gyro=False)
    signals = prepare(made, car=CAR)
    assert not signals.sensors.gyro and "yaw_rate_fused" in {a.code for a in signals.annotations}
    inner = slice(200, -200)
    assert np.sqrt(np.mean((signals.yaw_rate_rad_s - yaw)[inner] ** 2)) < 0.012
    with_gyro = prepare(made_session(scales=(0.3, -0.2, 0, 0))[0], car=CAR)
    assert np.median(signals.yaw_rate_sd_rad_s) > np.median(with_gyro.yaw_rate_sd_rad_s)


def driven_by_foot(rest):
    """The made session, speeding up and braking: the foot holds from half to full throttle, or lets it go to `rest`."""
    made = made_session()[0]
    time = made.time_s
    phase = np.mod(time, 12)
    change = low_pass(
        np.interp(phase, [0, 7, 7.2, 9, 9.2, 12], [2.5, 2.5, -1, -1, -5, -5]), cutoff_hz=2.0, rate_hz=50.0
    )
    speed = 35 + np.cumsum(change - change.mean()) / 50
    foot = np.where(phase < 7, 0.75 + 0.25 * np.sin(time), 0.0)
    wheels = {n: v / made.channels["wheel_speed_fl"] * speed for n, v in made.channels.items() if n.startswith("wheel")}
    still = {"lat_g": 0 * time, "yaw_rate": 0 * time, "steer": 0 * time, "long_g": change - change.mean()}
    throttle = rest + (1 - rest) * foot
    return replace(made, channels={**made.channels, **wheels, **still, "throttle": throttle}), foot, phase


def test_a_throttle_whose_zero_is_off_still_closes():
    made, foot, phase = driven_by_foot(0.15)
    signals = prepare(made, car=CAR)
    assert signals.throttle == pytest.approx(foot, abs=1e-9)
    (step,) = (s for s in signals.calibration if s.code == "throttle_rest")
    assert step.message == "throttle is off by +15.00 % with the foot off it; taken out."
    assert signals.braking[(phase > 9.6) & (phase < 11.6)].all()  # told by the change of speed, the foot being off
    assert not signals.braking[(phase > 1) & (phase < 8)].any()
    assert not [s for s in prepare(driven_by_foot(0.0)[0], car=CAR).calibration if s.code == "throttle_rest"]


def test_a_throttle_that_is_held_open_is_no_zero():
    # a car that cruises at 15 % for half a minute and is never let go
    made, foot, _ = driven_by_foot(0.0)
    held = np.where(made.time_s < 30, 0.15, np.maximum(foot, 0.4))
    channels = {**made.channels, "throttle": held, "wheel_speed_rl": made.channels["wheel_speed_rl"]}
    speed = np.interp(made.time_s, [0, 30], [20, 25])
    for name in [n for n in channels if n.startswith("wheel")]:
        channels[name] = np.where(made.time_s < 30, speed, channels[name])
    assert prepare(replace(made, channels=channels), car=CAR).throttle == pytest.approx(held)


def test_a_front_wheel_that_the_brakes_stop_does_not_turn_the_car():
    """Without a gyro the yaw rate on the brakes is lateral acceleration over the speed of the wheel that rolls."""
    made, yaw, _, _ = made_session(gyro=False)
    held = (made.time_s > 27.0) & (made.time_s < 28.0)  # in a corner to the left, whose inner wheel stands
    channels = {
        **made.channels,
        "wheel_speed_fl": np.where(held, 0.3 * made.channels["wheel_speed_fl"], made.channels["wheel_speed_fl"]),
        "brake": np.where(held, 1.0, 0.0),
        "throttle": np.where(held, 0.0, made.channels["throttle"]),
    }
    signals = prepare(replace(made, channels=channels), car=CAR)
    assert signals.braking[held].all()
    assert signals.yaw_rate_rad_s[held] == pytest.approx(yaw[held], rel=0.06)  # the mean of both wheels gives +50 %


@pytest.mark.parametrize("gyro", [True, False])
def test_a_front_wheel_that_stands_and_spins_up_again_does_not_accelerate_the_car(gyro):
    made, yaw, speed, _ = made_session(gyro=gyro)
    stands = (made.time_s > 27.0) & (made.time_s < 28.0)  # in a corner to the left, brakes off
    inner = np.where(stands, 4.0, made.channels["wheel_speed_fl"])
    channels = {k: v for k, v in made.channels.items() if k != "long_g"} | {"wheel_speed_fl": inner}
    signals = prepare(replace(made, channels=channels), car=CAR)
    assert not signals.speed_trusted[stands].any()
    around = (made.time_s > 26.5) & (made.time_s < 28.5)
    true = np.gradient(speed, 0.02)
    assert np.abs(signals.long_m_s2 - true)[around].max() < 2.0  # the mean of both wheels gives 30 m/s2
    assert signals.speed_m_s[around] == pytest.approx(speed[around], rel=0.03)
    assert np.abs(signals.yaw_rate_rad_s - yaw)[around].max() < 0.04


@pytest.mark.parametrize("slow", ["wheel_speed_fl", "wheel_speed_fr"])
def test_ground_speed_is_the_wheel_that_rolls_when_the_other_front_wheel_is_held(slow):
    """In a left corner the left wheel rolls slower than the middle of the axle, the right one faster: derived."""
    made, yaw, speed, _ = made_session()
    held = (made.time_s > 27.0) & (made.time_s < 28.0)  # in a corner to the left
    assert yaw[held].min() > 0.25
    channels = {**made.channels, slow: np.where(held, 0.7 * made.channels[slow], made.channels[slow])}
    signals = prepare(replace(made, channels=channels), car=CAR)
    inner = (made.time_s > 27.3) & (made.time_s < 27.7)
    assert not signals.speed_trusted[inner].any()
    assert signals.speed_m_s[inner] == pytest.approx(speed[inner], abs=0.05)


def test_rotations_become_speeds_with_the_car_files_radii():
    made, _, _, true = made_session()
    turning = {n: v / 0.312 if n.startswith("wheel") else v for n, v in made.channels.items()}
    signals = prepare(Recording("r.csv", made.time_s, turning, wheel_speed_unit="rad/s"), car=CAR)
    assert signals.wheel_speed_m_s[500] == pytest.approx([w[500] for w in true], rel=1e-3)


def test_steer_is_the_road_wheels_wherever_it_is_measured():
    made = made_session()[0]
    at_wheel = prepare(made, car=CAR)
    at_road = prepare(Recording(**{**made.__dict__, "steer_at": "road_wheel"}), car=CAR)
    assert at_road.steer_rad == pytest.approx(14.5 * at_wheel.steer_rad)


@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_wheel_speed_noise_is_measured(noise):
    # third differences of white noise have variance 20 sd^2 (1 + 9 + 9 + 1); derived
    signals = prepare(made_session(noise=noise)[0], car=CAR)
    assert signals.wheel_speed_noise_m_s == pytest.approx(noise, rel=0.1)


def test_brakes_are_seen_with_and_without_a_brake_channel():
    made, _, _, _ = made_session()
    hard = (made.time_s > 60) & (made.time_s < 62)
    speed_lost = np.interp(made.time_s, [60, 62, 66], [0, 12, 0])
    channels = {n: v - speed_lost if n.startswith("wheel") else v for n, v in made.channels.items()}
    channels["throttle"] = np.where(hard, 0.0, 0.3)
    channels["long_g"] = np.gradient(channels["wheel_speed_fl"], 0.02)
    without = prepare(recording(made.time_s, **{k: v for k, v in channels.items() if k != "time"}), car=CAR)
    middle = (made.time_s > 60.5) & (made.time_s < 61.5)
    assert without.braking[middle].all() and without.braking.mean() < 0.05
    channels["brake"] = np.where(hard, 40e5, 0.0)
    logged = prepare(recording(made.time_s, **{k: v for k, v in channels.items() if k != "time"}), car=CAR)
    assert logged.braking[hard].all() and logged.braking.mean() < 0.03
    # pads drag and wheels recover after the pedal is off: by common practice a few tenths of a second
    since = made.time_s - 62
    assert logged.braking[(since > 0) & (since < 0.25)].all() and not logged.braking[(since > 0.5) & (since < 5)].any()


def test_a_brake_let_go_slowly_is_on_until_the_car_coasts():
    made, _, _, _ = made_session()
    time = made.time_s
    coasting = (time > 58) & (time < 66) | (time > 90) & (time < 94)
    pedal = np.interp(time, [60, 60.1, 61.2, 62.4], [0.0, 6.0, 6.0, 0.0])  # m/s2 of the brakes, gone at 62.4 s
    change = -1.4 * coasting - pedal
    change[(time > 66) & (time < 90)] = 0.5
    lost = np.cumsum(change) * 0.02
    channels = {n: v + lost if n.startswith("wheel") else v for n, v in made.channels.items()}
    channels["throttle"] = np.where(coasting, 0.0, 0.3)
    channels["long_g"] = made.channels["long_g"] + change if "long_g" in made.channels else change
    told = prepare(recording(time, **{k: v for k, v in channels.items() if k != "time"}), car=CAR).braking
    assert told[pedal > 0.3].all()  # -3 m/s2 alone ends where the brakes still give 1.6 m/s2, 0.3 s before they are off
    assert not told[coasting & ((time < 59.4) | (time > 63.0))].any()


def test_neither_lateral_acceleration_nor_yaw_rate_cannot_be_told():
    made = made_session(gyro=False)[0]
    channels = {n: v for n, v in made.channels.items() if n != "lat_g"}
    with pytest.raises(CannotTell, match="neither lateral acceleration nor yaw rate"):
        prepare(Recording("r.csv", made.time_s, channels), car=CAR)


# ---- path


def test_dead_reckoning_closes_a_circle():
    rate, speed, yaw = 100.0, 20.0, 0.25
    n = round(2 * math.pi / yaw * rate)
    x, y = dead_reckoned(np.full(n, speed), np.full(n, yaw), rate)
    assert math.hypot(x[-1], y[-1]) < 0.5
    assert y.max() == pytest.approx(2 * speed / yaw, rel=0.01)  # a left turn goes to positive y


def test_positions_become_metres():
    # one minute of latitude is about a nautical mile, 1852 m; a degree of longitude shrinks with the cosine of latitude
    lat, lon = np.radians([60.0, 60.0 + 1 / 60, 60.0]), np.radians([10.0, 10.0, 10.0 + 1 / 60])
    x, y = from_position(lat, lon)
    assert y[1] == pytest.approx(1852, rel=0.003) and x[1] == pytest.approx(0, abs=1e-6)
    assert x[2] == pytest.approx(1852 / 2, rel=0.003) and y[2] == pytest.approx(0, abs=1e-6)
