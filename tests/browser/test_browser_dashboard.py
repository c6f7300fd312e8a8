"""The dashboard in a real browser, as its three users work with it."""

import json
import re
import urllib.request
from pathlib import Path

import pytest
from browser.driving import (
    COUNTS,
    DARK_INK,
    PATIENCE_S,
    PLOT,
    WINDOW,
    choose,
    choose_sample_car,
    result_of,
    upload_and_analyse,
    wait_for,
    wait_for_charts,
    wait_for_stretch,
    wait_for_work,
    wait_until,
)

from dashboards.figures.traces import POINTS


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
    result = result_of(address, page.url.rsplit("/", 1)[1])
    assert page.locator(".finding").count() == len(result["findings"]) > 0
    worst = result["findings"][0]
    first = page.locator(".finding").first
    first.click()
    assert f"corner {worst['corner']}, lap {worst['lap']}, {worst['start_s']:.1f} s" in first.inner_text()
    page.locator("#what", has_text=worst["sentence"]).wait_for()
    wait_for_stretch(page, worst["start_s"])


def test_picking_moves_map_traces_and_lock_plot(run_page, address):
    page, run_id = run_page
    other = next(f for f in result_of(address, run_id)["findings"][1:] if f["corner"] is not None)
    index = result_of(address, run_id)["findings"].index(other)
    page.locator(".finding").nth(index).press("Enter")  # by keyboard
    name = f"corner {other['corner']}, lap {other['lap']}"
    wait_until(page, PLOT.format("lock") + f".data.some(d => d.name === '{name}')")
    wait_for_stretch(page, other["start_s"])
    wait_until(page, PLOT.format("map") + ".data.some(d => d.name === 'chosen finding')")
    page.locator(".finding").nth(index).and_(page.locator("[aria-pressed=true]")).wait_for()
    assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "true"  # the keyboard is still there


def test_a_click_in_the_lock_plot_goes_to_the_corner(run_page):
    page, _ = run_page
    spot = page.evaluate(
        """() => {
            const plot = document.querySelector('#lock .js-plotly-plot'), {xaxis, yaxis} = plot._fullLayout;
            const line = plot._fullData.find(d => d.name === 'slipping sample');
            const seen = k => line.y[k] < yaxis.range[1] && line.customdata[k][0] > 0;
            const k = [...line.x.keys()].filter(seen).sort((a, b) => line.y[b] - line.y[a])[0];
            plot.scrollIntoView({block: 'center'});
            const box = plot.getBoundingClientRect();
            return {
                x: box.left + xaxis._offset + xaxis.l2p(line.x[k]), y: box.top + yaxis._offset + yaxis.l2p(line.y[k]),
            };
        }"""
    )
    # samples may lie on each other: plotly says which one it took for the one clicked
    page.evaluate(
        """document.querySelector('#lock .js-plotly-plot').on(
            'plotly_click', e => { window.clicked = e.points[0].customdata.slice(0, 2).map(Math.round); })"""
    )
    page.mouse.move(spot["x"] - 20, spot["y"])
    page.mouse.move(spot["x"], spot["y"], steps=3)
    page.locator("#lock .hoverlayer text", has_text=re.compile(r"corner \d+, lap \d+")).first.wait_for(state="attached")
    page.mouse.down()
    page.mouse.up()
    wait_until(page, "window.clicked !== undefined")
    corner, lap = page.evaluate("window.clicked")
    name = f"corner {corner}, lap {lap}"
    wait_until(page, PLOT.format("lock") + f".data.some(d => d.name === '{name}')")
    # the traces, which are further up, come into view
    wait_until(page, "Math.abs(document.getElementById('traces-panel').getBoundingClientRect().top) < 300")


def test_next_finding_steps_through_the_list(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    page.click("#next")
    page.locator("#what", has_text=findings[1]["sentence"]).wait_for()
    page.click("#previous")
    page.locator("#what", has_text=findings[0]["sentence"]).wait_for()
    page.click("#previous")
    page.locator("#what", has_text=findings[-1]["sentence"]).wait_for()


def test_filters_and_order(run_page, address):
    page, run_id = run_page
    findings = result_of(address, run_id)["findings"]
    choose(page, "#order", "in time")
    first = min(findings, key=lambda f: f["start_s"])
    page.locator(".finding").first.get_by_text(f"{first['start_s']:.1f} s").wait_for()
    choose(page, "#only-lap", "2")
    count = sum(f["lap"] == 2 for f in findings)
    wait_until(page, f"document.querySelectorAll('.finding').length === {count}")


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
    wait_until(page, f"{WINDOW} === null && Math.max(...{COUNTS}) > 1000")
    assert max(page.evaluate(COUNTS)) <= POINTS
    box = page.locator("#traces .nsewdrag").first.bounding_box()
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 45, steps=6)
    page.mouse.up()
    wait_until(page, f"{WINDOW} !== null")
    low, high = page.evaluate(PLOT.format("traces") + ".layout.xaxis.range")
    assert 20 < high - low < 60
    assert 100 < max(page.evaluate(COUNTS)) <= POINTS


def test_tuner_changes_a_ramp_and_the_curve_moves(run_page, address, tmp_path):
    page, run_id = run_page
    page.goto(f"{address}/setup?run={run_id}")
    curve = PLOT.format("predicted") + "._fullData.find(d => d.name === 'parts say').y"
    page.locator("#predicted .plot-container").first.wait_for()
    wait_until(page, f"!!{PLOT.format('predicted')}?._fullData?.find(d => d.name === 'parts say')")
    before = page.evaluate(f"Math.max(...{curve})")
    ramp = page.get_by_label("drive ramp angle, degrees")
    ramp.fill("40")
    wait_until(page, f"Math.max(...{curve}) > {1.5 * before}")
    ramp.fill("400")
    page.get_by_text("allowed: 0 to 90").wait_for()
    ramp.fill("45")
    page.locator("#setup-refusal").get_by_text("allowed").wait_for(state="detached")
    with page.expect_download() as saved:
        page.click("#save-setup")
    saved.value.save_as(tmp_path / "saved.toml")
    text = (tmp_path / "saved.toml").read_text()
    assert "drive_ramp_angle_deg = 45" in text
    # and back into the form, with a figure that the form did not have
    (tmp_path / "changed.toml").write_text(text.replace("drive_ramp_angle_deg = 45", "drive_ramp_angle_deg = 52"))
    page.set_input_files("#file-opened", str(tmp_path / "changed.toml"))
    page.locator("#opened", has_text="changed.toml").wait_for()
    wait_until(page, "[...document.querySelectorAll('#form input')].some(i => i.value === '52')")
    assert page.get_by_label("drive ramp angle, degrees").input_value() == "52"


def test_a_log_without_a_car_is_not_analysed(open_page, tmp_path):
    (tmp_path / "lone.csv").write_text("time,throttle\n0,2\n")
    page = open_page()
    page.set_input_files("#file-log", str(tmp_path / "lone.csv"))
    page.get_by_text("lone.csv is here").wait_for()
    page.click("#analyse")
    page.locator("#start-refusal", has_text="Choose a car file").wait_for()
    with page.expect_download() as got:
        page.get_by_role("link", name="save the sample's").click()
    mine = tmp_path / "mine.toml"
    mine.write_text(Path(got.value.path()).read_text("utf-8").replace("mass_kg = 1040", "mass_kg = 1055"), "utf-8")
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


def test_a_run_is_removed_after_a_warning_only(open_page, tmp_path):
    (tmp_path / "mistake.csv").write_text("time,throttle\n0,1\n")
    page = open_page()
    page.set_input_files("#file-log", str(tmp_path / "mistake.csv"))
    page.get_by_text("mistake.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="mistake.csv")
    line.locator(".state.failed").wait_for(timeout=1000 * PATIENCE_S)
    said = []
    page.once("dialog", lambda d: (said.append(d.message), d.dismiss()))
    line.get_by_role("button", name="remove mistake.csv").click()
    wait_for(page, lambda: said, "asked whether sure")
    assert "mistake.csv" in said[0] and "cannot be undone" in said[0]
    page.reload()
    line.wait_for()
    page.once("dialog", lambda d: d.accept())
    line.get_by_role("button", name="remove mistake.csv").click()
    line.wait_for(state="detached")


def test_wrong_ending_gives_a_message(open_page, tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"x")
    page = open_page()
    # the refusal is an answer with status 400, which the browser writes to its console by itself
    with page.expect_console_message(lambda m: "400 (BAD REQUEST)" in m.text):
        page.set_input_files("#file-log", str(tmp_path / "photo.jpg"))
        page.get_by_text("photo.jpg: does not end like a log").wait_for()
    open_page.complaints[:] = [c for c in open_page.complaints if "400 (BAD REQUEST)" not in c]


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
    names = f"{PLOT.format('both-locks')}.data.map(d => d.name)"
    wait_until(page, f"{names}.includes('before: before.parquet') && {names}.includes('after: after.parquet')")
    wait_until(
        page, f"{PLOT.format('both-phases')}.data.some(d => d.name === 'before' && d.marker.symbol === 'circle')"
    )
    page.click("#together")
    wait_for_work(page, page.locator("#change .plot-container"), page.locator("#together-progress"))
    link = page.locator("#together-told a[download]").get_attribute("href")
    with urllib.request.urlopen(address + link, timeout=20) as answer:
        result = json.load(answer)
    table = page.locator("#together-told table").first
    for k, (side, found) in enumerate(result["sides"].items()):
        cells = table.locator("tbody tr").nth(k).locator("td").all_inner_texts()
        assert cells[0] == side and float(cells[2]) == round(found["change_Nm"]["value"])
    drawn = page.evaluate(PLOT.format("change") + "._fullData.find(d => d.name === 'measured change').y.length")
    assert drawn == len(result["locking_torque_change"])
    wait_until(page, f"{names}.includes('before') && {names}.includes('after')")  # now both sides fitted together
    keep_shot(page, "before_and_after")
    # what was said is about these runs only
    page.locator("#after-laps").fill("odd")
    page.locator("#after-laps").press("Enter")
    page.locator("#change .plot-container").wait_for(state="detached")


def test_two_people_at_once(open_page, sample_copy):
    pages = [open_page(), open_page()]
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
    ink = PLOT.format("map") + ".layout.font.color"
    light = page.evaluate(ink)
    page.click("#switch-mode")
    wait_until(page, f"{ink} !== '{light}'")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(22, 25, 29)"
    page.reload()
    page.locator("#map .plot-container").first.wait_for()
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


SIZES = {"laptop": (1280, 720), "tablet": (820, 1180), "phone": (390, 844)}
LEGIBLE = (Path(__file__).parent / "legible.js").read_text("utf-8")


@pytest.mark.parametrize("name", ["start", "run", "log_check", "setup", "compare"])
def test_every_page_fits_and_is_legible_on_laptop_tablet_and_phone(open_page, address, analysed, keep_shot, name):
    path = {"run": f"/run/{analysed}", "log_check": f"/run/{analysed}/log", "setup": f"/setup?run={analysed}"}
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


def test_every_chart_says_how_to_read_it(run_page, address):
    page, run_id = run_page
    for path in (f"/run/{run_id}", f"/setup?run={run_id}", "/compare"):
        page.goto(address + path)
        page.locator(".js-plotly-plot").first.wait_for()
        unread = """[...document.querySelectorAll('.dash-graph')].filter(g =>
            !g.parentElement.parentElement.querySelector('.read')?.innerText.startsWith('How to read it'))
            .map(g => g.id)"""
        assert page.evaluate(unread) == []


def test_a_report_that_is_being_printed_says_so(run_page, open_page):
    page, _ = run_page
    asked = []
    page.route("**/report.pdf", lambda route: asked.append(route))
    link = page.get_by_role("link", name="Report (PDF)")
    link.click()
    wait_for(page, lambda: len(asked) == 1, "asked for the report")
    assert link.get_attribute("aria-busy") == "true"
    link.click()  # once more while it is printed asks nothing new
    with page.expect_download() as got:
        named = {"Content-Disposition": 'attachment; filename="driver.pdf"'}
        asked[0].fulfill(body=b"%PDF-1.7", content_type="application/pdf", headers=named)
    assert got.value.suggested_filename == "driver.pdf" and Path(got.value.path()).read_bytes() == b"%PDF-1.7"
    wait_until(page, "!document.querySelector('[data-prints]').hasAttribute('aria-busy')")
    assert len(asked) == 1
    link.click()
    wait_for(page, lambda: len(asked) == 2, "asked again")
    asked[1].fulfill(status=404, body="No browser to print with.", content_type="text/plain")
    page.locator("#report-refusal", has_text="No browser to print with.").wait_for()
    open_page.complaints[:] = [c for c in open_page.complaints if "404" not in c]  # the browser's own word on it


def test_start_page_by_keyboard(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    reached = set()
    for _ in range(25):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    assert {"file-log", "choice-car", "file-car", "analyse", "sample", "switch-mode"} <= reached


def test_on_a_phone_the_chosen_finding_is_pushed_into_view(open_page, analysed):
    page = open_page(f"/run/{analysed}", width=390, height=844)
    wait_for_charts(page)
    middle = """(() => {
        const [box, frame] = ['#traces-panel .broad', '#traces .shapelayer path[style*="dasharray: 3"]']
            .map(found => document.querySelector(found)?.getBoundingClientRect());
        return box && frame && box.left < frame.left && frame.right < box.right;
    })()"""
    wait_until(page, middle)
    assert page.evaluate("document.querySelector('#traces-panel .broad').scrollLeft") > 0


def test_a_log_with_nothing_found_opens_at_its_answer(open_page, sample_copy):
    page = open_page()
    page.locator("#sample").wait_for()
    log = sample_copy("steeper_ramps.parquet", "calm.parquet")
    upload_and_analyse(page, log).get_by_role("link", name="Open").click()
    page.get_by_text("Nothing found in this log.").wait_for()
    for chart in ("map", "traces", "lock", "repeat"):
        page.locator(f"#{chart} .plot-container").first.wait_for()
    page.get_by_text("Click the map or the lock plot to go to a corner.").wait_for()
    assert page.evaluate("window.scrollY") == 0
    assert not page.locator("#only-kind").is_visible() and not page.locator("#next").is_visible()
