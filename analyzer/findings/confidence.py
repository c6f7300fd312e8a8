"""How sure a finding is, from standard deviations and durations."""

import math

MOST = 0.99  # the model behind every finding can be wrong too
SETTLING_S = 0.15  # an event of this length has had one tyre response time to show itself
# the slip at peak force is known to about this, fitted or not (common practice, no source)
PEAK_SLIP_RELATIVE_SD = 0.15


def above(excess: float, standard_deviation: float) -> float:
    """Probability that a quantity measured at `excess` over its threshold is really over it, normal errors."""
    if not (math.isfinite(excess) and math.isfinite(standard_deviation)):
        return 0.5
    return 0.5 * (1 + math.erf(excess / (max(standard_deviation, 1e-12) * math.sqrt(2))))


def lasting(duration_s: float) -> float:
    """1 for a long event, towards 0 for one shorter than the tyre's response time."""
    return 1 - math.exp(-max(duration_s, 0.0) / SETTLING_S)


def confidence(*probabilities: float) -> float:
    """Product of independent probabilities, rounded to the two digits it deserves; never quite certain."""
    return round(min(max(math.prod(probabilities), 0.0), MOST), 2)
