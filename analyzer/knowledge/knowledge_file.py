"""Knowledge of a car as a JSON file, for those without a logbook: what each run tells, with where it came from, and
what all together know, for reading."""

import json
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from analyzer.errors import InputError
from analyzer.files import read_at_most
from analyzer.knowledge.known_car import CarRun, Knowledge
from analyzer.knowledge.told import Told

KIND = "knowledge of a car"
LARGEST_BYTES = 50_000_000  # a run is some 30 kB
MOST_NAMES = 100


class _Run(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    name: str = Field(max_length=2000)
    logs: list[str] = Field(min_length=1, max_length=100)
    date_s: float | None
    driven_with: dict[str, str]
    code: str
    unknowns: list[str] = Field(min_length=1, max_length=MOST_NAMES)
    information: list[list[float]]
    weighted: list[float]
    prior: list[float]
    prior_sd: list[float]

    @model_validator(mode="after")
    def _fits(self) -> "_Run":
        count = len(self.unknowns)
        if len(set(self.unknowns)) < count:
            raise ValueError("an unknown is named twice")
        lengths = {len(row) for row in (*self.information, self.weighted, self.prior, self.prior_sd)}
        if lengths != {count} or len(self.information) != count:
            raise ValueError(f"there are {count} unknowns, and numbers for another count")
        if min(self.prior_sd) <= 0:
            raise ValueError("a standard deviation is not above 0")
        scaled = np.array(self.information) * np.outer(self.prior_sd, self.prior_sd)
        if not np.allclose(scaled, scaled.T, atol=1e-6 * np.abs(scaled).max()):
            raise ValueError("the information is not symmetric")
        if np.linalg.eigvalsh(scaled).min() < -1e-6 * max(np.abs(scaled).max(), 1.0):
            raise ValueError("the information is negative")
        return self


class _File(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)

    schema_: int = Field(alias="schema", ge=1, le=1)
    kind: str = Field(pattern=f"^{KIND}$")
    car: str = Field(max_length=200)
    runs: list[_Run]


def as_json(knowledge: Knowledge) -> dict[str, Any]:
    """The knowledge as plain data; `known` is for reading, and made anew from the runs."""
    return {
        "schema": 1,
        "kind": KIND,
        "car": knowledge.car,
        "known": known_table(knowledge),
        "contradicting": [{"name": one.name, "probability": one.probability} for one in knowledge.contradicting],
        "runs": [run_json(run) for run in knowledge.runs],
    }


def known_table(knowledge: Knowledge) -> list[dict[str, Any]]:
    """Unknown by unknown: `mean` and `standard_deviation` for the next run like the last one, and what they were before
    any run."""
    known = knowledge.of_the_newest()
    if known is None:
        return []
    told = knowledge.newest.told
    deviation = np.sqrt(np.diag(known.covariance()))
    rows = zip(told.names, known.mean(), deviation, told.prior, told.prior_sd, strict=True)
    return [
        {
            "unknown": name,
            "mean": float(mean),
            "standard_deviation": float(sd),
            "mean_before": float(prior),
            "standard_deviation_before": float(prior_sd),
        }
        for name, mean, sd, prior, prior_sd in rows
    ]


def run_json(run: CarRun) -> dict[str, Any]:
    """What one run tells, as plain data that `run_of_json` reads."""
    told = run.told
    return {
        "name": run.name,
        "logs": list(run.logs),
        "date_s": run.date_s,
        "driven_with": dict(run.driven_with),
        "code": run.code,
        "unknowns": list(told.names),
        "information": told.information.tolist(),
        "weighted": told.weighted.tolist(),
        "prior": told.prior.tolist(),
        "prior_sd": told.prior_sd.tolist(),
    }


def run_of_json(found: Any) -> CarRun:
    """A run as `run_json` made it.

    Parameters
    ----------
    found : parsed JSON, not yet checked.

    Raises
    ------
    ValueError : it is none.
    """
    return _car_run(_Run.model_validate(found))


def load_knowledge(path: Path | str) -> Knowledge:
    """The knowledge in a file that `halfshaft logbook car NAME --export FILE` wrote.

    Raises
    ------
    InputError : the file cannot be read, or is no such file.
    """
    name = Path(path).name
    content = read_at_most(path, LARGEST_BYTES, what="knowledge file")
    try:
        found = _File.model_validate(json.loads(content))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"]) or "the file"
        raise InputError(
            f"{name}: is no knowledge of a car ({where}: {first['msg']}); give a file that "
            "`halfshaft logbook car NAME --export FILE` wrote."
        ) from None
    except (ValueError, RecursionError):
        raise InputError(
            f"{name}: is not JSON; give a file that `halfshaft logbook car NAME --export FILE` wrote."
        ) from None
    return Knowledge(found.car, tuple(_car_run(run) for run in found.runs))


def _car_run(run: _Run) -> CarRun:
    information = np.array(run.information)
    told = Told(
        names=tuple(run.unknowns),
        information=(information + information.T) / 2,
        weighted=np.array(run.weighted),
        prior=np.array(run.prior),
        prior_sd=np.array(run.prior_sd),
    )
    return CarRun(run.name, tuple(run.logs), run.driven_with, run.code, told, run.date_s)
