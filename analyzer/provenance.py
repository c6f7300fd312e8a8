"""What a result depends on: the log's bytes, what the car file, setup file and channel map say, and the code.

Two analyses with the same `Provenance` give the same result, so that one of them need not be done again.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Protocol

from analyzer import __version__
from analyzer.errors import InputError

if TYPE_CHECKING:
    from analyzer.logs.recording import Recording
    from analyzer.vehicle.car import Car

_CHUNK = 1 << 20
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), allow_nan=False)
# rooms that no number of an analysis comes from; what only words a result is not in its provenance
_BESIDE = ("advice", "batch", "cli", "comparison", "logbook", "planning", "presentation", "simulation")


class Readable(Protocol):
    """What gives bytes: a file, an upload."""

    def read(self, size: int, /) -> bytes:
        """The next bytes, `size` at the most; none at the end."""


@dataclass(frozen=True)
class Provenance:
    """What one result was made from; hashes are SHA-256 in hex.

    Attributes
    ----------
    log_sha256 : of the log's bytes, as they are on disk; of several logs, of their hashes.
    car_sha256, setup_sha256, channels_sha256 : of what the files say, not of how they are written (comments and order
        do not count); None where none was given.
    code : version of the program with the start of a hash over its source.
    """

    log_sha256: str
    car_sha256: str
    setup_sha256: str | None
    channels_sha256: str | None
    code: str

    @property
    def key(self) -> str:
        """One hash over all of it."""
        return hash_content(vars(self))


def provenance(
    *,
    log_path: Path | str | None = None,
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
) -> Provenance:
    """The provenance of an analysis of these files by this code.

    Parameters
    ----------
    log_path : None leaves its hash empty, for whoever works it out as the log is read.

    Raises
    ------
    InputError : a file cannot be read, or says what it may not.
    """
    return Provenance(
        log_sha256="" if log_path is None else hash_file(log_path),
        car_sha256=settings_hash("car", car_path),
        setup_sha256=None if setup_path is None else settings_hash("setup", setup_path),
        channels_sha256=None if channels_path is None else settings_hash("channels", channels_path),
        code=code_version(),
    )


def settings_hash(kind: str, path: Path | str) -> str:
    """Hash of what a `car`, `setup` or `channels` file says.

    Raises
    ------
    InputError : the file cannot be read, or says what it may not.
    """
    from analyzer.differential.setup import load_setup  # settings take longer to import than a list of runs
    from analyzer.logs.mapping import load_channel_map
    from analyzer.vehicle.car import load_car

    if kind == "car":
        return hash_content(load_car(path).model_dump(mode="json"))
    if kind == "setup":
        return hash_content(load_setup(path).model_dump(mode="json"))
    channel_map = load_channel_map(path)
    entries = {name: entry.model_dump(mode="json") for name, entry in channel_map.channels.items()}
    return hash_content({"channels": entries, "log": channel_map.log.model_dump(mode="json")})


def figures_hash(car: "Car") -> str:
    """Hash of a car file's figures, that a tyre or a sensor pose is relative to: not of its name, of how sure it is, or
    of where the tyre's fit begins."""
    return hash_content(car.model_dump(mode="json", exclude={"name", "uncertainty", "tyre"}))


def recording_hash(recording: "Recording") -> str:
    """Hash of what a log holds, whatever the file it came in: of its times, rear wheel speeds and steer."""
    import numpy as np

    digest = hashlib.sha256()
    channels = (recording.channels.get(name) for name in ("wheel_speed_rl", "wheel_speed_rr", "steer"))
    for values in (recording.time_s, *channels):
        if values is not None:
            digest.update(np.ascontiguousarray(values, dtype=np.float32).tobytes())
    return digest.hexdigest()


def hash_content(value: Any) -> str:
    """SHA-256 of plain data (dicts, lists, strings, finite numbers, None); the order of keys does not count."""
    return hashlib.sha256(_ENCODER.encode(value).encode("utf-8")).hexdigest()


def hash_of_logs(hashes: Sequence[str]) -> str:
    """One hash of the logs of a run, in their order; of a single one its own."""
    return hashes[0] if len(hashes) == 1 else hash_content(list(hashes))


def hash_file(path: Path | str) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    InputError : the file cannot be read.
    """
    try:
        with open(path, "rb") as stream:
            return hash_stream(stream)
    except OSError as error:
        raise InputError(f"{Path(path).name}: cannot be read ({error.strerror}); check the path.") from None


def hash_stream(stream: Readable, *, copy: BinaryIO | None = None) -> str:
    """SHA-256 of what is left in a stream, in bounded memory; the bytes go to `copy` as well."""
    digest = hashlib.sha256()
    while chunk := stream.read(_CHUNK):
        digest.update(chunk)
        if copy is not None:
            copy.write(chunk)
    return digest.hexdigest()


@cache
def code_version() -> str:
    """Version of the program, with a hash over the source of every room a result comes from."""
    root = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        place = path.relative_to(root)
        if path.suffix in (".py", ".json") and place.parts[0] not in _BESIDE:
            digest.update(place.as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return f"{__version__}+{digest.hexdigest()[:12]}"
