"""Makes the README's picture anew: `PYTHONPATH=tests python -m browser.readme_picture` (needs chromium; half a minute).

What it shows is the report of the sample log `baseline.parquet`: the first sentences, the lock curve, and the worst
corner. Make it anew whenever the estimate or the report's looks change.
"""

import tempfile
from importlib import resources
from pathlib import Path

from browser.conftest import FLAGS
from browser.driving import browser_path
from playwright.sync_api import sync_playwright

from analyzer.pipeline import analyze
from analyzer.presentation.html import write_html

SAMPLES = Path(str(resources.files("sample_logs")))
SHOWN = ("Corner by lap", "Lock curve")  # headings of the sections that stay, and of the corners the first
HIDE_THE_REST = """(shown) => {
    let corner = false;
    for (const section of document.querySelectorAll('section')) {
        const heading = section.querySelector('h2')?.textContent ?? '';
        const pass = /^Corner [0-9]/.test(heading);
        const keep = section.className === 'answer' || shown.includes(heading) || (pass && !corner);
        corner = corner || pass;
        if (!keep) section.style.display = 'none';
        else for (const table of section.querySelectorAll('table:not(.laps)')) table.style.display = 'none';
    }
    for (const rest of document.querySelectorAll('footer, .cautions')) rest.style.display = 'none';
}"""


def make(target: Path) -> None:
    """Write the picture."""
    analysis = analyze(
        log_path=SAMPLES / "baseline.parquet",
        car_path=SAMPLES / "club_car.toml",
        setup_path=SAMPLES / "baseline.setup.toml",
    )
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        report = Path(folder) / "report.html"
        write_html(analysis, report)
        browser = playwright.chromium.launch(executable_path=browser_path(), args=FLAGS)
        page = browser.new_page(viewport={"width": 900, "height": 700})
        page.goto(report.as_uri())
        page.wait_for_selector("section .main-svg")
        page.evaluate(HIDE_THE_REST, list(SHOWN))
        page.wait_for_timeout(1500)
        page.screenshot(path=target, full_page=True)
        browser.close()


if __name__ == "__main__":
    make(SAMPLES / "report.png")
