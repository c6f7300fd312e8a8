"""The matcher: what names say, what numbers say, and when it asks."""

import warnings
from types import SimpleNamespace

import numpy as np
import pytest
import writers as w
from made_log import CONTRACT_UNITS, MadeLog, made_log

from analyzer.channels import CHANNELS
from analyzer.errors import InputError
from analyzer.logs import behaviour
from analyzer.logs.behaviour import steer_slope_m
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.match import propose
from analyzer.logs.names import RULES, name_score, tokens
from analyzer.logs.read import read_log
from analyzer.logs.registry import open_log
from analyzer.logs.unit_names import parse_unit, split_unit, unit_suffix

LOG = made_log(60.0)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("WheelSpeedFL", ("wheel", "speed", "fl")),
        ("whlspdrr", ("whl", "spd", "rr")),
        ("Lenkwinkel", ("lenkwinkel",)),
        ("Accélération latérale", ("acceleration", "laterale")),
        ("throttle_ped_cmd", ("throttle", "ped", "cmd")),
        ("deltadelta", ("deltadelta",)),
    ],
)
def test_tokens(name, words):
    assert tokens(name) == words


@pytest.mark.parametrize(
    "names",
    [
        *(w.PLAIN_NAMES, w.GERMAN_NAMES, w.FRENCH_NAMES, w.SHORT_NAMES),
        *(w.PORTUGUESE_NAMES, w.ITALIAN_NAMES, w.UNIT_AT_THE_END),
    ],
    ids=["en", "de", "fr", "short", "pt", "it", "unit at the end"],
)
def test_a_name_says_its_own_channel_and_no_other(names):
    for channel, name in names.items():
        scores = {other: name_score(other, name) for other in RULES}
        assert max(scores, key=scores.__getitem__) == channel, name
        assert sum(score >= 0.7 for score in scores.values()) == 1, (name, scores)


@pytest.mark.parametrize(
    ("name", "channel"),
    [
        ("Pedalweg", "throttle"),
        ("SAS", "steer"),
        ("aquer", "lat_g"),
        ("alängs", "long_g"),
        ("along", "long_g"),
        ("Gier", "yaw_rate"),
        ("GYRO", "yaw_rate"),
        ("BRK", "brake"),
        ("VGPS", "gps_speed"),
        ("Girhastighet", "yaw_rate"),
        ("accelerationY_g", "lat_g"),
        ("t_us", "time"),
        ("Gaz", "throttle"),
    ],
)
def test_short_names_of_the_workshop(name, channel):
    scores = {other: name_score(other, name) for other in RULES}
    assert max(scores, key=scores.get) == channel and scores[channel] >= 0.7
    assert sum(score > 0.5 for score in scores.values()) == 1


@pytest.mark.parametrize(
    "name",
    [
        "Brake Temp FL", "Tyre Pressure RL", "Damper FL", "Lap Time", "Best Lap", "Steering Torque", "Throttle Map",
        "Wheel Slip RL", "Oil Temp", "Gearbox Temp", "Yaw Angle", "Brake Bias", "Fuel", "Target Wheel Speed FL",
        "Battery Voltage", "Lateral Velocity", "Pitch Rate", "Roll Rate", "Ride Height FR", "Engine Temp",
    ],
)  # fmt: skip
def test_names_that_are_no_channel(name):
    assert all(name_score(channel, name) < 0.7 for channel in RULES)


@pytest.mark.parametrize("name", ["Radgeschw VL", "Radgeschw. vorne links", "Raddrehz_VL", "v_Rad_VL [m/s]"])
def test_shortened_german_wheel_names(name):
    assert max(RULES, key=lambda channel: name_score(channel, name)) == "wheel_speed_fl"
    assert name_score("wheel_speed_fl", name) >= 0.7


def test_the_map_leaves_a_place_for_what_is_needed_and_was_not_found(tmp_path):
    names = {**w.PLAIN_NAMES, "throttle": "Signal A", "steer": "Signal B"}
    path = tmp_path / "log.csv"
    path.write_text(w.text(LOG, names=names), encoding="utf-8")
    raw = open_log(path)
    text = propose(raw).toml(raw)
    assert "Signal A" in text and "# [channels.throttle]" in text and "# [channels.wheel_speed_rl]" not in text
    lines = iter(text.splitlines())
    # as a person would: the # taken away, column and unit written in
    wanted, columns, units = [], {"throttle": "Signal A", "steer": "Signal B"}, {"throttle": "%", "steer": "deg"}
    for line in lines:
        if line.startswith("# [channels."):
            channel = line.removeprefix("# [channels.").split("]")[0]
            line, _, _ = (
                f"[channels.{channel}]\ncolumn = '{columns[channel]}'\nunit = '{units[channel]}'",
                next(lines),
                next(lines),
            )
        wanted.append(line)
    (tmp_path / "map.toml").write_text("\n".join(wanted), encoding="utf-8")
    recording = read_log(path, channel_map=load_channel_map(tmp_path / "map.toml"))
    assert {"throttle", "steer"} <= recording.channels.keys()


def test_rear_wheels_without_a_word_are_asked_for(tmp_path):
    names = {**w.PLAIN_NAMES, "wheel_speed_rl": "Signal A", "wheel_speed_rr": "Signal B"}
    (tmp_path / "log.csv").write_text(w.text(LOG, names=names), encoding="utf-8")
    raw = open_log(tmp_path / "log.csv")
    found = propose(raw)
    assert {raw.columns[c.index].name for c in found.doubts["wheel_speed_rl"]} == {"Signal A", "Signal B"}
    assert "NOT CERTAIN: 'Signal A' or 'Signal B'" in found.toml(raw)


def test_every_channel_has_a_rule():
    assert CHANNELS.keys() <= RULES.keys()


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("km/h", "km/h"), ("KMH", "km/h"), ("kph", "km/h"), ("[m/s^2]", "m/s2"), ("m/s²", "m/s2"),
        ("°/s", "deg/s"), ("deg/s", "deg/s"),
        ("G", "g"), ("Nm", "N.m"), ("N·m", "N.m"), ("1/min", "rpm"), ("MPa", "MPa"),
        ("kPa", "kPa"), ("°C", "degC"), ("knots", "kn"),
        ("%", "%"), ("ratio", "1"), ("V", "V"), ("Hz", "Hz"), ("µs", "us"), ("furlong", None), ("", None),
    ],
)  # fmt: skip
def test_units_as_logs_write_them(text, symbol):
    assert parse_unit(text) == symbol


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Speed [km/h]", "Speed", "km/h"), ("ax(m/s^2)", "ax", "m/s^2"), ("Throttle (pedal)", "Throttle (pedal)", ""),
        ("Odd [whatever]", "Odd", "whatever"), ("Angle {deg}", "Angle", "deg"),
        ("plain", "plain", ""), ("[km/h]", "[km/h]", ""),
    ],
)  # fmt: skip
def test_headers_with_units(header, name, unit):
    assert split_unit(header) == (name, unit)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("speed_kmh", "km/h"),
        ("yaw_deg_s", "deg/s"),
        ("ax m/s2", "m/s2"),
        ("g", None),
        ("lap", None),
        ("WheelVelocityKph", "km/h"),
        ("RPM wheel FL", "rpm"),
        ("Graph", None),
    ],
)
def test_units_at_the_end_of_a_name(name, unit):
    assert unit_suffix(name) == unit


def _proposal(tmp_path, **options):
    path = tmp_path / "log.csv"
    path.write_text(w.text(**options))
    raw = open_log(path)
    return raw, propose(raw), path


@pytest.mark.parametrize("unit", ["m/s", "km/h", "mph"])
@pytest.mark.parametrize("have", [("gps_speed",), ("yaw_rate", "lat_g"), ("long_g",), ("lat_g",)], ids="+".join)
def test_the_unit_of_speeds_from_what_else_is_logged(unit, have, tmp_path):
    """Wheel speeds without a unit, told by one witness at a time; the others are left out."""
    keep = {*have, "throttle", "steer", "lap"}
    log = MadeLog(LOG.time, {n: v for n, v in LOG.channels.items() if n in keep or n.startswith("wheel")})
    factor = {"m/s": 1.0, "km/h": 3.6, "mph": 1 / 0.44704}[unit]
    units = {n: u for n, u in CONTRACT_UNITS.items() if n in log.channels}
    units |= {f"wheel_speed_{c}": ("", factor) for c in ("fl", "fr", "rl", "rr")}
    _, proposal, _ = _proposal(tmp_path, log=log, names=w.PLAIN_NAMES, units=units, unit_row="{unit}")
    assert {proposal.taken[f"wheel_speed_{c}"].unit for c in ("fl", "fr", "rl", "rr")} == {unit}


def test_asks_for_a_unit_that_nothing_tells(tmp_path):
    log = MadeLog(
        LOG.time,
        {n: v for n, v in LOG.channels.items() if n in ("throttle", "steer", "lat_g") or n.startswith("wheel_speed_r")},
    )
    log = log.change(wheel_speed_fl=LOG.channels["wheel_speed_fl"])
    _, proposal, path = _proposal(tmp_path, log=log, names=w.PLAIN_NAMES)
    assert "wheel_speed_rl" in proposal.unknown_units
    with pytest.raises(InputError, match=r"unit of front left wheel speed.*\[channels.wheel_speed_fl\]"):
        read_log(path)


def test_a_rotation_without_a_unit_is_asked_for(tmp_path):
    """With a wheel of 0.28 m, rad/s and km/h are the same numbers, so behaviour may not decide."""
    names = {**w.PLAIN_NAMES, **{f"wheel_speed_{c}": f"omega {c.upper()}" for c in ("fl", "fr", "rl", "rr")}}
    units = {**CONTRACT_UNITS, **{f"wheel_speed_{c}": ("", 1 / 0.2778) for c in ("fl", "fr", "rl", "rr")}}
    _, proposal, _ = _proposal(tmp_path, log=LOG, names=names, units=units, unit_row="{unit}")
    assert "rotation" in proposal.unknown_units["wheel_speed_rl"]


def test_the_proposal_is_ready_to_paste(tmp_path):
    """What `check` writes is read by `--channels` and gives the same recording."""
    raw, proposal, path = _proposal(tmp_path, log=LOG, names=w.GERMAN_NAMES, header="{name} [{unit}]", separator=";")
    map_path = tmp_path / "map.toml"
    map_path.write_text(proposal.toml(raw), encoding="utf-8")
    by_map, by_match = read_log(path, channel_map=load_channel_map(map_path)), read_log(path)
    assert by_map.channels.keys() == by_match.channels.keys() == LOG.channels.keys()
    for name, values in by_map.channels.items():
        np.testing.assert_array_equal(values, by_match.channels[name])


def test_two_columns_with_the_same_signal_are_no_question(tmp_path):
    log = MadeLog(LOG.time, {**LOG.channels, "other": LOG.channels["throttle"]})
    names, units = {**w.PLAIN_NAMES, "other": "Throttle Valve"}, {**CONTRACT_UNITS, "other": ("%", 100.0)}
    _, proposal, _ = _proposal(tmp_path, log=log, names=names, units=units, header="{name} [{unit}]")
    assert not proposal.doubts and "throttle" in proposal.taken


def test_of_two_steer_columns_the_one_that_follows_the_corners(tmp_path):
    noise = np.random.default_rng(1).normal(0, 0.3, len(LOG.time))
    log = MadeLog(LOG.time, {"other": noise, **LOG.channels})
    names, units = {**w.PLAIN_NAMES, "other": "Steering Wheel"}, {**CONTRACT_UNITS, "other": ("deg", 57.3)}
    raw, proposal, _ = _proposal(tmp_path, log=log, names=names, units=units, header="{name} [{unit}]")
    assert raw.columns[proposal.taken["steer"].index].name == "Steering Angle"


def test_a_road_wheel_angle_by_name_and_size(tmp_path):
    log = LOG.change(steer=LOG.channels["steer"] / 14.0)
    names, units = {**w.PLAIN_NAMES, "steer": "delta"}, {**CONTRACT_UNITS, "steer": ("rad", 1.0)}
    _, proposal, path = _proposal(tmp_path, log=log, names=names, units=units, header="{name} [{unit}]")
    assert proposal.taken["steer"].at == "road_wheel"
    assert read_log(path).steer_at == "road_wheel"


def test_canonical_names_whose_numbers_cannot_be_in_the_contract_s_unit(tmp_path):
    """lat_g of 12 cannot be g; it is taken as m/s2, and that is said."""
    units = {**CONTRACT_UNITS, "lat_g": ("m/s2", 1.0)}
    (tmp_path / "log.csv").write_text(w.text(LOG.change(lat_g=LOG.channels["lat_g"] * 1.3), units=units))
    recording = read_log(tmp_path / "log.csv")
    np.testing.assert_allclose(recording.channels["lat_g"], LOG.channels["lat_g"] * 1.3, rtol=1e-12)
    assert [(a.channel, a.severity) for a in recording.annotations if a.code == "unit"] == [("lat_g", "warning")]


def test_a_log_without_a_turn_shows_no_steer_per_curvature():
    still = np.zeros(500)
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # numpy's would reach the user's terminal
        assert steer_slope_m(still, still + 20.0, still) is None


def test_a_log_of_many_columns_is_looked_through_once_a_column(monkeypatch):
    """Once a pair was a hundred thousand medians and half a minute."""
    asked = []
    known = behaviour._moving_about
    monkeypatch.setattr(behaviour, "_moving_about", lambda values: asked.append(1) or known(values))
    many = 2 * behaviour.MOST_COLUMNS
    raw = SimpleNamespace(columns=[SimpleNamespace(name=f"c{i}", is_clock=False) for i in range(many)])
    rows = np.random.default_rng(1).uniform(10, 200, (many, 500))  # each varies, none goes with another
    assert behaviour.unnamed(raw, set(), lambda indices: dict(enumerate(rows))) is None
    assert len(asked) == behaviour.MOST_COLUMNS
