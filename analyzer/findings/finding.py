"""What a finding is."""

from dataclasses import dataclass, field
from typing import Any

OF_THE_SESSION = ("asymmetry", "lock_trend", "setup_contradicted")  # kinds that happened at no one time


@dataclass(frozen=True)
class Finding:
    """One thing that happened, with its evidence.

    Attributes
    ----------
    kind : stable name such as `inside_wheel_spin`.
    lap, corner : where (None outside of corners, and when it concerns the session).
    start_s, end_s : log time (s).
    severity : `note`, `caution` or `act`.
    confidence : 0 to 1.
    sentence : what a driver reads.
    evidence : name with unit suffix -> number, string or None.
    """

    kind: str
    lap: int | None
    corner: int | None
    start_s: float
    end_s: float
    severity: str
    confidence: float
    sentence: str
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def is_placed(self) -> bool:
        """Whether it happened at some time, and so at some place; what concerns the session did not."""
        return self.kind not in OF_THE_SESSION
