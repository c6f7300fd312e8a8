"""Unit conversions against [NIST811] appendix B (recalled), and the definitions of the units."""

import math

import pytest

from analyzer.channels import CHANNELS, QUANTITIES, STANDARD_GRAVITY_M_S2, conversion
from analyzer.errors import InputError

# value in the file, its unit, what it is inside
CHECKS = [
    ("speed", "mph", 60, 26.8224),  # 1 mi/h = 0.44704 m/s exactly
    ("speed", "km/h", 90, 25.0),
    ("speed", "kn", 10, 5.144444),
    ("speed", "ft/s", 100, 30.48),
    ("speed", "cm/s", 250, 2.5),
    ("speed", "m/min", 90, 1.5),
    ("acceleration", "cm/s2", 980.665, 9.80665),  # 1 Gal = 0.01 m/s2
    ("acceleration", "g", 1, 9.80665),
    ("acceleration", "ft/s2", 32.174, 9.80664),
    ("pressure", "psi", 1000, 6.894757e6),
    ("pressure", "bar", 35, 3.5e6),
    ("pressure", "kgf/cm2", 10, 980665.0),
    ("torque", "lbf.ft", 100, 135.5818),
    ("angular_speed", "rpm", 6000, 628.3185),
    ("angular_speed", "deg/s", 180, math.pi),
    ("angular_speed", "rev/s", 0.5, math.pi),
    ("angular_speed", "mrad/s", 250, 0.25),
    ("angle", "deg", 90, math.pi / 2),
    ("angle", "gon", 100, math.pi / 2),  # 1 gon = 0.9 degrees
    ("angle", "mrad", 1500, 1.5),
    ("angle", "rev", 0.25, math.pi / 2),
    ("temperature", "degF", 212, 100.0),
    ("temperature", "degF", 32, 0.0),
    ("temperature", "K", 373.15, 100.0),
    ("time", "ms", 1500, 1.5),
    ("fraction", "%", 85, 0.85),
]


@pytest.mark.parametrize("quantity, symbol, value, expected", CHECKS)
def test_conversion_is_the_published_one(quantity, symbol, value, expected):
    unit = conversion(quantity, symbol, where="test")
    assert unit.factor * value + unit.offset == pytest.approx(expected, rel=2e-6, abs=1e-9)


def test_standard_gravity():
    assert STANDARD_GRAVITY_M_S2 == 9.80665  # 3rd CGPM 1901, exact


def test_every_channel_has_its_file_unit_and_one_unit_inside():
    for channel in CHANNELS.values():
        assert channel.file_unit in QUANTITIES[channel.quantity], channel.name
    for quantity, units in QUANTITIES.items():
        inside = {u.inside for u in units.values()}
        assert len(inside) == 1 or quantity in ("wheel_speed", "pressure"), quantity


def test_an_unfit_unit_is_refused_with_what_is_allowed():
    with pytest.raises(InputError, match=r"log.csv: the unit 'kg' does not fit a torque; allowed: N.m, lbf.ft"):
        conversion("torque", "kg", where="log.csv")
