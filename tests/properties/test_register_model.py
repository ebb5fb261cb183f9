"""The register against a model of itself, over any order of adding, correcting and undoing."""

from __future__ import annotations

import tempfile
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pyarrow as pa
import pytest
from checked_sheets import run, take
from hypothesis import given, settings
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from metafreeze.errors import InputError
from metafreeze.register.folder.codes import pair_rows, row_codes
from metafreeze.register.folder.exporting import make_inert, undo_inert
from metafreeze.register.folder.store import create_register, open_register
from metafreeze.register.schema import arrow_schema

LABS = st.sampled_from(["A", "B"])
RUNS = st.integers(0, 5)
TIMES = st.sampled_from([100.0, 200.0, 300.0])


class RegisterMachine(RuleBasedStateMachine):
    """Adds, corrects and undoes as it likes; the model is a list of what each entry did.

    The model works on runs by name, with no rows, parts, hashes or positions: an entry
    brings values, each in place of the value that showed for that run, if one did.
    """

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name)
        self.register = create_register(self.path / "register", primary_endpoint="t_solid")
        self.entries: list[dict] = []

    def teardown(self) -> None:
        self.folder.cleanup()

    def undone(self) -> set[int]:
        out: set[int] = set()
        for number in reversed(range(len(self.entries))):
            target = self.entries[number].get("undoes")
            if target is not None and number not in out:
                out.add(target)
        return out

    def shown(self, undone: set[int]) -> list[tuple[tuple[str, int], float]]:
        """List (run, value) of all versions that show, in no order."""
        versions = [
            (number, key, value, before)
            for number, entry in enumerate(self.entries)
            for key, (value, before) in entry.get("brings", {}).items()
        ]

        def superseded(version: tuple[int, tuple[str, int]]) -> bool:
            return any(
                (later not in undone) or superseded((later, key))
                for later, key, _, before in versions
                if (before, key) == version
            )

        return [
            (key, value)
            for number, key, value, _ in versions
            if number not in undone and not superseded((number, key))
        ]

    def holder(self, key: tuple[str, int]) -> int | None:
        """Give the entry whose version of a run shows."""
        undone = self.undone()
        candidates = [
            number
            for number, entry in enumerate(self.entries)
            if key in entry.get("brings", {}) and number not in undone
        ]
        return max(candidates, default=None)

    @rule(sheet=st.dictionaries(st.tuples(LABS, RUNS), TIMES, min_size=1), replace=st.booleans())
    def add(self, sheet, replace):
        current = dict(self.shown(self.undone()))
        rows = [
            run(20.0 + number, time, lab_id=lab, run_id=str(number), block_id="1")
            for (lab, number), time in sheet.items()
        ]
        new = {key: value for key, value in sheet.items() if key not in current}
        changed = {k: v for k, v in sheet.items() if k in current and current[k] != v}
        name = f"sheet {len(self.entries)} {len(sheet)}.csv"
        if changed and not replace:
            try:
                take(self.register, self.path, rows, name=name)
            except InputError as refused:
                found = [f for f in refused.faults if f.severity == "error"]
                assert len(found) == len(changed)
                return
            raise AssertionError("a changed row was taken without being asked about")
        entry = take(self.register, self.path, rows, name=name, replace=replace)
        assert (entry.new, entry.changed) == (len(new), len(changed))
        assert entry.already_there == len(sheet) - len(new) - len(changed)
        assert bool(entry.id) == bool(new or changed)
        if entry.id:
            self.entries.append(
                {
                    "brings": {key: (value, None) for key, value in new.items()}
                    | {key: (value, self.holder(key)) for key, value in changed.items()}
                }
            )

    @precondition(lambda self: self.entries)
    @rule(data=st.data())
    def undo(self, data):
        number = data.draw(st.integers(0, len(self.entries) - 1))
        name = f"e{number + 1:04d}"
        undone = self.undone()
        self.entries.append({"undoes": number})
        after = self.shown(self.undone())
        twice = len(after) != len(dict(after))
        if number in undone or twice:
            self.entries.pop()
            try:
                self.register.undo(name)
            except InputError:
                return
            raise AssertionError(f"{name} was taken back, doubling a row: {twice}")
        self.register.undo(name)

    @invariant()
    def rows_are_those_of_the_model(self):
        rows = open_register(self.register.path).rows()
        found = sorted(
            zip(
                zip(rows["lab_id"], rows["run_id"].astype(int), strict=True),
                rows["time_upper_s"],
                strict=True,
            )
        )
        assert found == sorted(self.shown(self.undone()))

    @invariant()
    def records_add_up(self):
        ledger = self.register.ledger()
        frame = ledger.to_frame()
        assert (frame.drop(columns=["entry_id", "file"]) >= 0).all(axis=None)
        totals = ledger.totals
        assert totals["used"] == len(self.register.rows())


def check_against_model(**effort: object) -> None:
    """Run the machine; a step whose assertion fails raises, with the steps that led there."""
    run_state_machine_as_test(RegisterMachine, settings=settings(deadline=None, **effort))


def test_the_register_follows_its_model():
    check_against_model(max_examples=5, stateful_step_count=8, derandomize=True)


@pytest.mark.slow
def test_the_register_follows_its_model_for_long():
    check_against_model(max_examples=60, stateful_step_count=20)


TEXTS = st.lists(st.none() | st.text(max_size=6), min_size=1, max_size=20)


@given(TEXTS)
@settings(max_examples=100, deadline=None)
def test_inert_texts_come_back_whatever_they_are(texts):
    columns = {f.name: pa.nulls(len(texts), f.type) for f in arrow_schema()}
    columns["remark"] = pa.array(texts, pa.string())
    table = pa.table(columns, schema=arrow_schema())
    inert = make_inert(table)
    assert not [t for t in inert["remark"].to_pylist() if t and t[0] in "=@\t\r"]
    assert undo_inert(inert)["remark"].to_pylist() == texts


@given(st.lists(st.integers(0, 6)), st.lists(st.integers(0, 6)))
@settings(max_examples=200, deadline=None)
def test_pairs_are_as_many_as_two_heaps_have_in_common(old, new):
    left, right = np.array(old, dtype=np.uint64), np.array(new, dtype=np.uint64)
    old_at, new_at = pair_rows(left, right)
    assert sorted(left[old_at].tolist()) == sorted(right[new_at].tolist())
    assert len(set(old_at.tolist())) == len(old_at) == len(set(new_at.tolist()))
    assert len(old_at) == sum(min(old.count(k), new.count(k)) for k in set(old))


@given(
    st.lists(
        st.tuples(st.none() | st.text(max_size=3), st.none() | st.floats(allow_nan=False)),
        min_size=2,
        max_size=12,
    )
)
@settings(max_examples=100, deadline=None)
def test_codes_do_not_depend_on_how_a_table_is_cut(rows):
    texts = [text for text, _ in rows]
    numbers = [number for _, number in rows]
    whole = pa.table({"a": pa.array(texts, pa.string()), "b": pa.array(numbers, pa.float64())})
    cut = pa.concat_tables([whole.slice(0, 1), whole.slice(1)])

    def codes(table):
        return row_codes(((n, table[n]) for n in table.column_names), table.num_rows).tolist()

    assert codes(whole) == codes(cut)
    assert codes(whole.slice(1)) == codes(whole)[1:]
    distinct = {(t, None if x is None else float(f"{x:.8e}")) for t, x in rows}
    assert len(set(codes(whole))) == len(distinct)
