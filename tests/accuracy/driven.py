"""What the plates carried where they slipped in a session: the truth that a measured lock curve is held against.

Plates fade, stick harder than they slip, and pins that rub hold the thrust up as torque falls, so a differential has no
one curve. What a log can tell is the mean of what was carried at each torque, with the slope that goes with it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analyzer.simulation.simulated_car import LockParameters

SLIPPING_RAD_S = 0.3  # the least that the fit takes for slip (`lockcurve/observations.py`)
# no source: slower driving, torques that count as one, and how long packs must slip there
SLOWEST_M_S, NEAR_Nm, LEAST_S = 8.0, 60.0, 0.4
PER_CENT = (3, 97)  # of the torques where packs slipped: beyond, the axle only passed through


@dataclass(frozen=True)
class Carried:
    """Input torque (n,) of the samples that slipped off the brakes, how much more they locked than `lock` does midway
    between rising and falling torque, cold and slipping fast (n,), and what one of them lasts."""

    lock: LockParameters
    torque_Nm: np.ndarray
    more_Nm: np.ndarray
    step_s: float

    @classmethod
    def of(cls, truth: pd.DataFrame, lock: LockParameters) -> "Carried":
        slips = ~truth["locked"].to_numpy() & (truth["speed_difference"].abs().to_numpy() > SLIPPING_RAD_S)
        slips &= (truth["brake_torque"].to_numpy() <= 50) & (truth["vx"].to_numpy() > SLOWEST_M_S)
        torque, locking = (truth[name].to_numpy()[slips] for name in ("input_torque", "locking_capacity"))
        more = locking - np.array([lock.locking_torque(t) for t in torque])
        return cls(lock, torque, more, float(np.median(np.diff(truth["time"]))))

    def at(self, torque_Nm: float) -> float | None:
        """Locking torque at an input torque (N.m), on a straight line through what was carried more near it; None where
        too little slipped."""
        if not len(self.torque_Nm):
            return None
        low, high = np.percentile(self.torque_Nm, PER_CENT)
        near = np.abs(self.torque_Nm - torque_Nm) < NEAR_Nm
        if not low <= torque_Nm <= high or near.sum() * self.step_s <= LEAST_S:
            return None
        more = np.polynomial.Polynomial.fit(self.torque_Nm[near], self.more_Nm[near], 1)(torque_Nm)
        return self.lock.locking_torque(torque_Nm) + float(more)

    def slope(self, side: str) -> float:
        """Slope of `drive` or `coast` that goes with what was carried, preload and hold-off as they are (least
        squares); the differential's own where nothing slipped behind the bend."""
        hold = dict(zip(("drive", "coast"), self.lock.hinge_holds_Nm, strict=True))[side]
        behind = np.maximum((1 if side == "drive" else -1) * self.torque_Nm - hold, 0.0)
        own = float(getattr(self.lock, f"{side}_slope"))
        return own + float(behind @ self.more_Nm / (behind @ behind)) if behind.any() else own
