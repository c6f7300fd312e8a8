"""Two people click at the same moment: a run is begun once, and an analysis is loaded once.

Each test holds the first caller inside the guarded stretch until the second had its chance to come in as well.
"""

import subprocess
import threading
import time

import pytest

from dashboards import logbook as pages
from dashboards.jobs import Jobs, _Job

CHANCE_S = 0.5  # for the other thread to come in where nothing keeps it out


class Doorway:
    """Counts who is in a stretch of code at once, and keeps each there until another comes or the chance is over."""

    def __init__(self):
        self._both, self._lock = threading.Barrier(2), threading.Lock()
        self.inside = self.most = self.came = 0

    def passed(self):
        with self._lock:
            self.inside, self.came = self.inside + 1, self.came + 1
            self.most = max(self.most, self.inside)
        try:
            self._both.wait(CHANCE_S)
        except threading.BrokenBarrierError:
            pass
        with self._lock:
            self.inside -= 1


def both_at_once(work):
    """`work` in two threads; what they returned."""
    got, threads = [], [threading.Thread(target=lambda: got.append(work())) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len(got) == 2
    return got


@pytest.fixture
def jobs(logbook):
    return Jobs(logbook)


@pytest.fixture
def waiting(jobs, logbook):  # made after the jobs: what waited before a server begins is told as cancelled
    return logbook.new_run(log_key="sample", car_key="sample", setup_key=None)


def test_a_run_that_two_ask_for_is_begun_once(jobs, logbook, waiting, monkeypatch):
    begun, door, followed = [], Doorway(), threading.Event()

    def follow(run_id, job):
        begun.append(run_id)
        followed.set()

    monkeypatch.setattr(jobs, "_follow", follow)
    seen = logbook.run

    def run(run_id):
        found = seen(run_id)
        door.passed()
        return found

    monkeypatch.setattr(logbook, "run", run)
    both_at_once(lambda: jobs.start(waiting))
    assert followed.wait(20)
    assert begun == [waiting] and door.most == 1


def test_an_analysis_that_two_ask_for_is_loaded_once(logbook, run_id, monkeypatch):
    door, load = Doorway(), pages.results.analysis_of

    def loaded(*asked):
        door.passed()
        return load(*asked)

    monkeypatch.setattr(pages.results, "analysis_of", loaded)
    one, other = both_at_once(lambda: logbook.analysis(run_id))
    assert door.came == 1 and one is other


def test_a_run_that_is_cancelled_while_its_turn_comes_is_not_begun(jobs, logbook, waiting, monkeypatch):
    begun, door = [], Doorway()
    monkeypatch.setattr(subprocess, "Popen", lambda *given, **_: begun.append(given))
    seen = logbook.set_status

    def set_status(run_id, **told):
        door.passed()
        seen(run_id, **told)

    monkeypatch.setattr(logbook, "set_status", set_status)
    job = jobs._jobs[waiting] = _Job()
    turn = threading.Thread(target=jobs._follow, args=(waiting, job))
    with jobs._lock:  # its turn comes while someone else looks at the jobs
        turn.start()
        turn.join(CHANCE_S)
        job.cancelled = True
    turn.join(20)
    assert not begun and door.most == 0


def until(condition):
    end = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


class Child:
    """A child of the jobs that ends when it is let go."""

    def __init__(self, made):
        self.let_go = threading.Event()
        made.append(self)

    @property
    def stdout(self):
        self.let_go.wait(20)
        yield "{}"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass


def test_a_run_asked_for_anew_while_its_child_ends_is_analysed_anew(jobs, logbook, run_id, monkeypatch):
    """The child puts its result in, which shows the run as done, and ends later: a log added between is not lost."""
    children = []
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: Child(children))
    logbook.set_status(run_id, state="waiting")
    jobs.start(run_id)
    until(lambda: len(children) == 1)
    logbook.set_status(run_id, state="waiting")  # done, and asked for anew
    jobs.start(run_id)
    jobs.start(run_id)  # by two at once
    until(lambda: len(children) == 2)
    children[0].let_go.set()
    time.sleep(CHANCE_S)  # for the first one's end to be taken for the second one's
    assert logbook.run(run_id).state == "running"
    children[1].let_go.set()
    until(lambda: logbook.run(run_id).state == "done")
    assert len(children) == 2


def test_a_step_that_is_told_late_does_not_show_a_result_as_under_way(logbook, run_id):
    logbook.goes_on(run_id, step="findings", share=0.9)
    assert (logbook.run(run_id).state, logbook.run(run_id).step) == ("done", "")
