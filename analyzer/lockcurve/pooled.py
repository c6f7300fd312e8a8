"""Observations of a session that comes in stretches, thinned evenly to what a fit takes."""

from collections.abc import Iterable
from dataclasses import fields, replace

import numpy as np

from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.problem import MOST_SAMPLES
from analyzer.long_arrays import array_names
from analyzer.vehicle.axle import AxleInputs

KEPT = 4 * MOST_SAMPLES  # the fit's own thinning then costs a quarter of its samples at most


def pooled(stretches: Iterable[tuple[Observations, slice]]) -> Observations:
    """The rows of all stretches that measure or bound the lock curve, in one.

    Parameters
    ----------
    stretches : observations of each, and the samples of it that count (in its own `index`).

    Notes
    -----
    Every second row goes each time that more than `KEPT` are held, of all stretches alike; the weight of what is left
    grows by as much. A single stretch is not thinned here.
    """
    kept: list[Observations] = []
    thin, groups = 1, 0
    for observed, own in stretches:
        inside = (observed.index >= own.start) & (observed.index < own.stop)
        rows = np.flatnonzero(inside & observed.usable & (observed.slipping | observed.locked))[::thin]
        group = observed.group + groups
        groups = int(group.max()) + 1
        kept.append(replace(observed, group=group).take(rows))
        while len(kept) > 1 and sum(len(k.index) for k in kept) > KEPT:
            thin *= 2
            kept = [k.take(slice(None, None, 2)) for k in kept]
    arrays = {n: np.concatenate([getattr(k, n) for k in kept]) for n in array_names(kept[0])}
    inputs = {f.name: np.concatenate([getattr(k.inputs, f.name) for k in kept]) for f in fields(AxleInputs)}
    return replace(
        kept[0],
        **arrays,
        inputs=AxleInputs(**inputs),
        weight=kept[0].weight * thin,
        has_gyro=all(k.has_gyro for k in kept),
        slip_known=all(k.slip_known for k in kept),
        has_lateral=all(k.has_lateral for k in kept),
    )
