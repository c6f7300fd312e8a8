"""Pages say what the analysis says."""

import csv
import io
import json
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from analyzer.differential.setup import load_setup
from analyzer.errors import InputError
from analyzer.report.words import answer
from dashboards.figures.circuit_map import circuit_map
from dashboards.figures.quantities import MAP_LABELS, QUANTITIES, logged
from dashboards.figures.repeat import CHOICES, repeat
from dashboards.figures.traces import View, traces
from dashboards.pages.run import _at_time, _from_finding
from dashboards.pages.setup import typed
from dashboards.setup_file import to_toml

HERE = {"Host": "localhost", "Origin": "http://localhost"}
SETUPS = sorted(Path(str(resources.files("sample_logs"))).glob("*.setup.toml"))


def test_run_page_opens_with_the_answer(ask_page, run_id, analysis):
    assert json.dumps(answer(analysis))[1:-1] in ask_page(f"/run/{run_id}")


@pytest.mark.parametrize("path", ["/", "/setup", "/compare"])
def test_other_pages_open(ask_page, path):
    assert "Not here" not in ask_page(path)


@pytest.mark.parametrize("path", ["/run/0000000000000000", "/run/../..", "/nowhere"])
def test_what_is_not_there_is_said(ask_page, path):
    assert "Not here" in ask_page(path)


def test_every_quantity_draws(analysis):
    keys = [*QUANTITIES, *logged(analysis)]
    for key in keys:
        assert traces(analysis, [key], View()).data, key
    for key in MAP_LABELS:
        assert circuit_map(analysis, key).data, key
    for key in CHOICES:
        repeat(analysis, key, "power_application", mode="dark")


def test_picking_a_finding_shows_its_stretch(analysis):
    for k, found in enumerate(analysis.findings):
        pick = _from_finding(analysis, k)
        if found.corner is None:
            continue
        low, high = pick["window"]
        assert low < found.start_s < high
        assert analysis.corners[pick["pass"]].number == found.corner


def test_picking_a_moment_finds_its_corner(analysis):
    for corner in analysis.corners:
        pick = _at_time(analysis, float(analysis.signals.time_s[corner.apex]))
        assert analysis.corners[pick["pass"]] == corner


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
def test_saved_sheet_reads_back_the_same(path, tmp_path):
    setup = load_setup(path)
    (tmp_path / "saved.toml").write_text(to_toml(setup), "utf-8")
    assert load_setup(tmp_path / "saved.toml") == setup


def test_saved_name_is_only_text():
    ids = [{"type": "part", "table": "", "key": key} for key in ("name", "type")]
    name = 'a "quote"\n[differential.shims]\\ é'
    assert tomllib.loads(to_toml(typed([name, "open"], ids)))["differential"] == {"name": name, "type": "open"}


def test_form_refuses_in_the_words_of_the_command_line():
    ids = [{"type": "part", "table": "", "key": key} for key in ("type", "drive_ramp_angle_deg")]
    with pytest.raises(InputError, match=r"'drive_ramp_angle_deg' in .differential. is 400; allowed: 0 to 90"):
        typed(["plate", "400"], ids)


def test_a_run_stored_by_another_version_is_said(ask_page, logbook, run_id):
    path = logbook.run_folder(run_id) / "analysis.json"
    path.write_text(path.read_text("utf-8").replace('"rate_hz"', '"rate_of_old"', 1), "utf-8")
    told = ask_page(f"/run/{run_id}")
    assert "cannot be read" in told and "analyse the log again" in told
