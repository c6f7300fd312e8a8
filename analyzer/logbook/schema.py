"""The tables of a logbook, as the steps that lead to them. A logbook of an earlier version takes the steps it lacks."""

import sqlite3
from collections.abc import Sequence

from analyzer.errors import InputError

APPLICATION_ID = 0x68736C62  # marks the database as a logbook, so that no other database is changed

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
MIGRATIONS: tuple[Sequence[str], ...] = (_FIRST, _SECOND, _THIRD)  # the statements that lead to version 1, 2, ...


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
    return connection.execute(f"PRAGMA {name}").fetchone()[0]
