"""The run screen in a real browser, and the pages that a run leads to."""

import json

from browser.driving import (
    COUNTS,
    ORDER,
    PLOT,
    STATE,
    WINDOW,
    box_of,
    cell,
    choose,
    intercept,
    result_of,
    wait_for,
    wait_for_charts,
    wait_for_screen,
    wait_for_stretch,
    wait_until,
)

from dashboards.run.lines import MOST_POINTS


def test_picking_moves_map_traces_grid_and_lock_plot(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    other = next(f for f in findings[1:] if f["corner"] is not None)
    index = findings.index(other)
    page.keyboard.press("f")  # the list, one key away
    page.locator(f'.finding[data-index="{index}"]').press("Enter")  # by keyboard
    wait_for_stretch(page, other["start_s"])
    page.locator(f'.finding[data-index="{index}"][aria-pressed=true]').wait_for()
    assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "true"  # the keyboard is still there
    assert cell(page, other["lap"], other["corner"]).get_attribute("aria-pressed") == "true"
    page.keyboard.press("l")
    page.locator("#lock-key", has_text=f"corner {other['corner']}, lap {other['lap']}").wait_for()
    page.keyboard.press("m")
    chosen = page.locator("#map .spot.chosen")
    chosen.wait_for()
    assert str(index) in chosen.get_attribute("data-findings").split(",")


def test_every_spin_is_on_the_map_and_can_be_reached(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    marks = page.locator("#map .spot")
    told = [k for k in ",".join(m.get_attribute("data-findings") for m in marks.all()).split(",")]
    assert sorted(map(int, told)) == [k for k, f in enumerate(findings) if f["lap"]]
    for k, found in enumerate(findings):  # and every one by a cell of the grid
        if found["corner"] is not None and found["lap"]:
            assert cell(page, found["lap"], found["corner"]).locator(".glyph").count() > 0, k


def test_marks_stand_off_the_path(run_page):
    page, _ = run_page
    page.locator("#map .spot").first.wait_for()
    least = page.evaluate(
        """() => {
            const path = document.querySelector('#map .path'), long = path.getTotalLength();
            const points = Array.from({length: 800}, (_, k) => path.getPointAtLength(k * long / 799));
            const marks = [...document.querySelectorAll('#map .spot')].map(m => m.transform.baseVal[0].matrix);
            return Math.min(...marks.map(m => Math.min(...points.map(p => Math.hypot(p.x - m.e, p.y - m.f)))));
        }"""
    )
    assert least > 7  # half a mark and half the path


def test_one_cursor_goes_through_traces_map_and_lock_plot(run_page):
    page, _ = run_page
    page.keyboard.press("l")
    page.locator("#lock .pass").wait_for(state="attached")
    box = box_of(page, "#traces svg")
    line = page.locator("#traces .cursor-line")

    def points_at(share):
        """A redraw of the lines, which may still come, takes the cursor off until the mouse moves again."""
        page.mouse.move(box["x"] + (share - 0.01) * box["width"], box["y"] + 60)
        page.mouse.move(box["x"] + share * box["width"], box["y"] + 60)
        shown = line.get_attribute("visibility") == "visible"
        return shown and page.evaluate("halfshaft.screen.cut.t[halfshaft.screen.pointed]") and line.get_attribute("d")

    places: list[str | None] = []
    for share in (0.45, 0.5):
        wait_for(page, lambda share=share: places.append(points_at(share)) or places[-1], "the cursor is drawn")
    seen = [place for place in places if place]
    assert seen[0] != seen[-1] and page.locator("#traces .value").first.inner_html()
    page.locator(".cell.at").wait_for()
    page.keyboard.press("m")
    page.locator("#map svg").wait_for()
    page.mouse.move(10, 10)
    page.keyboard.press("ArrowRight")
    wait_until(page, f"+{STATE}.at > 0")
    before = page.evaluate(f"+{STATE}.at")
    page.keyboard.press("Shift+ArrowRight")
    wait_until(page, f"+{STATE}.at > {before}")
    spot = page.locator("#map .cursor")
    assert spot.get_attribute("visibility") == "visible"
    place = spot.get_attribute("cx"), spot.get_attribute("cy")
    for _ in range(8):
        page.keyboard.press("Shift+ArrowRight")
    wait_for(page, lambda: (spot.get_attribute("cx"), spot.get_attribute("cy")) != place, "the dot moved")


def test_a_click_in_the_lock_plot_goes_to_the_corner(run_page):
    page, _ = run_page
    page.keyboard.press("l")
    page.locator("#lock .slipping").wait_for(state="attached")
    before = page.evaluate(STATE + ".finding")
    spot = page.evaluate(
        """() => {
            const path = document.querySelector('#lock .slipping').getAttribute('d').split('M').filter(Boolean);
            const points = path.map(p => p.split('h')[0].split(' ').map(Number)).sort((a, b) => a[1] - b[1]);
            const box = document.querySelector('#lock svg').getBoundingClientRect();
            return {x: box.left + points[0][0], y: box.top + points[0][1]};
        }"""
    )
    page.mouse.click(spot["x"], spot["y"])
    wait_until(page, f"{STATE}.pass !== undefined && {before} !== {STATE}.finding")
    lap, corner = page.evaluate(STATE + ".pass").split(".")
    page.locator("#lock-key", has_text=f"corner {corner}, lap {lap}").wait_for()


def test_next_finding_steps_through_the_list(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    order = page.evaluate(ORDER)
    assert sorted(order) == list(range(len(findings))) and order[0] == 0  # by corner and cause, the worst first
    page.click("#next")
    page.locator("#what", has_text=findings[order[1]]["sentence"]).wait_for()
    page.click("#previous")
    page.locator("#what", has_text=findings[0]["sentence"]).wait_for()
    # what to do about it stands beside it, and what would try it is one click away
    assert "What to do: More drive lock" in page.locator("#what").inner_text()
    assert page.locator("#what a").get_attribute("href") == f"/run/{run_id}/what-if"
    page.keyboard.press("p")
    page.locator("#what", has_text=findings[order[-1]]["sentence"]).wait_for()
    page.keyboard.press("f")
    listed = page.locator(".finding").evaluate_all("rows => rows.map(row => +row.dataset.index)")
    assert listed == order  # and the list is in that order, under its groups
    heads = page.locator(".group h3").all_inner_texts()
    assert len(heads) == len(page.evaluate("halfshaft.screen.data.groups")) and all("corner" in head for head in heads)


def test_filters_are_seen_and_obeyed_by_list_map_and_grid(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    page.keyboard.press("f")
    page.get_by_role("button", name="lap 2,").first.click()
    kept = [k for k, f in enumerate(findings) if f["lap"] == 2]
    wait_until(page, f"document.querySelectorAll('.finding').length === {len(kept)}")
    page.locator("#filters", has_text="only lap 2").wait_for()
    page.keyboard.press("m")
    marks = ",".join(m.get_attribute("data-findings") for m in page.locator("#map .spot").all()).split(",")
    assert sorted(map(int, marks)) == kept
    out = page.locator(".cell.out").count()
    assert out == sum(p["lap"] != 2 for p in page.evaluate("halfshaft.screen.data.passes") if p["lap"] > 0)
    cause = page.locator(".chip[data-cause]").first
    cause.click()
    name = cause.get_attribute("data-cause")
    words = {"car": "differential", "foot": "throttle", "cannot_tell": "unclear"}
    left = [k for k in kept if words.get(findings[k]["evidence"].get("foot_or_car")) == name]
    page.keyboard.press("f")
    wait_until(page, f"document.querySelectorAll('.finding').length === {len(left)}")
    page.keyboard.press("Escape")
    wait_until(page, f"document.querySelectorAll('.finding').length === {len(findings)}")


def test_a_link_keeps_lap_corner_zoom_and_filter(run_page, open_page):
    page, _ = run_page
    before = page.evaluate(WINDOW)
    page.get_by_role("button", name="corner 4, ").first.click()
    wait_until(page, f"{WINDOW}[0] !== {before[0]}")
    box = box_of(page, "#traces svg")
    page.mouse.move(box["x"] + 300, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 600, box["y"] + 64, steps=5)
    page.mouse.up()
    wait_until(page, f"{STATE}.from !== undefined")
    window = page.evaluate(WINDOW)
    page.wait_for_timeout(300)
    link = page.url
    again = open_page("/" + link.split("/", 3)[3])
    wait_for_screen(again)
    wait_until(again, f"Math.abs({WINDOW}[0] - {page.evaluate(WINDOW)[0]}) < 0.05")
    again.locator("#filters", has_text="only corner 4").wait_for()
    assert window


def test_grid_by_keyboard(run_page):
    page, _ = run_page
    first = page.locator('.cell[tabindex="0"]')
    assert first.count() == 1
    first.focus()
    start = first.get_attribute("data-cell")
    page.keyboard.press("ArrowUp")
    lap, corner = page.evaluate("document.activeElement.dataset.cell").split(".")
    assert f"{int(lap) + 1}.{corner}" == start
    page.keyboard.press("Enter")
    page.locator(f'[data-cell="{lap}.{corner}"][aria-pressed=true]').wait_for()


def test_corner_table_says_the_json_s_numbers(run_page, address):
    page, run_id = run_page
    choose(page, "#table-lap", "lap 2")
    corner = next(c for c in result_of(address, run_id)["corners"] if c["lap"] == 2)
    phase = next(p for p in corner["phases"] if p["transfer_torque_Nm"] is not None)
    place = corner["phases"].index(phase)
    cells = f"document.querySelectorAll('#corner-table tbody tr')[{place}].cells"
    wait_until(page, f"{cells}[6].textContent === '{round(phase['transfer_torque_Nm'])}'")
    assert page.evaluate(f"{cells}[0].textContent") == f"{corner['corner']} {corner['direction']}"


def test_zoom_keeps_the_point_budget(run_page):
    page, _ = run_page
    page.click("#whole")
    wait_until(page, f"{WINDOW}[1] - {WINDOW}[0] > 200 && Math.max(...{COUNTS}) > 1000")
    assert max(page.evaluate(COUNTS)) <= MOST_POINTS
    box = box_of(page, "#traces svg")
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 65, steps=6)
    page.mouse.up()
    wait_until(page, f"{WINDOW}[1] - {WINDOW}[0] < 100")
    low, high = page.evaluate(WINDOW)
    assert 20 < high - low < 60
    assert 100 < max(page.evaluate(COUNTS)) <= MOST_POINTS


def test_every_channel_can_be_drawn_at_once(run_page):
    page, _ = run_page
    page.locator("summary", has_text="channels").click()
    boxes = page.locator("#rows-menu input")
    names = [box.get_attribute("value") for box in boxes.all()]
    page.evaluate(f"halfshaft.go({{rows: {json.dumps(names)}}})")
    wait_until(page, f"document.querySelectorAll('#traces .row-title').length === {len(names)}")


def test_tuner_changes_a_ramp_and_the_curve_moves(open_page, analysed, tmp_path):
    page = open_page(f"/setup?run={analysed}")
    page.locator("#setup-refusal").wait_for(state="attached")
    page.get_by_text("was analysed without a setup file").wait_for()
    choose(page, "#setup-opened", "baseline.setup.toml")
    top = "+document.querySelector('#predicted svg')?.dataset.top"
    wait_until(page, f"{top} > 0")
    before = page.evaluate(top)
    ramp = page.get_by_label("drive ramp angle, degrees")
    ramp.fill("40")
    wait_until(page, f"{top} > {1.5 * before}")
    ramp.fill("400")
    page.get_by_text("allowed: 0 to 90").wait_for()
    page.locator(".wrong", has_text="drive ramp angle").wait_for()
    assert ramp.get_attribute("aria-invalid") is not None
    ramp.fill("45")
    page.locator("#setup-refusal").get_by_text("allowed").wait_for(state="detached")
    with page.expect_download() as saved:
        page.click("#setup-save")
    saved.value.save_as(tmp_path / "saved.toml")
    text = (tmp_path / "saved.toml").read_text()
    assert "drive_ramp_angle_deg = 45" in text
    # and back into the form, with a figure that the form did not have
    (tmp_path / "changed.toml").write_text(text.replace("drive_ramp_angle_deg = 45", "drive_ramp_angle_deg = 52"))
    page.set_input_files("#file-setup-opened", str(tmp_path / "changed.toml"))
    page.locator("#setup-opened", has_text="changed.toml").wait_for()
    wait_until(page, "[...document.querySelectorAll('#setup-form input')].some(i => i.value === '52')")
    assert page.get_by_label("drive ramp angle, degrees").input_value() == "52"


def test_what_was_typed_into_the_setup_is_there_after_back(open_page, analysed):
    page = open_page(f"/setup?run={analysed}")
    ramp = page.get_by_label("drive ramp angle, degrees")
    ramp.fill("41")
    page.locator("#predicted svg").wait_for()
    page.wait_for_timeout(600)
    page.get_by_role("link", name="Runs").click()
    page.locator("#sample").wait_for()
    page.go_back()
    wait_until(page, "[...document.querySelectorAll('#setup-form input')].some(i => i.value === '41')")
    page.click("#setup-discard")
    wait_until(page, "![...document.querySelectorAll('#setup-form input')].some(i => i.value === '41')")


def test_a_server_that_is_gone_is_said_and_asked_again_by_itself(run_page, open_page):
    page, _ = run_page
    for name in ("**/view/**", "**/alive"):
        intercept(page, name, lambda route: route.abort("connectionrefused"))
    page.keyboard.press("n")
    page.locator("#server-gone", has_text="does not answer").wait_for()
    for name in ("**/view/**", "**/alive"):
        page.unroute(name)
    page.locator("#server-gone").wait_for(state="hidden")
    moment = page.evaluate("halfshaft.pickedFinding().start_s")
    wait_for_stretch(page, moment)  # what was asked for meanwhile comes
    open_page.complaints[:] = [c for c in open_page.complaints if "ERR_CONNECTION_REFUSED" not in c]


def test_dark_mode_reaches_page_and_charts_and_stays(run_page):
    page, _ = run_page
    wait_for_charts(page)
    ink = PLOT.format("repeat") + ".layout.font.color"
    line = "getComputedStyle(document.querySelector('#map .path')).stroke"
    light, path = page.evaluate(ink), page.evaluate(line)
    page.click("#switch-mode")
    wait_until(page, f"{ink} !== '{light}' && {line} !== '{path}'")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 26)"
    page.reload()
    page.locator("#map svg").first.wait_for()
    wait_until(page, "document.documentElement.dataset.theme === 'dark'")


def test_log_check_page_and_another_map(run_page):
    page, _ = run_page
    page.get_by_role("link", name="Log check").click()
    page.get_by_role("heading", name="Calibration found in the log").wait_for()
    page.locator("#columns[data-ready]").wait_for()
    row = page.locator("#columns tr", has_text="yaw rate")
    row.locator("svg path").wait_for()  # what the column looks like
    row.get_by_label("column of yaw rate").select_option("long_g")
    wait_until(page, "document.querySelector('#map-text').value.includes('[channels.yaw_rate]\\ncolumn = \"long_g\"')")
    row.get_by_label("column of yaw rate").select_option("")
    wait_until(page, "!document.querySelector('#map-text').value.includes('[channels.yaw_rate]')")
    page.locator("#map-text").fill("[channels]\nthrottle = 3\n")
    page.click("#again")
    page.locator("#again-refusal").get_by_text("channels.toml").wait_for()  # at once, and nothing is run
    assert "throttle" in page.locator("#again-refusal").inner_text()


def test_a_phone_has_one_trace_with_its_axis(open_page, analysed):
    page = open_page(f"/run/{analysed}", width=390, height=844)
    wait_for_screen(page)
    wait_until(page, "document.querySelectorAll('#traces .row-title').length === 1")
    assert page.locator("#traces .title").inner_html() == "log time, s"
    assert page.locator("#traces .found.chosen").count() == 1


def test_a_log_with_nothing_found_opens_at_its_answer(open_page, analysed):
    page = open_page()
    page.route(
        "**/view/overview*", lambda route: route.fulfill(json=route.fetch().json() | {"findings": [], "groups": []})
    )
    page.goto(f"{page.url.rstrip('/')}/run/{analysed}")
    wait_for_charts(page)
    page.keyboard.press("f")
    page.get_by_text("Nothing found in this log.").wait_for()
    page.get_by_text("The whole log. Click a corner, a lap or a cell to see it.").wait_for()
    assert page.evaluate("window.scrollY") == 0
