"""A process that adds sheets to a register, one after the other, and says each when it stands.

Run as: python register_writer.py REGISTER NAME COUNT ROWS
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from metafreeze.register.folder.store import open_register


def write_sheet(path: Path, label: str, rows: int) -> Path:
    """Write runs that no other sheet has."""
    lines = [f"{label}-{k},{20 + k},{40 + k / 8}\n" for k in range(rows)]
    path.write_text("".join(["run,start (°C),freeze time (min)\n", *lines]), "utf-8")
    return path


def main(path: str, name: str, count: int, rows: int) -> None:
    """Add sheet after sheet; the word for each is out before the next begins."""
    register = open_register(path)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            label = f"{name}-{number:04d}"
            entry = register.add(write_sheet(Path(folder, f"{label}.csv"), label, rows))
            print(label, entry.id, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
