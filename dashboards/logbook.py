"""The logbook folder: uploaded files and analysed runs. Every name that comes from outside is checked here, so that
no path can lead out of the folder."""

import json
import re
import secrets
import shutil
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import BinaryIO

from analyzer.analysis import Analysis
from analyzer.errors import InputError
from analyzer.files import write_atomic
from dashboards import analysis_files

UPLOAD_LIMIT_BYTES = 1_000_000_000
KINDS = {  # kind of upload -> (endings allowed, words)
    "log": ((".csv", ".csv.gz", ".txt", ".parquet", ".feather", ".arrow", ".mf4", ".mdf"), "a log"),
    "car": ((".toml",), "a car file"),
    "setup": ((".toml",), "a setup file"),
}
SAMPLES = {"log": "baseline.parquet", "car": "club_car.toml", "setup": "baseline.setup.toml"}
KEPT_IN_MEMORY = 4
_ID = re.compile(r"[0-9a-f]{16}")
_CHUNK = 1 << 20


@dataclass(frozen=True)
class StoredFile:
    """An uploaded or shipped file. `key` is what pages pass around, never a path."""

    key: str
    name: str
    path: Path


@dataclass(frozen=True)
class Run:
    """One analysed (or failed, or running) log. `state`: waiting, running, done, failed, cancelled."""

    id: str
    log_name: str
    car_name: str
    setup_name: str | None
    state: str
    step: str
    share: float
    message: str
    started: float


class Logbook:
    """Files under one folder: `files/<kind>/<id>/<name>` and `runs/<id>/`."""

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder).resolve()
        self._memory: OrderedDict[str, Analysis] = OrderedDict()
        self._lock = threading.Lock()
        try:
            for part in ("runs", *(f"files/{kind}" for kind in KINDS)):
                (self.folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"--logbook {folder}: the folder cannot be made ({error.strerror}); name another."
            ) from None

    # files

    def store(self, kind: str, filename: str, stream: BinaryIO, length: int | None) -> StoredFile:
        """Stream an upload to disk.

        Raises
        ------
        InputError : kind, ending or size is not allowed; nothing is left behind.
        """
        if kind not in KINDS:
            raise InputError(f"'{kind}' is no kind of upload; allowed: {', '.join(KINDS)}.")
        name = safe_name(filename)
        endings, words = KINDS[kind]
        if not name.casefold().endswith(endings):
            raise InputError(f"{name}: does not end like {words}; allowed: {', '.join(endings)}. Choose another file.")
        if length is not None and length > UPLOAD_LIMIT_BYTES:
            raise InputError(_too_large(name, length))
        key = secrets.token_hex(8)
        target = self.folder / "files" / kind / key
        target.mkdir()
        size = 0
        try:
            with (target / name).open("wb") as file:
                while chunk := stream.read(_CHUNK):
                    size += len(chunk)
                    if size > UPLOAD_LIMIT_BYTES:
                        raise InputError(_too_large(name, size))
                    file.write(chunk)
            if not size:
                raise InputError(f"{name}: is empty; choose the file that your logger or editor wrote.")
        except OSError as error:
            shutil.rmtree(target, ignore_errors=True)
            raise InputError(f"{name}: could not be stored ({error.strerror}); free some space.") from None
        except InputError:
            shutil.rmtree(target, ignore_errors=True)
            raise
        return StoredFile(key, name, target / name)

    def remove(self, kind: str, key: str) -> None:
        """Take an upload out again (it did not pass its check)."""
        shutil.rmtree(self.file(kind, key).path.parent, ignore_errors=True)

    def file(self, kind: str, key: str) -> StoredFile:
        """The stored file of a key; `sample` is the shipped one.

        Raises
        ------
        InputError : no such file.
        """
        if key == "sample" and kind in SAMPLES:
            path = Path(str(resources.files("sample_logs"))) / SAMPLES[kind]
            return StoredFile(key, path.name, path)
        if kind in KINDS and _ID.fullmatch(key):
            for path in sorted((self.folder / "files" / kind / key).glob("*")):
                return StoredFile(key, path.name, path)
        raise InputError("the file chosen is not in the logbook any more; choose it again.")

    def files(self, kind: str) -> list[StoredFile]:
        """All stored files of a kind, newest first, the shipped sample last."""
        folders = sorted((self.folder / "files" / kind).iterdir(), key=lambda p: p.stat().st_mtime, reverse=True)
        stored = [StoredFile(f.name, p.name, p) for f in folders for p in f.glob("*")]
        return [*stored, self.file(kind, "sample")]

    # runs

    def run_folder(self, run_id: str) -> Path:
        """The folder of a run.

        Raises
        ------
        InputError : no such run (also for anything that is not an id).
        """
        if _ID.fullmatch(run_id) and (self.folder / "runs" / run_id / "job.json").is_file():
            return self.folder / "runs" / run_id
        raise InputError("there is no such run in this logbook; go back to the start page and choose one.")

    def new_run(self, *, log_key: str, car_key: str, setup_key: str | None, channel_map: str | None = None) -> str:
        """Make the folder of a run and write what is to be done; returns the id.

        Raises
        ------
        InputError : a file chosen is not there.
        """
        log, car = self.file("log", log_key), self.file("car", car_key)
        setup = self.file("setup", setup_key) if setup_key else None
        run_id = secrets.token_hex(8)
        folder = self.folder / "runs" / run_id
        folder.mkdir()
        channels = None
        if channel_map is not None and channel_map.strip():
            channels = folder / "channels.toml"
            write_atomic(channels, channel_map)
        job = {
            "log": str(log.path),
            "car": str(car.path),
            "setup": str(setup.path) if setup else None,
            "channels": str(channels) if channels else None,
            "keys": {"log": log_key, "car": car_key, "setup": setup_key},
            "names": {"log": log.name, "car": car.name, "setup": setup.name if setup else None},
            "started": time.time(),
        }
        write_atomic(folder / "job.json", json.dumps(job))
        self.set_status(run_id, state="waiting")
        return run_id

    def new_comparison(self, before_id: str, after_id: str) -> str:
        """Make the folder of a comparison of two finished runs; returns its id, which runs like a run's.

        Raises
        ------
        InputError : no such runs, or they cannot be compared.
        """
        before, after = self.job(before_id), self.job(after_id)
        if before_id == after_id:
            raise InputError("Before and after are the same run; choose two.")
        if Path(before["car"]).read_bytes() != Path(after["car"]).read_bytes():
            raise InputError(
                "The two runs were analysed with different car files; analyse both with one, then compare."
            )
        maps = [Path(j["channels"]).read_text("utf-8") if j["channels"] else None for j in (before, after)]
        if maps[0] != maps[1]:
            raise InputError("The two runs were read with different channel maps; a comparison takes one for both.")
        made = secrets.token_hex(8)
        folder = self.folder / "runs" / made
        folder.mkdir()
        job = {"kind": "comparison", "before": before, "after": after, "started": time.time()}
        write_atomic(folder / "job.json", json.dumps(job))
        self.set_status(made, state="waiting")
        return made

    def comparison(self, comparison_id: str) -> dict | None:
        """The comparison's result as its JSON, or None when it is not done."""
        path = self.run_folder(comparison_id) / "comparison.json"
        return json.loads(path.read_text("utf-8")) if path.is_file() else None

    def set_status(self, run_id: str, *, state: str, step: str = "", share: float = 0.0, message: str = "") -> None:
        """Note how far a run is."""
        status = {"state": state, "step": step, "share": share, "message": message}
        write_atomic(self.run_folder(run_id) / "status.json", json.dumps(status))

    def job(self, run_id: str) -> dict:
        """What a run was asked to do."""
        return json.loads((self.run_folder(run_id) / "job.json").read_text("utf-8"))

    def run(self, run_id: str) -> Run:
        """One run with its state."""
        folder, job = self.run_folder(run_id), self.job(run_id)
        status = json.loads((folder / "status.json").read_text("utf-8"))
        names = job.get("names", {"log": "comparison", "car": "", "setup": None})
        return Run(run_id, names["log"], names["car"], names["setup"], started=job["started"], **status)

    def runs(self) -> Iterator[Run]:
        """All runs, newest first; comparisons are not among them."""
        folders = [p for p in (self.folder / "runs").iterdir() if (p / "status.json").is_file()]
        found = [self.run(p.name) for p in folders if "kind" not in self.job(p.name)]
        return iter(sorted(found, key=lambda run: -run.started))

    def check(self, run_id: str) -> dict | None:
        """What the log check found, as its JSON, or None when it did not get that far."""
        path = self.run_folder(run_id) / "check.json"
        return json.loads(path.read_text("utf-8")) if path.is_file() else None

    def analysis(self, run_id: str) -> Analysis:
        """The analysis of a run; the last few are kept in memory.

        Raises
        ------
        InputError : no such run, or it is not finished.
        """
        folder = self.run_folder(run_id)
        with self._lock:
            if run_id not in self._memory:
                self._memory[run_id] = analysis_files.load(folder)
            self._memory.move_to_end(run_id)
            while len(self._memory) > KEPT_IN_MEMORY:
                self._memory.popitem(last=False)
            return self._memory[run_id]


def safe_name(filename: str) -> str:
    """The last part of a file name with only letters, digits, dot, dash and underscore, not hidden, not too long."""
    last = re.split(r"[/\\]", filename)[-1]
    clean = re.sub(r"[^\w.\-]+", "_", last).lstrip(".")
    return clean[-120:] or "file"


def _too_large(name: str, size: int) -> str:
    return f"{name}: is {size / 1e9:.1f} GB; allowed: up to 1 GB. Export a shorter stretch or fewer channels."
