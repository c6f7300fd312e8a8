"""Plain routes beside the pages: uploads in, reports and tables out."""

import csv
import io
import json
from collections.abc import Callable, Mapping
from typing import Any, BinaryIO, cast
from urllib.parse import unquote

import flask

from analyzer.analysis import Analysis
from analyzer.errors import HalfshaftError, InputError
from analyzer.logbook.folder import safe_name
from analyzer.logbook.runs import SAID
from analyzer.presentation.html import analysis_report, with_library
from analyzer.presentation.result_json import PHASE_KEYS
from dashboards.check_page import columns_of, preview
from dashboards.logbook import Logbook
from dashboards.run import lines, views
from dashboards.whatif_page import RANGES, sample_parts, trial

SETTINGS_LIMIT_BYTES = 1_000_000
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def add_routes(server: flask.Flask, logbook: Logbook) -> None:
    """POST /upload/<kind>, GET /sample/car, /run/<id>/report.html, corners.csv, result.json, and
    /comparison/<id>/report.html and result.json."""

    @server.post("/upload/<kind>")
    def _upload(kind: str) -> tuple[dict[str, Any], int]:
        request = flask.request
        name = unquote(request.headers.get("X-File-Name", ""))
        try:
            if request.mimetype.startswith("multipart/"):
                raise InputError("This is a form, not the file itself; send the file as the body of the request.")
            if kind == "parts":
                return _parts(request, name)
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

    @server.get("/sample/parts")
    def _sample_parts() -> flask.Response:
        return _attached(sample_parts().read_bytes(), "application/toml", sample_parts().name)

    @server.get("/run/<run_id>/report.html")
    def _report(run_id: str) -> flask.Response:
        return _download(logbook, run_id, "html", "text/html; charset=utf-8", analysis_report)

    @server.get("/run/<run_id>/corners.csv")
    def _corners(run_id: str) -> flask.Response:
        return _download(logbook, run_id, "csv", "text/csv; charset=utf-8", corners_csv)

    @server.get("/run/<run_id>/result.json")
    def _result(run_id: str) -> flask.Response:
        def stored(_: Analysis) -> str:
            return logbook.result_text(run_id)

        return _download(logbook, run_id, "json", "application/json", stored)

    @server.get("/run/<run_id>/view/<name>")
    def _view(run_id: str, name: str) -> dict[str, Any]:
        try:
            return _drawn(logbook, run_id, name, flask.request.args)
        except KeyError:
            return {"refusal": "The page asked for something that this server does not know; load the page again."}
        except (HalfshaftError, ValueError) as error:
            return {"refusal": str(error)}

    @server.post("/run/<run_id>/about")
    def _about(run_id: str) -> dict[str, Any]:
        said = flask.request.get_json(silent=True)
        if not isinstance(said, dict):
            return {"error": "The notes could not be read; load the page again."}
        date = said.pop("date_s", None)
        known = {name: said[name] for name in SAID if name in said}
        try:
            logbook.say_of(run_id, date_s=float(date) if isinstance(date, int | float) else None, **known)
        except HalfshaftError as error:
            return {"error": str(error)}
        return {"error": ""}

    @server.get("/run/<run_id>/columns")
    def _columns(run_id: str) -> dict[str, Any]:
        try:
            column, number = flask.request.args.get("preview"), flask.request.args.get("log", 1, type=int)
            return columns_of(logbook, run_id, number) if column is None else preview(logbook, run_id, column, number)
        except HalfshaftError as error:
            return {"refusal": str(error)}

    @server.get("/alive")
    def _alive() -> dict[str, Any]:
        return {"under_way": len(logbook.under_way())}

    @server.get("/comparison/<comparison_id>/result.json")
    def _comparison(comparison_id: str) -> flask.Response:
        kept = logbook.comparison(comparison_id)
        if kept is None:
            return flask.Response("There is no such comparison.", status=404, mimetype="text/plain")
        return _attached(json.dumps(kept["result"], indent=1), "application/json", "comparison.json")

    @server.get("/comparison/<comparison_id>/report.html")
    def _comparison_report(comparison_id: str) -> flask.Response:
        kept = logbook.comparison(comparison_id)
        if kept is None or "report" not in kept:
            words = "There is no report of that comparison; compare the runs again."
            return flask.Response(words, status=404, mimetype="text/plain")
        return _attached(with_library(kept["report"]), "text/html; charset=utf-8", "comparison.html")


def _parts(request: flask.Request, name: str) -> tuple[dict[str, Any], int]:
    """A parts file is not kept: its text goes back to the page, which sends it with the question."""
    if not name.casefold().endswith(".toml") or (request.content_length or 0) > SETTINGS_LIMIT_BYTES:
        raise InputError(
            f"{safe_name(name)}: is no parts file; allowed: a TOML file of up to 1 MB. Choose another file."
        )
    text = request.stream.read(SETTINGS_LIMIT_BYTES).decode("utf-8", "replace")
    return {"text": text, "name": safe_name(name), "sent": safe_name(name)}, 200


def _drawn(logbook: Logbook, run_id: str, name: str, asked: Mapping[str, str]) -> dict[str, Any]:
    """A view of the run screen.

    Raises
    ------
    InputError : no such run or lap. KeyError : no such view or quantity. ValueError : a figure that is none.
    """
    analysis = logbook.analysis(run_id)
    match name:
        case "overview":
            return views.overview(analysis)
        case "lock":
            return views.lock(analysis)
        case "circuit":
            return views.circuit(analysis, asked["colour"], [int(lap) for lap in _items(asked, "laps")])
        case "trial":
            return trial(analysis, {key: float(asked[key]) for key in RANGES})
        case "traces":
            window = (float(asked["from"]), float(asked["to"])) if "from" in asked else None
            others = [_other(logbook, analysis, lap) for lap in _items(asked, "over")]
            along = "distance" if asked.get("along") == "distance" else "time"
            return lines.traces(analysis, _items(asked, "rows"), window_s=window, along=along, others=others)
    raise KeyError(name)


def _items(asked: Mapping[str, str], name: str) -> list[str]:
    return [item for item in asked.get(name, "").split(",") if item]


def _other(logbook: Logbook, analysis: Analysis, text: str) -> lines.Other:
    """A lap by its number, or of another run by `RUN.NUMBER`; number 0 is that run's fastest."""
    run_id, _, lap_text = text.rpartition(".")
    of = logbook.analysis(run_id) if run_id else analysis
    bounds = of.laps.bounds
    lap = int(lap_text)
    if lap == 0 and bounds:
        lap = 1 + min(range(len(bounds)), key=lambda k: bounds[k][1] - bounds[k][0])
    if not 1 <= lap <= len(bounds):
        raise InputError(f"There is no lap {lap} in {of.recording.name}; it has {len(bounds)}. Choose another lap.")
    return lines.Other(of, lap, f"{of.recording.name}, lap {lap}" if run_id else f"lap {lap}")


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
