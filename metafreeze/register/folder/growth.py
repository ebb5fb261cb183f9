"""Growing sheets: which rows of a file are already there, which are new, which changed.

Rows are matched in steps, the surest first; what one step has paired, later ones leave
alone.

1. Rows with run ids, anywhere in the register: by lab (else source), batch, run and
   endpoint. A threshold or another detail of the endpoint tells several outcomes of one
   run apart.
2. Rows with run ids in the same sheet: by batch and run where the lab was added later.
   Where most of the sheet is known already, a row that differs in one of lab, batch or
   detail only is a correction and not a second run.
3. Rows without run ids in the same sheet: the same content in the same row, the same
   content in another row (lines were inserted or the sheet was sorted), then the same
   row with other content.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.folder.codes import SAME_RELATIVE, Codes, pair_rows, row_codes
from metafreeze.register.schema import FIELDS

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# What tells outcomes of one run and endpoint apart.
_DETAILS = ("threshold_c", "residual_from_c", "residual_endpoint", "at_time_s")

KEY_COLUMNS = (
    "lab_id",
    "source_id",
    "block_id",
    "run_id",
    "endpoint",
    *_DETAILS,
    "sheet_name",
    "file_row",
)

# Where a row was found, how it was spelled and what follows from other cells is not the
# measurement. Lab and source are compared together, as the study.
_NOT_MEASURED = {
    "lab_id",
    "source_id",
    "file_name",
    "sheet_name",
    "file_row",
    "as_reported",
    "derived",
    "invented",
}
MEASURED = tuple(f.name for f in FIELDS if f.name not in _NOT_MEASURED)

# Share of a sheet's rows that must be known for the sheet to count as a later state of it.
MOSTLY = 0.5

# What names an outcome of a run wherever it stands.
_RUN = ("study", "block_id", "run_id", "endpoint", *_DETAILS)

# Small sheets have the keys of their runs in the journal, so that adding to a register of
# many small sheets need not open them all.
KEYS_IN_JOURNAL = 64

# Rows of a sheet whose hashes stand in the journal to recognise a renamed copy.
HEAD_ROWS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Segment:
    """Rows that are in the register, or that an earlier file of the same call brings.

    Parameters
    ----------
    entry_id : str
        Entry of the rows; empty for rows of the same call.
    keys : pyarrow.Table
        Their `KEY_COLUMNS`.
    positions : int array, shape (rows,)
        Their places in the table that `load` gives.
    series : tuple of str
        The sheet of each row.
    load : callable
        Gives the whole table.
    """

    entry_id: str
    keys: pa.Table
    positions: IntArray
    series: npt.NDArray[np.object_]
    load: Callable[[], pa.Table]


class Pool:
    """The rows that an incoming file is matched with.

    Parameters
    ----------
    segments : sequence of Segment
        Oldest first.
    """

    def __init__(self, segments: Sequence[Segment]) -> None:
        self.segments = [s for s in segments if s.positions.size]
        sizes = [s.positions.size for s in self.segments]
        self.size = sum(sizes)
        self.segment = np.repeat(np.arange(len(sizes)), sizes)
        self.position = np.concatenate([s.positions for s in self.segments] or [_NO_ROWS])
        self.series = np.concatenate(
            [s.series for s in self.segments] or [np.empty(0, dtype=object)]
        )
        self.keys = pa.concat_tables([s.keys for s in self.segments]) if sizes else None

    def rows(self, at: IntArray) -> pa.Table:
        """Give whole rows, in the order of `at`."""
        pieces, order = [], []
        for number, segment in enumerate(self.segments):
            wanted = np.flatnonzero(self.segment[at] == number)
            if wanted.size:
                pieces.append(segment.load().take(pa.array(self.position[at[wanted]])))
                order.append(wanted)
        back = np.argsort(np.concatenate(order))
        return pa.concat_tables(pieces).take(pa.array(back))


_NO_ROWS = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """What became of the rows of one file.

    Parameters
    ----------
    old : int array, shape (rows,)
        Place in the pool of the row that each row is a state of; -1 for a new row.
    changed : bool array, shape (rows,)
        True where a measured value differs from that row's.
    changes : tuple of Change
        Every differing value.
    vanished : int array
        Places in the pool of rows of the same sheet that the file no longer has.
    """

    old: IntArray
    changed: BoolArray
    changes: tuple[Change, ...]
    vanished: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One value that differs.

    Parameters
    ----------
    row : int
        Row of the incoming table.
    old_at : int
        Row of the pool.
    column : str
        Schema field.
    old, new : object
        Values, None for an empty cell.
    """

    row: int
    old_at: int
    column: str
    old: object
    new: object


def match_rows(pool: Pool, new: pa.Table, *, series: str, files: Sequence[str]) -> Match:
    """Match the rows of one file with those that are there.

    Parameters
    ----------
    pool : Pool
        The rows that are there.
    new : pyarrow.Table
        Rows of the file, in the schema.
    series : str
        The sheet that the file is a state of.
    files : sequence of str
        Names of all files taken in; a source of that name is no publication.

    Returns
    -------
    Match
    """
    old_at = np.full(new.num_rows, -1, dtype=np.int64)
    if pool.keys is None or not new.num_rows:
        nothing = np.zeros(new.num_rows, dtype=bool)
        return Match(old=old_at, changed=nothing, changes=(), vanished=_NO_ROWS)
    free = np.ones(pool.size, dtype=bool)
    for old_codes, old_among, new_codes, new_among, only_unique in _steps(
        pool, new, free, series=series
    ):
        old_places = np.flatnonzero(old_among & free)
        new_places = np.flatnonzero(new_among & (old_at < 0))
        if not (old_places.size and new_places.size):
            continue
        left, right = pair_rows(
            old_codes(old_places), new_codes(new_places), only_unique=only_unique
        )
        old_at[new_places[right]] = old_places[left]
        free[old_places[left]] = False
    paired = np.flatnonzero(old_at >= 0)
    changes = tuple(_changes(pool, new, paired, old_at[paired], files)) if paired.size else ()
    changed = np.zeros(new.num_rows, dtype=bool)
    changed[[change.row for change in changes]] = True
    return Match(
        old=old_at,
        changed=changed,
        changes=changes,
        vanished=np.flatnonzero((pool.series == series) & free),
    )


def head_codes(rows: pa.Table) -> tuple[str, ...]:
    """Hash the first rows that have no run id, to recognise a copy under another name."""
    plain = rows
    if rows["run_id"].null_count < rows.num_rows:
        at = np.flatnonzero(~_filled(rows["run_id"]))
        plain = rows.take(pa.array(at[:HEAD_ROWS]))
    plain = plain.slice(0, HEAD_ROWS)
    codes = row_codes(((name, plain[name]) for name in MEASURED), plain.num_rows)
    return tuple(f"{int(code):016x}" for code in codes)


def run_codes(rows: pa.Table) -> tuple[str, ...] | None:
    """Hash the keys of the rows with run ids; None where they are more than a line can hold."""
    if rows.num_rows - rows["run_id"].null_count > KEYS_IN_JOURNAL:
        return None
    named = rows.select(KEY_COLUMNS).filter(pc.is_valid(rows["run_id"]))
    codes = _codes(_with_study(named), _RUN)
    return tuple(f"{int(code) >> 32:08x}" for code in codes)


def share_in_common(head: Sequence[str], other: Sequence[str]) -> float:
    """Give the share of rows that two sheets have in common, of the shorter one."""
    shorter = min(len(head), len(other))
    if not shorter:
        return 0.0
    # Of the longer sheet, only as many leading rows as the shorter one has.
    left, right = list(head[:shorter]), list(other[:shorter])
    common = sum(min(left.count(code), right.count(code)) for code in set(left))
    return common / shorter


_Coder = Callable[[IntArray], Codes]
_Step = tuple[_Coder, BoolArray, _Coder, BoolArray, bool]


def _steps(pool: Pool, new: pa.Table, free: BoolArray, *, series: str) -> Iterator[_Step]:
    """Give the steps of matching; each is asked for after the one before it was taken."""
    assert pool.keys is not None
    old_keys, new_keys = _with_study(pool.keys), _with_study(new.select(KEY_COLUMNS))
    old_runs, new_runs = _filled(old_keys["run_id"]), _filled(new_keys["run_id"])
    sheet = pool.series == series

    def step(columns: Sequence[str], old: BoolArray, fresh: BoolArray, unique: bool) -> _Step:
        return _coder(old_keys, columns), old, _coder(new_keys, columns), fresh, unique

    if old_runs.any() and new_runs.any():
        yield step(_RUN, old_runs, new_runs, False)
    if not sheet.any():
        return
    if new_runs.any():
        yield step(_RUN[1:], sheet & old_runs & ~_filled(old_keys["lab_id"]), new_runs, True)
        known = np.count_nonzero(sheet & ~free)
        if known >= MOSTLY * min(np.count_nonzero(sheet), new.num_rows):
            for key in (_RUN[1:], ("study", *_RUN[2:]), _RUN[:4]):
                yield step(key, sheet & old_runs, new_runs, True)

    row = ("sheet_name", "file_row", "endpoint")

    for old_side, new_side in ((~old_runs, np.ones_like(new_runs)), (old_runs, ~new_runs)):
        for columns in ((*MEASURED, "study", *row[:2]), (*MEASURED, "study")):
            yield (
                partial(_content_codes, pool.rows, columns),
                sheet & old_side,
                partial(_content_codes, new.take, columns),
                new_side,
                False,
            )
        yield step((*row, *_DETAILS), sheet & old_side, new_side, False)
        yield step(row, sheet & old_side, new_side, True)


def _content_codes(
    rows: Callable[[IntArray], pa.Table], columns: Sequence[str], at: IntArray
) -> Codes:
    return _codes(_with_study(rows(at)), columns)


def _coder(keys: pa.Table, columns: Sequence[str]) -> _Coder:
    return lambda at: _codes(keys.select(list(columns)).take(pa.array(at)), columns)


def _codes(table: pa.Table, columns: Sequence[str]) -> Codes:
    return row_codes(((name, table[name]) for name in columns), table.num_rows)


def _with_study(table: pa.Table) -> pa.Table:
    return table.append_column("study", pc.coalesce(table["lab_id"], table["source_id"]))


def _filled(column: pa.ChunkedArray) -> BoolArray:
    valid: BoolArray = pc.is_valid(column).to_numpy(zero_copy_only=False)
    return valid


def _changes(
    pool: Pool, new: pa.Table, at: IntArray, old_at: IntArray, files: Sequence[str]
) -> Iterator[Change]:
    """List every measured value that differs between paired rows, row by row."""
    before, after = pool.rows(old_at), new.take(pa.array(at))
    differing: dict[str, BoolArray] = {
        name: _differ(before[name], after[name]) for name in MEASURED
    }
    differing["lab_id"] = _differ(_with_study(before)["study"], _with_study(after)["study"])
    differing["source_id"] = ~differing["lab_id"] & _differ(
        _publication(before, files), _publication(after, files)
    )
    # One cell of an exact time fills both bounds; it is reported once.
    exact = _same(before["time_lower_s"], before["time_upper_s"]) & _same(
        after["time_lower_s"], after["time_upper_s"]
    )
    differing["time_lower_s"] &= ~(exact & differing["time_upper_s"])
    names = [f.name for f in FIELDS if f.name in differing and differing[f.name].any()]
    if not names:
        return
    values = {name: (before[name], after[name]) for name in names}
    for place in np.flatnonzero(np.any([differing[name] for name in names], axis=0)):
        for name in names:
            if differing[name][place]:
                old, fresh = (column[int(place)].as_py() for column in values[name])
                yield Change(
                    row=int(at[place]), old_at=int(old_at[place]), column=name, old=old, new=fresh
                )


def _publication(table: pa.Table, files: Sequence[str]) -> pa.ChunkedArray:
    """Give the source where it is more than the name of a file taken in."""
    source = table["source_id"]
    is_file = pc.is_in(source, value_set=pa.array(list(files), pa.string()))
    return pc.if_else(is_file, pa.scalar(None, pa.string()), source)


def _same(left: pa.ChunkedArray, right: pa.ChunkedArray) -> BoolArray:
    return ~_differ(left, right) & _filled(left)


def _differ(left: pa.ChunkedArray, right: pa.ChunkedArray) -> BoolArray:
    """Say where two columns differ: two empty cells do not, numbers only beyond rounding."""
    left_there, right_there = _filled(left), _filled(right)
    if not (left_there.any() or right_there.any()):
        return np.zeros(len(left), dtype=bool)
    both = left_there & right_there
    if pa.types.is_floating(left.type):
        a = left.fill_null(0.0).to_numpy(zero_copy_only=False)
        b = right.fill_null(0.0).to_numpy(zero_copy_only=False)
        with np.errstate(invalid="ignore"):  # two unbounded times do not differ
            unequal = np.abs(a - b) > SAME_RELATIVE * np.maximum(np.abs(a), np.abs(b))
    else:
        unequal = pc.not_equal(left, right).fill_null(False).to_numpy(zero_copy_only=False)
    differ: BoolArray = (left_there != right_there) | (both & unequal)
    return differ
