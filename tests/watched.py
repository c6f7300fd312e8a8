"""What the page's jobs are held against and how a test waits for them."""

import json
import time

import pytest

from analyzer.cli.main import main


def command_line(tmp_path, *arguments):
    """The JSON that a command writes."""
    told = tmp_path / "told.json"
    assert main([*map(str, arguments), "--json", str(told)]) == 0
    return json.loads(told.read_text("utf-8"))


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
