"""The plan in a real browser: from the run to a test card, by clicks."""

import pytest
from browser.conftest import ONE_LAP, put_in
from browser.driving import wait_for_screen


@pytest.fixture(scope="module")
def lap_run(book, sample_copy):
    """The id of a run of one lap: each question is an analysis."""
    return put_in(book, sample_copy("baseline.parquet", "planned.parquet", rows=ONE_LAP))


def test_from_the_run_to_a_test_card_in_two_clicks(open_page, lap_run, keep_shot):
    page = open_page(f"/run/{lap_run}", width=1280, height=800)
    wait_for_screen(page)
    page.get_by_role("link", name="Plan").click()
    page.get_by_role("link", name="How well is the lock curve known?").click()
    page.locator(".option").first.wait_for()
    assert "The lock curve is known to" in page.locator("#plan-told .answer").inner_text()
    assert page.locator(".option[open] .caution").count() >= 1  # the best one's card is open
    second = page.locator(".option").nth(1)
    second.locator("summary").click()
    second.locator(".card").wait_for()
    keep_shot(page, "plan")
    # the address keeps the question, Back leaves it
    assert page.url.endswith("/plan?question=none")
    page.fill("#plan-size", "0")
    page.click("#plan-change")
    page.locator("#plan-refusal", has_text="other than 0").wait_for()
    page.fill("#plan-size", "25")
    page.click("#plan-change")
    page.get_by_text("Would a change of the preload by 25 N.m be seen").wait_for()
    page.locator(".rail b").first.wait_for()
    page.go_back()
    page.wait_for_url("**/plan?question=none")
    page.get_by_text("The lock curve is known to").wait_for()


def test_the_test_card_comes_as_a_file(open_page, lap_run, tmp_path):
    page = open_page(f"/run/{lap_run}/plan?question=none")
    page.locator(".option").first.wait_for()
    with page.expect_download() as saved:
        page.click("#plan-card")
    saved.value.save_as(tmp_path / "card.html")
    text = (tmp_path / "card.html").read_text("utf-8")
    assert "<h1>Test card</h1>" in text
    assert "Caution:" in text
