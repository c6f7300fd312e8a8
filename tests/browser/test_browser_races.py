"""What is asked for while an answer is under way is not lost: Dash drops the answer of what is asked again."""

import pytest
from browser.conftest import TWO_LAPS, put_in
from browser.driving import (
    ORDER,
    STATE,
    WINDOW,
    Held,
    box_of,
    choose_sample_car,
    result_of,
    wait_for_stretch,
    wait_until,
)


def counted(page, function):
    """Counts the calls of a function of `at_once.js` in `window.calls`."""
    page.evaluate(
        f"""() => {{
            const all = dash_clientside.at_once, real = all.{function};
            window.calls = 0;
            all.{function} = (...given) => {{ window.calls += 1; return real(...given); }};
        }}"""
    )


@pytest.fixture
def other(address, analysed):
    """(index, finding) of one that is not picked at first, in another corner pass."""
    findings = result_of(address, analysed)["findings"]
    seen = {(findings[0]["corner"], findings[0]["lap"])}
    return next((k, f) for k, f in enumerate(findings) if f["corner"] and (f["corner"], f["lap"]) not in seen)


def pick(page, index):
    page.evaluate(f"halfshaft.pick({{finding: {index}}})")


def test_a_resize_does_not_eat_a_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = Held(page, "view/traces")
    pick(page, index)
    held.wait_for(1)
    page.set_viewport_size({"width": 1100, "height": 700})
    page.wait_for_timeout(200)  # longer than a panel waits before it is drawn anew
    held.let_go()
    wait_for_stretch(page, finding["start_s"])


def test_of_two_picks_the_later_one_counts_whichever_answer_comes_first(run_page, other, address):
    page, run_id = run_page
    index, finding = other
    third = next(k for k, f in enumerate(result_of(address, run_id)["findings"]) if k != index and k)
    held = Held(page, "view/traces")
    pick(page, third)
    held.wait_for(1)
    pick(page, index)
    held.wait_for(2)
    held.let_go()  # the newest first
    wait_for_stretch(page, finding["start_s"])
    page.wait_for_timeout(300)  # the older answer comes too late
    wait_for_stretch(page, finding["start_s"])


def test_a_change_of_colours_keeps_the_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = Held(page, "view/traces")
    pick(page, index)
    held.wait_for(1)
    page.click("#switch-mode")
    held.let_go()
    wait_for_stretch(page, finding["start_s"])


def test_a_pick_while_the_page_is_filled_keeps(open_page, analysed, address, other):
    page = open_page("/guide/user")
    held = Held(page, "view/traces")
    page.goto(f"{address}/run/{analysed}")
    held.wait_for(1)
    index, finding = other
    pick(page, index)
    held.wait_for(2)
    held.let_go()
    wait_for_stretch(page, finding["start_s"])


def test_every_press_of_next_counts(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    held = Held(page, "view/traces")
    for _ in range(3):
        page.click("#next")
    held.wait_for(1)
    held.let_go()
    order = page.evaluate(ORDER)
    third = findings[order[3 % len(order)]]
    page.locator("#what", has_text=third["sentence"]).wait_for()
    wait_for_stretch(page, third["start_s"])


def test_a_filter_does_not_eat_a_pick(run_page, other):
    page, _ = run_page
    index, finding = other
    held = Held(page, "view/")
    page.evaluate(f"halfshaft.go({{lap: {finding['lap']}}})")
    pick(page, index)
    page.wait_for_timeout(100)
    held.let_go()
    wait_for_stretch(page, finding["start_s"])
    wait_until(page, f"{STATE}.lap === '{finding['lap']}' && {STATE}.finding === '{index}'")


def test_the_same_zoom_can_be_asked_again(run_page, other):
    page, _ = run_page
    index, finding = other
    for _ in range(2):
        pick(page, index)
        wait_until(page, f"(w => w[1] - w[0] < 100)({WINDOW})")
        wait_for_stretch(page, finding["start_s"])
        page.click("#whole")
        wait_until(page, f"(w => w[1] - w[0] > 100)({WINDOW})")


def test_going_back_to_what_is_drawn_is_not_undone_by_a_late_answer(run_page, other):
    page, _ = run_page
    page.click("#whole")
    wait_until(page, f"(w => w[1] - w[0] > 100)({WINDOW})")
    held = Held(page, "view/traces")
    pick(page, other[0])
    held.wait_for(1)
    page.click("#whole")
    held.let_go()
    page.wait_for_timeout(500)
    wait_until(page, f"(w => w[1] - w[0] > 100)({WINDOW})")


def test_a_redraw_does_not_let_go_of_what_is_being_dragged(run_page):
    page, _ = run_page
    box = box_of(page, "#traces svg")
    page.mouse.move(box["x"] + 300, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 500, box["y"] + 60)
    page.set_viewport_size({"width": 1280, "height": 900})
    wait_until(page, f"document.querySelector('#traces svg').getBoundingClientRect().height !== {box['height']}")
    page.mouse.move(box["x"] + 600, box["y"] + 64, steps=3)
    page.mouse.up()
    wait_until(page, f"{STATE}.from !== undefined")


def test_back_undoes_a_pick_a_filter_and_a_zoom(run_page, other, address):
    page, run_id = run_page
    index, finding = other
    first = result_of(address, run_id)["findings"][0]
    pick(page, index)
    page.get_by_role("button", name=f"lap {finding['lap']},").first.click()
    page.click("#whole")
    wait_until(page, f"(w => w[1] - w[0] > 200)({WINDOW})")
    page.go_back()
    wait_until(page, f"(w => w[1] - w[0] < 200)({WINDOW}) && {STATE}.lap === '{finding['lap']}'")
    page.go_back()
    wait_until(page, f"{STATE}.lap === undefined && {STATE}.finding === '{index}'")
    wait_for_stretch(page, finding["start_s"])
    page.go_back()
    wait_for_stretch(page, first["start_s"])


def test_the_list_of_runs_is_not_asked_for_again_before_it_has_come(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    page.evaluate("(now => { Date.now = () => now; })(Date.now())")  # after ten seconds it would ask again
    held = Held(page, "..runs-told.data...runs-answered.data..")
    page.evaluate("dash_clientside.set_props('runs-answered', {data: {n: null, shown: '', over: false}})")
    held.wait_for(1)
    counted(page, "tick")
    wait_until(page, "window.calls >= 3")
    assert len(held.routes) == 1
    held.let_go()


def test_nothing_is_asked_for_while_nothing_is_under_way(open_page, analysed):
    page = open_page()
    page.locator(".run-line").first.wait_for()
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.wait_for_timeout(2500)  # three ticks of the clock
    page.goto(page.url.rstrip("/") + f"/run/{analysed}")
    page.locator("#traces svg").wait_for()
    for chart in ("repeat", "trend"):  # what is asked for when the screen rests
        page.locator(f"#{chart} .main-svg").first.wait_for()
    page.wait_for_timeout(500)
    before = len(asked)
    page.wait_for_timeout(2500)
    assert not [url for url in asked[:1] if "_dash-update" in url] and len(asked) == before


def test_a_click_on_remove_outlives_a_redrawn_list(open_page, sample_copy):
    page = open_page()
    log = sample_copy("baseline_minimum.csv", "twice.csv")
    log.write_text("time,throttle\n0,1\n")
    page.set_input_files("#file-log", str(log))
    page.get_by_text("twice.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="twice.csv")
    line.locator(".state.failed").wait_for()
    page.get_by_role("button", name="remove twice.csv").first.click()
    page.evaluate("dash_clientside.set_props('search', {value: 'twice'})")  # drawn anew
    page.get_by_text("twice.csv is removed").wait_for()


def test_a_comparison_is_about_the_runs_that_are_chosen_now(open_page, book, analysed, sample_copy):
    put_in(book, sample_copy("steeper_ramps.parquet", "later.parquet", rows=TWO_LAPS))
    page = open_page("/compare")
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


def test_two_marks_pressed_at_once_are_both_put_on_and_outlive_a_redrawn_list(open_page, analysed):
    page = open_page()
    page.locator(".run-line .mark").first.wait_for()
    held = page.evaluate(
        """() => {
            const none = { files: "", said: "", notes: "", made: "", asked: "", driven: "", message: "" };
            const told = { ...none, id: "b", name: "b.csv", words: "done", state: "done", spins: null, preload: null };
            const list = (...runs) => dash_clientside.runs.draw({ runs, leaving: [], note: "", more: "" });
            list(told, { ...told, id: "a", name: "a.csv" });
            for (const label of ["a.csv: before the change", "b.csv: before the change", "b.csv: after the change"]) {
                document.querySelector(`[aria-label="${label}"]`).click();
            }
            list({ ...told, words: "redrawn" });
            return [...document.querySelectorAll(".mark")].map(one => one.getAttribute("aria-pressed"));
        }"""
    )
    assert held == ["false", "true"]
    page.get_by_role("link", name="Compare 1 before with 1 after").wait_for()
    assert page.locator("#compare-marked").get_attribute("href") == "/compare?before=a&after=b"
