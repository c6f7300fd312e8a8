"""Pages say what the analysis says."""

import csv
import io
import json
import time
import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest
from form_fields import fields_of
from plotly.utils import PlotlyJSONEncoder

from analyzer.differential.setup import Setup, load_setup
from analyzer.errors import InputError
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook import results
from analyzer.logs.recording import Annotation
from analyzer.pipeline import analyze
from analyzer.presentation.words import answer_on_screen, answer_parts, parameter_cells
from dashboards.compare import two_sides
from dashboards.logbook import Logbook
from dashboards.parts import not_measured
from dashboards.run.run_page import limits
from dashboards.setup_page import FORM, SHARED, typed

HERE = {"Host": "localhost", "Origin": "http://localhost"}
SAMPLES = Path(str(resources.files("sample_logs")))
SETUPS = sorted(SAMPLES.glob("*.setup.toml"))


def test_run_page_has_the_answer(ask_page, client, run_id, analysis):
    driver, tuner, rest = answer_on_screen(analysis)
    assert client.get(f"/run/{run_id}/view/overview", headers=HERE).get_json()["answer"] == [driver, tuner]
    assert json.dumps(rest)[1:-1] in ask_page(f"/run/{run_id}")


def test_the_run_screen_says_all_of_the_answer_and_nothing_twice():
    """Whether it agrees with the parts stands on top, what it depends on below."""
    analysis = analyze(
        log_path=SAMPLES / "baseline.parquet",
        car_path=SAMPLES / "club_car.toml",
        setup_path=SAMPLES / "baseline.setup.toml",
    )
    driver, tuner, rest = answer_on_screen(analysis)
    said = [sentence for part in (driver, tuner, rest) for sentence in part.split(". ")]
    assert sorted(" ".join((driver, tuner, rest)).split()) == sorted(" ".join(answer_parts(analysis)).split())
    assert len(said) == len(set(said)) and "setup file" in tuner and "setup file" not in rest


def test_run_page_says_the_limits_of_the_result(analysis):
    notes = (
        Annotation("share_guessed", "warning", None, None, None, "the share is guessed."),
        Annotation("gap", "warning", "steer", 3.0, 4.0, "a gap"),
        Annotation("sign", "info", "steer", None, None, "turned over"),
    )
    shown = json.dumps(limits(replace(analysis, quality=notes), "id").to_plotly_json(), cls=PlotlyJSONEncoder)
    assert "Limits of this result (2)" in shown and "The share is guessed." in shown
    assert "certain times of the log: 1" in shown and "turned over" not in shown
    assert limits(replace(analysis, quality=()), "id") is None


@pytest.mark.parametrize("path", ["/", "/setup", "/compare"])
def test_other_pages_open(ask_page, path):
    assert "Not here" not in ask_page(path)


@pytest.mark.parametrize("path", ["/run/0000000000000000", "/run/../..", "/nowhere"])
def test_what_is_not_there_is_said(ask_page, path):
    assert "Not here" in ask_page(path)


def test_a_run_put_in_by_the_command_line_has_its_log_checked_when_asked(ask_page, logbook, run_id):
    assert results.log_check(logbook.book, run_id) is None
    assert "not read far enough" not in (page := ask_page(f"/run/{run_id}/log")) and "wheel_speed_rl" in page
    assert results.log_check(logbook.book, run_id) is not None


def test_a_result_of_an_earlier_car_file_says_so(ask_page, logbook, run_id):
    assert "analysed anew since" not in ask_page("/")
    car = logbook.file("car", "sample").path.read_bytes().replace(b"mass_kg = 1040", b"mass_kg = 1055")
    weighed = logbook.store("car", "weighed.toml", io.BytesIO(car), len(car))
    logbook.new_run(log_key="sample", car_key=weighed.key, setup_key=None)
    assert {run.id: bool(run.latest) for run in logbook.runs()}[run_id] is False
    assert ask_page("/").count("analysed anew since") == 1


def test_side_by_side_shows_every_lap_chosen_of_both_sides(analysis):
    odd = [r for r in analysis.phase_results if r.lap in (1, 3)]
    figure = two_sides.phases(odd, analysis.phase_results, "turn_in", "kinematic_lock")
    marks = {d.name: d for d in figure.data if d.mode == "markers"}
    assert {lap for _, lap in marks["before"].customdata} == {1, 3}
    expected = [r.kinematic_lock for r in odd if r.phase == "turn_in" and r.kinematic_lock is not None]
    assert sorted(marks["before"].y) == sorted(expected)
    assert len(marks["after"].y) == 2 * len(expected)


def test_csv_has_every_phase_with_the_result_s_numbers(client, run_id, analysis):
    rows = list(csv.DictReader(io.StringIO(client.get(f"/run/{run_id}/corners.csv", headers=HERE).text)))
    assert len(rows) == len(analysis.phase_results)
    for row, expected in zip(rows, analysis.phase_results, strict=True):
        assert (int(row["lap"]), int(row["corner"]), row["phase"]) == (expected.lap, expected.corner, expected.phase)
        if expected.transfer_torque_Nm is None:
            assert row["transfer_torque_Nm"] == ""
        else:
            assert float(row["transfer_torque_Nm"]) == pytest.approx(expected.transfer_torque_Nm, rel=1e-5)


@pytest.mark.parametrize("path", SETUPS, ids=lambda p: p.name)
def test_saved_setup_reads_back_the_same(path, tmp_path):
    setup = load_setup(path)
    (tmp_path / "saved.toml").write_text(FORM.to_toml(setup), "utf-8")
    assert load_setup(tmp_path / "saved.toml") == setup


FULL_SHEET = """
[differential]
name = "every key"
type = "plate"
ramp_angle_reference = "shaft_axis"
drive_ramp_angle_deg = 24.5
coast_ramp_angle_deg = 15
ramp_friction_coefficient = 0.05
cone_spring_position = "between_rings"
pin_radius_mm = 38.123456789
friction_faces_per_side = 2
plate_outer_diameter_mm = 120
plate_inner_diameter_mm = 86
friction_coefficient = 0.11
friction_radius = "uniform_pressure"
[differential.cone_spring]
outer_diameter_mm = 120.5
inner_diameter_mm = 80
thickness_mm = 2.5
free_cone_height_mm = 2
deflection_mm = 0.7
discs_in_parallel = 1
discs_in_series = 2
elastic_modulus_GPa = 205.5
poisson_ratio = 0.29
[differential.ring_spring]
rate_N_per_mm = 120
compression_mm = 2.5
[differential.shims]
added_thickness_mm = -0.1
plate_wear_mm = 0.02
[differential.breakaway]
torque_Nm = 31.5
method = "case_held"
state = "turning_warm"
percent = 6.5
[differential.uncertainty]
friction_coefficient_percent = 12
friction_radius_percent = 1.5
cone_spring_percent = 6
ring_spring_percent = 9
breakaway_percent = 7
pin_radius_percent = 0.5
ramp_angle_deg = 0.25
"""


def test_every_key_of_a_setup_file_survives_form_and_saving(logbook, tmp_path):
    stored = logbook.store("setup", "full.toml", io.BytesIO(FULL_SHEET.encode()), None)
    ids, values = zip(*fields_of(FORM.sections(SHARED.values_of(logbook, stored.key))), strict=True)
    (tmp_path / "saved.toml").write_text(FORM.to_toml(typed(list(values), list(ids))), "utf-8")
    assert tomllib.loads((tmp_path / "saved.toml").read_text("utf-8")) == tomllib.loads(FULL_SHEET)
    # the file above leaves nothing out that a setup of parts may say
    said = tomllib.loads(FULL_SHEET)["differential"]
    for name, info in Setup.model_fields.items():
        assert name in said or "lock_percent" in name, (name, info)


def test_saved_name_is_only_text():
    ids = [{"type": "part", "table": "", "key": key} for key in ("name", "type")]
    name = 'a "quote"\n[differential.shims]\\ é'
    assert tomllib.loads(FORM.to_toml(typed([name, "open"], ids)))["differential"] == {"name": name, "type": "open"}


def test_form_refuses_in_the_words_of_the_command_line():
    ids = [{"type": "part", "table": "", "key": key} for key in ("type", "drive_ramp_angle_deg")]
    with pytest.raises(InputError, match=r"'drive_ramp_angle_deg' in .differential. is 400; allowed: 0 to 90"):
        typed(["plate", "400"], ids)


@pytest.mark.parametrize("kind", ["open", "spool"])
def test_a_differential_without_plates_leaves_the_plates_figures_out(kind):
    ids = [{"type": "part", "table": "", "key": key} for key in ("type", "drive_ramp_angle_deg")]
    ids += [{"type": "part", "table": "cone_spring", "key": "force_N"}]
    assert tomllib.loads(FORM.to_toml(typed([kind, "66", "1000"], ids)))["differential"] == {"type": kind}


def test_a_parameter_without_a_number_says_why_once_under_the_table(analysis):
    reason = "the axle slipped on drive over too little of the torque range"
    none = Interval(None, None, None, reason)
    parameters = {**analysis.lock_curve.parameters, "drive_slope": none, "drive_hold_Nm": none}
    silent = replace(analysis, lock_curve=replace(analysis.lock_curve, parameters=parameters))
    cells = parameter_cells(silent.lock_curve.parameters)
    assert cells["drive_slope"] == cells["drive_hold_Nm"] == ("–", "–")
    assert [said.children for said in not_measured(silent)] == [f"Not measured: {reason}."]


def test_a_failed_log_check_says_it_once_and_leads_back(ask_page, logbook):
    few = b"time,throttle\n" + b"".join(b"%.2f,50\n" % (k / 50) for k in range(200))
    log = logbook.store("log", "few.csv", io.BytesIO(few), len(few))
    run = logbook.new_run(log_key=log.key, car_key="sample", setup_key=None)
    logbook.make_check(run)
    problem = logbook.check(run)["problem"]
    assert "the dashboard's 'Log check' has it" in problem
    logbook.set_status(run, state="failed", message=problem)
    page = ask_page(f"/run/{run}/log")
    assert page.count(json.dumps(problem)[1:-1]) == 1 and "Back to the runs" in page


def test_no_car_is_taken_unasked_but_one_s_own_is(ask_page, logbook):
    def chosen() -> object:
        found = _props(json.loads(ask_page("/")), "choice-car")
        return found["value"]

    assert chosen() is None
    car = logbook.file("car", "sample").path.read_bytes().replace(b"mass_kg = 1040", b"mass_kg = 1055")
    assert chosen() is None
    own = logbook.store("car", "own.toml", io.BytesIO(car), len(car))
    assert chosen() == own.key


def test_the_sample_car_can_be_saved_and_filled_in(client, logbook):
    answer = client.get("/sample/car", headers=HERE)
    assert answer.data == logbook.file("car", "sample").path.read_bytes()
    assert answer.headers["Content-Disposition"] == 'attachment; filename="club_car.toml"'


def _props(part: object, wanted: str) -> dict:
    """Properties of a component in an answer of Dash."""
    if isinstance(part, dict):
        if part.get("id") == wanted:
            return part
        part = list(part.values())
    found = [_props(inner, wanted) for inner in part] if isinstance(part, list) else []
    return next((one for one in found if one), {})


def test_a_run_stored_by_another_version_is_said(ask_page, logbook, run_id):
    path = logbook.book.arrays(results.result(logbook.book, run_id).folder) / "analysis.json"
    path.write_text(path.read_text("utf-8").replace('"rate_hz"', '"rate_of_old"', 1), "utf-8")
    told = ask_page(f"/run/{run_id}")
    assert "cannot be read" in told and "analyse the log again" in told


def test_one_run_alone_is_not_laid_over_itself(ask_page, run_id):
    page = json.loads(ask_page("/compare"))
    assert (_props(page, "before")["value"], _props(page, "after")["value"]) == ([run_id], [])
    assert "There is only one run" in json.dumps(page)


def test_the_sample_s_bytes_sent_by_somebody_are_the_sample(logbook):
    """Its key is among the choices, so that neither form is emptied nor a setup left out."""
    for kind in ("car", "setup"):
        sent = logbook.store(kind, "mine.toml", io.BytesIO(logbook.file(kind, "sample").path.read_bytes()), None)
        assert sent.key == "sample" and sent.key in [f.key for f in logbook.files(kind)]


def test_a_run_without_a_setup_file_is_held_against_none(ask_page, run_id):
    page = ask_page("/setup", f"?run={run_id}")
    assert "was analysed without a setup file" in page
    assert _props(json.loads(page), "setup-opened")["value"] is None


def test_a_run_with_a_setup_file_opens_it(ask_page, logbook, analysis):
    text = logbook.file("setup", "sample").path.read_bytes() + b"# mine\n"
    own = logbook.store("setup", "own.toml", io.BytesIO(text), len(text))
    run = logbook.new_run(log_key="sample", car_key="sample", setup_key=own.key)
    stored = results.run_of(logbook.book, results.result(logbook.book, run))
    results.finish(logbook.book, stored, analysis, provenance=results.expected(stored))
    page = ask_page("/setup", f"?run={run}")
    assert _props(json.loads(page), "setup-opened")["value"] == own.key and "without a setup file" not in page


def test_before_and_after_follow_when_they_were_driven(ask_page, logbook, run_id, analysis):
    """The one analysed last was driven first."""
    log = b"\n".join([b"time,throttle", *(b"%.2f,1" % (k / 50) for k in range(9))])
    stored = logbook.store("log", "earlier.csv", io.BytesIO(log), len(log))
    earlier = logbook.new_run(log_key=stored.key, car_key="sample", setup_key=None)
    run = results.run_of(logbook.book, results.result(logbook.book, earlier))
    results.finish(logbook.book, run, analysis, provenance=results.expected(run))
    logbook.say_of(earlier, date_s=1000.0)
    page = json.loads(ask_page("/compare"))
    assert (_props(page, "before")["value"], _props(page, "after")["value"]) == ([earlier], [run_id])


def test_a_comparison_asked_again_is_the_same_and_its_address_shows_it(ask_page, logbook, run_id):
    made = logbook.new_comparison([run_id], [run_id], before_laps="odd", after_laps="even")
    logbook.set_status(made, state="done")
    assert logbook.new_comparison([run_id], [run_id], before_laps="odd", after_laps="even") == made
    assert logbook.new_comparison([run_id], [run_id], before_laps="even", after_laps="odd") != made
    page = json.loads(ask_page("/compare", f"?comparison={made}"))
    assert _props(page, "comparison")["data"]["id"] == made
    assert (_props(page, "before-laps")["value"], _props(page, "after-laps")["value"]) == ("odd", "even")
    assert made in ask_page("/compare")
    logbook.remove_comparison(made)
    assert made not in ask_page("/compare")


def test_notes_on_a_run_are_kept_found_and_refused(ask_page, client, logbook, run_id):
    said = {"title": "Session 2", "driver": "Kim", "tyres": "soft, 1.9 bar", "weather": "dry", "notes": "new diff oil"}
    answer = client.post(f"/run/{run_id}/about", json={**said, "date_s": 86400.0}, headers=HERE).get_json()
    assert answer == {"error": ""}
    run = logbook.run(run_id)
    assert {name: getattr(run, name) for name in said} == said and run.date_s == 86400.0 and run.name == "Session 2"
    assert all(text in ask_page("/") for text in said.values())
    assert [r.id for r in logbook.runs()] == [run_id]
    long = client.post(f"/run/{run_id}/about", json={"notes": "x" * 3000}, headers=HERE).get_json()
    assert "allowed: up to 2000 letters" in long["error"] and logbook.run(run_id).notes == "new diff oil"
    assert "no such run" in client.post("/run/00/about", json={}, headers=HERE).get_json()["error"]


def test_notes_on_a_run_outlive_a_lost_database(logbook, run_id):
    said = {"title": "Session 2", "driver": "Kim", "tyres": "soft", "weather": "dry", "notes": "new diff oil"}
    logbook.say_of(run_id, date_s=86400.0, **said)
    logbook.book.close()
    (logbook.folder / "logbook.sqlite").unlink()
    (run,) = Logbook(logbook.folder).runs()
    assert {name: getattr(run, name) for name in said} == said and run.date_s == 86400.0 and run.state == "done"


def test_a_removal_can_be_taken_back_and_is_final_after_a_while(logbook, run_id, monkeypatch):
    monkeypatch.setattr("dashboards.removals.UNDO_S", 0.05)
    logbook.remove_run(run_id)
    assert not logbook.runs() and [run.id for run in logbook.leaving()] == [run_id]
    logbook.keep_run(run_id)
    time.sleep(0.2)
    assert [run.id for run in logbook.runs()] == [run_id]
    logbook.remove_run(run_id)
    until = time.monotonic() + 20
    while logbook.leaving() and time.monotonic() < until:
        time.sleep(0.02)
    time.sleep(0.1)
    with pytest.raises(InputError, match="no such run"):
        logbook.run(run_id)
