"""What a finding is: when and where, how bad, how sure, the evidence of its kind, and what is said of it."""

from dataclasses import dataclass

from analyzer.findings.evidence import KINDS, CoastUndersteer, Evidence
from analyzer.findings.sentences import place, sentence

OF_THE_SESSION = ("asymmetry", "lock_trend", "setup_contradicted")  # kinds that happened at no one time


@dataclass(frozen=True)
class Finding:
    """One thing that happened, with its evidence.

    Attributes
    ----------
    evidence : what was measured of it; its class says the kind.
    lap, corner, direction : where (None outside of corners, and when it concerns the session).
    start_s, end_s : log time (s).
    distance_m : along the log at its start (m), None when it concerns the session.
    severity : `note`, `caution` or `act`.
    confidence : 0 to 1, that it happened; whose it was has a probability of its own.
    """

    evidence: Evidence
    lap: int | None
    corner: int | None
    direction: str | None
    start_s: float
    end_s: float
    distance_m: float | None
    severity: str
    confidence: float

    @property
    def kind(self) -> str:
        """Stable name such as `inside_wheel_spin`."""
        return KINDS[type(self.evidence)]

    @property
    def sentence(self) -> str:
        """What a driver reads of it."""
        return sentence(self.evidence, where=place(self.corner, self.direction, self.lap, self.distance_m))

    @property
    def is_placed(self) -> bool:
        """Whether it happened at some time, and so at some place; what concerns the session did not."""
        return self.kind not in OF_THE_SESSION

    @property
    def differential_is_seen(self) -> bool:
        """Whether the differential acted in it; understeer that is the car's own is told beside it."""
        return not isinstance(self.evidence, CoastUndersteer) or self.evidence.of_the_differential
