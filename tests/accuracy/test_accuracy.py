"""How close the measured side comes to known truth, on cars, loggers and tyres that differ from the model.

Bounds are what was measured with a margin, not what one would wish; `python -m tests.accuracy.table` prints them.
"""

from dataclasses import dataclass

import pytest
from accuracy.cases import CASES, TYRES, Case, analysed, measure


@dataclass(frozen=True)
class Limits:
    """How far off a case may be: 1.5 times the worst of ten seeds (of correlations, of what is left of one)."""

    lock_error: float
    width: float
    transfer: float
    braked: float
    kinematic: float


# beside each what ten seeds gave (commit a075aff): lock error, width, transfer and braked correlation, kinematic lock
LIMITS = {
    "club 1180 kg, 100 Hz": Limits(0.153, 1.60, 0.893, 0.952, 0.018),  # 6-10 %, 1.07, 0.929, 0.968, 0.012
    "light 760 kg, 200 Hz": Limits(0.138, 1.38, 0.870, 0.946, 0.015),  # 4-9 %, 0.92, 0.913, 0.964, 0.010
    "heavy 1500 kg, 50 Hz": Limits(0.120, 1.22, 0.988, 0.975, 0.018),  # 1-8 %, 0.81, 0.992, 0.983, 0.012
    # 46-71 %, 2.04, 0.848, 0.951, 0.009: six times as far off, and their intervals know it. Before the fit had its
    # newer terms (commit 84e623c) 40-45 % and 1.8 with three seeds: no more than what is measured is allowed here
    "club, minimum channels": Limits(0.72, 2.10, 0.80, 0.93, 0.015),
    "light, poor sensors, wrong file": Limits(0.335, 1.34, 0.500, 0.938, 0.020),  # 9-22 %, 0.89, 0.667, 0.959, 0.013
    "heavy 200 Hz, wrong file": Limits(0.305, 1.46, 0.971, 0.967, 0.015),  # 6-20 %, 0.97, 0.981, 0.978, 0.010
    "unlike axles": Limits(0.195, 1.37, 0.798, 0.958, 0.015),  # 11-13 %, 0.91, 0.865, 0.972, 0.010
}
# lock error by tyre, measured with three seeds each: 7-8 % | 45-68 % | 30-42 % | 11 % | 11-13 %. The log does not tell
# load sensitivity, so grip and stiffness in proportion to load read high (coverage 1, 0.67, 0.39); so does a tyre
# that is soft for its grip (0.14, 1, 1 at commit 84e623c; 28 %, all inside, at a075aff).
TYRE_LIMITS = {
    "slippery and stiff": 0.18,
    "grippy and soft": 0.45,
    "proportional to load": 0.60,
    "sensitive to load": 0.25,
    "falling past its peak": 0.25,
}


@pytest.mark.parametrize("name", CASES)
def test_measured_curve_is_near_the_truth_and_inside_its_interval(name, tmp_path):
    case = CASES[name]
    session = case.drive()
    found = measure(case, session, analysed(session.log, case.file, tmp_path))
    limits = LIMITS[name]
    assert found.points >= 12
    assert found.lock_error < limits.lock_error
    assert found.coverage >= 0.85  # all of them with every seed
    assert found.width < limits.width
    assert found.transfer_correlation > limits.transfer
    assert found.braked_correlation > limits.braked
    assert found.kinematic_error < limits.kinematic


def test_without_a_brake_channel_hardly_a_braked_sample_measures_the_curve(tmp_path):
    # 40 own cars: 0.2 % of the slipping samples; 4.3 % before braking lasted until the car coasts, and preload -25 %
    case = CASES["club, minimum channels"]
    session = case.drive()
    analysis = analysed(session.log, case.file, tmp_path)
    signals, truth = analysis.signals, session.truth
    told_off = analysis.axle.slipping & signals.valid & signals.speed_trusted & ~signals.braking
    assert told_off.sum() > 10 * signals.rate_hz
    assert (truth["brake_torque"].to_numpy()[told_off] > 50).mean() < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("name", TYRES)
def test_a_tyre_of_another_kind_is_calibrated_on_its_own_log(name, tmp_path):
    case = Case(tyre=TYRES[name])
    session = case.drive()
    found = measure(case, session, analysed(session.log, case.file, tmp_path))
    assert found.points >= 5
    assert found.lock_error < TYRE_LIMITS[name]
    assert found.coverage >= 0.85
    assert found.width < 1.6
    assert found.transfer_correlation > 0.6
