"""How fast the register reads and takes in, beside the libraries it stands on.

Run as: python tests/benchmarks/register.py [read] [add]

Every ratio is measured side by side in one run. Bars: reading 1,000,000 rows in 100 parts
at most 2 times pyarrow's own read of the same files to pandas; checking and adding a
clean CSV of 100,000 rows at most 8 times pandas.read_csv on it; peak memory of that at
most 4 times the table. The table is the one that the register then gives back.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parent.parent))

from checked_sheets import write_sheet

from metafreeze.register.answers import Answers
from metafreeze.register.folder.store import Register, create_register
from metafreeze.register.schema import arrow_schema

PARTS, ROWS_A_PART = 100, 10_000
CSV_ROWS = 100_000
REPEATS = 5
SEED = 20240117

WORDS = {
    "record_level": ["run"],
    "lab_id": ["north kitchen", "barn", "school"],
    "vessel_material": ["glass beaker", "steel cup", "paper cup"],
    "sink_type": ["freezer"],
    "lid": ["open", "loose", "sealed"],
    "endpoint": ["t_solid", "t_first_ice"],
    "source_id": ["trials.csv"],
    "file_name": ["trials.csv"],
}


def table_of(rows: int, rng: np.random.Generator, label: str) -> pa.Table:
    """Give runs as a lively sheet has them: 16 columns filled, the others empty."""
    time_s = rng.lognormal(8, 0.3, rows)
    filled: dict[str, pa.Array] = {
        "block_id": pa.array(rng.integers(0, rows // 12 + 1, rows).astype(str)),
        "run_id": pa.array([f"{label}-{k}" for k in range(rows)]),
        "start_temp_c": pa.array(rng.uniform(5, 95, rows).round(1)),
        "sink_temp_c": pa.array(rng.normal(-18, 1, rows).round(2)),
        "water_mass_start_g": pa.array(rng.normal(100, 2, rows).round(2)),
        "insertion_order": pa.array(rng.integers(1, 13, rows)),
        "time_lower_s": pa.array(time_s),
        "time_upper_s": pa.array(
            np.where(rng.random(rows) < 0.1, np.nan, time_s), from_pandas=True
        ),
        "file_row": pa.array(np.arange(2, rows + 2)),
    }
    for name, words in WORDS.items():
        filled[name] = pa.array(rng.choice(words, rows))
    columns = [
        filled[f.name].cast(f.type) if f.name in filled else pa.nulls(rows, f.type)
        for f in arrow_schema()
    ]
    return pa.table(columns, schema=arrow_schema())


def take_table(register: Register, folder: Path, table: pa.Table, name: str) -> None:
    """Take a table in as if it had been checked."""
    from dataclasses import replace

    check, path = write_sheet(folder, [], name=name)
    bins = pa.repeat(pa.scalar("used"), table.num_rows)
    check = replace(check, rows=table, bins=bins, ledger={"used": table.num_rows})
    register._take([(check, Answers(), ())], [path], answers=Answers(), replace=False)


def best(*functions: Callable[[], object]) -> list[float]:
    """Time functions in turn, several rounds; give the fastest round of each, in seconds."""
    taken = [[] for _ in functions]
    for _ in range(REPEATS):
        for times, function in zip(taken, functions, strict=True):
            start = time.perf_counter()
            function()
            times.append(time.perf_counter() - start)
    return [min(times) for times in taken]


def read(folder: Path) -> None:
    """Read a large register."""
    rng = np.random.default_rng(SEED)
    register = create_register(folder / "large", primary_endpoint="t_solid")
    for number in range(PARTS):
        label = f"{number:03d}"
        name = f"{label}.csv"
        take_table(register, folder, table_of(ROWS_A_PART, rng, label), name)
    files = sorted(str(p) for p in (register.path / "rows").glob("*.parquet"))
    size = sum(Path(f).stat().st_size for f in files) / 1e6
    rows = register.rows()
    print(
        f"register: {len(rows):,} rows, {len(rows.columns)} columns, {PARTS} parts, {size:.0f} MB"
    )
    del rows

    def pyarrow_alone() -> object:
        return pq.read_table(files).to_pandas()

    theirs, ours = best(pyarrow_alone, register.rows)
    print(f"pyarrow to pandas {theirs:.2f} s, register {ours:.2f} s", end=": ")
    print(f"ratio {ours / theirs:.2f} (bar 2)")


CLEAN = {
    "lab": "lab_id",
    "batch": "block_id",
    "run": "run_id",
    "start_temp_c": "start_temp_c",
    "sink_temp_c": "sink_temp_c",
    "vessel": "vessel_material",
    "water_mass_start_g": "water_mass_start_g",
    "endpoint": "endpoint",
    "time_s": "time_lower_s",
}


def write_clean_sheet(path: Path) -> None:
    """Write a sheet as the way in likes it best."""
    table = table_of(CSV_ROWS, np.random.default_rng(SEED), "r")
    frame = pd.DataFrame({h: table[f].to_pandas() for h, f in CLEAN.items()})
    frame.round(3).to_csv(path, index=False)


# The peak is reset when all is loaded, so that it is the work's own; Linux only.
MEMORY = """
import re, sys
from pathlib import Path
import metafreeze.register.intake
from metafreeze.register.folder.store import open_register
def now(name):
    return 1024 * int(re.search(name + r":\\s*(\\d+)", Path("/proc/self/status").read_text())[1])
small, sheet, *paths = sys.argv[1:]
for path in paths:
    register = open_register(path)
    Path("/proc/self/clear_refs").write_text("5")
    before = now("VmRSS")
    register.add(small if path == paths[0] else sheet)
    used = now("VmHWM") - before
print(used)
"""


def add(folder: Path) -> None:
    """Check and add a clean sheet."""
    from metafreeze.register.intake import check_file

    sheet = folder / "clean.csv"
    write_clean_sheet(sheet)
    made = iter(range(10**6))

    def fresh() -> Register:
        return create_register(folder / f"{next(made)}", primary_endpoint="t_solid")

    register = fresh()
    register.add(sheet)
    table = register.rows().memory_usage(deep=True).sum()
    check = check_file(sheet, answers=Answers())
    empty = [fresh() for _ in range(2 * REPEATS)]

    def store_only() -> object:
        checked = [(check, Answers(), ())]
        return empty.pop()._take(checked, [sheet], answers=Answers(), replace=False)

    csv_s, check_s, store_s, both_s = best(
        lambda: pd.read_csv(sheet),
        lambda: check_file(sheet, answers=Answers()),
        store_only,
        lambda: empty.pop().add(sheet),
    )
    print(
        f"clean CSV: {CSV_ROWS:,} rows, {len(CLEAN)} columns, {sheet.stat().st_size / 1e6:.1f} MB"
    )
    print(f"pandas.read_csv {csv_s:.3f} s")
    print(f"checking        {check_s:.3f} s: ratio {check_s / csv_s:.1f}")
    print(f"storing         {store_s:.3f} s: ratio {store_s / csv_s:.1f} (aim 2)")
    print(f"add, both       {both_s:.3f} s: ratio {both_s / csv_s:.1f} (bar 8)")
    frame = pd.read_csv(sheet).memory_usage(deep=True).sum()
    small = folder / "small.csv"
    small.write_text("".join(sheet.read_text().splitlines(keepends=True)[:20]))
    registers = [fresh(), fresh()]
    words = [str(small), str(sheet), *(str(r.path) for r in registers)]
    peak = subprocess.run(
        [sys.executable, "-c", MEMORY, *words], check=True, capture_output=True, text=True
    )
    used = int(peak.stdout)
    assert len(registers[-1].rows()) == CSV_ROWS
    print(f"peak memory {used / 1e6:.0f} MB", end="; ")
    for what, size in (("rows of the register", table), ("pandas.read_csv's table", frame)):
        print(f"{what} {size / 1e6:.0f} MB, ratio {used / size:.2f} (bar 4)", end="; ")
    print()


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["read", "add"]
    with tempfile.TemporaryDirectory() as place:
        for task in wanted:
            {"read": read, "add": add}[task](Path(place))
