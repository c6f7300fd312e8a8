"""The simulated driver follows the card of a plan."""

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve.fit import Fit
from analyzer.planning.looks import (
    SLOWEST_G,
    THROTTLE_S,
    Arc,
    Piece,
    largest_pulse_Nm,
    pieces_on,
    shut_throttle_Nm,
    speeds_on_m_s,
)
from analyzer.planning.next_test import CIRCLE_S, RADII_M, WIDEST_CORNER_M
from analyzer.signals.log_stretches import runs
from analyzer.simulation.circuit import Circuit
from analyzer.simulation.driver_plan import Card, Manoeuvre, Name, circles, manoeuvre
from analyzer.simulation.simulated_car import Driver

HOLD, SHUT, KINDS = 0, 2, 4  # places in a cycle of `pieces_on`, and how many there are
BACK_1_S = 0.3  # a driver who holds a speed leads it back within some seconds; common practice, no source


def driven_by_card(name: Name, fit: Fit, circuit: Circuit) -> Manoeuvre:
    """What the card of a fit's plan asks for.

    Parameters
    ----------
    name : `circles` or `slow_lap`.
    circuit : of the slow lap.
    """

    def pieces(arc: Arc) -> list[Piece]:
        return list(pieces_on(arc, fit.problem.car, shut_Nm=shut_throttle_Nm(fit), most_Nm=largest_pulse_Nm(fit)))

    def mean_m_s(radius_m: float) -> float:
        on = pieces(Arc(radius_m, True, CIRCLE_S))
        return sum(p.seconds * (p.from_m_s + p.to_m_s) / 2 for p in on) / CIRCLE_S

    course = circles(RADII_M, seconds=CIRCLE_S, speed_m_s=mean_m_s) if name == "circles" else circuit
    bent = np.abs(course.curvature_1_m)
    torque, gain = np.full(len(bent), np.nan), np.zeros(len(bent))
    lateral = np.full(len(bent), SLOWEST_G * STANDARD_GRAVITY_M_S2)
    for start, last in runs(bent > 1 / WIDEST_CORNER_M):
        stop = last + 1
        radius = float(1 / np.median(bent[start:stop]))
        slow, _ = speeds_on_m_s(radius)
        lateral[start:stop] = slow**2 / radius
        at = slice(start, stop)
        torque[at], gain[at] = _along(pieces(Arc(radius, True, 10 * CIRCLE_S)), course.step_m, stop - start)
    return Manoeuvre(course, manoeuvre(name, circuit=circuit, driver=Driver()).driver, (), Card(torque, gain, lateral))


def _along(pieces: list[Piece], step_m: float, count: int) -> tuple[FloatArray, FloatArray]:
    """(count,) torque asked for by node, and the gain on the speed."""
    torque, gain, at_m = np.full(count, np.nan), np.zeros(count), 0.0
    for k, piece in enumerate(pieces):
        mean = (piece.from_m_s + piece.to_m_s) / 2
        nodes = np.arange(round(at_m / step_m), min(round((at_m + piece.seconds * mean) / step_m), count))
        moved = np.clip((nodes * step_m - at_m) / mean / THROTTLE_S, 0.0, 1.0)
        torque[nodes] = piece.before_Nm + moved * (piece.torque_Nm - piece.before_Nm)
        if k % KINDS == SHUT:
            torque[nodes[moved == 1.0]] = -np.inf
        gain[nodes] = BACK_1_S if k % KINDS == HOLD else 0.0
        at_m += piece.seconds * mean
    return torque, gain
