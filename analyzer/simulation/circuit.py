"""Invented circuits: a closed driven line as curvature over distance, and the surface under it: hills, bank, crests
and bumps by place on the lap.
"""

import math
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.simulation.nuisances import Options, option

STEP_M = 1.0
_SMOOTHING_M = 7.0  # standard deviation of the blur that turns arcs into entries a steering wheel can follow
_LONG_M, _SHORT_M = (400.0, 2000.0), (40.0, 120.0)  # wavelengths of hills and of crests; our own figures
_BUMP_M = 0.8  # standard deviation of their blur: half of a wheel-hop wave (12 Hz) at 20 m/s


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """A line, one node per `step_m` of distance; it closes from the last node to the first unless it is not `closed`.

    Attributes
    ----------
    curvature_1_m : (n,) positive to the left.
    x_m, y_m, heading_rad : (n,) plan; the heading is unwrapped.
    """

    name: str
    step_m: float
    curvature_1_m: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    heading_rad: FloatArray
    closed: bool = True

    @property
    def length_m(self) -> float:
        """Length of a lap along the line (m)."""
        return self.step_m * len(self.curvature_1_m)

    def driven_m(self, laps: int) -> float:
        """Distance (m) of so many laps along the line; an open line is driven once, to a little before its end."""
        return self.length_m * laps if self.closed else self.length_m - 5.0

    def mirrored(self) -> "Circuit":
        """The circuit with left and right exchanged."""
        return Circuit(
            name=f"{self.name} mirrored",
            step_m=self.step_m,
            curvature_1_m=-self.curvature_1_m,
            x_m=self.x_m.copy(),
            y_m=-self.y_m,
            heading_rad=-self.heading_rad,
            closed=self.closed,
        )


def circuit_from_corners(*, name: str, corners_m: list[tuple[float, float, float]]) -> Circuit:
    """A circuit from the polygon of its corners.

    Parameters
    ----------
    corners_m : (x, y, radius) of each polygon corner, in driving order; the line starts half-way along the side
        that leads to the first corner. A radius too large for its sides is cut to fit.
    """
    points = np.array([c[:2] for c in corners_m], float)
    before, after = np.roll(points, 1, axis=0) - points, np.roll(points, -1, axis=0) - points
    reach = np.minimum(np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)) * 0.48
    line = [(points[-1] + points[0]) / 2]
    for point, u, w, (_, _, radius), room in zip(points, before, after, corners_m, reach, strict=True):
        u, w = u / np.linalg.norm(u), w / np.linalg.norm(w)
        half = 0.5 * math.acos(float(np.clip(-u @ w, -1, 1)))  # half of the turning angle
        radius = min(radius, room / math.tan(half))
        centre = point + (u + w) / np.linalg.norm(u + w) * radius / math.cos(half)
        start, end = point + u * radius * math.tan(half), point + w * radius * math.tan(half)
        sweep = np.linspace(0, 1, max(3, int(2 * half * radius / STEP_M)))
        first = math.atan2(*(start - centre)[::-1])
        turn = math.atan2(*(end - centre)[::-1]) - first
        turn = (turn + math.pi) % (2 * math.pi) - math.pi
        line += [centre + radius * np.array([math.cos(first + turn * q), math.sin(first + turn * q)]) for q in sweep]
    return _smooth_closed(name, np.array(line))


def _smooth_closed(name: str, line: FloatArray) -> Circuit:
    """Blur a closed polyline along its length and describe it by curvature. The Fourier way keeps it closed."""
    even = _evenly(line)
    wave = np.fft.fftfreq(len(even), STEP_M) * 2 * math.pi
    even = _evenly(
        np.fft.ifft(np.fft.fft(even @ [1, 1j]) * np.exp(-0.5 * (wave * _SMOOTHING_M) ** 2)).view(float).reshape(-1, 2)
    )
    corners = even @ [1, 1j]
    step = np.abs(np.roll(corners, -1) - corners).mean()
    wave = np.fft.fftfreq(len(corners), step) * 2 * math.pi
    blur = np.exp(-0.5 * (wave * 1.5) ** 2)  # the resampling's own ripple
    spectrum = np.fft.fft(corners) * blur
    place = np.fft.ifft(spectrum)
    first, second = np.fft.ifft(1j * wave * spectrum), np.fft.ifft(-(wave**2) * spectrum)
    curvature = (np.conj(first) * second).imag / np.abs(first) ** 3
    return Circuit(
        name=name,
        step_m=float(step),
        curvature_1_m=curvature,
        x_m=place.real.copy(),
        y_m=place.imag.copy(),
        heading_rad=np.unwrap(np.angle(first)),
    )


def _evenly(line: FloatArray) -> FloatArray:
    """(n, 2) points of the closed polyline at even distance of about `STEP_M`."""
    closed = np.vstack([line, line[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0, along[-1], round(along[-1] / STEP_M), endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def demo_circuit() -> Circuit:
    """The invented circuit of the sample logs: two hairpins, an S, fast and medium corners to both sides, 2.0 km."""
    return circuit_from_corners(
        name="Saltmarsh Loop",
        corners_m=[
            (560, 0, 60),
            (600, 150, 45),
            (470, 185, 30),
            (455, 300, 22),
            (620, 360, 16),
            (590, 420, 16),
            (330, 330, 70),
            (250, 400, 40),
            (130, 330, 55),
            (150, 190, 35),
            (20, 170, 18),
            (-10, 110, 18),
            (120, 60, 60),
            (60, 0, 40),
        ],
    )


def generated_circuit(seed: int) -> Circuit:
    """An invented circuit drawn from `seed`: 9 to 13 corners of 14 to 90 m radius around an uneven ring.

    Parameters
    ----------
    seed : 0 or more; the same seed gives the same circuit.
    """
    rng = np.random.default_rng(seed)
    count = int(rng.integers(9, 14))
    angle = (np.arange(count) + rng.uniform(-0.25, 0.25, count)) * 2 * math.pi / count
    ring = rng.uniform(280, 420) * rng.uniform(0.55, 1.35, count)
    radius = rng.choice([14.0, 18.0, 25.0, 40.0, 60.0, 90.0], count)
    sense = 1 if rng.random() < 0.5 else -1
    corners = [
        (float(r * math.cos(t)), float(sense * r * math.sin(t)), float(c))
        for t, r, c in zip(angle, ring, radius, strict=True)
    ]
    return circuit_from_corners(name=f"invented circuit {seed}", corners_m=corners)


def circuit_by_name(name: str) -> Circuit:
    """`demo`, or the circuit invented from a whole number.

    Raises
    ------
    InputError : neither of these.
    """
    if name == "demo":
        return demo_circuit()
    if name.isascii() and name.isdigit():
        return generated_circuit(int(name))
    raise InputError(f"the circuit is '{name}'; allowed: demo, or a whole number such as 7. Name one of these.")


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


# step, slope, cross slope, bend, bumps left and right, and the hillside's slope along x and y
RoadFigures: TypeAlias = tuple[float, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, float, float]


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
    height_m: FloatArray
    slope: FloatArray
    bend_1_m: FloatArray
    cross_slope: FloatArray
    bumps_left: FloatArray
    bumps_right: FloatArray
    uphill: tuple[float, float]

    @property
    def figures(self) -> RoadFigures:
        """In the form of the inner loop."""
        return (
            self.step_m, self.slope, self.cross_slope, self.bend_1_m, self.bumps_left, self.bumps_right, *self.uphill
        )  # fmt: skip

    def altitude_m(self, distance_m: FloatArray, offset_m: FloatArray, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        """Height of places beside the line.

        Parameters
        ----------
        distance_m : (n,) along the session, of any number of laps.
        offset_m : (n,) to the left of the line.
        x_m, y_m : (n,) of the places themselves, in the circuit's plan, for the hillside.

        Returns
        -------
        ndarray : (n,) in m, hillside included.
        """
        n = len(self.height_m)
        nodes = np.arange(n + 1) * self.step_m
        at = np.mod(distance_m, n * self.step_m)
        line = np.interp(at, nodes, np.append(self.height_m, self.height_m[0]))
        cross = np.interp(at, nodes, np.append(self.cross_slope, self.cross_slope[0]))
        height: FloatArray = line + cross * offset_m + self.uphill[0] * x_m + self.uphill[1] * y_m
        return height


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


def _waves(rng: np.random.Generator, n: int, step_m: float, wavelengths_m: tuple[float, float]) -> FloatArray:
    """A closed sum of sines with slopes about alike and wavelengths in the given range (at least one per lap)."""
    length = n * step_m
    first, last = max(1, round(length / wavelengths_m[1])), max(1, round(length / wavelengths_m[0]))
    turn = 2 * math.pi * np.arange(n) / n
    wave = np.zeros(n)
    for k in range(first, last + 1):
        size, phase = rng.standard_normal(), rng.uniform(0, 2 * math.pi)
        wave += size / k * np.sin(k * turn + phase)
    return wave


def _derived(closed: FloatArray, step_m: float, order: int) -> FloatArray:
    """Derivative of a closed smooth curve by distance."""
    wave = 2j * math.pi * np.fft.fftfreq(len(closed), step_m)
    return np.fft.ifft(np.fft.fft(closed) * wave**order).real.copy()


def _bumps(rng: np.random.Generator, n: int, step_m: float, sd: float) -> FloatArray:
    if sd == 0:
        return np.zeros(n)
    wave = 2 * math.pi * np.fft.fftfreq(n, step_m)
    noise = np.fft.ifft(np.fft.fft(rng.standard_normal(n)) * np.exp(-0.5 * (wave * _BUMP_M) ** 2)).real
    bumps: FloatArray = np.clip(sd * noise / noise.std(), -0.95, 0.95)
    return bumps
