"""What the runs of a car know of it: used by other runs, shown, exported, and ended by what it hangs on."""

import json

import pytest

from analyzer.cli.main import main
from analyzer.knowledge.knowledge_file import load_knowledge
from analyzer.logbook import add, results, runs
from analyzer.logbook.car_knowledge import car_json, has_ended, hear_otherwise, knowledge_of, runs_and_words
from analyzer.logbook.store import Store

CAR = "invented club car"


@pytest.fixture(scope="module")
def made(tmp_path_factory, short_logs, car):
    """The folder of a logbook with two analysed runs of one car, the second one with the first one's knowledge."""
    folder = tmp_path_factory.mktemp("known") / "book"
    with Store(folder) as store:
        for name in ("before", "after"):
            add.up_to_date(store, add.add(store, short_logs / f"{name}.parquet", car_path=car).run)
    return folder


@pytest.fixture
def book(made, tmp_path):
    import shutil

    shutil.copytree(made, tmp_path / "book")
    with Store(tmp_path / "book") as opened:
        yield opened


def kept(found):
    return json.loads(found.knowledge)


def test_the_second_run_is_offered_the_first_one_s_word(book):
    first, second = runs_and_words(book, CAR)
    assert first.found.knowledge is None  # there was nobody yet
    assert kept(second.found)["offered"] == [first.told.digest]
    told = json.loads(results.result_text(book, second.found.id))["knowledge"]
    assert told["car"] == CAR and {o["run"] for o in told["left_out"] + told["runs"]} == {"before.parquet"}
    assert len(told["lock_curve_alone"]["points"]) >= 40


def test_update_with_knowledge_offers_the_first_run_the_second_s_and_is_then_at_rest(book, capsys):
    assert [one.run.log.name for one in hear_otherwise(runs_and_words(book, CAR), CAR)] == ["before.parquet"]
    book.close()
    for _ in range(2):
        assert main(["logbook", "update", "--knowledge", "--logbook", str(book.folder)]) == 0
    with Store(book.folder) as again:
        every = runs_and_words(again, CAR)
        assert hear_otherwise(every, CAR) == []
        assert kept(every[0].found)["offered"] == [every[1].told.digest]


def test_what_a_run_tells_does_not_hang_on_whom_it_heard(book):
    before = runs_and_words(book, CAR)[0].told
    again = add.analyse_now(book, runs_and_words(book, CAR)[0].run)
    assert kept(again)["offered"]
    assert runs_and_words(book, CAR)[0].told.digest == before.digest


def test_other_tyres_end_what_was_used(book):
    first, second = (one.run for one in runs_and_words(book, CAR))
    with book.transaction() as connection:  # as if the second had used what it was offered
        used = kept(results.result_of(book, second))
        used["heard"] = used["offered"]
        connection.execute("UPDATE results SET knowledge = ? WHERE run_id = ?", (json.dumps(used), second.id))
    every = runs_and_words(book, CAR)
    assert not has_ended(every[1], every)
    runs.say_of(book, first.id, tyres="set 2")
    every = runs_and_words(book, CAR)
    assert has_ended(every[1], every)
    states = [one["state"] for one in car_json(book, every, knowledge_of(every, CAR))["runs"]]
    assert states == ["heard", "used what has ended"]
    add.up_to_date(book, second)
    every = runs_and_words(book, CAR)
    assert not has_ended(every[1], every)
    runs.remove_run(book, first.id)
    assert [one.run.id for one in runs_and_words(book, CAR)] == [second.id]


def test_another_car_file_ends_it_until_the_runs_are_analysed_with_it(book, car, tmp_path):
    heavier = tmp_path / "car.toml"
    heavier.write_text(car.read_text().replace("mass_kg = 1", "mass_kg = 2", 1))
    add.correct_car(book, heavier)
    assert [one.told for one in runs_and_words(book, CAR)] == [None, None]


def test_the_command_shows_and_exports_what_analyze_then_uses(book, car, short_logs, tmp_path, capsys):
    book.close()
    where = ["--logbook", str(book.folder)]
    assert main(["logbook", "car", *where, "--export", str(tmp_path / "known.json")]) == 0
    said = capsys.readouterr().out
    assert "before.parquet" in said and "after.parquet" in said and "slip stiffness over load" in said
    assert main(["logbook", "car", CAR, *where, "--json", "-"]) == 0
    assert {one["state"] for one in json.loads(capsys.readouterr().out)["runs"]} == {"heard"}
    assert len(load_knowledge(tmp_path / "known.json").runs) == 2
    log = str(short_logs / "before.parquet")
    known = ["--knowledge", str(tmp_path / "known.json")]
    assert main(["analyze", log, "--car", str(car), *known, "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)["knowledge"]
    assert {o["run"] for o in told["left_out"] + told["runs"]} == {"after.parquet"}  # never its own
    assert main(["analyze", log, "--car", str(car), *known, "--tyres", "others"]) == 0
    assert main(["logbook", "car", "nobody's", *where]) == 2
    assert "no run in this logbook is of a car named" in capsys.readouterr().err


def test_words_are_said_by_command(book, capsys):
    book.close()
    where = ["--logbook", str(book.folder)]
    assert main(["logbook", "say", "before", "after", "--weather", "wet", *where]) == 0
    with Store(book.folder) as again:
        assert [run.words["weather"] for run in runs.runs(again)] == ["wet", "wet"]
    assert main(["logbook", "say", "before", *where]) == 2


def test_logs_are_added_as_one_run_or_to_a_run_by_command(short_logs, car, tmp_path, capsys, monkeypatch):
    from made_analysis import made_analysis

    monkeypatch.setattr(add, "analyze", lambda **asked: made_analysis())
    logs = [str(short_logs / f"{n}.parquet") for n in ("before", "after")]
    one, other = (["--logbook", str(tmp_path / name)] for name in ("one", "other"))
    assert main(["logbook", "add", *logs, "--one-run", "--car", str(car), "--tyres", "set 1", *one]) == 0
    assert main(["logbook", "add", logs[0], "--car", str(car), *other]) == 0
    assert main(["logbook", "add", logs[1], "--to", "before", "--tyres", "set 1", *other]) == 0
    for name in ("one", "other"):
        with Store(tmp_path / name) as store:
            (run,) = runs.runs(store)
            assert run.name == "before.parquet + after.parquet" and run.words["tyres"] == "set 1"
    assert main(["logbook", "add", logs[1], *other]) == 2
    assert main(["logbook", "add", logs[1], "--to", "before", "--car", str(car), *other]) == 2
