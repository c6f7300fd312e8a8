"""Nothing that lies in a folder is lost, whatever is asked of it as a logbook and whatever happens to its database."""

import hashlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from made_analysis import made_analysis

from analyzer.cli.main import main
from analyzer.errors import InputError
from analyzer.logbook import add, database, results, runs, stored_files
from analyzer.logbook.folder import MARKER
from analyzer.logbook.store import Store


def tree(folder: Path) -> dict[str, str]:
    """Every file of a folder with its hash, every folder and link."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            found[name] = f"link to {os.readlink(path)}"
        elif path.is_dir():
            found[name] = "folder"
        else:
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


@pytest.fixture
def book(tmp_path, short_logs, car, samples):
    """The folder of a logbook with two runs, one with setup and channel map, one with a result; and what it tells."""
    (tmp_path / "map.toml").write_text('[channels]\nthrottle = "throttle"\n')
    with Store(tmp_path / "book") as store:
        first = add.add(
            store,
            short_logs / "before.parquet",
            car_path=car,
            setup_path=samples / "baseline.setup.toml",
            channels_path=tmp_path / "map.toml",
            date_s=1e9,
        ).run
        add.add(store, short_logs / "after.parquet", car_path=car, date_s=2e9)
        results.finish(store, first, made_analysis(), provenance=results.expected(first))
    return tmp_path / "book"


def told(folder: Path) -> tuple:
    """All that a logbook tells of its runs, files and results."""
    with Store(folder) as store:
        kept = [
            (found.id, found.run_id, found.state, found.provenance, results.result_text(store, found.id))
            for found in results.results(store)
        ]
        return runs.runs(store), [stored_files.files(store, kind) for kind in ("log", "car", "setup", "channels")], kept


def listed(folder: Path, capsys) -> tuple[int, list, str]:
    capsys.readouterr()
    status = main(["logbook", "list", "--logbook", str(folder), "--json", "-"])
    said = capsys.readouterr()
    return status, json.loads(said.out) if said.out else [], said.err


def removed(path: Path) -> None:
    path.unlink()


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def overwritten(path: Path) -> None:
    path.write_bytes(b"not a database at all" * 500)


def scrambled(path: Path) -> None:
    """Pages of rubbish behind a good header."""
    content = bytearray(path.read_bytes())
    content[4096:] = random.Random(1).randbytes(len(content) - 4096)
    path.write_bytes(content)


DAMAGES = (removed, emptied, cut, overwritten, scrambled)


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_lost_database_is_rebuilt_with_every_log_car_setup_map_and_result(book, damage, capsys):
    before = told(book)
    assert len(before[0]) == 2 and before[0][0].channels is not None and len(before[2]) == 1
    damage(book / "logbook.sqlite")
    left = tree(book)
    status, found, said = listed(book, capsys)
    assert status == 0 and [run["log"]["file"] for run in found] == ["before.parquet", "after.parquet"]
    assert "2 runs and 1 result came back from the stored files" in said and "lost or damaged" in said
    assert told(book) == before
    assert tree(book) == left  # reading wrote nothing
    assert main(["logbook", "tidy", "--logbook", str(book)]) == 0  # a command that writes
    assert "2 runs and 1 result came back" in capsys.readouterr().err
    assert told(book) == before and listed(book, capsys)[2] == ""
    kept = [path for path in (book / "lost").rglob("*") if path.is_file()] if (book / "lost").exists() else []
    was = left.get("logbook.sqlite")
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in kept] == ([was] if was else [])


def test_a_logbook_of_before_the_sidecars_gets_them_and_says_what_it_cannot_know(book, capsys):
    for path in [*(book / "files").glob("*/*.json"), book / MARKER]:
        path.unlink()
    (book / "logbook.sqlite").rename(book.parent / "kept.sqlite")
    _, found, said = listed(book, capsys)
    assert found == [] and "not known any more: after.parquet, before.parquet" in said
    with Store(book) as store:  # the bytes tell the rest
        assert [len(stored_files.files(store, kind)) for kind in ("log", "car", "setup", "channels")] == [2, 1, 1, 1]
    (book.parent / "kept.sqlite").rename(book / "logbook.sqlite")
    before = told(book)
    with Store(book) as store:
        store.begin_writing()
    (book / "logbook.sqlite").unlink()
    assert told(book) == before


def test_what_a_run_is_given_later_comes_back_too(book, samples, tmp_path, car):
    heavier = tmp_path / "heavier.toml"
    heavier.write_text(car.read_text().replace("mass_kg = 1", "mass_kg = 2", 1))
    with Store(book) as store:
        add.correct_car(store, heavier)
        runs.remove_run(store, runs.runs(store)[1].id)
    before = told(book)
    assert [run.car.name for run in before[0]] == ["heavier.toml"]
    (book / "logbook.sqlite").unlink()
    assert told(book) == before


READING = (
    ["list"],
    ["list", "--json", "-"],
    ["list", "--car", "nobody"],
    ["show", "before.parquet"],
    ["show", "after.parquet"],
    ["show", "nothing"],
    ["trend"],
    ["trend", "--json", "-"],
)


def test_reading_writes_nothing(book):
    left = tree(book)
    for arguments in READING:
        assert main(["logbook", *arguments, "--logbook", str(book)]) in (0, 2, 3)
        assert tree(book) == left
    from dashboards.app import create_app

    create_app(book).halfshaft_jobs.close()
    assert tree(book) == left


def test_a_logbook_that_may_not_be_written_is_listed_and_shown(book):
    for path in [book, *book.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    command = [sys.executable, "-m", "analyzer.cli.main", "logbook"]
    if os.geteuid() == 0:  # root may write everywhere but on a read-only mount
        mount = 'mount --bind "$0" "$0" && mount -o remount,ro,bind "$0" && exec "$@"'
        command = ["unshare", "--mount", "sh", "-c", mount, str(book), *command]
        if subprocess.run([*command[:6], "true"], capture_output=True).returncode:
            pytest.skip("root, and no mounts")

    def asked(*action):
        return subprocess.run([*command, *action, "--logbook", str(book)], capture_output=True, text=True)

    left = tree(book)
    try:
        for action in (["list"], ["show", "before.parquet"], ["trend", "--car", told(book)[0][0].car.title]):
            done = asked(*action)
            assert done.returncode == 0 and "before.parquet" in done.stdout, done.stderr
        done = asked("remove", "before.parquet")
        assert done.returncode == 2 and "cannot be" in done.stderr and "Traceback" not in done.stderr
        assert tree(book) == left
    finally:
        for path in [book, *book.rglob("*")]:
            path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_logbook_of_the_earlier_kind_with_its_write_ahead_log_is_read_in_place(book):
    before = told(book)
    connection = sqlite3.connect(book / "logbook.sqlite")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("UPDATE runs SET date_s = 3e9 WHERE date_s = 2e9")
    connection.commit()
    shutil.copytree(book, book.parent / "copy")  # as a killed process leaves it
    connection.close()
    copy = book.parent / "copy"
    left = tree(copy)
    assert "logbook.sqlite-wal" in left
    assert [run.date_s for run in told(copy)[0]] == [1e9, 3e9] and tree(copy) == left
    with Store(copy) as store:
        store.begin_writing()
        assert store.rows("PRAGMA journal_mode")[0][0] == "delete"
    assert [run.id for run in told(copy)[0]] == [run.id for run in before[0]]


def test_what_a_kill_left_half_committed_is_read_without_writing(book):
    script = (
        "import os, signal, sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('PRAGMA cache_size = 1'); c.execute('BEGIN IMMEDIATE')\n"
        "c.execute('UPDATE runs SET date_s = 7'); c.execute('CREATE TABLE big (x)')\n"
        "c.executemany('INSERT INTO big VALUES (?)', [('y' * 3000,)] * 200)\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    before = told(book)
    subprocess.run([sys.executable, "-c", script, str(book / "logbook.sqlite")])
    left = tree(book)
    assert "logbook.sqlite-journal" in left
    assert told(book) == before and tree(book) == left
    with Store(book) as store:
        store.begin_writing()
    assert told(book) == before and not (book / "logbook.sqlite-journal").exists()


def random_files(folder: Path, seed: int) -> None:
    """Files of somebody's in the places that a logbook uses, and elsewhere."""
    rng = random.Random(seed)
    for place in ("results", "parquet", "files/log", "files/car", "incoming", "incoming/x", "photos", "."):
        (folder / place).mkdir(parents=True, exist_ok=True)
        for number in range(rng.randint(1, 3)):
            name = rng.choice(["a.txt", "Setup Mai.toml", "x.lock", f"{rng.randrange(16**4):04x}", ".hidden"])
            (folder / place / f"{number}{name}").write_bytes(rng.randbytes(rng.randint(0, 300)))
    (folder / "results" / "season").mkdir()
    (folder / "results" / "season" / "table.csv").write_text("a,b\n")
    (folder / "incoming" / "0123456789abcdef.lock").write_text("")


@pytest.mark.parametrize("seed", range(3))
def test_a_folder_of_other_things_is_refused_and_left(tmp_path, seed, short_logs, car, capsys):
    folder = tmp_path / "other"
    random_files(folder, seed)
    left = tree(folder)
    actions = [
        *READING,
        ["add", str(short_logs / "before.parquet"), "--car", str(car)],
        ["add", "--car", str(car)],
        ["update"],
        ["remove", "x"],
        ["tidy"],
        ["export", "--out", str(tmp_path / "out")],
    ]
    for arguments in actions:
        assert main(["logbook", *arguments, "--logbook", str(folder)]) == 2
        assert "is no logbook" in capsys.readouterr().err
        assert tree(folder) == left
    assert main(["dashboard", "--logbook", str(folder), "--port", "0"]) == 2
    assert "--make-logbook" in capsys.readouterr().err and tree(folder) == left


@pytest.mark.parametrize("words", [[], ["--make-logbook"]])
def test_another_program_s_database_is_left_and_nothing_is_made_beside_it(tmp_path, words, short_logs, car, capsys):
    folder = tmp_path / "other"
    folder.mkdir()
    with closing(sqlite3.connect(folder / database.DATABASE)) as connection:
        connection.execute("CREATE TABLE mine (a)")
        connection.commit()
    left = tree(folder)
    line = ["logbook", "add", str(short_logs / "before.parquet"), "--car", str(car), "--logbook", str(folder)]
    assert main([*line, *words]) == 2
    assert "a database that is no logbook" in capsys.readouterr().err and tree(folder) == left


def test_an_export_that_is_refused_leaves_no_empty_folder(book, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["logbook", "export", "--logbook", str(book), "--out", str(out)]) == 0
    for folder in out.iterdir():
        shutil.rmtree(folder / "car")
        shutil.rmtree(folder / "log")
        (folder / "run.json").write_text("{}")
    left = tree(out)
    assert main(["logbook", "export", "--logbook", str(book), "--out", str(out)]) == 2
    assert "run.json: is there already" in capsys.readouterr().err and tree(out) == left


@pytest.mark.parametrize("place", ["files/log", "results", "lost", "incoming/mine"])
def test_an_export_goes_beside_the_logbook_s_files_not_among_them(book, place, capsys):
    left = tree(book)
    for words in ([], ["--overwrite"]):
        assert main(["logbook", "export", "--logbook", str(book), "--out", str(book / place), *words]) == 2
        assert "is among the files of the logbook book" in capsys.readouterr().err and tree(book) == left


@pytest.mark.parametrize("seed", range(3))
def test_what_is_not_the_logbook_s_stays_where_it_is_until_it_is_tidied(tmp_path, seed, short_logs, car, capsys):
    folder = tmp_path / "other"
    random_files(folder, seed)
    left = tree(folder)
    log = short_logs / "before.parquet"
    with Store(folder, make_here=True) as store:
        run = add.add(store, log, car_path=car).run
        results.finish(store, run, made_analysis(), provenance=results.expected(run))
    assert left.items() <= tree(folder).items()
    status, found, said = listed(folder, capsys)
    assert (status, len(found)) == (0, 1) and "files or folders are among the logbook's and not its own" in said
    with Store(folder) as store:
        results.finish(store, run, made_analysis(), provenance=results.expected(run))
        runs.remove_run(store, run.id)
    assert left.items() <= tree(folder).items()
    assert main(["logbook", "tidy", "--logbook", str(folder)]) == 0
    after = tree(folder)
    assert sorted(h for h in left.values()) == sorted(
        [
            *(h for n, h in after.items() if h in left.values() and h != "folder" and _its(n)),
            *["folder"] * _folders(left),
        ]
    )
    assert listed(folder, capsys)[2] == ""


def _its(name: str) -> bool:
    return name not in (MARKER, "opening.lock", "logbook.sqlite")


def _folders(left: dict[str, str]) -> int:
    return list(left.values()).count("folder")


def test_a_file_in_the_way_goes_to_lost(book, short_logs, car, samples):
    with Store(book) as store:
        run = runs.runs(store)[1]
        runs.remove_run(store, run.id)
    place = book / "files" / "log" / run.id
    place.mkdir()
    (place / "mine.txt").write_text("mine")
    with Store(book) as store:
        assert add.add(store, short_logs / run.log.name, car_path=car).run.id == run.id
    (kept,) = (book / "lost").rglob("mine.txt")
    assert kept.read_text() == "mine"


def test_a_transaction_that_fails_leaves_no_file(book, samples, monkeypatch):
    left = tree(book)
    with Store(book) as store:
        monkeypatch.setattr(add, "set_run", lambda *_, **__: (_ for _ in ()).throw(InputError("no")))
        with pytest.raises(InputError, match="no"):
            add.add(store, samples / "stiffer_cone.csv.gz", car_path=samples / "club_car.toml")
    assert {n: h for n, h in tree(book).items() if n not in ("opening.lock", "incoming")} == {
        n: h for n, h in left.items() if n not in ("opening.lock", "incoming")
    }


def test_two_readers_see_what_a_writer_commits(book, short_logs, car):
    with Store(book) as reader, Store(book) as writer:
        assert len(runs.runs(reader)) == 2
        runs.remove_run(writer, runs.runs(writer)[1].id)
        assert len(runs.runs(reader)) == 1
    with closing(sqlite3.connect(book / "logbook.sqlite")) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == len(database.MIGRATIONS)
