"""The three people's walks, by clicks from the start page: a driver, a race engineer, a tuner."""

import re

from browser.conftest import ONE_LAP, put_in
from browser.driving import STATE, WINDOW, cell, result_of, wait_for, wait_for_screen, wait_until


def test_driver_two_clicks_to_corner_4_every_lap_the_differential(open_page, analysed, address, keep_shot):
    """From the start page: open the run, click corner 4."""
    page = open_page(width=1280, height=800)
    page.locator(f'a[href="/run/{analysed}"]').click()  # first click
    wait_for_screen(page)
    page.get_by_role("button", name="corner 4, right, every lap").click()  # second click
    found = [f for f in result_of(address, analysed)["findings"] if f["corner"] == 4]
    laps = {f["lap"] for f in found}
    of = page.evaluate("halfshaft.screen.data.laps.length")
    page.locator("#what", has_text=f"Corner 4, every lap: {len(found)} spins in {len(laps)} of {of} laps").wait_for()
    assert "differential" in page.locator("#what").inner_text()
    # the spins on the map, and each lap's line in the traces with one lap's time lost
    marks = page.locator("#map .spot").all()
    assert sum(len(m.get_attribute("data-findings").split(",")) for m in marks) == len(found)
    strands = "new Set([...document.querySelectorAll('#traces .line')].map(p => p.dataset.strand)).size"
    wait_until(page, f"{strands} === {of}")
    page.locator("#traces .row-title", has_text=re.compile("time lost to lap")).wait_for()
    keep_shot(page, "walk_driver")


def test_engineer_from_the_grid_to_a_lap_against_the_fastest(open_page, analysed, address, keep_shot):
    """A cell, its neighbour lap by key, the fastest lap laid over, a zoom, and Back."""
    page = open_page(f"/run/{analysed}", width=1920, height=1080)
    wait_for_screen(page)
    fastest = page.evaluate("halfshaft.screen.data.fastest")
    lap = 1 if fastest != 1 else 2
    cell(page, lap, 5).click()
    wait_until(page, f"halfshaft.pickedPass()?.lap === {lap} && halfshaft.pickedPass()?.corner === 5")
    page.keyboard.press("v")
    wait_until(page, f"halfshaft.pickedPass()?.lap === {lap + 1}")
    page.go_back()
    wait_until(page, f"halfshaft.pickedPass()?.lap === {lap}")
    page.locator("summary", has_text="overlay laps").click()
    page.locator(f'#over-menu input[value="{fastest}"]').check()
    page.locator("#traces-key", has_text=f"lap {fastest}, fastest").wait_for()
    page.locator("#traces .row-title", has_text="time lost to").wait_for()
    page.keyboard.press("Escape")  # folds the list away
    page.keyboard.press("Escape")
    wait_until(page, f"(w => w[1] - w[0] > 200)({WINDOW})")
    page.go_back()
    wait_until(page, f"{STATE}.over === '{fastest}'")
    keep_shot(page, "walk_engineer")


def test_tuner_tries_more_preload_and_the_spins_by_corner_move(open_page, analysed, keep_shot):
    """What if, a slider, the replay, and advice from a shelf."""
    page = open_page(f"/run/{analysed}", width=1280, height=800)
    wait_for_screen(page)
    page.get_by_role("link", name="What if").first.click()
    page.locator("#trial-corners table").wait_for()
    assert page.title() == "What if: driver.parquet – halfshaft"
    before = page.locator("#trial-lock .trial").get_attribute("d")
    spin = page.locator("#trial-answer").inner_text()
    slider = page.locator("#try-preload_Nm")
    slider.focus()
    slider.fill("150")
    wait_for(page, lambda: page.locator("#trial-lock .trial").get_attribute("d") != before, "the curve moved")
    wait_for(page, lambda: page.locator("#trial-answer").inner_text() != spin, "the laps were replayed")
    now, then = (float(v) for v in re.findall(r"([\d.]+) s", page.locator("#trial-answer").inner_text())[:2])
    assert then < now  # more lock, less spin
    assert "preload_Nm=150" in page.url
    keep_shot(page, "walk_tuner")


def test_the_sample_s_setup_file_anchors_a_second_curve(open_page):
    page = open_page()
    page.locator("#sample").click()  # the sample comes with a setup file
    line = page.locator(".run-line", has_text="baseline.parquet").first
    line.locator(".state.done").wait_for()
    line.get_by_role("link", name="Open").click()
    wait_for_screen(page)
    # the setup file anchors a second curve: a mark of its own, and a line that is named where it ends
    page.locator("#strip .figures.anchored-word").first.wait_for()
    assert (
        page.locator("#strip .tick-mark.anchored").count() == page.locator("#strip .figures.anchored-word").count() == 3
    )
    page.keyboard.press("l")
    page.locator("#lock .anchored-name", has_text="anchored").wait_for()


def test_advice_from_a_shelf_says_the_build(open_page, book, sample_copy):
    run_id = put_in(book, sample_copy("baseline.parquet", "advised.parquet", rows=ONE_LAP), setup=True)
    page = open_page(f"/run/{run_id}/what-if")
    page.locator("#trial-corners table").wait_for()
    page.click("#advise-sample")
    page.locator("#advise-told table").wait_for(timeout=240_000)
    assert "To reduce" in page.locator("#advise-told").inner_text()


def test_advice_without_a_setup_file_is_refused_in_words(open_page, analysed):
    page = open_page(f"/run/{analysed}/what-if")
    page.locator("#trial-corners table").wait_for()
    page.click("#advise")
    page.locator("#advise-told", has_text="Choose a parts file first").wait_for()
    page.click("#advise-sample")
    page.locator("#advise-told", has_text="no setup file").wait_for()
