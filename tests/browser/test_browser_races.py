"""What is asked for while an answer is under way is not lost: Dash drops the answer of what is asked again."""

import pytest
from browser.driving import (
    DARK_INK,
    PLOT,
    Held,
    choose,
    result_of,
    upload_and_analyse,
    wait_for,
    wait_for_stretch,
    wait_until,
)

RESIZED = PLOT.format("traces") + ".emit('plotly_relayout', {autosize: true, width: 1234})"


def counted(page, function):
    """Counts the calls of a function of `at_once.js` in `window.calls`."""
    page.evaluate(
        f"""() => {{
            const all = dash_clientside.at_once, real = all.{function};
            window.calls = 0;
            all.{function} = (...given) => {{ window.calls += 1; return real(...given); }};
        }}"""
    )


def pick_held(page, index):
    """A finding is picked, and the traces that answer it are held back."""
    held = Held(page, "traces.figure")
    page.locator(".finding").nth(index).click()
    held.wait_for(1)
    return held


@pytest.fixture
def other(address, analysed):
    """(index, finding) of one that is not picked at first, in another corner pass."""
    findings = result_of(address, analysed)["findings"]
    seen = {(findings[0]["corner"], findings[0]["lap"])}
    return next((k, f) for k, f in enumerate(findings) if f["corner"] and (f["corner"], f["lap"]) not in seen)


def test_a_resize_does_not_eat_a_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = pick_held(page, index)
    counted(page, "zoom")
    page.evaluate(RESIZED)
    wait_until(page, "window.calls > 0")
    page.set_viewport_size({"width": 1100, "height": 700})  # and a real one
    held.let_go()
    wait_for_stretch(page, finding["start_s"])


def test_a_newer_question_about_the_traces_keeps_the_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = pick_held(page, index)
    page.click("#switch-mode")
    held.wait_for(2)
    held.let_go()
    wait_for_stretch(page, finding["start_s"])
    wait_until(page, PLOT.format("traces") + f".layout.font.color === '{DARK_INK}'")


def test_a_pick_while_the_page_is_filled_keeps(open_page, analysed, address, other):
    page = open_page("/guide/user")
    held = Held(page, "traces.figure")
    page.goto(f"{address}/run/{analysed}")
    held.wait_for(1)
    index, finding = other
    page.locator(".finding").nth(index).click()
    held.wait_for(2)
    held.let_go()
    wait_for_stretch(page, finding["start_s"])


def test_every_press_of_next_counts(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    held = Held(page, "what.children")
    for _ in range(3):
        page.click("#next")
    held.wait_for(1)
    held.let_go()
    page.locator("#what", has_text=findings[3 % len(findings)]["sentence"]).wait_for()


def test_a_filter_does_not_eat_a_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = Held(page, "listed.data")
    choose(page, "#order", "in time")
    held.wait_for(1)
    page.locator(".finding").nth(index).click()
    held.let_go()
    wait_for_stretch(page, finding["start_s"])
    page.locator("#findings [aria-pressed=true]", has_text=f"{finding['start_s']:.1f} s").wait_for()


def test_the_same_zoom_can_be_asked_again(run_page, other):
    page, _ = run_page
    index, finding = other
    everything = PLOT.format("traces") + ".layout.meta.window === null"
    all_of_x = {"xaxis.autorange": True}
    for _ in range(2):
        page.locator(".finding").nth(index).click()
        wait_for_stretch(page, finding["start_s"])
        page.evaluate("change => Plotly.relayout(document.querySelector('#traces .js-plotly-plot'), change)", all_of_x)
        wait_until(page, everything)


def test_words_of_a_drag(run_page):
    page, _ = run_page
    asked = page.evaluate(
        """[{"xaxis4.range[0]": 1, "xaxis4.range[1]": 2}, {"xaxis.range": [1, 2]}, {"xaxis.autorange": true},
            {"yaxis.range[0]": 1, "yaxis.range[1]": 2}, {"autosize": true}, null].map(dash_clientside.at_once.range)"""
    )
    assert asked == [[1, 2], [1, 2], None, None, None, None]
    assert page.evaluate("dash_clientside.at_once.range({'xaxis.autorange': true}) === null")
    assert page.evaluate("dash_clientside.at_once.range({'autosize': true}) === undefined")


def test_the_list_of_runs_is_not_asked_for_again_before_it_has_come(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    page.evaluate("(now => { Date.now = () => now; })(Date.now())")  # after ten seconds it would ask again
    held = Held(page, "..run-list.children...runs-answered.data..")
    held.wait_for(1)
    counted(page, "tick")
    wait_until(page, "window.calls >= 3")
    assert len(held.routes) == 1
    held.let_go()
    # and goes on when it has
    with page.expect_request(lambda r: "runs-answered" in (r.post_data or "")):
        pass


def test_a_click_on_remove_outlives_a_redrawn_list(open_page, analysed):
    page = open_page()
    page.locator(".run-line").first.wait_for()
    said = []
    page.on("dialog", lambda d: (said.append(d.message), d.dismiss()))
    held = Held(page, "..sure.message...sure.displayed..")
    page.get_by_role("button", name="remove driver.parquet").first.click()
    held.wait_for(1)
    page.evaluate("dash_clientside.set_props('runs-answered', {data: {n: -1, shown: 'other'}})")  # drawn anew
    with page.expect_response(lambda r: "runs-answered" in (r.request.post_data or "")):
        pass
    held.let_go()
    wait_for(page, lambda: said, "asked whether sure")
    assert "driver.parquet" in said[0]


def test_a_comparison_is_about_the_runs_that_are_chosen_now(open_page, address, analysed, sample_copy):
    page = open_page()
    upload_and_analyse(page, sample_copy("steeper_ramps.parquet", "later.parquet"))
    page.goto(address + "/compare")
    page.locator("#both-locks .plot-container").first.wait_for()
    held = Held(page, "..together-progress.children...comparison-answered.data..")
    page.click("#together")
    held.wait_for(1)
    page.locator("#after-laps").fill("odd")
    page.locator("#after-laps").press("Enter")
    held.wait_for(2)
    with page.expect_response(lambda r: "comparison-answered" in (r.request.post_data or "")):
        held.let_go()
    wait_until(page, "document.querySelectorAll('#together-progress *').length === 0")
    assert page.locator("#together-told").inner_text() == ""


def test_two_marks_pressed_before_dash_looks_are_both_put_on(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    marks = page.evaluate(
        """() => {
            const button = (run, side) => JSON.stringify({run, side, type: "side"}) + ".n_clicks";
            const pressed = (...buttons) => buttons.map(prop_id => ({prop_id, value: 1}));
            const told = [];
            for (const triggered of [
                pressed(button("a", "before"), button("b", "after")), pressed(button("a", "before")), pressed(),
            ]) {
                dash_clientside.callback_context = { triggered };
                told.push(dash_clientside.at_once.side([], told[told.length - 1] || {}));
            }
            return [told[0], told[1], told[2] === dash_clientside.no_update];
        }"""
    )
    assert marks == [{"a": "before", "b": "after"}, {"b": "after"}, True]
