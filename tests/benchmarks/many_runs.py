"""A logbook of many runs of one car, as a few seasons leave it, made of one analysed run.

Every run has a log, a result and a word of its own: rows and files are copies under other names. The logs themselves
are not there, for listing never looks into them.
"""

import json
import sqlite3
from pathlib import Path

from analyzer.logbook import add, results
from analyzer.logbook.database import DATABASE
from analyzer.logbook.store import Store

from .long_log import CAR, LOG

CAR_NAME = "invented club car"
DAY_S = 86_400.0
FIRST_DAY_S = 1.6e9


def write_book(folder: Path, runs: int) -> str:
    """A logbook of so many runs, a day apart; the id of one that is whole."""
    with Store(folder) as store:
        run = add.add(store, LOG, car_path=CAR, date_s=FIRST_DAY_S).run
        add.analyse_now(store, run)
        found = results.result_of(store, run)
        assert found is not None and found.folder is not None
        told = json.loads((store.arrays(found.folder) / results.TOLD).read_text("utf-8"))
        places = [store.arrays(f"{k:016x}") for k in range(1, runs)]
    for k, place in enumerate(places, 1):
        place.mkdir()
        (place / results.TOLD).write_text(json.dumps(told | {"logs": [f"{k:064x}"]}), "utf-8")
    with sqlite3.connect(folder / DATABASE) as connection:
        for table, own in (
            ("files", {"id": "{k:016x}", "sha256": "{k:064x}", "content_sha256": "{k:064x}", "name": "run{k}.parquet"}),
            ("runs", {"id": "{k:016x}", "date_s": None}),
            ("results", {"id": "{k:016x}", "run_id": "{k:016x}", "folder": "{k:016x}"}),
        ):
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            copied = ", ".join("?" if name in own else name for name in columns)
            of = run.id if table != "results" else found.id
            rows = [
                (*(FIRST_DAY_S + DAY_S * k if own[n] is None else own[n].format(k=k) for n in columns if n in own), of)
                for k in range(1, runs)
            ]
            connection.executemany(
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {copied} FROM {table} WHERE id = ?", rows
            )
    return found.id
