"""The files of a logbook: logs byte for byte, cars, setups and channel maps. The same bytes are kept once."""

import io
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path

from analyzer.errors import InputError
from analyzer.logbook.folder import KINDS, checked, is_id, safe_name, to_disk
from analyzer.logbook.sidecars import title_of
from analyzer.logbook.store import Store
from analyzer.provenance import Readable, hash_stream, settings_hash


@dataclass(frozen=True)
class StoredFile:
    """A file in a logbook.

    Attributes
    ----------
    id : the start of its SHA-256; what pages and commands pass around, never a path.
    title : what a car or a setup calls itself; the file name for others.
    sha256 : of its bytes. `content_sha256` : of what it says (comments do not count).
    logbook : the folder that it is in. `has_parquet` : it is a log and there as Parquet as well.
    """

    id: str
    kind: str
    name: str
    title: str
    sha256: str
    content_sha256: str
    size_bytes: int
    logbook: Path
    has_parquet: bool

    # paths when they are asked for: a list of thousands of runs shows none
    @property
    def path(self) -> Path:
        """Where it is."""
        return self.logbook / f"files/{self.kind}/{self.id}/{self.name}"

    @property
    def parquet(self) -> Path | None:
        """Where the log is as Parquet, or None."""
        return self.logbook / f"parquet/{self.id}.parquet" if self.has_parquet else None


@dataclass(frozen=True)
class Staged:
    """A file that is on the disk but not yet in the logbook."""

    kind: str
    name: str
    title: str
    sha256: str
    content_sha256: str
    size_bytes: int
    folder: Path

    @property
    def id(self) -> str:
        """The id it has in the logbook."""
        return self.sha256[:16]

    @property
    def path(self) -> Path:
        """Where it is now."""
        return self.folder / self.name


def stage(kind: str, filename: str, stream: Readable, folder: Path) -> Staged:
    """Write a stream into a folder and check it; a log is not opened.

    Parameters
    ----------
    kind : `log`, or of a settings file `car`, `setup` or `channels`.
    filename : as the person's file is called; what no file may be called is taken out.
    stream : read to its end.
    folder : of `Store.staging`, with nothing of this kind in it yet.

    Raises
    ------
    InputError : empty, or a settings file that says what it may not.
    """
    name = safe_name(filename)
    inside = folder / kind
    inside.mkdir()
    with (inside / name).open("wb") as file:
        sha256 = hash_stream(stream if kind == "log" else _small(stream, name), copy=file)
        size = file.tell()
    if not size:
        raise InputError(f"{name}: is empty; choose the file that your logger or editor wrote.")
    content = sha256 if kind == "log" else settings_hash(kind, inside / name)
    title = title_of(kind, inside / name)
    to_disk(inside)
    return Staged(kind, name, title, sha256, content, size, inside)


def _small(stream: Readable, name: str) -> io.BytesIO:
    """A settings file's bytes, refused before a huge one is copied."""
    from analyzer.settings_file import LARGEST_BYTES

    content = b""
    while chunk := stream.read(LARGEST_BYTES + 1 - len(content)):
        content += chunk
    if len(content) > LARGEST_BYTES:
        raise InputError(
            f"{name}: is larger than {LARGEST_BYTES / 1e6:g} MB, so it is no settings file; choose another."
        )
    return io.BytesIO(content)


def place(store: Store, connection: sqlite3.Connection, staged: Staged) -> str:
    """Put a staged file in its place, unless the same bytes are there; returns its id. Inside a transaction.

    Raises
    ------
    InputError : another file has the same id (it must have been made for that).
    """
    there = connection.execute("SELECT kind, sha256 FROM files WHERE id = ?", (staged.id,)).fetchone()
    if there is not None:
        if (there["kind"], there["sha256"]) != (staged.kind, staged.sha256):
            raise InputError(f"{staged.name}: is in the logbook as {KINDS[there['kind']]}; choose another file.")
        return staged.id
    store.placing.place(staged.folder, store.folder / "files" / staged.kind / staged.id)
    connection.execute(
        "INSERT INTO files (id, kind, sha256, content_sha256, name, title, size_bytes, added_s) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            staged.id,
            staged.kind,
            staged.sha256,
            staged.content_sha256,
            staged.name,
            staged.title,
            staged.size_bytes,
            time.time(),
        ),
    )
    return staged.id


def keep(store: Store, kind: str, filename: str, stream: Readable) -> StoredFile:
    """Put one file into the logbook, unless the same bytes are there.

    Parameters
    ----------
    kind, filename, stream : as in `stage`.

    Raises
    ------
    InputError : as `stage`; nothing is left behind.
    """
    with store.staging() as folder:
        staged = stage(kind, filename, stream, folder)
        with store.transaction() as connection:
            place(store, connection, staged)
    return file(store, kind, staged.id)


def file(store: Store, kind: str, file_id: str) -> StoredFile:
    """A file by its id.

    Raises
    ------
    InputError : there is none.
    """
    row = store.row("SELECT * FROM files WHERE id = ? AND kind = ?", (file_id, kind)) if is_id(file_id) else None
    if row is None:
        raise InputError("the file chosen is not in the logbook any more; choose it again.")
    return stored_file(store, row)


def files(store: Store, kind: str) -> list[StoredFile]:
    """All files of a kind, newest first."""
    rows = store.rows("SELECT * FROM files WHERE kind = ? ORDER BY added_s DESC, id", (kind,))
    return [stored_file(store, row) for row in rows]


def drop(store: Store, kind: str, file_id: str) -> None:
    """Take out a file that nothing uses.

    Raises
    ------
    InputError : there is none, or a run uses it.
    """
    stored = file(store, kind, file_id)
    try:
        with store.transaction() as connection:
            connection.execute("DELETE FROM files WHERE id = ?", (file_id,))
            forget(store, stored)
    except sqlite3.IntegrityError:
        raise InputError(f"{stored.name}: a run in the logbook uses it; remove the run first.") from None


def forget(store: Store, stored: StoredFile) -> None:
    """Remove what a row named, once the transaction that removes the row is done. Inside that transaction."""
    store.discard(stored.path.parent)
    if stored.parquet is not None:
        store.discard(stored.parquet)


def stored_file(store: Store, row: sqlite3.Row) -> StoredFile:
    """The file that a row of the table `files` says."""
    return StoredFile(
        checked(row["id"]),
        checked(row["kind"]),
        checked(row["name"]),
        row["title"],
        row["sha256"],
        row["content_sha256"],
        row["size_bytes"],
        logbook=store.folder,
        has_parquet=bool(row["parquet"]),
    )
