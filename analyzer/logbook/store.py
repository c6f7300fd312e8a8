"""A logbook folder, opened: its database, its files, and nothing that a killed process left behind."""

import sqlite3
from collections.abc import Container, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import Any

from analyzer.errors import InputError
from analyzer.logbook.database import Database
from analyzer.logbook.names import KINDS, checked
from analyzer.logbook.placing import Placing


class Store:
    """An open logbook; close it, or use it in a `with`.

    `files/<kind>/<id>/<name>` are the files as they came, `parquet/<id>.parquet` the logs as Parquet,
    `results/<name>/` the arrays of results, `logbook.sqlite` everything else.

    Parameters
    ----------
    folder : made when missing, unless `must_exist`.

    Raises
    ------
    InputError : the folder cannot be made or is no logbook.
    """

    def __init__(self, folder: Path | str, *, must_exist: bool = False) -> None:
        self.folder = Path(folder).resolve()
        if must_exist and not self.folder.is_dir():
            raise InputError(f"{folder}: there is no such logbook; `halfshaft logbook add` makes one.")
        self.placing = Placing(self.folder)
        places = (*(f"files/{kind}" for kind in KINDS), "parquet", "results")
        try:
            for place in places:
                (self.folder / place).mkdir(parents=True, exist_ok=True)
            with ExitStack() as unless_open, self.placing.opening():
                unless_open.callback(self.placing.close)
                self._database = Database(self.folder)
                unless_open.callback(self._database.close)
                self._clean()
                unless_open.pop_all()
        except OSError as error:
            raise InputError(
                f"--logbook {folder}: the folder cannot be made ({error.strerror}); name another."
            ) from None

    def transaction(self) -> AbstractContextManager[sqlite3.Connection]:
        """A write transaction, the only one of all processes while it lasts."""
        return self._database.transaction()

    def reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """Several queries that see one state of the logbook."""
        return self._database.reading()

    def rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query."""
        return self._database.rows(sql, values)

    def row(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> sqlite3.Row | None:
        """The first row of a query, or None."""
        return self._database.row(sql, values)

    @contextmanager
    def staging(self) -> Iterator[Path]:
        """An empty folder for what is about to go into the logbook."""
        with self.placing.staging() as folder:
            yield folder

    def arrays(self, name: str) -> Path:
        """The folder of a result's arrays."""
        return self.folder / "results" / checked(name)

    def close(self) -> None:
        """Close the database and give the folder back."""
        self._database.close()
        self.placing.close()

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _clean(self) -> None:
        with self.transaction() as connection:
            files = {(row["kind"], row["id"]): row["parquet"] for row in connection.execute("SELECT * FROM files")}
            results = {row["folder"] for row in connection.execute("SELECT folder FROM results")}
            kept = {f"{file_id}.parquet" for (_, file_id), parquet in files.items() if parquet}
            places: dict[Path, Container[str]] = {}
            for kind in KINDS:
                places[self.folder / "files" / kind] = {name for of_kind, name in files if of_kind == kind}
            places[self.folder / "parquet"], places[self.folder / "results"] = kept, results
            self.placing.clean(places)
