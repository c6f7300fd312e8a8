"""The whole answer for one log: what every view (terminal, JSON, HTML, dashboard) is made from."""

from dataclasses import dataclass

from analyzer.agreement.anchored import AnchoredEstimate
from analyzer.agreement.verdict import Agreement
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.findings.chatter import Chatter
from analyzer.findings.finding import Finding
from analyzer.knowledge.known import CarRun
from analyzer.knowledge.use import KnowledgeUsed
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.evidence import Witness
from analyzer.logs.recording import Annotation, Recording
from analyzer.phases.segments import Corner, Laps
from analyzer.signals.session import Signals
from analyzer.trends.lock_trend import LockTrend
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState


@dataclass(frozen=True)
class PhaseResult:
    """One phase of one corner pass: means over the phase, None with no backing. Keys as in the result contract.

    `kinematic_lock_note` says why there is no kinematic lock, or what one outside 0 to 1 means; else None.
    """

    lap: int
    corner: int
    direction: str
    phase: str
    start_s: float
    end_s: float
    inside_slip: float | None
    outside_slip: float | None
    speed_difference_rad_s: float | None
    free_difference_rad_s: float | None
    kinematic_lock: float | None
    input_torque_Nm: float | None
    transfer_torque_Nm: float | None
    transfer_torque_sd_Nm: float | None
    locking_value: float | None
    predicted_locking_torque_Nm: float | None
    locked_fraction: float | None
    mean_throttle: float | None
    mean_speed_m_s: float | None
    kinematic_lock_note: str | None = None


@dataclass(frozen=True)
class Analysis:
    """One analysed log.

    Attributes
    ----------
    lock_curve, predicted, agreement, anchored, witness : of all logs that were analysed together.
    witness : what the logs can say of any proposed curve; None where they show no slip, and of the `others`.
    others : the other logs of these, each with its own signals, corners and findings; empty for one log.
    told : what all logs that were analysed together tell of their car, for other runs of it.
    knowledge : what the answer used of other runs; None where nothing was offered.
    """

    recording: Recording
    car: Car
    signals: Signals
    laps: Laps
    corners: tuple[Corner, ...]
    axle: AxleState
    phase_results: tuple[PhaseResult, ...]
    lock_curve: LockCurveEstimate
    predicted: PredictedLockCurve | None
    agreement: Agreement | None
    findings: tuple[Finding, ...]
    quality: tuple[Annotation, ...]
    tyre: dict[str, tuple[float, float]]
    timings_s: dict[str, float]
    chatter: Chatter | None = None
    trend: LockTrend | None = None
    anchored: AnchoredEstimate | None = None
    witness: Witness | None = None
    others: tuple["Analysis", ...] = ()
    told: CarRun | None = None
    knowledge: KnowledgeUsed | None = None
