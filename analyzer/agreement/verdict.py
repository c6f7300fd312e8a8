"""Does the measured lock curve agree with the predicted one, side by side."""

from dataclasses import dataclass

VERDICTS = ("agrees", "stronger", "weaker", "cannot_tell")


@dataclass(frozen=True)
class Agreement:
    """Verdict overall and by side (`preload`, `drive`, `coast`), each from VERDICTS, with one sentence per side."""

    verdict: str
    by_side: dict[str, str]
    sentences: dict[str, str]
