"""What CI asks of a test run: a test that is left out, or that tests the source tree although the wheel was meant,
proves nothing. And which files are slow: they are given to the workers first, and `-m "not slow"` leaves them out.
"""

import sysconfig
from pathlib import Path

import pytest

PACKAGES = ("analyzer", "dashboards", "sample_logs")


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


@pytest.fixture(scope="module")
def analysed_once():
    """Where the answer to the same files is wanted again, it is not worked out again (`analysed_once.py`)."""
    from analysed_once import patched  # the analyzer takes a while to import, and not every test needs it

    with pytest.MonkeyPatch.context() as patch:
        patched(patch)
        yield


# processor seconds of the files that take longest, beside what is marked in a file itself; `-m "not slow"` leaves them
# out, for a developer's loop
LONG = {
    "accuracy/test_accuracy.py": 20,
    "advice/test_advise.py": 24,
    "advice/test_less_lock.py": 3,
    "advice/test_ranking.py": 4,
    "agreement/test_diagnose.py": 9,
    "batch/test_batch.py": 27,
    "benchmarks/test_benchmarks.py": 9,
    "comparison/test_compare.py": 36,
    "comparison/test_phase_changes.py": 6,
    "comparison/test_planning.py": 13,
    "dashboards/test_dashboard_command.py": 13,
    "dashboards/test_jobs.py": 28,
    "findings/test_simulated.py": 8,
}
SLOW = pytest.mark.slow


def pytest_collection_modifyitems(items):
    """Files that take long begin first, or the last one keeps one worker busy alone."""
    here = Path(__file__).parent
    for item in items:
        name = item.path.relative_to(here).as_posix() if here in item.path.parents else ""
        if name in LONG or name.startswith("browser/"):
            item.add_marker(SLOW)
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)
