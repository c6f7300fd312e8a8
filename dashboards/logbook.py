"""The logbook as the pages use it: uploads, runs under way, and the shipped sample beside them. It is kept by
`analyzer.logbook`, so that the command line and the page see the same runs."""

import io
import sqlite3
import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import BinaryIO

from analyzer.analysis import Analysis
from analyzer.errors import InputError
from analyzer.log_check import CheckJson, check_log
from analyzer.logbook import results, runs, stored_files
from analyzer.logbook.store import Store
from analyzer.logbook.stored_files import StoredFile as BookFile
from analyzer.logs.mapping import load_channel_map
from analyzer.provenance import hash_file
from analyzer.vehicle.car import load_car
from dashboards import uploads
from dashboards.compare import comparisons
from dashboards.removals import Removals
from dashboards.run_records import Compared, ComparisonJob, Job, Run, StoredFile

SAMPLES = {"log": "baseline.parquet", "car": "club_car.toml", "setup": "baseline.setup.toml"}
KEPT_SAMPLES = 6_000_000  # of analyses in memory, about 300 bytes each
COMPARISON = "comparison"
NO_SETUP = "This run has no setup file, so no shelf part can be put in place of a fitted one. Analyse it with one."


class Logbook:
    """A logbook folder behind the pages; `store` is the analyzer's."""

    def __init__(self, folder: Path | str) -> None:
        self.book = Store(folder)
        self.folder = self.book.folder
        self._memory: OrderedDict[tuple[str, str | None], Analysis] = OrderedDict()
        self._removals = Removals(self._remove)
        self._checks: dict[tuple[str, str, str | None], CheckJson] = {}  # of further logs, by log, car and map
        self._lock = threading.Lock()

    # files

    def store(self, kind: str, filename: str, stream: BinaryIO, length: int | None) -> StoredFile:
        """Take an upload in; the same bytes a second time are the same file.

        Raises
        ------
        InputError : kind, ending, size or content is not allowed; nothing is left behind.
        """
        name, limited = uploads.checked(kind, filename, stream, length)
        stored = stored_files.keep(self.book, kind, name, limited)
        if kind != "log" and stored.sha256 == _sample_sha256(self.file(kind, "sample").path):
            return self.file(kind, "sample")  # the pages know it by that key only
        return StoredFile(stored.id, stored.name, stored.path)

    def remove(self, kind: str, key: str) -> None:
        """Take an upload out again.

        Raises
        ------
        InputError : no such upload, or a run uses it.
        """
        stored_files.drop(self.book, kind, key)

    def file(self, kind: str, key: str) -> StoredFile:
        """The stored file of a key; `sample` is the shipped one.

        Raises
        ------
        InputError : no such file.
        """
        if key == "sample" and kind in SAMPLES:
            path = Path(str(resources.files("sample_logs"))) / SAMPLES[kind]
            return StoredFile(key, path.name, path)
        stored = stored_files.file(self.book, kind, key)
        return StoredFile(stored.id, stored.name, stored.path)

    def files(self, kind: str) -> list[StoredFile]:
        """All stored files of a kind, newest first, the shipped sample last."""
        sample = self.file(kind, "sample")
        stored = [f for f in stored_files.files(self.book, kind) if f.sha256 != _sample_sha256(sample.path)]
        return [*(StoredFile(f.id, f.name, f.path) for f in stored), sample]

    # runs

    def new_run(self, *, log_key: str, car_key: str, setup_key: str | None, channel_map: str | None = None) -> str:
        """Note what is to be analysed; returns its id. What is done or under way already is not asked for again.

        Raises
        ------
        InputError : a file chosen is not there, or the channel map says what it may not.
        """
        channels = None
        if channel_map is not None and channel_map.strip():
            channels = stored_files.keep(self.book, "channels", "channels.toml", io.BytesIO(channel_map.encode()))
        log, car = self._kept("log", log_key), self._kept("car", car_key)
        setup = self._kept("setup", setup_key) if setup_key else None
        more = runs.more_logs(self.book, log.id)
        run = runs.Run(id=log.id, date_s=time.time(), log=log, car=car, setup=setup, channels=channels, more=more)
        with self.book.transaction() as connection:
            runs.not_of_another(connection, run.id)
            runs.set_run(
                connection,
                run.id,
                date_s=run.date_s,
                car_id=run.car.id,
                setup_id=None if run.setup is None else run.setup.id,
                channels_id=None if run.channels is None else run.channels.id,
            )
            return _asked_anew(connection, run)

    def add_log(self, run_id: str, log_key: str) -> str:
        """Give a run one more log, such as slow circles: all of its logs are fitted together. Returns the id of what is
        to be analysed.

        Raises
        ------
        InputError : no such run or log, the run is under way, or the log is another run's.
        """
        found = results.result(self.book, run_id)
        if found.state in ("waiting", "running"):
            raise InputError("this run is still being analysed; wait until it is done, then add the log.")
        log = self._kept("log", log_key)
        if log.id == found.run_id:
            raise InputError(f"{log.name}: is this run's own log; add another one, such as slow circles.")
        run = results.run_of(self.book, found)
        more = run.more if log in run.more else (*run.more, log)
        with self.book.transaction() as connection:
            runs.add_log(connection, run.id, log.id)
            return _asked_anew(connection, replace(run, more=more))

    def remove_run(self, run_id: str) -> None:
        """Take a run out; the last one of a log takes the log with it. For a while it can be had back (`removals`).

        Raises
        ------
        InputError : no such run, or it is not over.
        """
        found = results.result(self.book, run_id)
        if found.state in ("waiting", "running"):
            raise InputError("this run is still being analysed; cancel it first, then remove it.")
        self._removals.begin(run_id)

    def keep_run(self, run_id: str) -> None:
        """Take a removal back; nothing where it is too late."""
        self._removals.take_back(run_id)

    def leaving(self) -> list[Run]:
        """Runs that were removed and can still be had back, the last removed first."""
        return [run for k in self._removals.waiting() for run in self._runs("WHERE results.id = ?", (k,))]

    def _remove(self, run_id: str) -> None:
        try:
            results.remove(self.book, results.result(self.book, run_id))
        except InputError:  # somebody else removed it meanwhile
            pass

    def say_of(self, run_id: str, *, date_s: float | None, **said: str) -> None:
        """Note what a person says of a run.

        Raises
        ------
        InputError : no such run, an unknown field, or a text that is too long.
        """
        runs.say_of(self.book, results.result(self.book, run_id).run_id, date_s=date_s, **said)

    def set_status(self, run_id: str, *, state: str, step: str = "", share: float = 0.0, message: str = "") -> None:
        """Note how far a run or a comparison is."""
        self._note(run_id, "", state=state, step=step, share=share, message=message)

    def goes_on(self, run_id: str, *, step: str, share: float) -> None:
        """Note how far a run or a comparison that runs is; nothing where its result is in, or it was asked for anew."""
        self._note(run_id, "AND state = 'running'", step=step, share=share)

    def _note(self, run_id: str, where: str, **told: str | float) -> None:
        table = "comparisons" if comparisons.row(self.book, run_id) else "results"
        columns = ", ".join(f"{column} = ?" for column in told)
        with self.book.transaction() as connection:
            connection.execute(f"UPDATE {table} SET {columns} WHERE id = ? {where}", (*told.values(), run_id))

    def job(self, run_id: str) -> Job:
        """What a run was asked to do.

        Raises
        ------
        InputError : no such run.
        """
        run = results.run_of(self.book, results.result(self.book, run_id))
        return {
            "log": str(run.log.path),
            "car": str(run.car.path),
            "setup": str(run.setup.path) if run.setup else None,
            "channels": str(run.channels.path) if run.channels else None,
            "logs": [str(log.path) for log in run.logs],
            "keys": {
                "log": self._key("log", run.log),
                "car": self._key("car", run.car),
                "setup": self._key("setup", run.setup) if run.setup else None,
                "channels": self._key("channels", run.channels) if run.channels else None,
            },
        }

    def setup_path(self, run_id: str) -> str:
        """The setup file that a run was analysed with.

        Raises
        ------
        InputError : no such run, or it has none.
        """
        path = self.job(run_id)["setup"]
        if path is None:
            raise InputError(NO_SETUP)
        return path

    def comparison_job(self, comparison_id: str) -> ComparisonJob | None:
        """What a comparison was asked to do; None where the id is a run's."""
        row = comparisons.row(self.book, comparison_id)
        if row is None:
            return None
        before, after = ([(k, self.job(k)) for k in comparisons.side(self.book, comparison_id, n)] for n in (0, 1))
        return {
            "before": before,
            "after": after,
            "before_laps": row["before_laps"],
            "after_laps": row["after_laps"],
        }

    def run(self, run_id: str) -> Run:
        """One run, or comparison, with its state.

        Raises
        ------
        InputError : no such run.
        """
        row = comparisons.row(self.book, run_id)
        if row is not None:
            status = {key: row[key] for key in ("state", "step", "share", "message")}
            return Run(run_id, COMPARISON, "", None, started=row["asked_s"], **status)
        results.result(self.book, run_id)
        return next(iter(self._runs("WHERE results.id = ?", (run_id,))))

    def finished(self, run_id: str) -> Run:
        """A run that is done.

        Raises
        ------
        InputError : no such run, or it is not done: why not.
        """
        run = self.run(run_id)
        if run.state != "done":
            raise InputError(run.message or f"{run.name} is not analysed yet; the start page shows how far it is.")
        return run

    def runs(self) -> list[Run]:
        """All runs, newest first; comparisons and what was removed are not among them."""
        leaving = set(self._removals.waiting())
        return [run for run in self._runs("ORDER BY asked_s DESC, results.id") if run.id not in leaving]

    def under_way(self) -> list[str]:
        """Ids of the runs and comparisons that wait or run."""
        unfinished = "SELECT id FROM {} WHERE state IN ('waiting', 'running')"
        both = f"{unfinished.format('results')} UNION ALL {unfinished.format('comparisons')}"
        return [row["id"] for row in self.book.rows(both)]

    def log_of(self, run_id: str, number: int = 1) -> BookFile:
        """One of a run's logs, numbered from 1.

        Raises
        ------
        InputError : no such run or log.
        """
        logs = results.run_of(self.book, results.result(self.book, run_id)).logs
        if not 1 <= number <= len(logs):
            raise InputError(f"this run has no log {number}; it has {len(logs)}. Open its log check and choose one.")
        return logs[number - 1]

    def check(self, run_id: str, number: int = 1) -> CheckJson | None:
        """What the log check found, as its JSON, or None when it did not get that far. A run that the command line
        put in has no check yet: it is made when first asked for, and so are those of a run's further logs.

        Parameters
        ----------
        number : which of the run's logs, from 1.
        """
        if number > 1:
            return self._check_of(run_id, number)
        found = results.log_check(self.book, run_id)
        if found is None and self.run(run_id).state in ("done", "failed"):
            try:
                self.make_check(run_id)
            except InputError:  # the log is none, which the run's own message says
                return None
            found = results.log_check(self.book, run_id)
        return found

    def _check_of(self, run_id: str, number: int) -> CheckJson | None:
        run, log = results.run_of(self.book, results.result(self.book, run_id)), self.log_of(run_id, number)
        key = (log.id, run.car.id, run.channels.id if run.channels else None)
        if key not in self._checks:
            channel_map = load_channel_map(run.channels.path) if run.channels else None
            try:
                self._checks[key] = check_log(log.path, channel_map=channel_map, car=load_car(run.car.path)).as_json()
            except InputError:  # which the run's own message says
                return None
        return self._checks[key]

    def make_check(self, run_id: str) -> None:
        """Check a run's log and keep what was found.

        Raises
        ------
        InputError : no such run, or one of its files cannot be read.
        """
        run = results.run_of(self.book, results.result(self.book, run_id))
        channel_map = load_channel_map(run.channels.path) if run.channels else None
        check = check_log(run.log.path, channel_map=channel_map, car=load_car(run.car.path))
        results.keep_log_check(self.book, run_id, check.as_json())

    def result_text(self, run_id: str) -> str:
        """The result of a run as JSON text.

        Raises
        ------
        InputError : no such run, or it is not finished.
        """
        return results.result_text(self.book, run_id)

    def analysis(self, run_id: str) -> Analysis:
        """The analysis of a run; the last few are kept in memory.

        Raises
        ------
        InputError : no such run, or it is not finished.
        """
        kept = (run_id, results.result(self.book, run_id).folder)
        with self._lock:
            if kept not in self._memory:
                self._memory[kept] = results.analysis_of(self.book, run_id)
            self._memory.move_to_end(kept)
            while len(self._memory) > 1 and self._samples() > KEPT_SAMPLES:
                self._memory.popitem(last=False)
            return self._memory[kept]

    def _samples(self) -> int:
        return sum(len(analysis.signals.time_s) for analysis in self._memory.values())

    # comparisons

    def new_comparison(
        self,
        before: Sequence[str],
        after: Sequence[str],
        *,
        before_laps: str | None = None,
        after_laps: str | None = None,
    ) -> str:
        """Note that runs are to be compared, as `comparisons.new`; the comparison then runs like a run."""
        return comparisons.new(self.book, before, after, before_laps=before_laps, after_laps=after_laps)

    def comparison(self, comparison_id: str) -> comparisons.Kept | None:
        """The outcome of a comparison, or None when it is not done."""
        return comparisons.kept(self.book, comparison_id)

    def comparison_asked(self, comparison_id: str) -> Compared | None:
        """What a comparison is about; None where there is none."""
        row = comparisons.row(self.book, comparison_id)
        if row is None:
            return None
        return {
            "sides": [comparisons.side(self.book, comparison_id, number) for number in (0, 1)],
            "laps": [row["before_laps"] or "", row["after_laps"] or ""],
        }

    def comparisons(self) -> list[tuple[Run, list[list[str]]]]:
        """Every comparison, newest first, with the names of its runs by side."""
        rows = self.book.rows("SELECT id FROM comparisons ORDER BY asked_s DESC, id")
        names = {run.id: run.name for run in self._runs("ORDER BY asked_s")}
        return [
            (
                self.run(row["id"]),
                [[names.get(k, "a run") for k in comparisons.side(self.book, row["id"], n)] for n in (0, 1)],
            )
            for row in rows
        ]

    def remove_comparison(self, comparison_id: str) -> None:
        """Take a comparison out; its runs stay."""
        with self.book.transaction() as connection:
            connection.execute("DELETE FROM comparisons WHERE id = ?", (comparison_id,))

    def _key(self, kind: str, part: BookFile) -> str:
        """The key that the pages know a stored file by: the shipped sample's bytes are `sample`, whoever sent them."""
        if kind in ("car", "setup") and part.sha256 == _sample_sha256(self.file(kind, "sample").path):
            return "sample"
        return part.id

    def _runs(self, rest: str, values: tuple[str, ...] = ()) -> list[Run]:
        rows = self.book.rows(
            "SELECT results.id, log.name AS log_name, car.name AS car_name, setup.name AS setup_name, state, step, "
            "share, message, asked_s AS started, results.car_id IS runs.car_id AND results.setup_id IS runs.setup_id "
            "AND results.channels_id IS runs.channels_id AS latest, run_id AS log_id, date_s, runs.title AS title, "
            "(SELECT coalesce(group_concat(name, ' + '), '') FROM (SELECT files.name FROM more_logs "
            "JOIN files ON files.id = log_id WHERE more_logs.run_id = results.run_id ORDER BY place)) AS more, "
            "driver, tyres, weather, notes, briefs.preload FROM results JOIN runs ON runs.id = run_id "
            "LEFT JOIN briefs ON briefs.result_id = results.id "
            "JOIN files AS log ON log.id = run_id JOIN files AS car ON car.id = results.car_id "
            f"LEFT JOIN files AS setup ON setup.id = results.setup_id {rest}",
            values,
        )
        return [Run(**row) for row in rows]

    def _kept(self, kind: str, key: str) -> BookFile:
        if key != "sample":
            return stored_files.file(self.book, kind, key)
        sample = self.file(kind, key)
        with sample.path.open("rb") as stream:
            return stored_files.keep(self.book, kind, sample.name, stream)


def _asked_anew(connection: sqlite3.Connection, run: runs.Run) -> str:
    """The id of a run's result, which waits to be made unless it is made or under way. Inside a transaction."""
    made = results.ask(connection, run)
    connection.execute("UPDATE results SET asked_s = ? WHERE id = ?", (time.time(), made))
    connection.execute(
        "UPDATE results SET state = 'waiting', step = '', share = 0, message = '' WHERE id = ? "
        "AND state <> 'running' AND NOT (state = 'done' AND provenance = ?)",
        (made, results.expected(run).key),
    )
    return made


@cache
def _sample_sha256(path: Path) -> str:
    return hash_file(path)
