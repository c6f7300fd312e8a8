"""Every build that the shelf allows, with its predicted lock curve."""

import itertools
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from analyzer.advice.parts import KINDS, Parts
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup
from analyzer.errors import InputError

AS_FITTED = "as fitted"
MOST_BUILDS = 2000
KIND_WORDS = {
    "cone_spring": "cone spring",
    "ring_spring": "ring springs",
    "ramp_rings": "ramp rings",
    "plate_stack": "plates",
    "shim": "shim",
}


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
    the bench over that of the springs, 1 where the springs are had from the bench, None without a bench reading."""

    all: tuple[Build, ...]
    refused: tuple[str, ...]
    bench_ratio: float | None

    @property
    def installed(self) -> Build:
        """What is fitted now."""
        return self.all[0]


def builds(setup: Setup, parts: Parts) -> Builds:
    """Every combination of fitted and shelf parts; of those that lock alike, the one with the fewest changes.

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
    found: dict[tuple, Build] = {}
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


def _figures(curve: PredictedLockCurve) -> tuple:
    """What tells two lock curves apart, to a thousandth."""
    values = (curve.preload_Nm, curve.drive_slope, curve.drive_hold_Nm, curve.coast_slope, curve.coast_hold_Nm)
    return tuple(None if v is None else float(f"{v:.4g}") for v in values)


def _by_springs(setup: Setup) -> tuple[dict[str, Any], float | None]:
    """The setup with its preload from springs, which a shelf part can replace; and bench over springs.

    Where only the bench says what the preload is, the cone force that gives it stands for the fitted spring.
    """
    data = setup.model_dump(exclude_none=True)
    bench = data.pop("breakaway", None)
    if bench is None:
        return data, None
    locking_Nm = setup.breakaway.locking_torque_Nm
    if setup.cone_spring is not None:
        springs_Nm = predict_lock_curve(Setup.model_validate(data)).preload_Nm
        return data, locking_Nm / springs_Nm if springs_Nm else None
    data.pop("shims", None)  # the bench felt them
    per_newton = predict_lock_curve(Setup.model_validate(data | {"cone_spring": {"force_N": 1000.0}})).preload_Nm / 1e3
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
