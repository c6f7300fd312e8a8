"""How fast the run screen answers on an hour at 100 Hz: `PYTHONPATH=tests python -m browser.answer_times [HOURS]`.

The log is the shipped sample, lap after lap, until the hour is full (invented car, invented circuit). Server: the whole
request in the process that serves it. Browser: from the key or click to the traces as drawn, in the machine's Chromium.
"""

import statistics
import sys
import tempfile
import time
from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np

from analyzer.analysis import Analysis
from analyzer.logbook import results
from analyzer.pipeline import analyze
from dashboards.app import create_app
from dashboards.logbook import Logbook
from dashboards.run.lines import MOST_LAPS

SAMPLES = Path(str(resources.files("sample_logs")))
HERE = {"Host": "localhost"}
TRIES = 7


def stretched(analysis: Analysis, hours: float) -> Analysis:
    """The analysis with its laps repeated until they last so many hours."""
    n = len(analysis.signals.time_s)
    times = max(1, round(hours * 3600 * analysis.signals.rate_hz / n))

    def along(values: np.ndarray, step: float = 0.0) -> np.ndarray:
        return np.concatenate([values + k * step for k in range(times)])

    def repeated(part, **steps):
        arrays = {
            name: along(value, steps.get(name, 0.0)) if name in steps else np.concatenate([value] * times)
            for name, value in vars(part).items()
            if isinstance(value, np.ndarray) and value.shape[:1] == (n,)
        }
        return replace(part, **arrays)

    signals = analysis.signals
    span = n / signals.rate_hz
    laps = len(analysis.laps.bounds)
    shifted = range(times)
    return replace(
        analysis,
        signals=repeated(signals, time_s=span, distance_m=float(signals.distance_m[-1] - signals.distance_m[0])),
        axle=repeated(analysis.axle),
        laps=replace(
            analysis.laps,
            number=np.concatenate(
                [np.where(analysis.laps.number > 0, analysis.laps.number + k * laps, 0) for k in shifted]
            ),
            bounds=tuple((a + k * n, b + k * n) for k in shifted for a, b in analysis.laps.bounds),
        ),
        corners=tuple(
            replace(c.moved(k * n), lap=c.lap + k * laps if c.lap else 0) for k in shifted for c in analysis.corners
        ),
        findings=tuple(
            replace(f, lap=f.lap and f.lap + k * laps, start_s=f.start_s + k * span, end_s=f.end_s + k * span)
            for k in shifted
            for f in analysis.findings
        ),
        recording=replace(analysis.recording, name="an hour"),
    )


def main(hours: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        logbook = Logbook(Path(folder) / "book")
        made = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
        sample = analyze(
            log_path=SAMPLES / "baseline.parquet",
            car_path=SAMPLES / "club_car.toml",
            setup_path=SAMPLES / "baseline.setup.toml",
        )
        long = stretched(sample, hours)
        run = results.run_of(logbook.book, results.result(logbook.book, made))
        results.finish(logbook.book, run, long, provenance=results.expected(run))
        app = create_app(logbook.folder)
        rows = len(long.signals.time_s)
        print(f"{rows} rows, {len(long.laps.bounds)} laps, {len(long.findings)} findings")
        _server(app, made, long)
        _browser(app, made, long)


def _server(app, run_id: str, analysis: Analysis) -> None:
    client = app.server.test_client()
    corner = analysis.corners[len(analysis.corners) // 2]
    start, stop = (float(analysis.signals.time_s[k]) for k in (corner.start, corner.stop - 1))
    middle = float(analysis.signals.time_s[-1]) / 2
    four, lap = "rows=wheel_speed,slip,throttle,steer", corner.lap
    over = ",".join(str(lap + k) for k in range(1, 4))
    passes = [c for c in analysis.corners if c.number == corner.number and c.lap not in (0, lap)]
    every = ",".join(str(c.lap) for c in passes[: MOST_LAPS - 1])
    over_each_other = f"traces?{four}&from={start}&to={stop}&along=distance&over="
    asked = {
        "pick: one corner pass": f"traces?{four}&from={start - 1}&to={stop + 1}",
        "zoom: ten minutes": f"traces?{four}&from={middle - 300}&to={middle + 300}",
        "whole log": f"traces?{four}",
        "four laps over each other": over_each_other + over,
        "a corner in every lap, as many as are overlaid": over_each_other + every,
        "map, another colour": "circuit?colour=transfer_torque&laps=",
        "lock plot (once a run)": "lock",
        "overview (once a run)": "overview",
    }
    print("\n| asked | server, ms | answer, kB |\n|---|---|---|")
    for words, view in asked.items():
        times = []
        for _ in range(TRIES):
            began = time.perf_counter()
            body = client.get(f"/run/{run_id}/view/{view}", headers=HERE).data
            times.append(1000 * (time.perf_counter() - began))
        print(f"| {words} | {statistics.median(times):.0f} (first {times[0]:.0f}) | {len(body) / 1000:.0f} |")


def _browser(app, run_id: str, analysis: Analysis) -> None:
    import threading

    from playwright.sync_api import sync_playwright

    from dashboards.serving import make_server

    server = make_server(app.server, host="127.0.0.1", port=0)
    threading.Thread(target=server.run, daemon=True).start()
    address = f"http://127.0.0.1:{server.effective_port}"
    timed = """async (act) => {
        const box = document.querySelector('#traces'), before = box.querySelector('svg');
        const began = performance.now();
        (0, halfshaft[act[0]])(...act[1]);
        while (box.querySelector('svg') === before || box.dataset.window === act[2]) {
            await new Promise(requestAnimationFrame);
            if (performance.now() - began > 20000) break;
        }
        return performance.now() - began;
    }"""
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--enable-unsafe-swiftshader", "--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        began = time.perf_counter()
        page.goto(f"{address}/run/{run_id}")
        page.locator("#traces svg").wait_for(timeout=60_000)
        print(f"\nopening the page: {time.perf_counter() - began:.1f} s\n\n| done | browser, ms |\n|---|---|")
        end = float(analysis.signals.time_s[-1])
        for words, acts in {
            "pick": [["pick", [{"finding": k}]] for k in range(3, 3 + 2 * TRIES, 2)],
            "zoom": [["go", [{"from": 100.0 + 10 * k, "to": 700.0 + 11 * k}]] for k in range(TRIES)],
            "whole log": [["go", [{"from": float(k), "to": end}]] for k in range(TRIES)],
            "corner, every lap": [["pick", [{"corner": c, "finding": None}]] for c in range(1, TRIES + 1)],
        }.items():
            times = []
            for act in acts:
                window = page.evaluate("document.querySelector('#traces').dataset.window")
                times.append(page.evaluate(timed, [*act, window]))
            print(f"| {words} | {statistics.median(times):.0f} (most {max(times):.0f}) |")
        browser.close()
    server.close()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
