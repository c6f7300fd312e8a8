"""The laps replayed with a curve that somebody tries."""

import json
from importlib import resources
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder

from analyzer.errors import InputError
from analyzer.pipeline import analyze
from dashboards.whatif_page import RANGES, start_of, told, trial

SAMPLES = Path(str(resources.files("sample_logs")))


@pytest.fixture(scope="module")
def analysis():
    """The shipped sample, really fitted: a made-up curve would not be the one that its laps were driven with."""
    return analyze(log_path=SAMPLES / "baseline.parquet", car_path=SAMPLES / "club_car.toml")


@pytest.fixture(scope="module")
def measured(analysis):
    return start_of(analysis)["measured"]


def test_the_measured_curve_changes_next_to_nothing(analysis, measured):
    """The sliders' steps are all that differs, so a replay of it says what the fitted differential did."""
    told = trial(analysis, measured)
    now, then = told["spin_s"]
    assert then == pytest.approx(now, abs=0.1 * max(now, 1.0))
    assert told["moment_Nm"][1] == pytest.approx(told["moment_Nm"][0], abs=5.0)
    assert {c["corner"] for c in told["corners"]} == {c.number for c in analysis.corners}
    assert sum(c["passes"] for c in told["corners"]) == len(analysis.corners)


def test_corners_share_the_whole_and_more_lock_spins_less(analysis, measured):
    told = trial(analysis, measured | {"preload_Nm": 200.0})
    for k in (0, 1):
        assert sum(c["seconds"][k] for c in told["corners"]) == pytest.approx(told["spin_s"][k], abs=0.02 * 20)
    assert told["spin_s"][1] < told["spin_s"][0]
    assert told["moment_Nm"][1] > told["moment_Nm"][0]  # which is what more lock costs


@pytest.mark.parametrize("name", RANGES)
def test_a_figure_out_of_its_range_is_refused_in_words(analysis, measured, name):
    with pytest.raises(InputError, match=r"allowed: 0 to"):
        trial(analysis, measured | {name: 1e6})


def test_the_advice_begins_with_what_is_fitted_and_says_how_near_its_replay_comes():
    """The curve above is the log's alone, the replay's weighs it with the parts: two moments, and why."""

    def option(label, changes, rank, moment):
        ends = {"lower": None, "upper": None}
        outcome = {"spin_s": {"value": 3.0} | ends, "coast_moment_Nm": {"value": moment} | ends}
        own = {"holds": f"holds {label}.", "costs": "", "hangs_on": "the plates." if rank else None}
        return {"label": label, "changes": changes, "rank": rank, "sure": rank and 0.9, "outcome": outcome} | own

    options = [option("as fitted", {}, None, 56.0), option("ramp rings 45/80", {"rings": "45/80"}, 1, 62.0)]
    advice = {"answer": "Fit.", "causes": {}, "options": options, "advised": options[1:], "assumptions": []}
    shown = json.dumps(told(advice | {"cautions": [], "replay_checked": "38 N.m in the log."}), cls=PlotlyJSONEncoder)
    assert shown.index('"as fitted"') < shown.index("38 N.m in the log.") < shown.index('"ramp rings 45/80"')
    assert "holds ramp rings 45/80. It depends on the plates." in shown
