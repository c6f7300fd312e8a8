"""How large the Monte Carlo tests, the fuzzing and the tables of cases are: small for a developer's and CI's run, whole
with HALFSHAFT_WHOLE=1 (half an hour). A share that n draws give scatters by sqrt(p (1 - p) / n): bounds are set by the
size, never by hand for one. Of a table a small run takes a case of each kind, the same every day; the others are marked
`only_whole`, and `conftest.py` leaves them out."""

import math
import os

import pytest

WHOLE = os.environ.get("HALFSHAFT_WHOLE", "") not in ("", "0")


def sized(small, whole):
    """The value of this run."""
    return whole if WHOLE else small


only_whole = pytest.mark.only_whole


def share_bounds(p: float, count: int, sigmas: float = 2.75) -> tuple[float, float]:
    """Between which shares `count` draws of probability `p` come out, all but 0.6 % of the time."""
    off = sigmas * math.sqrt(p * (1 - p) / count)
    return p - off, min(p + off, 1.0)
