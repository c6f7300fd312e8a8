"""The parts file, kind by kind, soft to stiff; and every build that the shelf allows, with its predicted lock curve."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeAlias

from pydantic import Field, ValidationError

from analyzer.differential import clamp
from analyzer.differential.clamp import AngleReference, ring_face_angle_rad, thrust_N_per_Nm
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import SMALLEST_FACE_ANGLE_DEG, Setup
from analyzer.differential.springs import ConeSpring, RingSpring
from analyzer.errors import InputError
from analyzer.settings_file import Settings, read_toml, required, validated

NAME = Field(min_length=1, max_length=60, description="what you call the part")
AS_FITTED = "as fitted"
MOST_BUILDS = 2000
KIND_WORDS = {
    "cone_spring": "cone spring",
    "ring_spring": "ring springs",
    "ramp_rings": "ramp rings",
    "plate_stack": "plates",
    "shim": "shim",
}


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

    Parameters
    ----------
    path : a TOML file of [[parts.KIND]] tables.

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
            quoted = ring.ramp_angle_reference
            if quoted is not None and _face_deg(angle, quoted) < SMALLEST_FACE_ANGLE_DEG - 1e-9:
                raise InputError(
                    f"{file}: '{key}' of ramp rings '{ring.name}' is {angle:g} with ramp_angle_reference "
                    f"'{ring.ramp_angle_reference}': that jams. Check whether it is quoted the other way "
                    f"({90 - angle:g})."
                )


def _face_deg(angle_deg: float, quoted: AngleReference) -> float:
    return math.degrees(ring_face_angle_rad(math.radians(angle_deg), reference=quoted))


def _stiffness_of_cone(part: ConeSpringPart) -> float:
    return part.fitted.force_at_N(0.0)


def _stiffness_of_rings(part: RampRings) -> float | None:
    """Thrust on drive; None where the setup file has to say how the angle is quoted."""
    if part.ramp_angle_reference is None:
        return None
    angle = math.radians(_face_deg(part.drive_ramp_angle_deg, part.ramp_angle_reference))
    return thrust_N_per_Nm(ramp_angle_rad=angle, pin_radius_m=(part.pin_radius_mm or 1e3) / 1e3)


def _stiffness_of_plates(part: PlateStack) -> float | None:
    friction, outer, inner = part.friction_coefficient, part.plate_outer_diameter_mm, part.plate_inner_diameter_mm
    if friction is None or outer is None or inner is None:
        return None
    return clamp.pack_torque_Nm(
        friction_coefficient=friction,
        friction_faces=part.friction_faces_per_side,
        friction_radius_m=(outer + inner) / 4e3,
        clamp_N=1.0,
    )


# what makes a part of each kind stiffer, and in which unit a reader checks it
STIFFNESS: dict[str, tuple[Callable[[Any], float | None], str]] = {
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


@dataclass(frozen=True)
class Build:
    """One combination of parts.

    Attributes
    ----------
    choice : kind -> name of the part, `as fitted` where nothing changes.
    curve : predicted lock curve.
    """

    choice: dict[str, str]
    curve: PredictedLockCurve

    @property
    def changes(self) -> dict[str, str]:
        """Kind -> part, of what is not as fitted."""
        return {kind: name for kind, name in self.choice.items() if name != AS_FITTED}

    @property
    def label(self) -> str:
        """In words: the parts that change, or that nothing does."""
        return ", ".join(f"{KIND_WORDS[k]} {name}" for k, name in self.changes.items()) or AS_FITTED


@dataclass(frozen=True)
class Builds:
    """`installed` first; `refused` says which combinations cannot be built and why; `bench_ratio` is the preload of
    the bench over that of the springs, 1 where the bench gives the springs, None without a bench reading."""

    all: tuple[Build, ...]
    refused: tuple[str, ...]
    bench_ratio: float | None

    @property
    def installed(self) -> Build:
        """What is fitted now."""
        return self.all[0]


def builds(setup: Setup, parts: Parts) -> Builds:
    """Every combination of fitted and shelf parts; of those that lock alike, the one with the fewest changes.

    Parameters
    ----------
    setup : what is fitted, given by its parts.
    parts : what is on the shelf.

    Returns
    -------
    Builds : the first is what is fitted.

    Raises
    ------
    InputError : the fitted differential is not described by its parts, or there are too many combinations.
    """
    if setup.type != "plate" or setup.drive_lock_percent is not None:
        what = f"is {setup.type}" if setup.type != "plate" else "is given by its data sheet"
        raise InputError(
            f"setup '{setup.name}' {what}, so no part from the shelf can be calculated into it. Describe the plate "
            "differential by ramp angles, pin radius, plates and cone spring."
        )
    base, bench_ratio = _by_springs(setup)
    options = [[None, *getattr(parts, kind)] for kind in KINDS]
    count = 1
    for option in options:
        count *= len(option)
    if count > MOST_BUILDS:
        raise InputError(
            f"the parts make {count} combinations; allowed: {MOST_BUILDS}. Leave out parts that you would not fit."
        )
    found: dict[Figures, Build] = {}
    refused: list[str] = []
    for chosen in sorted(itertools.product(*options), key=lambda parts: sum(p is not None for p in parts)):
        choice = {kind: AS_FITTED if part is None else part.name for kind, part in zip(KINDS, chosen, strict=True)}
        try:
            built = Setup.model_validate(_with(base, dict(zip(KINDS, chosen, strict=True))))
        except ValidationError as error:
            label = Build(choice, predict_lock_curve(setup)).label
            refused.append(f"{label}: {error.errors()[0].get('ctx', {}).get('error', error.errors()[0]['msg'])}")
            continue
        build = Build(choice, predict_lock_curve(built))
        found.setdefault(_figures(build.curve), build)
    return Builds(tuple(found.values()), tuple(refused), bench_ratio)


Figures: TypeAlias = tuple[float | None, ...]


def _figures(curve: PredictedLockCurve) -> Figures:
    """What tells two lock curves apart, to a thousandth."""
    values = (curve.preload_Nm, curve.drive_slope, curve.drive_hold_Nm, curve.coast_slope, curve.coast_hold_Nm)
    return tuple(None if v is None else float(f"{v:.4g}") for v in values)


def _by_springs(setup: Setup) -> tuple[dict[str, Any], float | None]:
    """The setup with its preload from springs, which a shelf part can replace; and bench over springs.

    Where only the bench says what the preload is, the cone force that gives it stands for the fitted spring.
    """
    data = setup.model_dump(exclude_none=True)
    data.pop("breakaway", None)
    if setup.breakaway is None:
        return data, None
    locking_Nm = setup.breakaway.locking_torque_Nm
    if setup.cone_spring is not None:
        springs_Nm = predict_lock_curve(Setup.model_validate(data)).preload_Nm
        return data, locking_Nm / springs_Nm if springs_Nm else None
    data.pop("shims", None)  # the bench felt them
    by_a_kilonewton = predict_lock_curve(Setup.model_validate(data | {"cone_spring": {"force_N": 1000.0}}))
    per_newton = required(by_a_kilonewton.preload_Nm) / 1e3
    data["cone_spring"] = {"force_N": locking_Nm / per_newton}
    data["uncertainty"]["cone_spring_percent"] = min(60.0, 100 * setup.breakaway_relative_sd)
    return data, 1.0


def _with(base: dict[str, Any], chosen: dict[str, Any]) -> dict[str, Any]:
    """Setup data with the chosen parts in place of the fitted ones."""
    data = dict(base)
    for kind in ("cone_spring", "ring_spring"):
        if chosen[kind] is not None:
            data[kind] = chosen[kind].model_dump(exclude={"name"}, exclude_none=True)
    for kind in ("ramp_rings", "plate_stack"):
        if chosen[kind] is not None:
            data |= chosen[kind].model_dump(exclude={"name"}, exclude_none=True)
    rings = chosen["ramp_rings"]
    shims = dict(base.get("shims", {}))
    if chosen["plate_stack"] is not None:
        shims["plate_wear_mm"] = 0.0
    if chosen["shim"] is not None:
        shims["added_thickness_mm"] = shims.get("added_thickness_mm", 0.0) + chosen["shim"].added_thickness_mm
    if shims:
        data["shims"] = shims
    if rings is not None and rings.ramp_angle_reference is None:
        data["ramp_angle_reference"] = base["ramp_angle_reference"]
    return data
