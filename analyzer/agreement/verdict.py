"""Does the measured lock curve agree with the predicted one, side by side; and what would explain it if not."""

from dataclasses import dataclass

VERDICTS = ("agrees", "stronger", "weaker", "cannot_tell")


@dataclass(frozen=True)
class Explanation:
    """One way in which parts and file could differ, weighed against the log.

    Attributes
    ----------
    kind : `as_the_file_says`, `ramps_exchanged`, `preload_soft`, `preload_up`, `ring_springs`, `friction`,
        `other_angle_reference`, `other_spring_position`.
    times_better : how many times better it explains the log than the file as it is (Bayes factor; 1 for the file).
    value, lower, upper : what the free figure would have to be, most likely and 95 %; None without one.
    unit : of the value: `of_the_file` (a factor) or `Nm`; None without one.
    fits : the best it can do lies within what measurement and file are sure of (99 %).
    sentence : what a tuner reads.
    """

    kind: str
    times_better: float
    value: float | None
    lower: float | None
    upper: float | None
    unit: str | None
    fits: bool
    sentence: str


@dataclass(frozen=True)
class Diagnosis:
    """The explanations, best first, and what may be concluded.

    Attributes
    ----------
    verdict : `as_the_file_says`, `explained` (one is clearly best), `cannot_tell_apart` (`tied` says which) or
        `cannot_tell` (the log carries nothing to weigh them by).
    tied : kinds that the log cannot tell from the one concluded, that one first.
    """

    verdict: str
    tied: tuple[str, ...]
    sentence: str
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True)
class Agreement:
    """Verdict overall and by side (`preload`, `drive`, `coast`), each from VERDICTS, with one sentence per side."""

    verdict: str
    by_side: dict[str, str]
    sentences: dict[str, str]
    diagnosis: Diagnosis | None = None
