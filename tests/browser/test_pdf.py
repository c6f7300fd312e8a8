"""The PDF of the report."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from analyzer.errors import InputError
from analyzer.presentation.html import analysis_report
from dashboards import pdf


def test_report_becomes_a_pdf():
    from made_analysis import made_analysis

    # in a thread of its own, as in the server: the page tests' browser holds this thread's event loop
    with ThreadPoolExecutor(1) as pool:
        made = pool.submit(pdf.to_pdf, analysis_report(made_analysis())).result()
    assert made.startswith(b"%PDF-") and made.rstrip().endswith(b"%%EOF")  # ISO 32000-1, 7.5.2 and 7.5.5
    assert b"/MediaBox [0 0 594" in made or b"/MediaBox [0 0 595" in made  # A4 is 595 x 842 points


def test_without_a_browser_a_plain_message(monkeypatch):
    monkeypatch.setattr(pdf, "browser_path", lambda: None)
    with pytest.raises(InputError, match="Take the HTML report instead"):
        pdf.to_pdf("<html></html>")


def test_a_browser_is_found_under_every_usual_name_and_where_playwright_puts_its_own(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PLAYWRIGHT_BROWSERS_PATH", str(tmp_path / "own"))
    assert pdf.browser_path() is None
    own = tmp_path / "own" / "chromium-1200" / "chrome-linux" / "chrome"
    own.parent.mkdir(parents=True)
    own.touch()
    assert pdf.browser_path() == str(own)
    for name in ("google-chrome-stable", "google-chrome", "chromium-browser", "chromium"):
        (tmp_path / name).touch(mode=0o755)
        assert pdf.browser_path() == str(tmp_path / name)
