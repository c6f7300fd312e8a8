"""The sound log that tests spoil."""

import pytest
from signals.contradictions import sound_log

from analyzer.logs.read import read_log


@pytest.fixture(scope="session")
def recording(tmp_path_factory):
    """Three laps with all channels, as read; each test changes a copy."""
    path = tmp_path_factory.mktemp("sound") / "sound.parquet"
    sound_log("all").to_parquet(path)
    return read_log(path)
