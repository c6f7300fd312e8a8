"""The logbook's SQLite database: its tables, as the steps that lead to them, and one connection, every write in a
transaction.

Reading writes nothing, not even beside the database: the file is opened read-only, and what cannot be read like that (a
logbook of an earlier version, what a killed process left half written) is read from a copy in memory.
"""

import os
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from analyzer.errors import InputError
from analyzer.logbook.folder import APPLICATION_ID, DATABASE, DATABASE_START

WAIT_S = 60.0  # for another process's transaction
MOST_MAPPED = 2**31 - 1  # bytes; the rest is read, and SQLite may map less

_FIRST = (
    """CREATE TABLE files (
        id TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 16),
        kind TEXT NOT NULL CHECK (kind IN ('log', 'car', 'setup', 'channels')),
        sha256 TEXT NOT NULL,          -- of the bytes
        content_sha256 TEXT NOT NULL,  -- of what they say: without comments for settings, the bytes for a log
        name TEXT NOT NULL,            -- file name
        title TEXT NOT NULL,           -- what a car or a setup calls itself
        size_bytes INTEGER NOT NULL,
        parquet INTEGER NOT NULL DEFAULT 0 CHECK (parquet IN (0, 1)),
        added_s REAL NOT NULL,
        UNIQUE (kind, sha256)
    ) STRICT""",
    """CREATE TABLE runs (
        id TEXT PRIMARY KEY NOT NULL REFERENCES files (id),  -- the log's
        date_s REAL NOT NULL,
        car_id TEXT NOT NULL REFERENCES files (id),
        setup_id TEXT REFERENCES files (id),
        channels_id TEXT REFERENCES files (id)
    ) STRICT""",
    """CREATE TABLE results (
        id TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 16),
        run_id TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
        car_id TEXT NOT NULL REFERENCES files (id),
        setup_id TEXT REFERENCES files (id),
        channels_id TEXT REFERENCES files (id),
        state TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'done', 'failed', 'cancelled')),
        step TEXT NOT NULL DEFAULT '',
        share REAL NOT NULL DEFAULT 0,
        message TEXT NOT NULL DEFAULT '',
        asked_s REAL NOT NULL,
        provenance TEXT,               -- key of what the result or the failure came from
        code TEXT,                     -- version of the code that made it
        folder TEXT,                   -- of its arrays
        distance_km REAL,
        result TEXT,                   -- JSON by result.schema.json
        log_check TEXT,                -- JSON of `halfshaft check`
        CHECK (state <> 'done' OR (result IS NOT NULL AND provenance IS NOT NULL AND code IS NOT NULL))
    ) STRICT""",
    "CREATE UNIQUE INDEX one_result ON results (run_id, car_id, ifnull(setup_id, ''), ifnull(channels_id, ''))",
    """CREATE TABLE comparisons (
        id TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 16),
        before_id TEXT NOT NULL REFERENCES results (id) ON DELETE CASCADE,
        after_id TEXT NOT NULL REFERENCES results (id) ON DELETE CASCADE,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'done', 'failed', 'cancelled')),
        step TEXT NOT NULL DEFAULT '',
        share REAL NOT NULL DEFAULT 0,
        message TEXT NOT NULL DEFAULT '',
        asked_s REAL NOT NULL,
        result TEXT
    ) STRICT""",
    f"PRAGMA application_id = {APPLICATION_ID}",
)
_SECOND = (  # several runs a side, or some laps of one
    "DROP TABLE comparisons",  # can be made again
    """CREATE TABLE comparisons (
        id TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 16),
        before_laps TEXT,
        after_laps TEXT,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'done', 'failed', 'cancelled')),
        step TEXT NOT NULL DEFAULT '',
        share REAL NOT NULL DEFAULT 0,
        message TEXT NOT NULL DEFAULT '',
        asked_s REAL NOT NULL,
        result TEXT                    -- JSON: the result of `compare`, and its charts
    ) STRICT""",
    """CREATE TABLE compared (
        comparison_id TEXT NOT NULL REFERENCES comparisons (id) ON DELETE CASCADE,
        side INTEGER NOT NULL CHECK (side IN (0, 1)),  -- before, after
        place INTEGER NOT NULL,
        result_id TEXT NOT NULL REFERENCES results (id) ON DELETE CASCADE,
        PRIMARY KEY (comparison_id, side, place)
    ) STRICT""",
    "CREATE INDEX compared_result ON compared (result_id)",
    # a comparison goes with any of its runs
    """CREATE TRIGGER comparison_without_run AFTER DELETE ON compared BEGIN
        DELETE FROM comparisons WHERE id = OLD.comparison_id;
    END""",
)
_THIRD = tuple(  # what a person says of a run
    f"ALTER TABLE runs ADD COLUMN {name} TEXT NOT NULL DEFAULT ''"
    for name in ("title", "driver", "tyres", "weather", "notes")
)
_FOURTH = (  # several logs are one run; what a result used of other runs' knowledge of the car
    "ALTER TABLE runs ADD COLUMN sensor TEXT NOT NULL DEFAULT ''",
    """CREATE TABLE more_logs (
        run_id TEXT NOT NULL REFERENCES runs (id) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        log_id TEXT NOT NULL UNIQUE REFERENCES files (id),
        PRIMARY KEY (run_id, place)
    ) STRICT""",
    "ALTER TABLE results ADD COLUMN knowledge TEXT",  # JSON: words of the run, and digests of those it heard
)
# What lists show of a result, in a table of its own: to read it out of a text of 300 kB, or behind one, takes 0.2 ms
# a run.
_BRIEF = """INSERT OR REPLACE INTO briefs
    SELECT id, json_extract(result, '$.lock_curve.preload_Nm'), knowledge FROM results WHERE result IS NOT NULL"""
_FIFTH = (
    """CREATE TABLE briefs (
        result_id TEXT PRIMARY KEY NOT NULL REFERENCES results (id) ON DELETE CASCADE,
        preload TEXT,  -- JSON: value and interval
        heard TEXT     -- JSON: `knowledge` of the result
    ) STRICT""",
    _BRIEF,
    f"CREATE TRIGGER result_came AFTER INSERT ON results BEGIN {_BRIEF} AND id = NEW.id; END",
    f"""CREATE TRIGGER result_made AFTER UPDATE OF result, knowledge ON results BEGIN
        DELETE FROM briefs WHERE result_id = NEW.id; {_BRIEF} AND id = NEW.id; END""",
)
# the statements that lead to version 1, 2, ...
MIGRATIONS: tuple[Sequence[str], ...] = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)


ENDINGS = ("", "-journal", "-wal", "-shm")  # of the files that are the database, as SQLite names them
_ROLLBACK = b"\1\1"  # bytes 18 and 19 of a database with a rollback journal (SQLite file format)


class Damaged(Exception):
    """The database is lost, empty or damaged; says which."""


class Database:
    """A connection that threads share; other processes are kept apart by SQLite's own locks.

    Parameters
    ----------
    rebuild : fills a new database from the stored files, for reading one that is damaged.

    Raises
    ------
    InputError : the database cannot be opened, is no logbook's, or is a newer version's.
    """

    def __init__(self, folder: Path, rebuild: Callable[[sqlite3.Connection], None]) -> None:
        self.damage: str | None = None  # why what is read was rebuilt
        self.writes = False
        self.lock = threading.RLock()
        self._folder, self._rebuild = folder, rebuild
        self._connection: sqlite3.Connection | None = None
        self._seen: object = None
        self._copied = False

    def begin_writing(self, *, may_be_empty: bool) -> None:
        """Open for writing, from here on; makes a database where there is none.

        Parameters
        ----------
        may_be_empty : whether a database without tables is that of a new logbook, not one that lost them.

        Raises
        ------
        Damaged : nothing was changed.
        InputError : as the class.
        """
        with self.lock:
            path = self._folder / DATABASE
            with self._errors():
                _require_sound(path, may_be_empty=may_be_empty)
                connection = connected(path, str(self._folder))
            self._close()
            self._connection, self.writes, self.damage = connection, True, None

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A write transaction; it is the only one of all processes while it lasts. Rolled back when the body raises.

        Raises
        ------
        InputError : another process holds the database for too long, the disk is full, the database is damaged.
        """
        with self.lock, self._errors():
            assert self.writes and self._connection is not None
            connection = self._connection
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            finally:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several queries that see one state of the database.

        Raises
        ------
        InputError : as `transaction`.
        """
        with self.lock, self._errors():
            connection = self._open()
            if connection.in_transaction:  # the thread's own
                yield connection
                return
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query.

        Raises
        ------
        InputError : as `transaction`.
        """
        with self.lock, self._errors():
            return self._open().execute(sql, values).fetchall()

    def close(self) -> None:
        """Close the connection."""
        with self.lock:
            self._close()

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection, self.writes = None, False

    def _open(self) -> sqlite3.Connection:
        """The connection, opened anew where the file that was read is no longer what is there."""
        if self.writes:
            assert self._connection is not None
            return self._connection
        path = self._folder / DATABASE
        if self._connection is not None and self._seen == _seen(path, copied=self._copied):
            if self._copied or _can_be_read(self._connection):
                return self._connection
        self._close()
        self._connection, self._copied, self.damage = self._opened(path)
        self._seen = _seen(path, copied=self._copied)
        return self._connection

    def _opened(self, path: Path) -> tuple[sqlite3.Connection, bool, str | None]:
        try:
            found = _in_place(path)
            if found is not None:
                return found, False, None
            return _copy_in_memory(path, str(self._folder)), True, None
        except Damaged as error:
            connection = _memory()
            migrate(connection, str(self._folder))
            self._rebuild(connection)
            return connection, True, str(error)

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            raise InputError(
                f"{self._folder}: the logbook cannot be used just now ({error}); see that the disk has space and that "
                "no other program holds it, then try again."
            ) from None
        except sqlite3.IntegrityError:
            raise  # a fault of this program, not of the user
        except sqlite3.DatabaseError as error:
            raise InputError(
                f"{self._folder}: the logbook's database is damaged ({error}); the next command rebuilds it."
            ) from None


def connected(path: Path, name: str) -> sqlite3.Connection:
    """A connection that writes, to a database of the newest version, made where there is none.

    Raises
    ------
    InputError : no logbook's database, or a newer version's.
    """
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
    try:
        connection.row_factory = sqlite3.Row
        # beside a write-ahead log, even a reader writes; EXTRA: what was reported done outlives a power cut
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA foreign_keys = ON")
        migrate(connection, name)
    except BaseException:
        connection.close()
        raise
    return connection


def _require_sound(path: Path, *, may_be_empty: bool) -> None:
    """Refuse to write into what is there and damaged; what a killed process left half written is undone first."""
    if path.exists():
        with closing(sqlite3.connect(path, timeout=WAIT_S)) as connection:
            _require_pages(connection)
    if not may_be_empty:
        _require_header(path)


def _require_header(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError:
        raise Damaged("is gone") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions.") from None
    if not header:
        raise Damaged("is empty")
    if len(header) < 100 or not header.startswith(DATABASE_START):
        raise Damaged("is damaged (it is no database)")
    return header


def _require_pages(connection: sqlite3.Connection) -> None:
    try:
        # mapped, a database of 550 MB is looked through in 0.04 s, copied page by page in 0.13 s. Mapped no longer than
        # that: under a program that cuts the file, what is mapped ends the process
        connection.execute(f"PRAGMA mmap_size = {MOST_MAPPED}")
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        connection.execute("PRAGMA mmap_size = 0")
    except sqlite3.OperationalError:
        raise
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        raise Damaged(f"is damaged ({found.splitlines()[-1]})")


def _in_place(path: Path) -> sqlite3.Connection | None:
    """A connection that only reads; None for a database that would have to be changed first."""
    if _require_header(path)[18:20] != _ROLLBACK:
        return None
    connection = sqlite3.connect(
        f"{path.as_uri()}?mode=ro", uri=True, timeout=WAIT_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.row_factory = sqlite3.Row
        if not _can_be_read(connection):
            connection.close()
            return None
        _require_pages(connection)
        if _pragma(connection, "user_version") < len(MIGRATIONS):
            connection.close()
            return None
        migrate(connection, path.parent.name)  # nothing to do; refuses other programs' and newer ones
    except BaseException:
        connection.close()
        raise
    return connection


def _can_be_read(connection: sqlite3.Connection) -> bool:
    """Whether SQLite reads it without writing: not after a process that was killed in the middle of a commit."""
    try:
        connection.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchall()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorname.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
            return False
        raise
    except sqlite3.DatabaseError as error:
        raise Damaged(f"is damaged ({error})") from None
    return True


def _copy_in_memory(path: Path, name: str) -> sqlite3.Connection:
    """What is there, brought to the newest version in memory."""
    memory = _memory()
    with tempfile.TemporaryDirectory(prefix="halfshaft-") as folder:
        copy = Path(folder) / DATABASE
        for ending in ENDINGS[:3]:
            there = path.with_name(path.name + ending)
            if there.exists():
                shutil.copyfile(there, copy.with_name(copy.name + ending))
        with closing(sqlite3.connect(copy, isolation_level=None)) as source:
            _require_pages(source)
            source.execute("PRAGMA journal_mode = DELETE")
            source.backup(memory)
    migrate(memory, name)
    return memory


def _memory() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _seen(path: Path, *, copied: bool) -> object:
    """What tells that the database read is still the one that is there; a copy also grows old."""
    states: list[tuple[int, ...] | None] = []
    for ending in ENDINGS[:3] if copied else ENDINGS[:1]:
        try:
            state = os.stat(f"{path}{ending}")
        except OSError:
            states.append(None)
            continue
        states.append((state.st_dev, state.st_ino, *((state.st_mtime_ns, state.st_size) if copied else ())))
    return states


def migrate(connection: sqlite3.Connection, name: str) -> None:
    """Bring a database to the newest version, each step whole or not at all.

    Parameters
    ----------
    connection : in autocommit mode (`isolation_level=None`).
    name : of the logbook, for messages.

    Raises
    ------
    InputError : another program's database, or a logbook of a newer version.
    """
    version = _pragma(connection, "user_version")
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if (tables or version) and _pragma(connection, "application_id") != APPLICATION_ID:
        raise InputError(f"{name}: holds a database that is no logbook; name another folder.")
    if version > len(MIGRATIONS):
        raise InputError(
            f"{name}: was written by a newer version (logbook version {version}, this one knows {len(MIGRATIONS)}); "
            "bring halfshaft up to date."
        )
    for number, statements in enumerate(MIGRATIONS[version:], start=version + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in statements:
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except sqlite3.Error:
            connection.execute("ROLLBACK")
            raise


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])
