"""The page of a car: every run with how it stands, what is known, and a plain word where there is no such car."""

import json
from dataclasses import replace
from urllib.parse import quote

from analyzer.logbook import add, runs
from analyzer.logbook.store import Store


def test_it_shows_each_run_and_what_is_known(tmp_path):
    from importlib import resources
    from pathlib import Path

    import pyarrow.parquet as pq

    from dashboards import knowledge_page
    from dashboards.app import create_app
    from dashboards.logbook import Logbook

    samples = Path(str(resources.files("sample_logs")))
    for name in ("baseline", "steeper_ramps"):
        pq.write_table(pq.read_table(samples / f"{name}.parquet").slice(0, 12_000), tmp_path / f"{name}.parquet")
    with Store(tmp_path / "book") as store:
        for name in ("baseline", "steeper_ramps"):
            run = add.add(store, tmp_path / f"{name}.parquet", car_path=samples / "club_car.toml").run
            add.up_to_date(store, run)
        runs.say_of(store, run.id, tyres="set 2")
    logbook = Logbook(tmp_path / "book")
    shown = json.dumps(knowledge_page.layout(logbook, "invented club car").to_plotly_json(), default=_plain)
    for said in ("baseline.parquet", "set 2", "slip stiffness over load", "/run/", "How to read it"):
        assert said in shown, said
    app = create_app(tmp_path / "book")
    asked = {"output": "page.children", "outputs": {"id": "page", "property": "children"}, "changedPropIds": []}
    inputs = [
        {"id": "address", "property": "pathname", "value": f"/car/{quote('nobody')}"},
        {"id": "address", "property": "search", "value": ""},
    ]
    headers = {"Host": "localhost", "Origin": "http://localhost"}
    said = app.server.test_client().post("/_dash-update-component", json={**asked, "inputs": inputs}, headers=headers)
    assert "no run in this logbook is of a car named 'nobody'" in said.get_data(as_text=True).lower()


def test_the_run_page_says_what_of_other_runs_is_in_its_answer():
    from made_analysis import made_analysis, made_estimate

    from analyzer.knowledge.known_car import Heard, KnowledgeUsed
    from dashboards.run.run_page import known_by_others

    one = (Heard("first.csv", "abc"),)
    used = KnowledgeUsed("club car", one, one, (), probability=0.5, alone=made_estimate(), narrower=0.2)
    words = known_by_others(replace(made_analysis(), knowledge=used)).children
    assert "With what first.csv knows of this car" in words and "20 % narrower" in words
    unused = replace(used, runs=(), contradicts=False)
    assert known_by_others(replace(made_analysis(), knowledge=unused)) is None


def _plain(value):
    return value.to_plotly_json() if hasattr(value, "to_plotly_json") else str(value)
