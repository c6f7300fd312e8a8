"""What the run screen is sent: the analysis' own numbers, few enough for a screen, and no spike lost."""

import base64
import gc
import json
import time
from dataclasses import replace

import numpy as np
import pytest
from made_findings import made_evidence, made_finding

from analyzer.agreement.anchored import AnchoredEstimate
from analyzer.errors import InputError
from analyzer.findings.evidence import Blame, BothWheelSpin, InsideSpin, InsideWheelLocking
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.result_json import to_json
from dashboards.run import quantities
from dashboards.run.lines import ALL_POINTS, MOST_LAPS, MOST_POINTS, Other, traces
from dashboards.run.per_corner import CHOICES, corner_table, repeat
from dashboards.run.quantities import MAP_LABELS, QUANTITIES, logged, rear_of
from dashboards.run.run_page import facts
from dashboards.run.views import PLACES, TOP, circuit, lock, overview, packed

HERE = {"Host": "localhost", "Origin": "http://localhost"}
ROWS = 2_000_000
MOST_BYTES = 50_000  # of a pick or a zoom
FOUR = ["wheel_speed", "slip", "throttle", "steer"]


def unpacked(series):
    """As `assets/run/draw.js` does it."""
    steps = np.frombuffer(base64.b64decode(series["steps"]), "<u2").astype(float)
    values = series["low"] + steps * (series["high"] - series["low"]) / 65534
    return np.where(steps == 65535, np.nan, values)


def row(told, key):
    return next(r for r in told["rows"] if r["key"] == key)


def line(told, key, name, strand=0):
    return next(x for x in row(told, key)["lines"] if x["name"] == name and x["strand"] == strand)


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
        valid=np.ones(ROWS, bool),
    )
    axle = replace(
        analysis.axle,
        input_torque_Nm=np.zeros(ROWS),
        torque_difference_Nm=np.zeros(ROWS),
        braked=np.zeros(ROWS, bool),
    )
    return replace(analysis, signals=signals, axle=axle, corners=(), laps=replace(analysis.laps, bounds=()))


def test_packing_keeps_a_value_to_a_65_thousandth_of_the_range_and_gaps():
    values = np.array([-3.0, np.nan, 0.1234, 997.0, np.inf])
    back = unpacked(packed(values))
    np.testing.assert_allclose(back[[0, 2, 3]], values[[0, 2, 3]], atol=1000 / 65534)
    assert np.isnan(back[[1, 4]]).all()
    assert np.isnan(unpacked(packed(np.full(3, np.nan)))).all()


@pytest.mark.parametrize("window", [None, (1200.0, 1300.0), (1234.0, 1235.0)])
def test_budget_holds_and_the_spike_stays(long_analysis, window):
    told = traces(long_analysis, ["throttle", "steer"], window_s=window)
    values = unpacked(line(told, "throttle", "throttle")["y"])
    assert len(values) <= MOST_POINTS and np.nanmax(values) == pytest.approx(100.0)
    x = unpacked(told["strands"][0]["x"])
    where = x[int(np.argmax(values)) // (1 if len(x) == len(values) else 2)]
    seen = told["window_s"][1] - told["window_s"][0]
    assert where == pytest.approx(1234.567, abs=seen / len(x) + 1e-3)


def test_two_million_rows_answer_in_the_time_of_a_pick(long_analysis):
    traces(long_analysis, ["throttle", "steer"], window_s=None)
    started = time.process_time()
    traces(long_analysis, ["throttle", "steer"], window_s=None)
    assert time.process_time() - started < 1.0  # of the processor; usually about 0.05 s


def test_a_pick_a_zoom_and_laps_over_each_other_stay_under_50_kB(analysis):
    first = analysis.corners[0]
    ends = [float(analysis.signals.time_s[k]) for k in (first.start, first.stop - 1)]
    laps = [Other(analysis, lap, f"lap {lap}") for lap in range(2, 1 + len(analysis.laps.bounds))]
    for told in (
        traces(analysis, FOUR, window_s=tuple(ends)),
        traces(analysis, FOUR, window_s=None),
        traces(analysis, FOUR, window_s=tuple(ends), along="distance", others=laps),
        lock(analysis),
        circuit(analysis, "slip", []),
    ):
        assert len(json.dumps(told, allow_nan=False)) < MOST_BYTES


def test_more_laps_get_fewer_points_and_stay_under_50_kB(analysis):
    start, stop = analysis.laps.bounds[0]
    many = [Other(analysis, 1 + k % len(analysis.laps.bounds), f"lap {k}") for k in range(30)]
    ends = (float(analysis.signals.time_s[start]), float(analysis.signals.time_s[stop - 1]))
    told = traces(analysis, FOUR, window_s=ends, along="distance", others=many)
    assert len(told["strands"]) == MOST_LAPS
    assert len(json.dumps(told)) < 1.6 * MOST_BYTES  # no line may have fewer points than a curve needs
    points = sum(len(unpacked(x["y"])) for r in told["rows"] for x in r["lines"])
    assert points < 1.5 * ALL_POINTS


def test_a_close_window_is_not_thinned(analysis):
    told = traces(analysis, ["throttle"], window_s=(10.0, 12.0))
    expected = analysis.signals.throttle[
        analysis.signals.time_s.searchsorted(10.0) : analysis.signals.time_s.searchsorted(12.0, "right")
    ]
    np.testing.assert_allclose(unpacked(line(told, "throttle", "throttle")["y"]), 100 * expected, atol=0.01)


def test_inside_and_outside_keep_their_names_in_left_and_right_turns(analysis):
    signals = analysis.signals
    for direction, inside in (("left", 2), ("right", 3)):
        corner = next(c for c in analysis.corners if c.direction == direction)
        ends = (float(signals.time_s[corner.apex - 5]), float(signals.time_s[corner.apex + 5]))
        told = traces(analysis, ["wheel_speed"], window_s=ends)
        expected = 3.6 * signals.wheel_speed_m_s[corner.apex - 5 : corner.apex + 6, inside]
        found = unpacked(line(told, "wheel_speed", "inside rear")["y"])
        assert np.abs(found[: len(expected)] - expected).max() < 0.05


def test_front_wheels_and_both_sides_of_a_chart_keep_their_own_names(analysis):
    count = len(analysis.signals.time_s)
    wheels = np.tile([10.0, 20.0, 30.0, 40.0], (count, 1))  # front left, front right, rear left, rear right; m/s
    told_apart = replace(analysis, signals=replace(analysis.signals, wheel_speed_m_s=wheels))

    def lines(key):
        return {x.name: x.part(slice(None)) for x in QUANTITIES[key].lines(told_apart)}

    shown, left = lines("wheel_speed"), rear_of(told_apart).turn > 0
    assert np.unique(shown["front left"]) == pytest.approx([36.0])  # km/h
    assert np.unique(shown["front right"]) == pytest.approx([72.0])
    assert shown["inside rear"] == pytest.approx(np.where(left, 108.0, 144.0))
    assert shown["outside rear"] == pytest.approx(np.where(left, 144.0, 108.0))
    axle = analysis.axle
    for key, at_left, at_right, factor in (
        ("slip", axle.slip_left, axle.slip_right, 100),
        ("grip_used", axle.use_left, axle.use_right, 1),
    ):
        sides = lines(key)
        known = np.isfinite(sides["inside rear"])
        assert (known & left).any() and (known & ~left).any()
        assert sides["inside rear"][known] == pytest.approx(factor * np.where(left, at_left, at_right)[known])
        assert sides["outside rear"][known] == pytest.approx(factor * np.where(left, at_right, at_left)[known])
    assert lines("speed_difference")["left minus right"] == pytest.approx(axle.speed_difference_rad_s)
    assert lines("speed_difference")["if both rolled free"] == pytest.approx(axle.free_difference_rad_s)


def test_laps_over_each_other_lie_at_the_same_place_and_say_what_they_lose(analysis):
    bounds, signals = analysis.laps.bounds, analysis.signals
    start, stop = bounds[0]
    ends = (float(signals.time_s[start]), float(signals.time_s[stop - 1]))
    told = traces(analysis, ["throttle"], window_s=ends, along="distance", others=[Other(analysis, 2, "lap 2")])
    assert [s["name"] for s in told["strands"]] == ["lap 1", "lap 2"]
    length = signals.distance_m[stop - 1] - signals.distance_m[start]
    for strand in told["strands"]:
        x = unpacked(strand["x"])
        assert x[0] == pytest.approx(0.0, abs=5.0) and x[-1] == pytest.approx(length, rel=0.01)
    gained = row(told, "gained")
    times = [signals.time_s[b - 1] - signals.time_s[a] for a, b in bounds[:2]]
    lost = {x["strand"]: unpacked(x["y"])[-1] for x in gained["lines"]}
    assert lost[1] - lost[0] == pytest.approx(times[1] - times[0], abs=0.02)
    assert min(lost.values()) == pytest.approx(0.0, abs=1e-3)


def test_a_lap_of_another_circuit_is_refused_in_words(analysis):
    longer = replace(analysis, signals=replace(analysis.signals, distance_m=1.2 * analysis.signals.distance_m))
    start, stop = analysis.laps.bounds[0]
    ends = (float(analysis.signals.time_s[start]), float(analysis.signals.time_s[stop - 1]))
    with pytest.raises(InputError, match="different circuits"):
        traces(analysis, ["throttle"], window_s=ends, others=[Other(longer, 1, "other, lap 1")])


def test_a_standing_car_is_drawn_by_distance_too(analysis):
    stood = analysis.signals.distance_m.copy()
    stood[1000:1500] = stood[1000]
    still = replace(analysis, signals=replace(analysis.signals, distance_m=stood))
    ends = (float(analysis.signals.time_s[900]), float(analysis.signals.time_s[1600]))
    x = unpacked(traces(still, ["throttle"], window_s=ends, along="distance")["strands"][0]["x"])
    assert (np.diff(x) >= -0.02).all()


def test_every_quantity_is_sent_and_drawn(analysis):
    for key in [*QUANTITIES, *logged(analysis)]:
        assert row(traces(analysis, [key], window_s=None), key)["lines"], key
    for key in MAP_LABELS:
        values = unpacked(circuit(analysis, key, [])["values"])
        assert len(values) == PLACES and np.isfinite(values).any(), key
        assert TOP[key] > 0
    for key in CHOICES:
        repeat(analysis, key, "power_application", mode="dark")


def test_slip_is_held_against_the_tyre_s_peak(analysis):
    name, level = row(traces(analysis, ["slip"], window_s=(2.0, 4.0)), "slip")["limit"]
    assert name == "peak of the tyre" and level == pytest.approx(100 * rear_of(analysis).peak_slip, abs=0.01)


def test_the_map_keeps_the_most_of_every_place_of_all_laps(analysis):
    rear = rear_of(analysis)
    inside = np.where(analysis.laps.number > 0, rear.inside_slip, np.nan)[rear.cornering]
    told = circuit(analysis, "slip", [])
    assert np.nanmax(unpacked(told["values"])) == pytest.approx(100 * np.nanmax(inside), rel=1e-3)


def test_overview_says_what_the_result_says(analysis):
    told, result = overview(analysis), json.loads(to_json(analysis))
    json.dumps(told, allow_nan=False)
    assert [f["sentence"] for f in told["findings"]] == [f["sentence"] for f in result["findings"]]
    assert len(told["laps"]) == len(analysis.laps.bounds)
    assert {(p["lap"], p["corner"]) for p in told["passes"]} == {(c.lap, c.number) for c in analysis.corners}
    preload = told["parameters"][0]["measured"]
    assert preload[0] == pytest.approx(analysis.lock_curve.parameters["preload_Nm"].value, abs=1e-3)
    times = [lap["time_s"] for lap in told["laps"]]
    assert times[told["fastest"] - 1] == min(times)
    # a lap's clock runs from its first to its last sample
    for lap in told["laps"]:
        assert (lap["clock_s"][0], lap["clock_s"][-1]) == pytest.approx((lap["start_s"], lap["end_s"]), abs=0.02)


def test_a_cause_is_throttle_differential_or_not_clear_of_inside_spins_only(analysis):
    asked = {"asked_share": 1.0, "asked_share_lower": 0.9, "asked_share_upper": 1.1}
    evidence = [
        made_evidence(InsideSpin, foot_or_car=Blame.CAR, probability_car=0.93, **asked),
        made_evidence(InsideSpin, foot_or_car=Blame.FOOT, probability_car=0.04, **asked),
        made_evidence(InsideSpin, foot_or_car=Blame.OPEN),
        made_evidence(BothWheelSpin),
        made_evidence(InsideWheelLocking),
    ]
    told = overview(replace(analysis, findings=tuple(made_finding(e) for e in evidence)))
    assert [f["cause"] for f in told["findings"]] == ["differential", "throttle", "unclear", None, None]
    assert [f["chance"] for f in told["findings"]] == [0.93, 0.04, None, None, None]
    assert told["answer"][0].startswith("The inside rear spun 3 times")  # as many as have a cause


def test_the_anchored_curve_is_sent_only_where_there_is_one(analysis):
    assert lock(analysis)["anchored"] is None and overview(analysis)["parameters"][0]["anchored"] is None
    second = replace(
        analysis.lock_curve,
        parameters={**analysis.lock_curve.parameters, "preload_Nm": Interval(70.0, 60.0, 81.0)},
    )
    anchored = replace(analysis, anchored=AnchoredEstimate(lock_curve=second, anchors=(), probability=0.4))
    told = lock(anchored)
    assert [p[:2] for p in told["anchored"]] == [[p.input_torque_Nm, p.locking_torque_Nm] for p in second.points]
    preload = overview(anchored)["parameters"][0]
    assert preload["anchored"] == [70.0, 60.0, 81.0] and preload["measured"] != preload["anchored"]


def test_the_other_logs_are_named_in_the_head_line(analysis):
    assert "together" not in facts(analysis)
    others = [
        replace(analysis, recording=replace(analysis.recording, name=name)) for name in ("second.csv", "third.csv")
    ]
    assert facts(replace(analysis, others=tuple(others))).endswith("; analysed together with second.csv and third.csv")


def test_lock_plot_has_the_curve_s_points_draws_and_samples(analysis):
    told, points = lock(analysis), analysis.lock_curve.points
    assert [p[:2] for p in told["points"]] == [[p.input_torque_Nm, p.locking_torque_Nm] for p in points]
    assert all(len(draw) == len(points) for draw in told["draws"])
    heights = unpacked(told["slipping"]["y"])
    assert len(heights) and heights.min() >= 0


def test_braked_samples_are_not_in_the_lock_plot(analysis):
    braked = replace(analysis, axle=replace(analysis.axle, braked=np.ones(len(analysis.signals.time_s), bool)))
    told = lock(braked)
    assert not [kind for kind in ("slipping", "locked") if len(unpacked(told[kind]["y"]))]


def test_slopes_are_sent_per_100_newton_metres_and_the_preload_is_not(analysis):
    sent = {line["label"]: line["measured"] for line in overview(analysis)["parameters"]}
    for label, name, factor in (
        ("Preload", "preload_Nm", 1),
        ("Drive", "drive_slope", 100),
        ("Coast", "coast_slope", 100),
    ):
        found = analysis.lock_curve.parameters[name]
        (values,) = (v for key, v in sent.items() if key.startswith(label))
        assert values == pytest.approx([factor * v for v in (found.value, found.lower, found.upper)], abs=1e-3)


def test_the_corner_table_s_interval_is_that_of_95_per_cent(analysis):
    rows = tuple(replace(r, transfer_torque_Nm=100.0, transfer_torque_sd_Nm=10.0) for r in analysis.phase_results)
    table = corner_table(replace(analysis, phase_results=rows), 2)
    at = table["headings"].index("95 % interval")
    assert {line["cells"][at] for line in table["rows"]} == {"80 to 120"}


def test_rear_axle_is_worked_out_once_an_analysis_and_never_stale(analysis):
    first, same = rear_of(analysis), rear_of(analysis)
    assert same is first
    other = replace(analysis, axle=replace(analysis.axle, slip_left=analysis.axle.slip_left + 0.1))
    np.testing.assert_allclose(np.nanmax(np.abs(rear_of(other).inside_slip - first.inside_slip)), 0.1)
    key = id(other)
    del other
    gc.collect()
    assert key not in quantities._known


def test_views_answer_and_refuse_in_words(client, run_id):
    def view(name, run=run_id):
        return client.get(f"/run/{run}/view/{name}", headers=HERE).get_json()

    assert view("overview")["laps"] and view("lock")["points"]
    assert view("circuit?colour=slip&laps=1")["label"]
    assert view("traces?rows=throttle&from=3&to=9")["rows"]
    assert "no lap 99" in view("traces?rows=throttle&from=3&to=9&over=99")["refusal"]
    for wrong in ("nothing", "traces?rows=nothing", "circuit?colour=nothing", "circuit"):
        assert "load the page again" in view(wrong)["refusal"]
    assert "no such run" in view("overview", "0000000000000000")["refusal"]
