"""What the pages know of a logbook's files, runs and comparisons."""

from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict


@dataclass(frozen=True)
class StoredFile:
    """An uploaded or shipped file. `key` is what pages pass around, never a path."""

    key: str
    name: str
    path: Path


@dataclass(frozen=True)
class Run:
    """One analysed (or failed, or running) log. `state`: waiting, running, done, failed, cancelled."""

    id: str
    log_name: str
    car_name: str
    setup_name: str | None
    state: str
    step: str
    share: float
    message: str
    started: float
    latest: bool = True  # made with the car, setup and map that the run has now
    log_id: str = ""
    more: str = ""  # names of its other logs, such as slow circles
    date_s: float = 0.0  # when it was driven, as far as is known
    title: str = ""
    driver: str = ""
    tyres: str = ""
    weather: str = ""
    notes: str = ""
    preload: str | None = None  # of its result, with the interval, as JSON

    @property
    def name(self) -> str:
        """What a person calls it, else its files."""
        return self.title or self.log_names

    @property
    def log_names(self) -> str:
        """All of its logs."""
        return f"{self.log_name} + {self.more}" if self.more else self.log_name


class Keys(TypedDict):
    """By which keys the pages know a run's files."""

    log: str
    car: str
    setup: str | None
    channels: str | None


class Job(TypedDict):
    """What a run was asked to do: paths of its files, all of its logs, and the keys."""

    log: str
    car: str
    setup: str | None
    channels: str | None
    logs: list[str]
    keys: Keys


class ComparisonJob(TypedDict):
    """What a comparison was asked to do: runs by side, each with its id, and which laps of them."""

    before: list[tuple[str, Job]]
    after: list[tuple[str, Job]]
    before_laps: str | None
    after_laps: str | None


class Compared(TypedDict):
    """What a comparison is about: ids of its runs before and after, and the words for laps of both sides."""

    sides: list[list[str]]
    laps: list[str]
