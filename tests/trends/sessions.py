"""Simulated runs whose lock fades, grows or stays, and what is told of them. All figures are invented.

`PYTHONPATH=tests python -m trends.sessions [runs]` prints false alarms of steady runs and what fading ones are told.
"""

import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from accuracy.cases import analysed
from findings.sessions import driver, varied

from analyzer.findings.lock_trend import TEN_MINUTES_S, LockTrend
from analyzer.simulation.circuit import generated_circuit
from analyzer.simulation.simulated_session import simulate_session


def run(seed: int, folder: Path, *, fade_per_K: float, laps: int = 8) -> tuple[LockTrend, float]:
    """The trend of a run whose oil warms by some tens of kelvin, and the true relative change of its lock (a straight
    line through the friction over the run)."""
    case = varied(seed)
    lock = replace(
        case.lock,
        preload_Nm=max(case.lock.preload_Nm, 40.0),
        drive_slope=max(case.lock.drive_slope, 0.15),
        fade_per_K=fade_per_K,
        # little oil, and air as warm as it: it only warms
        heat_capacity_J_K=600.0,
        cooling_W_K=0.0,
    )
    session = simulate_session(
        car=case.car,
        lock=lock,
        circuit=generated_circuit(seed),
        laps=laps,
        seed=seed,
        tyre=case.tyre,
        sensors=case.sensors,
        driver=driver(seed),
    )
    truth = session.truth
    friction = np.maximum(0.1, 1 - fade_per_K * (truth["diff_temperature"] - lock.reference_degC))
    line = np.polyfit(truth["time"], friction / friction.mean(), 1)
    return analysed(session.log, case.car, folder).trend, float(line[0] * np.ptp(truth["time"]))


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    with tempfile.TemporaryDirectory() as name:
        for fade in (0.0, 0.004):
            told, covered, errors = Counter(), [], []
            for seed in range(count):
                trend, true = run(seed, Path(name), fade_per_K=fade)
                told[trend.verdict] += 1
                found = trend.relative_per_10_min
                if found.value is None:
                    continue
                over = trend.span_s / TEN_MINUTES_S
                covered.append(found.lower * over <= true <= found.upper * over)
                errors.append(found.value * over - true)
                print(
                    f"  run {seed}: true {100 * true:+.0f} %, told {100 * found.value * over:+.0f} "
                    f"({100 * found.lower * over:+.0f} to {100 * found.upper * over:+.0f}) %, {trend.verdict}"
                )
            print(
                f"fade {100 * fade:g} % per K: {dict(told)}, truth in interval {100 * np.mean(covered):.0f} %, "
                f"mean error {100 * np.mean(errors):+.1f} %"
            )
