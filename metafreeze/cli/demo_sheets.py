"""Where the invented sheets lie: inside the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

import metafreeze
from metafreeze.errors import UsageError

# The order in which the sheets arrived.
ARRIVAL = (
    "kelp_quay.csv",
    "larch_hut.csv",
    "tide_lab.xlsx",
    "fern_kitchen.csv",
    "gull_store.txt",
    "north_yard.xlsx",
    "bell_rink.csv",
    "salt_barn.csv",
    "old_dairy.csv",
    "mill_school.csv",
    "ash_table.csv",
    "brook_figure.csv",
)


def demo_sheets() -> list[Path]:
    """List the sheets of the invented network in the order in which they arrived.

    Returns
    -------
    list of Path

    Raises
    ------
    UsageError
        The sheets are not where the package keeps them.
    """
    package = Path(metafreeze.__file__).parent
    for folder in (package / "datasets", package.parent / "datasets"):
        sheets = folder / "demo" / "sheets"
        if sheets.is_dir():
            return [sheets / name for name in ARRIVAL]
    raise UsageError("The invented sheets are missing. Install metafreeze again.")
