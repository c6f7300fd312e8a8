"""The child process that does one run: `python -m dashboards.worker LOGBOOK RUN`.

Progress goes to standard output as JSON lines. Standard input is a lifeline: when it closes, the server is gone and
the child ends too, however the server ended.
"""

import json
import os
import sys
import threading
from pathlib import Path

from analyzer.comparison.compare import compare
from analyzer.comparison.result import comparison_result
from analyzer.errors import HalfshaftError
from analyzer.log_check import check_log
from analyzer.logbook import results
from analyzer.logbook.add import analyse_now
from analyzer.logbook.parquet_copy import keep_parquet
from analyzer.logs.mapping import load_channel_map
from analyzer.report.result_json import plain
from analyzer.vehicle.car import load_car
from dashboards.logbook import COMPARISON, Logbook

CHECK_SHARE = 0.2  # of the bar


def main(folder: Path, run_id: str) -> int:
    """Check and analyse, or compare; 0 done, 1 failed with a message a user can read."""
    threading.Thread(target=_end_with_server, daemon=True).start()
    try:
        logbook = Logbook(folder)
        if logbook.job(run_id).get("kind") == COMPARISON:
            _compare(logbook, run_id)
        else:
            _analyse(logbook, run_id)
    except HalfshaftError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    print(json.dumps({"done": True}), flush=True)
    return 0


def _analyse(logbook: Logbook, run_id: str) -> None:
    _tell("checking the log", 0.02)
    run = results.run_of(logbook.book, results.result(logbook.book, run_id))
    channel_map = load_channel_map(run.channels.path) if run.channels else None
    check = check_log(run.log.path, channel_map=channel_map, car=load_car(run.car.path))
    results.keep_log_check(logbook.book, run_id, check.as_json())
    keep_parquet(logbook.book, run)
    analyse_now(
        logbook.book,
        run,
        progress=lambda step, share: _tell(step, CHECK_SHARE + (0.95 - CHECK_SHARE) * share),
    )


def _compare(logbook: Logbook, comparison_id: str) -> None:
    job = logbook.job(comparison_id)
    before, after = job["before"], job["after"]
    compared = compare(
        before=[before["log"]],
        after=[after["log"]],
        car_path=before["car"],
        before_setup=before["setup"],
        after_setup=after["setup"],
        channels_path=before["channels"],
        progress=_tell,
    )
    logbook.keep_comparison(comparison_id, plain(comparison_result(compared)))


def _tell(step: str, share: float) -> None:
    print(json.dumps({"step": step, "share": share}), flush=True)


def _end_with_server() -> None:
    while os.read(0, 1024):
        pass
    os._exit(4)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2]))
