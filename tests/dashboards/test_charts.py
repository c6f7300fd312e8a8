"""Charts draw what there is, and say so where there is nothing."""

from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest
from made_findings import made_evidence, made_finding

from analyzer.differential.predicted import predict_lock_curve
from analyzer.findings.evidence import OneWheelSpin, SetupContradicted
from analyzer.lockcurve.estimate import CurvePoint
from analyzer.presentation.figures.path_map import PLOT_PX, SMALLER
from analyzer.presentation.figures.theme import BLUE
from analyzer.presentation.words import KIND_NAMES
from dashboards.figures import both_sides
from dashboards.figures.circuit_map import circuit_map
from dashboards.figures.dark import BLUE_ON_DARK
from dashboards.figures.lock_view import lock_view, predicted_only
from dashboards.figures.repeat import repeat
from dashboards.figures.traces import LETTER_PX, PX, View, traces
from dashboards.pages.findings_list import finding_rows, told
from dashboards.pages.picking import picked, view_of
from dashboards.pages.setup_form import typed


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


def test_another_run_s_curve_stops_where_nothing_slipped(analysis, gappy):
    figure = lock_view(analysis, other=gappy)
    assert_stops_in_the_gaps([t for t in figure.data if (t.name or "").startswith("other day.csv")])
    reaches = [t.x for t in figure.data if t.fill == "toself" and t.legendgroup == "other day.csv"]
    assert [(min(x), max(x)) for x in reaches] == [(0, 100), (500, 600)]


def test_curves_of_both_sides_stop_where_nothing_slipped(gappy):
    figure = both_sides.curves([("a", [asdict(p) for p in gappy.lock_curve.points])], [])
    assert_stops_in_the_gaps([t for t in figure.data if t.name == "before: a"])
    assert all(max(t.x) - min(t.x) <= 100 for t in figure.data if t.fill == "toself")


def test_a_lone_point_s_bar_is_seen_on_a_dark_page(gappy):
    bars = {t.error_y.color for t in lock_view(gappy, mode="dark").data if t.error_y.array is not None}
    assert BLUE not in bars and BLUE_ON_DARK in bars


def test_names_of_phases_do_not_run_into_each_other(analysis):
    for corner in analysis.corners[:3]:
        time = analysis.signals.time_s
        window = (float(time[corner.start]) - 1.0, float(time[corner.stop - 1]) + 1.0)
        figure = traces(analysis, ["speed"], View(window=window))
        letter = LETTER_PX * (window[1] - window[0]) / PX
        for height in {a.yshift for a in figure.layout.annotations}:
            row = [a for a in figure.layout.annotations if a.yshift == height]
            ends = [(a.x - letter * len(a.text) / 2, a.x + letter * len(a.text) / 2) for a in row]
            assert all(left[1] <= right[0] for left, right in pairwise(ends))


def test_a_phase_that_no_pass_has_is_said(analysis):
    bare = replace(analysis, phase_results=())
    (words,) = repeat(bare, "transfer_torque_Nm", "power_application").layout.annotations
    assert words.text == "No corner pass has transfer torque in this phase; choose another phase or quantity."


def test_the_legend_names_the_parts_only_where_they_say_something(analysis):
    silent = tuple(replace(r, predicted_locking_torque_Nm=None) for r in analysis.phase_results)
    names = {t.name for t in repeat(replace(analysis, phase_results=silent), "transfer_torque_Nm", "turn_in").data}
    assert "parts say" not in names and names


def test_what_is_about_the_whole_session_has_no_place_in_it(analysis):
    end_s = float(analysis.signals.time_s[-1])
    evidence = made_evidence(SetupContradicted, said="It differs.")
    found = made_finding(evidence, lap=None, corner=None, start_s=0.0, end_s=end_s)
    session = replace(analysis, findings=(found,))
    pick = picked(session, {"finding": 0})
    assert (pick.finding, pick.corner, pick.window) == (found, None, None)
    assert view_of(session, {"finding": 0}, "time", None).window is None
    assert told(pick)[0].children == "It differs."
    names = [t.name for t in circuit_map(session, "slip", chosen=found).data]
    assert "chosen finding" not in names


def test_a_curve_at_zero_is_seen_above_the_axis(analysis):
    assert lock_view(analysis).layout.yaxis.range[0] < 0


def test_a_spool_alone_is_said_to_have_no_curve():
    ids = [{"type": "part", "table": "", "key": "type"}]
    figure = predicted_only(predict_lock_curve(typed(["spool"], ids)), np.array([-600.0, 2000.0]))
    assert "never slips" in figure.layout.annotations[0].text and not figure.data


def test_no_pass_to_lay_side_by_side_is_said(analysis):
    figure = both_sides.phases([], [], "turn_in", "kinematic_lock")
    assert [a.text for a in figure.layout.annotations] == ["No corner pass has kinematic lock in this phase."]


def test_no_corner_s_number_is_under_a_mark_or_its_ring(analysis):
    """However the screen scales the circuit: half the size of a laptop's is a phone."""
    apexes = [c.apex for c in analysis.corners]
    turn = replace(analysis.findings[0], corner=1)
    times = [float(analysis.signals.time_s[apex + k]) for apex in apexes for k in (-20, 0, 20)]
    marked = replace(analysis, findings=tuple(replace(turn, start_s=t) for t in times))
    figure = circuit_map(marked, "slip")
    (drawn,) = [t for t in figure.data if t.name == "inside rear spin"]
    marks = np.column_stack([drawn.x, drawn.y])
    assert len(marks) == len(times) and len(figure.layout.annotations) == len({c.number for c in analysis.corners})
    scale = min(px / np.ptp(axis) for px, axis in zip(PLOT_PX, marks.T, strict=True))
    for number in figure.layout.annotations:
        for at in (scale, SMALLER * scale):
            place = at * np.array([number.x, number.y]) + [number.xshift, number.yshift]
            assert np.linalg.norm(place - at * marks, axis=1).min() > 13 + 5  # the ring's radius, half a figure


def test_what_happened_outside_the_corners_is_marked_listed_and_gone_to(analysis):
    found = replace(
        analysis.findings[0], evidence=made_evidence(OneWheelSpin), lap=None, corner=None, start_s=2.0, end_s=2.4
    )
    between = replace(analysis, findings=(found,))
    (mark,) = [t for t in circuit_map(between, "slip", chosen=found).data if t.name == KIND_NAMES[found.kind]]
    assert list(mark.text) == ["outside the corners, 2.0 s"]
    assert finding_rows(between, [0], 0)["rows"][0]["where"] == "outside the corners, 2.0 s"
    low, high = picked(between, {"finding": 0}).window
    assert low < 2.0 and high > 2.4


def test_a_long_name_is_shortened_in_a_legend_and_whole_under_the_cursor(gappy):
    name = "2026-11-22_spring_track_day_session_3_afternoon.parquet"
    points = [asdict(p) for p in gappy.lock_curve.points]
    figure = both_sides.curves([(name, points)], [])
    names = {t.name for t in figure.data if t.showlegend}
    assert names == {"before: 2026-11…ternoon.parquet"} and {t.legendgroup for t in figure.data} == {f"before: {name}"}
