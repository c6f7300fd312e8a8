"""The dashboard in a real browser, as its three users work with it."""

import json
import urllib.request
from pathlib import Path

import pytest
from browser.conftest import SAMPLES
from browser.driving import (
    COUNTS,
    DARK_INK,
    ORDER,
    PATIENCE_S,
    PLOT,
    STATE,
    WINDOW,
    box_of,
    cell,
    choose,
    choose_sample_car,
    intercept,
    result_of,
    upload_and_analyse,
    wait_for,
    wait_for_charts,
    wait_for_stretch,
    wait_for_work,
    wait_until,
)

from dashboards.run.lines import MOST_POINTS


def test_driver_uploads_a_csv_and_opens_the_worst_finding(open_page, sample_copy, address):
    page = open_page()
    page.locator("#sample").wait_for()
    page.set_input_files("#file-log", str(sample_copy("baseline_minimum.csv", "club day.csv")))
    page.get_by_text("club_day.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="club_day.csv").first
    wait_for_work(page, line.locator(".state.done"), line)
    line.get_by_role("link", name="Open").click()
    page.wait_for_url("**/run/*")
    wait_for_charts(page)
    result = result_of(address, page.url.split("#")[0].rsplit("/", 1)[1])
    worst = result["findings"][0]
    page.locator("#what", has_text=worst["sentence"]).wait_for()
    wait_for_stretch(page, worst["start_s"])
    assert len(page.evaluate("halfshaft.screen.data.findings")) == len(result["findings"]) > 0
    spins = sum(f["kind"] == "inside_wheel_spin" for f in result["findings"])
    assert page.locator(".causes .big").inner_text() == str(spins)


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
    wait_for_charts(again)
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


def test_tuner_changes_a_ramp_and_the_curve_moves(run_page, address, tmp_path):
    page, run_id = run_page
    page.goto(f"{address}/setup?run={run_id}")
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


def test_a_log_without_a_car_is_not_analysed(open_page, new_dashboard, tmp_path):
    (tmp_path / "lone.csv").write_text("time,throttle\n0,2\n")
    page = open_page(at=new_dashboard)  # no car was ever given here
    page.set_input_files("#file-log", str(tmp_path / "lone.csv"))
    page.get_by_text("lone.csv is here").wait_for()
    page.click("#analyse")
    page.locator("#start-refusal", has_text="Choose a car file").wait_for()
    assert page.get_by_role("link", name="car form").get_attribute("href") == "/car"
    mine, sample = tmp_path / "mine.toml", SAMPLES.joinpath("club_car.toml")
    mine.write_text(sample.read_text("utf-8").replace("mass_kg = 1040", "mass_kg = 1055"), "utf-8")
    page.set_input_files("#file-car", str(mine))
    page.locator("#choice-car", has_text="mine.toml").wait_for()
    assert page.locator(".run-line", has_text="lone.csv").count() == 0


def test_broken_file_gives_a_message(open_page, tmp_path):
    broken = tmp_path / "broken.csv"
    broken.write_bytes(b"this is no log\n\x00\x01\x02")
    page = open_page()
    page.set_input_files("#file-log", str(broken))
    page.get_by_text("broken.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="broken.csv").first
    line.locator(".state.failed").wait_for(timeout=1000 * PATIENCE_S)
    assert "broken.csv" in line.locator(".refusal").inner_text()


def test_a_run_that_is_removed_can_be_had_back(open_page, tmp_path):
    (tmp_path / "mistake.csv").write_text("time,throttle\n0,1\n")
    page = open_page()
    page.set_input_files("#file-log", str(tmp_path / "mistake.csv"))
    page.get_by_text("mistake.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="mistake.csv")
    line.locator(".state.failed").wait_for(timeout=1000 * PATIENCE_S)
    line.get_by_role("button", name="remove mistake.csv").click()
    page.locator(".undo", has_text="mistake.csv is removed").wait_for()
    line.wait_for(state="detached")
    page.get_by_role("button", name="Undo").click()
    line.wait_for()
    page.reload()
    line.wait_for()
    line.get_by_role("button", name="remove mistake.csv").click()
    line.wait_for(state="detached")


def test_wrong_ending_gives_a_message(open_page, tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"x")
    page = open_page()
    # the refusal is an answer with status 400, which the browser writes to its console by itself
    with page.expect_console_message(lambda m: "400 (BAD REQUEST)" in m.text):
        page.set_input_files("#file-log", str(tmp_path / "photo.jpg"))
        page.get_by_text("photo.jpg: cannot be a log with this ending").wait_for()
    open_page.complaints[:] = [c for c in open_page.complaints if "400 (BAD REQUEST)" not in c]


def test_after_a_refused_upload_the_log_before_is_not_analysed(open_page, tmp_path, sample_copy):
    page = open_page()
    good = sample_copy("baseline_minimum.csv", "good.csv")
    page.set_input_files("#file-log", str(good))
    page.get_by_text("good.csv is here").wait_for()
    (tmp_path / "photo.jpg").write_bytes(b"x")
    with page.expect_console_message(lambda m: "400 (BAD REQUEST)" in m.text):
        page.set_input_files("#file-log", str(tmp_path / "photo.jpg"))
        page.get_by_text("photo.jpg: cannot be a log with this ending").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    page.locator("#start-refusal", has_text="Choose a log first").wait_for()
    assert page.locator(".run-line", has_text="good.csv").count() == 0
    open_page.complaints[:] = [c for c in open_page.complaints if "400 (BAD REQUEST)" not in c]


def test_the_shipped_sample_s_car_and_setup_can_be_sent(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    for kind, name in (("car", "club_car.toml"), ("setup", "baseline.setup.toml")):
        page.set_input_files(f"#file-{kind}", str(SAMPLES / name))
        page.locator(f"#choice-{kind}", has_text=name).wait_for()


def test_notes_name_search_and_order_of_runs(open_page, analysed):
    page = open_page()
    line = page.locator(".run-line", has_text="driver.parquet").first
    line.get_by_role("button", name="notes on").click()
    page.locator("#about-driver").fill("Kim")
    page.locator("#about-notes").fill("rain from lap 3")
    page.click("#about-save")
    page.locator(".run-line", has_text="rain from lap 3").first.wait_for()
    page.reload()
    page.locator(".run-line", has_text="Kim").first.wait_for()
    if page.locator("#search").is_visible():
        told = page.locator(".run-line", has_text="rain from lap 3").count()  # analysed again, it stands there again
        page.locator("#search").fill("rain lap")
        wait_until(page, f"document.querySelectorAll('.run-line').length === {told}")
        page.locator("#search").fill("nobody drove this")
        page.get_by_text("No run has").wait_for()


def test_what_was_typed_into_the_setup_is_there_after_back(run_page, address):
    page, run_id = run_page
    page.goto(f"{address}/setup?run={run_id}")
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


def test_markup_in_a_log_is_shown_as_text(open_page, sample_copy):
    text = sample_copy("baseline_minimum.csv", "hostile.csv").read_text()
    head, rest = text.split("\n", 1)
    mark = "<img src=x onerror=window.sprung=1>"
    rows = rest.split("\n")
    hostile = "\n".join([f"{head},{mark}", *(f"{r},0" if r else r for r in rows)])
    path = sample_copy("baseline_minimum.csv", "marked.csv")
    path.write_text(hostile)
    page = open_page()
    line = upload_and_analyse(page, path)
    line.get_by_role("link", name="Log check").click()
    page.get_by_text(mark).first.wait_for()
    assert page.evaluate("window.sprung === undefined")
    assert page.locator("main img").count() == 0


def test_engineer_compares_before_and_after(open_page, sample_copy, address, keep_shot):
    page = open_page()
    upload_and_analyse(page, sample_copy("baseline.parquet", "before.parquet"))
    upload_and_analyse(page, sample_copy("steeper_ramps.parquet", "after.parquet"))
    for name, side in (("before.parquet", "before"), ("after.parquet", "after")):
        page.get_by_role("button", name=f"{name}: {side} the change").first.click()
    page.get_by_role("link", name="Compare 1 before with 1 after").click()
    for chart in ("both-locks", "both-phases"):
        page.locator(f"#{chart} .plot-container").first.wait_for()
    names = f"({PLOT.format('both-locks')}?.data || []).map(d => d.name)"
    wait_until(page, f"{names}.includes('before: before.parquet') && {names}.includes('after: after.parquet')")
    wait_until(
        page, f"{PLOT.format('both-phases')}?.data?.some(d => d.name === 'before' && d.marker.symbol === 'circle')"
    )
    page.click("#together")
    wait_for_work(page, page.locator("#change .plot-container"), page.locator("#together-progress"))
    link = page.locator('#together-told a[href$="result.json"]').get_attribute("href")
    with urllib.request.urlopen(address + link, timeout=20) as answer:
        result = json.load(answer)
    table = page.locator("#together-told table").first
    for k, (side, found) in enumerate(result["sides"].items()):
        cells = table.locator("tbody tr").nth(k).locator("td").all_inner_texts()
        assert cells[0] == side and float(cells[2]) == round(found["change_Nm"]["value"])
    measured = PLOT.format("change") + "?._fullData?.find(d => d.name === 'measured change')"
    wait_until(page, measured + " !== undefined")
    drawn = page.evaluate(measured + ".y.length")
    assert drawn == len(result["locking_torque_change"])
    wait_until(page, f"{names}.includes('before') && {names}.includes('after')")  # now both sides fitted together
    keep_shot(page, "before_and_after")
    page.reload()  # the address keeps it, and nothing is worked out anew
    page.locator("#change .plot-container").wait_for()
    assert page.locator('#together-told a[href$="result.json"]').get_attribute("href") == link
    page.locator("#earlier", has_text="before.parquet against after.parquet").wait_for()
    # what was said is about these runs only
    page.locator("#after-laps").fill("odd")
    page.locator("#after-laps").press("Enter")
    page.locator("#change .plot-container").wait_for(state="detached")


def test_two_people_at_once(open_page, sample_copy):
    pages = [open_page(), open_page(apart=True)]
    paths = [sample_copy("baseline.parquet", "anna.parquet"), sample_copy("steeper_ramps.parquet", "ben.parquet")]
    for page, path in zip(pages, paths, strict=True):
        page.set_input_files("#file-log", str(path))
        page.get_by_text(f"{path.name} is here").wait_for()
        choose_sample_car(page)
    for page in pages:
        page.click("#analyse")
    for page, path in zip(pages, paths, strict=True):
        line = page.locator(".run-line", has_text=path.name).first
        wait_for_work(page, line.locator(".state.done"), line)
        line.get_by_role("link", name="Open").click()
        page.locator("h1", has_text=path.name).wait_for()


def test_dark_mode_reaches_page_and_charts_and_stays(run_page):
    page, _ = run_page
    ink = PLOT.format("repeat") + ".layout.font.color"
    line = "getComputedStyle(document.querySelector('#map .path')).stroke"
    light, path = page.evaluate(ink), page.evaluate(line)
    page.click("#switch-mode")
    wait_until(page, f"{ink} !== '{light}' && {line} !== '{path}'")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 26)"
    page.reload()
    page.locator("#map svg").first.wait_for()
    wait_until(page, "document.documentElement.dataset.theme === 'dark'")


def test_the_first_visit_is_as_dark_as_the_system(open_page):
    page = open_page()
    wait_until(page, "document.documentElement.dataset.theme === 'light'")
    page.emulate_media(color_scheme="dark")
    page.evaluate("localStorage.clear()")
    page.reload()
    wait_until(page, "document.documentElement.dataset.theme === 'dark'")
    page.click("#switch-mode")  # what is chosen by hand wins
    wait_until(page, "document.documentElement.dataset.theme === 'light'")
    page.reload()
    page.locator("#sample").wait_for()
    wait_until(page, "document.documentElement.dataset.theme === 'light'")


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
            page.set_viewport_size({"width": width, "height": height})
            wait_until(page, f"document.documentElement.scrollWidth <= {width}")
            wait_until(page, DRAWN[mode])
            assert page.locator("h1").is_visible()
            found = page.evaluate(LEGIBLE)
            assert found.pop("texts") > 10 and not any(found.values()), (size, mode, found)
            keep_shot(page, f"{name}_{size}_{mode}")


def test_every_chart_says_how_to_read_it_behind_an_icon(run_page, address):
    page, run_id = run_page
    for path in (f"/run/{run_id}", f"/setup?run={run_id}", "/compare", f"/run/{run_id}/what-if"):
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
    wait_for_charts(page)
    assert page.evaluate(inside, [1280, 800]) == ["#strip", "#grid table", "#map svg", "#traces svg"]
    page.keyboard.press("l")
    page.locator("#lock .measured").first.wait_for(state="attached")
    wait_for(page, lambda: "#lock svg" in page.evaluate(inside, [1280, 800]), "the lock plot is seen whole")
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.locator("#map svg").wait_for()
    wait_for(page, lambda: len(page.evaluate(inside, [1920, 1080])) == 6, "all six are seen")


def test_paper_has_the_answer_the_grid_and_the_lock_plot_whole(run_page):
    page, _ = run_page
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


def test_start_page_by_keyboard(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    reached = set()
    for _ in range(25):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    assert {"file-log", "choice-car", "file-car", "analyse", "sample", "switch-mode"} <= reached


def test_a_phone_has_one_trace_with_its_axis(open_page, analysed):
    page = open_page(f"/run/{analysed}", width=390, height=844)
    wait_for_charts(page)
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
