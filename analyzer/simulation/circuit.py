"""Invented circuits: a closed driven line as curvature over distance, with the plan that goes with it."""

import math
from dataclasses import dataclass

import numpy as np

from analyzer.errors import InputError

STEP_M = 1.0
_SMOOTHING_M = 7.0  # standard deviation of the blur that turns arcs into entries a steering wheel can follow


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
    curvature_1_m: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    closed: bool = True

    @property
    def length_m(self) -> float:
        """Length of a lap along the line (m)."""
        return self.step_m * len(self.curvature_1_m)

    def driven_m(self, laps: int) -> float:
        """Distance of `laps`; an open line is left a little before it ends."""
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


def _smooth_closed(name: str, line: np.ndarray) -> Circuit:
    """Blur a closed polyline along its length and describe it by curvature. The Fourier way keeps it closed."""
    even = _evenly(line)
    wave = np.fft.fftfreq(len(even), STEP_M) * 2 * math.pi
    even = _evenly(
        np.fft.ifft(np.fft.fft(even @ [1, 1j]) * np.exp(-0.5 * (wave * _SMOOTHING_M) ** 2)).view(float).reshape(-1, 2)
    )
    place = even @ [1, 1j]
    step = np.abs(np.roll(place, -1) - place).mean()
    wave = np.fft.fftfreq(len(place), step) * 2 * math.pi
    blur = np.exp(-0.5 * (wave * 1.5) ** 2)  # the resampling's own ripple
    spectrum = np.fft.fft(place) * blur
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


def _evenly(line: np.ndarray) -> np.ndarray:
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
    """An invented circuit drawn from `seed`: 9 to 13 corners of 14 to 90 m radius around an uneven ring."""
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
