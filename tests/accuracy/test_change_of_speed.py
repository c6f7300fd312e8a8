"""How sure the longitudinal force is: by an accelerometer, and by the change of wheel speed that stands in for one."""

import numpy as np
import pytest
from accuracy.cases import analysed_together
from accuracy.many import MINIMUM
from accuracy.random_sessions import random_car

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve.observations import CUTOFF_HZ, observe
from analyzer.robust import scatter
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle_inputs import LONG_FORCE_SD_SHARE

SEED = 12  # the shares come from 300 to 307
ROUGH_SHARE = 0.034  # the middle of 0.023 to 0.046, which the fit takes for less (`vehicle/axle_inputs.py`)


@pytest.fixture(scope="module")
def driven():
    car = random_car(SEED)
    return car, car.drive("laps")


@pytest.mark.parametrize(
    ("channels", "share"),
    [(None, LONG_FORCE_SD_SHARE), (MINIMUM, ROUGH_SHARE)],
    ids=["accelerometer", "change of speed"],
)
def test_acceleration_errs_by_what_is_said_of_rough_roads(driven, tmp_path, channels, share):
    car, session = driven
    log = session.log if channels is None else session.log[channels]
    analysis = analysed_together([log], car.file, tmp_path)
    signals = analysis.signals
    seen = observe(signals, analysis.corners, car.file)
    truth = session.truth
    along = truth["longitudinal_acceleration"].to_numpy()
    if channels is not None:  # a change of speed does not feel a slide: a_x = du/dt - r v_y
        along = along + (truth["yaw_rate"] * truth["vy"]).to_numpy()
    at_log = np.interp(signals.time_s, truth["time"] - truth["time"].iloc[0], along)
    true_m_s2 = low_pass(at_log, cutoff_hz=CUTOFF_HZ, rate_hz=signals.rate_hz)[seen.index]
    error = (seen.inputs.long_m_s2 - true_m_s2)[seen.usable]
    assert 0.5 < scatter(error) / (share * STANDARD_GRAVITY_M_S2) < 1.6
