"""What a session gives the fit: observations, priors, and what its channels say of each other as a whole: the
sensors' gains and places, and the zero along the car. A session that comes in stretches is thinned evenly.

A sensor unit (x, y) from the centre of gravity that leans with the body reads, off the brakes,

    a_y' = (1 + g) (v r + dv_y/dt) + x dr/dt - y r^2 + zero,      v_y = b r - K v a_y - K3 v a_y^3
    a_x' = dv/dt - r v_y - x r^2 - y dr/dt + zero

with the side slip of a car on its tyres, whose factors the session tells. b + x stands before both dr/dt and -r^2,
so x itself is told as badly as the tyres' lag (0.2 to 0.4 m off on simulated cars); g and y are told well. Gain is g
with the scale of the gyro and of the speed, for it is a_y' over v r.

The road's slope adds to a_x' what passes for the sensor's zero on straights that climb. But it is a function of the
place, and adds up to nothing over a lap.

Observations of a session that comes in stretches, thinned evenly to what a fit takes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.problem import FIRST, MOST_SAMPLES, LogPart, Problem, hold_sd_Nm, joined, log_part, owners_of
from analyzer.lockcurve.unknowns import Measured, Owner, unknowns
from analyzer.long_arrays import array_names
from analyzer.phases.phases import Laps
from analyzer.signals.session import Sensors, Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import Prior, priors

ROWS_HZ = 20.0  # filtered signals hold nothing new between rows
SLOW_HZ = 1.0  # slower than the tyres' lag and the filters of the sensors
PASS_S = 10.0  # a corner with its way in and out errs as a whole
MOST_ROWS = 150_000  # 2 hours; more tells nothing new of what holds for the session
LEAST_ROWS = 600  # half a minute
REACH = 3.0  # deviations, beyond which a row loses weight
# deviations of rows, and of the unknowns before the session is looked at: any car's
LATERAL_SD, LONGITUDINAL_SD = (0.10, 0.03), (0.15, 0.05)  # m/s2, and share of what is read
UNKNOWNS = ("gain", "lateral zero", "yaw zero", "b + x", "K", "K3", "y", "longitudinal zero", "slope of speed")
UNKNOWN_SD = np.array([0.1, 0.3, 0.02, 3.0, 20.0, 20.0, 1.0, 0.3, 0.1])
K_UNIT, K3_UNIT = 1e-3, 1e-5  # rad per m/s2, rad per (m/s2)^3
# What such a form does not know: a bank of 0.5 degrees where the car corners reads as 0.9 % of gain at 1 g, the tyres'
# lag as some of the place
GAIN_FLOOR, PLACE_FLOOR_M = 0.012, 0.05
ZERO_FLOOR_M_S2 = 0.02  # drift of an accelerometer and its mounting within a session; common practice, no source
# Slope of a circuit, and how far it goes before it changes; common practice, no source
SLOPE_SD, SLOPE_LENGTH_M = 0.03, 120.0
BIN_M, LEAST_BINS, MOST_BINS = 30.0, 12, 240
BIN_SD_M_S2 = 0.05  # of a lap's mean in one bin: bumps, wind, gear shifts
CALM_M_S2 = 3.0  # of lateral acceleration; harder cornering slides by what the side slip's form does not know
MOST_LAPS = 60
KEPT = 4 * MOST_SAMPLES  # the fit's own thinning then costs a quarter of its samples at most


@dataclass(frozen=True)
class SideSlip:
    """Side slip of the car as its session shows it: v_y = b r - K v a - K3 v a^3 (m/s)."""

    b_m: float
    k: float
    k3: float

    def speed_m_s(self, speed_m_s: FloatArray, yaw_rad_s: FloatArray, lat_m_s2: FloatArray) -> FloatArray:
        """v_y (n,) of the centre of gravity (m/s), left positive.

        Parameters
        ----------
        speed_m_s, yaw_rad_s, lat_m_s2 : (n,), turn to the left positive.
        """
        return self.b_m * yaw_rad_s - speed_m_s * (self.k * lat_m_s2 + self.k3 * lat_m_s2**3)


def measured_as_a_whole(signals: Signals, laps: Laps, car: Car) -> tuple[Measured, ...]:
    """What the session tells of its sensors, for the beliefs of the fit.

    Parameters
    ----------
    laps : for the zero along the car, which needs whole ones.

    Returns
    -------
    tuple : lateral gain, place across and zero along the car, as far as told; () without gyro or lateral accelerometer,
        or with less than half a minute of trusted samples off the brakes.
    """
    if not (signals.sensors.gyro and signals.sensors.lat_g):
        return ()
    found = _regressed(signals, car)
    if found is None:
        return ()
    values, deviations = found
    gain, y = values[0], values[UNKNOWNS.index("y")]
    told = [
        Measured(
            {"lat_gain": 1.0, "log_yaw_scale": 1.0, "log_speed_scale": 1.0},
            float(gain),
            float(np.hypot(deviations[0], GAIN_FLOOR)),
            "sensor_pose",
            "lateral_gain",
        )
    ]
    if signals.sensors.long_g:
        sd = float(np.hypot(deviations[UNKNOWNS.index("y")], PLACE_FLOOR_M))
        told.append(Measured({"sensor_y_m": 1.0}, float(y), sd, "sensor_pose", "accelerometer_y"))
        slip = SideSlip(car.cg_to_rear_m, values[4] * K_UNIT, values[5] * K3_UNIT)
        zero = longitudinal_zero(signals, laps, slip)
        if zero is not None:
            told.append(zero)
    return tuple(told)


def _regressed(signals: Signals, car: Car) -> tuple[FloatArray, FloatArray] | None:
    """Unknowns (9,) and their deviations by robust least squares, corners resampled in the deviations."""
    step = max(1, round(signals.rate_hz / ROWS_HZ))
    rate = signals.rate_hz / step
    count = min(len(signals.time_s), MOST_ROWS * step) // step * step
    first = (len(signals.time_s) - count) // 2

    if count // step < LEAST_ROWS:
        return None
    at = slice(first, first + count)
    speed, yaw, lat = signals.speed_m_s[at], signals.yaw_rate_rad_s[at], signals.lat_m_s2[at]

    def rows(values: FloatArray) -> FloatArray:
        return low_pass(values.reshape(-1, step).mean(axis=1), cutoff_hz=SLOW_HZ, rate_hz=rate)

    def rising(values: FloatArray) -> FloatArray:
        return np.gradient(values) * rate

    free = rows((signals.valid[at] & signals.speed_trusted[at] & ~signals.braking[at]).astype(float)) > 0.999
    if free.sum() < LEAST_ROWS:
        return None
    v, r, a, along = rows(speed), rows(yaw), rows(lat), rows(signals.long_m_s2[at])
    turning, squared = rows(speed * yaw), rows(yaw**2)
    slips = [rows(speed * lat) / (1 / K_UNIT), rows(speed * lat**3) / (1 / K3_UNIT)]
    drags = [rows(yaw * speed * lat) * K_UNIT, rows(yaw * speed * lat**3) * K3_UNIT]
    one, none, change = np.ones_like(v), np.zeros_like(v), rising(v)
    lateral = [turning, one, -v, rising(r), *(-rising(s) for s in slips), -squared, none, none]
    equations = [(np.array(lateral), a - turning, LATERAL_SD[0] + LATERAL_SD[1] * np.abs(a))]
    if signals.sensors.long_g:
        longitudinal = [none, none, none, -squared, *drags, -rising(r), one, change]
        sd = LONGITUDINAL_SD[0] + LONGITUDINAL_SD[1] * np.abs(along)
        equations.append((np.array(longitudinal), along - change, sd))
    centre = np.zeros(len(UNKNOWNS))
    centre[3] = car.cg_to_rear_m
    matrix = np.concatenate([np.diag(1 / UNKNOWN_SD), *((f / sd)[:, free] for f, _, sd in equations)], axis=1)
    target = np.concatenate([centre / UNKNOWN_SD, *((t / sd)[free] for _, t, sd in equations)])
    weight = np.ones(len(target))
    for _ in range(8):
        weighted = matrix * weight
        information = weighted @ matrix.T
        values = np.linalg.solve(information, weighted @ target)
        weight = 1 / (1 + ((target - values @ matrix) / REACH) ** 2)
    pulls = (weighted * (target - values @ matrix))[:, len(UNKNOWNS) :]
    block = np.concatenate([np.flatnonzero(free) // int(PASS_S * rate)] * len(equations))
    by_block = np.array([np.bincount(block, weights=pull) for pull in pulls])
    inverse = np.linalg.inv(information)
    scatter = inverse @ (by_block @ by_block.T + np.diag(1 / UNKNOWN_SD**2)) @ inverse
    return values, np.sqrt(np.diag(scatter))


def longitudinal_zero(signals: Signals, laps: Laps, slip: SideSlip) -> Measured | None:
    """The zero of the longitudinal accelerometer apart from the road's slope; None without whole laps.

    Parameters
    ----------
    slip : side slip of this session, for r v_y.

    Notes
    -----
    Where the wheels roll and the car hardly corners, a_x' - dv/dt + r v_y = zero + g slope(place), and the slope is the
    same lap after lap and adds up to nothing over one. It is a Gaussian process of the place, periodic, of standard
    deviation `SLOPE_SD` and length `SLOPE_LENGTH_M`, with zero mean over the lap; the zero follows by generalised least
    squares. Corners and braking zones in between are bridged by the process and widen the answer.
    """
    if laps.length_m is None or laps.method == "none":
        return None
    length = laps.length_m
    count = int(np.clip(length / BIN_M, LEAST_BINS, MOST_BINS))
    values: list[list[float]] = [[] for _ in range(count)]
    for start, stop in laps.bounds[:MOST_LAPS]:
        place, off = _slope_seen(signals, slip, slice(start, stop))
        if not len(place):
            continue
        bins = np.minimum((place * count).astype(int), count - 1)
        for one in np.unique(bins):
            values[one].append(float(np.median(off[bins == one])))
    # a place where the car was calm in the lesser part of its laps is one where it slid in the others
    seen = np.array([k for k, found in enumerate(values) if len(found) > len(laps.bounds[:MOST_LAPS]) / 2])
    if len(seen) < LEAST_BINS:
        return None
    mean = np.array([np.median(values[k]) for k in seen])
    several = [np.std(values[k], ddof=1) for k in seen if len(values[k]) > 1]
    scatter = max(float(np.median(several)) if several else 0.0, BIN_SD_M_S2)
    noise = np.diag([scatter**2 / len(values[k]) + BIN_SD_M_S2**2 for k in seen])
    apart = np.abs(np.arange(count)[:, None] - np.arange(count)[None]) * length / count
    apart = np.minimum(apart, length - apart)
    slope = (SLOPE_SD * STANDARD_GRAVITY_M_S2) ** 2 * np.exp(-0.5 * (apart / SLOPE_LENGTH_M) ** 2)
    total = slope.sum(axis=1)
    slope = slope - np.outer(total, total) / total.sum()
    weight = np.linalg.solve(slope[np.ix_(seen, seen)] + noise, np.column_stack([np.ones(len(seen)), mean]))
    information = float(weight[:, 0].sum())
    return Measured(
        {"long_bias": 1.0},
        float(weight[:, 1].sum()) / information,
        float(np.hypot(ZERO_FLOOR_M_S2, 1 / np.sqrt(information))),
        "acceleration",
        "longitudinal_zero",
    )


def _slope_seen(signals: Signals, slip: SideSlip, lap: slice) -> tuple[FloatArray, FloatArray]:
    """Places (m,), shares of the lap, and what the accelerometer reads there beyond the change of speed (m/s2)."""
    speed, yaw, lat = signals.speed_m_s[lap], signals.yaw_rate_rad_s[lap], signals.lat_m_s2[lap]
    if len(speed) < 2 * signals.rate_hz:
        return np.empty(0), np.empty(0)

    def slow(values: FloatArray) -> FloatArray:
        return low_pass(values, cutoff_hz=SLOW_HZ, rate_hz=signals.rate_hz)

    change = slow(np.gradient(speed) * signals.rate_hz)
    off = slow(signals.long_m_s2[lap]) - change + slow(yaw * slip.speed_m_s(speed, yaw, lat))
    free = (signals.valid[lap] & signals.speed_trusted[lap] & ~signals.braking[lap]).astype(float)
    use = (slow(free) > 0.999) & (np.abs(slow(lat)) < CALM_M_S2)
    way = signals.distance_m[lap] - signals.distance_m[lap][0]
    return (way / max(way[-1], 1.0))[use], off[use]


def session_priors(signals: Signals, car: Car, *, gyro: bool = True) -> tuple[Prior, ...]:
    """Priors of a session's parameters.

    Parameters
    ----------
    gyro : False: the yaw rate counts as put together though it was measured, for runs that are fitted together with one
        that has no gyro.
    """
    sensors = replace(signals.sensors, gyro=signals.sensors.gyro and gyro)
    return priors(car, sensors=sensors, long_bias_sd_m_s2=signals.long_bias_sd_m_s2)


def shared_priors(signals: Sequence[Signals], car: Car) -> tuple[Prior, ...]:
    """Priors of sessions that are fitted together, each as wide as the session needs that knows least.

    Parameters
    ----------
    signals : of each session. Where one has no gyro of its own, none counts as having one.
    """
    gyro = Sensors.common(s.sensors for s in signals).gyro
    every = [session_priors(s, car, gyro=gyro) for s in signals]
    return tuple(max(same, key=lambda prior: prior.deviation) for same in zip(*every, strict=True))


def session_problem(signals: Sequence[Signals], parts: Sequence[LogPart], car: Car) -> Problem:
    """What is fitted to the sessions of one car with one differential.

    Parameters
    ----------
    signals, parts : of each session.
    """
    made = unknowns(shared_priors(signals, car), owners_of(parts), hold_sd_Nm=hold_sd_Nm(car), tyre_drifts=True)
    return joined(parts, car, made)


def session_part(signals: Signals, laps: Laps, observed: Observations, car: Car, *, owner: Owner = FIRST) -> LogPart:
    """A session's part of a fit: its chosen samples, and what it measures as a whole.

    Parameters
    ----------
    observed : `observe` of the same signals, or what `pooled` left of it.
    owner : whose it is, where several sessions are fitted together.
    """
    return log_part(observed, owner=owner, measured=measured_as_a_whole(signals, laps, car))


def pooled(stretches: Iterable[tuple[Observations, slice]]) -> Observations:
    """The rows of all stretches that measure or bound the lock curve, in one.

    Parameters
    ----------
    stretches : observations of each, and the samples of it that count (in its own `index`).

    Notes
    -----
    Every second row goes each time that more than `KEPT` are held, of all stretches alike; the weight of what is left
    grows by as much. A single stretch is not thinned here.
    """
    kept: list[Observations] = []
    thin, groups = 1, 0
    for observed, own in stretches:
        inside = (observed.index >= own.start) & (observed.index < own.stop)
        rows = np.flatnonzero(inside & observed.usable & (observed.slipping | observed.locked))[::thin]
        group = observed.group + groups
        groups = int(group.max()) + 1
        kept.append(replace(observed, group=group).take(rows))
        while len(kept) > 1 and sum(len(k.index) for k in kept) > KEPT:
            thin *= 2
            kept = [k.take(slice(None, None, 2)) for k in kept]
    arrays = {n: np.concatenate([getattr(k, n) for k in kept]) for n in array_names(kept[0])}
    inputs = {f.name: np.concatenate([getattr(k.inputs, f.name) for k in kept]) for f in fields(AxleInputs)}
    return replace(
        kept[0],
        **arrays,
        inputs=AxleInputs(**inputs),
        weight=kept[0].weight * thin,
        sensors=Sensors.common(k.sensors for k in kept),
    )
