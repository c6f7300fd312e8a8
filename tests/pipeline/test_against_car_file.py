"""A car file that the log contradicts: the answer says so first and concludes nothing."""

from pathlib import Path

import pytest
from accuracy.cases import analysed

import sample_logs
from analyzer.differential.setup import load_setup
from analyzer.presentation.words import answer_parts
from analyzer.signals.consistency import AGAINST_CAR_FILE

SETUP = load_setup(Path(sample_logs.__file__).with_name("baseline.setup.toml"))


def test_a_true_car_file_is_left_alone(answer):
    _, _, analysis = answer("plate")
    assert AGAINST_CAR_FILE not in [note.code for note in analysis.quality]


@pytest.mark.parametrize(
    "wrong, key",
    [
        ({"cg_height_m": 1.7}, "cg_height_m"),
        ({"rear_load_transfer_fraction": 1.7}, "rear_load_transfer_fraction"),
    ],
)
def test_a_figure_far_off_is_named_before_anything_else(answer, wrong, key, tmp_path):
    case, session, _ = answer("plate")
    car = case.car.model_copy(update={name: getattr(case.car, name) * times for name, times in wrong.items()})
    analysis = analysed(session.log, car, tmp_path, SETUP)
    asked, rest = answer_parts(analysis)
    assert asked.startswith("This log contradicts its car file")
    assert rest.startswith(f"The car file says {key} {getattr(car, key):.3g}; the log pulls it to 0.")
    assert analysis.agreement.verdict == "cannot_tell" and analysis.findings == ()
