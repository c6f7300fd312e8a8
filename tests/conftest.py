"""What CI asks of a test run: a test that is left out, or that tests the source tree although the wheel was meant,
proves nothing. And the order in which files are given to several workers: those with slow tests first.
"""

import sysconfig
from pathlib import Path

import pytest

PACKAGES = ("analyzer", "dashboards", "sample_logs")


def pytest_addoption(parser):
    group = parser.getgroup("halfshaft")
    group.addoption("--installed", action="store_true", help="refuse to test anything but the installed packages")
    group.addoption("--must-run", action="store_true", help="a test that is skipped counts as failed")


def pytest_configure(config):
    if config.getoption("--installed"):
        from importlib import import_module

        home = Path(sysconfig.get_path("purelib"))
        found = {name: Path(import_module(name).__file__) for name in PACKAGES}
        astray = [f"{name} comes from {path.parent}" for name, path in found.items() if home not in path.parents]
        if astray:
            raise pytest.UsageError(f"--installed: {'; '.join(astray)}, not from {home}")


def _refused(config, report):
    if config.getoption("--must-run") and report.skipped and not hasattr(report, "wasxfail"):
        where = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome, report.longrepr = "failed", f"--must-run: this was left out. {where}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    return _refused(item.config, (yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    return _refused(collector.config, (yield))


def pytest_collection_modifyitems(items):
    """Files that take long begin first, or the last one keeps one worker busy alone. What a file is called stays the
    order among its equals, and the order of tests within a file is theirs."""
    slow = {item.path for item in items if item.get_closest_marker("slow") or item.path.parent.name == "browser"}
    items.sort(key=lambda item: item.path not in slow)
