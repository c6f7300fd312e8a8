"""The logbook's SQLite database: one connection, every write in a transaction, errors in words."""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from analyzer.errors import InputError
from analyzer.logbook.schema import migrate

NAME = "logbook.sqlite"
WAIT_S = 60.0  # for another process's transaction


class Database:
    """A connection that threads share; other processes are kept apart by SQLite's own locks.

    Raises
    ------
    InputError : the file cannot be opened, is no logbook, or is a newer version's.
    """

    def __init__(self, folder: Path) -> None:
        self._name = str(folder)
        self._lock = threading.RLock()
        with self._errors():
            self._connection = sqlite3.connect(
                folder / NAME, timeout=WAIT_S, isolation_level=None, check_same_thread=False
            )
            with ExitStack() as unless_open:
                unless_open.callback(self._connection.close)
                self._connection.row_factory = sqlite3.Row
                self._connection.execute("PRAGMA journal_mode = WAL")
                self._connection.execute("PRAGMA synchronous = FULL")  # what was reported done outlives a power cut
                self._connection.execute("PRAGMA foreign_keys = ON")
                migrate(self._connection, self._name)
                unless_open.pop_all()

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A write transaction; it is the only one of all processes while it lasts. Rolled back when the body raises.

        Raises
        ------
        InputError : another process holds the database for too long, the disk is full, the database is damaged.
        """
        with self._lock, self._errors():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            finally:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Several queries that see one state of the database.

        Raises
        ------
        InputError : as `transaction`.
        """
        with self._lock, self._errors():
            self._connection.execute("BEGIN")
            try:
                yield self._connection
            finally:
                self._connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query.

        Raises
        ------
        InputError : as `transaction`.
        """
        with self._lock, self._errors():
            return self._connection.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> sqlite3.Row | None:
        """The first row of a query, or None."""
        return next(iter(self.rows(sql, values)), None)

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.OperationalError as error:
            raise InputError(
                f"{self._name}: the logbook cannot be used just now ({error}); see that the disk has space and that "
                "no other program holds it, then try again."
            ) from None
        except sqlite3.IntegrityError:
            raise  # a fault of this program, not of the user
        except sqlite3.DatabaseError as error:
            raise InputError(f"{self._name}: the logbook's database is damaged ({error}); restore a copy.") from None
