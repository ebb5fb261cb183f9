"""Rows in the making: schema columns by name, each row's record and ledger bin."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import BINS, Bin
from metafreeze.register.files.sheets import RawTable
from metafreeze.register.schema import FIELD, arrow_schema

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
Values: TypeAlias = "FloatArray | pa.StringArray | pa.BooleanArray"

BIN_CODE: dict[Bin, int] = {name: code for code, name in enumerate(BINS)}

# A record that gave several rows stands in the first of these bins that one of them has.
_BEST_FIRST = ("used", "not seen exactly", "excluded", "duplicate", "unreadable")


@dataclass(slots=True, kw_only=True)
class Draft:
    """Rows of one table before they become schema rows.

    Parameters
    ----------
    table : RawTable
        Where they come from.
    record : int array, shape (rows,)
        Place of each row's record in the table.
    columns : dict
        Field -> values, shape (rows,): numbers as floats with NaN, text and flags as
        pyarrow arrays.
    bins : int array, shape (rows,)
        Ledger bin of each row, as a code of `BIN_CODE`.
    kept : bool array, shape (rows,)
        False for rows that count in the ledger only: totals, duplicates, unreadable ones.
    typed : list of pyarrow string array, shape (rows,)
        Cells that were converted, as ``heading=cell``.
    derived : list of pyarrow string array, shape (rows,)
        Which field a rule computed, and the rule.
    aside : dict
        Bin -> records of the sheet that serve others and are not in `table`.
    """

    table: RawTable
    record: IntArray
    columns: dict[str, Values] = field(default_factory=dict)
    bins: npt.NDArray[np.int8]
    kept: BoolArray
    typed: list[pa.StringArray] = field(default_factory=list)
    derived: list[pa.StringArray] = field(default_factory=list)
    aside: dict[Bin, int] = field(default_factory=dict)

    @property
    def n(self) -> int:
        """Number of rows."""
        return int(self.record.size)

    def numbers(self, name: str) -> FloatArray:
        """Give a number column; NaN throughout where the draft has none."""
        values = self.columns.get(name)
        if values is None:
            return np.full(self.n, np.nan)
        assert isinstance(values, np.ndarray)
        return values

    def text(self, name: str) -> pa.StringArray:
        """Give a text column; null throughout where the draft has none."""
        values = self.columns.get(name)
        return pa.nulls(self.n, pa.string()) if values is None else values

    def put(self, at: BoolArray, bin_: Bin) -> None:
        """Move rows into a ledger bin."""
        self.bins[at] = BIN_CODE[bin_]

    def drop(self, at: BoolArray, bin_: Bin) -> None:
        """Move rows into a bin and out of the rows that are handed over."""
        self.put(at, bin_)
        self.kept[at] = False

    def exclude(self, at: BoolArray, reason: str) -> None:
        """Keep rows but leave them out, with a reason."""
        if not at.any():
            return
        self.put(at, "excluded")
        self.set_text("exclusion_reason", at, reason, over=False)

    def set_text(self, name: str, at: BoolArray, text: str, *, over: bool = True) -> None:
        """Write one text into a text column at some rows; `over` also where it is filled."""
        before = self.text(name)
        where = pa.array(at)
        if not over:
            where = pc.and_(where, pc.is_null(before))
        self.columns[name] = pc.if_else(where, pa.scalar(text, pa.string()), before)

    def note_derived(self, text: str, at: BoolArray | None = None) -> None:
        """Record that a rule computed a field, for all rows or some."""
        if at is None:
            self.derived.append(pa.repeat(pa.scalar(text, pa.string()), self.n))
        elif at.any():
            self.derived.append(
                pc.if_else(pa.array(at), pa.scalar(text, pa.string()), pa.scalar(None, pa.string()))
            )

    def note_typed(
        self, heading: str, text: pa.StringArray, unit: str | pa.StringArray, at: BoolArray
    ) -> None:
        """Record cells as typed where they were converted; `unit` may differ by row."""
        if not at.any():
            return
        if isinstance(unit, str):
            tail = f" {unit}" if unit else ""
            if tail:
                # A cell with letters says its own unit.
                spelled = pc.match_substring_regex(text, "[A-Za-zµ°]")
                tail = pc.if_else(pc.fill_null(spelled, False), "", tail)
        else:
            tail = pc.fill_null(pc.binary_join_element_wise(" ", unit, ""), "")
        parts = (text,) if isinstance(tail, str) and not tail else (text, tail)
        cells = pc.binary_join_element_wise(heading + "=", *parts, "")
        if not at.all():
            cells = pc.if_else(pa.array(at), cells, pa.scalar(None, pa.string()))
        self.typed.append(cells)


def new_draft(table: RawTable) -> Draft:
    """Begin a draft with one row for each record, all in the bin `used`."""
    n = table.n_rows
    return Draft(
        table=table,
        record=np.arange(n, dtype=np.int64),
        bins=np.zeros(n, dtype=np.int8),
        kept=np.ones(n, dtype=np.bool_),
    )


def interleave(drafts: list[Draft]) -> Draft:
    """Put drafts over the same records together, the rows of a record side by side."""
    if len(drafts) == 1:
        return drafts[0]
    n, k = drafts[0].n, len(drafts)
    # Row j of draft i stands at i * n + j when the drafts are laid end to end.
    order = (np.arange(n)[:, None] + n * np.arange(k)[None, :]).ravel()
    take = pa.array(order)
    names = list(dict.fromkeys(name for d in drafts for name in d.columns))
    columns: dict[str, Values] = {}
    for name in names:
        if FIELD[name].kind in ("number", "integer"):
            columns[name] = np.concatenate([d.numbers(name) for d in drafts])[order]
        else:
            kind = pa.bool_() if FIELD[name].kind == "boolean" else pa.string()
            parts = [d.columns.get(name, pa.nulls(d.n, kind)) for d in drafts]
            columns[name] = pa.concat_arrays(parts).take(take)
    return Draft(
        table=drafts[0].table,
        record=np.concatenate([d.record for d in drafts])[order],
        columns=columns,
        bins=np.concatenate([d.bins for d in drafts])[order],
        kept=np.concatenate([d.kept for d in drafts])[order],
        typed=[pa.concat_arrays([joined(d.typed, d.n) for d in drafts]).take(take)],
        derived=[pa.concat_arrays([joined(d.derived, d.n) for d in drafts]).take(take)],
    )


def joined(parts: list[pa.StringArray], n: int) -> pa.StringArray:
    """Join texts row by row with a semicolon; null where no part has one."""
    if not parts:
        return pa.nulls(n, pa.string())
    text = parts[0]
    for more in parts[1:]:
        # Joining with skipped nulls drops rows in which all are null (pyarrow 26).
        both = pc.binary_join_element_wise(text, more, "; ")
        text = pc.coalesce(both, text, more)
    return text


def record_bins(draft: Draft) -> npt.NDArray[np.int8]:
    """Give the one ledger bin of each record of the draft's table, shape (records,).

    A record without rows stays -1.
    """
    rank = np.array([_BEST_FIRST.index(name) for name in BINS], dtype=np.int8)
    back = np.array([BIN_CODE[name] for name in _BEST_FIRST], dtype=np.int8)  # type: ignore[index]
    best = np.full(draft.table.n_rows, len(BINS), dtype=np.int8)
    if draft.n == draft.table.n_rows and (draft.record == np.arange(draft.n)).all():
        best = rank[draft.bins]
    else:
        np.minimum.at(best, draft.record, rank[draft.bins])
    result = np.full(best.size, -1, dtype=np.int8)
    known = best < len(BINS)
    result[known] = back[best[known]]
    return result


def schema_rows(drafts: list[Draft]) -> tuple[pa.Table, npt.NDArray[np.int8]]:
    """Turn drafts into rows of the schema.

    Parameters
    ----------
    drafts : list of Draft
        In file order.

    Returns
    -------
    rows : pyarrow.Table
        The kept rows.
    bins : int array, shape (rows,)
        Their ledger bins.
    """
    schema = arrow_schema()
    if not drafts:
        return schema.empty_table(), np.empty(0, dtype=np.int8)
    tables = [_table_of(d, schema) for d in drafts]
    bins = [d.bins[d.kept] for d in drafts]
    return pa.concat_tables(tables).combine_chunks(), np.concatenate(bins)


def _table_of(draft: Draft, schema: pa.Schema) -> pa.Table:
    nothing: dict[pa.DataType, pa.Array] = {}
    arrays = []
    columns = dict(draft.columns)
    columns["as_reported"] = joined(draft.typed, draft.n)
    columns["derived"] = joined(draft.derived, draft.n)
    for field_ in schema:
        values = columns.get(field_.name)
        if values is None:
            # One array of nulls serves all absent columns of a type.
            if field_.type not in nothing:
                nothing[field_.type] = pa.nulls(draft.n, field_.type)
            arrays.append(nothing[field_.type])
        elif isinstance(values, np.ndarray):
            arrays.append(_numbers(values, field_.type))
        else:
            arrays.append(values)
    table = pa.Table.from_arrays(arrays, schema=schema)
    return table if draft.kept.all() else table.filter(pa.array(draft.kept))


def _numbers(values: FloatArray, kind: pa.DataType) -> pa.Array:
    absent = np.isnan(values)
    if kind == pa.int64():
        return pa.array(np.where(absent, 0, values).astype(np.int64), mask=absent)
    if not absent.any():
        return pa.array(values)
    return pa.array(values, mask=absent)
