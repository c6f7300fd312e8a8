"""A logbook folder, opened: its database and its files. Opening and reading write nothing; the first write takes the
folder, finishes what killed processes left, and brings database and sidecars up to date."""

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any

from analyzer.errors import InputError
from analyzer.files import require_outside_logbooks
from analyzer.logbook import sidecars
from analyzer.logbook.database import ENDINGS, Damaged, Database, connected
from analyzer.logbook.folder import (
    DATABASE,
    MARKER,
    MARKER_TEXT,
    PLACES,
    Placing,
    checked,
    is_logbook,
    named_few,
    remove,
    to_disk,
)

MAKE_HERE = "--make-logbook"  # the option by which a user says that a folder with other things shall be a logbook


class Store:
    """An open logbook; close it, or use it in a `with`.

    `files/<kind>/<id>/<name>` are the files as they came, each with its sidecar `files/<kind>/<id>.json`,
    `parquet/<id>.parquet` the logs as Parquet, `results/<name>/` the arrays of results, `logbook.sqlite` everything
    else, `lost/` what was in the way.

    Parameters
    ----------
    folder : made when it is missing or empty, unless `must_exist`.
    make_here : the user's word that a folder which holds other things shall be a logbook; they stay.

    Attributes
    ----------
    notes : what a user should know of how the logbook was found: it is new, or its database is lost.

    Raises
    ------
    InputError : the folder cannot be made, or holds other things and is no logbook.
    """

    def __init__(self, folder: Path | str, *, must_exist: bool = False, make_here: bool = False) -> None:
        self.folder = Path(os.path.realpath(folder))
        self.notes: list[str] = []
        self.placing = Placing(self.folder)
        self._leaving: list[Path] = []
        self._database = Database(self.folder, lambda connection: self._rebuild(connection))
        try:
            if self._is_to_be_made(folder, must_exist=must_exist, make_here=make_here):
                self._make()
                self.begin_writing()
                self.notes.append(f"{folder}: made a new logbook.")
            else:
                self.rows("SELECT 1")  # a database that is lost, of another program or too new is said at once
        except OSError as error:
            self.close()
            raise InputError(
                f"--logbook {folder}: the folder cannot be made ({error.strerror}); name another."
            ) from None
        except BaseException:
            self.close()
            raise

    def begin_writing(self) -> None:
        """Take the folder for writing, unless that was done; every transaction and staging begins with it.

        Raises
        ------
        InputError : the folder cannot be written, or the database is another program's or a newer version's.
        """
        with self._database.lock:
            if self._database.writes:
                return
            try:
                for place in PLACES:
                    (self.folder / place).mkdir(parents=True, exist_ok=True)
                with self.placing.opening():
                    self._bring_up_to_date(rebuilt=self._open_database())
            except OSError as error:
                self.placing.close()
                raise InputError(
                    f"{self.folder}: the logbook cannot be written ({error.strerror or error}); check its permissions "
                    "and that the disk has space."
                ) from None
            except BaseException:
                self.placing.close()
                raise

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A write transaction, the only one of all processes while it lasts; sidecars follow what it changes."""
        self.begin_writing()
        with self._database.lock:
            self._leaving = []
            try:
                with self._database.transaction() as connection:
                    yield connection
                    self._write_sidecars(connection)
            except BaseException:
                with suppress(InputError, OSError), self.reading() as connection:
                    self.placing.undo(_named(connection))
                raise
            for path in self._leaving:
                remove(path)
            self.placing.finished()

    def discard(self, path: Path) -> None:
        """Remove, once the transaction that this is called in is done, what its rows do not name any more."""
        self.placing.write_down([path])
        self._leaving.append(path)

    def reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """Several queries that see one state of the logbook."""
        return self._database.reading()

    def rows(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query."""
        return self._database.rows(sql, values)

    def row(self, sql: str, values: Sequence[Any] | dict[str, Any] = ()) -> sqlite3.Row | None:
        """The first row of a query, or None."""
        return next(iter(self.rows(sql, values)), None)

    @contextmanager
    def staging(self) -> Iterator[Path]:
        """An empty folder for what is about to go into the logbook."""
        self.begin_writing()
        with self.placing.staging() as folder:
            yield folder

    def arrays(self, name: str) -> Path:
        """The folder of a result's arrays."""
        return self.folder / "results" / checked(name)

    def strangers(self) -> list[Path]:
        """What lies among the logbook's files and is not the logbook's; it is never touched."""
        with self.reading() as connection:
            named = _named(connection)
        found = []
        for place in ("files", *PLACES):
            folder = self.folder / place
            for name in sorted(os.listdir(folder)) if folder.is_dir() else ():
                if f"{place}/{name}" not in named and f"{place}/{name}" not in PLACES:
                    found.append(folder / name)
        return [*found, *self.placing.strangers()]

    def tidy(self) -> list[tuple[Path, Path]]:
        """Move what is not the logbook's into `lost`; gives (from, to) of each."""
        self.begin_writing()
        with self.transaction():
            return [(path, self.placing.set_aside(path)) for path in self.strangers()]

    def close(self) -> None:
        """Close the database and give the folder back."""
        self._database.close()
        self.placing.close()

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # finding and making

    def _is_to_be_made(self, given: Path | str, *, must_exist: bool, make_here: bool) -> bool:
        """Whether a logbook is to be made here; refuses a folder that is to stay as it is."""
        if self.folder.is_dir() and is_logbook(self.folder):
            return False
        if must_exist and not self.folder.is_dir():
            raise InputError(f"{given}: there is no such logbook; `halfshaft logbook add` makes one.")
        there = sorted(path.name for path in self.folder.iterdir()) if os.path.lexists(self.folder) else []
        if must_exist:
            found = f"it holds {named_few(there)}" if there else "it is empty"
            raise InputError(f"{given}: is no logbook, {found}; name the logbook's folder.")
        require_outside_logbooks(self.folder)
        if DATABASE in there:
            self.rows("SELECT 1")  # another program's is refused before anything is made here
        if there and not make_here:
            raise InputError(
                f"{given}: is no logbook and not empty, it holds {named_few(there)}; name a new folder, or say "
                f"{MAKE_HERE} to keep a logbook among these files."
            )
        return True

    def _make(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        with suppress(FileExistsError), (self.folder / MARKER).open("x", encoding="utf-8") as file:
            file.write(MARKER_TEXT)

    # opening for writing

    def _open_database(self) -> bool:
        """Open the database for writing; True when it had to be rebuilt."""
        try:
            self._database.begin_writing(may_be_empty=not self._holds_files())
            return False
        except Damaged as error:
            self._replace_database(error)
            return True

    def _replace_database(self, damage: Damaged) -> None:
        """Build a new database from the stored files, whole before it takes the place of the damaged one."""
        path = self.folder / DATABASE
        with self.placing.staging() as folder:
            new = folder / DATABASE
            connection = connected(new, str(self.folder))
            try:
                rebuilt = sidecars.rebuild(connection, self.folder)
            finally:
                connection.close()
            to_disk(new)
            kept = [
                self.placing.set_aside(there)
                for ending in ENDINGS
                if os.path.lexists(there := path.with_name(path.name + ending))
            ]
            os.replace(new, path)
        where = f" What was left of it is {kept[0].relative_to(self.folder)}." if kept else ""
        self.notes = [f"{self.folder}: {DATABASE} {damage}. {_sentence(rebuilt.words())}.{where}"]
        self._database.begin_writing(may_be_empty=False)

    def _rebuild(self, connection: sqlite3.Connection) -> None:
        """Rebuild what is read from; the database itself waits for the next command that writes."""
        if not self._holds_files():
            return  # made a moment ago, and not yet written to
        rebuilt = sidecars.rebuild(connection, self.folder)
        self.notes = [
            f"{self.folder}: the database {DATABASE} is lost or damaged. {_sentence(rebuilt.words())} for now; the "
            "next command that writes, such as `halfshaft logbook update`, writes it anew and keeps the old one."
        ]

    def _holds_files(self) -> bool:
        return any(path for place in PLACES for path in (self.folder / place).glob("*"))

    def _bring_up_to_date(self, *, rebuilt: bool) -> None:
        with self._database.transaction() as connection:
            self.placing.finish_for_the_dead(_named(connection), keep=rebuilt)
            self.placing.place_texts(dict(sidecars.outdated(connection, self.folder)))
            sidecars.watch(connection)
        self.placing.finished()
        marker = self.folder / MARKER
        if not marker.is_file() or not marker.stat().st_size:
            marker.write_text(MARKER_TEXT, "utf-8")

    def _write_sidecars(self, connection: sqlite3.Connection) -> None:
        texts = {}
        for file_id, kind in sidecars.take_touched(connection).items():
            path, text = sidecars.sidecar(self.folder, kind, file_id), sidecars.sidecar_text(connection, file_id)
            if text is None:
                self.discard(path)
            else:
                texts[path] = text
        self.placing.place_texts(texts)


def _named(connection: sqlite3.Connection) -> set[str]:
    """The places that a row names, as paths inside the folder."""
    named = set()
    for row in connection.execute("SELECT id, kind, parquet FROM files"):
        named |= {f"files/{row['kind']}/{row['id']}", f"files/{row['kind']}/{row['id']}.json"}
        if row["parquet"]:
            named.add(f"parquet/{row['id']}.parquet")
    named |= {f"results/{row['folder']}" for row in connection.execute("SELECT folder FROM results WHERE folder <> ''")}
    return named


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
