"""A process that adds sheets to a register, one after the other, and says each when it stands.

Run as: python register_writer.py REGISTER NAME COUNT ROWS
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from checked_sheets import run, take

from metafreeze.register.store import open_register


def sheet(name: str, rows: int) -> list[dict[str, object]]:
    """Give runs that no other sheet has."""
    return [run(20.0 + k, 2400.0 + k, run_id=f"{name}-{k}") for k in range(rows)]


def main(path: str, name: str, count: int, rows: int) -> None:
    register = open_register(path)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            label = f"{name}-{number:04d}"
            entry = take(register, Path(folder), sheet(label, rows), name=f"{label}.csv")
            print(label, entry.id, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
