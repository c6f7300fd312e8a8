"""Setup files: what is accepted, and the one sentence that answers what is not."""

import math

import pytest

from analyzer.differential.setup import load_setup
from analyzer.errors import InputError

PLATES = {
    "type": '"plate"',
    "ramp_angle_reference": '"ring_face"',
    "drive_ramp_angle_deg": 45,
    "coast_ramp_angle_deg": 60,
    "pin_radius_mm": 38,
    "friction_faces_per_side": 6,
    "plate_outer_diameter_mm": 120,
    "plate_inner_diameter_mm": 86,
    "friction_coefficient": 0.11,
}
SHEET = {"type": '"plate"', "drive_lock_percent": 60, "coast_lock_percent": 30}
DISC = {"outer_diameter_mm": 80, "inner_diameter_mm": 41, "thickness_mm": 2.25, "free_cone_height_mm": 2.95}
BENCH = {"torque_Nm": 62, "method": '"one_wheel_held"'}


@pytest.fixture
def load(tmp_path):
    """Writes a setup file from dicts (None drops a key) and loads it."""

    def write_and_load(differential, **tables):
        lines = ["[differential]", *(f"{k} = {v}" for k, v in differential.items() if v is not None)]
        for name, table in tables.items():
            lines += [f"[differential.{name}]", *(f"{k} = {v}" for k, v in table.items())]
        path = tmp_path / "club.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        return load_setup(path)

    return write_and_load


def test_the_file_of_the_contract_loads(load):
    setup = load(PLATES, cone_spring={"force_N": 900}, ring_spring={"force_N": 400}, breakaway=BENCH)
    assert setup.parts.drive_ramp_angle_rad == pytest.approx(math.radians(45))
    assert setup.cone_spring.force_N == 900
    assert setup.breakaway.locking_torque_Nm == 124


def test_shaft_axis_angles_are_turned_round(load):
    axis = PLATES | {"ramp_angle_reference": '"shaft_axis"', "coast_ramp_angle_deg": 0}
    setup = load(axis, cone_spring={"force_N": 900})
    assert setup.parts.coast_ramp_angle_rad == pytest.approx(math.radians(90))


def test_installed_height_and_deflection_say_the_same(load):
    by_height = load(PLATES, cone_spring=DISC | {"installed_height_mm": 4.2, "discs_in_series": 1})
    by_travel = load(PLATES, cone_spring=DISC | {"deflection_mm": 1.0})
    assert by_height.cone_spring.fitted.deflection_m == pytest.approx(by_travel.cone_spring.fitted.deflection_m)


def test_bench_reading_by_method(load):
    # derived: one wheel held reads T_c, case held reads 2 T_c; M is 2 T_c
    held = load(SHEET, breakaway={"torque_Nm": 50, "method": '"one_wheel_held"'})
    case = load(SHEET, breakaway={"torque_Nm": 100, "method": '"case_held"'})
    assert held.breakaway.locking_torque_Nm == case.breakaway.locking_torque_Nm == 100


CONE = {"cone_spring": {"force_N": 900}}
WRONG = {
    # what was written: (differential, tables, words that the message must hold)
    "type": (PLATES | {"type": '"clutch"'}, CONE, ["type", "'clutch'", "plate", "open", "spool"]),
    "mistyped key": (PLATES | {"pin_radus_mm": 38}, CONE, ["pin_radus_mm", "did you mean 'pin_radius_mm'"]),
    "metres for mm": (
        PLATES | {"pin_radius_mm": 0.038},
        CONE,
        ["pin_radius_mm", "0.038", "10 to 150", "multiply by 1000"],
    ),
    "per cent friction": (
        PLATES | {"friction_coefficient": 11},
        CONE,
        ["friction_coefficient", "11", "0.02 to 0.6", "0.11"],
    ),
    "kilonewtons": (PLATES, {"cone_spring": {"force_N": 0.9}}, ["force_N", "0.9", "kilonewtons", "900"]),
    "ring kilonewtons": (PLATES, CONE | {"ring_spring": {"force_N": 0.4}}, ["force_N", "kilonewtons", "400"]),
    "half a face": (
        PLATES | {"friction_faces_per_side": 6.5},
        CONE,
        ["friction_faces_per_side", "6.5", "whole number"],
    ),
    "infinite": (PLATES | {"drive_ramp_angle_deg": "inf"}, CONE, ["drive_ramp_angle_deg", "inf"]),
    "steep angle": (
        PLATES | {"drive_ramp_angle_deg": 5},
        CONE,
        ["drive_ramp_angle_deg", "ring_face", "10 to 90", "85"],
    ),
    "axis angle": (
        PLATES | {"ramp_angle_reference": '"shaft_axis"', "drive_ramp_angle_deg": 85},
        CONE,
        ["drive_ramp_angle_deg", "shaft_axis", "0 to 80"],
    ),
    "no reference": (
        PLATES | {"ramp_angle_reference": None},
        CONE,
        ["ramp_angle_reference is missing", "smaller angle"],
    ),
    "no ramps": ({"type": '"plate"'}, {"breakaway": BENCH}, ["drive_ramp_angle_deg is missing", "drive_lock_percent"]),
    "no preload": (PLATES, {}, ["preload", "[differential.cone_spring]", "[differential.breakaway]"]),
    "plates swapped": (
        PLATES | {"plate_outer_diameter_mm": 86, "plate_inner_diameter_mm": 120},
        CONE,
        ["plate_inner_diameter_mm is 120", "swapped"],
    ),
    "pin diameter": (PLATES | {"pin_radius_mm": 76}, CONE, ["pin_radius_mm is 76", "halve it (38)"]),
    "force and disc": (
        PLATES,
        {"cone_spring": DISC | {"force_N": 900}},
        ["cone_spring", "force_N and outer_diameter_mm"],
    ),
    "empty cone": (PLATES, {"cone_spring": {}}, ["cone_spring", "neither force_N nor a disc"]),
    "disc without size": (PLATES, {"cone_spring": {"deflection_mm": 1}}, ["outer_diameter_mm is missing"]),
    "disc not pressed": (PLATES, {"cone_spring": DISC}, ["deflection_mm or installed_height_mm"]),
    "disc pressed twice": (
        PLATES,
        {"cone_spring": DISC | {"deflection_mm": 1, "installed_height_mm": 4.2}},
        ["exactly one"],
    ),
    "disc swapped": (
        PLATES,
        {"cone_spring": DISC | {"inner_diameter_mm": 82, "deflection_mm": 1}},
        ["inner_diameter_mm is 82", "swapped"],
    ),
    "past flat": (PLATES, {"cone_spring": DISC | {"deflection_mm": 3.5}}, ["3.5 mm", "0 to 2.95 mm (flat)"]),
    "taller than free": (PLATES, {"cone_spring": DISC | {"installed_height_mm": 6}}, ["-0.8 mm", "free height is 5.2"]),
    "rate of a disc": (PLATES, {"cone_spring": DISC | {"deflection_mm": 1, "rate_N_per_mm": 9}}, ["rate_N_per_mm"]),
    "shim without rate": (PLATES, CONE | {"shims": {"added_thickness_mm": 0.2}}, ["shims", "rate_N_per_mm"]),
    "shim past flat": (
        PLATES,
        {"cone_spring": DISC | {"deflection_mm": 2.9}, "shims": {"added_thickness_mm": 0.2}},
        ["3.1 mm", "2.95 mm (flat)", "shim"],
    ),
    "ring twice": (
        PLATES,
        CONE | {"ring_spring": {"force_N": 400, "rate_N_per_mm": 80}},
        ["force_N and rate_N_per_mm"],
    ),
    "ring half": (PLATES, CONE | {"ring_spring": {"rate_N_per_mm": 80}}, ["compression_mm"]),
    "position": (
        PLATES | {"cone_spring_position": '"inside"'},
        CONE,
        ["cone_spring_position", "'inside'", "'outside_packs' or 'between_rings'"],
    ),
    "state": (
        PLATES,
        {"breakaway": BENCH | {"state": '"cold"'}},
        ["state", "'cold'", "'starting' or 'turning_warm'"],
    ),
    "percent": (PLATES, {"breakaway": BENCH | {"percent": 90}}, ["percent", "90", "0 to 60"]),
    "open with a position": (
        {"type": '"open"', "cone_spring_position": '"between_rings"'},
        {},
        ["'open'", "cone_spring_position is given"],
    ),
    "method": (
        PLATES,
        {"breakaway": {"torque_Nm": 62, "method": '"bench"'}},
        ["method", "'one_wheel_held' or 'case_held'"],
    ),
    "no method": (PLATES, {"breakaway": {"torque_Nm": 62}}, ["'method' is missing", "case free"]),
    "sheet and ramps": (
        PLATES | {"drive_lock_percent": 60, "coast_lock_percent": 30},
        {"breakaway": BENCH},
        ["drive_lock_percent", "drive_ramp_angle_deg", "both given"],
    ),
    "sheet and springs": (SHEET, {"breakaway": BENCH} | CONE, ["drive_lock_percent", "cone_spring", "both given"]),
    "sheet without bench": (SHEET, {}, ["breakaway is missing"]),
    "half a sheet": (SHEET | {"coast_lock_percent": None}, {"breakaway": BENCH}, ["coast_lock_percent is missing"]),
    "lock as fraction": (SHEET | {"drive_lock_percent": 0.6}, {"breakaway": BENCH}, ["drive_lock_percent", "60"]),
    "lock over 100": (
        SHEET | {"drive_lock_percent": 160},
        {"breakaway": BENCH},
        ["drive_lock_percent", "160", "0 to 100", "bias ratio"],
    ),
    "open with ramps": (PLATES | {"type": '"open"'}, CONE, ["'open'", "ramp_angle_reference is given"]),
    "spool with bench": ({"type": '"spool"'}, {"breakaway": BENCH}, ["'spool'", "breakaway is given"]),
}


@pytest.mark.parametrize(("differential", "tables", "words"), WRONG.values(), ids=WRONG)
def test_wrong_files_get_one_plain_sentence(load, differential, tables, words):
    with pytest.raises(InputError) as caught:
        load(differential, **tables)
    message = str(caught.value)
    assert message.startswith("club.toml: ")
    assert "\n" not in message
    assert "Traceback" not in message and "pydantic" not in message
    for word in words:
        assert word in message, message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[diff]\ntype = 'open'", ["[differential] is missing", "diff"]),
        ("[differential]\ntype = 'open'\n[car]\nmass_kg = 1", ["unknown key or table 'car'"]),
        ("differential = 3", ["[differential] must be a table"]),
        ("[differential\n", ["not valid TOML"]),
        ("", ["[differential] is missing", "nothing"]),
        ("type = 'open'\n[breakaway]\n", ["found type, [breakaway]. Write [differential] above its keys."]),
        ("[car]\nmass_kg = 1000\n", ["[differential] is missing", "[car]", "--car"]),
    ],
)
def test_files_of_another_shape(tmp_path, text, words):
    path = tmp_path / "club.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_setup(path)
    for word in words:
        assert word in str(caught.value)
