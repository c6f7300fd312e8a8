"""The one table of channels: canonical name, what it is, canonical file unit, unit inside.

Axes and signs follow ISO 8855:2011: x forward, y left, z up; steer, yaw rate and lateral
acceleration are positive in a left turn.
"""

from dataclasses import dataclass

from analyzer.in_words import capitalised


@dataclass(frozen=True)
class Channel:
    """One canonical channel.

    Attributes
    ----------
    name : canonical column name in files.
    quantity : key of `analyzer.units.QUANTITIES`; decides which units are allowed.
    file_unit : unit of a file that uses the canonical name and states no unit.
    label : words for a person.
    required : True when `analyze` cannot work without it.
    """

    name: str
    quantity: str
    file_unit: str
    label: str
    required: bool = False

    @property
    def heading(self) -> str:
        """`label` as a sentence begins."""
        return capitalised(self.label)


CHANNELS: dict[str, Channel] = {
    c.name: c
    for c in (
        Channel("time", "time", "s", "time", required=True),
        Channel("wheel_speed_fl", "wheel_speed", "km/h", "front left wheel speed"),
        Channel("wheel_speed_fr", "wheel_speed", "km/h", "front right wheel speed"),
        Channel("wheel_speed_rl", "wheel_speed", "km/h", "rear left wheel speed", required=True),
        Channel("wheel_speed_rr", "wheel_speed", "km/h", "rear right wheel speed", required=True),
        Channel("throttle", "fraction", "%", "throttle", required=True),
        Channel("steer", "angle", "deg", "steering-wheel angle", required=True),
        Channel("lat_g", "acceleration", "g", "lateral acceleration", required=True),
        Channel("long_g", "acceleration", "g", "longitudinal acceleration"),
        Channel("yaw_rate", "angular_speed", "deg/s", "yaw rate"),
        Channel("brake", "pressure", "bar", "brake"),
        Channel("gps_speed", "speed", "km/h", "GPS speed"),
        Channel("latitude", "angle", "deg", "latitude"),
        Channel("longitude", "angle", "deg", "longitude"),
        Channel("engine_speed", "angular_speed", "rpm", "engine speed"),
        Channel("gear", "count", "1", "gear"),
        Channel("engine_torque", "torque", "N.m", "engine torque"),
        Channel("lap", "count", "1", "lap number"),
        Channel("diff_temperature", "temperature", "degC", "differential temperature"),
    )
}

WHEELS = ("fl", "fr", "rl", "rr")
WHEEL_CHANNELS = tuple(f"wheel_speed_{w}" for w in WHEELS)
