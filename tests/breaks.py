"""`python -m tests.breaks [NAME ...]`: break the code on purpose, one line at a time, and see whether a test notices.

From the repository's root. Each break is made in a copy of the packages; the tests named beside it run against that
copy. Told are the breaks that survived, and those whose line is not there any more. `--list` shows them; `--mine`
leaves out those that once survived and now have tests of their own.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGES = ("analyzer", "dashboards", "sample_logs")


@dataclass(frozen=True)
class Break:
    """`old` becomes `new` in `file`; `tests` should notice. `old` stands there once."""

    file: str
    old: str
    new: str
    tests: str

    def made_in(self, root: Path) -> bool:
        path = root / self.file
        text = path.read_text("utf-8")
        if text.count(self.old) != 1:
            return False
        path.write_text(text.replace(self.old, self.new), "utf-8")
        return True


# every one of these once went unnoticed
SURVIVORS = {
    "torque by the front radius": Break(
        "analyzer/vehicle/axle.py",
        "radius, rolling = car.rear_rolling_radius_m",
        "radius, rolling = car.front_rolling_radius_m",
        "tests/vehicle",
    ),
    "no spin-up of the front wheels": Break(
        "analyzer/vehicle/axle.py", "        + 2 * given.spin_up_N\n", "", "tests/vehicle"
    ),
    "no spin-up of the rear wheels": Break(
        "analyzer/vehicle/axle.py", " + inertia * (left_acc + right_acc),", ",", "tests/vehicle"
    ),
    "yaw over the front track": Break(
        "analyzer/vehicle/axle.py", "yaw * car.rear_track_m / 2", "yaw * car.front_track_m / 2", "tests/vehicle"
    ),
    "moment over the front track": Break(
        "analyzer/vehicle/axle.py",
        "track, base, mass, tyre = car.rear_track_m",
        "track, base, mass, tyre = car.front_track_m",
        "tests/vehicle",
    ),
    "one radius for all wheels": Break(
        "analyzer/signals/wheel_speed.py", "car.rolling_radii_m[i]", "car.rolling_radii_m[2]", "tests/vehicle"
    ),
    "no lateral force in the friction circle": Break(
        "analyzer/findings/grip.py", "limit**2 - lateral**2", "limit**2", "tests/findings/test_rear_view.py"
    ),
    "no yaw error in the slips": Break(
        "analyzer/findings/rear_axle.py",
        "np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + yaw**2)",
        "np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + 0 * yaw**2)",
        "tests/findings/test_rear_view.py",
    ),
    "drive and coast support swapped": Break(
        "analyzer/lockcurve/summarise.py",
        "drive_supported=drive,\n        coast_supported=coast",
        "drive_supported=coast,\n        coast_supported=drive",
        "tests/lockcurve/test_sides.py",
    ),
    "rear left and right swapped in the chart": Break(
        "dashboards/figures/quantities.py",
        '"rear left": _wheel(2), "rear right": _wheel(3)',
        '"rear left": _wheel(3), "rear right": _wheel(2)',
        "tests/dashboards/test_wheel_lines.py",
    ),
    "no lock where a run is begun": Break(
        "dashboards/jobs.py",
        "        with self._lock:\n            before =",
        "        if True:\n            before =",
        "tests/dashboards/test_asked_at_once.py",
    ),
    "no lock where an analysis is loaded": Break(
        "dashboards/logbook.py",
        "        with self._lock:\n            if kept not in",
        "        if True:\n            if kept not in",
        "tests/dashboards/test_asked_at_once.py",
    ),
    "no lock around a transaction": Break(
        "analyzer/logbook/database.py",
        'with self._lock, self._errors():\n            self._connection.execute("BEGIN IMMEDIATE")',
        'with self._errors():\n            self._connection.execute("BEGIN IMMEDIATE")',
        "tests/logbook/test_shared_by_threads.py",
    ),
    "no lock around reading": Break(
        "analyzer/logbook/database.py",
        'with self._lock, self._errors():\n            self._connection.execute("BEGIN")',
        'with self._errors():\n            self._connection.execute("BEGIN")',
        "tests/logbook/test_shared_by_threads.py",
    ),
    "no lock where a logbook is opened": Break(
        "analyzer/logbook/placing.py",
        'with FileLock(self._folder / "opening.lock", timeout=OPENING_WAIT_S):',
        "if True:",
        "tests/logbook/test_shared_by_threads.py",
    ),
    "writes not brought to the disk": Break(
        "analyzer/logbook/database.py",
        "synchronous = FULL",
        "synchronous = OFF",
        "tests/logbook/test_shared_by_threads.py",
    ),
}


def noticed(broken: Break) -> bool | None:
    """Whether the break's tests fail on a broken copy; None where its line is not there."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for name in PACKAGES:
            shutil.copytree(ROOT / name, root / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("tests", "README.md", "pyproject.toml"):
            (root / name).symlink_to(ROOT / name)
        if not broken.made_in(root):
            return None
        line = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *broken.tests.split()]
        done = subprocess.run(
            line, cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True
        )
        if done.returncode not in (0, 1):
            raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
        return done.returncode == 1


def main(names: list[str]) -> int:
    """Print what each break came to; 1 where one survived."""
    listed = SURVIVORS
    if names == ["--list"]:
        print("\n".join(listed))
        return 0
    survived = []
    for name in names or listed:
        found = noticed(listed[name])
        told = {True: "noticed", False: "SURVIVED", None: "its line is not there"}[found]
        print(f"{told:<24}{name}", flush=True)
        survived += [name] if not found else []
    print(f"{len(survived)} of {len(names or listed)} survived" + (f": {', '.join(survived)}" if survived else ""))
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
