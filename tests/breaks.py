"""`python -m tests.breaks [NAME ...]`: break the code on purpose, one line at a time, and see whether a test notices.

From the repository's root. Each break is made in a copy of the packages; the tests named beside it run against that
copy. Told are the breaks that survived, and those whose line is not there any more. `--others` makes thirty further
ones (half an hour), some of which survive.
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
    "front wheels spun up with the rear ones": Break(
        "analyzer/vehicle/axle_inputs.py",
        "wheel_inertia_kg_m2 * inputs.long_m_s2 /",
        "wheel_inertia_kg_m2 * (inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2 /",
        "tests/vehicle",
    ),
    "no spin-up of the rear wheels": Break(
        "analyzer/vehicle/axle.py", " + inertia * (left_acc + right_acc),", ",", "tests/vehicle"
    ),
    "scatter of torque instead of slip": Break(
        "analyzer/lockcurve/loss.py",
        "    measured[of_stiffness] -= now.measured\n",
        "",
        "tests/lockcurve/test_what_scatters.py",
    ),
    "yaw over the front track": Break(
        "analyzer/vehicle/axle_inputs.py", "yaw * car.rear_track_m / 2", "yaw * car.front_track_m / 2", "tests/vehicle"
    ),
    "moment over the front track": Break(
        "analyzer/vehicle/axle.py",
        "track, base, mass, tyre = car.rear_track_m",
        "track, base, mass, tyre = car.front_track_m",
        "tests/vehicle",
    ),
    "one radius for all wheels": Break(
        "analyzer/signals/kinematics.py", "car.rolling_radii_m[i]", "car.rolling_radii_m[2]", "tests/vehicle"
    ),
    "no yaw error in the slips": Break(
        "analyzer/findings/rear_axle.py",
        "np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + yaw**2)",
        "np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + 0 * yaw**2)",
        "tests/findings/test_rear_view.py",
    ),
    "drive and coast support swapped": Break(
        "analyzer/lockcurve/uncertainty.py",
        "drive_supported=drive,\n        coast_supported=coast",
        "drive_supported=coast,\n        coast_supported=drive",
        "tests/lockcurve/test_sides.py",
    ),
    "rear left and right swapped in the chart": Break(
        "dashboards/run/quantities.py",
        "for column in (2, 3))",
        "for column in (3, 2))",
        "tests/dashboards/test_run_views.py",
    ),
    "no lock where a run is begun": Break(
        "dashboards/jobs.py",
        "        with self._lock:\n            before =",
        "        if True:\n            before =",
        "tests/dashboards/test_asked_at_once.py",
    ),
    "a run that ends while the list is made stays under way": Break(
        "dashboards/start/run_list.py",
        '"over": over,',
        '"over": not logbook.under_way(),',
        "tests/dashboards/test_run_list.py",
    ),
    "a run asked for anew while its child ends is not begun": Break(
        "dashboards/jobs.py", " and not before.begun", "", "tests/dashboards/test_asked_at_once.py"
    ),
    "a late step shows a result as under way": Break(
        "dashboards/logbook.py", "\"AND state = 'running'\"", '""', "tests/dashboards/test_asked_at_once.py"
    ),
    "no lock where an analysis is loaded": Break(
        "dashboards/logbook.py",
        "        with self._lock:\n            if kept not in",
        "        if True:\n            if kept not in",
        "tests/dashboards/test_asked_at_once.py",
    ),
    "no lock around a transaction": Break(
        "analyzer/logbook/database.py",
        "with self.lock, self._errors():\n            assert self.writes",
        "with self._errors():\n            assert self.writes",
        "tests/logbook/test_shared_by_threads.py",
    ),
    "no lock around reading": Break(
        "analyzer/logbook/database.py",
        "with self.lock, self._errors():\n            connection = self._open()\n            if",
        "with self._errors():\n            connection = self._open()\n            if",
        "tests/logbook/test_shared_by_threads.py",
    ),
    "no lock where a logbook is opened": Break(
        "analyzer/logbook/folder.py",
        'with FileLock(self._folder / "opening.lock", timeout=OPENING_WAIT_S):',
        "if True:",
        "tests/logbook/test_shared_by_threads.py",
    ),
    "a weighed answer is no wider": Break(
        "analyzer/lockcurve/fit.py",
        "widened=widening(by_log)",
        "widened=1.0",
        "tests/lockcurve/test_weights.py",
    ),
    "front wheels surer without a gyro": Break(
        "analyzer/lockcurve/fit.py",
        "LEAST_SHARE if sensors.gyro else 1.0",
        "LEAST_SHARE",
        "tests/lockcurve/test_weights.py",
    ),
    "the locking torque's error by all samples": Break(
        "analyzer/lockcurve/fit.py",
        "slips = mine[problem.slipping[mine]]",
        "slips = mine",
        "tests/lockcurve/test_weights.py",
    ),
    "draws are not widened": Break(
        "analyzer/lockcurve/uncertainty.py",
        "fit.theta - fit.problem.widened * (sampling",
        "fit.theta - (sampling",
        "tests/lockcurve/test_weights.py",
    ),
    "draws on straight lines where the ramps may clamp late": Break(
        "analyzer/lockcurve/uncertainty.py",
        "along_holds(fit, seen.draws) if alone else seen.draws",
        "seen.draws",
        "tests/lockcurve/test_hold_off.py",
    ),
    "every hold-off as likely": Break(
        "analyzer/lockcurve/hold_off.py",
        "-best.loss - 0.5 * float(np.log(values).sum())",
        "0.0",
        "tests/lockcurve/test_hold_off.py",
    ),
    "evidence as loud from an unsure answer": Break(
        "analyzer/lockcurve/witness.py",
        "tempered = widened**-2",
        "tempered = 1.0",
        "tests/agreement/test_odds.py",
    ),
    "evidence without the error of the tyre's form": Break(
        "analyzer/lockcurve/marginal_likelihood.py",
        "covariance = covariance + np.cov(form.T)",
        "pass",
        "tests/agreement/test_odds.py",
    ),
    "locked samples measure the proposed curve": Break(
        "analyzer/lockcurve/witness.py",
        "np.where(self.slipping, a, b) * self.weight",
        "a * self.weight",
        "tests/agreement/test_odds.py",
    ),
    "where a flat ramp begins to clamp is known": Break(
        "analyzer/agreement/diagnose.py", "if at[of_slope] < FLAT:", "if False:", "tests/agreement/test_odds.py"
    ),
    "a run tells as much when its answer is unsure": Break(
        "analyzer/knowledge/told.py",
        "np.outer(sd, sd) / fit.problem.widened**2",
        "np.outer(sd, sd)",
        "tests/knowledge/test_told.py",
    ),
    "what ended was known from nowhere": Break(
        "analyzer/knowledge/known_car.py",
        "(Gaussian.said(told) + own).without(out)",
        "Gaussian.said(told).without(out)",
        "tests/knowledge/test_known.py",
    ),
    "others' word is taken though it makes nothing surer": Break(
        "analyzer/knowledge/known_car.py",
        "if _curve_sd_Nm(found) < _curve_sd_Nm(blind):",
        "if True:",
        "tests/knowledge/test_known.py",
    ),
    "braked samples in the lock plot": Break(
        "dashboards/run/views.py",
        "analysis.signals.valid & ~axle.braked & np",
        "analysis.signals.valid & np",
        "tests/dashboards/test_run_views.py",
    ),
    "coast slope per newton-metre": Break(
        "dashboards/run/views.py",
        '"Coast, N.m per 100 N.m", 100.0',
        '"Coast, N.m per 100 N.m", 1.0',
        "tests/dashboards/test_run_views.py",
    ),
    "the corner table's interval of one deviation": Break(
        "dashboards/run/per_corner.py",
        "NORMAL_95 = 1.96",
        "NORMAL_95 = 1.0",
        "tests/dashboards/test_run_views.py",
    ),
    "the tyre's form errs otherwise after a change": Break(
        "analyzer/comparison/joint.py",
        "default_rng(SEED + 1)",
        "default_rng(SEED + 1 + side)",
        "tests/comparison/test_joint.py",
    ),
    "few corners are as good as many": Break(
        "analyzer/comparison/joint.py", " * few_corners(count)", "", "tests/comparison/test_joint.py"
    ),
    "sides compared where only one slipped": Break(
        "analyzer/comparison/joint.py",
        "float(max(b[0] for b in both)), float(min(b[1] for b in both))",
        "float(min(b[0] for b in both)), float(max(b[1] for b in both))",
        "tests/comparison/test_joint.py",
    ),
    "hold-offs hardly tied": Break(
        "analyzer/comparison/joint.py",
        "(TIE_SHARE * hold, TIE_SHARE * hold)",
        "(hold, hold)",
        "tests/comparison/test_joint.py",
    ),
    "an inside spin though the outside wheel spins": Break(
        "analyzer/findings/wheel_spin.py",
        "        & (rear.outside_slip < rear.peak_slip)\n",
        "",
        "tests/findings/test_spin.py",
    ),
    "a snap while the inside wheel spins": Break(
        "analyzer/findings/whole_car.py",
        "change[rear.over_speed_m_s[first:last] > 0] = np.nan",
        "pass",
        "tests/findings/test_balance.py",
    ),
    "understeer surer the longer it lasts": Break(
        "analyzer/findings/coast_understeer.py",
        "[window][known].mean()) * lever\n",
        "[window][known].mean()) * lever / np.sqrt(stop - start)\n",
        "tests/findings/test_balance.py",
    ),
    "axle forces that turn no inertia": Break(
        "analyzer/findings/rear_axle.py",
        "car.cg_to_front_m - car.yaw_inertia * signals.yaw_acceleration_rad_s2",
        "car.cg_to_front_m",
        "tests/findings/test_spin.py",
    ),
    "replayed tyres read as they are": Break(
        "analyzer/findings/counterfactual.py",
        "could = could * (1 + TRANSFER_READS_LOW * (0.5 - own) / own)",
        "pass",
        "tests/findings/test_replayed.py",
    ),
    "wheels that roll and spin up for nothing": Break(
        "analyzer/findings/counterfactual.py",
        "along * held + rolling + inertia_w * inputs.long_m_s2[rows] / radius**2",
        "along * held",
        "tests/findings/test_replayed.py",
    ),
    "short pushes blunted by the fit's filter": Break(
        "analyzer/findings/counterfactual.py",
        "at.input_torque_Nm + sharp[rows] + inertia",
        "at.input_torque_Nm + inertia",
        "tests/findings/test_replayed.py",
    ),
    "an engine that gives more the faster it gains speed": Break(
        "analyzer/findings/engine_inertia.py",
        "turns = -believed[0] * gain",
        "turns = believed[0] * gain",
        "tests/findings/test_engine_inertia.py",
    ),
    "gears that all lose the same": Break(
        "analyzer/findings/engine_inertia.py",
        "[GEAR_SD**-2] * own.shape[1]",
        "[1e9] * own.shape[1]",
        "tests/findings/test_engine_inertia.py",
    ),
    "a limiter taken for inertia": Break(
        "analyzer/findings/engine_inertia.py",
        "kept = driven & ~near",
        "kept = driven",
        "tests/findings/test_engine_inertia.py",
    ),
    "an engine's speed that says nothing of its inertia": Break(
        "analyzer/findings/counterfactual.py",
        "        if self.engine is None:\n            return self._by_throttle()\n",
        "        return self._by_throttle()\n",
        "tests/findings/test_engine_inertia.py",
    ),
    "a spin's share sure whatever its timing": Break(
        "analyzer/findings/counterfactual.py",
        "FORM_SD**2 + timing**2",
        "FORM_SD**2",
        "tests/findings/test_replayed.py",
    ),
    "writes not brought to the disk": Break(
        "analyzer/logbook/database.py",
        "synchronous = EXTRA",
        "synchronous = FULL",
        "tests/logbook/test_shared_by_threads.py",
    ),
}


MAIN = "tests/vehicle tests/lockcurve tests/accuracy/test_unlike_car.py tests/accuracy/test_same_answer.py"
WHOLE_LOGS = (
    f"{MAIN} tests/signals tests/pipeline tests/accuracy/test_poorer_channels.py tests/accuracy/test_accuracy.py"
)
# thirty others, made once to see how many go unnoticed
OTHERS = {
    "yaw acceleration turns the rear the wrong way": Break(
        "analyzer/vehicle/axle_inputs.py", "car.cg_to_front_m - swing", "car.cg_to_front_m + swing", MAIN
    ),
    "yaw acceleration turns the front the wrong way": Break(
        "analyzer/vehicle/axle_inputs.py", "car.cg_to_rear_m + swing", "car.cg_to_rear_m - swing", MAIN
    ),
    "front wheels roll for nothing": Break(
        "analyzer/vehicle/axle.py", "        + given.rolling * load_front\n", "", MAIN
    ),
    "steered front wheels do not brake": Break(
        "analyzer/vehicle/axle.py", "        + (mass * given.across_m_s2 - total_y) * sin\n", "", MAIN
    ),
    "rear scales both ways": Break(
        "analyzer/vehicle/axle_inputs.py",
        "right_m_s=inputs.right_m_s / scale",
        "right_m_s=inputs.right_m_s * scale",
        WHOLE_LOGS,
    ),
    "slip does not turn the sliding direction": Break(
        "analyzer/vehicle/tyres.py", "soft / (fall * rolling)", "soft / fall", MAIN
    ),
    "no weight moves out with the roll": Break(
        "analyzer/vehicle/tyres.py", " * (1 + roll_gradient_rad_per_g)", "", MAIN
    ),
    "rear downforce by the front's share": Break(
        "analyzer/vehicle/tyres.py",
        "downforce_N * (1 - front_downforce_share)",
        "downforce_N * front_downforce_share",
        MAIN,
    ),
    "samples on the move count in full": Break(
        "analyzer/lockcurve/loss.py",
        "SMEARING_S * problem.torque_rate_Nm_s",
        "0 * problem.torque_rate_Nm_s",
        WHOLE_LOGS,
    ),
    "samples past the peak count in full": Break(
        "analyzer/lockcurve/loss.py", " + _sliding(at) ** 2)", ")", WHOLE_LOGS
    ),
    "thinned samples weigh less": Break(
        "analyzer/lockcurve/problem.py", "min(1.0, observed.weight * thin)", "observed.weight", WHOLE_LOGS
    ),
    "as sure without a gyro": Break(
        "analyzer/lockcurve/uncertainty.py", "form_error * WITHOUT_GYRO", "form_error", WHOLE_LOGS
    ),
    "slopes tilt about zero torque": Break(
        "analyzer/lockcurve/uncertainty.py", "    error[:, 0] -= tilt * np.median(sizes)\n", "", WHOLE_LOGS
    ),
    "untrusted fronts measure": Break(
        "analyzer/lockcurve/observations.py", "usable=(ok & trusted)[index]", "usable=ok[index]", WHOLE_LOGS
    ),
    "straights bound the lock": Break(
        "analyzer/lockcurve/observations.py", " & (free > slip_threshold)", "", WHOLE_LOGS
    ),
    "front wheels lead to the middle the wrong way": Break(
        "analyzer/lockcurve/observations.py",
        "signals.wheel_speed_m_s[:, 0] + half, signals.wheel_speed_m_s[:, 1] - half",
        "signals.wheel_speed_m_s[:, 0] - half, signals.wheel_speed_m_s[:, 1] + half",
        WHOLE_LOGS,
    ),
    "one corner pass makes a point": Break(
        "analyzer/lockcurve/uncertainty.py", " and len(np.unique(group[slips])) >= LEAST_PASSES", "", WHOLE_LOGS
    ),
    "zero of the lateral accelerometer stays": Break(
        "analyzer/signals/calibrate.py", "lateral = lateral - zeros.lateral_m_s2", "lateral = lateral + 0", WHOLE_LOGS
    ),
    "zero of the gyro stays": Break(
        "analyzer/signals/calibrate.py",
        "measurements.append(gyro - zeros.yaw_rad_s)",
        "measurements.append(gyro)",
        WHOLE_LOGS,
    ),
    "front scales both ways": Break(
        "analyzer/signals/calibrate.py", "np.exp(-zeros.front_scale / 2)", "np.exp(zeros.front_scale / 2)", WHOLE_LOGS
    ),
    "smoothing makes the yaw rate no surer": Break(
        "analyzer/signals/kinematics.py", "np.sqrt(weight * span)", "np.sqrt(weight)", WHOLE_LOGS
    ),
    "satellites come early": Break(
        "analyzer/signals/kinematics.py",
        "np.interp(time + delay, time, speed)",
        "np.interp(time - delay, time, speed)",
        WHOLE_LOGS,
    ),
    "inside and outside exchanged in the phases": Break(
        "analyzer/analysis.py",
        '("left_slip", "right_slip") if left_turn else ("right_slip", "left_slip")',
        '("right_slip", "left_slip") if left_turn else ("left_slip", "right_slip")',
        "tests/test_phase_results.py tests/presentation tests/pipeline tests/accuracy/test_same_answer.py",
    ),
    "a phase's mean over a single sample": Break(
        "analyzer/analysis.py",
        "(count >= LEAST_KNOWN * length)",
        "(count >= 1)",
        "tests/test_phase_results.py tests/presentation tests/pipeline tests/accuracy/test_same_answer.py",
    ),
    "one swerve renumbers the track": Break(
        "analyzer/phases/corners.py", "(rare[c], centres[c])", "centres[c]", "tests/phases tests/pipeline"
    ),
    "a left and a right corner are one": Break(
        "analyzer/phases/corners.py",
        "if sides[c] == passes[k].corner.direction",
        "if True",
        "tests/phases tests/pipeline",
    ),
    "steady means of moving torques": Break(
        "analyzer/agreement/steady_samples.py",
        "    use &= np.abs(np.gradient(torque, signals.time_s)) < FASTEST_NM_S\n",
        "",
        "tests/agreement tests/trends",
    ),
    "bands share no error": Break(
        "analyzer/agreement/steady_samples.py",
        "covariance = covariance + np.cov(draws.T)",
        "pass",
        "tests/agreement tests/trends",
    ),
    "a trend without the tyre's drift": Break(
        "analyzer/findings/lock_trend.py", "TYRE_DRIFT_SHARE * per_run]))\n    if", "0.0]))\n    if", "tests/trends"
    ),
    "understeer of a car that steered less": Break(
        "analyzer/findings/coast_understeer.py",
        "extra_mean < -2 * float(steered.sd_rad[window].mean())",
        "False",
        "tests/findings",
    ),
    "the moment of a lifted front wheel gone": Break(
        "analyzer/vehicle/tyres.py",
        "on_rear = np.clip(across - on_front,",
        "on_rear = np.clip(across * rear_transfer_share,",
        "tests/vehicle",
    ),
    "a stated engine as unsure as an unknown one": Break(
        "analyzer/vehicle/car.py", "if stated is None or not ratio_logged:", "if True:", "tests/vehicle"
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
        line = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
        line += [] if broken.tests.endswith(".py") else ["-m", "not slow"]  # of a room what is quick, a file whole
        line += broken.tests.split()
        told = {"PYTHONPATH": str(root), "HALFSHAFT_WHOLE": "1"}  # every case of a table
        done = subprocess.run(line, cwd=root, env={**os.environ, **told}, capture_output=True, text=True)
        if done.returncode not in (0, 1):
            raise RuntimeError(done.stdout[-2000:] + done.stderr[-2000:])
        return done.returncode == 1


def main(names: list[str]) -> int:
    """Print what each break came to; 1 where one survived."""
    if names in ([], ["--others"]):
        names = list(OTHERS if names else SURVIVORS)
    survived = []
    for name in names:
        found = noticed((SURVIVORS | OTHERS)[name])
        told = {True: "noticed", False: "SURVIVED", None: "its line is not there"}[found]
        print(f"{told:<24}{name}", flush=True)
        survived += [name] if not found else []
    print(f"{len(survived)} of {len(names)} survived" + (f": {', '.join(survived)}" if survived else ""))
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
