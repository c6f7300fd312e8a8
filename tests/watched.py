"""What the page's jobs are held against and how a test waits for them."""

import json
import os
import subprocess
import sys
import time

import pytest


def command_line(*arguments):
    """The JSON that a command writes, with the one thread that jobs have: more add up in another order."""
    done = subprocess.run(
        [sys.executable, "-m", "analyzer.cli.main", *map(str, arguments), "--json", "-"],
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        check=True,
    )
    return json.loads(done.stdout)


def wait(logbook, run_id, *, states, seconds=90):
    end = time.monotonic() + seconds
    seen = []
    while time.monotonic() < end:
        run = logbook.run(run_id)
        seen.append((run.state, run.step, run.share))
        if run.state in states:
            return run, seen
        time.sleep(0.02)
    pytest.fail(f"still {seen[-1]} after {seconds} s")
