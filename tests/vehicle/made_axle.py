"""A car, its nuisance values at their starts, and steady corners as the axle equations see them. Invented figures."""

import numpy as np

from analyzer.signals.session import Sensors
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import priors


def made_car(**changes) -> Car:
    """A rear-driven car without drag or rolling resistance unless asked for."""
    figures = dict(
        mass_kg=1180,
        wheelbase_m=2.42,
        front_weight_fraction=0.45,
        cg_height_m=0.47,
        front_track_m=1.45,
        rear_track_m=1.47,
        front_rolling_radius_m=0.312,
        rear_rolling_radius_m=0.312,
        steering_ratio=14.5,
        drag_area_m2=0.0,
        rolling_resistance=0.0,
        wheel_inertia_kg_m2=1.1,
    )
    return Car(**(figures | changes))


IDEAL = dict(radius_fall=0.0, radius_bend=0.0, lat_gain=0.0, long_gain=0.0)  # stiff tyres, a sensor that does not lean


def starts(car: Car, **changes: float) -> dict[str, float]:
    """Nuisance values at their priors' starts, tyres and sensor ideal, but for `changes`."""
    return {p.name: p.start for p in priors(car, sensors=Sensors(), long_bias_sd_m_s2=0.03)} | IDEAL | changes


def made_inputs(
    *, speed=20.0, lat=0.0, long=0.0, left_slip=0.0, right_slip=0.0, steer=0.0, left_acc=0.0, right_acc=0.0,
    yaw_acc=0.0, track=1.47, front_sd=0.05, front_difference_sd=1e6,
) -> AxleInputs:  # fmt: skip
    """Steady corner at `speed` of the middle of the rear axle; slips make the wheel speeds. Values or (n,) arrays."""
    speed, lat, long, left_slip, right_slip, steer, left_acc, right_acc, yaw_acc = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (
            speed, lat, long, left_slip, right_slip, steer, left_acc, right_acc, yaw_acc))
    )  # fmt: skip
    yaw = lat / speed
    return AxleInputs(
        left_m_s=(speed - yaw * track / 2) * (1 + left_slip),
        right_m_s=(speed + yaw * track / 2) * (1 + right_slip),
        left_acc_m_s2=left_acc,
        right_acc_m_s2=right_acc,
        front_m_s=speed.copy(),
        front_sd_m_s=np.full(speed.shape, front_sd),
        front_left_share=np.full(speed.shape, 0.5),
        front_difference_m_s=np.zeros(speed.shape),
        front_difference_sd_m_s=np.full(speed.shape, front_difference_sd),
        steer_rad=steer,
        lat_m_s2=lat,
        long_m_s2=long,
        yaw_rad_s=yaw,
        yaw_acc_rad_s2=yaw_acc,
        front_brake_N=np.zeros(speed.shape),
        long_from_speed=np.zeros(speed.shape),
        lat_from_yaw=np.zeros(speed.shape),
        speed_by_satellite=np.zeros(speed.shape),
    )
