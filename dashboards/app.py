"""The web app: logbook, jobs, pages and routes put together. Every number comes from `analyzer`."""

import re
import socket
from pathlib import Path
from urllib.parse import unquote

import flask
from dash import Dash, Input, Output, State, dcc, html
from werkzeug.exceptions import HTTPException

from analyzer import __version__
from analyzer.errors import HalfshaftError
from analyzer.in_words import CAUTIONS, capitalised
from dashboards import car_page as car
from dashboards import check_page as check
from dashboards import knowledge_page as knowledge
from dashboards import plan_page as plan
from dashboards import season_page as season
from dashboards import setup_page as setup
from dashboards import whatif_page as whatif
from dashboards.compare import compare_page as compare
from dashboards.guide.guide import add_guide, help_address
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.routes import add_routes
from dashboards.run import run_page as run
from dashboards.serving import MOST_BYTES, TOO_LARGE
from dashboards.start import start_page as start

LOOPBACK = ("127.0.0.1", "localhost", "::1")
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; frame-ancestors 'none'; base-uri 'self'; form-action 'self'"
)


class App(Dash):
    """The Dash app, with the jobs that its pages start."""

    halfshaft_jobs: Jobs


def create_app(workspace_dir: Path | str, *, hosts: tuple[str, ...] = ()) -> App:
    """The Dash app over a logbook folder; `app.server` is the WSGI application.

    Parameters
    ----------
    workspace_dir : logbook folder, made when missing.
    hosts : names by which other machines may ask for it; loopback names always work, all others are refused.

    Raises
    ------
    InputError : the folder cannot be made.
    """
    logbook = Logbook(workspace_dir)
    jobs = Jobs(logbook)
    app = App(
        __name__,
        title="halfshaft",
        update_title="",
        assets_folder=str(Path(__file__).parent / "assets"),
        suppress_callback_exceptions=True,
    )
    app.server.config["MAX_CONTENT_LENGTH"] = MOST_BYTES
    _protect(app.server, frozenset(_in_address(host) for host in (*LOOPBACK, *hosts)))
    add_routes(app.server, logbook)
    add_guide(app.server)
    app.layout = _layout()
    _theme(app)
    for page in (start, run, whatif, plan, car, setup, check, compare, season):
        page.register(app, logbook, jobs)

    @app.callback(Output("page", "children"), Input("address", "pathname"), Input("address", "search"))
    def _show(pathname: str, search: str) -> html.Div:
        try:
            return _page(logbook, unquote(pathname or "/"), search or "")
        except HalfshaftError as error:
            return _sorry(str(error))

    @app.callback(Output("help", "href"), Input("address", "pathname"))
    def _help(pathname: str) -> str:
        return help_address(unquote(pathname or "/"))

    _title(app)
    app.halfshaft_jobs = jobs
    return app


def _page(logbook: Logbook, pathname: str, search: str) -> html.Div:
    match pathname.strip("/").split("/"):
        case [""]:
            return start.layout(logbook)
        case ["car"]:
            return car.layout(logbook, search)
        case ["setup"]:
            return setup.layout(logbook, search)
        case ["car", *name]:  # a name may have a stroke in it
            return knowledge.layout(logbook, "/".join(name))
        case ["season"]:
            return season.layout(logbook, search)
        case ["compare"]:
            return compare.layout(logbook, search)
        case ["run", run_id]:
            return run.layout(logbook, run_id)
        case ["run", run_id, "what-if"]:
            return whatif.layout(logbook, run_id)
        case ["run", run_id, "plan"]:
            return plan.layout(logbook, run_id, search)
        case ["run", run_id, "log"]:
            return check.layout(logbook, run_id, search)
    return _sorry("There is no such page; go back to the start page.")


def _sorry(message: str) -> html.Div:
    return html.Div(
        [
            html.H1("Not here"),
            html.P(capitalised(message), className="refusal", role="alert"),
            dcc.Link("Start page", href="/"),
        ]
    )


def _layout() -> html.Div:
    return html.Div(
        [
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Store(id="mode", storage_type="local"),
            html.A("Skip to the page", href="#page", className="skip"),
            html.Header(
                [
                    dcc.Link("halfshaft", href="/", className="brand"),
                    html.Nav(
                        [
                            dcc.Link("Runs", href="/"),
                            dcc.Link("Before and after", href="/compare"),
                            dcc.Link("Season", href="/season"),
                            dcc.Link("Car", href="/car"),
                            dcc.Link("Setup", href="/setup"),
                        ],
                        **{"aria-label": "pages"},
                    ),
                    # a page of its own, so that a half-filled form stays
                    html.A("Help with this page", id="help", href="/guide/user", target="_blank", rel="noopener"),
                    html.Button("Dark", id="switch-mode", className="quiet", **{"aria-label": "light or dark"}),
                ]
            ),
            html.Div(id="server-gone", role="alert", hidden=True),
            html.Main(id="page", tabIndex="-1"),
            _keys(),
            html.Footer([html.P(" ".join(CAUTIONS)), html.P(f"halfshaft {__version__}")]),
        ]
    )


def _keys() -> html.Dialog:
    """Keys and marks of the run screen; the browser fills it in from what it listens to."""
    return html.Dialog(
        [html.H2("Keys and marks"), html.Div(id="keys-list"), html.Button("Close", id="close-keys", className="main")],
        id="keys",
    )


def _title(app: Dash) -> None:
    """Each page's title is its heading."""
    app.clientside_callback(
        "() => { setTimeout(() => { const heading = document.querySelector('#page h1')?.textContent; "
        "document.title = heading ? `${heading} – halfshaft` : 'halfshaft'; }, 0); return dash_clientside.no_update; }",
        Output("page", "title"),
        Input("page", "children"),
        prevent_initial_call=True,
    )


def _theme(app: Dash) -> None:
    """What was chosen last in this browser; at the first visit what the system asks for."""
    app.clientside_callback(
        "function(n, mode) {"
        " if (n) return mode === 'dark' ? 'light' : 'dark';"
        " if (mode || localStorage.getItem('mode')) return dash_clientside.no_update;"
        " return matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light'; }",
        Output("mode", "data"),
        Input("switch-mode", "n_clicks"),
        State("mode", "data"),
    )
    app.clientside_callback(
        "function(mode) { document.documentElement.dataset.theme = mode || 'light';"
        " return mode === 'dark' ? 'Light' : 'Dark'; }",
        Output("switch-mode", "children"),
        Input("mode", "data"),
    )


def _protect(server: flask.Flask, hosts: frozenset[str]) -> None:
    """Only own names are answered and only own pages may send; answers carry a policy that allows nothing from
    elsewhere.

    Parameters
    ----------
    hosts : names that the server is asked by, as an address has them. Flask's TRUSTED_HOSTS knows no IPv6 address.
    """

    @server.before_request
    def _own_origin() -> flask.Response | None:
        host = flask.request.host
        if re.sub(r":\d*$", "", host).lower() not in hosts:
            return flask.make_response({"error": "This server does not answer to that name."}, 400)
        if flask.request.method in ("GET", "HEAD"):
            return None
        if flask.request.headers.get("Origin", "") not in (f"http://{host}", f"https://{host}"):
            return flask.make_response({"error": "Only pages of this server may send to it."}, 403)
        return None

    @server.errorhandler(413)
    def _too_much(error: HTTPException) -> tuple[dict[str, str], int]:
        return {"error": TOO_LARGE}, 413

    @server.after_request
    def _policy(response: flask.Response) -> flask.Response:
        response.headers["Content-Security-Policy"] = POLICY
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        return response


def _in_address(host: str) -> str:
    """A host as an address has it: IPv6 in brackets (RFC 3986, 3.2.2)."""
    return f"[{host}]".lower() if ":" in host else host.lower()


def own_hosts(host: str) -> tuple[str, ...]:
    """Names by which a server bound to `host` may be asked: the host, or all of this machine for a wildcard."""
    if host not in ("0.0.0.0", "::"):
        return (host,)
    name = socket.gethostname()
    try:
        addresses = {str(info[4][0]) for info in socket.getaddrinfo(name, None)}
    except socket.gaierror:
        addresses = set()
    return (name, f"{name}.local", *sorted(addresses))
