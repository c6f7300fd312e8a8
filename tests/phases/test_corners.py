"""Corners are known from how the circuit was built: seven, of which the second and fifth are to the right."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analyzer.phases.corners import find_corners
from analyzer.phases.laps import find_laps
from analyzer.phases.phases import PHASES

DIRECTIONS = ["left", "right", "left", "left", "right", "left", "left"]


def corners_of(signals):
    return find_corners(signals, find_laps(signals))


@pytest.mark.parametrize(("grip", "noise"), [(6.0, 0.3), (11.0, 0.3), (11.0, 1.0), (30.0, 0.6)])
def test_every_corner_of_every_lap_from_road_car_to_racing_car(drive, one_lap, grip, noise):
    corners = corners_of(drive(np.tile(one_lap, 3), grip_m_s2=grip, top_m_s=16 * grip**0.5, noise_m_s2=noise))
    for lap in (1, 2, 3):
        mine = [c for c in corners if c.lap == lap]
        assert [c.number for c in mine] == [1, 2, 3, 4, 5, 6, 7]
        assert [c.direction for c in mine] == DIRECTIONS


def test_passes_do_not_overlap_and_their_phases_fill_them(drive, one_lap):
    corners = corners_of(drive(np.tile(one_lap, 3)))
    for before, after in pairwise(corners):
        assert before.stop <= after.start
    for corner in corners:
        assert corner.start <= corner.apex < corner.stop
        assert corner.phases[0].start == corner.start and corner.phases[-1].stop == corner.stop
        for before, after in pairwise(corner.phases):
            assert before.stop == after.start
            assert PHASES.index(before.name) < PHASES.index(after.name)


def test_pass_begins_with_the_braking_zone_and_the_apex_lies_in_the_arc(drive, one_lap):
    signals = drive(np.tile(one_lap, 2), noise_m_s2=0.1)
    first = corners_of(signals)[0]
    braking = np.flatnonzero(signals.braking)[0]
    assert first.start == pytest.approx(braking, abs=10)
    assert 300 - 10 <= signals.distance_m[first.apex] <= 300 + 40 * np.pi / 2 + 10


def test_a_mirrored_session_gives_mirrored_corners(drive, one_lap):
    signals = drive(np.concatenate([np.tile(one_lap, 3), one_lap[:400]]))
    other = replace(
        signals,
        lat_m_s2=-signals.lat_m_s2,
        yaw_rate_rad_s=-signals.yaw_rate_rad_s,
        yaw_acceleration_rad_s2=-signals.yaw_acceleration_rad_s2,
        steer_rad=-signals.steer_rad,
        y_m=-signals.y_m,
        wheel_speed_m_s=signals.wheel_speed_m_s[:, [1, 0, 3, 2]],
    )
    swap = {"left": "right", "right": "left"}
    corners = corners_of(signals)
    assert len(corners) >= 21
    assert [replace(c, direction=swap[c.direction]) for c in corners] == list(corners_of(other))


def test_later_clock_and_added_straight_only_shift_the_corners(drive, one_lap):
    plain = drive(one_lap, noise_m_s2=0.0)
    assert corners_of(replace(plain, time_s=plain.time_s + 1000.0)) == corners_of(plain)
    # 110 m more straight at the top speed of 55 m/s is two seconds more
    late = drive(np.concatenate([np.zeros(110), one_lap]), noise_m_s2=0.0)
    for a, b in zip(corners_of(plain), corners_of(late), strict=True):
        assert b.apex - a.apex == pytest.approx(200, abs=2)
        assert [p.name for p in a.phases] == [p.name for p in b.phases]


def test_corner_missed_in_one_lap_does_not_renumber_the_others(drive, one_lap):
    eased = one_lap.copy()
    right = np.flatnonzero(np.diff((one_lap < 0).astype(int)))  # edges of the two right-handers
    eased[right[0] : right[1] + 2] = 0.0
    corners = corners_of(drive(np.concatenate([one_lap, eased, one_lap, one_lap])))
    assert [c.number for c in corners if c.lap == 2] == [1, 3, 4, 5, 6, 7]
    for lap in (1, 3, 4):
        assert [c.number for c in corners if c.lap == lap] == [1, 2, 3, 4, 5, 6, 7]


def test_swerve_in_one_lap_is_numbered_after_the_track(drive, one_lap):
    swerve = one_lap.copy()
    swerve[120:150] = 1 / 60
    corners = corners_of(drive(np.concatenate([one_lap, swerve, one_lap, one_lap])))
    assert [c.number for c in corners if c.lap == 2] == [8, 1, 2, 3, 4, 5, 6, 7]
    assert [c.number for c in corners if c.lap == 3] == [1, 2, 3, 4, 5, 6, 7]


def test_corners_outside_whole_laps_keep_their_numbers(drive, one_lap):
    signals = drive(np.concatenate([one_lap[-450:], np.tile(one_lap, 2), one_lap[:450]]))
    start = np.floor((signals.distance_m - 450) / len(one_lap))
    corners = corners_of(replace(signals, lap_channel=start))
    assert [c.number for c in corners if c.lap == 0] == [7, 1]  # the last 450 m and the first
    assert [c.number for c in corners if c.lap == 1] == [1, 2, 3, 4, 5, 6, 7]


def test_one_lap_is_numbered_in_order(drive, one_lap):
    corners = corners_of(drive(one_lap))
    assert [(c.lap, c.number) for c in corners] == [(1, k) for k in range(1, 8)]


def test_straight_line_and_standing_car_have_no_corners(drive):
    signals = drive(np.zeros(2000))
    assert corners_of(signals) == ()
    still = np.zeros_like(signals.speed_m_s)
    tilted = replace(signals, speed_m_s=still, distance_m=still, lat_m_s2=still + 4.0)
    assert corners_of(tilted) == ()


def test_faulty_samples_make_no_corner(drive, one_lap):
    signals = drive(np.tile(one_lap, 2))
    whole = corners_of(signals)
    bad = np.ones(len(signals.time_s), bool)
    bad[whole[2].start - 50 : whole[2].stop + 50] = False
    kept = corners_of(replace(signals, valid=bad))
    assert len(kept) == len(whole) - 1
    assert all(bad[c.apex] for c in kept)
    assert corners_of(replace(signals, valid=np.zeros_like(bad))) == ()
