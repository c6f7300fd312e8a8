"""Makes the README's picture of a decisive test; needs chromium: `PYTHONPATH=tests python -m browser.decisive_picture`.

The same question of laps alone, and of laps, circles and the bench reading: does it agree with the parts? Lock curve
and verdict, with the figures of the report.
"""

import tempfile
from importlib import resources
from pathlib import Path

import plotly.graph_objects as go
from browser.conftest import FLAGS
from browser.driving import browser_path
from playwright.sync_api import sync_playwright
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.pipeline import analyze
from analyzer.presentation.figures.lock_plot import measured_stretches, stretch_columns
from analyzer.presentation.figures.theme import BLUE, MEASURED_BAND, VERMILLION, styled
from analyzer.presentation.words import VERDICT_WORDS

SAMPLES = Path(str(resources.files("sample_logs")))
CAR = SAMPLES / "club_car.toml"
SIZE = (900, 420)


def make(target: Path) -> None:
    """Write the picture."""
    laps, circles = SAMPLES / "baseline.parquet", SAMPLES / "baseline_circles.parquet"
    before = analyze(log_path=laps, car_path=CAR, setup_path=SAMPLES / "baseline.setup.toml")
    after = analyze(log_path=[laps, circles], car_path=CAR, setup_path=SAMPLES / "baseline_bench.setup.toml")
    shown = (("four laps", before, before.lock_curve), ("laps, circles, bench", after, after.anchored.lock_curve))
    titles = [
        f"<b>{name}: {VERDICT_WORDS[analysis.agreement.verdict]}</b><br>preload {_interval(curve)}"
        for name, analysis, curve in shown
    ]
    figure = make_subplots(rows=1, cols=2, shared_yaxes=True, horizontal_spacing=0.04, subplot_titles=titles)
    for column, (_, analysis, curve) in enumerate(shown, start=1):
        _curve(figure, curve, column)
        _parts(figure, analysis, curve, column)
    figure.update_xaxes(title="input torque, N.m")
    figure.update_yaxes(title="locking torque, N.m", rangemode="tozero", col=1)
    styled(figure, height=SIZE[1])
    figure.update_layout(width=SIZE[0], margin={"t": 60, "b": 100, "l": 60, "r": 15})
    figure.update_layout(legend={"orientation": "h", "y": -0.3, "x": 0})
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        html = Path(folder) / "picture.html"
        figure.write_html(html, include_plotlyjs=True, config={"displayModeBar": False})
        browser = playwright.chromium.launch(executable_path=browser_path(), args=FLAGS)
        page = browser.new_page(viewport={"width": SIZE[0] + 16, "height": SIZE[1] + 16})
        page.goto(html.as_uri())
        page.wait_for_selector(".main-svg")
        page.locator(".plot-container").screenshot(path=target)
        browser.close()


def _interval(curve: LockCurveEstimate) -> str:
    preload = curve.parameters["preload_Nm"]
    return f"{preload.value:.0f} N.m ({preload.lower:.0f} to {preload.upper:.0f})"


def _curve(figure: go.Figure, curve: LockCurveEstimate, column: int) -> None:
    for k, stretch in enumerate(measured_stretches(curve.points)):
        x, y, lower, upper = stretch_columns(stretch)
        first = k == 0 and column == 1
        band = {"x": x + x[::-1], "y": upper + lower[::-1], "fill": "toself", "fillcolor": MEASURED_BAND}
        figure.add_scatter(
            **band, mode="lines", line={"width": 0}, name="95 % interval", showlegend=first, row=1, col=column
        )
        line = {"color": BLUE, "width": 3}
        figure.add_scatter(x=x, y=y, mode="lines", line=line, name="measured", showlegend=first, row=1, col=column)


def _parts(figure: go.Figure, analysis: Analysis, curve: LockCurveEstimate, column: int) -> None:
    x = [p.input_torque_Nm for p in curve.points]
    figure.add_scatter(
        x=x,
        y=analysis.predicted.locking_torque_Nm(x),
        mode="lines",
        line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
        name="parts predict",
        showlegend=column == 1,
        row=1,
        col=column,
    )


if __name__ == "__main__":
    make(SAMPLES / "decisive.png")
