"""The report: one file, no network, escaped text, every chart with its sentence; and downsampling that keeps spikes."""

import re
from dataclasses import replace
from html import unescape

import numpy as np
import plotly.graph_objects as go
import pytest
from made_analysis import Made, made_analysis, made_estimate, made_prediction
from made_findings import made_evidence, made_finding
from plotly.offline import get_plotlyjs

from analyzer.errors import InputError
from analyzer.findings.evidence import KINDS, OneWheelSpin
from analyzer.findings.finding import OF_THE_SESSION
from analyzer.in_words import CAUTIONS
from analyzer.presentation.figures.lap_figures import SHAPES, corner_traces, drawn_path, path_map
from analyzer.presentation.figures.lock_plot import how_to_read, lock_plot
from analyzer.presentation.figures.theme import add_band, largest, min_max
from analyzer.presentation.finding_words import finding_sentence
from analyzer.presentation.html import analysis_report, worst_corners, write_html
from analyzer.presentation.words import KIND_NAMES


@pytest.fixture(scope="module")
def analysis():
    return made_analysis()


@pytest.fixture(scope="module")
def page(analysis):
    return analysis_report(analysis)


def own(page: str) -> str:
    """The page without the charting library."""
    return page.replace(get_plotlyjs(), "")


def test_the_page_asks_nothing_from_the_network(page):
    assert not re.search(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", own(page))
    assert "@import" not in own(page) and "url(" not in own(page)


def test_the_page_is_small_enough_and_has_the_library_once(page):
    assert len(page.encode()) < 8_000_000
    assert page.count(get_plotlyjs()[:300]) == 1


def test_every_chart_has_an_id_and_a_sentence_that_says_how_to_read_it(page):
    text = own(page)
    charts = re.findall(r'<div id="([^"]+)" class="plotly-graph-div"', text)
    assert charts[:2] == ["lock-plot", "path-map"] and len(set(charts)) == len(charts) >= 3
    assert text.count("How to read it") == len(charts)
    assert '"showSendToCloud": false' in text and '"displaylogo": false' in text


def test_cautions_and_findings_are_on_the_page(analysis, page):
    for caution in CAUTIONS:
        assert caution in unescape(page)
    assert finding_sentence(analysis.findings[0]) in unescape(page)


def test_a_finding_leads_to_its_traces_and_back_to_none_that_are_not_drawn(page):
    text = own(page)
    ways = re.findall(r'href="#([^"]+)"', text)
    assert ways and all(f'id="{way}"' in text for way in ways)


def test_how_to_read_names_only_what_is_drawn(analysis):
    """Without a setup file there is no predicted line and no anchored one."""
    without = own(analysis_report(replace(analysis, predicted=None, agreement=None, anchored=None)))
    assert "what the parts predict" not in without and "anchored by what" not in without
    assert "what the parts predict" in how_to_read(replace(analysis, predicted=made_prediction()))


def test_every_log_that_was_fitted_is_named_at_the_head(analysis):
    circles = replace(analysis, recording=replace(analysis.recording, name="circles.csv"))
    head = analysis_report(replace(analysis, others=(circles,))).split("</header>")[0]
    assert analysis.recording.name in head and "with circles.csv" in head


def test_text_from_files_is_escaped(analysis):
    nasty = '<script>alert("x")</script>\x1b[2J\x9b2J'
    spoiled = replace(
        analysis,
        recording=replace(analysis.recording, name=nasty),
        car=analysis.car.model_copy(update={"name": nasty}),
        quality=tuple(replace(a, message=nasty) for a in analysis.quality),
        findings=(made_finding(made_evidence(OneWheelSpin, wheel=nasty)),),
    )
    assert nasty not in own(analysis_report(spoiled))
    assert "&lt;script&gt;" in analysis_report(spoiled)
    assert not {"\x1b", "\x9b"} & set(own(analysis_report(spoiled)))  # whoever looks at it on a terminal


@pytest.mark.parametrize("kind", ["open", "spool"])
def test_bounds_only_and_other_differentials_render(kind):
    page = analysis_report(
        made_analysis(Made(locked=True), predicted=made_prediction(kind=kind), lock_curve=made_estimate(kind="bound"))
    )
    assert "at least" in page


def test_without_setup_corners_or_findings_it_renders_and_says_so(analysis):
    bare = replace(analysis, predicted=None, agreement=None, corners=(), phase_results=(), findings=(), quality=())
    page = analysis_report(bare)
    assert "No setup file was given" in page and "No corners were found" in page and "Nothing to report" in page


def test_a_folder_that_is_not_there_is_a_plain_error(analysis, tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        write_html(analysis, tmp_path / "missing" / "r.html")


def test_worst_corners_are_those_of_the_worst_findings(analysis):
    worst = worst_corners(analysis)[0]
    assert (worst.lap, worst.number) == (analysis.findings[0].lap, analysis.findings[0].corner)


def test_locked_and_slipping_samples_differ_in_shape_and_colour(analysis):
    traces = {t.name: t.marker for t in lock_plot(analysis).data}
    locked, slipping = traces["locked sample"], traces["slipping sample"]
    assert locked.symbol != slipping.symbol and locked.color != slipping.color


def test_bounds_are_drawn_as_marks_and_never_as_the_curve():
    figure = lock_plot(made_analysis(lock_curve=made_estimate(kind="bound")))
    names = [t.name for t in figure.data]
    assert "at least this (bound)" in names and "measured lock curve" not in names


def test_the_curve_is_not_drawn_across_a_stretch_where_nothing_slipped(analysis):
    points = list(analysis.lock_curve.points)
    middle = len(points) // 2
    points[middle] = replace(points[middle], kind="bound", locking_torque_Nm=None, lower_Nm=5.0, upper_Nm=None)
    broken = replace(analysis, lock_curve=replace(analysis.lock_curve, points=tuple(points)))
    lines = [t for t in lock_plot(broken).data if t.name == "measured lock curve"]
    assert len(lines) == 2 and lines[0].x[-1] < points[middle].input_torque_Nm < lines[1].x[0]
    assert [t.showlegend for t in lines] == [True, False]


def test_the_map_keeps_the_spin(analysis):
    slips = np.concatenate([np.asarray(t.customdata)[:, 2] for t in path_map(analysis).data if t.name == "inside slip"])
    assert slips.max() == pytest.approx(20.0)


def test_traces_hold_their_point_budget(analysis):
    figure = corner_traces(analysis, analysis.corners[0])
    assert max(len(t.x) for t in figure.data) <= 702


@pytest.mark.parametrize("keep", [min_max, largest])
def test_downsampling_keeps_a_planted_spike(keep):
    values = np.sin(np.linspace(0, 50, 100_000))
    values[54_321] = 9.0
    kept = keep(values, 500)
    assert len(kept) <= 502 and 54_321 in kept and (np.diff(kept) > 0).all()


def test_min_max_keeps_both_spikes_ends_and_gaps():
    values = np.zeros(10_000)
    values[3_000], values[7_000] = 5.0, -5.0
    values[4_000:6_000] = np.nan
    kept = min_max(values, 100)
    assert {0, 3_000, 7_000, 9_999} <= set(kept.tolist())
    assert np.isnan(values[kept]).any()


def test_drifted_laps_are_laid_over_the_first_without_changing_their_shape(analysis):
    signals, bounds = analysis.signals, analysis.laps.bounds
    x, y = drawn_path(analysis)
    (a, b), (c, d) = bounds[0], bounds[3]
    assert np.hypot(x[c:d] - x[a:b], y[c:d] - y[a:b]).max() < 1.0  # the made-up laps are alike; they drift by 600 m
    assert np.hypot(signals.x_m[c:d] - signals.x_m[a:b], signals.y_m[c:d] - signals.y_m[a:b]).max() > 100
    steps = np.hypot(np.diff(x[c:d]), np.diff(y[c:d]))
    assert steps == pytest.approx(np.hypot(np.diff(signals.x_m[c:d]), np.diff(signals.y_m[c:d])))


def test_a_band_of_few_points_has_no_marks():
    # without a mode plotly draws lines and marks where a trace has fewer than twenty points
    figure = go.Figure()
    add_band(figure, [0.0, 1.0], [0.0, 0.0], [1.0, 2.0], fill="red")
    assert figure.data[0].mode == "lines"


def test_the_map_marks_every_kind_of_finding_by_a_shape_of_its_own(analysis):
    assert SHAPES.keys() == KIND_NAMES.keys() - set(OF_THE_SESSION)
    assert len(set(SHAPES.values())) == len(SHAPES)
    placed = next(f for f in analysis.findings if f.corner is not None)
    several = replace(analysis, findings=tuple(replace(placed, evidence=made_evidence(kind)) for kind in KINDS))
    shown = {t.name: t.marker.symbol for t in path_map(several).data if t.name in KIND_NAMES.values()}
    assert shown == {KIND_NAMES[kind]: shape for kind, shape in SHAPES.items()}


@pytest.mark.parametrize("direction", ["left", "right"])
def test_the_inside_wheel_keeps_its_name_and_colour_in_left_and_right_corners(analysis, direction):
    corner = replace(analysis.corners[0], direction=direction)
    traces = {t.name: t for t in corner_traces(analysis, corner).data}
    window = slice(max(corner.start - 50, 0), corner.stop + 50)
    side = 2 if direction == "left" else 3  # rear left, rear right
    fastest = 3.6 * np.nanmax(analysis.signals.wheel_speed_m_s[window, side])
    assert traces["inside rear"].y.max() == pytest.approx(fastest, rel=0.01)
    assert traces["inside rear"].line.color == traces["inside rear slip"].line.color
    assert traces["outside rear"].line.color == traces["outside rear slip"].line.color
