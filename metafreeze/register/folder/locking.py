"""One writer at a time; readers need no lock, since parts never change."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from metafreeze.errors import RegisterError
from metafreeze.register.folder.disk import disk_trouble_explained

LOCK_NAME = ".lock"
HOLDER_NAME = ".writer"

# Long enough for a queue of writers with large sheets, short enough to be told today.
WAIT_S = 60.0


@contextmanager
def one_writer(folder: Path, *, wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold the register's lock while the block runs.

    The system drops the lock when its holder dies, so a killed writer blocks nobody.

    Parameters
    ----------
    folder : Path
        The register.
    wait_s : float
        How long to wait for another writer.

    Raises
    ------
    RegisterError
        Another writer holds the lock for longer; the message names it.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(folder / LOCK_NAME, timeout=wait_s)
    holder = folder / HOLDER_NAME
    with disk_trouble_explained(f"The register {folder.name} could not be locked"):
        try:
            lock.acquire()
        except Timeout:
            raise RegisterError(
                f"{_describe_holder(holder)} is writing to the register {folder.name}. "
                f"This process ({os.getpid()}) waited {wait_s:g} s for it. "
                "Let the other one finish, or end it, and try again."
            ) from None
        except NotImplementedError as unsupported:
            raise RegisterError(
                f"The disk of the register {folder.name} cannot lock files. "
                "Copy the register to a disk of this machine, and write there."
            ) from unsupported
    try:
        # Who holds the lock is a courtesy to those who wait; writing goes on without it.
        with suppress(OSError):
            holder.write_text(
                json.dumps({"process": os.getpid(), "host": socket.gethostname()}), "utf-8"
            )
        yield
    finally:
        with suppress(OSError):
            holder.unlink(missing_ok=True)
        lock.release()


def _describe_holder(holder: Path) -> str:
    try:
        known = json.loads(holder.read_text("utf-8"))
        return f"Process {int(known['process'])} on {known['host']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "Another process"
