"""The car form in a real browser: filled by an upload, refused in words, kept, and used for the next analysis."""

from importlib import resources
from pathlib import Path

from browser.conftest import ONE_LAP, put_in
from browser.driving import choose, wait_until

SAMPLES = Path(str(resources.files("sample_logs")))
MASS = "[...document.querySelectorAll('#car-form input')].some(i => i.value === '{}')"


def mass_field(page):
    return page.locator("#car-form [data-figure=mass_kg] input")


def test_the_sample_car_fills_the_form_and_what_is_kept_is_there_on_the_start_page(open_page, keep_shot):
    page = open_page("/car", width=1280, height=800)
    page.set_input_files("#file-car-opened", str(SAMPLES / "club_car.toml"))
    wait_until(page, MASS.format(1040))
    mass_field(page).fill("1.1")
    page.locator("#car-refusal", has_text="allowed: 150 to 5000").wait_for()
    assert page.locator("#car-form .wrong").count() == 1  # and the field is marked
    keep_shot(page, "car_refused")
    mass_field(page).fill("1066")
    page.locator("#car-refusal").get_by_text("allowed").wait_for(state="detached")
    page.locator("#car-form [data-figure=name] input").fill("weighed")
    page.locator("#car-form [data-figure=name] input").press("Tab")
    page.wait_for_timeout(400)  # the field tells what was typed after its own pause
    page.click("#car-keep")
    page.locator("#car-kept", has_text="Kept as weighed.toml").wait_for()
    keep_shot(page, "car")
    page.get_by_role("link", name="Analyse a log with it").click()
    page.locator("#choice-car", has_text="weighed.toml").wait_for()  # the car given last is chosen


def test_what_each_figure_is_worth_and_analyse_again_with_the_car(open_page, book, sample_copy, keep_shot):
    # each figure is an analysis: of a lap
    run_id = put_in(book, sample_copy("baseline.parquet", "short.parquet", rows=ONE_LAP))
    page = open_page(f"/run/{run_id}", width=1280, height=800)
    page.locator(".ways").get_by_role("link", name="Car", exact=True).click()
    wait_until(page, MASS.format(1040))
    page.click("#worth")
    page.locator("table.worth").wait_for(timeout=240_000)
    rows = page.locator("table.worth tbody tr")
    assert rows.count() > 10
    bars = page.locator(".worth-bar i").evaluate_all("bars => bars.map(bar => bar.getBoundingClientRect().width)")
    assert bars == sorted(bars, reverse=True)
    keep_shot(page, "car_worth")
    choose(page, "#car-run", "short.parquet")
    mass_field(page).fill("1077")
    mass_field(page).press("Tab")
    page.wait_for_timeout(400)
    page.click("#car-again")
    page.get_by_role("heading", name="Runs in this logbook").wait_for()
    page.locator(".run-line", has_text="being analysed").or_(
        page.locator(".run-line", has_text="done")
    ).first.wait_for()
