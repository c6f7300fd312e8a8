"""Springs of the differential: disc (cone, Belleville) springs and their stacks, and the setup file's tables of
springs and shims, checked.

References
----------
[EN16984] DIN EN 16984, Disc springs, calculation: load of a single disc without contact flats, thickness up to 6 mm.
The formula is that of [ALMEN1936]. It holds for plain discs, not for diaphragm springs with fingers.
"""

import math
from dataclasses import dataclass

from pydantic import Field, field_validator, model_validator

from analyzer.settings_file import Settings, required

STEEL_ELASTIC_MODULUS_PA = 206e9  # [EN16984] for spring steel
STEEL_POISSON_RATIO = 0.3


@dataclass(frozen=True, kw_only=True)
class DiscSpring:
    """One disc: outer and inner diameter, thickness, free cone height (m); elastic modulus (Pa), Poisson's ratio."""

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    free_cone_height_m: float
    elastic_modulus_Pa: float = STEEL_ELASTIC_MODULUS_PA
    poisson_ratio: float = STEEL_POISSON_RATIO


@dataclass(frozen=True, kw_only=True)
class DiscStack:
    """Discs nested the same way up (`in_parallel`), and such sets turned against each other (`in_series`)."""

    disc: DiscSpring
    in_parallel: int = 1
    in_series: int = 1


def shape_factor(diameter_ratio: float) -> float:
    """K1, from the ratio of outer to inner diameter (above 1).

    Notes
    -----
    K1 = (1/pi) ((d-1)/d)^2 / ((d+1)/(d-1) - 2/ln d)

    References
    ----------
    [EN16984], [ALMEN1936]

    Examples
    --------
    Of a disc twice as wide as its hole:

    >>> round(shape_factor(2.0), 3)
    0.694
    """
    d = diameter_ratio
    return ((d - 1) / d) ** 2 / ((d + 1) / (d - 1) - 2 / math.log(d)) / math.pi


def _stiffness_factor_N(disc: DiscSpring) -> float:
    """4E/(1-nu^2) * t^4/(K1 De^2), the factor in front of the dimensionless characteristic (N)."""
    k1 = shape_factor(disc.outer_diameter_m / disc.inner_diameter_m)
    modulus = 4 * disc.elastic_modulus_Pa / (1 - disc.poisson_ratio**2)
    return modulus * disc.thickness_m**4 / (k1 * disc.outer_diameter_m**2)


def disc_force_N(disc: DiscSpring, *, deflection_m: float) -> float:
    """Force of one disc (N) pressed by `deflection_m` from its free height (m), friction left out.

    Parameters
    ----------
    deflection_m : from the free height; beyond the cone height the formula goes on, the disc does not.

    Notes
    -----
    F = 4E/(1-nu^2) * t^4/(K1 De^2) * (s/t) * [ (h0/t - s/t)(h0/t - s/(2t)) + 1 ]

    References
    ----------
    [EN16984], [ALMEN1936]

    Examples
    --------
    The standard disc of 50 x 25.4 x 3 mm with 1.1 mm of cone height, pressed to three quarters of it:

    >>> disc = DiscSpring(
    ...     outer_diameter_m=0.050, inner_diameter_m=0.0254, thickness_m=0.003, free_cone_height_m=0.0011
    ... )
    >>> round(disc_force_N(disc, deflection_m=0.75 * 0.0011), 1)
    11976.5
    """
    h, s = disc.free_cone_height_m / disc.thickness_m, deflection_m / disc.thickness_m
    return _stiffness_factor_N(disc) * s * ((h - s) * (h - s / 2) + 1)


def disc_rate_N_per_m(disc: DiscSpring, *, deflection_m: float) -> float:
    """Slope dF/ds of one disc (N/m). Negative where the force falls as the disc is pressed (h0/t above sqrt 2).

    Parameters
    ----------
    deflection_m : from the free height.

    Notes
    -----
    The derivative of `disc_force_N`: 4E/(1-nu^2) * t^3/(K1 De^2) * [ (h0/t)^2 - 3 (h0/t)(s/t) + 3/2 (s/t)^2 + 1 ]
    """
    h, s = disc.free_cone_height_m / disc.thickness_m, deflection_m / disc.thickness_m
    return _stiffness_factor_N(disc) / disc.thickness_m * (h**2 - 3 * h * s + 1.5 * s**2 + 1)


def stack_force_N(stack: DiscStack, *, deflection_m: float) -> float:
    """Force of a stack (N), friction between discs left out.

    Parameters
    ----------
    deflection_m : of the whole stack, from its free height.

    Notes
    -----
    n F(s / i): n discs the same way up carry n times the force, i sets in series share the way.

    References
    ----------
    [EN16984]

    Examples
    --------
    Two pairs of the standard disc carry twice its force when pressed twice as far:

    >>> disc = DiscSpring(
    ...     outer_diameter_m=0.050, inner_diameter_m=0.0254, thickness_m=0.003, free_cone_height_m=0.0011
    ... )
    >>> stack = DiscStack(disc=disc, in_parallel=2, in_series=2)
    >>> round(stack_force_N(stack, deflection_m=2 * 0.75 * 0.0011), 1)
    23952.9
    """
    return stack.in_parallel * disc_force_N(stack.disc, deflection_m=deflection_m / stack.in_series)


def stack_rate_N_per_m(stack: DiscStack, *, deflection_m: float) -> float:
    """Slope of a stack (N/m): n/i times that of one disc.

    Parameters
    ----------
    deflection_m : of the whole stack, from its free height.
    """
    rate = disc_rate_N_per_m(stack.disc, deflection_m=deflection_m / stack.in_series)
    return stack.in_parallel / stack.in_series * rate


def stack_free_height_m(stack: DiscStack) -> float:
    """Height of the unloaded stack (m): i [h0 + n t]."""
    return stack.in_series * (stack.disc.free_cone_height_m + stack.in_parallel * stack.disc.thickness_m)


def stack_flat_deflection_m(stack: DiscStack) -> float:
    """Deflection at which every disc lies flat (m): i h0."""
    return stack.in_series * stack.disc.free_cone_height_m


def _in_newtons(value: float | None) -> float | None:
    if value is not None and 0 < value < 10:
        raise ValueError(
            f"{value:g} N is next to nothing and looks like kilonewtons: multiply by 1000 ({1000 * value:g})."
        )
    return value


@dataclass(frozen=True)
class SpringForce:
    """A spring known by its force at installed height (N) and by its rate there, None where nobody asks for it."""

    force_N: float
    rate_N_per_mm: float | None

    def force_at_N(self, further_m: float) -> float:
        """Force when pressed further than installed (N), never below zero."""
        return max(0.0, self.force_N + (self.rate_N_per_mm or 0.0) * further_m * 1e3)


@dataclass(frozen=True)
class PressedStack:
    """Discs, and how far the stack is pressed as installed (m)."""

    stack: DiscStack
    deflection_m: float

    def force_at_N(self, further_m: float) -> float:
        """Force when pressed further than installed (N), never below zero."""
        return stack_force_N(self.stack, deflection_m=max(0.0, self.deflection_m + further_m))

    def rate_at_N_per_m(self, further_m: float) -> float:
        """Rate there (N/m)."""
        return stack_rate_N_per_m(self.stack, deflection_m=max(0.0, self.deflection_m + further_m))


class ConeSpring(Settings):
    """Cone springs that clamp the packs: their force, or the discs it follows from ([EN16984]).

    Give `force_N` (with `rate_N_per_mm` when shims or wear are given), or the disc and how far it is pressed.
    One stack clamps one pack; where one stack serves both packs, each pack feels its whole force.
    """

    force_N: float | None = Field(None, ge=0, le=60000, description="force at installed height, N")
    rate_N_per_mm: float | None = Field(None, gt=0, le=200000, description="spring rate at installed height, N/mm")
    outer_diameter_mm: float | None = Field(None, ge=15, le=250, description="outer diameter of one disc, mm")
    inner_diameter_mm: float | None = Field(None, ge=6, le=220, description="inner diameter of one disc, mm")
    thickness_mm: float | None = Field(None, ge=0.2, le=6, description="thickness of one disc, mm")
    free_cone_height_mm: float | None = Field(
        None, ge=0.1, le=12, description="free height of one disc less its thickness, mm"
    )
    deflection_mm: float | None = Field(None, ge=0, le=60, description="how far the whole stack is pressed, mm")
    installed_height_mm: float | None = Field(None, ge=0.3, le=200, description="height of the fitted stack, mm")
    discs_in_parallel: int = Field(1, ge=1, le=20, description="discs nested the same way up in one set; default 1")
    discs_in_series: int = Field(1, ge=1, le=20, description="sets turned against each other; default 1")
    elastic_modulus_GPa: float = Field(206.0, ge=50, le=250, description="elastic modulus, GPa; default 206 (steel)")
    poisson_ratio: float = Field(0.3, ge=0.1, le=0.45, description="Poisson's ratio; default 0.3 (steel)")

    @field_validator("force_N")
    @classmethod
    def _not_kilonewtons(cls, value: float | None) -> float | None:
        return _in_newtons(value)

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> "ConeSpring":
        sizes = ("outer_diameter_mm", "inner_diameter_mm", "thickness_mm", "free_cone_height_mm")
        pressed = ("deflection_mm", "installed_height_mm")
        geometry = [key for key in (*sizes, *pressed) if getattr(self, key) is not None]
        if self.force_N is not None:
            if geometry:
                raise ValueError(f"force_N and {geometry[0]} are both given; keep the force or the disc, not both.")
            return self
        if not geometry:
            raise ValueError(
                "has neither force_N nor a disc; give force_N, or " + ", ".join(sizes) + " and deflection_mm."
            )
        if self.rate_N_per_mm is not None:
            raise ValueError("rate_N_per_mm goes with force_N; a disc has its own rate. Remove rate_N_per_mm.")
        missing = [key for key in sizes if getattr(self, key) is None]
        if missing:
            raise ValueError(f"{missing[0]} is missing; a disc needs {', '.join(sizes)}. Add it.")
        if sum(getattr(self, key) is not None for key in pressed) != 1:
            raise ValueError("give either deflection_mm or installed_height_mm of the stack: exactly one of them.")
        outer, inner = required(self.outer_diameter_mm), required(self.inner_diameter_mm)
        if inner >= 0.95 * outer:
            raise ValueError(
                f"inner_diameter_mm is {inner:g} and outer_diameter_mm {outer:g}; "
                "the inner must be less than 0.95 of the outer. Check whether they are swapped, or one is a radius."
            )
        fitted = self._pressed()
        flat_mm, pressed_mm = 1e3 * stack_flat_deflection_m(fitted.stack), fitted.deflection_m * 1e3
        if not 0 <= pressed_mm <= flat_mm * (1 + 1e-9):
            raise ValueError(
                f"the stack is pressed by {pressed_mm:.3g} mm; allowed: 0 to {flat_mm:.3g} mm (flat), "
                f"its free height is {1e3 * stack_free_height_m(fitted.stack):.4g} mm. Check height, deflection "
                "and stacking."
            )
        return self

    @property
    def fitted(self) -> SpringForce | PressedStack:
        """What the file says of it: a force, or discs and how far they are pressed, both before shims and wear."""
        return self._pressed() if self.force_N is None else SpringForce(self.force_N, self.rate_N_per_mm)

    def _pressed(self) -> PressedStack:
        disc = DiscSpring(
            outer_diameter_m=required(self.outer_diameter_mm) / 1e3,
            inner_diameter_m=required(self.inner_diameter_mm) / 1e3,
            thickness_m=required(self.thickness_mm) / 1e3,
            free_cone_height_m=required(self.free_cone_height_mm) / 1e3,
            elastic_modulus_Pa=self.elastic_modulus_GPa * 1e9,
            poisson_ratio=self.poisson_ratio,
        )
        stack = DiscStack(disc=disc, in_parallel=self.discs_in_parallel, in_series=self.discs_in_series)
        if self.deflection_mm is not None:
            return PressedStack(stack, self.deflection_mm / 1e3)
        return PressedStack(stack, stack_free_height_m(stack) - required(self.installed_height_mm) / 1e3)


class RingSpring(Settings):
    """Springs that pull the two pressure rings together: the total axial force, or rate times compression."""

    force_N: float | None = Field(None, ge=0, le=30000, description="total force on the rings, N")
    rate_N_per_mm: float | None = Field(None, gt=0, le=50000, description="total spring rate, N/mm")
    compression_mm: float | None = Field(None, ge=0, le=50, description="how far the springs are pressed, mm")

    @field_validator("force_N")
    @classmethod
    def _not_kilonewtons(cls, value: float | None) -> float | None:
        return _in_newtons(value)

    @model_validator(mode="after")
    def _one_way_of_saying_it(self) -> "RingSpring":
        by_rate = [key for key in ("rate_N_per_mm", "compression_mm") if getattr(self, key) is not None]
        if self.force_N is not None and by_rate:
            raise ValueError(f"force_N and {by_rate[0]} are both given; keep the force or the rate, not both.")
        if self.force_N is None and len(by_rate) != 2:
            raise ValueError("give force_N, or rate_N_per_mm and compression_mm together.")
        return self

    @property
    def total_force_N(self) -> float:
        """Force that holds the rings together (N)."""
        if self.force_N is not None:
            return self.force_N
        return required(self.rate_N_per_mm) * required(self.compression_mm)


class Shims(Settings):
    """What changed in each pack since the cone spring's figures were taken. Both keys are per pack.

    A thicker shim presses the cone springs further (positive adds compression, negative takes it away); worn friction
    plates let them out again.
    """

    added_thickness_mm: float = Field(0.0, ge=-5, le=5, description="shim thickness added, mm; negative when removed")
    plate_wear_mm: float = Field(0.0, ge=0, le=5, description="thickness that the plates of one pack have lost, mm")

    @property
    def added_compression_m(self) -> float:
        """Change of the cone springs' compression (m)."""
        return (self.added_thickness_mm - self.plate_wear_mm) / 1e3
