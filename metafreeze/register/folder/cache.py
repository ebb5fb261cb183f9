"""A cache of analyses by data, plan, seed and version. It may be deleted at any time."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

from metafreeze.register.folder.disk import write_whole

RESULTS_FOLDER = "results"


def cache_path(folder: Path, name: str, key: str) -> Path:
    """Give the file of one cached result; its name is a hash, whatever `name` and `key` are."""
    digest = hashlib.sha256(json.dumps([name, key]).encode()).hexdigest()
    return folder / RESULTS_FOLDER / f"{digest}.cache"


def read_cached(folder: Path, name: str, key: str) -> bytes | None:
    """Read a cached result.

    Parameters
    ----------
    folder : Path
        The register.
    name, key : str
        The analysis, and everything that its result depends on.

    Returns
    -------
    bytes or None
        None where there is none, or its bytes are not those that were written.
    """
    try:
        content = cache_path(folder, name, key).read_bytes()
    except OSError:
        return None
    digest, _, payload = content.partition(b"\n")
    return payload if digest == hashlib.sha256(payload).hexdigest().encode() else None


def write_cached(folder: Path, name: str, key: str, payload: bytes) -> bool:
    """Keep a result for later.

    Parameters
    ----------
    folder : Path
        The register.
    name, key : str
        As for `read_cached`.
    payload : bytes
        The result, such as JSON or Parquet; never a pickle, since a register travels.

    Returns
    -------
    bool
        False where the folder cannot be written; an analysis goes on without its cache.
    """
    path = cache_path(folder, name, key)
    try:
        path.parent.mkdir(exist_ok=True)
        write_whole(path, hashlib.sha256(payload).hexdigest().encode() + b"\n" + payload)
    except OSError:
        return False
    return True
