"""The parts file: what the shop has on its shelf, kind by kind, soft to stiff."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from analyzer.differential import clamp, springs
from analyzer.differential.clamp import AngleReference, ring_face_angle_rad, thrust_N_per_Nm
from analyzer.differential.setup import SMALLEST_FACE_ANGLE_DEG
from analyzer.differential.spring_tables import ConeSpring, RingSpring
from analyzer.errors import InputError
from analyzer.settings_file import Settings, read_toml, validated

NAME = Field(min_length=1, max_length=60, description="what you call the part")


class ConeSpringPart(ConeSpring):
    """A cone spring stack, described as in the setup file."""

    name: str = NAME


class RingSpringPart(RingSpring):
    """A set of ring springs, described as in the setup file."""

    name: str = NAME


class RampRings(Settings):
    """A pair of pressure rings. The pin radius and the way of quoting angles are the setup file's unless given."""

    name: str = NAME
    drive_ramp_angle_deg: float = Field(ge=0, le=90, description="drive ramp angle, degrees")
    coast_ramp_angle_deg: float = Field(ge=0, le=90, description="coast ramp angle, degrees")
    ramp_angle_reference: AngleReference | None = Field(
        None, description="ring_face or shaft_axis; default the setup's"
    )
    pin_radius_mm: float | None = Field(None, ge=10, le=150, description="axis to where the pin bears, mm")


class PlateStack(Settings):
    """Friction plates of one pack. What is not given is as in the setup file."""

    name: str = NAME
    friction_faces_per_side: int = Field(ge=1, le=60, description="rubbing pairs in one pack")
    plate_outer_diameter_mm: float | None = Field(None, ge=40, le=350, description="outer diameter of the lining, mm")
    plate_inner_diameter_mm: float | None = Field(None, ge=20, le=320, description="inner diameter of the lining, mm")
    friction_coefficient: float | None = Field(None, ge=0.02, le=0.6, description="sliding friction of the plates")
    friction_radius: Literal["uniform_wear", "uniform_pressure"] | None = Field(
        None, description="uniform_wear (worn in) or uniform_pressure (new)"
    )


class Shim(Settings):
    """A shim change of each pack against what is fitted now: thicker presses the cone springs further."""

    name: str = NAME
    added_thickness_mm: float = Field(ge=-5, le=5, description="thickness added, mm; negative when removed")


@dataclass(frozen=True)
class Parts:
    """What the shop has, besides what is fitted. Each kind soft to stiff; empty where it has none."""

    name: str
    cone_spring: tuple[ConeSpringPart, ...] = ()
    ring_spring: tuple[RingSpringPart, ...] = ()
    ramp_rings: tuple[RampRings, ...] = ()
    plate_stack: tuple[PlateStack, ...] = ()
    shim: tuple[Shim, ...] = ()


KINDS: dict[str, type[Settings]] = {
    "cone_spring": ConeSpringPart,
    "ring_spring": RingSpringPart,
    "ramp_rings": RampRings,
    "plate_stack": PlateStack,
    "shim": Shim,
}


def load_parts(path: Path | str) -> Parts:
    """Read and check a parts file.

    Raises
    ------
    InputError : the file cannot be read, a key is wrong, two parts of a kind share a name, or a kind is not in order
        from soft to stiff; the message names kind, part, key and mend.
    """
    tables, file = read_toml(path), Path(path).name
    extra = [name for name in tables if name != "parts"]
    if "parts" not in tables or extra:
        raise InputError(
            f"{file}: found {list(tables) or 'nothing'}; a parts file has [[parts.cone_spring]], [[parts.ramp_rings]] "
            "and so on, and nothing else. Write each part so."
        )
    table = tables["parts"]
    if not isinstance(table, dict):
        raise InputError(f"{file}: [parts] must be a table, found {table!r}. Write [[parts.cone_spring]] and so on.")
    unknown = [key for key in table if key not in (*KINDS, "name")]
    if unknown:
        raise InputError(f"{file}: unknown kind '{unknown[0]}' in [parts]; allowed: name, {', '.join(KINDS)}.")
    name = table.get("name", "unnamed shelf")
    if not isinstance(name, str) or len(name) > 200:
        raise InputError(f"{file}: 'name' in [parts] is {name!r}; allowed: text of up to 200 characters.")
    found: dict[str, Any] = {kind: _of_kind(kind, table.get(kind, []), file) for kind in KINDS}
    if not any(found.values()):
        raise InputError(f"{file}: lists no part; add at least one, such as [[parts.cone_spring]].")
    return Parts(name=name, **found)


def _of_kind(kind: str, entries: object, file: str) -> tuple[Any, ...]:
    if not isinstance(entries, list):
        raise InputError(f"{file}: {kind} must be a list of parts; write each one as [[parts.{kind}]].")
    parts: list[Any] = []
    for number, entry in enumerate(entries, start=1):
        called = entry.get("name", "no name") if isinstance(entry, dict) else "no table"
        parts.append(validated(KINDS[kind], entry, file=file, table_name=f"parts.{kind} no. {number}, {called}"))
    names = [part.name for part in parts]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"{file}: two parts of [[parts.{kind}]] are called '{twice}'; give each its own name.")
    if kind == "ramp_rings":
        _check_ring_angles(parts, file)
    _check_order(kind, parts, file)
    return tuple(parts)


def _check_ring_angles(rings: Sequence[RampRings], file: str) -> None:
    for ring in rings:
        for key in ("drive_ramp_angle_deg", "coast_ramp_angle_deg"):
            angle = getattr(ring, key)
            if ring.ramp_angle_reference is not None and _face_deg(ring, angle) < SMALLEST_FACE_ANGLE_DEG - 1e-9:
                raise InputError(
                    f"{file}: '{key}' of ramp rings '{ring.name}' is {angle:g} with ramp_angle_reference "
                    f"'{ring.ramp_angle_reference}': that jams. Check whether it is quoted the other way "
                    f"({90 - angle:g})."
                )


def _face_deg(ring: RampRings, angle_deg: float) -> float:
    return math.degrees(ring_face_angle_rad(math.radians(angle_deg), reference=ring.ramp_angle_reference))


def _stiffness_of_cone(part: ConeSpringPart) -> float:
    return part.force_N if part.stack is None else springs.stack_force_N(part.stack, deflection_m=part.deflection_m)


def _stiffness_of_rings(part: RampRings) -> float | None:
    """Thrust on drive; None where the setup file has to say how the angle is quoted."""
    if part.ramp_angle_reference is None:
        return None
    angle = math.radians(_face_deg(part, part.drive_ramp_angle_deg))
    return thrust_N_per_Nm(ramp_angle_rad=angle, pin_radius_m=(part.pin_radius_mm or 1e3) / 1e3)


def _stiffness_of_plates(part: PlateStack) -> float | None:
    if None in (part.friction_coefficient, part.plate_outer_diameter_mm, part.plate_inner_diameter_mm):
        return None
    return clamp.pack_torque_Nm(
        friction_coefficient=part.friction_coefficient,
        friction_faces=part.friction_faces_per_side,
        friction_radius_m=(part.plate_outer_diameter_mm + part.plate_inner_diameter_mm) / 4e3,
        clamp_N=1.0,
    )


# what makes a part of each kind stiffer, and in which unit a reader checks it
STIFFNESS: dict[str, tuple[Callable, str]] = {
    "cone_spring": (_stiffness_of_cone, "installed force"),
    "ring_spring": (lambda part: part.total_force_N, "force"),
    "ramp_rings": (_stiffness_of_rings, "thrust on drive"),
    "plate_stack": (_stiffness_of_plates, "friction torque"),
    "shim": (lambda part: part.added_thickness_mm, "thickness"),
}


def _check_order(kind: str, parts: Sequence[Any], file: str) -> None:
    measure, words = STIFFNESS[kind]
    values = [measure(part) for part in parts]
    for i in range(1, len(parts)):
        before, here = values[i - 1], values[i]
        if before is not None and here is not None and here < before * (1 - 1e-9) - 1e-12:
            raise InputError(
                f"{file}: [[parts.{kind}]] must go from soft to stiff, but '{parts[i].name}' comes after "
                f"'{parts[i - 1].name}' and has less {words}. Check its figures, or swap the two."
            )
