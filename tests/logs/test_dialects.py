"""Every dialect of the table gives the same channels, or the message the table asks for."""

import numpy as np
import pytest
from dialects import DIALECTS
from made_log import RADIUS_M, MadeLog, made_log

from analyzer.channels import WHEEL_CHANNELS
from analyzer.errors import HalfshaftError
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read import read_log


@pytest.fixture(scope="module")
def log() -> MadeLog:
    return made_log(60.0)


def test_the_table_is_as_long_as_promised_and_has_no_twins():
    assert len(DIALECTS) >= 60
    assert len({(d.group, d.words) for d in DIALECTS}) == len(DIALECTS)


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda d: f"{d.group}: {d.words}")
def test_dialect(dialect, log, tmp_path):
    path = tmp_path / "session.dat"  # an ending that says nothing
    path.write_bytes(dialect.write(log, tmp_path))
    channel_map = None
    if dialect.channel_map:
        (tmp_path / "map.toml").write_text(dialect.channel_map)
        channel_map = load_channel_map(tmp_path / "map.toml")
    if dialect.outcome != "same":
        with pytest.raises(HalfshaftError, match=dialect.says) as caught:
            read_log(path, channel_map=channel_map)
        assert "session.dat" in str(caught.value)
        return
    recording = read_log(path, channel_map=channel_map)
    factor = RADIUS_M if recording.wheel_speed_unit == "rad/s" else 1.0
    assert len(recording.time_s) == len(log.time)
    # time: to a microsecond where clocks are written to a microsecond
    np.testing.assert_allclose(recording.time_s, log.time, rtol=0, atol=max(1e-9, dialect.tolerance) * 10)
    for name, expected in log.channels.items():
        if name in dialect.without:
            continue
        found = recording.channels[name] * (factor if name in WHEEL_CHANNELS else 1.0)
        scale = max(1.0, np.abs(expected).max())
        np.testing.assert_allclose(found, expected, rtol=0, atol=dialect.tolerance * scale, err_msg=name)
