"""The setup file: what is fitted in the differential, checked against slips of unit, key and thought."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator, model_validator

from analyzer.differential import springs
from analyzer.differential.clamp import SERIES_SHARE, AngleReference, SpringPosition, ring_face_angle_rad
from analyzer.differential.springs import ConeSpring, PressedStack, RingSpring, Shims, SpringForce
from analyzer.settings_file import Settings, load_table, required

SMALLEST_FACE_ANGLE_DEG = 10.0  # below this pins jam on any real ramp; no shop cuts it (common practice, no source)
# plates that start to turn hold more than plates that turn: 1.1 to 1.4 times (common practice, no source); the middle
# of that range in the logarithm, and the standard deviation of a log-uniform one
STATIC_RATIO = math.sqrt(1.1 * 1.4)
STATIC_RATIO_LOG_SD = math.log(1.4 / 1.1) / math.sqrt(12)


class Breakaway(Settings):
    """Bench breakaway torque; wins over the springs for the preload, for it is what the packs really hold."""

    torque_Nm: float = Field(ge=0, le=2000, description="reading at which the wheel begins to turn, N.m")
    method: Literal["one_wheel_held", "case_held"] = Field(
        description="one_wheel_held: other wheel held, case free; case_held: in gear, other wheel free to turn back"
    )
    state: Literal["starting", "turning_warm"] | None = Field(
        None, description="starting: as the plates break loose; turning_warm: turned by hand, warm, plates sliding"
    )
    percent: float | None = Field(None, ge=0, le=60, description="one standard deviation of the reading, per cent")

    @property
    def locking_torque_Nm(self) -> float:
        """M at no input torque (N.m) of sliding plates, twice what one pack carries.

        Notes
        -----
        One wheel held: the case turns at half the speed, and both packs slip at that half; the work T w = 2 T_c w/2
        makes the reading T_c. Case held: both packs slip at the full speed, T w = 2 T_c w, and the reading is 2 T_c.
        A reading of starting plates is divided by `STATIC_RATIO`, for on track the packs slide.
        """
        sliding_Nm = self.torque_Nm / (STATIC_RATIO if self.state == "starting" else 1.0)
        return 2 * sliding_Nm if self.method == "one_wheel_held" else sliding_Nm

    @property
    def state_relative_sd(self) -> float:
        """What the state of the plates leaves unknown of the sliding preload (1).

        Notes
        -----
        A file that is silent keeps its reading; the plates may have slid, or may have been starting. The root mean
        square of both about the reading is the standard deviation: 16 %.
        """
        if self.state == "turning_warm":
            return 0.0
        if self.state == "starting":
            return STATIC_RATIO_LOG_SD
        return math.sqrt((math.log(STATIC_RATIO) ** 2 + STATIC_RATIO_LOG_SD**2) / 2)


class SetupUncertainty(Settings):
    """One standard deviation of each figure. Defaults are common practice, no source: state yours if you know them."""

    friction_coefficient_percent: float = Field(15.0, ge=0, le=60, description="plates, oil, temperature and wear")
    friction_radius_percent: float = Field(2.0, ge=0, le=20, description="how evenly the plates bear")
    cone_spring_percent: float = Field(7.0, ge=0, le=60, description="installed force of the cone springs")
    ring_spring_percent: float = Field(10.0, ge=0, le=60, description="force of the ring springs")
    # a torque wrench is good to 4 % (ISO 6789, from memory), the rest is how a reading repeats from turn to turn
    breakaway_percent: float = Field(8.0, ge=0, le=60, description="bench reading, where it states no percent itself")
    data_sheet_percent: float = Field(15.0, ge=0, le=60, description="lock percentages of a data sheet")
    pin_radius_percent: float = Field(1.0, ge=0, le=20, description="where the pin bears on the ramp")
    ramp_angle_deg: float = Field(0.5, ge=0, le=5, description="ramp angle as cut and worn")


_PLATE_KEYS = (
    "drive_ramp_angle_deg",
    "coast_ramp_angle_deg",
    "pin_radius_mm",
    "friction_faces_per_side",
    "plate_outer_diameter_mm",
    "plate_inner_diameter_mm",
    "friction_coefficient",
)
_SHEET_KEYS = ("drive_lock_percent", "coast_lock_percent")
# with lock percentages from a data sheet these have nothing to act on
_PARTS_ONLY_KEYS = (
    *_PLATE_KEYS,
    "ramp_angle_reference",
    "ramp_friction_coefficient",
    "cone_spring",
    "ring_spring",
    "shims",
)
# what an open differential or a spool may still have
_ALWAYS_KEYS = ("name", "type", "uncertainty")


class Setup(Settings):
    """An installed differential. Keys carry their units; the file is TOML with a `[differential]` table."""

    name: str = Field("unnamed setup", max_length=200, description="what you call the setup")
    type: Literal["plate", "open", "spool"] = Field(description="plate, open or spool")
    ramp_angle_reference: AngleReference | None = Field(
        None, description="ring_face: a smaller angle locks harder; shaft_axis: a larger angle locks harder"
    )
    drive_ramp_angle_deg: float | None = Field(None, ge=0, le=90, description="drive ramp angle, degrees")
    coast_ramp_angle_deg: float | None = Field(None, ge=0, le=90, description="coast ramp angle, degrees")
    # oiled steel on steel at the boundary rubs with 0.08 to 0.12 (handbooks, from memory)
    ramp_friction_coefficient: float = Field(
        0.10, ge=0, le=0.15, description="friction between pin and ramp; default 0.10 (oiled steel)"
    )
    pin_radius_mm: float | None = Field(None, ge=10, le=150, description="axis to where the pin bears on the ramp, mm")
    friction_faces_per_side: int | None = Field(None, ge=1, le=60, description="rubbing pairs in one pack")
    plate_outer_diameter_mm: float | None = Field(None, ge=40, le=350, description="outer diameter of the lining, mm")
    plate_inner_diameter_mm: float | None = Field(None, ge=20, le=320, description="inner diameter of the lining, mm")
    friction_coefficient: float | None = Field(None, ge=0.02, le=0.6, description="sliding friction of the plates")
    friction_radius: Literal["uniform_wear", "uniform_pressure"] = Field(
        "uniform_wear", description="uniform_wear (worn in, default) or uniform_pressure (new plates)"
    )
    drive_lock_percent: float | None = Field(None, ge=0, le=100, description="locking value on drive, per cent")
    coast_lock_percent: float | None = Field(None, ge=0, le=100, description="locking value on coast, per cent")
    cone_spring_position: SpringPosition | None = Field(
        None,
        description="outside_packs: between pack and case end; between_rings: spreading the rings; left out: either",
    )
    cone_spring: ConeSpring | None = Field(None, description="springs that clamp the packs")
    ring_spring: RingSpring | None = Field(None, description="springs that hold the pressure rings together")
    shims: Shims | None = Field(None, description="shim change and plate wear")
    breakaway: Breakaway | None = Field(None, description="bench breakaway torque")
    uncertainty: SetupUncertainty = Field(SetupUncertainty(), description="standard deviations")

    @field_validator("drive_lock_percent", "coast_lock_percent", mode="before")
    @classmethod
    def _per_cent(cls, value: object) -> object:
        if not isinstance(value, int | float) or isinstance(value, bool):
            return value
        if 0 < value < 1:
            raise ValueError(
                f"{value:g} looks like a fraction; allowed: 0, or 1 to 100. Write {100 * value:g} for per cent."
            )
        if value > 100:
            raise ValueError(
                f"{value:g} is more than all the torque; allowed: 0 to 100 (torque difference over torque sum). "
                "Check whether it is a bias ratio or another measure."
            )
        return value

    @model_validator(mode="after")
    def _complete_and_consistent(self) -> "Setup":
        if self.type != "plate":
            self._check_bare()
        elif self._given(_SHEET_KEYS):
            self._check_data_sheet()
        else:
            self._check_parts()
        return self

    def _given(self, keys: tuple[str, ...]) -> list[str]:
        return [key for key in keys if key in self.model_fields_set and getattr(self, key) is not None]

    def _check_bare(self) -> None:
        extra = [key for key in self.model_fields_set if key not in _ALWAYS_KEYS]
        if extra:
            has = "neither plates nor ramps" if self.type == "open" else "nothing that slips"
            key = next(key for key in type(self).model_fields if key in extra)
            raise ValueError(
                f"type is '{self.type}', which has {has}, but {key} is given; remove it or set type = \"plate\"."
            )

    def _check_data_sheet(self) -> None:
        extra = self._given(_PARTS_ONLY_KEYS)
        if extra:
            raise ValueError(
                f"{self._given(_SHEET_KEYS)[0]} (data sheet) and {extra[0]} (parts) are both given; describe the "
                "differential by breakaway and lock percentages, or by ramps, plates and springs."
            )
        missing = [key for key in (*_SHEET_KEYS, "breakaway") if getattr(self, key) is None]
        if missing:
            raise ValueError(
                f"{missing[0]} is missing; a data sheet needs breakaway and both lock percentages. Add it."
            )

    def _check_parts(self) -> None:
        missing = [key for key in (*_PLATE_KEYS, "ramp_angle_reference") if getattr(self, key) is None]
        if missing:
            about = type(self).model_fields[missing[0]].description
            raise ValueError(
                f"{missing[0]} is missing ({about}); a plate differential needs ramps and plates, or breakaway with "
                "drive_lock_percent and coast_lock_percent. Add it."
            )
        self._check_ramps()
        outer, inner = required(self.plate_outer_diameter_mm), required(self.plate_inner_diameter_mm)
        pin = required(self.pin_radius_mm)
        if inner >= 0.98 * outer:
            raise ValueError(
                f"plate_inner_diameter_mm is {inner:g} and plate_outer_diameter_mm {outer:g}; the inner must be less "
                "than 0.98 of the outer. Check whether they are swapped."
            )
        if pin > 0.625 * outer:
            raise ValueError(
                f"pin_radius_mm is {pin:g}, outside plates of {outer:g} mm diameter; allowed: up to "
                f"{0.625 * outer:.0f}. If it is a diameter, halve it ({pin / 2:g})."
            )
        if self.cone_spring is None and self.breakaway is None:
            raise ValueError(
                "says nothing about the preload; add [differential.cone_spring] (force_N = 0 when there is no spring) "
                "or [differential.breakaway]."
            )
        self._check_shims()

    def _check_ramps(self) -> None:
        for key in ("drive_ramp_angle_deg", "coast_ramp_angle_deg"):
            face_deg = math.degrees(self._face_angle_rad(getattr(self, key)))
            if face_deg < SMALLEST_FACE_ANGLE_DEG - 1e-9:
                low, high = (SMALLEST_FACE_ANGLE_DEG, 90) if self.ramp_angle_reference == "ring_face" else (0, 80)
                raise ValueError(
                    f"{key} is {getattr(self, key):g} with ramp_angle_reference '{self.ramp_angle_reference}'; "
                    f"allowed: {low:g} to {high:g}. Check whether the angle is quoted the other way "
                    f"({90 - getattr(self, key):g})."
                )

    def _check_shims(self) -> None:
        change_m = self.shims.added_compression_m if self.shims else 0.0
        if change_m == 0 or self.cone_spring is None:
            return
        spring = self.cone_spring.fitted
        if isinstance(spring, SpringForce) and spring.rate_N_per_mm is None:
            raise ValueError(
                "shims need the cone spring's rate; add rate_N_per_mm to [differential.cone_spring], or its disc."
            )
        if isinstance(spring, PressedStack):
            pressed_mm = 1e3 * (spring.deflection_m + change_m)
            flat_mm = 1e3 * springs.stack_flat_deflection_m(spring.stack)
            if pressed_mm > flat_mm * (1 + 1e-9):
                raise ValueError(
                    f"with the shims the cone springs are pressed by {pressed_mm:.3g} mm; allowed: 0 to {flat_mm:.3g} "
                    "mm (flat). Take out shim thickness."
                )

    @property
    def breakaway_relative_sd(self) -> float:
        """Relative standard deviation of the preload by the bench (1); `breakaway` must be there."""
        bench = required(self.breakaway)
        reading = bench.percent if bench.percent is not None else self.uncertainty.breakaway_percent
        return math.hypot(reading / 100, bench.state_relative_sd)

    @property
    def series_shares(self) -> tuple[float, ...]:
        """The series shares (`clamp.SERIES_SHARE`) that the file does not exclude, one or both."""
        position = self.cone_spring_position
        return tuple(SERIES_SHARE.values()) if position is None else (SERIES_SHARE[position],)

    @property
    def described(self) -> "Open | Spool | DataSheet | Parts":
        """What of the file's figures its kind has, none of them missing."""
        if self.type == "open":
            return Open()
        if self.type == "spool":
            return Spool()
        if self.drive_lock_percent is not None:
            return DataSheet(
                drive_lock_share=self.drive_lock_percent / 100,
                coast_lock_share=required(self.coast_lock_percent) / 100,
                bench=required(self.breakaway),
            )
        return self.parts

    @property
    def parts(self) -> "Parts":
        """Ramps and plates. Only for a plate type given by its parts."""
        return Parts(
            drive_ramp_angle_rad=self._face_angle_rad(required(self.drive_ramp_angle_deg)),
            coast_ramp_angle_rad=self._face_angle_rad(required(self.coast_ramp_angle_deg)),
            pin_radius_m=required(self.pin_radius_mm) / 1e3,
            friction_faces_per_side=required(self.friction_faces_per_side),
            plate_outer_radius_m=required(self.plate_outer_diameter_mm) / 2e3,
            plate_inner_radius_m=required(self.plate_inner_diameter_mm) / 2e3,
            friction_coefficient=required(self.friction_coefficient),
        )

    def _face_angle_rad(self, angle_deg: float) -> float:
        """An angle as the file writes it, from the ring's face."""
        return ring_face_angle_rad(math.radians(angle_deg), reference=required(self.ramp_angle_reference))


@dataclass(frozen=True)
class Open:
    """An open differential."""


@dataclass(frozen=True)
class Spool:
    """A spool."""


@dataclass(frozen=True, kw_only=True)
class DataSheet:
    """A plate type by its locking values on drive and coast (1) and a bench reading of the preload."""

    drive_lock_share: float
    coast_lock_share: float
    bench: Breakaway


@dataclass(frozen=True, kw_only=True)
class Parts:
    """Ramps and plates of a plate type: angles from the ring's face, the rubbing pairs of one pack."""

    drive_ramp_angle_rad: float
    coast_ramp_angle_rad: float
    pin_radius_m: float
    friction_faces_per_side: int
    plate_outer_radius_m: float
    plate_inner_radius_m: float
    friction_coefficient: float


def load_setup(path: Path | str) -> Setup:
    """Read and check a setup file.

    Parameters
    ----------
    path : a TOML file with a `[differential]` table.

    Raises
    ------
    InputError : the file cannot be read or a key is wrong; the message names key, value, range and mend.
    """
    return load_table(Setup, path, table_name="differential")
