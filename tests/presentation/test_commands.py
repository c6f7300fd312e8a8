"""`analyze` and `demo` as a user types them, on the shipped sample logs."""

import json
from importlib import resources

import jsonschema
import pytest
from sizes import only_whole

from analyzer.cli.main import main
from analyzer.in_words import CAUTIONS
from analyzer.presentation.result_json import schema

pytestmark = pytest.mark.usefixtures("analysed_once")
SAMPLES = resources.files("sample_logs")
LOG, CAR, SETUP = (str(SAMPLES / name) for name in ("baseline.parquet", "club_car.toml", "baseline.setup.toml"))


def test_analyze_writes_json_by_schema_and_a_report_and_prints_the_answer(tmp_path, capsys):
    out, html = tmp_path / "r.json", tmp_path / "r.html"
    asked = ["--json", str(out), "--html", str(html), "--timings", "--budget"]
    assert main(["analyze", LOG, "--car", CAR, "--setup", SETUP, *asked]) == 0
    result = json.loads(out.read_text("utf-8"))
    jsonschema.Draft202012Validator(schema()).validate(result)
    assert html.stat().st_size < 8_000_000
    printed = " ".join(capsys.readouterr().out.split())
    for words in ("Findings, worst first", "Time taken", "uncertainty comes from", *CAUTIONS):
        assert words in printed
    assert result["findings"][0]["sentence"] in printed


def test_json_to_standard_output_is_json_alone(capsys):
    assert main(["analyze", LOG, "--car", CAR, "--json", "-"]) == 0
    result = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schema()).validate(result)
    assert result["agreement"] is None and result["predicted_lock_curve"] is None


@pytest.mark.parametrize("missing", ["log", "car", "folder"])
def test_what_is_not_there_is_one_plain_line_and_exit_2(missing, tmp_path, capsys):
    log = "gone.parquet" if missing == "log" else LOG
    car = "gone.toml" if missing == "car" else CAR
    html = ["--html", str(tmp_path / "gone" / "r.html")] if missing == "folder" else []
    assert main(["analyze", log, "--car", car, *html]) == 2
    captured = capsys.readouterr()
    assert "gone" in captured.err and len(captured.err.strip().splitlines()) == 1


@pytest.mark.slow
@only_whole  # CI runs the demo by itself (.ci/check_demo.py)
def test_demo_writes_a_report_and_valid_json_for_every_sample_log(tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path / "d")]) == 0
    reports = sorted(p.name for p in (tmp_path / "d").glob("*.html"))
    assert "baseline.html" in reports and len(reports) >= 3
    for name in reports:
        result = json.loads((tmp_path / "d" / name).with_suffix(".json").read_text("utf-8"))
        jsonschema.Draft202012Validator(schema()).validate(result)
    printed = capsys.readouterr().out
    assert all(name in printed for name in reports)


def test_demo_into_a_file_is_exit_2(tmp_path, capsys):
    (tmp_path / "f").write_text("x")
    assert main(["demo", "--out", str(tmp_path / "f")]) == 2
    assert "--out" in capsys.readouterr().err
