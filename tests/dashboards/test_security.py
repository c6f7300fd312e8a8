"""What must not be possible from outside. Each check names the attack, not the code."""

import ast
import csv
import io
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest

import analyzer
import dashboards
from analyzer.errors import InputError
from analyzer.logbook import analysis_files, results
from analyzer.logbook.folder import safe_name
from dashboards.routes import cell, corners_csv

HERE = {"Host": "localhost", "Origin": "http://localhost"}


def upload(client, kind: str, name: str, body: bytes, **headers):
    return client.post(f"/upload/{kind}", data=body, headers={**HERE, "X-File-Name": name, **headers})


def everything_in(folder: Path) -> set[Path]:
    return {p for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "192.0.2.7"])
def test_foreign_host_header_is_refused(client, host):
    # DNS rebinding: a foreign page makes the browser ask this server under the foreign name
    assert client.get("/", headers={"Host": host}).status_code == 400
    assert client.get("/_dash-layout", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("host", ["localhost:8050", "127.0.0.1:8050", "localhost"])
def test_loopback_host_header_is_served(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://localhost:9999", ""])
def test_post_from_a_foreign_page_is_refused(client, logbook, origin):
    before = everything_in(logbook.folder)
    assert upload(client, "log", "a.csv", b"x", Origin=origin).status_code == 403
    assert client.post("/_dash-update-component", json={}, headers={**HERE, "Origin": origin}).status_code == 403
    assert everything_in(logbook.folder) == before


@pytest.mark.parametrize(
    "name",
    ["../../../outside.csv", "..%2F..%2Foutside.csv", "/etc/outside.csv", "..\\..\\outside.csv", "....//outside.csv"],
)
def test_upload_name_cannot_leave_the_logbook(client, logbook, tmp_path, name):
    before = everything_in(tmp_path)
    answer = upload(client, "log", name, b"time,throttle\n0,1\n")
    assert answer.status_code == 200
    new = everything_in(tmp_path) - before
    (stored,) = [p for p in new if p.name == "outside.csv"]
    assert stored.is_relative_to(logbook.folder / "files" / "log")
    assert all(p.is_relative_to(logbook.folder) for p in new)


@pytest.mark.parametrize(
    "name", ["..", ".", "", "/", ".htaccess", "a\x00b.csv", "x" * 500 + ".csv", "<b>.csv", "=1+1.csv"]
)
def test_safe_names_have_no_path_and_no_markup(name):
    made = safe_name(name)
    assert made and not made.startswith(".") and len(made) <= 120
    assert not set(made) & set("/\\<>\x00=\"'&")


@pytest.mark.parametrize("kind", ["../runs", "%2e%2e", "runs", "analysis"])
def test_upload_kind_cannot_name_another_folder(client, kind):
    assert upload(client, kind, "a.csv", b"x").status_code in (400, 404, 405)


@pytest.mark.parametrize("run", ["..", "%2e%2e", "..%2f..%2fetc", "0" * 16, "a/../b", "%00"])
def test_url_cannot_leave_the_logbook(client, run):
    for kind, file in product(("run", "comparison"), ("report.html", "corners.csv", "result.json")):
        answer = client.get(f"/{kind}/{run}/{file}", headers=HERE)
        # Dash answers unknown paths with its empty page; never a download
        assert answer.status_code == 404 or "Content-Disposition" not in answer.headers, (kind, file)
        assert "root:" not in answer.text, (kind, file)


@pytest.mark.parametrize("path", ["/assets/../app.py", "/assets/%2e%2e/app.py", "/assets/..%2fapp.py"])
def test_assets_do_not_serve_the_source(client, path):
    assert "create_app" not in client.get(path, headers=HERE).text


def test_no_debug_mode(app, client):
    assert not app.server.debug
    # a callback that fails must not send a traceback
    bad = client.post("/_dash-update-component", json={"output": "nothing.there"}, headers=HERE)
    assert bad.status_code >= 400 and "Traceback" not in bad.text and "/dashboards/" not in bad.text
    config = client.get("/", headers=HERE).text
    assert '"ui":true' not in config.replace(" ", "")


def test_no_pickle_in_the_source():
    houses = (Path(package.__file__).parent for package in (analyzer, dashboards))
    for path in (p for house in houses for p in house.rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        named = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        named |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
        assert not named & {"pickle", "shelve", "marshal", "joblib", "dill", "cloudpickle", "diskcache"}, path
        for call in (n for n in ast.walk(tree) if isinstance(n, ast.Call) and ast.unparse(n.func) == "np.load"):
            assert "allow_pickle=False" in ast.unparse(call)


def test_a_planted_pickle_is_not_opened(logbook, run_id):
    class Trap:
        def __reduce__(self):
            return (Path.touch, (logbook.folder / "sprung",))

    folder = logbook.book.arrays(results.result(logbook.book, run_id).folder)
    with np.load(folder / analysis_files.ARRAYS_NAME) as stored:
        arrays = dict(stored)
    arrays["a0"] = np.array([Trap()], dtype=object)
    np.savez(folder / analysis_files.ARRAYS_NAME, **arrays)
    with pytest.raises(InputError, match="cannot be read"):
        analysis_files.load(folder)
    assert not (logbook.folder / "sprung").exists()


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_csv_text_cannot_start_a_formula(text):
    # OWASP, "CSV Injection": = + - @ tab and carriage return at the start of a cell
    assert cell(text) == "'" + text


def test_exported_csv_has_no_formula_from_a_file_name(analysis):
    hostile = replace(analysis, recording=replace(analysis.recording, name='=HYPERLINK("http://evil.example")'))
    rows = list(csv.reader(io.StringIO(corners_csv(hostile))))
    assert len(rows) == 1 + len(analysis.phase_results)
    for row in rows[1:]:
        assert row[0].startswith("'=")
        for value in row:
            if value[:1] in "=+@-" and value:
                float(value)  # only a number may begin with a sign


def test_downloads_are_never_pages(client, run_id):
    for file in ("report.html", "corners.csv", "result.json"):
        answer = client.get(f"/run/{run_id}/{file}", headers=HERE)
        assert answer.status_code == 200
        assert answer.headers["Content-Disposition"].startswith("attachment")
        assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_policy_allows_nothing_from_elsewhere(client):
    policy = client.get("/", headers=HERE).headers["Content-Security-Policy"]
    assert "default-src 'self'" in policy and "http" not in policy and "unsafe-eval" not in policy
    assert "http://" not in client.get("/", headers=HERE).text.replace("http://www.w3.org", "")


def test_other_hosts_only_when_told(tmp_path):
    from dashboards.app import create_app

    client = create_app(tmp_path / "open", hosts=("pits.example",)).server.test_client()
    assert client.get("/", headers={"Host": "pits.example"}).status_code == 200
    assert client.get("/", headers={"Host": "evil.example"}).status_code == 400
