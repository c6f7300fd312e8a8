"""How sure a verdict on throttle or differential must be, and how many there can be at best.

`PYTHONPATH=tests python -m findings.cause_limits FILE ...` reads what `findings.causes` kept and prints two tables.

The first: right and wrong verdicts by how sure each must be, on the worst of the four copies, and how many spins two
copies of a log blame on opposite causes. Constants of `findings/counterfactual.py` are chosen on it, on other sessions
than those that are reported.

The second: what is possible. Read with a standard error s, the logarithm x of a true share comes out normal about x.
Called the differential's where Phi(-y/s) >= c, y being what is read, a spin is called so with the chance
Phi(-x/s - z(c)), and the throttle's with Phi(x/s - z(f)). Summed over the clear spins, c and f are taken that leave the
fewest open while at most 3 % are wrong. s is what the log itself says; or what remains to somebody who knows car and
tyre fully, but not what of the torque spins up the engine; or also that, so that only the tyre's form is left.
"""

import sys

import numpy as np
import pandas as pd
from findings.causes import CLEAR, COPIES
from scipy.special import ndtr, ndtri

from analyzer.findings.counterfactual import FORM_SD
from analyzer.vehicle.car import ENGINE_INERTIA_SD

MOST_WRONG = 0.03
CARS = (0.55, 0.60, 0.63, 0.65, 0.70, 0.80)
FEET = (0.70, 0.75, 0.80, 0.85, 0.90)
STEPS = np.linspace(0.5, 0.99, 50)


def clear(spins: pd.DataFrame) -> pd.DataFrame:
    """The felt spins that are clear and were found."""
    far = (spins.true_share < CLEAR[0]) | (spins.true_share > CLEAR[1])
    return spins[spins.felt & far & spins.probability.notna()]


def verdicts(probability: pd.Series, sure_car: float, sure_foot: float) -> np.ndarray:
    """`car`, `foot` or "" of each."""
    return np.where(probability >= sure_car, "car", np.where(probability <= 1 - sure_foot, "foot", ""))


def by_threshold(spins: pd.DataFrame) -> str:
    """Table of right, wrong and opposite verdicts by how sure each must be."""
    lines = [
        "| differential from | throttle from | right, worst copy | wrong, worst copy | opposite |",
        "|---|---|---|---|---|",
    ]
    of = clear(spins)
    truth = np.where(of.true_share < 1, "car", "foot")
    chances = spins.pivot_table(index=["session", "spin"], columns="copy", values="probability")
    for car in CARS:
        for foot in FEET:
            said = verdicts(of.probability, car, foot)
            right = pd.Series(said == truth).groupby(of["copy"].to_numpy()).mean().min()
            wrong = pd.Series((said != truth) & (said != "")).groupby(of["copy"].to_numpy()).mean().max()
            each = [verdicts(chances[name], car, foot) for name in COPIES]
            turned = sum(int({*row} >= {"car", "foot"}) for row in zip(*each, strict=True))
            lines.append(f"| {car:.2f} | {foot:.2f} | {100 * right:.0f} % | {100 * wrong:.1f} % | {turned} |")
    return "\n".join(lines)


def best(log_share: np.ndarray, sd: np.ndarray) -> tuple[float, float, float]:
    """Shares of the differential's spins and of the throttle's told right, and of all told wrong, at best."""
    z = ndtri(STEPS)
    car = ndtr(-log_share[:, None] / sd[:, None] - z)  # (spins, steps)
    foot = ndtr(log_share[:, None] / sd[:, None] - z)
    is_car = log_share < 0
    right_car, wrong_car = car[is_car].sum(axis=0), car[~is_car].sum(axis=0)
    right_foot, wrong_foot = foot[~is_car].sum(axis=0), foot[is_car].sum(axis=0)
    right = (right_car[:, None] + right_foot) / len(log_share)
    wrong = (wrong_car[:, None] + wrong_foot) / len(log_share)
    i, j = np.unravel_index(np.argmax(np.where(wrong <= MOST_WRONG, right, -1.0)), right.shape)
    told = lambda count, of: float(count / of.sum()) if of.any() else np.nan  # noqa: E731
    return told(right_car[i], is_car), told(right_foot[j], ~is_car), float(wrong[i, j])


def possible(spins: pd.DataFrame) -> str:
    """Table of what is possible with each error."""
    of = clear(spins)
    of = of[of["copy"] == "full"]
    x = np.log(of.true_share.to_numpy())
    errors = {
        "what the log says": of.spread.to_numpy(),
        "car and tyre known": np.hypot(FORM_SD, ENGINE_INERTIA_SD * of.spun_up.clip(lower=0).to_numpy()),
        "and the engine's inertia": np.full(len(of), FORM_SD),
    }
    lines = [
        "| known | error, median | right | differential | throttle | wrong |",
        "|---|---|---|---|---|---|",
    ]
    for name, sd in errors.items():
        car, foot, wrong = best(x, sd)
        right = np.nansum([car * (x < 0).sum(), foot * (x > 0).sum()]) / len(x)
        shares = " | ".join(f"{100 * share:.0f} %" for share in (right, car, foot, wrong))
        lines.append(f"| {name} | {100 * np.median(sd):.0f} % | {shares} |")
    return "\n".join(lines)


def main(files: list[str]) -> None:
    spins = pd.concat([pd.read_csv(name) for name in files], ignore_index=True)
    print(by_threshold(spins), possible(spins), sep="\n\n")


if __name__ == "__main__":
    main(sys.argv[1:])
