"""A small made-up session with known events, so that views and findings are tested without the estimator.

Invented car, invented circuit. Four laps of three corners (left, right, left) at 50 Hz; torques follow a chosen lock
curve while the packs slip. Known events: the inside rear spins out of corner 1 in laps 2 and 3; off the throttle into
corner 2 the car needs more steer than its balance.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import ndtr

from analyzer.analysis import Analysis, PhaseResult
from analyzer.differential.predicted import PredictedLockCurve, PredictionSpread
from analyzer.findings.counterfactual import Counterfactual
from analyzer.lockcurve.estimate import CurvePoint, Interval, LockCurveEstimate
from analyzer.lockcurve.session_state import AxleState
from analyzer.logs.recording import Annotation, Recording
from analyzer.phases.phases import Corner, Laps, Phase
from analyzer.signals.session import CalibrationStep, Signals
from analyzer.vehicle.car import Car

RATE_HZ = 50.0
LAP_S, LAPS = 60.0, 4
CORNERS = ((8.0, 20.0, "left", 1.2 * np.pi), (28.0, 38.0, "right", -0.4 * np.pi), (44.0, 55.0, "left", 1.2 * np.pi))
PEAK_SLIP = 0.11
GRADIENT_RAD = 0.002  # made-up understeer gradient, rad per m/s2
PRELOAD, DRIVE, DRIVE_HOLD, COAST, COAST_HOLD = 120.0, 0.18, 80.0, 0.09, 160.0
EXTRA_STEER_RAD = 0.03


@dataclass(frozen=True)
class Made:
    """What the session is made with."""

    spin_laps: tuple[int, ...] = (2, 3)
    spin_inside_slip: float = 0.2
    spin_outside_slip: float = 0.03
    locked: bool = False
    extra_steer_laps: tuple[int, ...] = (1, 2, 3, 4)
    right_corner_factor: float = 1.0
    both_spin_laps: tuple[int, ...] = ()
    inside_locks_laps: tuple[int, ...] = ()


def made_car() -> Car:
    return Car(
        name="made-up club car",
        mass_kg=1100,
        wheelbase_m=2.4,
        front_weight_fraction=0.48,
        cg_height_m=0.45,
        front_track_m=1.45,
        rear_track_m=1.46,
        front_rolling_radius_m=0.3,
        rear_rolling_radius_m=0.3,
        steering_ratio=14,
    )


def locking_torque(torque: np.ndarray) -> np.ndarray:
    """The lock curve that the session is made with (N.m)."""
    return (
        PRELOAD
        + DRIVE * np.maximum(torque - DRIVE_HOLD, 0) * (torque >= 0)
        + COAST * np.maximum(-torque - COAST_HOLD, 0) * (torque < 0)
    )


def made_signals_and_axle(made: Made) -> tuple[Signals, AxleState, tuple[Corner, ...], Laps]:
    car = made_car()
    n = int(LAP_S * LAPS * RATE_HZ)
    time = np.arange(n) / RATE_HZ
    rng = np.random.default_rng(7)
    lap = (time // LAP_S).astype(int) + 1
    u = time % LAP_S
    yaw, speed, throttle = np.zeros(n), np.full(n, 38.0), np.ones(n)
    braking = np.zeros(n, bool)
    for start, stop, _, heading in CORNERS:
        s = np.clip((u - start) / (stop - start), 0, 1)
        # a bump with unit area, flat in its middle third
        bump = np.interp(s, [0.15, 0.4, 0.6, 0.95], [0, 1, 1, 0]) * ((s > 0) & (s < 1))
        yaw += (
            heading
            * bump
            / (
                np.trapezoid(np.interp(np.linspace(0, 1, 200), [0.15, 0.4, 0.6, 0.95], [0, 1, 1, 0]), dx=1 / 199)
                * (stop - start)
            )
        )
        speed -= 22.0 * np.interp(s, [0, 0.2, 0.5, 1.0], [0, 0.8, 1.0, 0.0]) * ((s > 0) & (s < 1))
        throttle = np.where((s > 0) & (s < 1), np.interp(s, [0, 0.001, 0.55, 0.75], [1, 0, 0, 1]), throttle)
        braking |= (s > 0) & (s < 0.2)
    lat = yaw * speed
    turn = np.where(yaw >= 0, 1.0, -1.0)
    torque = np.where(throttle > 0.05, 300 + 1300 * throttle, -320.0)
    steer = car.wheelbase_m * yaw / speed + GRADIENT_RAD * lat + rng.normal(0, 0.0008, n)
    cornering = np.abs(lat) > 2.0
    free = -yaw * car.rear_track_m / car.rear_rolling_radius_m
    locked = ~cornering | (np.abs(torque) > 1500) | made.locked
    difference = np.where(locked, 0.0, 0.6 * free)
    inside_slip, outside_slip = np.full(n, 0.02), np.full(n, 0.02)
    for first, stop, _, _ in CORNERS[:1]:
        out = (u > first + 0.62 * (stop - first)) & (u < first + 0.75 * (stop - first))
        spin = out & np.isin(lap, made.spin_laps)
        inside_slip[spin], outside_slip[spin] = made.spin_inside_slip, made.spin_outside_slip
        both = out & np.isin(lap, made.both_spin_laps)
        inside_slip[both] = outside_slip[both] = 0.2
        entry = (u > first + 0.17 * (stop - first)) & (u < first + 0.2 * (stop - first) - 0.02)
        sliding = cornering & np.isin(lap, made.inside_locks_laps) & (u > first) & (u < first + 0.35 * (stop - first))
        braking = braking | sliding
        inside_slip[sliding], outside_slip[sliding] = -0.4, -0.04
        assert not (entry & spin).any()
        if made.spin_laps and not made.locked:
            locked &= ~spin
            spread = (1 + inside_slip) * (speed - turn * yaw * car.rear_track_m / 2) - (1 + outside_slip) * (
                speed + turn * yaw * car.rear_track_m / 2
            )
            difference = np.where(spin, turn * spread / car.rear_rolling_radius_m, difference)
    slipping = cornering & ~locked & ~braking
    factor = np.where(turn < 0, made.right_corner_factor, 1.0)
    packs = np.where(slipping, factor * locking_torque(torque), 0.4 * locking_torque(torque))
    over = turn * difference > 0
    transfer = np.where(over, -packs, packs) + rng.normal(0, 12, n)
    first, stop, _, _ = CORNERS[1]
    coasting = (u > first + 0.2 * (stop - first)) & (u < first + 0.5 * (stop - first)) & cornering
    steer += np.where(coasting & np.isin(lap, made.extra_steer_laps), turn * EXTRA_STEER_RAD, 0.0)
    left = turn > 0
    load = np.full(n, 2800.0)
    load_in, load_out = load - 170 * np.abs(lat), load + 170 * np.abs(lat)
    force_in = (torque + transfer) / 2 / car.rear_rolling_radius_m
    force_out = (torque - transfer) / 2 / car.rear_rolling_radius_m
    side = 0.3 * np.minimum(np.abs(lat) / 10, 1.0)
    use_in, use_out = np.hypot(inside_slip / PEAK_SLIP, side), np.hypot(outside_slip / PEAK_SLIP, side)
    wheels = np.column_stack([speed, speed, speed, speed])
    wheels[:, 2] += car.rear_rolling_radius_m * difference / 2
    wheels[:, 3] -= car.rear_rolling_radius_m * difference / 2
    heading = np.cumsum(yaw) / RATE_HZ
    axle = AxleState(
        slip_left=np.where(left, inside_slip, outside_slip),
        slip_right=np.where(left, outside_slip, inside_slip),
        speed_difference_rad_s=difference,
        free_difference_rad_s=free,
        input_torque_Nm=torque,
        torque_difference_Nm=turn * transfer,
        torque_difference_sd_Nm=np.full(n, 30.0),
        moved_Nm=turn * transfer,
        moved_sd_Nm=np.full(n, 30.0),
        slipping=slipping,
        locked=locked & cornering,
        load_left_N=np.where(left, load_in, load_out),
        load_right_N=np.where(left, load_out, load_in),
        longitudinal_force_left_N=np.where(left, force_in, force_out),
        longitudinal_force_right_N=np.where(left, force_out, force_in),
        use_left=np.where(left, use_in, use_out),
        use_right=np.where(left, use_out, use_in),
        braked=braking,
    )
    signals = Signals(
        time_s=time,
        rate_hz=RATE_HZ,
        valid=np.ones(n, bool),
        wheel_speed_m_s=wheels,
        throttle=throttle,
        steer_rad=steer,
        lat_m_s2=lat,
        long_m_s2=np.gradient(speed) * RATE_HZ,
        yaw_rate_rad_s=yaw,
        yaw_acceleration_rad_s2=np.gradient(yaw) * RATE_HZ,
        yaw_rate_sd_rad_s=np.full(n, 0.005),
        speed_m_s=speed,
        speed_trusted=~braking,
        braking=braking,
        x_m=np.cumsum(speed * np.cos(heading)) / RATE_HZ,
        y_m=np.cumsum(speed * np.sin(heading)) / RATE_HZ,
        distance_m=np.cumsum(speed) / RATE_HZ,
        position_source="dead_reckoned",
        lap_channel=None,
        calibration=(
            CalibrationStep("yaw_bias", 0.3, 0.02, "deg/s", "The gyro reads 0.30 deg/s on the straights; taken off."),
            CalibrationStep("scale_rl", 0.4, None, "%", "The rear left channel reads 0.40 % high."),
        ),
        annotations=(),
    )
    corners = []
    per_lap = int(LAP_S * RATE_HZ)
    cuts = (
        ("braking", 0, 0.2),
        ("turn_in", 0.2, 0.4),
        ("mid_corner", 0.4, 0.55),
        ("power_application", 0.55, 0.75),
        ("exit", 0.75, 1),
    )
    for k in range(LAPS):
        for number, (first, stop, direction, _) in enumerate(CORNERS, start=1):
            at = lambda s, k=k, first=first, stop=stop: k * per_lap + int((first + s * (stop - first)) * RATE_HZ)  # noqa: E731
            phases = tuple(Phase(name, at(a), at(b)) for name, a, b in cuts)
            corners.append(Corner(k + 1, number, direction, at(0), at(1), at(0.5), phases))
    laps = Laps(lap, tuple((k * per_lap, (k + 1) * per_lap) for k in range(LAPS)), "recurrence", 1800.0)
    return signals, axle, tuple(corners), laps


def made_estimate(
    *,
    preload: float = PRELOAD,
    drive: float = DRIVE,
    coast: float = COAST,
    relative_sd: float = 0.05,
    kind: str = "measured",
    drive_supported: bool = True,
    coast_supported: bool = True,
) -> LockCurveEstimate:
    rng = np.random.default_rng(11)
    centre = np.array([preload, drive, DRIVE_HOLD, coast, COAST_HOLD])
    replicates = centre * np.exp(relative_sd * rng.standard_normal((400, 5)))
    torques = np.linspace(-480, 1600, 53)
    points = []
    for t in torques:
        level = float(preload + (drive * max(t - DRIVE_HOLD, 0) if t >= 0 else coast * max(-t - COAST_HOLD, 0)))
        if kind == "bound":
            points.append(CurvePoint(float(t), None, level, None, "bound"))
        elif (t > 0 and not drive_supported) or (t < 0 and not coast_supported):
            points.append(CurvePoint(float(t), None, None, None, "none"))
        elif t > 1400:
            points.append(CurvePoint(float(t), None, level * 0.8, None, "bound"))
        else:
            points.append(
                CurvePoint(float(t), level, level * (1 - 2 * relative_sd), level * (1 + 2 * relative_sd), "measured")
            )
    names = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope", "coast_hold_Nm")
    bound = kind == "bound"
    parameters = {
        name: Interval(None, float(c), None, "nothing slipped")
        if bound
        else Interval(float(c), float(c * (1 - 2 * relative_sd)), float(c * (1 + 2 * relative_sd)))
        for name, c in zip(names, centre, strict=True)
    }
    return LockCurveEstimate(
        method="made up for the tests",
        parameters=parameters,
        drive_supported=drive_supported and not bound,
        coast_supported=coast_supported and not bound,
        points=tuple(points),
        replicates=np.empty((0, 5)) if bound else replicates,
        budget={"preload_Nm": {"sampling": 0.6, "tyre": 0.4}, "drive_slope": {"sampling": 0.7, "tyre": 0.3}},
        slipping_count=0 if bound else 2000,
        locked_count=3000,
    )


def made_prediction(
    *, kind: str = "plate", preload: float = PRELOAD, drive: float = DRIVE, coast: float = COAST
) -> PredictedLockCurve:
    if kind == "spool":
        return PredictedLockCurve(
            kind="spool",
            preload_Nm=None,
            drive_slope=None,
            drive_ring_hold_Nm=None,
            coast_slope=None,
            coast_ring_hold_Nm=None,
        )
    if kind == "open":
        return PredictedLockCurve(
            kind="open",
            preload_Nm=0.0,
            drive_slope=0.0,
            drive_ring_hold_Nm=None,
            coast_slope=0.0,
            coast_ring_hold_Nm=None,
        )
    return PredictedLockCurve(
        kind="plate",
        preload_Nm=preload,
        drive_slope=drive,
        drive_ring_hold_Nm=DRIVE_HOLD,
        coast_slope=coast,
        coast_ring_hold_Nm=COAST_HOLD,
        spread=PredictionSpread(slope_friction=0.04, preload_friction=0.04),
    )


PREDICTION = made_prediction()


def made_phase_results(signals: Signals, axle: AxleState, corners: tuple[Corner, ...]) -> tuple[PhaseResult, ...]:
    results = []
    for corner in corners:
        left = corner.direction == "left"
        for phase in corner.phases:
            w = slice(phase.start, phase.stop)
            inside, outside = (axle.slip_left, axle.slip_right) if left else (axle.slip_right, axle.slip_left)
            transfer = float(axle.torque_difference_Nm[w].mean()) * (1 if left else -1)
            torque = float(axle.input_torque_Nm[w].mean())
            free = float(axle.free_difference_rad_s[w].mean())
            slow = abs(float(signals.yaw_rate_rad_s[w].mean())) < 0.1
            results.append(
                PhaseResult(
                    lap=corner.lap,
                    corner=corner.number,
                    direction=corner.direction,
                    phase=phase.name,
                    start_s=float(signals.time_s[phase.start]),
                    end_s=float(signals.time_s[phase.stop - 1]),
                    inside_slip=float(inside[w].mean()),
                    outside_slip=float(outside[w].mean()),
                    speed_difference_rad_s=float(axle.speed_difference_rad_s[w].mean()),
                    free_difference_rad_s=free,
                    kinematic_lock=None if slow else 1 - float(axle.speed_difference_rad_s[w].mean()) / free,
                    input_torque_Nm=torque,
                    transfer_torque_Nm=transfer,
                    transfer_torque_sd_Nm=25.0,
                    locking_value=abs(transfer / torque),
                    predicted_locking_torque_Nm=float(locking_torque(np.array([torque]))[0]),
                    locked_fraction=float(axle.locked[w].mean()),
                    mean_throttle=float(signals.throttle[w].mean()),
                    mean_speed_m_s=float(signals.speed_m_s[w].mean()),
                )
            )
    return tuple(results)


def made_counterfactual(share: float = 0.8, **changes) -> Counterfactual:
    """A spin of which `share` of what both tyres could take was asked for, known to 7 % (one standard deviation)."""
    return replace(
        Counterfactual(
            probability_car=float(ndtr(-np.log(share) / 0.07)),
            share=share,
            lower=share * np.exp(-1.96 * 0.07),
            upper=share * np.exp(1.96 * 0.07),
            asked_N=share * 6000.0,
            could_N=6000.0,
            held_N=min(4100.0, share * 6000.0),
            held_by_file_N=None,
            lock_Nm=380.0,
            needed_lock_Nm=560.0,
            engine_error_share=0.2,
            lost_force_N=500.0,
            lost_s=0.06,
            lost_m=1.9,
        ),
        **changes,
    )


@dataclass(frozen=True)
class MadeJudge:
    """Judges every spin as planted, without a fit."""

    of: Counterfactual | None = field(default_factory=made_counterfactual)

    def judged(self, spins):
        return [self.of for _ in spins]


def made_analysis(made: Made = Made(), *, predicted: PredictedLockCurve | None = PREDICTION, **changes) -> Analysis:
    """The whole made-up answer; `changes` replace fields of it."""
    from analyzer.agreement.diagnose import diagnose
    from analyzer.agreement.steady_samples import steady_means, steady_samples
    from analyzer.agreement.verdict import agree
    from analyzer.findings.find_all import find_all, find_in
    from analyzer.findings.lock_trend import lock_trend
    from analyzer.findings.whole_car import find_of_the_session

    signals, axle, corners, laps = made_signals_and_axle(made)
    car, estimate = made_car(), changes.pop("lock_curve", made_estimate())
    agreement = None
    steady = steady_samples(signals, corners, axle)
    if predicted is not None:
        seen = steady_means(steady, estimate)
        agreement = replace(agree(estimate, predicted), diagnosis=diagnose(seen, estimate, predicted))
    trend = lock_trend(signals, corners, laps, steady, estimate)
    whole = find_of_the_session(signals, trend, agreement)
    found = find_in(signals, corners, axle, estimate, car, judge=MadeJudge())
    analysis = Analysis(
        recording=Recording("made_up.csv", signals.time_s, {"lat_g": signals.lat_m_s2}),
        car=car,
        signals=signals,
        laps=laps,
        corners=corners,
        axle=axle,
        phase_results=made_phase_results(signals, axle, corners),
        lock_curve=estimate,
        predicted=predicted,
        agreement=agreement,
        findings=find_all([found], of_the_session=whole),
        quality=(
            Annotation(
                "gap", "warning", None, 30.0, 30.4, "No samples from 30.0 to 30.4 s; left out of the estimates.", True
            ),
            Annotation(
                "no_gyro", "info", "yaw_rate", None, None, "Yaw rate is not logged; it was had from the front wheels."
            ),
        ),
        tyre={"peak_friction": (1.32, 0.05), "slip_stiffness": (21.0, 2.0)},
        timings_s={"read": 0.3, "signals": 0.5, "lock curve": 1.2},
        chatter=found.chatter,
        trend=trend,
    )
    return replace(analysis, **changes)
