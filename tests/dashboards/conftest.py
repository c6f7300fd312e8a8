"""A logbook with one finished run of the made-up session, and a client that asks like a browser on this machine."""

import json

import pytest
from flask.testing import FlaskClient
from made_analysis import made_analysis

from analyzer.logbook import results
from dashboards.app import create_app
from dashboards.logbook import Logbook

HERE = {"Host": "localhost", "Origin": "http://localhost"}


@pytest.fixture(scope="session")
def analysis():
    return made_analysis()


@pytest.fixture
def logbook(tmp_path) -> Logbook:
    return Logbook(tmp_path / "logbook")


@pytest.fixture
def run_id(logbook, analysis) -> str:
    made = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    run = results.run_of(logbook.book, results.result(logbook.book, made))
    results.finish(logbook.book, run, analysis, provenance=results.expected(run))
    return made


@pytest.fixture
def app(logbook, run_id):
    return create_app(logbook.folder)


@pytest.fixture
def client(app) -> FlaskClient:
    return app.server.test_client()


@pytest.fixture
def ask_page(client):
    """Calls the page callback as the browser does; returns the answer's text."""

    def ask(pathname: str, search: str = "") -> str:
        body = {
            "output": "page.children",
            "outputs": {"id": "page", "property": "children"},
            "inputs": [
                {"id": "address", "property": "pathname", "value": pathname},
                {"id": "address", "property": "search", "value": search},
            ],
            "changedPropIds": ["address.pathname"],
            "state": [],
        }
        answer = client.post(
            "/_dash-update-component", data=json.dumps(body), content_type="application/json", headers=HERE
        )
        assert answer.status_code == 200, answer.text
        return answer.text

    return ask
