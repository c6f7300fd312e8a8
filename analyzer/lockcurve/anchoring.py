"""What a workshop knows of the lock curve besides the log, as measurements of the fitted curve.

A bench breakaway measures the preload M0. Ring springs hold the ramps back up to a torque h, which is the curve's
hold-off where preload springs and ramps add; where the springs sit outside the packs the larger of both clamps, and
max(M0, s (T - h)) bends at h + M0/s. Two ramp angles in one pair of rings fix the ratio of the slopes, for friction,
faces and radii are the same on drive and coast.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model

LEAST_SLOPE = 0.02  # a flatter ramp hardly clamps; where it bends then says nothing


@dataclass(frozen=True)
class CurveAnchors:
    """Measurements of one lock curve: (value, standard deviation), None where there is none. Torques in N.m.

    Attributes
    ----------
    preload : M0.
    drive_hold, coast_hold : torque at which the ramps begin to push against the ring springs.
    slope_ratio : coast slope over drive slope.
    larger_rules, larger_rules_sd : 1 where the larger of spring and ramp clamps, 0 where both add; between and unsure,
        where nobody knows.
    """

    preload: tuple[float, float] | None = None
    drive_hold: tuple[float, float] | None = None
    coast_hold: tuple[float, float] | None = None
    slope_ratio: tuple[float, float] | None = None
    larger_rules: float = 0.0
    larger_rules_sd: float = 0.0

    def residuals(self, curve: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(a,) residuals in standard deviations and their slopes (a, 5) at a curve (5,)."""
        preload, drive, _, coast, _ = curve
        index = {name: i for i, name in enumerate(model.NAMES)}
        found, rows = [], []
        if self.preload is not None:
            value, sd = self.preload
            row = np.zeros(len(curve))
            row[0] = 1 / sd
            found.append((preload - value) / sd)
            rows.append(row)
        for side, slope, anchor in (("drive", drive, self.drive_hold), ("coast", coast, self.coast_hold)):
            if anchor is None:
                continue
            value, sd = anchor
            hold, steep = index[f"{side}_hold_Nm"], index[f"{side}_slope"]
            kept = max(slope, LEAST_SLOPE)
            sd = float(np.hypot(sd, self.larger_rules_sd * preload / kept))
            row = np.zeros(len(curve))
            row[hold] = 1.0
            row[0] = -self.larger_rules / kept
            row[steep] = self.larger_rules * preload / kept**2 if slope > LEAST_SLOPE else 0.0
            found.append((curve[hold] - value - self.larger_rules * preload / kept) / sd)
            rows.append(row / sd)
        if self.slope_ratio is not None:
            value, sd = self.slope_ratio
            size = sd * max(drive, LEAST_SLOPE)
            row = np.zeros(len(curve))
            row[index["coast_slope"]] = 1 / size
            row[index["drive_slope"]] = -value / size
            found.append((coast - value * drive) / size)
            rows.append(row)
        return np.array(found), np.array(rows).reshape(-1, len(curve))
