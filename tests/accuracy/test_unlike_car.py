"""End to end on a car whose axles are unlike by 15 %: what is taken of the wrong axle is off by that.

Limits are 1.5 times the worst of ten (`python -m accuracy.test_unlike_car`
in tests prints them).
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from accuracy.cases import UNLIKE, Case, Measured, analysed, measure

from analyzer.signals.timebase import low_pass
from analyzer.simulation.simulated_car import LockParameters

CASE = Case(car=UNLIKE, lock=LockParameters(preload_Nm=70.0, drive_slope=0.25, coast_slope=0.20), laps=3)


@dataclass(frozen=True)
class Read:
    """Errors of one session; slopes of torques said over true ones (1), errors of both torques (N.m)."""

    measured: Measured
    input_slope: float
    input_error_Nm: float
    transfer_slope: float


def read(seed: int) -> Read:
    case = Case(**{**CASE.__dict__, "seed": seed})
    session = case.drive()
    with tempfile.TemporaryDirectory() as folder:
        analysis = analysed(session.log, case.file, Path(folder))
    truth, rate = session.truth, analysis.signals.rate_hz
    at = analysis.signals.time_s + truth["time"].iloc[0]
    smooth = lambda name: np.interp(  # noqa: E731
        at, truth["time"], low_pass(truth[name].to_numpy(), cutoff_hz=3.0, rate_hz=rate)
    )
    axle, torque, difference = analysis.axle, smooth("input_torque"), smooth("torque_left_minus_right")
    steady = np.abs(np.gradient(torque) * rate) < 1000.0  # N.m/s: the throttle opens through zero faster
    known = np.isfinite(axle.input_torque_Nm) & ~axle.braked & steady & analysis.signals.valid
    slips = known & axle.slipping
    return Read(
        measured=measure(case, session, analysis),
        input_slope=float(np.polyfit(torque[known], axle.input_torque_Nm[known], 1)[0]),
        input_error_Nm=float(np.median(np.abs(axle.input_torque_Nm - torque)[known])),
        transfer_slope=float(np.polyfit(difference[slips], axle.torque_difference_Nm[slips], 1)[0]),
    )


def test_no_figure_is_taken_of_the_wrong_axle():
    """Beside each bound what ten seeds gave, in brackets before the fit had its newer terms (commit 84e623c). Torques
    by the front radius would be 14 % low; yaw over the front track would shift every slip."""
    found = read(1)
    assert found.input_slope == pytest.approx(1.0, abs=0.029)  # 0.981 to 0.986 (0.997 to 0.9995)
    assert found.input_error_Nm < 28  # 16 to 19 (8 to 13)
    assert 0.65 < found.transfer_slope < 1.05  # 0.77 to 0.82 (0.86 to 0.93)
    assert found.measured.lock_error < 0.28  # 0.14 to 0.19 (0.07 to 0.13)
    assert found.measured.coverage >= 0.85 and found.measured.width < 1.33  # 1.00, 0.77 to 0.89
    assert found.measured.transfer_correlation > 0.88  # 0.92 to 0.95: 1.5 times as much is left unexplained
    assert found.measured.transfer_rmse_Nm < 61  # 31 to 41
    assert found.measured.braked_correlation > 0.959  # 0.973
    assert found.measured.kinematic_error < 0.0138  # 0.006 to 0.009 (0.002 to 0.005)


if __name__ == "__main__":
    for seed in range(1, 11):
        print(seed, read(seed), flush=True)
