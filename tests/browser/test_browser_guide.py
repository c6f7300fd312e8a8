"""Help in a real browser: by keyboard from each page to its section, in the dashboard's look, nothing to scroll."""

import pytest
from sizes import WHOLE

HELP = {"/": "start-page", "/setup": "setup-page", "/compare": "before-and-after"}


@pytest.mark.parametrize("path", HELP)
def test_help_is_reached_by_keyboard_and_leads_to_the_page_s_section(open_page, path):
    page = open_page(path)
    page.locator(f"#help[href$='#{HELP[path]}']").wait_for()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "help":
            break
    with page.context.expect_page() as opened:
        page.keyboard.press("Enter")
    guide = opened.value
    guide.locator(f"h2#{HELP[path]}").wait_for()
    assert guide.evaluate(f"document.getElementById('{HELP[path]}').getBoundingClientRect().top") < 300


@pytest.mark.parametrize("name", ["user", "theory"])
def test_guide_wears_the_dashboard_s_look(open_page, address, keep_shot, name):
    page = open_page("/")
    page.click("#switch-mode")
    page.locator(":root[data-theme=dark]").wait_for()
    page.goto(f"{address}/guide/{name}")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 26)"
    if WHOLE:  # as long as the guide, a picture takes three seconds
        keep_shot(page, f"guide_{name}_dark")
    aside = "[...document.querySelectorAll('pre, .wide')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
    assert page.evaluate(aside) == 0
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
