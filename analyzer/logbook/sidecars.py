"""What the database says of a stored file, kept beside the file as JSON, so that a lost database is rebuilt from them.

`files/<kind>/<id>.json` beside the folder `files/<kind>/<id>` holds the file's rows of each table in `TABLES`;
`results/<name>/about.json` those of a result, and `result.json` its text.
"""

import json
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from analyzer.errors import InputError
from analyzer.files import open_regular
from analyzer.in_words import counted
from analyzer.logbook.folder import KINDS, is_id, named_few, safe_name
from analyzer.provenance import hash_stream, settings_hash

# table -> its column with the id of a stored file; a table that lacks here does not come back
TABLES = {"files": "id", "runs": "id", "more_logs": "run_id"}
ABOUT, TEXT = "about.json", "result.json"  # of a result


def sidecar(folder: Path, kind: str, file_id: str) -> Path:
    """Where the sidecar of a stored file is."""
    return folder / "files" / kind / f"{file_id}.json"


def watch(connection: sqlite3.Connection) -> None:
    """Have a connection note, from here on, of which stored files its transactions change rows."""
    connection.execute("CREATE TEMP TABLE touched (id TEXT, kind TEXT)")
    for table, column in TABLES.items():
        for event, row in (("INSERT", "NEW"), ("UPDATE", "NEW"), ("DELETE", "OLD")):
            kind = f"{row}.kind" if table == "files" else "NULL"
            connection.execute(
                f"CREATE TEMP TRIGGER touched_{table}_{event} AFTER {event} ON main.{table} "
                f"BEGIN INSERT INTO touched VALUES ({row}.{column}, {kind}); END"
            )


def take_touched(connection: sqlite3.Connection) -> dict[str, str]:
    """Id -> kind of the stored files whose rows changed in this transaction."""
    rows = connection.execute(
        "SELECT touched.id, coalesce(files.kind, max(touched.kind)) AS kind FROM temp.touched "
        "LEFT JOIN files ON files.id = touched.id GROUP BY touched.id"
    ).fetchall()
    connection.execute("DELETE FROM temp.touched")
    return {row["id"]: row["kind"] for row in rows if row["kind"] is not None}


def sidecar_text(connection: sqlite3.Connection, file_id: str) -> str | None:
    """The sidecar of a stored file; None where no row is of it any more."""
    rows = {
        table: [dict(row) for row in connection.execute(f"SELECT * FROM {table} WHERE {column} = ?", (file_id,))]
        for table, column in TABLES.items()
    }
    return json.dumps(rows, indent=1, ensure_ascii=False) + "\n" if rows["files"] else None


def outdated(connection: sqlite3.Connection, folder: Path) -> Iterator[tuple[Path, str]]:
    """Each sidecar that is missing or says something else than the database, with what it should say."""
    for row in connection.execute("SELECT id, kind FROM files").fetchall():
        path, text = sidecar(folder, row["kind"], row["id"]), sidecar_text(connection, row["id"])
        if text is not None and (not path.is_file() or path.read_bytes() != text.encode()):
            yield path, text


def title_of(kind: str, path: Path) -> str:
    """What a car or setup calls itself; one without a name goes by its file's.

    Raises
    ------
    InputError : the file says what it may not.
    """
    if kind not in ("car", "setup"):
        return path.name
    from analyzer.differential.setup import load_setup  # settings take longer to import than a list of runs
    from analyzer.vehicle.car import load_car

    said = load_car(path) if kind == "car" else load_setup(path)
    return said.name if "name" in said.model_fields_set else path.name


@dataclass
class Rebuilt:
    """What came back into a database: numbers of runs and results, and logs whose car is not known any more."""

    runs: int = 0
    results: int = 0
    without_car: list[str] = field(default_factory=list)

    def words(self) -> str:
        """For the user."""
        said = f"{counted(self.runs, 'run')} and {counted(self.results, 'result')} came back from the stored files"
        if self.without_car:
            said += (
                f"; with which car these logs were driven is not known any more: {named_few(self.without_car)} "
                "(add them again with `halfshaft logbook add LOG --car CAR`)"
            )
        return said


def rebuild(connection: sqlite3.Connection, folder: Path) -> Rebuilt:
    """Fill a new database from what is stored in a logbook's folder; nothing there is changed.

    Parameters
    ----------
    connection : in autocommit mode, to an empty database of the newest version.
    """
    done = Rebuilt()
    sidecars: list[dict[str, Any]] = []
    logs: dict[str, str] = {}
    connection.execute("BEGIN")
    for kind in KINDS:
        for place in _entries(folder / "files" / kind):
            if not is_id(place.name) or not place.is_dir():
                continue
            rows = _read(sidecar(folder, kind, place.name))
            row = _file_row(kind, place, rows)
            if row is None:
                continue
            row["parquet"] = int((folder / "parquet" / f"{place.name}.parquet").is_file())
            if _inserted(connection, "files", row):
                sidecars.append(rows)
                if kind == "log":
                    logs[row["id"]] = row["name"]
    for table in [name for name in TABLES if name != "files"]:
        for rows in sidecars:
            for row in _rows(rows, table):
                if _inserted(connection, table, row) and table == "runs":
                    done.runs += 1
                    logs.pop(row["id"], None)
    for place in _entries(folder / "results"):
        row = _read(place / ABOUT)
        text = place / TEXT
        if row.get("folder") == place.name and text.is_file():
            done.results += _inserted(connection, "results", {**row, "result": text.read_text("utf-8")})
    connection.execute("COMMIT")
    done.without_car = sorted(logs.values())
    return done


def _entries(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if not path.is_symlink()) if folder.is_dir() else []


def _read(path: Path) -> dict[str, Any]:
    """The object in a JSON file; empty where there is none."""
    try:
        with open_regular(path) as stream:
            found = json.loads(stream.read(1_000_000))
    except (InputError, OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _rows(rows: dict[str, Any], table: str) -> list[dict[str, Any]]:
    found = rows.get(table)
    return [row for row in found if isinstance(row, dict)] if isinstance(found, list) else []


def _file_row(kind: str, place: Path, rows: dict[str, Any]) -> dict[str, Any] | None:
    """The row of a stored file: as its sidecar says where that fits the file, else from the file itself."""
    inside = [path for path in _entries(place) if path.is_file() and path.name == safe_name(path.name)]
    if len(inside) != 1:
        return None
    path = inside[0]
    state = os.stat(path)
    for row in _rows(rows, "files"):
        if (row.get("id"), row.get("kind"), row.get("name")) == (place.name, kind, path.name):
            if row.get("size_bytes") == state.st_size:
                return row
    try:
        with open_regular(path) as stream:
            sha256 = hash_stream(stream)
        if sha256[:16] != place.name:
            return None
        return {
            "id": place.name,
            "kind": kind,
            "sha256": sha256,
            "content_sha256": sha256 if kind == "log" else settings_hash(kind, path),
            "name": path.name,
            "title": title_of(kind, path),
            "size_bytes": state.st_size,
            "added_s": state.st_mtime,
        }
    except InputError:
        return None


def _inserted(connection: sqlite3.Connection, table: str, row: dict[str, Any]) -> bool:
    """Insert what a row says of the columns that there are; False where the database does not take it."""
    columns = [found["name"] for found in connection.execute(f"PRAGMA table_info({table})") if found["name"] in row]
    marks = ", ".join("?" for _ in columns)
    try:
        connection.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", [row[name] for name in columns]
        )
    except sqlite3.Error:  # a sidecar that somebody changed
        return False
    return True
