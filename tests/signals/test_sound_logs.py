"""Sound logs of cars that were once refused: what they do is no contradiction."""

import tempfile
from pathlib import Path

import pytest
from accuracy.many import MINIMUM
from accuracy.random_sessions import simulate_random

from analyzer.logs.read import read_log
from analyzer.signals.examine import examined
from analyzer.signals.pair_tests import consistency_tests

# random cars with everything real cars do, and what they were refused or bounded for
REFUSED = {
    69: "a rear wheel that lags as its own brake makes it slip",
    1700: "an inside rear wheel that spins at steady speed",
    1704: "one corner to the left, on a hill",
    1729: "an inner front wheel that is off the road in most corners",
    2024: "left turns that are faster than right ones",
    2623: "a front wheel that slips more than the other as the car slows",
}
# the same with the minimum channels
REFUSED_WITH_FEW = {
    1753: "an inner front wheel that is light in a thirtieth of the driving",
    1765: "an inner front wheel that is light in a thirtieth of the driving",
    1622: "left turns that climb",
    1764: "right turns that climb",
    1729: "an inner front wheel that is off the road in most corners",
    1732: "an inner front wheel that is off the road in most corners",
}


def consistency_of(log, car):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.parquet"
        log.to_parquet(path)
        return consistency_tests(examined(read_log(path)), car)


@pytest.mark.slow
@pytest.mark.parametrize("seed", REFUSED, ids=REFUSED.get)
def test_what_cars_do_is_no_contradiction(seed):
    run = simulate_random(seed)
    tests = consistency_of(run.logs[0], run.file)
    assert not [test.name for test in tests if test.outcome == "disagrees"]
    # and they say it by number, not by leaving the tests out
    assert sum(test.number is not None for test in tests) > 50


@pytest.mark.slow
@pytest.mark.parametrize("seed", REFUSED_WITH_FEW, ids=REFUSED_WITH_FEW.get)
def test_what_cars_do_is_no_contradiction_with_few_channels(seed):
    run = simulate_random(seed)
    tests = consistency_of(run.logs[0][MINIMUM], run.file)
    assert not [test.name for test in tests if test.outcome == "disagrees"]
    assert sum(test.number is not None for test in tests) > 30
