"""The start page in a real browser: what is sent, refused, analysed, removed and compared."""

import json
import urllib.request

from browser.conftest import ONE_LAP, SAMPLES, TWO_LAPS, put_in
from browser.driving import (
    PATIENCE_S,
    PLOT,
    choose_sample_car,
    result_of,
    wait_for_charts,
    wait_for_stretch,
    wait_for_work,
    wait_until,
)

from analyzer.presentation.comparison_words import SIDE_WORDS


def test_driver_uploads_a_csv_and_opens_the_worst_finding(open_page, sample_copy, address):
    page = open_page()
    page.locator("#sample").wait_for()
    page.set_input_files("#file-log", str(sample_copy("baseline_minimum.csv", "club day.csv")))
    page.get_by_text("club_day.csv is here").wait_for()
    choose_sample_car(page)
    page.click("#analyse")
    line = page.locator(".run-line", has_text="club_day.csv").first
    wait_for_work(page, line.locator(".state.done"), line)
    assert "differential" in line.locator(".spins").inner_text()  # by whom, in words and without pointing at it
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


def test_markup_in_a_log_is_shown_as_text(open_page, book, tmp_path):
    head, *rows = (SAMPLES / "baseline_minimum.csv").read_text().splitlines()[: 1 + ONE_LAP]
    mark = "<img src=x onerror=window.sprung=1>"
    path = tmp_path / "marked.csv"
    path.write_text("\n".join([f"{head},{mark}", *(f"{row},0" for row in rows), ""]))
    put_in(book, path)
    page = open_page()
    page.locator(".run-line", has_text="marked.csv").get_by_role("link", name="Log check").click()
    page.get_by_text(mark).first.wait_for()
    assert page.evaluate("window.sprung === undefined")
    assert page.locator("main img").count() == 0


def test_engineer_compares_before_and_after(open_page, sample_copy, address, book, keep_shot):
    put_in(book, sample_copy("baseline.parquet", "before.parquet", rows=TWO_LAPS))
    put_in(book, sample_copy("steeper_ramps.parquet", "after.parquet", rows=TWO_LAPS))
    page = open_page()
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
        assert cells[0] == SIDE_WORDS[side]
        numbers = [float(cells[column]) for column in (2, 3, 6)]
        assert numbers == [round(n) for n in (found["before_Nm"], found["change_Nm"]["value"], found["margin_Nm"])]
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
    paths = [sample_copy("baseline.parquet", f"{name}.parquet", rows=ONE_LAP) for name in ("anna", "ben")]
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


def test_start_page_by_keyboard(open_page):
    page = open_page()
    page.locator("#sample").wait_for()
    reached = set()
    for _ in range(25):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id"))
    assert {"file-log", "choice-car", "file-car", "analyse", "sample", "switch-mode"} <= reached
