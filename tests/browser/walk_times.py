"""The three people's walks with clicks and seconds: `PYTHONPATH=tests python -m browser.walk_times`.

From the start page of a logbook with the shipped sample before and after a change (invented car, invented circuit), in
the machine's Chromium, 1280 x 800. A click is a click or a drag of a person; seconds are from the first click to what
the person came for as drawn, without the time to read.
"""

import tempfile
import threading
import time
from importlib import resources
from pathlib import Path

from browser.driving import browser_path, cell, wait_for, wait_for_screen

from analyzer.logbook import results
from analyzer.pipeline import analyze
from dashboards.app import create_app
from dashboards.logbook import Logbook
from dashboards.serving import make_server

SAMPLES = Path(str(resources.files("sample_logs")))
RUNS = (("baseline.parquet", "baseline.setup.toml"), ("stiffer_cone.csv.gz", "stiffer_cone.setup.toml"))


class Walk:
    """A page that counts the clicks of one person."""

    def __init__(self, page) -> None:
        self.page, self.clicks, self.began = page, 0, 0.0

    def click(self, element) -> None:
        """One click; the clock starts at the first one."""
        element.wait_for()
        self.began = self.began or time.perf_counter()
        self.clicks += 1
        element.click()

    @property
    def seconds(self) -> float:
        """Since the first click."""
        return time.perf_counter() - self.began


def driver(walk: Walk) -> str:
    """Corner 4 in every lap: throttle or differential."""
    walk.click(walk.page.locator(".run-line", has_text="baseline").get_by_role("link", name="Open"))
    wait_for_screen(walk.page)
    walk.click(walk.page.get_by_role("button", name="corner 4, right, every lap"))
    walk.page.locator("#what", has_text="Corner 4, every lap").wait_for()
    walk.page.locator("#traces .row-title", has_text="time lost to").wait_for()
    return "corner 4, every lap, the differential"


def driver_one_pass(walk: Walk) -> str:
    """One pass of the grid, on map and traces."""
    walk.click(walk.page.locator(".run-line", has_text="baseline").get_by_role("link", name="Open"))
    wait_for_screen(walk.page)
    walk.click(cell(walk.page, 1, 4))
    walk.page.locator("#map .picked").wait_for()
    return "one spin, on map and traces"


def engineer(walk: Walk) -> str:
    """Did the change take, both sides fitted together."""
    page = walk.page
    for name, side in (("baseline", "before"), ("stiffer", "after")):
        walk.click(page.locator(".run-line", has_text=name).get_by_role("button", name=f"{side} the change"))
    walk.click(page.locator("#compare-marked"))
    walk.click(page.locator("#together"))
    page.get_by_role("heading", name="Change of the lock curve").wait_for(timeout=300_000)
    page.locator("#laps[data-ready]").wait_for()
    return "did the change take, with both fastest laps overlaid"


def tuner(walk: Walk) -> str:
    """Spins by corner with more preload."""
    page = walk.page
    walk.click(page.locator(".run-line", has_text="baseline").get_by_role("link", name="Open"))
    wait_for_screen(page)
    walk.click(page.get_by_role("link", name="What if").first)
    page.locator("#trial-corners table").wait_for()
    said = page.locator("#trial-answer").inner_text()
    slider = page.locator("#try-preload_Nm")
    walk.click(slider)  # in the middle of the slider: half of its range
    wait_for(page, lambda: page.locator("#trial-answer").inner_text() != said, "the laps were replayed")
    return "spins by corner with another preload"


def planner(walk: Walk) -> str:
    """What to drive or measure next."""
    page = walk.page
    walk.click(page.locator(".run-line", has_text="baseline").get_by_role("link", name="Open"))
    wait_for_screen(page)
    walk.click(page.get_by_role("link", name="Plan"))
    walk.click(page.get_by_role("link", name="Does it agree with its parts?"))
    page.locator(".option[open] .card").wait_for(timeout=300_000)
    return "what to measure or drive next, with its test card"


WALKS = {
    "driver": driver,
    "driver, one pass": driver_one_pass,
    "engineer": engineer,
    "tuner": tuner,
    "tuner, what next": planner,
}


def main() -> None:
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder:
        logbook = Logbook(Path(folder) / "book")
        for log, setup in RUNS:
            keys = {}
            for kind, name in (("log", log), ("setup", setup)):
                with (SAMPLES / name).open("rb") as stream:
                    keys[kind] = logbook.store(kind, name, stream, None).key
            made = logbook.new_run(log_key=keys["log"], car_key="sample", setup_key=keys["setup"])
            run = results.run_of(logbook.book, results.result(logbook.book, made))
            found = analyze(log_path=SAMPLES / log, car_path=SAMPLES / "club_car.toml", setup_path=SAMPLES / setup)
            results.finish(logbook.book, run, found, provenance=results.expected(run))
        app = create_app(logbook.folder)
        server = make_server(app.server, host="127.0.0.1", port=0)
        threading.Thread(target=server.run, daemon=True).start()
        print("| who | comes for | clicks | seconds |\n|---|---|---|---|")
        with sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path=browser_path(), args=["--enable-unsafe-swiftshader", "--no-sandbox"]
            )
            for who, steps in WALKS.items():
                page = browser.new_page(viewport={"width": 1280, "height": 800})
                page.set_default_timeout(120_000)
                page.goto(f"http://127.0.0.1:{server.effective_port}/")
                page.locator(".run-line").first.wait_for()
                walk = Walk(page)
                told = steps(walk)
                print(f"| {who} | {told} | {walk.clicks} | {walk.seconds:.1f} |", flush=True)
                page.close()
            browser.close()
        app.halfshaft_jobs.close()
        server.close()


if __name__ == "__main__":
    main()
