"""``mf.report``: a register's results, composed and written."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from metafreeze.analysis.bundle import gather, settings_of
from metafreeze.reporting.compose import compose_report
from metafreeze.reporting.content import Report
from metafreeze.reporting.files import write_report

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Published:
    """A report that was written.

    Parameters
    ----------
    content : Report
        What it says; shows itself in a terminal and a notebook.
    results : dict
        All numbers.
    files : tuple of Path
        What was written.
    answered : bool
        Whether the question could be estimated.
    """

    content: Report
    results: dict[str, Any]
    files: tuple[Path, ...]
    answered: bool

    def __str__(self) -> str:
        return str(self.content)

    def _repr_html_(self) -> str:
        return self.content._repr_html_()


def report(
    register: Register,
    *,
    out: str | os.PathLike[str],
    endpoint: str = "",
    pair: tuple[float, float] | None = None,
    without: Sequence[str] = (),
    draws: int = 50,
    seed: int = 1,
) -> Published:
    """Write a register's report: one HTML file, one PDF, the data and all numbers.

    Parameters
    ----------
    register : Register
        The data.
    out : path
        Folder of the report; made where it is missing.
    endpoint : str
        The endpoint that is answered; the register's primary one by default.
    pair : tuple of float, optional
        Hot and cold start temperature, °C.
    without : sequence of str
        Studies to leave out.
    draws, seed : int
        Draws of uncertain physics, and the seed of all randomness.

    Returns
    -------
    Published

    Raises
    ------
    InputError
        An unknown endpoint or study.
    OSError
        The folder cannot be written; an earlier report is still there.
    """
    settings = settings_of(
        register,
        endpoint=endpoint,
        pair=pair,
        without=tuple(without),
        draws=draws,
        seed=seed,
    )
    bundle = gather(register, settings)
    content = compose_report(bundle.results, bundle.tables)
    files = write_report(content, bundle.results, bundle.tables, Path(out))
    return Published(content=content, results=bundle.results, files=files, answered=bundle.answered)
