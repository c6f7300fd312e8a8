"""A logbook, and short logs of the invented car."""

import sys
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from analyzer.logbook.store import Store

sys.path.insert(0, str(Path(__file__).parent))  # kill_child is run and imported

SAMPLES = Path(str(resources.files("sample_logs")))
ROWS = 12_000  # two minutes, a lap and a half


@pytest.fixture(scope="session")
def samples():
    return SAMPLES


@pytest.fixture(scope="session")
def car():
    return SAMPLES / "club_car.toml"


@pytest.fixture(scope="session")
def short_logs(tmp_path_factory):
    """Two short logs: before.parquet and after.parquet."""
    folder = tmp_path_factory.mktemp("short")
    for name, source in (("before", "baseline"), ("after", "steeper_ramps")):
        pq.write_table(pq.read_table(SAMPLES / f"{source}.parquet").slice(0, ROWS), folder / f"{name}.parquet")
    return folder


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "book") as opened:
        yield opened
