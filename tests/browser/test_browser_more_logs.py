"""Slow circles added to a run in a real browser: one answer from both logs."""

from browser.conftest import TWO_LAPS, put_in
from browser.driving import result_of, wait_for_charts, wait_for_work


def test_an_engineer_adds_circles_to_a_run(open_page, sample_copy, address, book, keep_shot):
    before = put_in(book, sample_copy("baseline.parquet", "laps.parquet", rows=TWO_LAPS))
    page = open_page(width=1280, height=800)
    line = page.locator(".run-line", has_text="laps.parquet").first
    alone = result_of(address, before)["lock_curve"]["drive_slope"]
    line.get_by_role("button", name="add a log to laps.parquet").click()
    page.click("#add-log")
    page.locator("#more-refusal", has_text="Choose a log first").wait_for()
    page.click("#more-cancel")
    line.get_by_role("button", name="add a log to laps.parquet").click()
    page.locator("#more-refusal", has_text="Choose a log first").wait_for(state="detached")
    page.click("#add-log")
    page.locator("#more-refusal", has_text="Choose a log first").wait_for()  # said anew
    page.set_input_files("#file-more", str(sample_copy("baseline_circles.parquet", "circles.parquet", rows=12_000)))
    page.locator("#more .said", has_text="circles.parquet is here").wait_for()
    page.locator("#more-refusal", has_text="Choose a log first").wait_for(state="detached")
    keep_shot(page, "add_a_log")
    page.click("#add-log")
    page.locator("#more").wait_for(state="hidden")
    line = page.locator(".run-line", has_text="laps.parquet + circles.parquet").first
    wait_for_work(page, line.locator(".state.done"), line)
    line.get_by_role("link", name="Open").click()
    wait_for_charts(page)
    assert page.url.split("#")[0].rsplit("/", 1)[1] == before  # the same link
    page.locator(".facts", has_text="analysed together with circles.parquet").wait_for()
    page.keyboard.press("l")
    page.locator("#lock .elsewhere").first.wait_for(state="attached")
    page.locator("#lock-key", has_text="slipping, other logs").wait_for()
    keep_shot(page, "run_of_two_logs")
    page.get_by_role("link", name="Log check").click()
    page.get_by_role("link", name="circles.parquet").click()
    page.locator("h1", has_text="Log check: circles.parquet").wait_for()
    page.locator("#columns[data-mounted$='log 2'][data-ready]").wait_for()
    both = result_of(address, before)["lock_curve"]["drive_slope"]
    assert both["upper"] - both["lower"] < alone["upper"] - alone["lower"]


def test_a_log_that_cannot_be_added_is_refused_in_the_form(open_page, analysed, sample_copy):
    page = open_page()
    line = page.locator(".run-line", has=page.locator(f'a[href="/run/{analysed}"]'))
    line.get_by_role("button", name="add a log to driver.parquet").click()
    page.set_input_files("#file-more", str(sample_copy("baseline.parquet", "driver.parquet")))  # the same bytes again
    page.locator("#more .said", has_text="driver.parquet is here").wait_for()
    page.click("#add-log")
    page.locator("#more-refusal", has_text="is this run's own log").wait_for()
    page.click("#more-cancel")
    page.locator("#more").wait_for(state="hidden")
