"""`python -m external.table [SEEDS]` in tests: what is read of the multi-body car, beside the truth."""

import sys
from itertools import product

import numpy as np
from external.multibody import CHASSIS
from external.readings import LOCKS, read


def main(seeds: int) -> None:
    """One row a session: parameters with intervals, errors of the measured points, how much slipped."""
    for chassis, name in product(CHASSIS, LOCKS):
        for seed in range(1, seeds + 1):
            found = read(name, seed, chassis)
            curve = found.analysis.lock_curve
            shown = []
            for parameter in ("preload_Nm", "drive_slope"):
                p = curve.parameters[parameter]
                shown.append("-" if p.value is None else f"{p.value:.3g} ({p.lower:.3g} to {p.upper:.3g})")
            points = found.points
            off = points[:, 1] - points[:, 4]
            inside = ((points[:, 2] - 1 <= points[:, 4]) & (points[:, 4] <= points[:, 3] + 1)).mean()
            print(
                f"set {chassis} {name:<18}{seed:>3}  preload {shown[0]:<24} drive {shown[1]:<26} "
                f"error {np.median(off):+6.1f} ({off.min():+.0f} to {off.max():+.0f}) N.m  in interval {inside:.2f}  "
                f"slipping {curve.slipping_count}, locked {curve.locked_count}",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
