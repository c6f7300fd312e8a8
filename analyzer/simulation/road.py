"""The surface under an invented circuit: hills, bank, crests and bumps by place on the lap, and the plane under it."""

import math
from dataclasses import dataclass, replace

import numpy as np

from analyzer.simulation.circuit import Circuit
from analyzer.simulation.options import Options, option

_LONG_M, _SHORT_M = (400.0, 2000.0), (40.0, 120.0)  # wavelengths of hills and of crests; our own figures
_BUMP_M = 0.8  # standard deviation of their blur: half of a wheel-hop wave (12 Hz) at 20 m/s


@dataclass(frozen=True, kw_only=True)
class Road(Options):
    """What is not level. Everything closes with the lap, so the same place is the same on every lap.

    Attributes
    ----------
    grade_percent : steepest grade of the smooth hills along the lap.
    bank_percent : steepest smooth cross slope; negative exchanges left and right.
    crest_1_km : largest curvature of the line's height on crests and in dips; 4 is a radius of 250 m, which takes or
        adds v^2/R, a fifth of the weight at 22 m/s.
    hillside_percent, hillside_towards_deg : slope of the plane on which the whole circuit lies, and the heading that
        leads straight up.
    bump_load_percent : standard deviation of a wheel's load over bumps; left and right are independent, a rear wheel
        meets what the front one met a wheelbase before.
    road_shape : number that the shape is drawn from.
    """

    grade_percent: float = option("grade_percent")
    bank_percent: float = option("bank_percent")
    crest_1_km: float = option("crest_1_km")
    hillside_percent: float = option("hillside_percent")
    hillside_towards_deg: float = option("hillside_towards_deg")
    bump_load_percent: float = option("bump_load_percent")
    road_shape: int = 1

    def pad(self) -> "Road":
        """A paved area of the same place: a plane with bumps."""
        return replace(self, grade_percent=0.0, bank_percent=0.0, crest_1_km=0.0)


@dataclass(frozen=True)
class Surface:
    """`Road` along one circuit, one value per node.

    Attributes
    ----------
    height_m, slope, bend_1_m : height of the line over the hillside's plane, and its first two derivatives by distance.
    cross_slope : positive where the left is higher.
    bumps_left, bumps_right : what bumps add to a wheel's load, over that load.
    uphill : slope of the hillside along x and y.
    """

    step_m: float
    height_m: np.ndarray
    slope: np.ndarray
    bend_1_m: np.ndarray
    cross_slope: np.ndarray
    bumps_left: np.ndarray
    bumps_right: np.ndarray
    uphill: tuple[float, float]

    @property
    def figures(self) -> tuple:
        """In the form of the inner loop."""
        return (
            self.step_m, self.slope, self.cross_slope, self.bend_1_m, self.bumps_left, self.bumps_right, *self.uphill
        )  # fmt: skip

    def altitude_m(self, distance_m: np.ndarray, offset_m: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Height (m) of a place `offset_m` left of the line."""
        n = len(self.height_m)
        nodes = np.arange(n + 1) * self.step_m
        at = np.mod(distance_m, n * self.step_m)
        line = np.interp(at, nodes, np.append(self.height_m, self.height_m[0]))
        cross = np.interp(at, nodes, np.append(self.cross_slope, self.cross_slope[0]))
        return line + cross * offset_m + self.uphill[0] * x_m + self.uphill[1] * y_m


def surface_of(road: Road, circuit: Circuit) -> Surface:
    """Draw the surface of `circuit`; the same road and circuit give the same surface."""
    n, step = len(circuit.curvature_1_m), circuit.step_m
    hills, crests, bank, left, right = (np.random.default_rng([road.road_shape, k]) for k in range(5))
    height = np.zeros(n)
    for rng, wavelengths, derivative, most in (
        (hills, _LONG_M, 1, road.grade_percent / 100),
        (crests, _SHORT_M, 2, road.crest_1_km / 1000),
    ):
        if most > 0:
            wave = _waves(rng, n, step, wavelengths)
            height += wave * most / np.abs(_derived(wave, step, derivative)).max()
    cross = np.zeros(n)
    if road.bank_percent:
        cross = _waves(bank, n, step, _LONG_M)
        cross *= road.bank_percent / 100 / np.abs(cross).max()
    towards = math.radians(road.hillside_towards_deg)
    uphill = road.hillside_percent / 100 * math.cos(towards), road.hillside_percent / 100 * math.sin(towards)
    bumps = road.bump_load_percent / 100
    return Surface(
        step_m=step,
        height_m=height,
        slope=_derived(height, step, 1),
        bend_1_m=_derived(height, step, 2),
        cross_slope=cross,
        bumps_left=_bumps(left, n, step, bumps),
        bumps_right=_bumps(right, n, step, bumps),
        uphill=uphill,
    )


def _waves(rng: np.random.Generator, n: int, step_m: float, wavelengths_m: tuple[float, float]) -> np.ndarray:
    """A closed sum of sines with slopes about alike and wavelengths in the given range (at least one per lap)."""
    length = n * step_m
    first, last = max(1, round(length / wavelengths_m[1])), max(1, round(length / wavelengths_m[0]))
    turn = 2 * math.pi * np.arange(n) / n
    wave = np.zeros(n)
    for k in range(first, last + 1):
        size, phase = rng.standard_normal(), rng.uniform(0, 2 * math.pi)
        wave += size / k * np.sin(k * turn + phase)
    return wave


def _derived(closed: np.ndarray, step_m: float, order: int) -> np.ndarray:
    """Derivative of a closed smooth curve by distance."""
    wave = 2j * math.pi * np.fft.fftfreq(len(closed), step_m)
    return np.fft.ifft(np.fft.fft(closed) * wave**order).real.copy()


def _bumps(rng: np.random.Generator, n: int, step_m: float, sd: float) -> np.ndarray:
    if sd == 0:
        return np.zeros(n)
    wave = 2 * math.pi * np.fft.fftfreq(n, step_m)
    noise = np.fft.ifft(np.fft.fft(rng.standard_normal(n)) * np.exp(-0.5 * (wave * _BUMP_M) ** 2)).real
    return np.clip(sd * noise / noise.std(), -0.95, 0.95)
