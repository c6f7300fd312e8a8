"""Damped Newton steps down a loss: one that does not lead down is taken again, shorter (K. Levenberg, Quart. Appl.
Math. 2, 1944; D. W. Marquardt, SIAM J. 11, 1963).

The fit itself (`fit.py`) goes down another way: the weights of its samples change from step to step.
"""

from collections.abc import Callable
from typing import Protocol, TypeVar

MOST_STEPS = 60
SETTLED = 1e-3  # of the loss, whose unit is one half of a squared standard deviation
FIRST_DAMPING = 1e-3  # of the diagonal; ten times more after each step that led up, a tenth after one that led down
MOST_DAMPING = 1e6  # a step of a millionth leads nowhere


class Place(Protocol):
    """Somewhere with a loss."""

    @property
    def loss(self) -> float: ...


P = TypeVar("P", bound=Place)


def lowest(at: P, step: Callable[[P, float], P], *, damping: float = FIRST_DAMPING, most_steps: int = MOST_STEPS) -> P:
    """Where steps lead from `at`.

    Parameters
    ----------
    at : where they begin.
    step : from a place with a damping to the next one; the larger the damping, the shorter the step.
    damping : of the first step; 0 is Newton's own.
    most_steps : looks at a next place, those that led up among them.

    Examples
    --------
    From 3 down to the lowest point of x^4, whose Newton steps are too short for it:

    >>> from types import SimpleNamespace
    >>> def place(x):
    ...     return SimpleNamespace(x=x, loss=x**4)
    >>> def step(at, damping):
    ...     return place(at.x - 4 * at.x**3 / (12 * at.x**2 * (1 + damping)))
    >>> lowest(place(3.0), step).loss < 1e-3
    True
    """
    for _ in range(most_steps):
        there = step(at, damping)
        if not there.loss < at.loss:
            damping = max(10 * damping, FIRST_DAMPING)
            if damping > MOST_DAMPING:
                break
            continue
        gained, damping, at = at.loss - there.loss, damping / 10, there
        if gained < SETTLED:
            break
    return at
