"""Writing that survives a crash: whole or absent, and on the disk before anyone is told.

Every write of the register goes through this file, so that one place decides what is
synced and what an `OSError` means to a person.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from metafreeze.errors import RegisterError

# Names of files that are still being written; a reader never opens them.
UNFINISHED = re.compile(r"\..+\.\d+\.new")

_CHUNK_BYTES = 1 << 20

# One system would otherwise turn line breaks into two bytes.
_BINARY = getattr(os, "O_BINARY", 0)
_NEW_FILE = os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY

_REMEDIES = {
    errno.ENOSPC: "The disk is full. Free some space and try again",
    errno.EDQUOT: "Your share of the disk is used up. Free some space and try again",
    errno.EFBIG: "The disk takes no larger file. Free some space or use another disk",
    errno.EROFS: "The disk is read-only. Copy the register to a place where you may write",
    errno.EACCES: "You may not write there. Copy the register to a place where you may, "
    "or change the folder's permissions",
    errno.EPERM: "You may not write there. Copy the register to a place where you may, "
    "or change the folder's permissions",
}


@contextmanager
def disk_trouble_explained(doing: str) -> Iterator[None]:
    """Turn an `OSError` into a `RegisterError` that says what to do.

    Parameters
    ----------
    doing : str
        What failed, as the beginning of a sentence: "The entry could not be written".

    Raises
    ------
    RegisterError
        In place of the `OSError`, which stays attached as its cause.
    """
    try:
        yield
    except OSError as trouble:
        reason = trouble.strerror or str(trouble)
        remedy = _REMEDIES.get(
            trouble.errno or 0, "Look after the disk and the folder, and try again"
        )
        raise RegisterError(f"{doing}: {reason}. {remedy}. Nothing was changed.") from trouble


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that its name shows either the old content or the whole new one.

    Parameters
    ----------
    path : Path
        File to write or replace.
    content : bytes
        All of it.
    """
    with _unfinished(path) as temporary:
        handle = os.open(temporary, _NEW_FILE, 0o666)
        try:
            _write_all(handle, content)
            os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(temporary, path)  # noqa: PTH105 - one place to intercept in fault tests
    sync_folder(path.parent)


def copy_whole(source: Path, target: Path) -> str:
    """Copy a file as `write_whole` writes one, in pieces, and hash what was copied.

    Parameters
    ----------
    source, target : Path
        From where, to where; `target` appears only once it is whole.

    Returns
    -------
    str
        SHA-256 of the copied bytes, in hexadecimal.
    """
    digest = hashlib.sha256()
    with _unfinished(target) as temporary:
        handle = os.open(temporary, _NEW_FILE, 0o666)
        try:
            with source.open("rb") as stream:
                while piece := stream.read(_CHUNK_BYTES):
                    digest.update(piece)
                    _write_all(handle, piece)
            os.fsync(handle)
        finally:
            os.close(handle)
        os.replace(temporary, target)  # noqa: PTH105 - as above
    sync_folder(target.parent)
    return digest.hexdigest()


def append_line(path: Path, line: bytes, *, keep_bytes: int) -> None:
    """Append a line and wait until it is on the disk; undo a line that got there in part.

    Parameters
    ----------
    path : Path
        File to append to; made where there is none.
    line : bytes
        The line with its line break.
    keep_bytes : int
        Length of the whole lines; what follows them is the rest of an interrupted
        write, and goes.
    """
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | _BINARY, 0o666)
    try:
        os.ftruncate(handle, keep_bytes)
        os.lseek(handle, keep_bytes, os.SEEK_SET)
        try:
            _write_all(handle, line)
            os.fsync(handle)
        except BaseException:
            # Also on Ctrl-C: a line is either acknowledged or gone.
            with suppress(OSError):
                os.ftruncate(handle, keep_bytes)
            raise
    finally:
        os.close(handle)
    if keep_bytes == 0:
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Put a folder's list of names on the disk, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def hash_file(path: Path) -> str:
    """Give the SHA-256 of a file in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sweep_unfinished(folder: Path) -> None:
    """Remove what dead writers left half-written; call it only under the lock."""
    for path in folder.iterdir():
        if UNFINISHED.fullmatch(path.name):
            path.unlink(missing_ok=True)


@contextmanager
def _unfinished(path: Path) -> Iterator[Path]:
    """Name the file beside `path` that will become it; remove it if it does not."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.new")
    temporary.unlink(missing_ok=True)
    try:
        yield temporary
    except BaseException:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise


def _write_all(handle: int, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[os.write(handle, view) :]
