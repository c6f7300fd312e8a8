"""What the terminal says: the answer first, at 80 columns, and nothing that the log does not back."""

import io
from dataclasses import replace

import numpy as np
import pytest
from made_analysis import Made, made_analysis, made_estimate
from made_findings import made_evidence, made_finding
from rich.console import Console

from analyzer.findings.evidence import Blame, SetupContradicted
from analyzer.findings.finding import grouped
from analyzer.in_words import CAUTIONS, number, span
from analyzer.logs.recording import Annotation
from analyzer.presentation.agreement_words import diagnosis_sentence
from analyzer.presentation.finding_words import LEAST_COST_S, trend_sentence
from analyzer.presentation.html import analysis_report
from analyzer.presentation.tables import SHOWN, corner_rows, fitted_rows
from analyzer.presentation.terminal import print_budget, print_summary, print_timings
from analyzer.presentation.words import (
    answer,
    answer_parts,
    explanation_cells,
    group_where,
    interval_words,
    laps_words,
    sure_words,
    whole_laps_words,
)
from analyzer.signals.session import Sensors
from analyzer.vehicle.parameters import priors


@pytest.fixture(scope="module")
def analysis():
    return made_analysis()


def printed(show, *arguments) -> str:
    console = Console(width=80, file=io.StringIO(), highlight=False)
    show(*arguments, console)
    return console.file.getvalue()


def test_the_summary_fits_80_columns_and_starts_with_the_answer(analysis):
    text = printed(print_summary, analysis)
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    assert flat.index("The inside rear spun twice in corner 1") < flat.index("Findings, worst first")
    for caution in CAUTIONS:
        assert caution in flat


def test_on_a_screen_the_answer_is_said_again_where_the_reader_is(analysis):
    for screen in (True, False):
        console = Console(file=io.StringIO(), width=80, force_terminal=screen, color_system=None)
        print_summary(analysis, console)
        flat = " ".join(console.file.getvalue().split())
        assert flat.endswith(f"In short: {answer_parts(analysis)[0]} More above.") == screen


def test_a_sentence_stays_under_its_heading(analysis):
    lines = printed(lambda c: print_summary(analysis, c)).splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("  The inside rear spun"))
    assert lines[first + 1].startswith("  ") and lines[first + 1].strip()


def test_a_warning_says_when(analysis):
    noted = Annotation("spike", "warning", "steer", 12.0, 13.5, "Something happened.")
    text = " ".join(printed(lambda c: print_summary(replace(analysis, quality=(noted,)), c)).split())
    assert "[warning] 12.00 to 13.50 s: Something happened." in text
    assert "12.00 to 13.50 s: Something happened." in " ".join(
        analysis_report(replace(analysis, quality=(noted,))).split()
    )


def test_findings_are_grouped_by_kind_corner_and_cause(analysis):
    groups = grouped(analysis.findings)
    assert groups[0].kind == "inside_wheel_spin" and groups[0].laps == (2, 3)
    assert sum(g.count for g in groups) == len(analysis.findings)


def test_the_answer_says_how_often_it_was_the_differential_and_how_often_the_throttle(analysis):
    spin = next(f for f in analysis.findings if f.kind == "inside_wheel_spin")
    blamed = [(Blame.CAR, 3), (Blame.FOOT, 3), (Blame.CAR, 5), (Blame.CAR, 5), (Blame.OPEN, 7)]
    spins = tuple(replace(spin, corner=c, evidence=replace(spin.evidence, foot_or_car=b)) for b, c in blamed)
    assert answer(replace(analysis, findings=spins)).startswith(
        "The inside rear spun 5 times, most often in corners 3 and 5 (twice each). 3 times the differential let it go, "
        "once you asked for more than the tyres had and once it is not clear which."
    )
    assert answer(replace(analysis, findings=spins[2:4])).startswith(
        "The inside rear spun twice in corner 5. The differential let it go each time."
    )
    assert answer(replace(analysis, findings=spins[1:3])).startswith("The inside rear spun twice in corners 3 and 5.")
    elsewhere = (replace(spins[0], corner=None), *spins[1:3])
    assert answer(replace(analysis, findings=elsewhere)).startswith("The inside rear spun 3 times. Twice the")
    assert group_where(grouped(spins)[0]) == ", corner 3, lap 3: differential, 99 % likely"


def test_the_answer_says_what_spins_of_whole_laps_cost_a_lap(analysis):
    spin = next(f for f in analysis.findings if f.kind == "inside_wheel_spin")
    laps = len(analysis.laps.bounds)

    def costing(*each_s, of=analysis, lap=2):
        spins = tuple(replace(spin, lap=lap, evidence=replace(spin.evidence, lost_s=lost_s)) for lost_s in each_s)
        return answer(replace(of, findings=spins))

    assert "Together the spins cost about 0.2 s a lap." in costing(0.15 * laps, 0.05 * laps, LEAST_COST_S / 2)
    # next to nothing a lap, outside the whole laps, and where no lap repeats
    assert "a lap" not in costing(0.04 * laps)
    assert "a lap" not in costing(0.2 * laps, lap=0)
    alone = replace(analysis, laps=replace(analysis.laps, method="none"))
    assert "a lap" not in costing(0.2 * laps, of=alone)


def test_sides_that_are_open_and_an_explanation_of_all_together_do_not_contradict_each_other(analysis):
    explained = replace(analysis.agreement.diagnosis, verdict="explained", tied=("preload_up",))
    agreement = replace(analysis.agreement, verdict="cannot_tell", diagnosis=explained)
    text = answer(replace(analysis, agreement=agreement))
    assert "alone leaves it open whether the setup file is right; together, most likely there is more preload" in text
    assert "not clear from this log whether it agrees" not in text


def test_what_is_of_the_whole_session_did_not_happen_at_a_time(analysis):
    groups = {group.kind: sure_words(group) for group in grouped(analysis.findings)}
    assert groups["inside_wheel_spin"].endswith(" % sure that it happened")
    told = grouped((made_finding(made_evidence(SetupContradicted)),))
    assert sure_words(told[0]).endswith(" % sure")


def test_a_load_transfer_that_the_car_file_leaves_out_is_said_in_the_answer(analysis):
    silent = replace(analysis, car=analysis.car.model_copy(update={"rear_load_transfer_fraction": None}))
    stated = replace(analysis, car=analysis.car.model_copy(update={"rear_load_transfer_fraction": 0.45}))
    assert "leaves out rear_load_transfer_fraction" in answer(silent)
    assert "rear_load_transfer_fraction" not in answer(stated)


def test_what_was_fitted_is_in_figures_with_units_not_in_logarithms(analysis):
    fitted = {"log_friction": (np.log(1.2), 0.05), "log_mass": (0.01, 0.01), "yaw_bias": (np.radians(0.5), 0.001)}
    rows = fitted_rows(replace(analysis, tyre=fitted))
    assert [row[1:] for row in rows] == [("1.20", "0.06", ""), ("+1.0", "1.0", "%"), ("0.50", "0.06", "deg/s")]
    assert {p.name for p in priors(analysis.car, sensors=Sensors(), long_bias_sd_m_s2=0.1)} == set(SHOWN)


def test_a_locked_axle_with_bounds_is_told_as_such():
    text = answer(made_analysis(Made(locked=True), lock_curve=made_estimate(kind="bound")))
    assert "turned as one" in text and "at least" in text
    assert "No inside rear spin" in text
    assert "reload is" not in text  # no number for a preload that was not measured


def test_markup_in_names_is_printed_as_it_is(analysis):
    named = replace(analysis, recording=replace(analysis.recording, name="[red]x[/red].csv"))
    assert "[red]x[/red].csv" in printed(print_summary, named)


def test_no_findings_and_no_corners_are_said():
    calm = made_analysis(Made(spin_laps=(), extra_steer_laps=()), phase_results=())
    text = printed(print_summary, replace(calm, findings=()))
    assert "Nothing to report." in text and "No corners were found." in text


def test_budget_and_timings_show_the_numbers(analysis):
    budget = printed(lambda c: print_budget(analysis.lock_curve, c))
    assert "scatter of the corner passes" in budget and "60" in budget
    assert "1.20" in printed(print_timings, analysis.timings_s)


def test_corner_rows_are_medians_over_laps(analysis):
    first = analysis.phase_results[0]
    changed = tuple(
        replace(r, input_torque_Nm=float(r.lap)) if (r.corner, r.phase) == (1, "exit") else r
        for r in analysis.phase_results
    )
    row = next(r for r in corner_rows(changed) if (r.corner, r.phase) == (1, "exit"))
    assert row.input_torque_Nm == 2.5 and row.laps == 4  # median of 1, 2, 3, 4
    assert corner_rows((replace(first, kinematic_lock=None),))[0].kinematic_lock is None


@pytest.mark.parametrize(("value", "digits", "text"), [(None, 0, "–"), (-0.04, 1, "0.0"), (12.345, 1, "12.3")])
def test_numbers_in_words(value, digits, text):
    assert number(value, digits) == text


def test_lowest_and_highest_tell_positions_apart():
    assert span(43.999987, 44.003731) == ("43.99999", "44.00373")
    assert span(1692117187.46, 1692117423.5) == ("1692117187", "1692117424")
    assert (span(1.0, 4.0), span(-0.923, 0.7), span(None, 1.0)) == (("1", "4"), ("-0.92", "0.70"), ("–", "–"))


def test_a_bound_is_worded_as_a_bound():
    assert interval_words(made_estimate(kind="bound").parameters["preload_Nm"]) == ("–", "at least 120")


@pytest.mark.parametrize(
    ("laps", "text"),
    [
        ((2,), "lap 2"),
        ((1, 3), "laps 1, 3"),
        ((0, 2), "lap 2 and outside the whole laps"),
        ((0,), "outside the whole laps"),
    ],
)
def test_laps_in_words(laps, text):
    assert laps_words(laps) == text


def test_a_log_without_laps_is_not_said_to_have_one(analysis):
    assert whole_laps_words(analysis.laps) == "whole laps: 4"
    assert "counts as one" in whole_laps_words(replace(analysis.laps, method="none", bounds=((0, 10),)))
    assert whole_laps_words(replace(analysis.laps, method="none", bounds=())) == "no laps"


def test_explanations_trend_and_chatter_are_on_the_terminal(analysis):
    text = " ".join(printed(print_summary, analysis).split())
    assert f"What would explain it: {diagnosis_sentence(analysis.agreement.diagnosis)}" in text
    assert f"Within the run {trend_sentence(analysis.trend)}" in text
    assert "chatter" in text.lower()
    bare = printed(print_summary, replace(analysis, trend=None, chatter=None, agreement=None))
    assert "What would explain it" not in bare and "Within the run" not in bare and "chatter" not in bare.lower()


@pytest.mark.parametrize(
    ("times", "words"),
    [(5000.0, "over 1000 times"), (25.4, "25 times"), (1.2, "no better"), (0.25, "4 times worse")],
)
def test_how_much_better_in_words(analysis, times, words):
    friction = next(x for x in analysis.agreement.diagnosis.explanations if x.kind == "friction")
    name, better, figure = explanation_cells(replace(friction, times_better=times, value=0.5, lower=0.4, upper=0.7))
    assert (better, figure) == (words, "file × 0.50 (0.40 to 0.70)") and "plate friction" in name
