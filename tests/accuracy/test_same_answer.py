"""One drive, written down in other ways: the same answer, or scaled as physics says.

Symmetries and scalings need no source. A car that drives a mirrored circuit has a mirrored log; a log's units, order
of columns and zero of time are bookkeeping; where every force on a body is k times as large and so is every mass, it
moves alike (Newton's second law is linear in both), so the torques are k times as large and what are ratios stay.
"""

from dataclasses import replace

import numpy as np
import pytest
from accuracy.cases import Case, analysed, measure

from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_session
from analyzer.signals.long_session import read_session
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters

# little lock, so that the inside wheel spins as well
CASE = Case(lock=LockParameters(preload_Nm=30.0, drive_slope=0.12), laps=2, seed=12, sensors=Sensors(rate_Hz=50.0))
SWAPPED = {f"wheel_speed_{a}{b}": f"wheel_speed_{a}{'rl'['lr'.index(b)]}" for a in "fr" for b in "lr"}


@pytest.fixture(scope="module")
def driven():
    return CASE.drive()


@pytest.fixture(scope="module")
def answer(driven, tmp_path_factory):
    return analysed(driven.log, CASE.file, tmp_path_factory.mktemp("answer"))


def of_file(path, car=CASE.file):
    """The analysis of a log that lies there."""
    return analyze_session(session=read_session((LogBlock(lambda: read_log(path)),), car=car), car=car)


def assert_same(one, other, *, turned=1, rel=1e-6, limits=None):
    """Two analyses tell the same: lock curve, phases, findings; with `turned` -1 left and right are exchanged.
    `limits`: how far the ends of an interval may move, in its width; they are drawn (default `rel`)."""
    for name, was in one.lock_curve.parameters.items():
        now = other.lock_curve.parameters[name]
        assert (now.value is None, now.reason) == (was.value is None, was.reason), name
        if was.value is not None:
            width = was.upper - was.lower
            assert now.value == pytest.approx(was.value, rel=rel, abs=rel * width), name
            ends = (now.lower, now.upper)
            assert ends == pytest.approx((was.lower, was.upper), abs=(limits or rel) * width), name
    assert [p.kind for p in other.lock_curve.points] == [p.kind for p in one.lock_curve.points]
    side = {"left": "right", "right": "left"} if turned < 0 else {"left": "left", "right": "right"}
    assert [(r.lap, r.corner, r.phase, side[r.direction]) for r in one.phase_results] == [
        (r.lap, r.corner, r.phase, r.direction) for r in other.phase_results
    ]
    compared = {
        "inside_slip": (1.0, 0.05),
        "outside_slip": (1.0, 0.05),
        "speed_difference_rad_s": (turned, 1.0),
        "input_torque_Nm": (1.0, 100.0),
        "transfer_torque_Nm": (1.0, 100.0),
    }
    for name, (scale, size) in compared.items():
        was = np.array([getattr(r, name) for r in one.phase_results], float)
        now = np.array([getattr(r, name) for r in other.phase_results], float)
        assert now == pytest.approx(scale * was, rel=rel, abs=rel * size, nan_ok=True), name
    assert [(f.kind, f.lap, f.corner) for f in other.findings] == [(f.kind, f.lap, f.corner) for f in one.findings]


def test_the_drive_has_something_to_tell(answer):
    """The comparisons below are of a curve on both sides, of spins, of corners both ways."""
    assert answer.lock_curve.drive_supported and answer.lock_curve.parameters["preload_Nm"].value > 0
    assert {c.direction for c in answer.corners} == {"left", "right"}
    assert answer.findings and len(answer.phase_results) > 30


def test_a_mirrored_circuit_gives_the_same_curve_with_left_and_right_exchanged(driven, answer, tmp_path):
    mirrored = driven.log.rename(columns=SWAPPED)
    signed = ["steer", "lat_g", "yaw_rate"]
    mirrored[signed] = -mirrored[signed]
    if "longitude" in mirrored:
        mirrored["longitude"] = 2 * mirrored["longitude"].iloc[0] - mirrored["longitude"]
    assert_same(answer, analysed(mirrored, CASE.file, tmp_path), turned=-1, rel=0.01, limits=0.1)


def test_the_order_of_channels_does_not_count(driven, answer, tmp_path):
    shuffled = list(np.random.default_rng(3).permutation(driven.log.columns))
    assert shuffled != list(driven.log.columns)
    assert_same(answer, analysed(driven.log[shuffled], CASE.file, tmp_path))


def test_the_zero_of_time_does_not_count(driven, answer, tmp_path):
    later = driven.log.assign(time=driven.log["time"] + 3600.0)
    assert_same(answer, analysed(later, CASE.file, tmp_path), rel=1e-4)


def test_units_do_not_count(driven, answer, tmp_path):
    """Each channel in another unit that its heading states; wheel speeds as rotation, by each wheel's own radius."""
    log = driven.log
    shown = {"time [ms]": 1000 * log["time"], "throttle [1]": log["throttle"] / 100}
    for radius, name in zip(CASE.car.rolling_radii_m, ("fl", "fr", "rl", "rr"), strict=True):
        shown[f"wheel_speed_{name} [rpm]"] = log[f"wheel_speed_{name}"] / 3.6 / radius * 60 / (2 * np.pi)
    for name in ("steer [rad]", "yaw_rate [rad/s]"):
        shown[name] = np.radians(log[name.split()[0]])
    for name in ("lat_g", "long_g"):
        shown[f"{name} [m/s2]"] = 9.80665 * log[name]
    shown["brake [psi]"] = log["brake"] / 0.06894757
    rest = [n for n in log if n not in {heading.split()[0] for heading in shown}]
    path = tmp_path / "other_units.csv"
    log[rest].assign(**shown).to_csv(path, index=False)
    assert_same(answer, of_file(path), rel=0.01, limits=0.02)


def test_twice_the_rate_tells_the_same_within_what_is_said_to_be_known(driven, answer, tmp_path):
    """The same drive, for the driver's draws do not depend on the sensors'; the noise is another."""
    faster = replace(CASE, sensors=Sensors(rate_Hz=100.0))
    session = faster.drive()
    other = analysed(session.log, faster.file, tmp_path)
    shared = [p for p in zip(answer.lock_curve.points, other.lock_curve.points, strict=True) if p[0].kind == p[1].kind]
    measured = [(a, b) for a, b in shared if a.kind == "measured"]
    assert len(measured) > 10
    for a, b in measured:
        assert abs(a.locking_torque_Nm - b.locking_torque_Nm) < 0.5 * (a.upper_Nm - a.lower_Nm)
    assert measure(faster, session, other).coverage >= 0.85
    rows = {(r.lap, r.corner, r.phase): r for r in other.phase_results}
    pairs = [(r, rows[key]) for r in answer.phase_results if (key := (r.lap, r.corner, r.phase)) in rows]
    # at most as far apart as two independent looks: what errs alike in both is counted twice
    told = [(a, b) for a, b in pairs if a.transfer_torque_Nm is not None and b.transfer_torque_Nm is not None]
    off = [
        (b.transfer_torque_Nm - a.transfer_torque_Nm) / np.hypot(a.transfer_torque_sd_Nm, b.transfer_torque_sd_Nm)
        for a, b in told
    ]
    assert len(off) > 50 and np.mean(np.abs(off) < 1.96) > 0.95


@pytest.mark.parametrize("factor", [0.8, 1.25])
def test_a_heavier_car_that_moves_alike_had_torques_as_much_larger(driven, answer, tmp_path, factor):
    """The same log, with all masses, inertias and areas of air in the car file `factor` times as large."""
    car = CASE.file
    scaled = car.model_copy(
        update={
            name: factor * getattr(car, name)
            for name in ("mass_kg", "wheel_inertia_kg_m2", "drag_area_m2", "downforce_area_m2")
        }
    )
    assert scaled.yaw_inertia == pytest.approx(factor * car.yaw_inertia)
    other = analysed(driven.log, scaled, tmp_path)
    # the fit's scatter and weak priors are in N.m, and so not scaled: a tenth of the interval is left for them
    was, now = answer.lock_curve.parameters, other.lock_curve.parameters
    for name, scale in {"preload_Nm": factor, "drive_slope": 1.0}.items():
        width = scale * (was[name].upper - was[name].lower)
        assert abs(now[name].value - scale * was[name].value) < 0.1 * width, name
    torques = np.array(
        [
            (a.input_torque_Nm, b.input_torque_Nm)
            for a, b in zip(answer.phase_results, other.phase_results, strict=True)
        ],
        float,
    )
    known = np.isfinite(torques).all(axis=1)
    assert torques[known, 1] == pytest.approx(factor * torques[known, 0], rel=0.01, abs=5.0)
