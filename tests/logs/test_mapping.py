"""The channel map: what it accepts, what it says when it is wrong, and that what is written is read again."""

import numpy as np
import pytest
import writers as w
from made_log import made_log

from analyzer.errors import InputError
from analyzer.logs.mapping import ChannelEntry, ChannelMap, LogEntry, channel_map_toml, load_channel_map
from analyzer.logs.read import read_log

LOG = made_log(20.0)


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        ("", "missing or empty"),
        ("[channels]\n", "missing or empty"),
        ("[chanels]\nsteer = 'x'\n", "unknown table"),
        ("[channels]\nsteering = 'x'\n", "unknown channel 'steering'"),
        ("[channels.steer]\ncolum = 'x'\n", "did you mean 'column'"),
        ("[channels.steer]\nunit = 'deg'\n", "'column' is missing"),
        ("[channels.steer]\ncolumn = 'x'\nsign = 2\n", "sign"),
        ("[channels.lat_g]\ncolumn = 'x'\nat = 'road_wheel'\n", "belongs to steer"),
        ("[channels.wheel_speed_fl]\ncolumn = 'x'\nteeth = 0\n", "teeth"),
        ("[log]\nrate_hz = -1\n[channels]\nsteer = 'x'\n", "rate_hz"),
        ("[channels\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_said(toml, says, tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(toml)
    with pytest.raises(InputError, match=says):
        load_channel_map(path)


def test_what_is_written_is_read_again(tmp_path):
    entry = ChannelEntry(column='odd "name" \\ [x] é\t', unit="deg", sign=-1, scale=0.5, offset=2.0, at="road_wheel")
    given = ChannelMap({"steer": entry}, LogEntry(rate_hz=50.0))
    path = tmp_path / "map.toml"
    path.write_text(channel_map_toml(given, {"steer": "a reason"}), encoding="utf-8")
    found = load_channel_map(path)
    assert found.channels == given.channels and found.log == given.log


def _mapped(tmp_path, toml: str):
    (tmp_path / "log.csv").write_text(w.text(LOG))
    (tmp_path / "map.toml").write_text(toml)
    return read_log(tmp_path / "log.csv", channel_map=load_channel_map(tmp_path / "map.toml"))


BASE = "[channels]\n" + "".join(f"{n} = '{n}'\n" for n in ("time", *LOG.channels) if n not in ("steer", "lat_g"))


def test_sign_scale_offset_unit_and_place(tmp_path):
    more = (
        ""
        "[channels.steer]\ncolumn='steer'\nscale=2.0\noffset=1.0\nsign=-1\nat='road_wheel'\n[channels.lat_g]\ncolumn='lat_g'\nunit='m/s2'\n"
    )
    recording = _mapped(tmp_path, BASE + more)
    np.testing.assert_allclose(recording.channels["steer"], -(2 * LOG.channels["steer"] + np.radians(1)), atol=1e-12)
    np.testing.assert_allclose(recording.channels["lat_g"], LOG.channels["lat_g"] / 9.80665, atol=1e-12)
    assert recording.steer_at == "road_wheel"


def test_a_column_may_be_named_by_its_header_with_the_unit(tmp_path):
    (tmp_path / "log.csv").write_text(w.text(LOG, header="{name} [{unit}]"))
    (tmp_path / "map.toml").write_text(BASE + "steer = 'Steer [deg]'\nlat_g = 'lat_g'\n")
    recording = read_log(tmp_path / "log.csv", channel_map=load_channel_map(tmp_path / "map.toml"))
    np.testing.assert_allclose(recording.channels["steer"], LOG.channels["steer"], atol=1e-9)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("steer = 'Lenkung'\nlat_g = 'lat_g'\n", "names the column 'Lenkung'.*it has time"),
        ("steer = 'steer'\n[channels.lat_g]\ncolumn='lat_g'\nunit='V'\n", "'V' does not fit"),
        ("steer = 'steer'\n[channels.lat_g]\ncolumn='lat_g'\nunit='furlong'\n", "'furlong', which is not known"),
    ],
)
def test_a_map_that_does_not_fit_the_log(more, says, tmp_path):
    with pytest.raises(InputError, match=says):
        _mapped(tmp_path, BASE + more)
