"""Several logs are one run: kept, listed, analysed together, exported, removed and rebuilt as one."""

import json

import pytest

from analyzer.errors import InputError
from analyzer.files import Outputs
from analyzer.logbook import add, results, runs, stored_files
from analyzer.logbook.listing import export
from analyzer.logbook.store import Store
from analyzer.pipeline import analyze
from analyzer.presentation.result_json import to_json


@pytest.fixture
def together(store, short_logs, car):
    return add.add(store, short_logs / "before.parquet", car_path=car, more=[short_logs / "after.parquet"]).run


def test_the_result_is_that_of_all_logs_together(store, together, short_logs, car):
    assert [log.name for log in together.logs] == ["before.parquet", "after.parquet"]
    found = add.up_to_date(store, together)
    expected = analyze(log_path=[short_logs / "before.parquet", short_logs / "after.parquet"], car_path=car)
    assert results.result_text(store, found.id) == to_json(expected)
    assert len(json.loads(to_json(results.analysis_of(store, found.id)))["logs"]) == 2
    alone = add.add(Store(store.folder.parent / "other"), short_logs / "before.parquet", car_path=car).run
    assert results.expected(together).key != results.expected(alone).key


def test_a_log_is_added_to_a_run_which_is_then_out_of_date(store, short_logs, car, monkeypatch):
    from made_analysis import made_analysis

    calls = []
    monkeypatch.setattr(add, "analyze", lambda **asked: calls.append(asked["log_path"]) or made_analysis())
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    add.up_to_date(store, run)
    for _ in range(2):  # the same log again changes nothing
        run = add.add_to_run(store, run, [short_logs / "after.parquet"])
        assert len(run.more) == 1
        add.up_to_date(store, run)
    assert [len(paths) if isinstance(paths, list) else 1 for paths in calls] == [1, 2]


def test_a_log_is_of_one_run_only(store, together, short_logs, car, tmp_path):
    with pytest.raises(InputError, match=r"after\.parquet: is a log of run [0-9a-f]{8} \(.*\.parquet\)"):
        add.add(store, short_logs / "after.parquet", car_path=car)
    with pytest.raises(InputError, match="given twice"):
        add.add(store, short_logs / "before.parquet", car_path=car, more=[short_logs / "before.parquet"])
    with Store(tmp_path / "another") as other:
        first, second = (add.add(other, short_logs / f"{n}.parquet", car_path=car).run for n in ("before", "after"))
        with pytest.raises(InputError, match="is a run of its own"):
            add.add_to_run(other, first, [short_logs / "after.parquet"])
        assert runs.runs(other) == [first, second]


def test_a_run_is_found_by_any_of_its_logs(store, together):
    assert runs.find_run(store, "after") == together
    assert together.name == "before.parquet + after.parquet"


def test_export_has_all_logs_and_removing_takes_them(store, together, short_logs, tmp_path):
    folder = export(store, together, None, tmp_path / "out", Outputs())
    for name in ("before.parquet", "after.parquet"):
        assert (folder / "log" / name).read_bytes() == (short_logs / name).read_bytes()
    runs.remove_run(store, together.id)
    assert runs.runs(store) == [] and stored_files.files(store, "log") == []
    assert not list(store.folder.glob("files/log/*")) and not list(store.folder.glob("parquet/*"))


def test_a_lost_database_has_them_again(store, together):
    store.close()
    (store.folder / "logbook.sqlite").unlink()
    with Store(store.folder) as again:
        again.begin_writing()
        assert runs.runs(again) == [together]
