"""Traces: the point budget holds and no spike is lost."""

import gc
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from dashboards.figures import once
from dashboards.figures.circuit_map import PLACES, circuit_map
from dashboards.figures.lock_view import lock_view
from dashboards.figures.once import rear_of
from dashboards.figures.traces import LETTER_PX, POINTS, PX, View, traces
from dashboards.pages.picking import view_of

ROWS = 2_000_000


@pytest.fixture(scope="module")
def long_analysis(analysis):
    """The made-up session with its throttle and time stretched to two million rows, one spike planted."""
    n = len(analysis.signals.time_s)
    at = np.linspace(0, n - 1, ROWS).astype(int)
    throttle = np.full(ROWS, 0.5)
    throttle[1_234_567] = 1.0
    signals = replace(
        analysis.signals,
        time_s=np.arange(ROWS) / 1000.0,
        throttle=throttle,
        steer_rad=analysis.signals.steer_rad[at],
        distance_m=np.arange(ROWS) / 30.0,
    )
    return replace(analysis, signals=signals, corners=())


@pytest.mark.parametrize("window", [None, (1200.0, 1300.0), (1234.0, 1235.0)])
def test_budget_holds_and_the_spike_stays(long_analysis, window):
    figure = traces(long_analysis, ["throttle", "steer"], View(window=window))
    assert all(len(line.x) <= POINTS for line in figure.data)
    throttle = next(line for line in figure.data if line.name == "throttle")
    assert max(throttle.y) == 100.0
    assert throttle.x[int(np.argmax(throttle.y))] == pytest.approx(1234.567)


def test_two_million_rows_answer_quickly(long_analysis):
    started = time.process_time()
    traces(long_analysis, ["throttle", "steer"], View())
    assert time.process_time() - started < 2.0  # of the processor; usually about 0.1 s


def test_a_session_of_thousands_of_corners_answers_quickly(analysis):
    # shapes and labels one at a time are quadratic: minutes at three thousand corner passes
    many = replace(analysis, corners=analysis.corners * 300)
    started = time.process_time()
    figure = traces(many, ["throttle"], View())
    assert time.process_time() - started < 2.0
    assert len(figure.layout.shapes) == 0


def test_rear_axle_is_worked_out_once_an_analysis_and_never_stale(analysis):
    first, same = rear_of(analysis), rear_of(analysis)
    assert same is first
    other = replace(analysis, axle=replace(analysis.axle, slip_left=analysis.axle.slip_left + 0.1))
    np.testing.assert_allclose(np.nanmax(np.abs(rear_of(other).inside_slip - first.inside_slip)), 0.1)
    key = id(other)
    del other
    gc.collect()
    assert key not in once._known


def test_a_standing_car_is_drawn_by_distance_too(analysis):
    stood = analysis.signals.distance_m.copy()
    stood[1000:1500] = stood[1000]
    still = replace(analysis, signals=replace(analysis.signals, distance_m=stood))
    at = float(stood[1000])
    line = traces(still, ["throttle"], View(axis="distance", window=(at, at + 1.0))).data[0]
    assert (np.asarray(line.x) == at).sum() >= 500


def test_a_close_window_is_not_thinned(analysis):
    figure = traces(analysis, ["throttle"], View(window=(10.0, 12.0)))
    rate = analysis.signals.rate_hz
    assert 2.0 * rate <= len(figure.data[0].x) <= 2.0 * rate + 3


def test_laps_over_each_other_start_at_zero(analysis):
    laps = (1, 2)
    figure = traces(analysis, ["throttle"], View(axis="distance", laps=laps))
    drawn = [line for line in figure.data if len(line.x) > 1]
    assert [line.name for line in drawn] == ["lap 1, throttle", "lap 2, throttle"]
    assert all(abs(line.x[0]) < 5.0 for line in drawn)
    keys = {line.name: line.line.color for line in figure.data if line.showlegend is not False}
    assert keys == {f"lap {lap}": line.line.color for lap, line in zip(laps, drawn, strict=True)}


def test_each_row_says_which_line_is_which(analysis):
    figure = traces(analysis, ["wheel_speed", "throttle"], View())
    assert {line.legend or "legend" for line in figure.data if "rear" in line.name} == {"legend"}
    assert figure.layout.legend.visible and not figure.layout.legend2.visible


def test_a_map_of_many_laps_keeps_the_most_of_every_place(analysis):
    n, laps = len(analysis.signals.time_s), 40
    edges = np.linspace(0, n, laps + 1).astype(int)
    many = replace(analysis, laps=replace(analysis.laps, bounds=tuple(pairwise(map(int, edges)))))
    figure = circuit_map(many, "slip")
    points = max((trace for trace in figure.data if trace.mode == "markers"), key=lambda trace: len(trace.x))
    slip = rear_of(many).inside_slip[rear_of(many).cornering]
    assert len(points.x) <= PLACES
    assert max(value for *_, value in points.customdata) == pytest.approx(100 * np.nanmax(slip))


def test_points_that_can_be_clicked_carry_plain_lists(analysis):
    # dash gives a click the customdata of the point only when it is a plain list, not a typed array
    lock, circuit = lock_view(analysis, chosen=analysis.corners[0]), circuit_map(analysis, "slip")
    clickable = [
        trace for figure in (lock, circuit) for trace in figure.to_plotly_json()["data"] if "customdata" in trace
    ]
    assert len(clickable) >= 4
    for trace in clickable:
        assert isinstance(trace["customdata"], list | tuple) and isinstance(trace["customdata"][0], list | tuple)


def test_a_zoom_is_what_the_traces_show(analysis):
    zoom = {"at": 1, "range": [310.0, 640.0], "along": "distance", "laps": []}
    assert view_of(analysis, zoom, "distance", None) == View(axis="distance", window=(310.0, 640.0))
    assert view_of(analysis, zoom | {"range": None}, "distance", [1, 2]) == View(axis="distance", laps=(1, 2))


@pytest.mark.parametrize("axis", ["time", "distance"])
@pytest.mark.parametrize("laps", [None, [2]])
def test_a_zoom_survives_a_change_of_axis_and_laps(analysis, axis, laps):
    start = float(analysis.signals.time_s[analysis.laps.bounds[1][0]])
    there = view_of(analysis, {"range": [start + 10.0, start + 20.0], "along": "time", "laps": []}, axis, laps)
    zoom = {"range": list(there.window), "along": there.axis, "laps": list(there.laps or ())}
    back = view_of(analysis, zoom, "time", None)
    assert back.window == pytest.approx((start + 10.0, start + 20.0), abs=2 / analysis.signals.rate_hz)


def test_figure_says_on_which_axis_it_is(analysis):
    # the browser reads a zoom by it: at_once.js
    view = View(axis="distance", laps=(2,), window=(10.0, 90.0))
    assert traces(analysis, ["throttle"], view).layout.meta == {
        "along": "distance",
        "laps": [2],
        "window": [10.0, 90.0],
    }


def test_a_finding_is_marked_where_it_was_and_only_where_it_is_seen(analysis):
    found = next(f for f in analysis.findings if f.corner is not None)

    def marked(low, high):
        figure = traces(analysis, ["throttle"], View(window=(low, high)))
        return [(s.x0, s.x1) for s in figure.layout.shapes if s.line.dash == "dot"]

    step = 1 / analysis.signals.rate_hz
    assert pytest.approx((found.start_s, found.end_s), abs=step) in marked(found.start_s - 1, found.end_s + 1)
    assert all(x1 > found.end_s for _, x1 in marked(found.end_s + 2 * step, found.end_s + 2))


def test_slip_is_held_against_the_tyre_s_peak(analysis):
    figure = traces(analysis, ["slip", "throttle"], View(window=(2.0, 4.0)))
    (peak,) = [t for t in figure.data if t.name == "tyre's peak"]
    assert list(peak.x) == [2.0, 4.0] and peak.legend == figure.data[0].legend
    assert peak.y[0] == peak.y[1] == pytest.approx(100 * rear_of(analysis).peak_slip)


def test_corner_numbers_of_a_whole_session_do_not_lie_over_each_other(analysis):
    several = replace(analysis, corners=analysis.corners * 3)
    lines: dict = {}
    for label in traces(several, ["throttle"], View()).layout.annotations:
        lines.setdefault(label.yshift, []).append((label.x, len(label.text)))
    assert lines
    span = several.signals.time_s[-1] - several.signals.time_s[0]
    for named in lines.values():
        for (x, n), (next_x, next_n) in pairwise(sorted(named)):
            assert next_x - x >= LETTER_PX * span / PX * (n + next_n) / 2 - 1e-6
