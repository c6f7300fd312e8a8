"""The child process that does one run: `python -m dashboards.worker LOGBOOK RUN`, or answers a question on it: with
`advise`, `plan` or `worth` behind it, and the question's words as a line of JSON on standard input.

Progress goes to standard output as JSON lines. Standard input is a lifeline: when it closes, the server is gone and
the child ends too, however the server ended.
"""

import json
import os
import sys
import tempfile
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.errors import HalfshaftError
from analyzer.logbook import results
from analyzer.logbook.add import analyse_now, keep_parquet
from analyzer.pipeline import analyze_with_fit
from analyzer.vehicle.car import load_car
from dashboards.compare import comparisons
from dashboards.logbook import Logbook
from dashboards.run_records import ComparisonJob

# what answers one question only is imported when it is asked: half a second that every analysis would wait
if TYPE_CHECKING:
    from dashboards.exchanged import PlanAnswer, WorthAnswer

CHECK_SHARE = 0.2  # of the bar


def main(folder: Path, run_id: str, what: str = "") -> int:
    """Check and analyse, compare, or advise; 0 done, 1 failed with a message a user can read."""
    words = json.loads(sys.stdin.readline()) if what else ""
    threading.Thread(target=_end_with_server, daemon=True).start()
    try:
        logbook = Logbook(folder)
        if what:
            from analyzer.presentation.result_json import plain

            print(json.dumps({"answer": plain(ANSWERS[what](logbook, run_id, words))}), flush=True)
            return 0
        comparison = logbook.comparison_job(run_id)
        if comparison is not None:
            _compare(logbook, run_id, comparison)
        else:
            _analyse(logbook, run_id)
    except HalfshaftError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    print(json.dumps({"done": True}), flush=True)
    return 0


def _analyse(logbook: Logbook, run_id: str) -> None:
    _tell("checking the log", 0.0)  # how far that is nobody knows: the bar says so
    logbook.make_check(run_id)
    run = results.run_of(logbook.book, results.result(logbook.book, run_id))
    keep_parquet(logbook.book, run)
    analyse_now(
        logbook.book,
        run,
        progress=lambda step, share: _tell(step, CHECK_SHARE + (0.95 - CHECK_SHARE) * share),
    )


def _compare(logbook: Logbook, comparison_id: str, job: ComparisonJob) -> None:
    """Fit the runs together, as they are stored."""
    from analyzer.comparison.comparison import analysed_runs, compare_runs
    from analyzer.presentation.figures.changes import change_plot, phase_plot
    from analyzer.presentation.html import comparison_report, without_library
    from analyzer.presentation.result_json import comparison_result, plain

    sides = (job["before"], job["after"])
    ids = {Path(run["log"]).resolve(): run_id for side in sides for run_id, run in side}
    runs = analysed_runs(
        before=[run["log"] for _, run in job["before"]],
        after=[run["log"] for _, run in job["after"]],
        before_laps=job["before_laps"],
        after_laps=job["after_laps"],
        analysed=lambda log: logbook.analysis(ids[Path(log).resolve()]),
        progress=_tell,
    )
    _tell("fitting both sides together", 0.8)
    setups = [side[0][1]["setup"] for side in sides]
    compared = compare_runs(runs, *(predict_lock_curve(load_setup(s)) if s else None for s in setups))
    charts = {"change": change_plot(compared), "phases": phase_plot(compared)}
    kept: comparisons.Kept = {
        "result": comparison_result(compared),
        "charts": plain({k: f.to_plotly_json() for k, f in charts.items()}),
        "report": without_library(comparison_report(compared)),
    }
    comparisons.keep(logbook.book, comparison_id, kept)


def _advise(logbook: Logbook, run_id: str, parts_text: str) -> dict[str, Any]:
    """Which parts of a shelf would help, on the analysis as it is stored."""
    from analyzer.advice.advice import advise_analyses
    from analyzer.advice.shelf import builds, load_parts
    from analyzer.presentation.result_json import advice_result

    setup = load_setup(logbook.setup_path(run_id))
    with tempfile.TemporaryDirectory() as folder:
        parts_file = Path(folder) / "parts.toml"
        parts_file.write_text(parts_text, "utf-8")
        shelf = builds(setup, load_parts(parts_file))
    advice = advise_analyses(
        analyses=[logbook.analysis(run_id)],
        shelf=shelf,
        bench_sd=setup.uncertainty.breakaway_percent / 100,
        progress=_tell,
    )
    return advice_result(replace(advice, setup_name=setup.name, parts_name="parts"))


def _plan(logbook: Logbook, run_id: str, question: str) -> "PlanAnswer":
    """What to measure or drive next: the result, and the words of a test card. The fit behind a stored analysis is not
    kept, so it is made anew."""
    from analyzer.planning.next_test import plan
    from analyzer.presentation.html import plan_report
    from analyzer.presentation.plan_json import plan_result
    from analyzer.presentation.plan_words import PLAIN, card_words

    job = logbook.job(run_id)
    setup_path = None if question == PLAIN else job["setup"]
    analysis, fitted = analyze_with_fit(
        log_path=job["logs"],
        car_path=job["car"],
        setup_path=setup_path,
        channels_path=job["channels"],
        progress=lambda step, share: _tell(step, 0.6 * share),
    )
    _tell("planning", 0.6)
    setup = load_setup(setup_path) if setup_path else None
    planned = plan(fitted, analysis, setup=setup, question=None if question == PLAIN else question)
    return {"plan": plan_result(planned), "words": card_words(planned), "card": plan_report(planned)}


def _worth(logbook: Logbook, run_id: str, car_text: str) -> "WorthAnswer":
    """What each figure of a car file, given as text, is worth on a run."""
    from analyzer.planning.worth import worth

    job = logbook.job(run_id)
    with tempfile.TemporaryDirectory() as folder:
        car_file = Path(folder) / "car.toml"
        car_file.write_text(car_text, "utf-8")
        car = load_car(car_file)
    found = worth(log_paths=job["logs"], car=car, channels_path=job["channels"], progress=_tell)
    return {
        "worth": [
            {
                "figure": one.figure,
                "step": one.step,
                "percent": one.percent,
                "stated": one.stated,
                "moved": one.moved,
            }
            for one in found
        ]
    }


def _tell(step: str, share: float) -> None:
    print(json.dumps({"step": step, "share": share}), flush=True)


def _end_with_server() -> None:
    while os.read(0, 1024):
        pass
    os._exit(4)


ANSWERS = {"advise": _advise, "plan": _plan, "worth": _worth}

if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]))
