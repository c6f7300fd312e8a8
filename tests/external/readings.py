"""What the tool reads of the multi-body car: one driven and analysed session, and its errors against truth."""

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from accuracy.cases import analysed
from external.multibody import Driven, drive

from analyzer.analysis import Analysis
from analyzer.simulation.simulated_car import LockParameters

SECONDS = 100.0
LOCKS = {
    "open": LockParameters(kind="open"),
    "60 N.m + 0.15 T": LockParameters(preload_Nm=60.0, drive_slope=0.15, coast_slope=0.10),
    "80 N.m + 0.20 T": LockParameters(preload_Nm=80.0, drive_slope=0.20, coast_slope=0.10),
}


@dataclass(frozen=True)
class Read:
    """A session of the multi-body car and what the tool made of it."""

    lock: LockParameters
    driven: Driven
    analysis: Analysis

    @property
    def points(self) -> np.ndarray:
        """(k, 5) of the measured points: input torque, locking torque, lower, upper, truth (N.m)."""
        return np.array(
            [
                (
                    p.input_torque_Nm,
                    p.locking_torque_Nm,
                    p.lower_Nm,
                    p.upper_Nm,
                    self.lock.locking_torque(p.input_torque_Nm),
                )
                for p in self.analysis.lock_curve.points
                if p.kind == "measured"
            ]
        )

    def error(self, name: str) -> float:
        """Relative error of the parameter `name`."""
        true = getattr(self.lock, name)
        return self.analysis.lock_curve.parameters[name].value / true - 1


@cache
def read(name: str, seed: int, chassis: int = 2) -> Read:
    """Drive and analyse one session; each is driven once a process."""
    driven = drive(lock=LOCKS[name], seconds=SECONDS, seed=seed, chassis=chassis)
    with tempfile.TemporaryDirectory() as folder:
        return Read(LOCKS[name], driven, analysed(driven.log, driven.car, Path(folder)))
