"""The child process that does one run: `python -m dashboards.worker RUN_FOLDER`.

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
from analyzer.files import write_atomic
from analyzer.log_check import check_log
from analyzer.logs.mapping import load_channel_map
from analyzer.pipeline import analyze
from analyzer.report.result_json import plain, to_json
from analyzer.vehicle.car import load_car
from dashboards import analysis_files

CHECK_SHARE = 0.2  # of the bar


def main(folder: Path) -> int:
    """Check and analyse; 0 done, 1 failed with a message a user can read."""
    threading.Thread(target=_end_with_server, daemon=True).start()
    job = json.loads((folder / "job.json").read_text("utf-8"))
    if job.get("kind") == "comparison":
        return _compare(folder, job)
    try:
        _tell("checking the log", 0.02)
        channel_map = load_channel_map(job["channels"]) if job["channels"] else None
        check = check_log(job["log"], channel_map=channel_map, car=load_car(job["car"]))
        write_atomic(folder / "check.json", json.dumps(check.as_json(), allow_nan=False))
        analysis = analyze(
            log_path=job["log"],
            car_path=job["car"],
            setup_path=job["setup"],
            channels_path=job["channels"],
            progress=lambda step, share: _tell(step, CHECK_SHARE + (0.95 - CHECK_SHARE) * share),
        )
        _tell("writing", 0.96)
        write_atomic(folder / "result.json", to_json(analysis))
        analysis_files.save(analysis, folder)
    except HalfshaftError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    print(json.dumps({"done": True}), flush=True)
    return 0


def _compare(folder: Path, job: dict) -> int:
    before, after = job["before"], job["after"]
    try:
        compared = compare(
            before=[before["log"]],
            after=[after["log"]],
            car_path=before["car"],
            before_setup=before["setup"],
            after_setup=after["setup"],
            channels_path=before["channels"],
            progress=_tell,
        )
    except HalfshaftError as error:
        print(json.dumps({"error": str(error)}), flush=True)
        return 1
    write_atomic(folder / "comparison.json", json.dumps(plain(comparison_result(compared)), allow_nan=False))
    print(json.dumps({"done": True}), flush=True)
    return 0


def _tell(step: str, share: float) -> None:
    print(json.dumps({"step": step, "share": share}), flush=True)


def _end_with_server() -> None:
    while os.read(0, 1024):
        pass
    os._exit(4)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
