"""What CI asks of a test run: a test that is left out, or that tests the source tree although the wheel was meant,
proves nothing. And which files are slow: they are given to the workers first, and `-m "not slow"` leaves them out.
"""

import gc
import os
import sysconfig
from pathlib import Path

import pytest
from sizes import WHOLE

PACKAGES = ("analyzer", "dashboards", "sample_logs")

# before numpy comes: the page's jobs have one thread, more add up in another order, and pytest has a process a core
os.environ["OMP_NUM_THREADS"] = "1"


def pytest_addoption(parser):
    group = parser.getgroup("halfshaft")
    group.addoption("--installed", action="store_true", help="refuse to test anything but the installed packages")
    group.addoption("--must-run", action="store_true", help="a browser test that is skipped counts as failed")


def pytest_configure(config):
    if config.getoption("--installed"):
        from importlib import import_module

        home = Path(sysconfig.get_path("purelib"))
        found = {name: Path(import_module(name).__file__) for name in PACKAGES}
        astray = [f"{name} comes from {path.parent}" for name, path in found.items() if home not in path.parents]
        if astray:
            raise pytest.UsageError(f"--installed: {'; '.join(astray)}, not from {home}")


def _refused(config, report):
    of_browser = "browser/" in report.nodeid
    if config.getoption("--must-run") and of_browser and report.skipped and not hasattr(report, "wasxfail"):
        where = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome, report.longrepr = "failed", f"--must-run: this was left out. {where}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    return _refused(item.config, (yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    return _refused(collector.config, (yield))


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Some 350,000 objects stay to the end: not looked through while they come, nor each time garbage is collected."""
    gc.disable()
    found = yield
    gc.freeze()
    gc.enable()
    return found


@pytest.fixture(scope="module")
def analysed_once():
    """Where the answer to the same files is wanted again, it is not worked out again (`analysed_once.py`)."""
    from analysed_once import patched  # the analyzer takes a while to import, and not every test needs it

    with pytest.MonkeyPatch.context() as patch:
        patched(patch)
        yield


# Processor seconds of the files that take five and more (2026-12-01, three quarters of what a busy machine took).
# `-m "not slow"` leaves them out, for a developer's loop; below, of files that mark some of their own tests or none.
LONG = {
    "accuracy/test_accuracy.py": 14,
    "accuracy/test_poorer_channels.py": 8,
    "accuracy/test_same_answer.py": 7,
    "advice/test_advise.py": 32,
    "advice/test_less_lock.py": 5,
    "advice/test_ranking.py": 7,
    "agreement/test_diagnose.py": 10,
    "batch/test_batch.py": 20,
    "benchmarks/test_benchmarks.py": 5,
    "browser/test_browser_car.py": 21,
    "browser/test_browser_guide.py": 9,
    "browser/test_browser_legible.py": 30,
    "browser/test_browser_more_logs.py": 20,
    "browser/test_browser_plan.py": 12,
    "browser/test_browser_races.py": 24,
    "browser/test_browser_run.py": 35,
    "browser/test_browser_season.py": 6,
    "browser/test_browser_start.py": 55,
    "browser/test_browser_walks.py": 22,
    "comparison/test_compare.py": 24,
    "comparison/test_phase_changes.py": 6,
    "comparison/test_planning.py": 10,
    "dashboards/test_dashboard_command.py": 13,
    "dashboards/test_jobs.py": 17,
    "dashboards/test_more_logs.py": 7,
    "dashboards/test_plan_page.py": 9,
    "findings/test_simulated.py": 8,
    "logbook/test_car.py": 8,
    "logbook/test_kill.py": 14,
    "logbook/test_logbook.py": 10,
    "logbook/test_nothing_lost.py": 12,
    "logs/test_fuzz.py": 12,
    "pipeline/test_analysed_json.py": 7,
    "pipeline/test_bad_logs.py": 12,
    "pipeline/test_limit_cases.py": 14,
    "pipeline/test_long_session.py": 33,
    "planning/test_plan.py": 12,
    "planning/test_worth.py": 6,
    "test_library.py": 18,
}
MARKED = {
    "accuracy/test_coverage.py": 13,
    "agreement/test_odds.py": 11,
    "batch/test_cluster.py": 12,
    "comparison/test_pairs.py": 10,
    "comparison/test_random_pairs.py": 15,
    "dashboards/test_security.py": 5,
    "external/test_multibody_car.py": 25,
    "findings/test_counterfactual.py": 10,
    "lockcurve/test_hold_off.py": 8,
    "lockcurve/test_limits_of_knowledge.py": 13,
    "logs/test_broken_files.py": 5,
    "logs/test_dialects.py": 8,
    "logs/test_faults_of_a_log.py": 5,
    "presentation/test_commands.py": 8,
    "signals/test_contradicted_wheels.py": 14,
    "signals/test_contradicted_zeros.py": 5,
    "signals/test_contradictions.py": 18,
    "signals/test_sound_logs.py": 7,
    "simulation/test_nuisances.py": 5,
    "simulation/test_sim_session.py": 11,
    "test_bounds.py": 8,
    "test_examples.py": 13,
    "test_imports.py": 5,
    "test_start_up.py": 5,
}
SLOW = pytest.mark.slow


def pytest_collection_modifyitems(config, items):
    """Files that take long begin first, the longest before the others, or the last one keeps one worker busy alone.
    What only a whole run has is left out of the others."""
    left_out = [] if WHOLE else [item for item in items if item.get_closest_marker("only_whole")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("only_whole")]
    here = Path(__file__).parent
    long = {here / name for name in LONG}
    seconds = {here / name: taken for name, taken in (LONG | MARKED).items()}
    for item in items:
        if item.path in long or here / "browser" in item.path.parents:
            item.add_marker(SLOW)
    items.sort(key=lambda item: -seconds.get(item.path, 0))
