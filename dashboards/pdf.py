"""The HTML report as PDF, through an installed Chromium; without one, a plain message."""

import importlib.util
import os
import shutil
import tempfile
from pathlib import Path

from analyzer.errors import InputError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FLAGS = ["--enable-unsafe-swiftshader"]
MARGIN, FOOT_MARGIN = "10mm", "15mm"
FOOTER = (  # Chromium fills in what has these classes
    '<div style="width: 100%; text-align: center; font: 8px system-ui, sans-serif; color: #444">'
    '<span class="title"></span>, page <span class="pageNumber"></span> of <span class="totalPages"></span></div>'
)
PATIENCE_MS = 120_000  # a report of many laps on a busy machine
PRINTED_PX = 718  # A4 less the margins: 190 mm at 96 pixels an inch
MISSING = (
    "A PDF needs Chromium and the Python package playwright on the machine that serves this page. "
    "Take the HTML report instead: open it and print it to PDF from your browser."
)


def browser_path() -> str | None:
    """Path of Chromium, the system's or the one that playwright installed, or None."""
    if installed := next((path for name in BROWSERS if (path := shutil.which(name))), None):
        return installed
    own = Path(os.environ.get("PLAYWRIGHT_BROWSERS_PATH") or Path.home() / ".cache" / "ms-playwright")
    return next((str(path) for path in sorted(own.glob("chromium-*/chrome-linux*/chrome"))), None)


def to_pdf(report_html: str) -> bytes:
    """Print the report.

    Raises
    ------
    InputError : no browser or no playwright here, or printing failed; says what to do instead.
    """
    browser_file = browser_path()
    if browser_file is None or importlib.util.find_spec("playwright") is None:
        raise InputError(MISSING)
    from playwright.sync_api import Error, sync_playwright

    flags = [*FLAGS, "--no-sandbox"] if _is_root() else FLAGS
    with tempfile.TemporaryDirectory() as folder:
        page_file = Path(folder) / "report.html"
        page_file.write_text(report_html, "utf-8")
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=browser_file, args=flags)
                page = browser.new_page(viewport={"width": PRINTED_PX, "height": 1400}, offline=True)
                page.set_default_timeout(PATIENCE_MS)
                page.emulate_media(media="print")  # before the charts take their width
                page.goto(page_file.as_uri())
                page.add_style_tag(content=".modebar{display:none !important}")
                page.evaluate("paper(true)")  # what `beforeprint` does, and drawn before it is printed
                page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
                return page.pdf(
                    format="A4",
                    print_background=True,
                    display_header_footer=True,
                    header_template="<div></div>",
                    footer_template=FOOTER,
                    margin={"top": MARGIN, "right": MARGIN, "bottom": FOOT_MARGIN, "left": MARGIN},
                )
        except Error as error:
            raise InputError(f"The PDF could not be made ({error.message.splitlines()[0]}). {MISSING}") from None


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0
