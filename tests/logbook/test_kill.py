"""A process that is killed loses nothing that it reported done and leaves nothing half done.

CI kills at 16 random moments and before every 17th line of an action; a whole run (`sizes.py`) at 200 moments and
before every line. SIGKILL stops a process, not the machine: that data reach the disk before they are reported is done
by fsync and SQLite's FULL mode, which no test here can take the power from.
"""

import hashlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from kill_child import CAR, log_bytes, put
from sizes import sized

from analyzer.logbook import add, analysis_files, results, runs
from analyzer.logbook.store import Store

KILLS = sized(16, 200)
EVERY = sized(17, 1)  # lines of an action between two kills
MOST_REPORTS = 5  # a child is killed at a random moment after 0 to this many things done

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@contextmanager
def begun():
    """A process that forks the children which are killed."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("kill_child.py"))],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )
    try:
        yield process
    finally:
        process.stdin.close()
        process.wait(timeout=60)
        process.stdout.close()


@pytest.fixture(scope="module")
def forker():
    """Serves every test: to import all that a child needs takes longer than thirty kills."""
    with begun() as process:
        yield process


@pytest.fixture(scope="module")
def forkers(forker):
    """Two that work at once."""
    with begun() as process:
        yield [forker, process]


def started(forker, folder: Path, order: str) -> int:
    """The process id of a child that was given an order for the logbook in a folder."""
    forker.stdin.write(f"{folder}\t{order}\n")
    forker.stdin.flush()
    return int(forker.stdout.readline().split()[1])


def rest_of(forker) -> list[list[str]]:
    """What a child reported until it ended."""
    said = []
    while (line := forker.stdout.readline().strip()) != "ended":
        assert line, "the forking process ended"
        said.append(line.split())
    return said


def killed_after(forker, folder: Path, seed: int, reports: int, share: float) -> list[list[str]]:
    """What a child reported before it was killed, `share` of an action's time after so many reports."""
    pid = started(forker, folder, str(seed))
    since = time.monotonic()
    said = [forker.stdout.readline().split() for _ in range(reports)]
    time.sleep(share * ((time.monotonic() - since) / reports if reports else 0.1))
    os.kill(pid, signal.SIGKILL)
    return said + rest_of(forker)


class Ledger:
    """What children reported done, and what may have been done when they died."""

    def __init__(self) -> None:
        self.added: set[str] = set()
        self.analysed: set[str] = set()
        self.removed: set[str] = set()
        self.doubtful: set[str] = set()

    def note(self, said: list[list[str]]) -> None:
        for what, run_id in said:
            if what == "add":
                self.added.add(run_id)
            elif what == "result":
                self.analysed.add(run_id)
            elif what == "removing":
                self.doubtful.add(run_id)
            elif what == "remove":
                self.removed.add(run_id)

    def sure(self) -> set[str]:
        """Runs that must be there."""
        return self.added - self.doubtful


def check_whole(folder: Path, ledger: Ledger) -> None:
    """Everything that was reported is there and whole, and nothing else is."""
    with Store(folder) as store:
        store.begin_writing()  # which finishes what the dead left
        assert store.rows("PRAGMA integrity_check")[0][0] == "ok"
        assert store.rows("PRAGMA foreign_key_check") == []
        there = {run.id: run for run in runs.runs(store)}
        assert ledger.sure() <= there.keys()
        assert not ledger.removed & there.keys()
        for run in there.values():
            # one that was not reported may be there, but then whole
            assert hashlib.sha256(run.log.path.read_bytes()).hexdigest() == run.log.sha256
            assert hashlib.sha256(run.car.path.read_bytes()).hexdigest() == run.car.sha256
            table = pq.read_table(run.log.parquet)
            np.testing.assert_array_equal(table["time"][:3], [0.0, 0.01, 0.02])
            assert table.num_rows == 400
        for found in results.results(store):
            if found.state == "done":
                assert results.result_text(store, found.id).startswith('{\n "schema"')
                assert (store.arrays(found.folder) / analysis_files.JSON_NAME).stat().st_size > 1000
                assert (store.arrays(found.folder) / analysis_files.ARRAYS_NAME).stat().st_size > 1000
        done = {found.run_id for found in results.results(store) if found.state == "done"}
        assert ledger.analysed & ledger.sure() <= done
        nothing_left_over(store)


def nothing_left_over(store: Store) -> None:
    """On the disk is what a row names, and no more."""
    named = {(r["kind"], r["id"]) for r in store.rows("SELECT kind, id FROM files")}
    there = {(p.parent.name, p.name) for p in (store.folder / "files").glob("*/*")}
    assert there == named | {(kind, f"{file_id}.json") for kind, file_id in named}  # each with its sidecar
    assert not (store.folder / "lost").exists()
    copies = {f"{r['id']}.parquet" for r in store.rows("SELECT id FROM files WHERE parquet = 1")}
    assert {p.name for p in (store.folder / "parquet").iterdir()} == copies
    arrays = {r["folder"] for r in store.rows("SELECT folder FROM results WHERE folder IS NOT NULL")}
    assert {p.name for p in (store.folder / "results").iterdir()} == arrays
    own = {p.name for p in (store.folder / "incoming").iterdir()}
    assert len(own) == 2, own  # of this process: a folder and its lock


@pytest.mark.slow
def test_killed_at_any_point_nothing_is_lost_and_nothing_half_done(forker, tmp_path):
    rng = random.Random(20261125)
    ledger = Ledger()
    for kill in range(KILLS):
        ledger.note(killed_after(forker, tmp_path / "book", kill, rng.randint(0, MOST_REPORTS), rng.uniform(0, 1.5)))
        check_whole(tmp_path / "book", ledger)
    print(
        f"{KILLS} kills: {len(ledger.added)} runs and {len(ledger.analysed)} results reported, "
        f"{len(ledger.removed)} removed"
    )
    assert len(ledger.added) > KILLS / 2  # children lived long enough to do something
    with sqlite3.connect(tmp_path / "book" / "logbook.sqlite") as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "delete"


def test_two_processes_killed_at_once(forkers, tmp_path):
    rng = random.Random(7)
    ledger = Ledger()
    for pair in range(max(2, KILLS // 10)):
        children = [started(forker, tmp_path / "book", str(10_000 + 2 * pair + k)) for k, forker in enumerate(forkers)]
        firsts = [forker.stdout.readline().split() for forker in forkers]  # both are at work
        time.sleep(rng.uniform(0, 0.3))
        for child in children:
            os.kill(child, signal.SIGKILL)
        ledger.note(firsts)
        for forker in forkers:
            ledger.note(rest_of(forker))
        check_whole(tmp_path / "book", ledger)
    assert len(ledger.added) >= 4


@pytest.mark.parametrize("action", ["open", "add", "result", "remove"])
def test_killed_before_the_lines_of_an_action(forker, tmp_path, action):
    folder, ledger, line, kills = tmp_path / "book", Ledger(), 0, 0
    while True:
        with Store(folder) as store:
            if not runs.runs(store):
                ledger.note([["add", put(store, tmp_path / "first", line, 1100).id]])
        if action == "open":  # has sidecars to write, as after an earlier version
            for path in (folder / "files").glob("*/*.json"):
                path.unlink()
        line += EVERY
        kills += 1
        started(forker, folder, f"{action} {line}")
        said = rest_of(forker)
        ledger.note(said)
        check_whole(folder, ledger)
        if said and said[-1][0] == action:
            break
        assert line < 2000
    print(f"{action}: killed before {kills - 1} of about {line - 1} lines")
    assert kills > 1


def test_the_check_would_see_a_lost_file(tmp_path):
    (tmp_path / "log.parquet").write_bytes(log_bytes(1))
    (tmp_path / "car.toml").write_text(CAR)
    ledger = Ledger()
    with Store(tmp_path / "book") as store:
        run = add.add(store, tmp_path / "log.parquet", car_path=tmp_path / "car.toml").run
        ledger.note([["add", run.id]])
    check_whole(tmp_path / "book", ledger)
    run.log.path.write_bytes(log_bytes(2))
    with pytest.raises(AssertionError):
        check_whole(tmp_path / "book", ledger)
