"""Charts draw what there is, and say so where there is nothing."""

from dataclasses import asdict, replace

import numpy as np
import pytest

from analyzer.differential.predicted import predict_lock_curve
from analyzer.lockcurve.estimate import CurvePoint
from analyzer.presentation.figures.theme import BLUE
from dashboards.compare import two_sides
from dashboards.parts import BLUE_ON_DARK
from dashboards.run.per_corner import repeat
from dashboards.run.views import predicted_curve
from dashboards.setup_page import typed


def point(torque: float, kind: str) -> CurvePoint:
    """Measured 100 (50 to 150) N.m, or a bound of 50 N.m."""
    if kind == "bound":
        return CurvePoint(torque, None, 50.0, None, "bound")
    return CurvePoint(torque, 100.0, 50.0, 150.0, "measured")


# two points, a gap in which nothing slipped, one point, another gap, two points
GAPS = tuple(
    point(torque, kind)
    for torque, kind in (
        (0.0, "measured"),
        (100.0, "measured"),
        (200.0, "bound"),
        (300.0, "measured"),
        (400.0, "bound"),
        (500.0, "measured"),
        (600.0, "measured"),
    )
)


@pytest.fixture
def gappy(analysis):
    recording = replace(analysis.recording, name="other day.csv")
    return replace(analysis, recording=recording, lock_curve=replace(analysis.lock_curve, points=GAPS))


def assert_stops_in_the_gaps(traces_of_the_curve):
    lines = [list(t.x) for t in traces_of_the_curve if t.mode == "lines"]
    assert lines == [[0.0, 100.0], [500.0, 600.0]]
    (alone,) = [t for t in traces_of_the_curve if t.mode == "markers"]
    assert (list(alone.x), list(alone.error_y.array), list(alone.error_y.arrayminus)) == ([300.0], [50.0], [50.0])
    assert [t.showlegend for t in traces_of_the_curve].count(True) == 1


def test_curves_of_both_sides_stop_where_nothing_slipped(gappy):
    figure = two_sides.curves([("a", [asdict(p) for p in gappy.lock_curve.points])], [])
    assert_stops_in_the_gaps([t for t in figure.data if t.name == "before: a"])
    assert all(max(t.x) - min(t.x) <= 100 for t in figure.data if t.fill == "toself")


def test_a_phase_that_no_pass_has_is_said(analysis):
    bare = replace(analysis, phase_results=())
    (words,) = repeat(bare, "transfer_torque_Nm", "power_application").layout.annotations
    assert words.text == "No corner pass has transfer torque in this phase; choose another phase or quantity."


def test_the_legend_names_the_parts_only_where_they_say_something(analysis):
    silent = tuple(replace(r, predicted_locking_torque_Nm=None) for r in analysis.phase_results)
    names = {t.name for t in repeat(replace(analysis, phase_results=silent), "transfer_torque_Nm", "turn_in").data}
    assert "parts predict" not in names and names


def test_no_pass_to_lay_side_by_side_is_said(analysis):
    figure = two_sides.phases([], [], "turn_in", "kinematic_lock")
    assert [a.text for a in figure.layout.annotations] == ["No corner pass has kinematic lock in this phase."]


def test_a_long_name_is_shortened_in_a_legend_and_whole_under_the_cursor(gappy):
    name = "2026-11-22_spring_track_day_session_3_afternoon.parquet"
    points = [asdict(p) for p in gappy.lock_curve.points]
    figure = two_sides.curves([(name, points)], [])
    names = {t.name for t in figure.data if t.showlegend}
    assert names == {"before: 2026-11…ternoon.parquet"} and {t.legendgroup for t in figure.data} == {f"before: {name}"}


def test_a_lone_point_s_bar_is_seen_on_a_dark_page(gappy):
    figure = two_sides.curves([("a", [asdict(p) for p in gappy.lock_curve.points])], [], mode="dark")
    bars = {t.error_y.color for t in figure.data if t.error_y.array is not None}
    assert BLUE not in bars and BLUE_ON_DARK in bars


def test_a_spool_has_no_curve_to_draw():
    ids = [{"type": "part", "table": "", "key": "type"}]
    assert predicted_curve(predict_lock_curve(typed(["spool"], ids)), np.array([-600.0, 2000.0])) is None
