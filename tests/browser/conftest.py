"""A served dashboard and a real browser. Screenshots are kept in the folder that HALFSHAFT_SCREENSHOTS names;
HALFSHAFT_SLOWER makes the browser's processor so many times slower, as a busy machine would.

The server fixture comes first, so that the page is closed before its server stops.
"""

import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from browser.driving import BROWSERS, PATIENCE_S, browser_path, wait_for_screen

from analyzer.logbook import results
from analyzer.pipeline import analyze
from dashboards.logbook import Logbook

FLAGS = ["--enable-unsafe-swiftshader", "--no-sandbox"]
# most of a page's time goes into compiling its scripts: what is compiled is kept from a script's first run on, not only
# from its third, and nothing is optimised for a page that lives some seconds
COMPILED_ONCE = ["--blink-settings=v8CacheOptions=3", "--js-flags=--no-opt"]
SLOWER = float(os.environ.get("HALFSHAFT_SLOWER") or 1)
SAMPLES = Path(str(resources.files("sample_logs")))
ONE_LAP, TWO_LAPS = 8_000, 17_000  # rows of a sample


def pytest_collection_modifyitems(items):
    here = [item for item in items if Path(__file__).parent in item.path.parents]
    reason = why_no_browser() if here else None
    for item in here:
        if reason:
            item.add_marker(pytest.mark.skip(reason=reason))
        elif "keep_shot" in item.fixturenames:
            # once in some thousand pictures Chromium never answers; the summary counts such a second try as "rerun"
            item.add_marker(pytest.mark.flaky(reruns=2, only_rerun=[r"Page\.screenshot: Timeout"]))


def why_no_browser() -> str | None:
    try:
        import playwright  # noqa: F401
    except ModuleNotFoundError:
        return "the Python package playwright is not installed (pip install 'halfshaft[test]')"
    if browser_path() is None:
        return f"none of {', '.join(BROWSERS)} is installed (apt-get install chromium), nor playwright's own"
    return None


@contextmanager
def served(book: Path):
    """A dashboard on a free port with the logbook `book`: its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "analyzer.cli.main", "dashboard", "--port", "0", "--logbook", str(book)],
        stdout=subprocess.PIPE,
        text=True,
    )
    yield process.stdout.readline().split()[2]
    process.send_signal(signal.SIGTERM)
    process.wait(timeout=10)
    process.stdout.close()


@pytest.fixture(scope="session")
def book(tmp_path_factory):
    """The folder of the logbook that the tests share."""
    return tmp_path_factory.mktemp("book")


@pytest.fixture(scope="session")
def address(book):
    """The dashboard that the tests share."""
    with served(book) as address:
        yield address


@pytest.fixture
def new_book(tmp_path):
    return tmp_path / "new_book"


@pytest.fixture
def new_dashboard(new_book):
    """One with an empty logbook, for what depends on nothing having been done before."""
    with served(new_book) as address:
        yield address


@pytest.fixture(scope="session")
def visitor(address, tmp_path_factory):
    """Somebody's browser: a profile on disk, so that pages share their compiled scripts, half the work of loading one.
    A context of its own for each page would compile them again each time."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        visitor = play.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("profile"), executable_path=browser_path(), args=FLAGS + COMPILED_ONCE
        )
        yield visitor
        visitor.close()


@pytest.fixture
def open_page(visitor, address, request):
    """Opens pages; afterwards none may have complained or asked elsewhere, and nothing of them is left. The first is a
    new document in the browser's own tab, a third less work than a new tab. With `apart` somebody else's page, in a
    context of its own."""
    if getattr(request.node, "execution_count", 1) > 1:  # the tab whose picture never came is not asked again
        visitor.new_page()
        visitor.pages[0].close()
    others, complaints, places = [], [], {address}
    tab, listening = visitor.pages[0], []  # the browser ends with its last page, so this one stays

    def listen(page, event, hear):
        page.on(event, hear)
        listening.append((page, event, hear))

    def opened(path="/", *, width=1280, height=720, at=address, apart=False):
        if apart:
            others.append(visitor.browser.new_context())
            page = others[-1].new_page()
        else:
            page = visitor.new_page() if any(page is tab for page, *_ in listening) else tab
        places.add(at)
        page.set_viewport_size({"width": width, "height": height})
        page.set_default_timeout(1000 * PATIENCE_S)
        if SLOWER > 1:
            page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        listen(page, "console", lambda m: complaints.append(f"console: {m.text}") if m.type == "error" else None)
        listen(page, "pageerror", lambda e: complaints.append(f"page: {e}"))
        listen(page, "request", lambda r: complaints.append(f"outside: {r.url}") if _outside(r.url, at) else None)
        listen(page, "response", lambda r: complaints.append(f"{r.status}: {r.url}") if r.status >= 500 else None)
        # what leaving a page breaks off is no failure
        listen(
            page,
            "requestfailed",
            lambda r: complaints.append(f"failed: {r.url} {r.failure}") if r.failure != "net::ERR_ABORTED" else None,
        )
        page.goto(at + path)
        return page

    opened.complaints = complaints
    yield opened
    for context in others:
        context.close()
    for page in visitor.pages[1:]:
        page.close()
    for page, event, hear in listening:
        page.remove_listener(event, hear)
    tab.unroute_all()
    tab.emulate_media(media="null", color_scheme="null")
    tab.goto("about:blank")
    storage = visitor.new_cdp_session(tab)
    for place in places:
        storage.send("Storage.clearDataForOrigin", {"origin": place, "storageTypes": "cookies,local_storage,indexeddb"})
    storage.detach()
    assert complaints == []


def put_in(book, log, *, setup=False):
    """The id of a log's run, analysed here and put into a logbook beside its server: that what is sent to a page is
    analysed is asked where nothing else is. With `setup`, the sample's setup file is the run's."""
    logbook = Logbook(book)
    with log.open("rb") as stream:
        stored = logbook.store("log", log.name, stream, None)
    run_id = logbook.new_run(log_key=stored.key, car_key="sample", setup_key="sample" if setup else None)
    run = results.run_of(logbook.book, results.result(logbook.book, run_id))
    setup_path = SAMPLES / "baseline.setup.toml" if setup else None
    found = analyze(log_path=log, car_path=SAMPLES / "club_car.toml", setup_path=setup_path)
    results.finish(logbook.book, run, found, provenance=results.expected(run))
    return run_id


@pytest.fixture(scope="session")
def analysed(book, sample_copy):
    """The id of a run that one person had analysed before."""
    return put_in(book, sample_copy("baseline.parquet", "driver.parquet"))


@pytest.fixture
def run_page(open_page, analysed):
    """The run screen. The charts below it take twice as long as all else: who asks about them waits for them."""
    page = open_page(f"/run/{analysed}")
    wait_for_screen(page)
    return page, analysed


def _outside(url: str, address: str) -> bool:
    return not url.startswith((address, "data:", "blob:"))


@pytest.fixture
def keep_shot(request, tmp_path):
    """Saves a screenshot of a page under a name."""
    folder = Path(os.environ.get("HALFSHAFT_SCREENSHOTS") or tmp_path)
    folder.mkdir(parents=True, exist_ok=True)

    def keep(page, name):
        page.screenshot(path=folder / f"{name}.png", full_page=True)
        assert (folder / f"{name}.png").stat().st_size > 5000

    return keep


@pytest.fixture(scope="session")
def sample_copy(tmp_path_factory):
    """A shipped sample or its first rows, under another name and with other bytes: the logbook knows the same again."""

    def copy(source, name, rows=None):
        target = tmp_path_factory.mktemp("logs") / name
        if name.endswith(".parquet"):
            table = pq.read_table(SAMPLES / source).slice(0, rows)
            pq.write_table(
                table.replace_schema_metadata({**(table.schema.metadata or {}), b"copy": name.encode()}), target
            )
        else:
            target.write_bytes((SAMPLES / source).read_bytes() + b"\n" * (1 + len(name)))
        return target

    return copy
