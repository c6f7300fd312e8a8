"""Signs and sides, from the physics: in a left turn the right wheels run faster, and yaw rate, lateral acceleration
and steer are positive (ISO 8855). What contradicts the rest is turned over when certain, and always reported."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import CHANNELS
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.log_stretches import read_off, rough_speed_m_s, wheel_speeds_m_s

RATE_HZ = 10.0  # as in `log_view`: what a car does as a whole is under 2 Hz
CLEAR = 0.5  # correlation beyond which two signals say the same, or the opposite
MOVING_M_S = 7.0
TURN_CHANNELS = ("yaw_rate", "lat_g", "steer")
# Off the throttle a rear axle turns with the front one, at most not at all (locked): the slope of its difference over
# that of the front is never below zero but for noise. Beyond the first figure it is said, beyond the second put right.
DOUBTFUL_SLOPE, WRONG_SLOPE = -0.05, -0.15
Read = Callable[[FloatArray], FloatArray]  # a channel's samples to its values on the grid
DRIVEN_SLIP = 0.005  # driven wheels run this much faster on power than rolling; a hard-driven car shows 0.01 and more


@dataclass(frozen=True)
class _Turning:
    """Everything that tells left from right, on a 10 Hz grid: `turn` holds signals that grow with the path's
    curvature."""

    turn: dict[str, FloatArray]
    front: FloatArray | None
    rear: FloatArray | None
    position: FloatArray | None
    speed: FloatArray
    moving: BoolArray
    coasting: BoolArray
    change: FloatArray


def settle_signs(recording: Recording) -> tuple[Recording, tuple[Annotation, ...]]:
    """Turn over channels and swap wheels whose sign or side the rest of the log contradicts.

    Parameters
    ----------
    recording : as read.

    Returns
    -------
    The recording with what is certain put right, and annotations for everything found, also where it cannot be told.
    """
    if recording.time_s[-1] < 10 or len(recording.time_s) < 100:
        return recording, ()
    notes: list[Annotation] = []
    read = read_off(recording.time_s, np.arange(0.0, recording.time_s[-1], 1 / RATE_HZ))
    view = _view(recording, read)
    for settle in (_settle_pedals, _settle_ends, _settle_sides):
        settled, found = settle(recording, view, read)
        if settled is not recording:
            recording, view = settled, _view(settled, read)
        notes.extend(found)
    return recording, tuple(notes)


def _settle_pedals(recording: Recording, view: _Turning, read: Read) -> tuple[Recording, list[Annotation]]:
    """Longitudinal acceleration against the change of speed, throttle against acceleration."""
    notes: list[Annotation] = []
    if "long_g" in recording.channels:
        together = _together(read(recording.channels["long_g"]), view.change, view.moving)
        if together < -CLEAR:
            recording, note = _turned_over(
                recording, "long_g", f"it falls when the car gains speed (correlation {together:.2f})"
            )
            notes.append(note)
    if "throttle" in recording.channels:
        together = _together(read(recording.channels["throttle"]), view.change, view.moving)
        if together < -CLEAR:
            values = np.nanmax(recording.channels["throttle"]) + np.nanmin(recording.channels["throttle"])
            channels = {**recording.channels, "throttle": values - recording.channels["throttle"]}
            recording = replace(recording, channels=channels, history=(*recording.history, "turned the throttle over"))
            words = (
                f"Throttle reads high when closed (correlation {together:.2f} with acceleration); it was turned over."
            )
            notes.append(Annotation("sign_flipped", "warning", "throttle", None, None, words))
    return recording, notes


def _settle_ends(recording: Recording, view: _Turning, read: Read) -> tuple[Recording, list[Annotation]]:
    """Front and rear wheels, from the slip of the driven axle on power and of the front axle under braking."""
    wheels = wheel_speeds_m_s(recording)
    if len(wheels) < 4 or "throttle" not in recording.channels:
        return recording, []
    front, rear = (
        (read(recording.channels[f"wheel_speed_{end}l"]) + read(recording.channels[f"wheel_speed_{end}r"])) / 2
        for end in ("f", "r")
    )
    throttle = read(recording.channels["throttle"])
    gentle = view.moving & _gentle(view)
    ratio = np.where(gentle, rear / np.where(front > 0, front, np.nan), np.nan)
    rolling = gentle & (throttle < 0.05) & (view.change > -2.0)
    power = gentle & (throttle > 0.6) & (view.change > 0.5)
    braking = gentle & (view.change < -4.0)
    if power.sum() < 50 or rolling.sum() < 10:
        return recording, []
    base = np.nanmedian(ratio[rolling])
    on_power = np.nanmedian(ratio[power]) - base
    on_brakes = np.nanmedian(ratio[braking]) - base if braking.sum() >= 20 else 0.0
    if on_power > -DRIVEN_SLIP:
        return recording, []
    words = f"On power the front wheels run {-on_power:.1%} faster than the rear ones, which are driven"
    if on_brakes > -DRIVEN_SLIP / 2:
        note = f"{words}; front and rear may be swapped, check the wheel speed channels."
        return recording, [Annotation("ends_doubtful", "warning", None, None, None, note)]
    pairs = (("wheel_speed_fl", "wheel_speed_rl"), ("wheel_speed_fr", "wheel_speed_rr"))
    note = (
        f"{words}, and {-on_brakes:.1%} faster under braking: front and rear were swapped in the log, and were "
        "put right."
    )
    return _swapped(recording, pairs, "front and rear"), [
        Annotation("wheels_swapped", "warning", None, None, None, note)
    ]


def _settle_sides(recording: Recording, view: _Turning, read: Read) -> tuple[Recording, list[Annotation]]:
    """Left and right: sensors against the front wheels, the rear wheels where they roll freely, and the position."""
    notes: list[Annotation] = []
    recording, view, rear_notes = _settle_rear(recording, view, read)
    notes += rear_notes
    recording, view, whole_notes = _settle_by_position(recording, view, read)
    notes += whole_notes
    witness, words = _witness(view)
    if witness is None:
        return recording, [*notes, *_sensors_alone(view)]
    signs = {name: _together(values, witness, view.moving) for name, values in view.turn.items()}
    against = [name for name, r in signs.items() if r < -CLEAR]
    with_it = [name for name, r in signs.items() if r > CLEAR]
    for name in signs.keys() - {*against, *with_it}:
        note = (
            f"{CHANNELS[name].heading} hardly follows {words} (correlation {signs[name]:.2f}); its sign cannot be "
            "verified."
        )
        notes.append(Annotation("sign_unverified", "warning", name, None, None, note))
    if against and not with_it and view.position is None and view.front is not None:
        note = (
            "Wheel speeds, taken as left and right, contradict every other channel: either these count right turns "
            "positive, or left and right wheels are swapped. Both give the same answer with left and right exchanged; "
            "right-positive is assumed."
        )
        notes.append(Annotation("sides_exchanged", "warning", None, None, None, note))
    for name in against:
        recording, turned = _turned_over(recording, name, f"it runs against {words} (correlation {signs[name]:.2f})")
        notes.append(turned)
    return recording, notes


def _settle_rear(recording: Recording, view: _Turning, read: Read) -> tuple[Recording, _Turning, list[Annotation]]:
    """One axle whose sides run against the other axle while coasting: the sensors or the position tell which one."""
    if view.front is None or view.rear is None:
        return recording, view, []
    use = view.moving & view.coasting
    slope, together = _slope(view.front, view.rear, use), _together(view.front, view.rear, use)
    if together > -CLEAR or slope > DOUBTFUL_SLOPE:
        return recording, view, []
    judges = [view.position] if view.position is not None else list(view.turn.values())
    votes = [_together(view.front, judge, view.moving) for judge in judges]
    front_right = sum(v > CLEAR for v in votes)
    front_wrong = sum(v < -CLEAR for v in votes)
    words = f"Off the throttle the front and the rear wheels tell opposite turns (slope {slope:.2f})"
    if slope > WRONG_SLOPE or (front_right and front_wrong) or not (front_right or front_wrong):
        note = f"{words}; left and right of one axle may be swapped, check the wheel speed channels."
        return recording, view, [Annotation("sides_doubtful", "warning", None, None, None, note)]
    end, name = ("r", "rear") if front_right else ("f", "front")
    recording = _swapped(recording, ((f"wheel_speed_{end}l", f"wheel_speed_{end}r"),), f"{name} left and right")
    note = f"{words}: {name} left and right were swapped in the log, and were put right."
    return recording, _view(recording, read), [Annotation("wheels_swapped", "warning", None, None, None, note)]


def _settle_by_position(
    recording: Recording, view: _Turning, read: Read
) -> tuple[Recording, _Turning, list[Annotation]]:
    """Both axles against the position: all wheels are mirrored where a sensor goes with the position, and the position
    itself is, where every sensor goes with the wheels."""
    if view.position is None or view.front is None or _together(view.front, view.position, view.moving) > -CLEAR:
        return recording, view, []
    votes = [_together(values, view.position, view.moving) for values in view.turn.values()]
    if any(vote > CLEAR for vote in votes):
        axles = (("wheel_speed_fl", "wheel_speed_fr"), ("wheel_speed_rl", "wheel_speed_rr"))
        pairs = tuple(axle for axle in axles if set(axle) <= recording.channels.keys())
        note = (
            "The wheels run against the path of the position and the sensors that go with it: left and right "
            "of all wheels were swapped in the log, and were put right."
        )
        recording = _swapped(recording, pairs, "left and right of all wheels")
        return recording, _view(recording, read), [Annotation("wheels_swapped", "warning", None, None, None, note)]
    # the wheels and every sensor say the same: it is the position that is mirrored, and it is no witness
    return recording, replace(view, position=None), []


def _witness(view: _Turning) -> tuple[FloatArray | None, str]:
    """What decides left and right: the position, the front wheels, or rear wheels that roll freely."""
    if view.position is not None:
        return view.position, "the path of the position"
    if view.front is not None:
        return view.front, "the front wheels' difference"
    if view.rear is not None:
        use = view.moving & view.coasting
        free = [abs(_together(view.rear, values, use)) for values in view.turn.values()]
        if use.sum() > 100 and free and min(free) > 0.7:
            return np.where(use, view.rear, 0.0), "the rear wheels' difference off the throttle"
    return None, ""


def _sensors_alone(view: _Turning) -> list[Annotation]:
    """Without a witness: do the sensors agree among themselves."""
    names = list(view.turn)
    notes = []
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            if _together(view.turn[first], view.turn[second], view.moving) < -CLEAR:
                note = (
                    f"{CHANNELS[first].heading} and {CHANNELS[second].label} have opposite signs; this log "
                    "can't show which is right."
                )
                notes.append(Annotation("sign_conflict", "warning", second, None, None, note))
    words = "No pair of freely rolling wheels and no position: left and right of the wheels cannot be verified."
    return [*notes, Annotation("sides_unverified", "info", None, None, None, words)]


def _view(recording: Recording, read: Read) -> _Turning:
    speed = read(np.nan_to_num(rough_speed_m_s(recording)))
    change = np.gradient(_smooth(speed), 1 / RATE_HZ)
    moving = speed > MOVING_M_S
    floor = np.maximum(speed, MOVING_M_S)
    turn = {}
    for name in TURN_CHANNELS:
        if name in recording.channels:
            values = read(recording.channels[name])
            turn[name] = _smooth(values / floor if name == "lat_g" else values * floor if name == "steer" else values)
    wheels = wheel_speeds_m_s(recording)
    pairs = {}
    for end in "fr":
        left, right = f"wheel_speed_{end}l", f"wheel_speed_{end}r"
        if left in wheels and right in wheels:
            difference = read(recording.channels[right]) - read(recording.channels[left])
            ratio = np.median((difference / floor)[moving]) if moving.any() else 0.0
            pairs[end] = _smooth(difference - ratio * speed)  # scale errors of the channels grow with speed
    free = change > -3.0  # a braked front wheel slips
    throttle = read(recording.channels["throttle"]) if "throttle" in recording.channels else np.zeros(len(speed))
    coasting = free & (throttle < 0.1)
    front = pairs["f"] * free if "f" in pairs else None
    return _Turning(turn, front, pairs.get("r"), _heading_rate(recording, read), speed, moving, coasting, change)


def _heading_rate(recording: Recording, read: Read) -> FloatArray | None:
    """Rate of the path's heading (left positive) from latitude and longitude, None without a usable position."""
    if not {"latitude", "longitude"} <= recording.channels.keys():
        return None
    latitude, longitude = read(recording.channels["latitude"]), read(recording.channels["longitude"])
    east = _smooth(_smooth(longitude * np.cos(np.median(latitude))))
    north = _smooth(_smooth(latitude))
    if np.ptp(east) + np.ptp(north) < 1e-5:  # about 60 m on the ground
        return None
    heading = np.unwrap(np.arctan2(np.gradient(north), np.gradient(east)))
    return _smooth(np.gradient(heading, 1 / RATE_HZ))


def _gentle(view: _Turning) -> BoolArray:
    """Straights: where every turning signal is small."""
    result = np.ones(len(view.speed), bool)
    for values in view.turn.values():
        centred = np.abs(values - np.median(values))
        result &= centred < 0.35 * np.percentile(centred, 95)
    return result


def _smooth(values: FloatArray) -> FloatArray:
    """A centred mean over half a second, which also hides small delays between channels."""
    return np.convolve(np.pad(values, 2, mode="edge"), np.full(5, 0.2), mode="valid")


def _centred(a: FloatArray, b: FloatArray, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    if use.sum() < 30:
        return np.zeros(1), np.zeros(1)
    result = []
    for values in (a[use], b[use]):
        values = values - np.median(values)
        result.append(np.clip(values, *np.percentile(values, [1, 99])))
    return result[0], result[1]


def _together(a: FloatArray, b: FloatArray, use: BoolArray) -> float:
    """Correlation of two signals, outliers clipped; 0 where there is none."""
    a, b = _centred(a, b, use)
    scale = np.sqrt(np.dot(a, a) * np.dot(b, b))
    return float(np.dot(a, b) / scale) if scale > 0 else 0.0


def _slope(x: FloatArray, y: FloatArray, use: BoolArray) -> float:
    x, y = _centred(x, y, use)
    return float(np.dot(x, y) / np.dot(x, x)) if x.any() else 0.0


def _turned_over(recording: Recording, name: str, why: str) -> tuple[Recording, Annotation]:
    channels = {**recording.channels, name: -recording.channels[name]}
    note = Annotation("sign_flipped", "warning", name, None, None, f"{CHANNELS[name].heading} was turned over: {why}.")
    return replace(recording, channels=channels, history=(*recording.history, f"turned {name} over")), note


def _swapped(recording: Recording, pairs: tuple[tuple[str, str], ...], words: str) -> Recording:
    channels, sources = dict(recording.channels), dict(recording.sources)
    for first, second in pairs:
        channels[first], channels[second] = channels[second], channels[first]
        if first in sources and second in sources:
            sources[first], sources[second] = sources[second], sources[first]
    return replace(recording, channels=channels, sources=sources, history=(*recording.history, f"swapped {words}"))
