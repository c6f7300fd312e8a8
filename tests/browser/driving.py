"""How the tests drive the pages. Every wait is for a state, never for a time: a busy machine only takes longer."""

import json
import os
import re
import shutil
import time
import urllib.request
from pathlib import Path

import pytest

BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser")  # the lightest first

PLOT = "document.querySelector('#{0} .js-plotly-plot')"
COUNTS = "[...document.querySelectorAll('#traces [data-points]')].map(line => +line.dataset.points)"
# the stretch that is drawn: [from, to], s of log time
WINDOW = "(w => w ? w.split(',').map(Number) : null)(document.querySelector('#traces')?.dataset.window)"
ORDER = "halfshaft.screen.data.groups.flatMap(group => group.members)"  # of the findings in the list
STATE = "Object.fromEntries(new URLSearchParams(location.hash.slice(1)))"
BAR = "bars => bars.map(bar => bar.value)"
# what is said, but not for how long: that goes on also where nothing else does
WITHOUT_CLOCK = """boxes => boxes.map(box => { const copy = box.cloneNode(true);
    copy.querySelectorAll('[data-since]').forEach(clock => clock.remove()); return copy.textContent; })"""
DARK_INK = "#e3e6ea"
PATIENCE_S = 90
ASKED = re.compile("/_dash-update-component")


def browser_path():
    """Path of Chromium, the system's or the one that playwright installed, or None."""
    if installed := next((path for name in BROWSERS if (path := shutil.which(name))), None):
        return installed
    own = Path(os.environ.get("PLAYWRIGHT_BROWSERS_PATH") or Path.home() / ".cache" / "ms-playwright")
    return next((str(path) for path in sorted(own.glob("chromium-*/chrome-linux*/chrome"))), None)


def upload_and_analyse(page, path):
    page.set_input_files("#file-log", str(path))
    page.get_by_text(f"{path.name} is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text=path.name).first
    wait_for_work(page, line.locator(".state.done"), line)
    return line


def wait_for_work(page, done, told):
    """Until `done` is there, however long a busy machine takes, as long as what `told` says of it goes on; a refusal
    ends it at once."""
    before, until = None, 0.0
    while not done.count():
        now = told.evaluate_all(WITHOUT_CLOCK), told.locator("progress").evaluate_all(BAR)
        if now != before:
            before, until = now, time.monotonic() + PATIENCE_S
        refused = told.locator(".refusal").all_inner_texts()
        if refused or time.monotonic() > until:
            pytest.fail(f"came to a stop at {before}")
        page.wait_for_timeout(250)  # work takes seconds; asked every 50 ms, a third as much again
    done.first.wait_for()


def choose_sample_car(page):
    car = page.locator("#choice-car")
    if "club_car.toml" not in car.inner_text():
        choose(page, "#choice-car", "club_car.toml")
    page.locator("#choice-car", has_text="club_car.toml").wait_for()


def open_run(page, path):
    upload_and_analyse(page, path).get_by_role("link", name="Open").click()
    page.wait_for_url("**/run/*")
    wait_for_charts(page)
    return page.url.split("#")[0].rsplit("/", 1)[1]


def wait_for_screen(page):
    """Until the run screen is drawn; the charts below it come when it rests."""
    page.locator("#screen[data-ready]").wait_for()
    for chart in ("map svg", "traces svg"):
        page.locator(f"#{chart}").first.wait_for()


def wait_for_charts(page):
    """Until the screen and the charts below it are drawn."""
    wait_for_screen(page)
    page.locator("#repeat .plot-container").first.wait_for()
    wait_until(page, f"{PLOT.format('repeat')}?.layout?.font")  # an empty one is there before its figure comes


def cell(page, lap, corner):
    """The grid's cell of a corner pass."""
    return page.locator(f'[data-cell="{lap}.{corner}"]')


def wait_until(page, expression):
    """`expression` true in the page; asked from here, because the page's policy forbids it to evaluate text."""
    wait_for(page, lambda: page.evaluate(expression), expression)


def wait_for(page, condition, words):
    """`condition()` true here, while the page goes on."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if condition():
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never true: {words}")


def box_of(page, selector):
    """Where an element lies in the window, once it is drawn and no redraw has just taken it away."""
    element, boxes = page.locator(selector), []
    wait_for(page, lambda: boxes.append(element.bounding_box()) or boxes[-1] is not None, f"{selector} is drawn")
    return boxes[-1]


def wait_for_stretch(page, moment):
    """The traces show what is around a log time (s), as the server drew it."""
    wait_until(page, f"(w => w && w[0] < {moment} && {moment} < w[1])({WINDOW})")


def result_of(address, run_id):
    with urllib.request.urlopen(f"{address}/run/{run_id}/result.json", timeout=20) as answer:
        return json.load(answer)


def choose(page, dropdown, option):
    """Pick an entry of one of Dash's dropdowns."""
    page.locator(dropdown).click()
    page.locator(".dash-dropdown-option", has_text=option).or_(page.get_by_role("option", name=option)).first.click()


def intercept(page, pattern, handler):
    """`page.route` that holds from its return on. On a busy machine Chromium answers that it intercepts before the
    page's loader does, and the next request went to the server; so one of our own goes ahead until it is taken."""
    page.route(pattern, handler)
    probe = "/alive?taken"
    page.route(f"**{probe}", lambda route: route.fulfill(body="taken"))
    answer = f"fetch('{probe}', {{signal: AbortSignal.timeout(5000)}}).then(answer => answer.text(), () => '')"
    wait_until(page, f"{answer}.then(text => text === 'taken')")
    page.unroute(f"**{probe}")


class Held:
    """Answers of the server to one callback, held back until they are let go. `output` is the callback's output as
    Dash writes it, such as `repeat.figure`, or a view of the run screen, such as `view/traces`."""

    def __init__(self, page, output):
        self._page, self._holding, self.routes = page, True, []
        view = output.startswith("view/")
        intercept(
            page, re.compile(f"/{output}") if view else ASKED, lambda route: self._take(route, None if view else output)
        )

    def _take(self, route, output):
        if self._holding and (output is None or json.loads(route.request.post_data)["output"] == output):
            self.routes.append(route)
        else:
            route.continue_()

    def wait_for(self, count):
        """Until `count` answers are held."""
        wait_for(self._page, lambda: len(self.routes) >= count, f"asked for {count} times")

    def let_go(self):
        """Newest first, the order that does most harm; from now on nothing is held."""
        self._holding = False
        for route in reversed(self.routes):
            route.continue_()
