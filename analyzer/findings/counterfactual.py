"""Throttle or differential: what the axle would have done with the same throttle, had it been locked.

At each row of a spin, with the tyre, loads and side force of the fit (one of its draws at a time):

    asked   F = (T + J (w' - a/R)) / R    what the engine pushed with, the torque that spins it up included
    locked  C = sum of mu_x F_z g(u) + c_rr F_z + I a/R^2    the most that both wheels take at the side force then
    as is   (T - M(T)) / 2 = R C_inside   solved for T: the most that the inside wheel holds while the plates slip

A wheel takes what its tyre puts down, what it rolls against, and what spins it up (I) as the car gains speed. u is the
axle's side force over the most that it could be, g(u) the tyre's own envelope: the largest F_x/(mu_x F_z) that
leaves F_y/(mu_y F_z) = u. Share = F/C, the largest over `WINDOW_S`. Under 1 an axle that stayed locked would have held:
the differential let go. Over 1 not even that: the throttle asked for more than the tyres had. The probability is that
of a share under 1 over the fit's draws and the errors that no draw knows.

While a wheel spins up, much of what the throttle asks for turns the engine, and the car does not feel it. How much, by
J, the car file may state; else it is common knowledge within a third. A log with the engine's speed says
more (`engine_inertia`), one without where its torque follows the throttle closely (`_by_throttle`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from analyzer import windows
from analyzer.arrays import FloatArray, IntArray
from analyzer.findings.engine_inertia import driven_rows, engine_inertia, hats, weighed
from analyzer.findings.evidence import Blame
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.observations import CUTOFF_HZ, Observations, rows_step
from analyzer.lockcurve.session_state import AxleState
from analyzer.lockcurve.uncertainty import Spread
from analyzer.robust import by_huber, regression
from analyzer.signals.session import Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle import AxleEquations
from analyzer.vehicle.axle_inputs import tyre_figures
from analyzer.vehicle.axle_solution import BLOCK, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import LEAST_FACTOR, envelope

# asked for a tenth more than it holds, an axle with its engine gains 10 rad/s2: 5 % of slip at 20 m/s in this time
WINDOW_S = 0.4
DRAWS = 24  # enough for a standard deviation to 15 %; the probability is read from mean and deviation
# relative error of the share that no draw knows: the tyre's envelope is not the fitted one. Set on simulated cars whose
# tyres are of another form (`tests/findings/causes.py`, seeds under 120)
FORM_SD = 0.05
# Load transfer reads low by this: simulated springs lag behind the acceleration, and spins come while it falls.
# Friction is read off the inside wheel. With q its share of the load it is lighter than it reads by this times
# (1/2 - q)/q, and friction higher. Set so that shares of 0.9 to 1.1 read right in the median on the same cars, seeds
# 500 to 594
TRANSFER_READS_LOW = 0.05
LIGHTEST = 0.125  # of both wheels' load, the inside one: lighter, it tells no friction
# by which torque and wheel speeds are out of step, so that what turns the engine is off: by no more than 0.02 s where
# spins swing most on full logs, 0.045 s where the gear is guessed (the same seeds)
TIMING_S = 0.03
NEAR_ITERATIONS = 2  # of a draw, from the solution of the fit: the share is then as after thirty to 0.1 %
# of a verdict, each its own: on the worst copy of a log 91 % right and 0.8 % wrong; a throttle told from 0.75 would be
# turned round by a copy twice as often. Chosen on the same cars, seeds 500 to 594 (`tests/findings/cause_limits.py`).
# An even chance in a corner where every lap slides is 0.62 (`find_all.HABIT_LOG_ODDS`), and stays open
SURE_CAR, SURE_FOOT = 0.63, 0.80
# Where the log has no engine speed, a driver keeps it near 5500 rpm by a gear between these ratios. Common practice, no
# source
ENGINE_RAD_S = 580.0
RATIOS = (4.0, 13.0)
LOGGED_RATIOS = (3.0, 20.0)  # outside, the clutch slips or a gear is being changed
KNOTS = 7  # of speed, for the torque that the throttle gives
LEAST_ROWS = 100  # 5 s with the throttle open, for a torque by throttle to be known
OPEN = 0.1
CLOSE = 0.01  # of the torque: within this it follows the throttle closely enough to show the inertia in a spin
LEAST_SCATTER_Nm = 1e-6  # keeps the weights finite where a model is exact
ONE_LOOK = 100.0  # rows that count as one look at the inertia: the spins of one corner, whose error is one error


@dataclass(frozen=True)
class Counterfactual:
    """One spin, driven again. Forces (N) are means over the window in which most was asked for.

    Attributes
    ----------
    probability_car : that an axle which stayed locked would have held, 0 to 1.
    share, lower, upper : asked for over what both tyres could take, with its 95 % interval.
    asked_N, could_N : their force along the car.
    held_N : what the axle as it is holds without a spin; held_by_file_N the same with the lock of the setup file.
    lock_Nm, needed_lock_Nm : locking torque that the axle has at what was asked for, and that would have held it.
    engine_error_share : of the variance of `share`, what the engine's inertia has of it.
    lost_force_N : mean over the spin of what was left undriven.
    lost_s, lost_m : what that costs up to the next braking point.
    """

    probability_car: float
    share: float
    lower: float
    upper: float
    asked_N: float
    could_N: float
    held_N: float
    held_by_file_N: float | None
    lock_Nm: float
    needed_lock_Nm: float
    engine_error_share: float
    lost_force_N: float
    lost_s: float
    lost_m: float

    @property
    def less_throttle(self) -> float:
        """Share of the drive asked for that had to be left away for the axle as it is to hold."""
        return float(np.clip(1 - self.held_N / self.asked_N, 0.0, 1.0))


def blamed(probability_car: float) -> Blame:
    """The verdict that follows from the probability (0 to 1) that the spin was the differential's: `SURE_CAR` or more,
    1 - `SURE_FOOT` or less, else open.
    """
    if probability_car >= SURE_CAR:
        return Blame.CAR
    return Blame.FOOT if probability_car <= 1 - SURE_FOOT else Blame.OPEN


def held_torque_Nm(inside_Nm: FloatArray, curve: Sequence[float]) -> FloatArray:
    """(n,) input torque (N.m) at which the inside wheel, which takes `inside_Nm` (n,), lets go.

    Parameters
    ----------
    inside_Nm : most torque of the inside wheel.
    curve : preload (N.m), drive slope and drive hold-off (N.m) of the lock curve.

    Notes
    -----
    T - M(T) = 2 T_inside with M = M0 + s max(0, T - h). With s of 1 or more the plates hold whatever comes.

    Examples
    --------
    An open axle gives both wheels what the inside one takes; plates that lock 60 N.m give the other that much more:

    >>> [float(held_torque_Nm(np.array([500.0]), (preload, 0.0, 0.0))[0]) for preload in (0.0, 60.0)]
    [1000.0, 1060.0]
    """
    preload, slope, hold = curve[:3]
    below = 2 * inside_Nm + preload
    above = (below - slope * hold) / (1 - slope) if slope < 1 else np.inf
    return np.where(below <= hold, below, above)


@dataclass(frozen=True, eq=False)
class Judge:
    """What the counterfactual of a stretch's spins needs: its fit and its measured side.

    Attributes
    ----------
    file_curve : preload (N.m), drive slope and hold-off (N.m) of the setup file.
    engine : log time (s) and engine speed (rad/s), where it is logged.
    log : which of the fit's logs the stretch is of.
    """

    fitted: Fit
    drawn: Spread
    observed: Observations
    signals: Signals
    axle: AxleState
    car: Car
    file_curve: tuple[float, float, float] | None = None
    engine: tuple[FloatArray, FloatArray] | None = None
    log: int = 0

    def judged(self, spins: Sequence[tuple[int, int]]) -> list[Counterfactual | None]:
        """Each spin of the stretch driven again.

        Parameters
        ----------
        spins : first sample and the one after the last of each, in samples of `signals`.

        Returns
        -------
        list : one for each spin; None where the fit has no row in it. The same spins always get the same answer.
        """
        spans = [self._rows(*spin) for spin in spins]
        if not spans:
            return []
        rows = np.unique(np.concatenate(spans))
        at = [np.searchsorted(rows, w) for w in spans]
        inertia = self._inertia()
        problem, inputs = self.fitted.problem, self.observed.inputs.take(rows)
        best = solve(problem.values(self.fitted.theta, self.log), inputs, self.car)
        rng = np.random.default_rng(0)
        centre = self._asked_and_could(problem.values(self.fitted.theta, self.log), best.at, rows, inertia[0])
        values = [problem.values(theta, self.log) for theta in self.drawn.draws[:DRAWS]]
        draws = []
        # as many draws at once, each with the rows of all spins, as a processor keeps close at hand
        at_once = max(1, BLOCK // max(len(rows), 1))
        for some in (values[k : k + at_once] for k in range(0, len(values), at_once)):
            many = {name: np.repeat([value[name] for value in some], len(rows)) for name in some[0]}
            again = np.tile(np.arange(len(rows)), len(some))
            near = solve(many, inputs.take(again), self.car, start=best.state[:, again], iterations=NEAR_ITERATIONS)
            for k, value in enumerate(some):
                at_draw = near.take(slice(k * len(rows), (k + 1) * len(rows))).at
                share = np.clip(inertia[0] + inertia[1] * rng.standard_normal(), 0.0, 2.0)
                draws.append(self._asked_and_could(value, at_draw, rows, share))
        asked, could = (np.array([draw[k] for draw in draws]) for k in (0, 1))
        return [
            self._counterfactual(spin, rows[w], (asked[:, w], could[:, w]), [x[w] for x in centre], inertia[1])
            if len(w)
            else None
            for spin, w in zip(spins, at, strict=True)
        ]

    def _rows(self, start: int, stop: int) -> IntArray:
        """Rows of the fit in a spin, and the one before it."""
        first, last = np.searchsorted(self.observed.index, [start, stop])
        rows = np.arange(max(first - 1, 0), last)
        known = np.isfinite(self.axle.input_torque_Nm[self.observed.index[rows]])
        return rows[known & self.signals.valid[self.observed.index[rows]]]

    @cached_property
    def _spinning_up(self) -> FloatArray:
        """(n,) torque (N.m) that turns the engine, by its stated or usual inertia, faster than the car gains speed."""
        inputs = self.observed.inputs
        faster = (inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2 - inputs.long_m_s2
        return self._turns_engine_Nm(faster)

    def _turns_engine_Nm(self, faster_m_s2: FloatArray) -> FloatArray:
        """(n,) torque at the wheels (N.m) for wheels that gain speed faster than the car by so much, (n,)."""
        return self._believed_inertia[0] * self._ratio() ** 2 * faster_m_s2 / self.car.rear_rolling_radius_m

    @cached_property
    def _filtered_off(self) -> tuple[FloatArray, FloatArray]:
        """What the fit's low-pass takes off the acceleration of the car, and of the rear wheels' surface (m/s2), (n,)
        each, the mean over a row. A push of half a second is blunted by some per cent; a mean over `WINDOW_S` needs
        no such filter."""
        signals, rate = self.signals, self.signals.rate_hz

        def off(x: FloatArray) -> FloatArray:
            lost = x - low_pass(x, cutoff_hz=CUTOFF_HZ, rate_hz=rate)
            return windows.mean(lost, rows_step(rate), mirrored=True)[self.observed.index]

        surface = signals.wheel_speed_m_s[:, 2:].mean(axis=1)
        return off(signals.long_m_s2), off(np.gradient(surface, 1 / rate))

    @property
    def _believed_inertia(self) -> tuple[float, float]:
        """Of the engine, before the log is looked at (kg m2), and its standard deviation over it."""
        return self.car.engine_inertia(ratio_logged=self.engine is not None)

    @cached_property
    def _off_throttle(self) -> IntArray:
        """Samples at which the driver brakes or is off the throttle."""
        return np.flatnonzero(self.signals.braking | (self.signals.throttle < OPEN / 2))

    def _ratio(self) -> FloatArray:
        """(n,) engine speed over wheel speed."""
        index, radius = self.observed.index, self.car.rear_rolling_radius_m
        guess = np.clip(ENGINE_RAD_S * radius / np.maximum(self.signals.speed_m_s[index], 1.0), *RATIOS)
        if self.engine is None:
            return guess
        logged = self._logged_ratio(*self.engine)
        return np.where(np.isfinite(logged), logged, guess)

    def _logged_ratio(self, time_s: FloatArray, engine_rad_s: FloatArray) -> FloatArray:
        """(n,) engine speed over wheel speed, NaN where the clutch slips."""
        wheel = (self.observed.inputs.left_m_s + self.observed.inputs.right_m_s) / 2 / self.car.rear_rolling_radius_m
        at_rows = np.interp(self.signals.time_s[self.observed.index], time_s, engine_rad_s)
        ratio = at_rows / np.maximum(wheel, 1.0)
        return np.where((ratio > LOGGED_RATIOS[0]) & (ratio < LOGGED_RATIOS[1]), ratio, np.nan)

    def _inertia(self) -> tuple[float, float]:
        """How much of the engine's believed inertia the log shows, with its standard deviation."""
        if self.engine is None:
            return self._by_throttle()
        index, inputs, radius = self.observed.index, self.observed.inputs, self.car.rear_rolling_radius_m
        ratio = self._logged_ratio(*self.engine)
        torque = self.axle.input_torque_Nm[index]
        use = np.maximum(self.axle.use_left, self.axle.use_right)[index]
        step_s = rows_step(self.signals.rate_hz) / self.signals.rate_hz
        rate, throttle = self.signals.rate_hz, self.signals.throttle
        driven = driven_rows(throttle=throttle, rate_hz=rate, index=index, ratio=ratio, step_s=step_s)
        return engine_inertia(
            torque_Nm=torque,
            ratio=ratio,
            speed_rad_s=ratio * (inputs.left_m_s + inputs.right_m_s) / 2 / radius,
            gain_rad_s2=ratio * (inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2 / radius,
            throttle=low_pass(throttle, cutoff_hz=CUTOFF_HZ, rate_hz=rate)[index],
            driven=driven & self.observed.usable & np.isfinite(torque) & np.isfinite(use),
            grips=use < 1,
            step_s=step_s,
            believed=self._believed_inertia,
        )

    def _by_throttle(self) -> tuple[float, float]:
        """The same of a log without the engine's speed.

        Notes
        -----
        Torque by throttle and speed, from rows in which both tyres grip, is what the engine gives. In a spin what is
        missing of it turns the engine. Where the torque does not follow the throttle within `CLOSE` (gears, pedal maps,
        engine speed) that reads too little, and the belief stands.
        """
        sd = self._believed_inertia[1]
        index, axle = self.observed.index, self.axle
        torque, speed = axle.input_torque_Nm[index], self.signals.speed_m_s[index]
        throttle = low_pass(self.signals.throttle, cutoff_hz=CUTOFF_HZ, rate_hz=self.signals.rate_hz)[index]
        use = np.maximum(axle.use_left, axle.use_right)[index]
        driven = self.observed.usable & (throttle > OPEN) & np.isfinite(torque) & np.isfinite(use)
        grips, spins = driven & (use < 1), driven & (use > 1)
        if grips.sum() < LEAST_ROWS or not spins.any():
            return 1.0, sd
        knots = np.quantile(speed[driven], np.linspace(0, 1, KNOTS))
        by_speed = hats(speed, knots)
        given = np.hstack([by_speed, by_speed * throttle[:, None]])
        by_throttle = regression(given[grips], torque[grips], pull=by_huber, least=LEAST_SCATTER_Nm)
        if by_throttle.scatter > CLOSE * np.percentile(torque[grips], 95):
            return 1.0, sd
        up = self._spinning_up[spins]
        missing = given[spins] @ by_throttle.coefficients - torque[spins]
        turned = regression(up[:, None], missing, pull=by_huber, least=LEAST_SCATTER_Nm)
        error = max(by_throttle.scatter, turned.scatter) * np.sqrt(ONE_LOOK / max(float(up @ up), 1e-9))
        return weighed(turned.coefficients[0] - 1, error, sd)

    def _asked_and_could(
        self, value: dict[str, float], at: AxleEquations, rows: IntArray, inertia: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Force asked for, what both wheels could take, what the inside one could, (n,) each (N)."""
        car, inputs, tyre = self.car, self.observed.inputs, tyre_figures(value, self.car)
        fall = np.maximum(1 - tyre["friction_fall"] * (at.load_N / tyre["static_load_N"] - 1), LEAST_FACTOR)
        held = fall * at.load_N
        side = at.lateral_demand * at.load_N.sum(axis=0) / held.sum(axis=0)
        along = tyre["friction_x"] * envelope(side, shape=tyre["shape"], combined_weight=tyre["combined_weight"])
        left_turn = self.signals.yaw_rate_rad_s[self.observed.index[rows]] >= 0
        radius, inertia_w = car.rear_rolling_radius_m, car.wheel_inertia_kg_m2 * np.exp(value["log_wheel_inertia"])
        rolling = car.rolling_resistance * np.exp(value["log_rolling_resistance"]) * at.load_N
        could = along * held + rolling + inertia_w * inputs.long_m_s2[rows] / radius**2
        off, wheels_off = self._filtered_off
        sharp = car.mass_kg * np.exp(value["log_mass"]) * radius * off + 2 * inertia_w * wheels_off / radius
        turns = self._spinning_up + self._turns_engine_Nm(wheels_off - off)
        asked = at.input_torque_Nm + sharp[rows] + inertia * turns[rows]
        return asked / radius, could.sum(axis=0), np.where(left_turn, could[0], could[1])

    def _counterfactual(
        self,
        spin: tuple[int, int],
        rows: IntArray,
        draws: tuple[FloatArray, FloatArray],
        centre: list[FloatArray],
        inertia_sd: float,
    ) -> Counterfactual:
        """One spin by the forces asked for and possible in each draw (draws, rows) and by the fit (rows,); the
        deviation of the engine's inertia over what is believed of it is in the draws."""
        index = self.observed.index
        step_s = (index[1] - index[0]) / self.signals.rate_hz
        width = min(len(rows), max(1, round(WINDOW_S / step_s)))
        asked, could, inside = (_means(x, width) for x in centre)
        at = int(np.argmax(asked / np.maximum(could, 1.0)))
        of_draws, could_then = (_means(x, width) for x in draws)
        logs = np.log((of_draws / np.maximum(could_then, 1.0)).max(axis=1).clip(0.05, 20))
        own = np.clip(inside[at] / max(could[at], 1.0), LIGHTEST, 0.5)
        could = could * (1 + TRANSFER_READS_LOW * (0.5 - own) / own)
        share = float((asked[at] / max(could[at], 1.0)).clip(0.05, 20))
        turned = self._spinning_up[rows][at : at + width] / self.car.rear_rolling_radius_m / asked[at]
        timing = TIMING_S / (width * step_s) * np.ptp(turned)
        sd = float(np.sqrt(logs.var() + FORM_SD**2 + timing**2))
        radius = self.car.rear_rolling_radius_m

        def held(curve: tuple[float, float, float]) -> float:
            return float(min(held_torque_Nm(inside[at] * radius, curve) / radius, could[at]))

        torque = asked[at] * radius
        preload, slope, hold = self.fitted.curve[:3]
        lost_force, lost_s, lost_m = self._cost(spin, rows, centre)
        return Counterfactual(
            probability_car=float(ndtr(-np.log(share) / sd)),
            share=share,
            lower=share * float(np.exp(-1.96 * sd)),
            upper=share * float(np.exp(1.96 * sd)),
            asked_N=float(asked[at]),
            could_N=float(could[at]),
            held_N=held((preload, slope, hold)),
            held_by_file_N=None if self.file_curve is None else held(self.file_curve),
            lock_Nm=float(preload + slope * max(torque - hold, 0.0)),
            needed_lock_Nm=float(max(torque - 2 * inside[at] * radius, 0.0)),
            engine_error_share=min(float(inertia_sd * turned.mean() / sd) ** 2, 1.0),
            lost_force_N=lost_force,
            lost_s=lost_s,
            lost_m=lost_m,
        )

    def _cost(self, spin: tuple[int, int], rows: IntArray, centre: list[FloatArray]) -> tuple[float, float, float]:
        """Mean force lost in a spin (N), and the time (s) and distance (m) lost up to the next braking point.

        Notes
        -----
        Against an axle that puts down what is asked for, as far as both tyres take it. At a given power a car keeps its
        deficit of energy E: m v dv = E, and dt = E/(m v^3) ds, so the time lost is the integral of E/(m v^2) over time.
        """
        signals, (asked, could, _) = self.signals, centre
        index = self.observed.index[rows]
        put_down = self.axle.input_torque_Nm[index] / self.car.rear_rolling_radius_m
        lost = np.maximum(np.minimum(asked, could) - put_down, 0.0)
        ends = self._off_throttle[np.searchsorted(self._off_throttle, spin[1]) :]
        end = int(ends[0]) if len(ends) else len(signals.throttle)
        along = np.arange(index[0], max(end, index[-1] + 1))
        power = np.interp(along, index, lost * signals.speed_m_s[index]) * (along < spin[1])
        energy = np.cumsum(power) / signals.rate_hz
        speed = np.maximum(signals.speed_m_s[along], 1.0)
        lost_s = float(np.sum(energy / (self.car.mass_kg * speed**2)) / signals.rate_hz)
        return float(lost.mean()), lost_s, lost_s * float(speed[-1])


def _means(values: FloatArray, width: int) -> FloatArray:
    """Means of all windows of `width` values along the last axis."""
    sums = np.cumsum(values, axis=-1)
    sums[..., width:] -= sums[..., :-width].copy()
    return sums[..., width - 1 :] / width
