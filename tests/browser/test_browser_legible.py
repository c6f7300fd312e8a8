"""Every page in a real browser as it is seen: what can be read, whether it fits screen and paper."""

from pathlib import Path

import pytest
from browser.driving import DARK_INK, wait_for, wait_for_charts, wait_for_screen, wait_until
from sizes import sized

# every chart of the page that has something to show: as wide as its place, not over what follows, in the mode's colours
DRAWN = {
    mode: f"""[...document.querySelectorAll('.dash-graph')].every(g => {{
        const plot = g.querySelector('.js-plotly-plot');
        return plot && plot.querySelector('.main-svg') && Math.abs(plot._fullLayout.width - plot.clientWidth) < 2
            && g.clientHeight > plot._fullLayout.height - 2 && (plot.layout.font?.color === '{DARK_INK}') === {dark};
    }})"""
    for mode, dark in (("light", "false"), ("dark", "true"))
}
SIZES = {"laptop": (1280, 800), "large": (1920, 1080), "tablet": (820, 1180), "phone": (390, 844)}
# colours hang on the mode, places on the size: a small run looks at a dark page on two, where it takes pictures
DARK_TOO = sized(("laptop", "phone"), tuple(SIZES))
LEGIBLE = (Path(__file__).parent / "legible.js").read_text("utf-8")


@pytest.mark.parametrize("name", ["start", "run", "what_if", "log_check", "setup", "compare"])
def test_every_page_fits_and_is_legible_at_four_sizes(open_page, address, analysed, keep_shot, name):
    paths = {"run": "", "log_check": "/log", "what_if": "/what-if"}
    path = {key: f"/run/{analysed}{rest}" for key, rest in paths.items()} | {"setup": f"/setup?run={analysed}"}
    page = open_page(path.get(name, "/compare" if name == "compare" else "/"))
    page.locator("h1").wait_for()
    if name == "run":
        wait_for_charts(page)
    for mode in ("light", "dark"):
        if mode == "dark":
            page.click("#switch-mode")
            wait_until(page, "document.documentElement.dataset.theme === 'dark'")
        for size, (width, height) in SIZES.items():
            if mode == "dark" and size not in DARK_TOO:
                continue
            page.set_viewport_size({"width": width, "height": height})
            wait_until(page, f"document.documentElement.scrollWidth <= {width}")
            wait_until(page, DRAWN[mode])
            assert page.locator("h1").is_visible()
            found = page.evaluate(LEGIBLE)
            assert found.pop("texts") > 10 and not any(found.values()), (size, mode, found)
            if size in DARK_TOO:
                keep_shot(page, f"{name}_{size}_{mode}")


def test_every_chart_says_how_to_read_it_behind_an_icon(open_page, address, analysed):
    page = open_page(f"/run/{analysed}")
    for path in ("", f"/setup?run={analysed}", "/compare", f"/run/{analysed}/what-if"):
        if path:
            page.goto(address + path)
        page.locator(".js-plotly-plot, .fill svg").first.wait_for()
        unread = """[...document.querySelectorAll('.dash-graph, .panel:has(.fill > svg)')].filter(g =>
            (g.closest('div:has(> .why), .panel')?.querySelector('.why p')?.textContent.length || 0) < 60).length"""
        assert page.evaluate(unread) == 0


def test_the_screen_is_whole_at_1280_by_800_and_used_at_1920_by_1080(open_page, analysed):
    inside = """([w, h]) => ['#strip', '#grid table', '#map svg', '#traces svg', '#lock svg', '.finding']
        .filter(what => { const box = document.querySelector(what)?.getBoundingClientRect();
            return box && box.width > 0 && box.bottom <= h + 1 && box.right <= w + 1; })"""
    page = open_page(f"/run/{analysed}", width=1280, height=800)
    wait_for_screen(page)
    assert page.evaluate(inside, [1280, 800]) == ["#strip", "#grid table", "#map svg", "#traces svg"]
    page.keyboard.press("l")
    page.locator("#lock .measured").first.wait_for(state="attached")
    wait_for(page, lambda: "#lock svg" in page.evaluate(inside, [1280, 800]), "the lock plot is seen whole")
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.locator("#map svg").wait_for()
    wait_for(page, lambda: len(page.evaluate(inside, [1920, 1080])) == 6, "all six are seen")


def test_paper_has_the_answer_the_grid_and_the_lock_plot_whole(run_page):
    page, _ = run_page
    wait_for_charts(page)
    pdf = page.pdf(format="A4", print_background=True, prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF") and len(pdf) > 20_000
    page.emulate_media(media="print")
    for what in ("#strip", "#grid table"):
        assert page.locator(what).is_visible()
    assert not page.locator("header").first.is_visible() and not page.locator("#show-keys").is_visible()
    assert page.locator("footer", has_text="Estimates").is_visible()


def test_on_paper_no_chart_and_no_table_is_cut_off(run_page):
    """A sheet of A4 is 210 mm wide; less its margins of 12 mm that is 703 px at CSS's 96 px an inch."""
    page, _ = run_page
    widths = "[...document.querySelectorAll('.js-plotly-plot, .fill > svg')].map(c => c.getBoundingClientRect().width)"
    rows = "document.querySelector('#corner-table')"
    page.locator("#repeat .main-svg").first.wait_for()
    page.locator("#trend .main-svg").first.wait_for()
    assert max(page.evaluate(widths)) > 703 and page.evaluate(f"{rows}.scrollHeight > {rows}.clientHeight + 1")
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    wait_until(page, f"Math.max(...{widths}) <= 703 && {rows}.scrollHeight <= {rows}.clientHeight + 1")
    drawn = "[...document.querySelectorAll('.js-plotly-plot')].map(plot => plot._fullLayout.width)"
    assert all(500 < width <= 703 for width in page.evaluate(drawn))
    page.emulate_media(media="screen")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    wait_until(page, f"Math.max(...{widths}) > 703")
