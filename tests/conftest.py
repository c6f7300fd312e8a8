"""What a test run may be asked for beyond pytest's own options; a stranger needs none of it.

`--whole` runs every Monte Carlo test at its full size (tests take it from the fixture `whole`). The other two are for
CI: a test that is left out, or that tests the source tree although the wheel was meant, proves nothing.
"""

import sysconfig
from pathlib import Path

import pytest

PACKAGES = ("analyzer", "dashboards", "sample_logs")


def pytest_addoption(parser):
    group = parser.getgroup("halfshaft")
    group.addoption("--whole", action="store_true", help="Monte Carlo tests at their full size, half an hour in all")
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


@pytest.fixture(scope="session")
def whole(request):
    """True where Monte Carlo tests run at their full size."""
    return request.config.getoption("--whole")
