"""Rows that stand twice: exact repeats are counted once, contradictions are reported."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.meaning.findings import Findings, list_rows
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.schema import FIELD

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

# What tells the outcomes of one run apart from each other and from those of other runs.
_KEY = (
    "lab_id",
    "source_id",
    "block_id",
    "run_id",
    "specimen_id",
    "refreeze_index",
    "arm",
    "vessel_material",
    "position_id",
    "insertion_order",
    "sham",
    "endpoint",
    "threshold_c",
    "residual_from_c",
    "residual_endpoint",
    "at_time_s",
)

# Where a row stands is not what it says.
_WHERE_FROM = frozenset(("file_row", "file_name", "sheet_name", "invented"))

# Starts this far apart are different levels, not two readings of one.
OTHER_LEVEL_K = 2.0

# Share of the repeated run names that must differ in start before numbering restarts.
RESTARTS = 0.5


class _All:
    """The rows of all drafts of a file, end to end."""

    def __init__(self, drafts: Sequence[Draft]) -> None:
        self.drafts = drafts
        self.sizes = [d.n for d in drafts]
        self.first = np.cumsum([0, *self.sizes])
        self.n = int(self.first[-1])

    def column(self, name: str) -> pa.Array:
        """Give one column, nulls where a draft has none."""
        if FIELD[name].kind in ("number", "integer"):
            values = np.concatenate([d.numbers(name) for d in self.drafts])
            return pa.array(values, mask=np.isnan(values))
        kind = pa.bool_() if FIELD[name].kind == "boolean" else pa.string()
        parts = [d.columns.get(name, pa.nulls(d.n, kind)) for d in self.drafts]
        parts = [p.combine_chunks() if isinstance(p, pa.ChunkedArray) else p for p in parts]
        return pa.concat_arrays(parts)

    def names(self) -> list[str]:
        """List the columns that any draft has."""
        return list(dict.fromkeys(name for d in self.drafts for name in d.columns))

    def place(self, at: int) -> tuple[Draft, int]:
        """Give the draft and the place in it of a row."""
        which = int(np.searchsorted(self.first, at, side="right")) - 1
        return self.drafts[which], at - int(self.first[which])

    def file_row(self, at: int) -> int:
        """Give the row in the file."""
        draft, place = self.place(at)
        return int(draft.table.file_rows[draft.record[place]])


def settle_repeats(drafts: Sequence[Draft], findings: Findings) -> None:
    """Find rows that stand twice in a file, and report what cannot both be true.

    Parameters
    ----------
    drafts : sequence of Draft
        All rows of the file; repeats are moved to the bin `duplicate`.
    findings : Findings
        Receives notes and errors.
    """
    rows = _All(drafts)
    if rows.n < 2:
        return
    kept = np.concatenate([d.kept for d in drafts])
    single = pc.fill_null(pc.equal(rows.column("record_level"), "run"), False)
    use = kept & single.to_numpy(zero_copy_only=False)
    run_id = rows.column("run_id")
    labelled = pc.is_valid(run_id).to_numpy(zero_copy_only=False)
    timed = pc.is_valid(rows.column("time_lower_s")).to_numpy(zero_copy_only=False)
    nameless = use & ~labelled & timed
    if nameless.any():
        _note_alike(rows, np.flatnonzero(nameless), findings)
    at = np.flatnonzero(use & labelled)
    names_of_runs = run_id if at.size == rows.n else run_id.take(pa.array(at))
    if at.size < 2 or len(pc.unique(names_of_runs)) == at.size:
        # Every run has a name of its own.
        return
    names = [n for n in _KEY if n in rows.names()]
    keys = [rows.column(n) for n in names]
    # Where no column names the batch, the session does; sheets of a workbook are labs.
    if "session_id" in rows.names():
        keys.append(_where_missing(rows.column("session_id"), rows, "block_id"))
    if len({d.table.sheet for d in drafts}) > 1:
        sheets = pa.concat_arrays(
            [pa.repeat(pa.scalar(d.table.sheet, pa.string()), d.n) for d in drafts]
        )
        keys.append(_where_missing(sheets, rows, "lab_id"))
    groups = _groups(_codes([k.take(pa.array(at)) for k in keys]), at)
    if groups:
        _settle(rows, groups, findings)


# Multiplier of a multiplicative hash: 2**64 over the golden ratio, odd (Knuth 1998, The
# Art of Computer Programming, volume 3, section 6.4; from memory).
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)


def _codes(columns: Sequence[pa.Array]) -> npt.NDArray[np.uint64]:
    """Give one number for the cells of each row: equal rows share it.

    Cells are numbered column by column and the numbers mixed; two different rows of a
    file share a number about once in 2**64 pairs.
    """
    total = np.zeros(len(columns[0]), dtype=np.uint64)
    for column in columns:
        if column.null_count == len(column):
            continue
        encoded = pc.dictionary_encode(column, null_encoding="encode")
        number = encoded.indices.to_numpy(zero_copy_only=False).astype(np.uint64)
        with np.errstate(over="ignore"):
            total = (total ^ (total >> np.uint64(29))) * _GOLDEN + number + np.uint64(1)
    return total


def _content(rows: _All, at: IntArray) -> npt.NDArray[np.uint64]:
    """Code what rows say, wherever they stand."""
    names = [n for n in rows.names() if n not in _WHERE_FROM]
    return _codes([rows.column(n).take(pa.array(at)) for n in names])


def _where_missing(values: pa.Array, rows: _All, other: str) -> pa.Array:
    return pc.if_else(pc.is_null(rows.column(other)), values, pa.scalar(None, pa.string()))


def _groups(codes: npt.NDArray[np.uint64], at: IntArray) -> list[IntArray]:
    """Group rows `at` by their codes; only groups of two and more, in file order."""
    order = np.argsort(codes, kind="stable")
    ordered = codes[order]
    fresh = np.r_[True, ordered[1:] != ordered[:-1]]
    if fresh.all():
        return []
    starts = np.flatnonzero(fresh)
    sizes = np.diff(np.r_[starts, ordered.size])
    found = [at[order[s : s + k]] for s, k in zip(starts, sizes, strict=True) if k > 1]
    return sorted(found, key=lambda group: int(group[0]))


def _settle(rows: _All, groups: list[IntArray], findings: Findings) -> None:
    repeated = np.concatenate(groups)
    said = dict(zip(repeated.tolist(), _content(rows, repeated).tolist(), strict=True))
    starts = rows.column("start_temp_c").to_numpy(zero_copy_only=False)
    differ: list[list[int]] = []
    for group in groups:
        firsts: dict[int, int] = {}
        for row in group.tolist():
            code = said[row]
            if code in firsts:
                _drop_repeat(rows, row, firsts[code], findings)
            else:
                firsts[code] = row
        if len(firsts) > 1:
            differ.append(list(firsts.values()))
    restarting = [g for g in differ if _other_levels(starts[g])]
    if len(restarting) >= max(2, RESTARTS * len(differ)):
        _note_restart(rows, restarting, findings)
        differ = [g for g in differ if g not in restarting]
    for first, *others in differ:
        for row in others:
            _report_conflict(rows, first, row, findings)


def _other_levels(starts: npt.NDArray[np.float64]) -> bool:
    """Tell whether all starts are levels of their own."""
    if np.isnan(starts).any():
        return False
    ordered = np.sort(starts)
    return bool((np.diff(ordered) > OTHER_LEVEL_K).all())


def _drop_repeat(rows: _All, row: int, first: int, findings: Findings) -> None:
    draft, place = rows.place(row)
    mask = np.zeros(draft.n, dtype=np.bool_)
    mask[place] = True
    draft.drop(mask, "duplicate")
    label = draft.text("run_id")[place].as_py()
    findings.add(
        "note",
        "repeated-row",
        f"Run “{label}” stands in row {rows.file_row(first)} already, with the same values: "
        "counted once",
        table=draft.table,
        at=int(draft.record[place]),
        value=label,
        run=label,
    )


def _note_restart(rows: _All, groups: list[list[int]], findings: Findings) -> None:
    draft, place = rows.place(groups[0][0])
    label = draft.text("run_id")[place].as_py()
    others = [rows.file_row(r) for r in groups[0]]
    findings.add(
        "note",
        "run-numbers-restart",
        f"Run names restart for each start temperature (“{label}” stands in {list_rows(others)}): "
        "a run is told by its name and its start temperature",
        remedy="Name the runs apart, or add a column “batch” if equal numbers were cooled together",
        table=draft.table,
        at=int(draft.record[place]),
        value=label,
    )


def _report_conflict(rows: _All, first: int, row: int, findings: Findings) -> None:
    draft, place = rows.place(row)
    label = draft.text("run_id")[place].as_py()
    lab = draft.text("lab_id")[place].as_py()
    differing = []
    for name in rows.names():
        if name in _WHERE_FROM:
            continue
        pair = rows.column(name).take(pa.array([first, row])).to_pylist()
        if pair[0] != pair[1]:
            differing.append((name, *pair))
    shown = "; ".join(_difference(*d) for d in differing[:3] if d[0] != "time_upper_s")
    where = f" of lab {lab}" if lab else ""
    findings.add(
        "error",
        "conflicting-rows",
        f"Run “{label}”{where} stands in rows {rows.file_row(first)} and {rows.file_row(row)} with "
        f"different values ({shown or 'in some cells'})",
        remedy="Correct one of the two rows, give the runs different names, or give one a reason "
        "in a column “excluded because”",
        table=draft.table,
        at=int(draft.record[place]),
        value=label,
        run=label,
    )
    mask = np.zeros(draft.n, dtype=np.bool_)
    mask[place] = True
    draft.drop(mask, "duplicate")


def _difference(name: str, before: object, after: object) -> str:
    words = "freezing time" if name in ("time_lower_s", "time_upper_s") else FIELD[name].label
    unit = FIELD[name].unit

    def shown(value: object) -> str:
        if value is None:
            return "empty"
        if isinstance(value, float):
            if unit == "s":
                return f"{value / 60:.6g} min"
            return f"{value:.6g} {unit}".strip()
        return f"“{value}”"

    return f"{words} {shown(before)} and {shown(after)}"


def _note_alike(rows: _All, at: IntArray, findings: Findings) -> None:
    """Say that equal rows without a run name count as runs of their own."""
    # Most rows differ in their numbers already: only the others are compared whole.
    numbers = [rows.column(name).take(pa.array(at)) for name in ("time_lower_s", "start_temp_c")]
    alike = _groups(_codes(numbers), at)
    if not alike:
        return
    at = np.sort(np.concatenate(alike))
    groups = _groups(_content(rows, at), at)
    if not groups:
        return
    draft, place = rows.place(int(groups[0][0]))
    n = sum(g.size for g in groups)
    shown = list_rows([rows.file_row(int(r)) for r in groups[0]])
    findings.add(
        "note",
        "rows-alike",
        f"{n} rows are alike in every cell, such as {shown}; nothing names the runs, so each "
        "counts as a run of its own",
        remedy="Add a column “run” if some are the same run entered twice",
        table=draft.table,
        at=int(draft.record[place]),
    )
