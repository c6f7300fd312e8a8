"""What is said of the knowledge of a car: what a result used of it, and what is known."""

from collections.abc import Sequence
from math import exp
from typing import Any

from analyzer.in_words import counted, listed, number
from analyzer.knowledge.knowledge_file import known_table
from analyzer.knowledge.known_car import NO_SURER, Knowledge, KnowledgeUsed, LeftOut

MOST_NAMED = 4
NAMES = {
    "log_slip_stiffness": "slip stiffness over load",
    "log_cornering_ratio": "cornering / slip stiffness",
    "log_friction": "peak friction",
    "log_friction_ratio": "friction across / along",
    "friction_fall": "fall of friction with load",
    "stiffness_fall": "fall of stiffness with load",
    "shape": "shape of the tyre curve",
    "combined_weight": "combined slip",
    "radius_fall": "radius fall, static load",
    "log_yaw_scale": "scale, gyro",
    "log_speed_scale": "scale, wheel speeds",
    "log_front_track": "front track over file",
    "sensor_x_m": "sensor ahead of c.g., m",
    "sensor_y_m": "sensor left of c.g., m",
    "sensor_turned": "sensor turned, rad",
    "lat_gain": "lean and scale, across",
    "long_gain": "lean and scale, along",
    "log_mass": "mass over file",
    "log_cg_height": "c.g. height over file",
    "log_load_transfer": "rear transfer over file",
    "cross_weight": "cross weight over a half",
    "log_drag": "drag over file",
    "log_downforce": "downforce over file",
    "log_wheel_inertia": "wheel inertia over file",
    "log_rolling_resistance": "rolling resistance over file",
}
HOW_TO_READ = (
    "How to read it: what each run measured of tyre, rolling radius, sensor and car is used for the others, never what "
    "it measured of the differential. Another car file ends all of it, other tyres or weather end what is known of the "
    "tyre, another sensor what is known of its pose. A negative 'narrower' means wider. Note tyres, weather and "
    "sensor with `halfshaft logbook say`. `halfshaft logbook update --knowledge` uses what is known by now."
)
LEAST_LEARNED = 0.05  # of the deviation before: less is not worth a row


def used_sentences(used: KnowledgeUsed) -> tuple[str, ...]:
    """What a result used of other runs, the outcome first."""
    said = [_outcome(used)]
    others = [one for one in used.left_out if one.reason != NO_SURER]
    said += [f"Not used: {one.name} ({one.reason})." for one in others[:MOST_NAMED]]
    if len(others) > MOST_NAMED:
        said.append(f"Not used either: {counted(len(others) - MOST_NAMED, 'more run')}.")
    return tuple(said)


def _outcome(used: KnowledgeUsed) -> str:
    if used.runs:
        share = 0.0 if used.narrower is None else used.narrower
        gain = (
            f"the 95 % intervals of the lock curve are {100 * share:.0f} % narrower than from these logs alone"
            if share >= 0.005
            else "the 95 % intervals of the lock curve are no narrower than from these logs alone"
        )
        who = _named([one.name for one in used.runs])
        know = "knows" if len(used.runs) == 1 else "know"
        return (
            f"With what {who} {know} of this car, {gain}, in the median. What other runs show of the differential is "
            "not used."
        )
    if used.left_out and all(one.reason == NO_SURER for one in used.left_out):
        return (
            f"What other runs know of {used.car} would not make this answer any surer, so it is from these logs alone."
        )
    if used.contradicts:
        chance = number(None if used.probability is None else 100 * used.probability, 2)
        return (
            f"This run contradicts what the other runs know of {used.car} (by chance in {chance} % of runs), so "
            "nothing of it is used. See that car file, tyres and sensor are those of the other runs."
        )
    return f"No other run's knowledge of {used.car} can be used here."


def _named(runs: Sequence[str]) -> str:
    if len(runs) <= MOST_NAMED:
        return listed(runs)
    return f"{counted(len(runs), 'other run')}"


def contradiction_words(out: LeftOut) -> str:
    """What is said of a run that contradicts the others."""
    often = 1 / max(out.probability or 0.0, 1e-9)
    return (
        f"{out.name} contradicts the other runs of this car: chance alone sets a run so far off once in {often:.0f}. "
        "No other run uses it. See its tyres, weather, sensor and car file."
    )


def learned_rows(knowledge: Knowledge) -> list[tuple[str, str, str, str]]:
    """(unknown, value with its standard deviation, the same before any run, how much narrower) of what runs taught."""
    rows = []
    for row in known_table(knowledge):
        narrower = 1 - row["standard_deviation"] / row["standard_deviation_before"]
        if narrower >= LEAST_LEARNED:
            now = _value(row["unknown"], row["mean"], row["standard_deviation"])
            before = _value(row["unknown"], row["mean_before"], row["standard_deviation_before"])
            rows.append((NAMES.get(row["unknown"], row["unknown"]), now, before, f"{100 * narrower:.0f}"))
    return rows


def _value(name: str, mean: float, deviation: float) -> str:
    """A value with one standard deviation; of a logarithm the factor, with its deviation in per cent."""
    if name.startswith("log_"):
        return f"{exp(mean):.3g} ± {100 * deviation:.2g} %"
    return f"{mean:.2g} ± {deviation:.2g}"


def knowledge_json(used: KnowledgeUsed, alone: dict[str, Any]) -> dict[str, Any]:
    """`knowledge` of the result; `alone` is the lock curve from the logs alone, as plain data."""
    return {
        "used": bool(used.runs),
        "car": used.car,
        "runs": [{"run": one.name, "digest": one.digest} for one in used.runs],
        "left_out": [{"run": o.name, "reason": o.reason, "probability": o.probability} for o in used.left_out],
        "probability": used.probability,
        "contradicts": used.contradicts,
        "narrower": used.narrower,
        "lock_curve_alone": alone,
        "sentences": list(used_sentences(used)),
    }
