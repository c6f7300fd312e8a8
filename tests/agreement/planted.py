"""Sessions in which parts and setup file differ by one known cause. Invented parts; nothing is tuned to them.

`PYTHONPATH=tests python -m agreement.planted [sessions per cause]` prints what was told
against what was planted.
"""

import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from accuracy.cases import CLUB, HEAVY, LIGHT, Case, analysed

from analyzer.agreement.diagnose import diagnose
from analyzer.agreement.steady_samples import steady_means, steady_samples
from analyzer.agreement.verdict import Diagnosis
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup
from analyzer.simulation.simulated_car import LockParameters


def setup(**changes) -> Setup:
    """A plate differential of no maker; friction and springs known as the setup file's defaults say."""
    figures = {
        "type": "plate",
        "ramp_angle_reference": "ring_face",
        "drive_ramp_angle_deg": 45,
        "coast_ramp_angle_deg": 65,
        "pin_radius_mm": 38,
        "friction_faces_per_side": 2,
        "plate_outer_diameter_mm": 120,
        "plate_inner_diameter_mm": 86,
        "friction_coefficient": 0.11,
        "cone_spring_position": "outside_packs",
        "cone_spring": {"force_N": 4500},
        "ring_spring": {"force_N": 800},
    }
    return Setup.model_validate(figures | changes)


@dataclass(frozen=True)
class Planted:
    """What is fitted (the truth of the simulated car) and what the file says."""

    fitted: Setup
    file: Setup


PLANTED = {
    "as_the_file_says": Planted(setup(), setup()),
    "ramps_exchanged": Planted(setup(), setup(drive_ramp_angle_deg=65, coast_ramp_angle_deg=45)),
    "preload_soft": Planted(setup(cone_spring={"force_N": 1300}), setup()),
    "preload_up": Planted(setup(cone_spring={"force_N": 10000}), setup()),
    "ring_springs": Planted(setup(ring_spring={"force_N": 6000}), setup()),
    "other_spring_position": Planted(setup(cone_spring_position="between_rings"), setup()),
    "friction": Planted(setup(friction_coefficient=0.055), setup()),
    "other_angle_reference": Planted(
        setup(drive_ramp_angle_deg=35, coast_ramp_angle_deg=60),
        setup(drive_ramp_angle_deg=35, coast_ramp_angle_deg=60, ramp_angle_reference="shaft_axis"),
    ),
}


def told(cause: str, seed: int, folder: Path) -> Diagnosis:
    """Drive the planted cause and diagnose it."""
    planted = PLANTED[cause]
    case = Case(
        car=(CLUB, LIGHT, HEAVY)[seed % 3],
        lock=LockParameters.from_prediction(predict_lock_curve(planted.fitted)),
        laps=4,
        seed=seed,
    )
    analysis = analysed(case.drive().log, case.car, folder)
    seen = steady_means(steady_samples(analysis.signals, analysis.corners, analysis.axle), analysis.lock_curve)
    return diagnose(seen, analysis.lock_curve, predict_lock_curve(planted.file), planted.file)


def table(sessions: int, folder: Path) -> str:
    """Per cause: how often it was told alone, tied, not named; and what was told."""
    lines = ["| planted | first | tied and said so | missed | what was told |", "|---|---|---|---|---|"]
    for cause in PLANTED:
        found = [told(cause, seed, folder) for seed in range(sessions)]
        first = sum(d.tied == (cause,) for d in found)
        tied = sum(cause in d.tied and len(d.tied) > 1 for d in found)
        words = ", ".join(f"{'/'.join(k) or '-'} {n}" for k, n in Counter(d.tied for d in found).most_common())
        lines.append(f"| {cause} | {first} | {tied} | {sessions - first - tied} | {words} |")
    return "\n".join(lines)


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 6, Path(folder)))
