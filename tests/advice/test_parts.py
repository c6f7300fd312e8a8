"""The parts file: what it takes, and what it says when something is wrong."""

import pytest

from analyzer.advice.shelf import load_parts
from analyzer.differential.springs import PressedStack
from analyzer.errors import InputError

GOOD = """
[parts]
name = "shelf"
[[parts.cone_spring]]
name = "soft"
force_N = 900
[[parts.cone_spring]]
name = "stiff"
outer_diameter_mm = 60
inner_diameter_mm = 30
thickness_mm = 2.5
free_cone_height_mm = 1.2
deflection_mm = 0.6
[[parts.ramp_rings]]
name = "45/60"
ramp_angle_reference = "ring_face"
drive_ramp_angle_deg = 45
coast_ramp_angle_deg = 60
[[parts.shim]]
name = "0.1 mm"
added_thickness_mm = 0.1
"""


def written(tmp_path, text):
    path = tmp_path / "shelf.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file_is_read(tmp_path):
    parts = load_parts(written(tmp_path, GOOD))
    assert parts.name == "shelf"
    assert [p.name for p in parts.cone_spring] == ["soft", "stiff"]
    assert isinstance(parts.cone_spring[1].fitted, PressedStack)
    assert parts.ring_spring == () and len(parts.shim) == 1


@pytest.mark.parametrize(
    "text, said",
    [
        ("", "[[parts.cone_spring]]"),
        ("[parts]\nname = 'x'\n", "lists no part"),
        ("[differential]\ntype = 'open'\n", "found ['differential']"),
        ("[[parts.cone_springs]]\nname = 'a'\nforce_N = 900\n", "unknown kind 'cone_springs'"),
        ("[parts.cone_spring]\nname = 'a'\nforce_N = 900\n", "write each one as [[parts.cone_spring]]"),
        ("[[parts.cone_spring]]\nforce_N = 900\n", "key 'name' is missing in [parts.cone_spring no. 1, no name]"),
        ("[[parts.cone_spring]]\nname = 'a'\nforce_N = 1.2\n", "looks like kilonewtons"),
        ("[[parts.cone_spring]]\nname = 'a'\nforce_N = 900\nforse = 1\n", "unknown key 'forse'"),
        ("[[parts.cone_spring]]\nname = 'a'\nforce_N = 900\n" * 2, "two parts of [[parts.cone_spring]] are called 'a'"),
        (
            "[[parts.cone_spring]]\nname = 'a'\nforce_N = 900\n[[parts.cone_spring]]\nname = 'b'\nforce_N = 600\n",
            "'b' comes after 'a' and has less installed force",
        ),
        (
            "[[parts.ramp_rings]]\nname = 'a'\nramp_angle_reference = 'ring_face'\ndrive_ramp_angle_deg = 4\n"
            "coast_ramp_angle_deg = 60\n",
            "quoted the other way (86)",
        ),
        (
            "".join(
                f"[[parts.ramp_rings]]\nname = '{a}'\nramp_angle_reference = 'ring_face'\ndrive_ramp_angle_deg = {a}\n"
                "coast_ramp_angle_deg = 80\n"
                for a in (45, 60)
            ),
            "has less thrust on drive",
        ),
        ("[[parts.plate_stack]]\nname = 'a'\nfriction_faces_per_side = 2.5\n", "whole numbers from 1 to 60"),
        ("[[parts.shim]]\nname = 'a'\nadded_thickness_mm = 100\n", "allowed: -5 to 5"),
    ],
)
def test_what_is_wrong_is_named(tmp_path, text, said):
    with pytest.raises(InputError) as error:
        load_parts(written(tmp_path, text))
    assert "shelf.toml" in str(error.value) and said in str(error.value)
    assert "\n" not in str(error.value)
