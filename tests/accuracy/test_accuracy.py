"""How close the measured side comes to known truth, on cars, loggers and tyres that differ from the model.

Bounds are what was measured with a margin, not what one would wish; `python -m tests.accuracy.table` prints them.
"""

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from accuracy.cases import CASES, TYRES, Case, analysed, measure
from sizes import only_whole


@dataclass(frozen=True)
class Limits:
    """How far off a case may be: 1.5 times the worst of ten seeds (of correlations, of what is left of one)."""

    lock_error: float
    width: float
    transfer: float
    braked: float
    kinematic: float


# beside each what three seeds gave: lock error, width, transfer and braked correlation, kinematic lock. The radii of
# these cars do not fall with load, unlike any published tyre's, and the fit believes that they do: some 10 % off
LIMITS = {
    "club 1180 kg, 100 Hz": Limits(0.222, 1.62, 0.893, 0.952, 0.018),  # 9-15 %, 1.08, 0.940, 0.969, 0.007
    "light 760 kg, 200 Hz": Limits(0.206, 1.75, 0.870, 0.946, 0.015),  # 9-14 %, 1.17, 0.925, 0.965, 0.007
    # ten seeds: 6-15 %, 0.66-0.78, 0.989, 0.982, 0.006-0.008
    "heavy 1500 kg, 50 Hz": Limits(0.227, 1.14, 0.982, 0.975, 0.018),
    # three times as far off, and their intervals know it
    "club, minimum channels": Limits(
        0.72, 2.80, 0.80, 0.93, 0.015
    ),  # 35 %, 2.53 with clock and scales unchecked, 0.852
    "light, poor sensors, wrong file": Limits(0.335, 2.05, 0.500, 0.938, 0.020),  # 2-12 %, 1.37, 0.786, 0.962, 0.009
    "heavy 200 Hz, wrong file": Limits(0.330, 0.95, 0.968, 0.967, 0.015),  # 6-22 %, 0.63, 0.979, 0.981, 0.008
    "unlike axles": Limits(0.138, 1.46, 0.798, 0.958, 0.015),  # 3-9 %, 0.97, 0.895, 0.974, 0.007
}
# all of the points inside with every seed, but for 0.64 to 1.00 of the heavy car's with a wrong file (ten seeds, 0.87
# in the mean)
LEAST_COVERAGE = 0.70


@dataclass(frozen=True)
class TyreLimits:
    """As above, but the coverage: the least of ten seeds, and one point of eighteen more."""

    lock_error: float
    coverage: float
    width: float
    transfer: float


# beside each what ten seeds gave: lock error, points inside, width, transfer correlation. Bounds under 1.5 times that
# are of an earlier measurement and were not widened. The log does not tell load sensitivity, and what a tyre that has
# more of it gets wrong is alike in all passes, so no residual shows it
TYRE_LIMITS = {
    "slippery and stiff": TyreLimits(0.149, 0.94, 1.32, 0.727),  # 5-10 %, all, 0.86-0.88, 0.82-0.89
    # since the front wheels are spun up with the car; three seeds (22-32 %, 0.62-1, 0.981-0.983 before on the same)
    "grippy and soft": TyreLimits(0.60, 0.40, 1.83, 0.960),  # 37-47 %, 0.43-1, 0.98-1.12, 0.970-0.978
    "proportional to load": TyreLimits(0.274, 0.94, 2.17, 0.755),  # 10-18 %, all, 1.30-1.45, 0.84-0.91
    "sensitive to load": TyreLimits(0.35, 0.50, 1.14, 0.871),  # 21-24 %, 0.50-0.71, 0.66-0.76, 0.91-0.95
    "falling past its peak": TyreLimits(0.206, 0.94, 1.54, 0.920),  # 10-14 %, all, 0.98-1.03, 0.947-0.955
}


@cache
def driven(name):
    """A case's session and its analysis, once for all tests."""
    session = CASES[name].drive()
    with tempfile.TemporaryDirectory() as folder:
        return session, analysed(session.log, CASES[name].file, Path(folder))


@pytest.mark.parametrize("name", CASES)
def test_measured_curve_is_near_the_truth_and_inside_its_interval(name):
    found = measure(CASES[name], *driven(name))
    limits = LIMITS[name]
    assert found.points >= 12
    assert found.lock_error < limits.lock_error
    assert found.coverage >= LEAST_COVERAGE
    assert found.width < limits.width
    assert found.transfer_correlation > limits.transfer
    assert found.braked_correlation > limits.braked
    assert found.kinematic_error < limits.kinematic


def test_without_a_brake_channel_hardly_a_braked_sample_measures_the_curve():
    # 40 own cars: 0.2 % of the slipping samples; 4.3 % before braking lasted until the car coasts, and preload -25 %
    session, analysis = driven("club, minimum channels")
    signals, truth = analysis.signals, session.truth
    told_off = analysis.axle.slipping & signals.valid & signals.speed_trusted & ~signals.braking
    assert told_off.sum() > 10 * signals.rate_hz
    assert (truth["brake_torque"].to_numpy()[told_off] > 50).mean() < 0.01


SOME = ("slippery and stiff", "grippy and soft")  # the one that is read best, and the one that is read worst


@pytest.mark.slow
@pytest.mark.parametrize("name", [n if n in SOME else pytest.param(n, marks=only_whole) for n in TYRES])
def test_a_tyre_of_another_kind_is_calibrated_on_its_own_log(name, tmp_path):
    case = Case(tyre=TYRES[name])
    session = case.drive()
    found = measure(case, session, analysed(session.log, case.file, tmp_path))
    assert found.points >= 5
    limits = TYRE_LIMITS[name]
    assert found.lock_error < limits.lock_error
    assert found.coverage >= limits.coverage
    assert found.width < limits.width
    assert found.transfer_correlation > limits.transfer
