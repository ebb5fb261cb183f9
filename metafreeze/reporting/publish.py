"""``mf.report``: a register's results, composed and written."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from metafreeze.analysis.against import compare_bundles
from metafreeze.analysis.bundle import Bundle, as_plain, gather, settings_of
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
    tables : dict of str to DataFrame
        The tables beside them.
    files : tuple of Path
        What was written.
    answered : bool
        Whether the question could be estimated.
    """

    content: Report
    results: dict[str, Any]
    tables: dict[str, pd.DataFrame]
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
    against: Bundle | Register | None = None,
    against_name: str = "",
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
    against : Register or Bundle, optional
        Another register, or a report that `read_report` gave, to set beside this one.
    against_name : str
        What to call it; the register's title by default.

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
    if against is not None:
        bundle = beside(bundle, against, name=against_name, seed=seed)
    return publish(bundle, out)


def beside(here: Bundle, there: Bundle | Register, *, name: str = "", seed: int = 1) -> Bundle:
    """Add to results what differs from another register or report.

    Parameters
    ----------
    here : Bundle
        The results that are written.
    there : Bundle or Register
        A report, or a register, which is asked its own question.
    name : str
        What to call the other; its title by default.
    seed : int
        Seed of the other register's results.

    Returns
    -------
    Bundle
    """
    if not isinstance(there, Bundle):
        there = gather(there, settings_of(there, seed=seed))
    found = compare_bundles(here.results, here.tables["rows"], there.results, there.tables["rows"])
    name = name or there.results["register"]["title"] or "the other"
    values = as_plain({"there": name, **found.to_dict()})
    return Bundle(
        results={**here.results, "against": values},
        tables={**here.tables, "against-rows": found.rows},
    )


def publish(bundle: Bundle, out: str | os.PathLike[str]) -> Published:
    """Compose and write a report from results, whether they were just made or read back.

    Parameters
    ----------
    bundle : Bundle
        All numbers and tables.
    out : path
        Folder of the report; made where it is missing.

    Returns
    -------
    Published

    Raises
    ------
    OSError
        The folder cannot be written; an earlier report is still there.
    """
    content = compose_report(bundle.results, bundle.tables)
    files = write_report(content, bundle.results, bundle.tables, Path(out))
    return Published(
        content=content,
        results=bundle.results,
        tables=bundle.tables,
        files=files,
        answered=bundle.answered,
    )
