"""Plain routes beside the pages: uploads in, reports and tables out."""

import csv
import io
import json
from collections.abc import Callable
from typing import BinaryIO, cast
from urllib.parse import unquote

import flask

from analyzer.analysis import Analysis
from analyzer.errors import HalfshaftError, InputError
from analyzer.logbook.names import safe_name
from analyzer.presentation.html import analysis_report
from analyzer.presentation.result_json import PHASE_KEYS
from dashboards.logbook import Logbook
from dashboards.pdf import to_pdf

SETTINGS_LIMIT_BYTES = 1_000_000
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def add_routes(server: flask.Flask, logbook: Logbook) -> None:
    """POST /upload/<kind>, GET /sample/car, /run/<id>/report.html, report.pdf, corners.csv, result.json, and
    /comparison/<id>/result.json."""

    @server.post("/upload/<kind>")
    def _upload(kind: str) -> tuple[dict, int]:
        request = flask.request
        name = unquote(request.headers.get("X-File-Name", ""))
        try:
            if kind in ("car", "setup") and (request.content_length or 0) > SETTINGS_LIMIT_BYTES:
                raise InputError("That is too large for a settings file; allowed: up to 1 MB. Choose a TOML file.")
            stored = logbook.store(kind, name, cast(BinaryIO, request.stream), request.content_length)
        except HalfshaftError as error:
            return {"error": str(error)}, 400
        return {"key": stored.key, "name": stored.name, "sent": safe_name(name)}, 200

    @server.get("/sample/car")
    def _sample_car() -> flask.Response:
        sample = logbook.file("car", "sample")
        return _attached(sample.path.read_bytes(), "application/toml", sample.name)

    @server.get("/run/<run_id>/report.html")
    def _report(run_id: str) -> flask.Response:
        return _download(logbook, run_id, "html", "text/html; charset=utf-8", analysis_report)

    @server.get("/run/<run_id>/report.pdf")
    def _pdf(run_id: str) -> flask.Response:
        return _download(logbook, run_id, "pdf", "application/pdf", lambda a: to_pdf(analysis_report(a)))

    @server.get("/run/<run_id>/corners.csv")
    def _corners(run_id: str) -> flask.Response:
        return _download(logbook, run_id, "csv", "text/csv; charset=utf-8", corners_csv)

    @server.get("/run/<run_id>/result.json")
    def _result(run_id: str) -> flask.Response:
        def stored(_: Analysis) -> str:
            return logbook.result_text(run_id)

        return _download(logbook, run_id, "json", "application/json", stored)

    @server.get("/comparison/<comparison_id>/result.json")
    def _comparison(comparison_id: str) -> flask.Response:
        kept = logbook.comparison(comparison_id)
        if kept is None:
            return flask.Response("There is no such comparison.", status=404, mimetype="text/plain")
        return _attached(json.dumps(kept["result"], indent=1), "application/json", "comparison.json")


def _download(
    logbook: Logbook, run_id: str, ending: str, media_type: str, made: Callable[[Analysis], str | bytes]
) -> flask.Response:
    try:
        body = made(logbook.analysis(run_id))
    except HalfshaftError as error:
        return flask.Response(str(error), status=404, mimetype="text/plain")
    name = logbook.run(run_id).log_name.split(".")[0]
    return _attached(body, media_type, f"{name.encode('ascii', 'ignore').decode()}.{ending}")


def _attached(body: str | bytes, media_type: str, name: str) -> flask.Response:
    """An upload's words come back in downloads: always attached, never a page of this server."""
    response = flask.Response(body, content_type=media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def corners_csv(analysis: Analysis) -> str:
    """Every corner pass and phase, one row each; empty cells where the log cannot say."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["log", "lap", "corner", "direction", *PHASE_KEYS])
    for r in analysis.phase_results:
        row = (analysis.recording.name, r.lap, r.corner, r.direction, *(getattr(r, key) for key in PHASE_KEYS))
        writer.writerow([cell(v) for v in row])
    return text.getvalue()


def cell(value: object) -> object:
    """A CSV cell; text that a spreadsheet would take for a formula is quoted with an apostrophe."""
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return "'" + value
    if isinstance(value, float):
        return f"{value:.6g}"
    return "" if value is None else value
