"""Where a command takes a register it also takes sheets."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from metafreeze.register.answers import Answers
    from metafreeze.register.folder.store import Entry, Register

MARK_OF_A_REGISTER = "register.toml"


def is_register(path: str) -> bool:
    """Tell a register's folder from a sheet."""
    return (Path(path) / MARK_OF_A_REGISTER).is_file()


@contextmanager
def opened(sources: Sequence[str], answers: Answers) -> Iterator[Register]:
    """Open a register, or take sheets into one that is gone afterwards.

    Parameters
    ----------
    sources : sequence of str
        One register, or any number of sheets.
    answers : Answers
        Answers to what the sheets leave open.

    Yields
    ------
    Register

    Raises
    ------
    UsageError
        Registers and sheets are mixed, or a path is a folder without a register.
    """
    from metafreeze.errors import UsageError
    from metafreeze.register.files.sheets import shown_name
    from metafreeze.register.folder.store import create_register, open_register

    if len(sources) == 1 and Path(sources[0]).is_dir():
        yield open_register(sources[0])
        return
    folders = [s for s in sources if Path(s).is_dir()]
    if folders:
        raise UsageError(
            f"{folders[0]} is a folder among sheets. Name one register, or sheets only; "
            f"metafreeze add REGISTER {folders[0]} takes one register into another."
        )
    with tempfile.TemporaryDirectory(prefix="metafreeze-") as folder:
        register = create_register(
            Path(folder) / "register",
            title=Path(shown_name(Path(sources[0]))).stem.replace("_", " "),
            primary_endpoint=answers.endpoint,
            lab=answers.lab,
        )
        take(register, sources, answers)
        yield register


def take(
    register: Register, sources: Sequence[str], answers: Answers, *, replace: bool = False
) -> Entry:
    """Add files, asking what they leave open where somebody can answer.

    Parameters
    ----------
    register : Register
        Takes the files.
    sources : sequence of str
        Files.
    answers : Answers
        What was answered on the command line.
    replace : bool
        Whether corrected rows supersede the earlier ones.

    Returns
    -------
    Entry
        What changed.
    """
    from metafreeze.cli.questions import ask
    from metafreeze.errors import InputError

    while True:
        try:
            return register.add(sources, answers=answers, replace=replace)
        except InputError as refused:
            answers = ask(refused, answers)


def choose_register(path: str) -> str:
    """Refuse a path that holds no register, naming the command that makes one."""
    if not is_register(path):
        raise click.UsageError(f"{path} holds no register. Make one: metafreeze new {path}")
    return path
