"""Compiles the inner loops with numba when it is installed (extra `fast`), and leaves them plain Python otherwise.

The loops are written on scalars and tuples, so that both ways give the same numbers to rounding. Compiled code is kept
on disk in a folder named after the source of all loops: numba itself looks only at the file of each function, and would
run a stale copy of what that function calls.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path

try:
    import numba
except ImportError:
    numba = None

IS_COMPILED = numba is not None
_HERE = Path(__file__).parent


def _kept_code_folder() -> Path | None:
    """Where compiled loops are kept: beside the source, else in the user's cache, else nowhere."""
    source = b"".join(path.read_bytes() for path in sorted(_HERE.glob("*.py")))
    name = f"loops-{hashlib.sha256(source).hexdigest()[:12]}"
    for parent in (_HERE / "__pycache__", Path("~/.cache/halfshaft")):
        try:
            folder = parent.expanduser() / name
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "writable").touch()
        except (OSError, RuntimeError):  # the latter of a user without a home
            continue
        return folder
    return None


_FOLDER = _kept_code_folder() if IS_COMPILED else None


def compiled(function: Callable) -> Callable:
    """`function`, compiled on its first call."""
    if numba is None:
        return function
    if _FOLDER is None:
        return numba.njit(function)
    before, numba.config.CACHE_DIR = numba.config.CACHE_DIR, str(_FOLDER)
    try:
        return numba.njit(cache=True)(function)
    finally:
        numba.config.CACHE_DIR = before
