"""The season in a real browser: one mark a run, a click leads to it, the axis changes."""

from browser.conftest import put_in
from browser.driving import wait_for_screen, wait_until


def test_the_season_shows_every_run_and_leads_to_it(open_page, new_dashboard, new_book, sample_copy, keep_shot):
    put_in(new_book, sample_copy("baseline.parquet", "driver.parquet"))  # other tests change the car of a shared run
    page = open_page(width=1280, height=800, at=new_dashboard)
    page.get_by_role("link", name="over the season").click()
    page.locator("#season[data-ready]").wait_for()
    marks = page.locator("#season .season-run")
    assert marks.count() == page.locator("#season tbody tr").count() == 1
    keep_shot(page, "season")
    dates = page.locator("#season-chart .tick").all_inner_texts()
    page.select_option("#season-along", "km")
    page.locator("#season-chart", has_text="distance driven, km").wait_for()
    assert page.locator("#season-chart .tick").all_inner_texts() != dates
    mark = page.locator('#season-chart a[aria-label^="driver.parquet"]').first
    leads_to = mark.get_attribute("href")
    mark.click()
    page.wait_for_url(f"**{leads_to}*")
    wait_for_screen(page)
    wait_until(page, "document.title.startsWith('driver.parquet')")
