"""A folder with logs of an invented car: short cuts of the shipped samples, so that a batch is quick."""

import pickle
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from analyzer.batch import workers

SAMPLES = Path(str(resources.files("sample_logs")))
ROWS = 12_000  # two minutes, a lap and a half


@pytest.fixture(scope="session")
def car():
    return SAMPLES / "club_car.toml"


@pytest.fixture(scope="session")
def cut_logs(tmp_path_factory):
    """Two short logs."""
    folder = tmp_path_factory.mktemp("cuts")
    for name in ("baseline", "steeper_ramps"):
        pq.write_table(pq.read_table(SAMPLES / f"{name}.parquet").slice(0, ROWS), folder / f"{name}.parquet")
    return folder


@pytest.fixture
def in_this_process(monkeypatch):
    """Where processes are not what is asked about, each log is worked out here, once for all tests; task and
    outcome are packed and unpacked as between processes."""

    def one_by_one(tasks, *, processes):
        for task in tasks:
            outcome = workers.analyse_log(pickle.loads(pickle.dumps(task)))
            yield pickle.loads(pickle.dumps(outcome))

    monkeypatch.setattr(workers, "on_this_machine", one_by_one)


@pytest.fixture
def logs(tmp_path, cut_logs):
    """A folder of three logs: two that can be analysed, one in a folder below; and one that is no log."""
    folder = tmp_path / "logs"
    (folder / "may").mkdir(parents=True)
    (folder / "first.parquet").write_bytes((cut_logs / "baseline.parquet").read_bytes())
    (folder / "may" / "second.parquet").write_bytes((cut_logs / "steeper_ramps.parquet").read_bytes())
    (folder / "broken.csv").write_text("no numbers here\n")
    (folder / "first.truth.parquet").write_bytes(b"truth, not a log")
    (folder / "notes.md").write_text("not a log either")
    return folder
