"""One analysis in a process of its own: seconds, and how much memory it took beyond what was there before."""

import json
import subprocess
import sys
import time
from pathlib import Path

from .long_log import CAR, LOG, ROOT

STATUS = Path("/proc/self/status")


def memory_MB(entry: str) -> float:
    """An entry of the process's memory account, `VmRSS` (now) or `VmHWM` (peak); Linux."""
    line = next(line for line in STATUS.read_text().splitlines() if line.startswith(entry))
    return int(line.split()[1]) / 1024


def in_own_process(log: Path) -> dict[str, float]:
    """`seconds`, `cpu_seconds` and `peak_MB` of the analysis of a log, start-up apart."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.measure", str(log)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    return json.loads(done.stdout)


def main(log: str) -> None:
    """Analyse a short log for start-up's sake, then the one asked for, and print what it took."""
    from analyzer.pipeline import analyze

    analyze(log_path=LOG, car_path=CAR)
    Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
    before, started, cpu = memory_MB("VmRSS"), time.perf_counter(), time.process_time()
    analysis = analyze(log_path=log, car_path=CAR)
    seconds, cpu = time.perf_counter() - started, time.process_time() - cpu
    steps = {name: round(value, 3) for name, value in analysis.timings_s.items()}
    print(json.dumps({"seconds": seconds, "cpu_seconds": cpu, "peak_MB": memory_MB("VmHWM") - before, "steps": steps}))


if __name__ == "__main__":
    main(sys.argv[1])
