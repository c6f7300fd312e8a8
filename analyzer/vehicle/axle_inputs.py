"""What the axle's equations are made of: the measured channels, and the figures of car and tyre that a fit may move.

Speeds are in units of the wheels as the car file has their radii: a true speed is exp(log_speed_scale) times that.

The accelerometer sits at (x, y) from the centre of gravity (ISO 8855), turned by psi about the vertical, and leans with
the body. It reads

    a_x' = (1 + g_x) (a_x - r^2 x - dr/dt y) + psi a_y + bias
    a_y' = (1 + g_y) (a_y + dr/dt x - r^2 y) - psi a_x + bias,

g_x and g_y the sensor's scale and what gravity adds as the body pitches and rolls: g times the angle, which goes with
the acceleration itself. To first order in all of these, that is undone here.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.long_arrays import taken
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import sine_and_cosine

# Of the weight: noise of the longitudinal force by an accelerometer, and by the change of wheel speed that stands in
# for one. Behind the fit's low-pass, random cars 300 to 307 with everything err by 0.005 to 0.016 g and by 0.023 to
# 0.046 g (scatter about the truth), smooth ones (300 to 303) by 0.003 to 0.004 g and 0.003 to 0.008 g. As the latter
# differs from log to log and nothing measures it yet, it is taken for that of smooth ones, and `lockcurve/loss.py` does
# not take scatter for slip there, which makes up for it.
LONG_FORCE_SD_SHARE, CHANGE_SD_SHARE = 0.01, 0.005

Values = dict[str, Any]  # parameter -> its value (float), or one a sample (n,)


@dataclass(frozen=True)
class AxleInputs:
    """Measured side of the axle, all (n,), SI. `front_m_s` is the speed of the front axle's middle along its wheels, in
    which the left wheel counts `front_left_share`; `front_difference_m_s` is right less left as logged; their
    deviations are large where the wheels cannot be trusted, the difference's also where no gyro tells the yaw rate;
    `front_brake_N` is the force of the front brakes, 0 where they are off; `long_from_speed` is 1 where `long_m_s2` is
    only the change of speed, 0 where an accelerometer measured it; `lat_from_yaw` is 1 where `lat_m_s2` is worked out
    from speed and yaw rate; `speed_by_satellite` is 1 where `front_m_s` is no
    wheel's speed but that of the centre of gravity over ground."""

    left_m_s: FloatArray
    right_m_s: FloatArray
    left_acc_m_s2: FloatArray
    right_acc_m_s2: FloatArray
    front_m_s: FloatArray
    front_sd_m_s: FloatArray
    front_left_share: FloatArray
    front_difference_m_s: FloatArray
    front_difference_sd_m_s: FloatArray
    steer_rad: FloatArray
    lat_m_s2: FloatArray
    long_m_s2: FloatArray
    yaw_rad_s: FloatArray
    yaw_acc_rad_s2: FloatArray
    front_brake_N: FloatArray
    long_from_speed: FloatArray
    lat_from_yaw: FloatArray
    speed_by_satellite: FloatArray

    def take(self, where: BoolArray | IntArray | slice) -> "AxleInputs":
        """The samples `where` (bool, index or slice)."""
        return taken(self, where)

    def __len__(self) -> int:
        return len(self.left_m_s)


def tyre_figures(value: Values, car: Car) -> Values:
    """The rear tyres' figures, as `tyres.wheel_forces` takes them.

    Parameters
    ----------
    value : nuisance parameters as `parameters.priors` names them; logarithms multiply the car file's figure.

    Returns
    -------
    dict : floats, or (n,) where a parameter has a value for each sample.
    """
    mass = car.mass_kg * np.exp(value["log_mass"])
    friction, stiffness = np.exp(value["log_friction"]), np.exp(value["log_slip_stiffness"])
    return dict(
        static_load_N=mass * STANDARD_GRAVITY_M_S2 * (1 - car.front_weight_fraction) / 2,
        slip_stiffness=stiffness,
        cornering_stiffness=stiffness * np.exp(value["log_cornering_ratio"]),
        friction_x=friction,
        friction_y=friction * np.exp(value["log_friction_ratio"]),
        friction_fall=value["friction_fall"],
        stiffness_fall=value["stiffness_fall"],
        shape=value["shape"],
        combined_weight=value["combined_weight"],
    )


@dataclass(frozen=True)
class Given:
    """What the equations take from inputs and parameters whatever the state is. Arrays (n,); figures are those too,
    where a parameter has a value for each sample."""

    along_m_s2: FloatArray  # without what the speed does not show
    across_m_s2: FloatArray
    unseen: FloatArray
    long_sd_share: FloatArray  # noise of the longitudinal force over the weight
    half_yaw_m_s: FloatArray  # yaw rate times half the rear track, as the wheels' radii have speeds
    front_yaw_m_s: FloatArray  # yaw rate times half the front track along the wheels, the same
    led_m_s: FloatArray  # by this much `front_m_s` was led from each front wheel to the middle
    yaw_rad_s: FloatArray  # over the wheels' scale of speed
    sin: FloatArray
    cos: FloatArray
    left_m_s: FloatArray
    right_m_s: FloatArray
    spin_up_N: FloatArray  # per front wheel, which gains speed with the car
    front_brake_N: FloatArray
    turning_Nm: FloatArray  # moments about the front axle that the rear one answers to
    front_lateral_N: FloatArray
    front_m_s: FloatArray
    front_sd_m_s: FloatArray
    front_left_share: FloatArray
    front_difference_m_s: FloatArray
    front_difference_sd_m_s: FloatArray
    by_satellite: BoolArray  # bool
    front_scale: FloatArray  # logarithm of the front speed's scale
    front_side_scale: float  # logarithm of front left over front right
    static_front_N: float  # of one wheel
    mean_load_N: float  # of a wheel at rest
    mass_kg: float
    drag: float  # force over dynamic pressure (m2)
    downforce: float
    rolling: float
    rear_front_growth: float
    radius_fall: float
    radius_bend: float
    tyre: Values
    loads: Values

    @property
    def radius(self) -> Values:
        """How the rolling radius goes with load, as `rolling_radius` takes it."""
        return dict(mean_load_N=self.mean_load_N, fall=self.radius_fall, bend=self.radius_bend)


def given_by(value: Values, inputs: AxleInputs, car: Car) -> Given:
    """`Given` of the inputs: measured channels with offsets, scales and the sensor's place taken off.

    Parameters
    ----------
    value : nuisance parameters as `parameters.priors` names them, a float or (n,) each.
    inputs : n samples.

    Returns
    -------
    Given : speeds and yaw rate in units of the wheels (see the module), not true ones.
    """
    mass = car.mass_kg * np.exp(value["log_mass"])
    turning = (inputs.yaw_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"])
    yaw = turning * np.exp(-value["log_speed_scale"])
    along, across = accelerations(value, inputs, turning)
    sin, cos = sine_and_cosine(inputs.steer_rad - value["steer_offset"])
    half_front = car.front_track_m * np.exp(value["log_front_track"]) / 2
    scale = np.exp(value["rear_left_right_scale"] / 2)
    swing = car.yaw_inertia * inputs.yaw_acc_rad_s2
    return Given(
        along_m_s2=along,
        across_m_s2=across,
        unseen=inputs.long_from_speed * yaw,
        long_sd_share=np.where(inputs.long_from_speed > 0, CHANGE_SD_SHARE, LONG_FORCE_SD_SHARE),
        half_yaw_m_s=yaw * car.rear_track_m / 2,
        front_yaw_m_s=yaw * half_front * cos,
        led_m_s=inputs.yaw_rad_s * car.front_track_m / 2 * np.cos(inputs.steer_rad),
        yaw_rad_s=yaw,
        sin=sin,
        cos=cos,
        left_m_s=inputs.left_m_s * scale,
        right_m_s=inputs.right_m_s / scale,
        spin_up_N=car.wheel_inertia_kg_m2 * inputs.long_m_s2 / car.front_rolling_radius_m**2,
        front_brake_N=inputs.front_brake_N,
        turning_Nm=mass * across * car.cg_to_front_m - swing,
        front_lateral_N=(mass * across * car.cg_to_rear_m + swing) / car.wheelbase_m,
        front_m_s=inputs.front_m_s,
        front_sd_m_s=inputs.front_sd_m_s,
        front_left_share=inputs.front_left_share,
        front_difference_m_s=inputs.front_difference_m_s,
        front_difference_sd_m_s=inputs.front_difference_sd_m_s,
        by_satellite=inputs.speed_by_satellite > 0,
        front_scale=value["rear_front_scale"] + value["front_left_right_scale"] * (inputs.front_left_share - 0.5),
        front_side_scale=value["front_left_right_scale"],
        static_front_N=mass * STANDARD_GRAVITY_M_S2 * car.front_weight_fraction / 2,
        mean_load_N=mass * STANDARD_GRAVITY_M_S2 / 4,
        mass_kg=mass,
        drag=car.drag_area_m2 * np.exp(value["log_drag"]),
        downforce=car.downforce_area_m2 * np.exp(value["log_downforce"]),
        rolling=car.rolling_resistance * np.exp(value["log_rolling_resistance"]),
        rear_front_growth=value["rear_front_growth"],
        radius_fall=value["radius_fall"],
        radius_bend=value["radius_bend"],
        tyre=tyre_figures(value, car),
        loads=car.load_figures
        | dict(
            mass_kg=mass,
            cg_height_m=car.cg_height_m * np.exp(value["log_cg_height"]),
            rear_transfer_share=car.rear_load_transfer * np.exp(value["log_load_transfer"]),
            cross_weight=value["cross_weight"],
        ),
    )


def accelerations(value: Values, inputs: AxleInputs, yaw_rad_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Specific force at the centre of gravity along and across the car, from what the sensor reads where it sits.

    A change of speed that stands in for the sensor sits nowhere, and has the scales of the clock and the wheels
    (`change_gain`).

    Parameters
    ----------
    value : nuisance parameters; of them the sensor's place, turn, gains and zeros count.
    inputs : n samples as logged.
    yaw_rad_s : (n,) true yaw rate, left positive: without its zero and in the gyro's right scale.

    Returns
    -------
    tuple : forward and left positive (m/s2), (n,) each.

    Notes
    -----
    The module's two equations solved for a_x and a_y to first order.
    """
    measured, sideways = 1.0 - inputs.long_from_speed, 1.0 - inputs.lat_from_yaw
    squared, swing = yaw_rad_s**2, inputs.yaw_acc_rad_s2
    x, y, turned = value["sensor_x_m"], value["sensor_y_m"], value["sensor_turned"]
    along = inputs.long_m_s2 - value["long_bias"]
    across = inputs.lat_m_s2 - value["lat_bias"]
    place = x * squared + y * swing
    stands_in = inputs.long_from_speed * value["change_gain"]
    return (
        along * (1.0 - stands_in) - measured * (value["long_gain"] * along + turned * across - place),
        across - sideways * (value["lat_gain"] * across - turned * measured * along + swing * x - squared * y),
    )
