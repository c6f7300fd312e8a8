"""The car file: the figures of the car that the physics needs, their defaults and how sure they are."""

from pathlib import Path

import numpy as np
from pydantic import Field, model_validator

from analyzer.arrays import FloatArray
from analyzer.settings_file import Settings, load_table

# where the car file is silent on the rear's share of the lateral load transfer: the rear's share of the weight less
# this, for cars are sprung to understeer a little, within this much either way (common practice, no source)
TRANSFER_UNDER_WEIGHT_SHARE, TRANSFER_SILENT_PERCENT = 0.05, 40.0
# of tyres of 12 and of 35 inches: no car on a circuit has smaller or larger ones, and a diameter is larger yet
RADII_M = (0.15, 0.45)
# Engine with flywheel and clutch, per kg of car (0.13 kg m2 at 1180 kg), and how far cars are from it, one standard
# deviation; common practice, no source
ENGINE_INERTIA_M2, ENGINE_INERTIA_SD = 0.13 / 1180, 0.35
AIR_DENSITY_KG_M3 = 1.2  # at about 20 degC and sea level; a 10 % error is inside drag_percent of CarUncertainty


class Tyre(Settings):
    """Starting values of the tyre; all are fitted on the log, so only rough figures are asked for.

    Defaults are common practice for a racing tyre on dry asphalt, no source.
    """

    peak_friction: float = Field(1.3, ge=0.3, le=2.5, description="peak friction coefficient at static wheel load")
    peak_friction_percent: float = Field(
        15.0, ge=0.5, le=50, description="one standard deviation of the peak friction, per cent"
    )
    slip_stiffness: float = Field(
        20.0, ge=4, le=60, description="longitudinal stiffness over wheel load, per unit slip"
    )
    cornering_stiffness_per_rad: float = Field(
        18.0, ge=4, le=60, description="cornering stiffness over wheel load, per radian"
    )


class CarUncertainty(Settings):
    """Limits of the car figures, plus and minus, in per cent of each. State yours when you know better.

    Every value between the limits counts as equally likely, so a standard deviation is the limit over the root of three
    (JCGM 100:2008, 4.3.7): whoever writes "within 10 %" means limits.
    """

    mass_percent: float = Field(2.0, gt=0, le=30, description="limits of the mass, per cent")
    cg_height_percent: float = Field(
        10.0, gt=0, le=50, description="limits of the height of the centre of gravity, per cent"
    )
    load_transfer_percent: float = Field(
        10.0, gt=0, le=50, description="limits of the rear's share of the lateral load transfer, per cent"
    )
    drag_percent: float = Field(15.0, gt=0, le=100, description="limits of drag area and air density, per cent")
    downforce_percent: float = Field(30.0, gt=0, le=200, description="limits of the downforce area, per cent")
    track_percent: float = Field(0.5, gt=0, le=10, description="limits of both tracks, per cent")
    wheel_inertia_percent: float = Field(15.0, gt=0, le=100, description="limits of a wheel's inertia, per cent")
    engine_inertia_percent: float = Field(
        15.0, gt=0, le=100, description="limits of the engine's inertia where it is stated, per cent"
    )
    rolling_radius_percent: float = Field(1.2, gt=0, le=10, description="limits of both rolling radii, per cent")
    rolling_radius_load_percent: float = Field(
        0.1, gt=0, le=1, description="limits of rolling_radius_load_percent where it is stated, in the same unit"
    )
    accelerometer_place_m: float = Field(
        0.05, gt=0, le=1, description="limits of the accelerometer's stated place, m, along each axis"
    )
    roll_gradient_deg_per_g: float = Field(
        0.5, gt=0, le=5, description="limits of the stated roll and pitch gradients, deg/g"
    )


class Car(Settings):
    """A rear-driven car. Keys carry their units; the file is TOML with a `[car]` table."""

    name: str = Field("unnamed car", max_length=200, description="what you call the car")
    mass_kg: float = Field(ge=150, le=5000, description="mass with driver and fuel, kg")
    wheelbase_m: float = Field(ge=1.0, le=5.0, description="wheelbase, m")
    front_weight_fraction: float = Field(ge=0.2, le=0.8, description="share of the weight on the front axle, 0 to 1")
    cg_height_m: float = Field(ge=0.1, le=1.5, description="height of the centre of gravity, m")
    front_track_m: float = Field(ge=0.6, le=2.6, description="front track, m")
    rear_track_m: float = Field(ge=0.6, le=2.6, description="rear track, m")
    front_rolling_radius_m: float = Field(ge=RADII_M[0], le=RADII_M[1], description="front rolling radius, m")
    rear_rolling_radius_m: float = Field(ge=RADII_M[0], le=RADII_M[1], description="rear rolling radius, m")
    steering_ratio: float = Field(ge=1.0, le=40.0, description="steering-wheel angle over road-wheel angle")
    yaw_inertia_kg_m2: float | None = Field(
        None, ge=20, le=20000, description="yaw inertia, kg m2; default m*a*b (a dynamic index of 1)"
    )
    wheel_inertia_kg_m2: float = Field(
        1.0, ge=0.05, le=20, description="spin inertia of one rear wheel with its shaft, kg m2; default 1.0"
    )
    engine_inertia_kg_m2: float | None = Field(
        None,
        ge=0.01,
        le=3.0,
        description="inertia of engine, flywheel and clutch at the crankshaft, kg m2; default by the car's mass",
    )
    rear_load_transfer_fraction: float | None = Field(
        None,
        ge=0.0,
        le=1.0,
        description="share of the lateral load transfer at the rear; default the rear weight share less 0.05",
    )
    roll_gradient_deg_per_g: float = Field(
        0.0,
        ge=0.0,
        le=15.0,
        description="body roll over lateral acceleration, deg/g: its weight moves outwards with it; default 0",
    )
    pitch_gradient_deg_per_g: float | None = Field(
        None, ge=0.0, le=15.0, description="body pitch over longitudinal acceleration, deg/g; default 0 to 2"
    )
    rolling_radius_load_percent: float | None = Field(
        None,
        ge=0.0,
        le=2.0,
        description="fall of the rolling radius when the wheel load rises by the static load, %; default 0.2 to 0.55",
    )
    accelerometer_x_m: float | None = Field(
        None, ge=-3.0, le=3.0, description="accelerometer ahead of the centre of gravity, m; default within 0.7"
    )
    accelerometer_y_m: float | None = Field(
        None, ge=-1.5, le=1.5, description="accelerometer to the left of the centre of gravity, m; default within 0.35"
    )
    accelerometer_z_m: float | None = Field(
        None, ge=-1.0, le=1.5, description="accelerometer above the centre of gravity, m; taken as 0"
    )
    accelerometer_leans: bool | None = Field(
        None, description="true: bolted to the body and leans with it; false: corrected for it, or on unsprung parts"
    )
    drag_area_m2: float = Field(0.6, ge=0.0, le=3.0, description="drag coefficient times area, m2; default 0.6")
    downforce_area_m2: float = Field(
        0.0, ge=-2.0, le=12.0, description="downforce coefficient times area, m2; default 0"
    )
    downforce_front_fraction: float | None = Field(
        None, ge=0.0, le=1.0, description="share of downforce on the front axle; default the weight share"
    )
    front_brake_fraction: float = Field(
        0.62, ge=0.0, le=1.0, description="share of the brake force at the front; default 0.62"
    )
    rolling_resistance: float = Field(
        0.012, ge=0.0, le=0.06, description="rolling resistance coefficient; default 0.012"
    )
    tyre: Tyre = Tyre()
    uncertainty: CarUncertainty = CarUncertainty()

    @model_validator(mode="after")
    def _consistent(self) -> "Car":
        if self.yaw_inertia_kg_m2 is not None:
            index = self.yaw_inertia_kg_m2 / (self.mass_kg * self.cg_to_front_m * self.cg_to_rear_m)
            if not 0.3 <= index <= 3.0:
                raise ValueError(
                    f"yaw_inertia_kg_m2 is {self.yaw_inertia_kg_m2:g}, {index:.2g} times mass*a*b; allowed: 0.3 to 3 "
                    f"times, near {self.mass_kg * self.cg_to_front_m * self.cg_to_rear_m:.0f}. Check mass and inertia."
                )
        return self

    @property
    def cg_to_front_m(self) -> float:
        """a, distance from the centre of gravity to the front axle (m)."""
        return self.wheelbase_m * (1 - self.front_weight_fraction)

    @property
    def cg_to_rear_m(self) -> float:
        """b, distance from the centre of gravity to the rear axle (m)."""
        return self.wheelbase_m * self.front_weight_fraction

    def engine_inertia(self, *, ratio_logged: bool) -> tuple[float, float]:
        """Inertia of engine, flywheel and clutch at the crankshaft (kg m2), and how sure it is at the wheels: one
        standard deviation over it.

        Parameters
        ----------
        ratio_logged : the log has the engine's speed, so the gear ratio is known. Else that is a guess which leaves the
            inertia at the wheels known to a third, whatever the car file states.
        """
        usual = ENGINE_INERTIA_M2 * self.mass_kg
        stated = self.engine_inertia_kg_m2
        if stated is None or not ratio_logged:
            return stated or usual, ENGINE_INERTIA_SD
        return stated, self.uncertainty.engine_inertia_percent / 100 / 3**0.5  # limits: JCGM 100:2008, 4.3.7

    @property
    def yaw_inertia(self) -> float:
        """Iz in kg m2, m*a*b when the file is silent."""
        return self.yaw_inertia_kg_m2 or self.mass_kg * self.cg_to_front_m * self.cg_to_rear_m

    @property
    def rear_load_transfer(self) -> float:
        """Rear share of the lateral load transfer; a guess when the file is silent."""
        given = self.rear_load_transfer_fraction
        return 1 - self.front_weight_fraction - TRANSFER_UNDER_WEIGHT_SHARE if given is None else given

    @property
    def load_transfer_percent(self) -> float:
        """Limits of `rear_load_transfer`, plus and minus; at least those of a guess when the file is silent."""
        stated = self.uncertainty.load_transfer_percent
        return max(stated, TRANSFER_SILENT_PERCENT) if self.load_transfer_is_guessed else stated

    @property
    def load_transfer_is_guessed(self) -> bool:
        """The file is silent on the rear's share, which bends the lock curve as other parts would."""
        return self.rear_load_transfer_fraction is None

    @property
    def load_figures(self) -> dict[str, float]:
        """The car's figures as `tyres.wheel_loads` takes them."""
        return dict(
            mass_kg=self.mass_kg,
            wheelbase_m=self.wheelbase_m,
            cg_height_m=self.cg_height_m,
            front_weight_fraction=self.front_weight_fraction,
            front_track_m=self.front_track_m,
            rear_track_m=self.rear_track_m,
            rear_transfer_share=self.rear_load_transfer,
            roll_gradient_rad_per_g=self.roll_gradient_rad_per_g,
            front_downforce_share=self.front_downforce_share,
        )

    @property
    def roll_gradient_rad_per_g(self) -> float:
        """Body roll over lateral acceleration (rad/g)."""
        return float(np.radians(self.roll_gradient_deg_per_g))

    def radius_fall(self, silent: float, silent_sd: float) -> tuple[float, float]:
        """Relative fall of the rolling radius per mean static wheel load (1): value and standard deviation.

        Parameters
        ----------
        silent, silent_sd : the answer where the car file does not state it.
        """
        stated = self.rolling_radius_load_percent
        if stated is None:
            return silent, silent_sd
        return stated / 100, self.uncertainty.rolling_radius_load_percent / 100 / np.sqrt(3)

    def sensor_place(self, axis: str, silent_sd_m: float) -> tuple[float, float]:
        """Place of the accelerometer from the centre of gravity (m): value and standard deviation.

        Parameters
        ----------
        axis : `x`, forward positive, or `y`, left positive.
        silent_sd_m : standard deviation about 0 where the car file does not state it.
        """
        stated = self.accelerometer_x_m if axis == "x" else self.accelerometer_y_m
        if stated is None:
            return 0.0, silent_sd_m
        return stated, self.uncertainty.accelerometer_place_m / np.sqrt(3)

    def roll_lean(self, silent: float, silent_sd: float) -> tuple[float, float]:
        """What gravity adds to the lateral accelerometer's reading, as a share of it (1): value and standard deviation.

        Parameters
        ----------
        silent, silent_sd : the answer where the car file has no roll gradient, or one of 0.

        Notes
        -----
        A body that rolls by G rad per g shows the sensor G times the acceleration; 0 of a sensor that does not lean,
        and midway, with the deviation of either, where the file does not say whether it does.
        """
        return self._lean(self.roll_gradient_deg_per_g or None, silent, silent_sd)

    def pitch_lean(self, silent: float, silent_sd: float) -> tuple[float, float]:
        """The same along the car, by the pitch gradient.

        Parameters
        ----------
        silent, silent_sd : the answer where the car file has no pitch gradient; a stated 0 is an answer.
        """
        return self._lean(self.pitch_gradient_deg_per_g, silent, silent_sd)

    def _lean(self, gradient_deg_per_g: float | None, silent: float, silent_sd: float) -> tuple[float, float]:
        if self.accelerometer_leans is False:
            return 0.0, 0.0
        if gradient_deg_per_g is None:
            return silent, silent_sd
        limits = float(np.radians(self.uncertainty.roll_gradient_deg_per_g)) / np.sqrt(3)
        stated = float(np.radians(gradient_deg_per_g))
        if self.accelerometer_leans:
            return stated, limits
        # whether the logger corrects for it is not said
        return stated / 2, float(np.hypot(limits, stated / np.sqrt(12)))

    @property
    def front_downforce_share(self) -> float:
        """Front share of the downforce, the front weight share when the file is silent."""
        given = self.downforce_front_fraction
        return self.front_weight_fraction if given is None else given

    @property
    def rolling_radii_m(self) -> FloatArray:
        """(4,) rolling radii front left, front right, rear left, rear right (m)."""
        front, rear = self.front_rolling_radius_m, self.rear_rolling_radius_m
        return np.array([front, front, rear, rear])


def load_car(path: Path | str) -> Car:
    """Read and check a car file.

    Raises
    ------
    InputError : the file cannot be read or a key is wrong; the message names key, value, range and mend.
    """
    return load_table(Car, path, table_name="car")
