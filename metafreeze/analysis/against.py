"""Two registers or reports beside each other: their question, rows, numbers and verdicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.options import Display
from metafreeze.register.folder.codes import Codes, pair_rows, row_codes
from metafreeze.register.folder.growth import MEASURED
from metafreeze.results import RESULT, Result

Values = Mapping[str, Any]
Path = tuple[str, ...]

# What names one outcome of a run; rows of different content but one name were corrected.
RUN_NAME = ("study", "block_id", "run_id", "endpoint", "threshold_c", "residual_from_c")

# Rows listed one by one; the counts cover all.
MOST_LISTED = 200


@dataclass(frozen=True, slots=True)
class NumberOfBoth:
    """A number that both sides have: its words, how it is shown, where it stands."""

    words: str
    kind: Display
    estimate: Path
    low: Path = ()
    high: Path = ()


NUMBERS = (
    NumberOfBoth(
        "all points on one graph",
        "log-ratio",
        ("challenge", "ladder", "first", "estimate"),
        ("challenge", "ladder", "first", "low"),
        ("challenge", "ladder", "first", "high"),
    ),
    NumberOfBoth(
        "like with like, all labs",
        "log-ratio",
        ("pool", "log_ratio"),
        ("pool", "low"),
        ("pool", "high"),
    ),
    NumberOfBoth(
        "what ordinary physics expects",
        "log-ratio",
        ("pool", "expected_log_ratio"),
        ("pool", "expected_low"),
        ("pool", "expected_high"),
    ),
    NumberOfBoth(
        "beyond ordinary physics",
        "log-ratio",
        ("challenge", "excess", "log_ratio"),
        ("challenge", "excess", "low"),
        ("challenge", "excess", "high"),
    ),
    NumberOfBoth("share of deals as far from zero", "p-value", ("challenge", "shuffle_test", "p")),
    NumberOfBoth("labs", "count", ("pool", "labs")),
    NumberOfBoth("batches", "count", ("pool", "batches")),
    NumberOfBoth("runs", "count", ("pool", "runs")),
)
NUMBER_COLUMNS = (
    "number",
    "kind",
    "here",
    "here_low",
    "here_high",
    "there",
    "there_low",
    "there_high",
    "change",
)
VERDICT_COLUMNS = ("verdict", "here", "there")
ROW_COLUMNS = ("where", "study", "block_id", "run_id", "endpoint", "fields")


@dataclass(**RESULT)
class Against(Result):
    """What differs between two registers or reports.

    Parameters
    ----------
    question : str
        Whether both answer the same question, and what differs if not.
    same_question : bool
        The same endpoint and the same pair of start temperatures.
    shared, changed, only_here, only_there : int
        Rows of equal content, rows of one run with other content, and rows of one side.
    studies_here, studies_there : tuple of str
        Studies that only one side has.
    numbers : DataFrame
        Columns `NUMBER_COLUMNS`; NaN where a side has no such number.
    verdicts : DataFrame
        Columns `VERDICT_COLUMNS`.
    rows : DataFrame
        Columns `ROW_COLUMNS`: the rows that differ, at most `MOST_LISTED` of them.
    agree : bool or None
        Whether each effect lies in the interval of the other; None where one has none.
    """

    question: str
    same_question: bool
    shared: int
    changed: int
    only_here: int
    only_there: int
    studies_here: tuple[str, ...]
    studies_there: tuple[str, ...]
    numbers: pd.DataFrame
    verdicts: pd.DataFrame
    rows: pd.DataFrame
    agree: bool | None
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give the numbers of both sides, a row each; columns `NUMBER_COLUMNS`."""
        return self.numbers.copy()

    def headline(self) -> str:
        """Say in one line how the verdicts compare."""
        changed = self.verdicts["here"] != self.verdicts["there"]
        if not changed.any():
            return "Both come to the same two verdicts."
        words = [
            f"{row.verdict}: {row.here} here, {row.there} there"
            for row in self.verdicts[changed].itertuples()
        ]
        return f"{'; '.join(words)}."

    def to_dict(self) -> dict[str, Any]:
        """Give all of it as plain values; the rows that differ are a table of their own."""
        return {
            "question": self.question,
            "same_question": self.same_question,
            "shared": self.shared,
            "changed": self.changed,
            "only_here": self.only_here,
            "only_there": self.only_there,
            "studies_here": list(self.studies_here),
            "studies_there": list(self.studies_there),
            "numbers": self.numbers.to_dict(orient="records"),
            "verdicts": self.verdicts.to_dict(orient="records"),
            "agree": self.agree,
            "headline": self.headline(),
        }


def compare_bundles(
    here: Values, here_rows: pd.DataFrame, there: Values, there_rows: pd.DataFrame
) -> Against:
    """Compare two sets of results and the rows they rest on.

    Parameters
    ----------
    here, there : mapping
        What ``results.json`` of each holds.
    here_rows, there_rows : DataFrame
        Rows in the schema.

    Returns
    -------
    Against
    """
    same, question = _question(here, there)
    pairing = _pair(here_rows, there_rows)
    numbers = _numbers(here, there)
    effect = numbers.loc[numbers["number"] == "like with like, all labs"].iloc[0]
    agree = _agree(effect)
    verdicts = pd.DataFrame(
        [
            (words, _label(here, name), _label(there, name))
            for name, words in (("raw", "as seen"), ("physics", "beside physics"))
        ],
        columns=list(VERDICT_COLUMNS),
    )
    ours, theirs = set(_studies(here_rows).dropna()), set(_studies(there_rows).dropna())
    return Against(
        question=question,
        same_question=same,
        shared=pairing.shared,
        changed=pairing.changed,
        only_here=pairing.only_here,
        only_there=pairing.only_there,
        studies_here=tuple(sorted(ours - theirs)),
        studies_there=tuple(sorted(theirs - ours)),
        numbers=numbers,
        verdicts=verdicts,
        rows=pairing.listed,
        agree=agree,
        status="ok",
        note="",
    )


def _question(here: Values, there: Values) -> tuple[bool, str]:
    differences = []
    if here["register"]["endpoint"] != there["register"]["endpoint"]:
        differences.append(
            f"the event is {here['register']['endpoint_words']} here and "
            f"{there['register']['endpoint_words']} there"
        )
    pairs = [
        tuple(side["pool"].get(name) for name in ("hot_c", "cold_c")) for side in (here, there)
    ]
    if None not in (*pairs[0], *pairs[1]) and not np.allclose(pairs[0], pairs[1]):
        words = ["{:g} against {:g} °C".format(*pair) for pair in pairs]
        differences.append(f"the pair is {words[0]} here and {words[1]} there")
    if not differences:
        return True, "Both answer the same question."
    return False, f"They answer different questions: {', and '.join(differences)}."


def _label(side: Values, name: str) -> str:
    verdict = side["challenge"].get("verdict") or {}
    return str((verdict.get(name) or {}).get("label") or "not estimable")


def _studies(rows: pd.DataFrame) -> pd.Series:
    lab = rows["lab_id"].astype("string")
    return lab.where(lab.notna() & (lab != ""), rows["source_id"].astype("string"))


def _at(side: Values, path: Path) -> float:
    """Look a number up; NaN where there is none."""
    value: Any = side
    for name in path:
        if name == "first":
            value = value[0] if value else None
        else:
            value = value.get(name) if isinstance(value, Mapping) else None
        if value is None:
            return float("nan")
    return float(value)


def _numbers(here: Values, there: Values) -> pd.DataFrame:
    table = []
    for number in NUMBERS:
        paths = (number.estimate, number.low, number.high)
        ours = [_at(here, p) if p else float("nan") for p in paths]
        theirs = [_at(there, p) if p else float("nan") for p in paths]
        table.append((number.words, number.kind, *ours, *theirs, ours[0] - theirs[0]))
    return pd.DataFrame(table, columns=list(NUMBER_COLUMNS))


def _agree(effect: pd.Series) -> bool | None:
    needed = effect[["here", "here_low", "here_high", "there", "there_low", "there_high"]]
    if needed.isna().any():
        return None
    return bool(
        effect["there_low"] <= effect["here"] <= effect["there_high"]
        and effect["here_low"] <= effect["there"] <= effect["here_high"]
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pairing:
    shared: int
    changed: int
    only_here: int
    only_there: int
    listed: pd.DataFrame


def _pair(here: pd.DataFrame, there: pd.DataFrame) -> _Pairing:
    """Pair rows by content first, then what is left by the name of the run."""
    ours, theirs = _table(here), _table(there)
    content = ("study", *MEASURED)
    a, b = pair_rows(_codes(ours, content), _codes(theirs, content))
    left_a = np.setdiff1d(np.arange(len(here)), a)
    left_b = np.setdiff1d(np.arange(len(there)), b)
    ours, theirs = ours.take(pa.array(left_a)), theirs.take(pa.array(left_b))
    named_a, named_b = _with_run(ours), _with_run(theirs)
    c, d = pair_rows(
        _codes(ours.take(pa.array(named_a)), RUN_NAME),
        _codes(theirs.take(pa.array(named_b)), RUN_NAME),
    )
    changed_a, changed_b = named_a[c], named_b[d]
    alone_a = np.setdiff1d(np.arange(ours.num_rows), changed_a)
    alone_b = np.setdiff1d(np.arange(theirs.num_rows), changed_b)
    changed_fields = [
        _fields(ours, theirs, int(i), int(j)) for i, j in zip(changed_a, changed_b, strict=True)
    ]
    listed = [
        *_listed("other content", ours, changed_a, changed_fields),
        *_listed("only here", ours, alone_a),
        *_listed("only there", theirs, alone_b),
    ]
    return _Pairing(
        shared=len(a),
        changed=len(changed_a),
        only_here=len(alone_a),
        only_there=len(alone_b),
        listed=pd.DataFrame(listed[:MOST_LISTED], columns=list(ROW_COLUMNS)),
    )


def _table(rows: pd.DataFrame) -> pa.Table:
    names = [n for n in dict.fromkeys((*MEASURED, *RUN_NAME)) if n in rows.columns]
    return pa.Table.from_pandas(rows[names].assign(study=_studies(rows)), preserve_index=False)


def _codes(table: pa.Table, names: Sequence[str]) -> Codes:
    columns = [(n, table[n]) for n in dict.fromkeys(names) if n in table.column_names]
    return row_codes(columns, table.num_rows)


def _with_run(table: pa.Table) -> np.ndarray[Any, np.dtype[np.int64]]:
    named: np.ndarray[Any, np.dtype[np.int64]] = np.flatnonzero(
        pc.is_valid(table["run_id"]).to_numpy()
    )
    return named


def _fields(ours: pa.Table, theirs: pa.Table, i: int, j: int) -> str:
    return ", ".join(
        name
        for name in MEASURED
        if name in ours.column_names
        and name in theirs.column_names
        and ours[name][i].as_py() != theirs[name][j].as_py()
    )


def _listed(
    where: str,
    table: pa.Table,
    places: np.ndarray[Any, np.dtype[np.int64]],
    fields: Sequence[str] = (),
) -> list[tuple[str, ...]]:
    names = ("study", "block_id", "run_id", "endpoint")
    columns = [table[n].take(pa.array(places[:MOST_LISTED])).to_pylist() for n in names]
    return [
        (where, *(str(c[k] or "") for c in columns), fields[k] if fields else "")
        for k in range(len(places[:MOST_LISTED]))
    ]
