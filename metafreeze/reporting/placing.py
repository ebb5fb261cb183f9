"""A report's folder changes as a whole: it is built beside and swapped in with one call.

Where a folder cannot be swapped (somebody stands in it, a disk is mounted there, it holds more
than a report, or the system has no such call), the new files are moved in one by one from a
folder whose name says that they are whole. Whoever reads or writes next goes by those.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from metafreeze.register.folder.disk import sync_folder

PREFIX, PARTIAL = ".report.", ".partial"
# Every file in it is whole, and takes precedence over the one of its name outside.
READY = ".report.ready"
FOLDERS = ("figures", "tables")

_AT_WORKING_FOLDER = -100
_EXCHANGE = 2


@contextmanager
def put_in_place(out: Path) -> Iterator[Path]:
    """Give a private folder to fill, and show what stands in it once the block has run.

    Parameters
    ----------
    out : Path
        Where the files are to be found; made where it is missing. Other files in it stay.

    Yields
    ------
    Path
        An empty folder that only this user can open.

    Raises
    ------
    OSError
        The folder cannot be written; what stood there is still there.
    """
    target = out.resolve()
    target.parent.mkdir(parents=True, exist_ok=True)
    finish(target)
    # By its name's digest: a name may be as long as the disk takes.
    own = f"{PREFIX}{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:12]}."
    whole = not target.exists() or _can_be_swapped(target)
    home, prefix = (target.parent, own) if whole else (target, PREFIX)
    private = Path(tempfile.mkdtemp(prefix=prefix, suffix=PARTIAL, dir=home))
    try:
        _clean(target.parent, own, private)
        _clean(target, PREFIX, private)
        new = private / "report"
        new.mkdir()
        yield new
        for folder in (new, *(path for path in new.rglob("*") if path.is_dir())):
            sync_folder(folder)
        if whole and not target.exists():
            new.rename(target)
        elif not (whole and _swap(new, target)):
            new.rename(target / READY)
            sync_folder(target)
            finish(target)
        sync_folder(target.parent)
    finally:
        shutil.rmtree(private, ignore_errors=True)


def finish(target: Path) -> None:
    """Move in what an interrupted writer had ready.

    Parameters
    ----------
    target : Path
        A report's folder; nothing is done where nothing is ready.
    """
    ready = target / READY
    if not ready.is_dir():
        return
    for path in sorted(path for path in ready.rglob("*") if path.is_file()):
        final = target / path.relative_to(ready)
        final.parent.mkdir(parents=True, exist_ok=True)
        path.replace(final)
    for folder in (target, *(target / name for name in FOLDERS if (target / name).is_dir())):
        sync_folder(folder)
    shutil.rmtree(ready)


def where_it_stands(folder: Path, name: str) -> Path:
    """Give the path of a report's file, also while an interrupted writer's are not moved in.

    Parameters
    ----------
    folder : Path
        A report's folder.
    name : str
        Path of the file inside it.

    Returns
    -------
    Path
    """
    ready = folder / READY / name
    return ready if ready.is_file() else folder / name


def _can_be_swapped(target: Path) -> bool:
    """Tell a folder that holds a report and plain files, and that nobody would miss."""
    if sys.platform != "linux" or os.path.ismount(target) or _stand_in(target):
        return False
    if not all(os.access(folder, os.W_OK) for folder in (target, target.parent)):
        return False
    if target.stat().st_uid != os.geteuid():
        return False
    inside = [target, *(target / name for name in FOLDERS if (target / name).is_dir())]
    return all(
        (path.is_file() or path in inside) and not path.is_symlink()
        for folder in inside
        for path in folder.iterdir()
        if not path.name.startswith(PREFIX)
    )


def _stand_in(target: Path) -> bool:
    """Tell whether this process works in the folder: its name would lead elsewhere then."""
    here = Path.cwd()
    return target == here or target in here.parents


def _swap(new: Path, target: Path) -> bool:
    """Exchange two folders in one step; other files go along under both names until then."""
    written = {path.relative_to(new) for path in new.rglob("*") if path.is_file()}
    try:
        exchange = ctypes.CDLL(None, use_errno=True).renameat2
        shutil.copymode(target, new)
        _carry(target, new, written)
    except (AttributeError, OSError):
        return False
    at = ctypes.c_int(_AT_WORKING_FOLDER)
    if exchange(at, os.fsencode(new), at, os.fsencode(target), ctypes.c_uint(_EXCHANGE)):
        return False
    # What was saved there since.
    _carry(new, target, written)
    return True


def _carry(old: Path, new: Path, written: set[Path]) -> None:
    for path in old.rglob("*"):
        name = path.relative_to(old)
        there = new / name
        if name in written or not path.is_file():
            continue
        if there.exists() and path.samefile(there):
            continue
        there.parent.mkdir(exist_ok=True)
        there.unlink(missing_ok=True)
        os.link(path, there)


def _clean(home: Path, prefix: str, mine: Path) -> None:
    """Remove what killed writers left: each under a new name first, so that none is swapped in."""
    for place, path in enumerate(home.glob(f"{prefix}*{PARTIAL}")):
        if path != mine and path.is_dir() and not path.is_symlink():
            with suppress(FileNotFoundError):  # another writer takes it away as well
                path.rename(mine / f"left-{place}")
