"""What the library gives back: a face on an analysis, a comparison, an advice and a prediction.

Tables are pandas DataFrames with the unit in the name of a column (a column without one is a number of its own kind:
a name, a count, or a ratio of 1). What does not exist is NaN or None, never 0. Figures are the report's, by Plotly.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analyzer.advice.choice import Advice
from analyzer.analysis import Analysis
from analyzer.comparison.comparison import Comparison
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.differential.setup import Setup
from analyzer.errors import InputError
from analyzer.in_words import CAUTIONS
from analyzer.lockcurve.estimate import Interval
from analyzer.phases.phases import Corner
from analyzer.presentation import advice_words, comparison_words, words
from analyzer.presentation.prediction_words import input_torque_grid_Nm, lock_curve_result, note_words
from analyzer.presentation.result_json import advice_result, comparison_result, finding, json_text, to_result

if TYPE_CHECKING:
    import plotly.graph_objects as go


class _Face:
    """How a result shows itself: one line in a terminal, the answer and a table in a notebook."""

    def _about(self) -> str:
        raise NotImplementedError

    def _paragraphs(self) -> tuple[str, ...]:
        raise NotImplementedError

    def _table(self) -> pd.DataFrame:
        raise NotImplementedError

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._about()}>"

    def _repr_html_(self) -> str:
        first, *rest = self._paragraphs()
        told = "".join(f"<p>{escape(text)}</p>" for text in rest if text)
        table = self._table().to_html(float_format=lambda v: f"{v:.4g}", na_rep="–", border=0)
        return f"<p><strong>{escape(first)}</strong></p>{told}{table}<p><small>{escape(' '.join(CAUTIONS))}</small></p>"


@dataclass(frozen=True, repr=False)
class AnalysisResult(_Face):
    """What the differential did in a session; made by `analyze`.

    Attributes
    ----------
    analysis : everything behind it: signals, corners, axle (arrays in SI), fit.
    """

    analysis: Analysis

    @property
    def answer(self) -> str:
        """What the driver asks first (did it spin, where, your right foot or the car), then lock, curve and parts."""
        return words.answer(self.analysis)

    @property
    def phases(self) -> pd.DataFrame:
        """A row a corner phase and pass: slips and fractions (1), torques at the wheels (N.m), times in the log (s); of
        several logs with the `log`."""
        return self._rows(lambda one: [asdict(r) for r in one.phase_results])

    @property
    def lock_curve(self) -> pd.DataFrame:
        """The measured lock curve: `input_torque_Nm`, `locking_torque_Nm`, its 95 % limits `lower_Nm` and `upper_Nm`,
        `kind` (`measured`, `bound`: at least `lower_Nm`, or `none`), and `predicted_Nm` where a setup was given."""
        table = pd.DataFrame([asdict(p) for p in self.analysis.lock_curve.points])
        if self.analysis.predicted is not None:
            table["predicted_Nm"] = self.analysis.predicted.locking_torque_Nm(table["input_torque_Nm"].to_numpy())
        return table

    @property
    def parameters(self) -> pd.DataFrame:
        """Preload (N.m), slopes (N.m per N.m) and hold-offs (N.m) by name: `value`, `lower`, `upper` (95 %), `reason`
        where there is none, and `predicted` where a setup was given."""
        table = _interval_table(self.analysis.lock_curve.parameters)
        if self.analysis.predicted is not None:
            table["predicted"] = [getattr(self.analysis.predicted, name) for name in table.index]
        return table

    @property
    def findings(self) -> pd.DataFrame:
        """A row a finding, worst first: `kind`, `lap`, `corner`, `start_s`, `end_s`, `severity`, `confidence` (0 to
        1), `sentence`, and `evidence`, a dict whose keys carry their units; of several logs with the `log`."""
        columns = ["kind", "lap", "corner", "start_s", "end_s", "severity", "confidence", "sentence", "evidence"]
        return self._rows(lambda one: [finding(f) for f in one.findings], columns)

    @property
    def quality(self) -> pd.DataFrame:
        """A row for each thing that was wrong with the log: `code`, `severity`, `channel`, `start_s`, `end_s`,
        `message`, and whether it `excludes` its section from the estimate; of several logs with the `log`."""
        columns = ["code", "severity", "channel", "start_s", "end_s", "message", "excludes"]
        return self._rows(lambda one: [asdict(a) for a in one.quality], columns)

    @property
    def samples(self) -> pd.DataFrame:
        """A row a sample of the first log: time and distance in it, lap (0 outside whole laps), speed, controls, slips
        of the rear wheels (1), torques of the rear axle (N.m), and whether it was seen `locked` or `slipping`."""
        signals, axle = self.analysis.signals, self.analysis.axle
        return pd.DataFrame(
            {
                "time_s": signals.time_s,
                "distance_m": signals.distance_m,
                "lap": self.analysis.laps.number,
                "speed_m_s": signals.speed_m_s,
                "throttle": signals.throttle,
                "steer_rad": signals.steer_rad,
                "lateral_acceleration_m_s2": signals.lat_m_s2,
                "yaw_rate_rad_s": signals.yaw_rate_rad_s,
                "slip_left": axle.slip_left,
                "slip_right": axle.slip_right,
                "input_torque_Nm": axle.input_torque_Nm,
                "left_minus_right_torque_Nm": axle.torque_difference_Nm,
                "locked": axle.locked,
                "slipping": axle.slipping,
            }
        )

    def _rows(self, of: Callable[[Analysis], list[dict[str, Any]]], columns: list[str] | None = None) -> pd.DataFrame:
        """A table of all logs, the name of the log in front where there are several."""
        together = (self.analysis, *self.analysis.others)
        tables = [pd.DataFrame(of(one), columns=columns) for one in together]
        if len(together) == 1:
            return tables[0]
        for one, table in zip(together, tables, strict=True):
            table.insert(0, "log", one.recording.name)
        return pd.concat(tables, ignore_index=True)

    def plot_lock_curve(self) -> "go.Figure":
        """Torque moved across against input torque: samples, the measured curve with its band, the predicted one."""
        from analyzer.presentation.figures.lock_plot import lock_plot

        return lock_plot(self.analysis)

    def plot_corner(self, corner: int, lap: int | None = None) -> "go.Figure":
        """One pass through a corner: wheel speeds, slips, throttle and steer over time, phases shaded.

        Parameters
        ----------
        corner : its number, as in `phases`.
        lap : default: the lap with the worst finding in this corner, else the first.

        Raises
        ------
        InputError : the log has no such pass.
        """
        from analyzer.presentation.figures.lap_figures import corner_traces

        return corner_traces(self.analysis, self._pass(corner, lap))

    def plot_map(self) -> "go.Figure":
        """The path of the session from above, coloured by the inside rear's slip, with the findings."""
        from analyzer.presentation.figures.lap_figures import path_map

        return path_map(self.analysis)

    def to_json(self) -> str:
        """The result as JSON text, as `halfshaft analyze --json` writes it."""
        return json_text(to_result(self.analysis))

    def to_html(self) -> str:
        """The report as one HTML file that needs no network."""
        from analyzer.presentation.html import analysis_report

        return analysis_report(self.analysis)

    def _pass(self, corner: int, lap: int | None) -> Corner:
        passes = [c for c in self.analysis.corners if c.number == corner]
        if not passes:
            there = sorted({c.number for c in self.analysis.corners})
            raise InputError(
                f"corner {corner} is not in this log; it has {there[0]} to {there[-1]}. Give one of those."
            )
        if lap is None:
            found = [f.lap for f in self.analysis.findings if f.corner == corner]
            return next((c for c in passes if found and c.lap == found[0]), passes[0])
        chosen = next((c for c in passes if c.lap == lap), None)
        if chosen is None:
            there = sorted({c.lap for c in passes})
            raise InputError(f"lap {lap} has no pass of corner {corner}; laps {there} have. Choose from those.")
        return chosen

    def _about(self) -> str:
        log, others = self.analysis.recording, len(self.analysis.others)
        name = f"{log.name} and {others} more" if others else log.name
        return (
            f"{name}, {log.time_s[-1] - log.time_s[0]:.0f} s, {words.whole_laps_words(self.analysis.laps)}, "
            f"{len(self.findings)} findings, preload {_span(self.analysis.lock_curve.parameters['preload_Nm'])}"
        )

    def _paragraphs(self) -> tuple[str, ...]:
        return words.answer_parts(self.analysis)

    def _table(self) -> pd.DataFrame:
        return self.parameters


@dataclass(frozen=True, repr=False)
class ComparisonResult(_Face):
    """What changed between runs before and after; made by `compare`.

    Attributes
    ----------
    comparison : everything behind it: runs, joint fit, change of the whole curve.
    """

    comparison: Comparison

    @property
    def answer(self) -> str:
        """Did it take, did anything change at all, and how sure."""
        return " ".join(self._answer())

    @property
    def change(self) -> pd.DataFrame:
        """Change of preload (N.m), slopes (N.m per N.m) and drive hold-off (N.m), after minus before: `value`,
        `lower`, `upper` (95 %), `reason`, and `predicted` where both setups were given."""
        table = _interval_table(self.comparison.change)
        table["predicted"] = [self.comparison.predicted_change[name] for name in table.index]
        return table

    @property
    def sides(self) -> pd.DataFrame:
        """Preload, drive and coast: `verdict`, `change_Nm` with `lower_Nm` and `upper_Nm`, what the parts predict, and
        the margin under which a change is too small to matter."""
        rows = {
            side: {
                "verdict": c.verdict,
                "change_Nm": c.change_Nm.value,
                "lower_Nm": c.change_Nm.lower,
                "upper_Nm": c.change_Nm.upper,
                "predicted_Nm": c.expected_Nm,
                "margin_Nm": c.margin_Nm,
            }
            for side, c in self.comparison.sides.items()
        }
        return pd.DataFrame.from_dict(rows, orient="index")

    @property
    def locking_change(self) -> pd.DataFrame:
        """Change of locking torque (N.m) at the same input torque (N.m), with its 95 % limits."""
        value, lower, upper = self.comparison.locking_change_Nm
        return pd.DataFrame(
            {"input_torque_Nm": self.comparison.torque_Nm, "change_Nm": value, "lower_Nm": lower, "upper_Nm": upper}
        )

    @property
    def phases(self) -> pd.DataFrame:
        """Change by corner phase (`corner` None: all matched corners), at matched speed and throttle."""
        rows = []
        for p in self.comparison.phases:
            row: dict[str, Any] = {"phase": p.phase, "corner": p.corner, "direction": p.direction}
            for name in ("kinematic_lock", "transfer_torque_Nm", "inside_slip"):
                interval = getattr(p, name)
                row |= {
                    f"{name}_change": interval.value,
                    f"{name}_lower": interval.lower,
                    f"{name}_upper": interval.upper,
                }
            rows.append(row)
        return pd.DataFrame(rows)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Limits of this result, a sentence each."""
        return comparison_words.warnings(self.comparison.conditions)

    def plot_change(self) -> "go.Figure":
        """Change of locking torque against input torque, with its band and what the parts predict."""
        from analyzer.presentation.figures.changes import change_plot

        return change_plot(self.comparison)

    def plot_phases(self) -> "go.Figure":
        """Change of transfer torque by corner and phase."""
        from analyzer.presentation.figures.changes import phase_plot

        return phase_plot(self.comparison)

    def to_json(self) -> str:
        """The result as JSON text, as `halfshaft compare --json` writes it."""
        return json_text(comparison_result(self.comparison))

    def to_html(self) -> str:
        """The report as one HTML file that needs no network."""
        from analyzer.presentation.html import comparison_report

        return comparison_report(self.comparison)

    def _about(self) -> str:
        verdicts = ", ".join(f"{side} {c.verdict}" for side, c in self.comparison.sides.items())
        names = ["; ".join(r.name for r in self.comparison.of_side(side)) for side in (0, 1)]
        return f"{names[0]} against {names[1]}: {verdicts}"

    def _paragraphs(self) -> tuple[str, ...]:
        return (*self._answer(), *self.warnings)

    def _answer(self) -> tuple[str, str, str]:
        said, sure = comparison_words.comparison_answer(self.comparison)
        return said, comparison_words.whole(self.comparison.any_change), sure

    def _table(self) -> pd.DataFrame:
        return self.sides


@dataclass(frozen=True, repr=False)
class AdviceResult(_Face):
    """Which parts would cure what the logs show; made by `advise`.

    Attributes
    ----------
    advice : everything behind it: causes, calibration of the parts by the log, assumptions.
    """

    advice: Advice

    @property
    def answer(self) -> str:
        """What to fit next, or why nothing."""
        return advice_words.advice_answer(self.advice)

    @property
    def options(self) -> pd.DataFrame:
        """A row a build, the fitted one first: `build`, `rank` (1 to 3 where advised), `sure` (0 to 1), and what it
        would have done on these laps, with 95 % limits where they were drawn; times in s, moments in N.m."""
        rows = []
        for option in self.advice.options:
            row: dict[str, Any] = {"build": option.build.label, "rank": option.rank, "sure": option.sure}
            for name, interval in option.outcome.items():
                row |= {name: interval.value, f"{name}_lower": interval.lower, f"{name}_upper": interval.upper}
            rows.append(row)
        return pd.DataFrame(rows)

    def plot_trade_off(self) -> "go.Figure":
        """Spin under power against the off-throttle moment against the turn, one mark a build.

        Raises
        ------
        InputError : the logs hold no coasting in corners, which the picture needs.
        """
        from analyzer.presentation.figures.changes import trade_off

        if self.advice.fitted.outcome["coast_moment_Nm"].value is None:
            raise InputError("the logs hold no coasting in corners, so there is no trade-off to draw; use `options`.")
        return trade_off(self.advice)

    def to_json(self) -> str:
        """The result as JSON text, as `halfshaft advise --json` writes it."""
        return json_text(advice_result(self.advice))

    def to_html(self) -> str:
        """The report as one HTML file that needs no network."""
        from analyzer.presentation.html import advice_report

        return advice_report(self.advice)

    def _about(self) -> str:
        best = self.advice.top[0].build.label if self.advice.top else "no part advised"
        return f"{len(self.advice.options)} builds, {best}"

    def _paragraphs(self) -> tuple[str, ...]:
        return (self.answer, *advice_words.assumptions(self.advice))

    def _table(self) -> pd.DataFrame:
        shown = ["build", "rank", "spin_s", "coast_moment_Nm"]
        return self.options.loc[lambda t: t["rank"].notna() | (t.index == 0), shown].reset_index(drop=True)


@dataclass(frozen=True, repr=False)
class Prediction(_Face):
    """The lock curve that the parts should give; made by `predict`.

    Attributes
    ----------
    setup : what is fitted.
    curve : the prediction itself: `curve.locking_torque_Nm(torques)` and `curve.band_Nm(torques)` in N.m.
    largest_torque_Nm : largest input torque of the table.
    """

    setup: Setup
    curve: PredictedLockCurve
    largest_torque_Nm: float

    @property
    def lock_curve(self) -> pd.DataFrame:
        """Locking torque against input torque (N.m) with its 95 % limits, locking value and torque bias ratio (1)."""
        return pd.DataFrame(self._result()["points"])

    @property
    def parameters(self) -> pd.DataFrame:
        """Preload (N.m), slopes (N.m per N.m) and hold-offs (N.m) by name: `value`, `lower`, `upper` (95 %)."""
        names = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope", "coast_hold_Nm")
        result = self._result()
        return pd.DataFrame.from_dict({name: result[name] for name in names}, orient="index")

    @property
    def notes(self) -> tuple[str, ...]:
        """Limits of this prediction, a sentence each."""
        return tuple(note_words(note) for note in self.curve.notes)

    def _result(self) -> dict[str, Any]:
        grid = input_torque_grid_Nm(self.curve, largest_Nm=self.largest_torque_Nm)
        return lock_curve_result(self.curve, input_torque_Nm=grid)

    def _about(self) -> str:
        preload = self.curve.preload_Nm
        return f"{self.setup.name}, {self.curve.kind}" + ("" if preload is None else f", preload {preload:.0f} N.m")

    def _paragraphs(self) -> tuple[str, ...]:
        return (f"Predicted lock curve: {self.setup.name}", *self.notes)

    def _table(self) -> pd.DataFrame:
        return self.parameters


def _interval_table(intervals: dict[str, Interval]) -> pd.DataFrame:
    return pd.DataFrame.from_dict({name: asdict(i) for name, i in intervals.items()}, orient="index")


def _span(interval: Interval) -> str:
    if interval.value is None:
        return "not measured"
    limits = [np.nan if v is None else v for v in (interval.lower, interval.upper)]
    return f"{interval.value:.0f} N.m ({limits[0]:.0f} to {limits[1]:.0f})"
