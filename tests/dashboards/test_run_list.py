"""The list of runs on the start page: what came out of each, in the order asked for."""

import pytest

from analyzer.findings.finding import cause_of
from analyzer.logbook import results
from dashboards.run.views import CAUSES
from dashboards.start import run_list as listed
from dashboards.start.run_list import run_list


def test_a_line_has_spins_by_cause_and_the_preload_of_the_result(logbook, run_id, analysis):
    (line,) = run_list(logbook)["runs"]
    causes = [CAUSES[cause] for cause in map(cause_of, analysis.findings) if cause is not None]
    assert line["spins"] == {cause: causes.count(cause) for cause in set(causes)} and causes
    preload = analysis.lock_curve.parameters["preload_Nm"]
    assert [line["preload"][k] for k in ("value", "lower", "upper")] == [preload.value, preload.lower, preload.upper]


def test_a_run_without_a_result_has_neither(logbook):
    logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
    (line,) = run_list(logbook)["runs"]
    assert line["state"] == "waiting" and line["spins"] is None and line["preload"] is None


def test_runs_come_by_preload_and_those_without_one_last(logbook, run_id, analysis):
    """The other run's preload is that of the first and 20 N.m."""
    other = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
    waiting = [line["id"] for line in run_list(logbook, order="preload")["runs"]]
    assert waiting == [run_id, other]
    run = results.run_of(logbook.book, results.result(logbook.book, other))
    results.finish(logbook.book, run, analysis, provenance=results.expected(run))
    with logbook.book.transaction() as connection:
        connection.execute(
            "UPDATE briefs SET preload = json_set(preload, '$.value', json_extract(preload, '$.value') + 20) "
            "WHERE result_id = ?",
            (other,),
        )
    assert [line["id"] for line in run_list(logbook, order="preload")["runs"]] == [other, run_id]


def test_a_long_list_ends_and_says_how_many_are_left(logbook, run_id, monkeypatch):
    monkeypatch.setattr(listed, "MOST_LISTED", 0)
    told = run_list(logbook)
    assert told["runs"] == [] and told["more"].startswith("and 1 more")


@pytest.mark.parametrize(("search", "found"), [("BASELINE club", 1), ("nobody drove this", 0)])
def test_every_word_of_a_search_counts(logbook, run_id, search, found):
    told = run_list(logbook, search)
    assert len(told["runs"]) == found
    assert told["note"] == ("" if found else "No run has 'nobody drove this'. Search for less.")


def test_a_run_that_ends_while_the_list_is_made_is_asked_for_again(logbook, monkeypatch):
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    seen = logbook.runs

    def runs():
        found = seen()
        logbook.set_status(run_id, state="failed", message="no log")
        return found

    monkeypatch.setattr(logbook, "runs", runs)
    told = run_list(logbook)
    assert told["runs"][0]["state"] == "waiting" and not told["over"]
    assert run_list(logbook)["over"]
