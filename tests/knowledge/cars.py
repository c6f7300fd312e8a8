"""Runs of made-up cars whose word is Gaussian, so that what must come of it is known exactly."""

import numpy as np

from analyzer.knowledge.carried import WANDERING, wandering
from analyzer.knowledge.known_car import CarRun
from analyzer.knowledge.told import Told

NAMES = tuple(WANDERING)
PRIOR_SD = np.array([5.0 * WANDERING[name] for name in NAMES])
DRIVEN = {"car": "file a", "tyres": "set 1", "weather": "dry", "sensor": "unit 1"}


def a_car(rng: np.random.Generator) -> np.ndarray:
    """(p,) its unknowns, drawn from the prior about 0."""
    return rng.normal(0, PRIOR_SD)


def a_run(rng, true, *, number=0, wanders=1.0, rank=12, off=0.0, code="1", **driven) -> CarRun:
    """A run that measures `rank` directions of its own car's unknowns, each within one deviation; `off` (p,) is how far
    it speaks of another car."""
    own = true + wanders * rng.normal(0, wandering(NAMES)) + off
    weights = rng.normal(size=(rank, len(NAMES))) / PRIOR_SD
    seen = weights @ own + rng.normal(size=rank)
    told = Told(NAMES, weights.T @ weights, weights.T @ seen, np.zeros(len(NAMES)), PRIOR_SD)
    return CarRun(f"run {number}", (f"log {number}",), DRIVEN | driven, code, told, date_s=float(number))
