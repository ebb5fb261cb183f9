"""The way in: a file as read becomes rows of the schema, with everything that is wrong."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.options import ENDPOINT_WORDS
from metafreeze.register.answers import BINS, Answers, FileCheck, FileKind
from metafreeze.register.files.reading import read_file
from metafreeze.register.files.sheets import RawTable, SourceFile
from metafreeze.register.meaning.columns import name_columns
from metafreeze.register.meaning.findings import Findings, column_name, list_rows
from metafreeze.register.meaning.headings import plain_heading
from metafreeze.register.meaning.named import (
    CONTRAST_TARGETS,
    COUNT_TARGETS,
    PIXEL_TARGETS,
    STATISTIC_TARGETS,
    TIME_TARGETS,
    NamedTable,
)
from metafreeze.register.rows.checks import check_rows, note_coarse_times, note_levels
from metafreeze.register.rows.drafts import BIN_CODE, Draft, record_bins, schema_rows
from metafreeze.register.rows.points import read_points
from metafreeze.register.rows.repeats import settle_repeats
from metafreeze.register.rows.runs import read_runs
from metafreeze.register.rows.sources import ask_about_repeated_sources
from metafreeze.register.rows.summaries import read_summaries
from metafreeze.register.schema import FIELD

BoolArray = npt.NDArray[np.bool_]

NO_ANSWERS = Answers()

# A worksheet named like this holds the rows of that lab, batch or session.
_SHEET_NAMES: tuple[tuple[str, str], ...] = (
    (r"(?i)^(?:lab|laboratory|kitchen|site|location|school|team)\b", "lab_id"),
    (r"(?i)^(?:batch|block|load|round)\b", "block_id"),
    (r"(?i)^(?:session|day|week|visit)\b", "session_id"),
)


def check_files(
    paths: Iterable[str | Path], *, answers: Answers = NO_ANSWERS
) -> tuple[FileCheck, ...]:
    """Read several files and say everything that is wrong with them; store nothing.

    Parameters
    ----------
    paths : iterable of path
        Files: CSV, TSV or other delimited text, XLSX, Parquet.
    answers : Answers
        Answers to the questions that files may leave open.

    Returns
    -------
    tuple of FileCheck
        In the order given.

    Raises
    ------
    InputError
        A file cannot be opened.
    """
    return tuple(check_file(path, answers=answers) for path in paths)


def check_file(path: str | Path, *, answers: Answers = NO_ANSWERS) -> FileCheck:
    r"""Read one file and say everything that is wrong with it; store nothing.

    Parameters
    ----------
    path : path
        CSV, TSV or other delimited text, XLSX, Parquet.
    answers : Answers
        Answers to the questions that the file may leave open.

    Returns
    -------
    FileCheck

    Raises
    ------
    InputError
        The file cannot be opened.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sheet = pathlib.Path(folder, "trials.csv")
    ...     _ = sheet.write_text("start,time (min),cup\\n80,41.2,blue\\n20,39.9,red\\n")
    ...     found = check_file(sheet)
    >>> found.kind, found.accepted, found.ledger["used"]
    ('runs', True, 2)
    """
    return check_source(read_file(Path(path), answers=answers), answers=answers)


def check_source(source: SourceFile, *, answers: Answers = NO_ANSWERS) -> FileCheck:
    """Name and check a file that has been read.

    Parameters
    ----------
    source : SourceFile
        The file as tables of verbatim text.
    answers : Answers
        Answers to the questions that the file may leave open.

    Returns
    -------
    FileCheck
    """
    findings = Findings(source.name)
    findings.add_all(source.findings)
    for table in source.tables:
        findings.add_all(table.unreadable)
    ledger: dict[str, int] = dict.fromkeys(BINS, 0)
    ledger["unreadable"] += sum(len(t.unreadable) for t in source.tables)
    trials, traces = _named_tables(source, answers, findings, ledger)
    drafts = [_draft_table(t, source, answers, findings) for t in trials]
    kind = _kind_of_file(trials, traces)
    if kind == "unknown":
        _say_unknown(source, findings)
    if drafts:
        _finish_file(drafts, trials, answers, findings)
    for draft in drafts:
        _count(draft, ledger)
    rows, bins = schema_rows(drafts)
    if kind in ("runs", "summaries", "points") and not any(ledger.values()):
        findings.add(
            "error",
            "no-rows",
            "The sheet has headings and no rows",
            remedy="Fill in one line for each run",
        )
    faults = findings.in_order()
    refused = any(f.severity in ("error", "question") for f in faults)
    headings = tuple(column_name(c) for t in source.tables for c in t.columns)
    return FileCheck(
        file=source.name,
        sha256=source.sha256,
        kind=kind,
        accepted=not refused and kind in ("runs", "summaries", "points"),
        dialect=source.dialect,
        rows=rows,
        bins=pa.array([BINS[code] for code in range(len(BINS))], pa.string()).take(
            pa.array(bins.astype(np.int64))
        ),
        ledger=ledger,
        findings=faults,
        shape=_shape_of(headings),
        headings=headings,
    )


def _shape_of(headings: Iterable[str]) -> str:
    plain = "\n".join(plain_heading(h) for h in headings)
    return hashlib.sha256(plain.encode()).hexdigest()


@dataclass(slots=True, kw_only=True)
class _Trial:
    """A table that holds trials, named, with its kind."""

    named: NamedTable
    kind: FileKind


def _named_tables(
    source: SourceFile, answers: Answers, findings: Findings, ledger: dict[str, int]
) -> tuple[list[_Trial], int]:
    """Name all tables; what holds no trials is set aside with a line."""
    trials: list[_Trial] = []
    others: list[tuple[RawTable, Findings]] = []
    traces = 0
    for table in source.tables:
        if table.is_trace:
            traces += 1
            ledger["excluded"] += table.n_rows
            findings.add(
                "note",
                "trace",
                f"This is a temperature trace, not a list of runs: {table.because}",
                remedy="Read events out of it with metafreeze curves FILE",
                table=table,
            )
            continue
        own = Findings(source.name)
        own.follow(findings)
        own.open_table()
        named = name_columns(table, source.dialect, answers, own)
        kind = kind_of_table(named)
        if kind == "unknown":
            others.append((table, own))
        else:
            findings.take(own)
            trials.append(_Trial(named=named, kind=kind))
    for table, own in others:
        ledger["excluded"] += table.n_rows
        if trials or traces:
            _set_aside(table, findings)
        else:
            findings.take(own)
    return trials, traces


def _set_aside(table: RawTable, findings: Findings) -> None:
    headings = ", ".join(f"“{column_name(c)}”" for c in table.columns[:4])
    findings.add(
        "note",
        "not-trials",
        f"The table with {headings} has no freezing time: not read as runs",
        remedy="Give it a column “freeze time (min)” if it holds runs",
        table=table,
        at=0 if table.n_rows else None,
    )


def kind_of_table(named: NamedTable) -> FileKind:
    """Tell what a table holds from what its columns mean.

    Parameters
    ----------
    named : NamedTable
        A table with named columns.

    Returns
    -------
    {"runs", "summaries", "points", "unknown"}
    """
    if named.has(*PIXEL_TARGETS) and (named.has("pixel_x") or named.has("pixel_y")):
        return "points"
    reading = named.has("time_reading_sd_s")
    if named.has("mean_s", "median_s", *CONTRAST_TARGETS, *COUNT_TARGETS):
        return "points" if reading else "summaries"
    if named.has(*(TIME_TARGETS - {"start_clock", "watched"})) or (
        named.has("ice_mass_g") and named.has("at_time_s")
    ):
        return "points" if reading or named.has("extraction_id") else "runs"
    if named.has(*(STATISTIC_TARGETS - {"spread"})):
        return "summaries"
    return "unknown"


def _kind_of_file(trials: list[_Trial], traces: int) -> FileKind:
    if trials:
        return trials[0].kind
    return "trace" if traces else "unknown"


def _say_unknown(source: SourceFile, findings: Findings) -> None:
    if not source.tables:
        if not findings.has_open():
            findings.add(
                "error",
                "no-table",
                "No table was found in the file",
                remedy="Give it one line of headings and one line for each run; a template comes "
                "from metafreeze template runs",
            )
        return
    if findings.has("heading-not-recognised", "heading-may-be-a-date", "day-order-undecidable"):
        # Each heading is asked about with its nearest suggestions already.
        return
    table = source.tables[0]
    shown = ", ".join(f"“{column_name(c)}”" for c in table.columns[:8])
    findings.add(
        "question",
        "no-freezing-time",
        f"None of the headings is known as a freezing time: {shown}",
        remedy='Say which one it is with --map "HEADING=freeze time"',
        table=table,
    )


def _draft_table(trial: _Trial, source: SourceFile, answers: Answers, findings: Findings) -> Draft:
    findings.open_table()
    named = trial.named
    if named.has(*PIXEL_TARGETS) and trial.kind == "points":
        draft = read_points(named, source.dialect, answers, findings)
    elif named.has(*STATISTIC_TARGETS, *CONTRAST_TARGETS, *COUNT_TARGETS):
        draft = read_summaries(named, source.dialect, answers, findings)
    else:
        draft = read_runs(named, source.dialect, answers, findings)
    _settle_hidden(draft, answers, findings)
    _fill_provenance(draft, trial, source, answers, findings)
    check_rows(draft, named, findings)
    return draft


def _settle_hidden(draft: Draft, answers: Answers, findings: Findings) -> None:
    hidden = draft.table.hidden
    if hidden is None or not hidden.any():
        return
    at = hidden[draft.record]
    rows = [int(r) for r in draft.table.file_rows[hidden]]
    names = [n for n in draft.text("run_id").filter(pa.array(at & draft.kept)).to_pylist() if n]
    shown = f" ({', '.join(f'run “{n}”' for n in dict.fromkeys(names))})" if names else ""
    if answers.hidden == "exclude":
        draft.exclude(at & draft.kept, "row hidden in the workbook")
        draft.put(at & draft.kept, "excluded")
    severity = "note" if answers.hidden in ("keep", "exclude") else "question"
    done = {"keep": ": kept, as answered", "exclude": ": left out, as answered"}
    findings.add(
        severity,  # type: ignore[arg-type]
        "hidden-rows",
        f"{list_rows(rows)[:1].upper()}{list_rows(rows)[1:]} "
        f"{'is' if len(rows) == 1 else 'are'} hidden{shown}{done.get(answers.hidden, '')}",
        remedy="Answer with --hidden keep to use hidden rows, or --hidden exclude to leave them "
        "out",
        table=draft.table,
        at=int(np.flatnonzero(hidden)[0]),
        value=names[0] if names else "",
        run=names[0] if names else "",
    )


def _fill_provenance(
    draft: Draft, trial: _Trial, source: SourceFile, answers: Answers, findings: Findings
) -> None:
    """Write where rows come from, and what the sheet name and the answers say of them."""
    n = draft.n

    def throughout(text: str) -> pa.StringArray:
        return pa.repeat(pa.scalar(text, pa.string()), n)

    _name_from_sheet(draft, trial, findings)
    if answers.lab:
        lab = draft.text("lab_id")
        draft.columns["lab_id"] = pc.fill_null(lab, answers.lab)
    if answers.endpoint:
        draft.columns["endpoint"] = pc.fill_null(draft.text("endpoint"), answers.endpoint)
    draft.columns["source_id"] = pc.fill_null(draft.text("source_id"), source.name)
    draft.columns["file_name"] = throughout(source.name)
    if draft.table.sheet:
        draft.columns["sheet_name"] = throughout(draft.table.sheet)
    draft.columns["file_row"] = draft.table.file_rows[draft.record].astype(np.float64)
    if answers.invented:
        draft.columns["invented"] = pa.repeat(pa.scalar(True), n)


def _name_from_sheet(draft: Draft, trial: _Trial, findings: Findings) -> None:
    sheet = draft.table.sheet.strip()
    for pattern, field in _SHEET_NAMES:
        if re.match(pattern, sheet) and not trial.named.has(field):
            draft.columns[field] = pa.repeat(pa.scalar(sheet, pa.string()), draft.n)
            draft.note_derived(f"{field}: name of the worksheet")
            findings.add(
                "note",
                "from-sheet-name",
                f"The worksheet's name is taken as {FIELD[field].label} of its rows",
                table=draft.table,
                value=sheet,
            )
            return


def _finish_file(
    drafts: list[Draft], trials: list[_Trial], answers: Answers, findings: Findings
) -> None:
    """Look at all rows of a file together."""
    ask_about_repeated_sources(drafts, answers, findings)
    settle_repeats(drafts, findings)
    note_levels(drafts, findings)
    note_coarse_times(drafts, findings)
    _note_absent(drafts, trials, findings)


def _note_absent(drafts: list[Draft], trials: list[_Trial], findings: Findings) -> None:
    """Say once what the sheet does not say: endpoint, lab, start temperature."""
    first = drafts[0].table
    if _share_null(drafts, "endpoint") > 0:
        options = ", ".join(ENDPOINT_WORDS)
        findings.add(
            "note",
            "no-endpoint",
            "The sheet does not say what was called frozen",
            remedy=f"Answer with --endpoint and one of {options}; otherwise the register's own "
            "endpoint is taken",
            table=first,
        )
    _note_labs(drafts, trials, findings)
    for draft in drafts:
        if not draft.kept.any() or not np.isnan(draft.numbers("start_temp_c")[draft.kept]).all():
            continue
        levels = draft.text("record_level")
        single = pc.fill_null(
            pc.is_in(levels, value_set=pa.array(["run", "arm_summary"])), False
        ).to_numpy(zero_copy_only=False)
        pending = findings.has(
            "unit-missing", "same-meaning-twice", "axis-quantity", "too-few-marks"
        )
        if (single & draft.kept).any() and not pending:
            findings.add(
                "note",
                "no-start-temperature",
                "The sheet gives no start temperature: its rows are kept and cannot enter a model",
                remedy="Add a column “start temperature (°C)”",
                table=draft.table,
            )


def _share_null(drafts: list[Draft], name: str) -> float:
    null = sum(
        int((pc.is_null(d.text(name)).to_numpy(zero_copy_only=False) & d.kept).sum())
        for d in drafts
    )
    total = sum(int(d.kept.sum()) for d in drafts)
    return null / total if total else 0.0


def _note_labs(drafts: list[Draft], trials: list[_Trial], findings: Findings) -> None:
    share = _share_null(drafts, "lab_id")
    if share == 0:
        return
    first = drafts[0].table
    if share == 1:
        if not any(t.named.has("source_id") for t in trials):
            findings.add(
                "note",
                "no-lab",
                "The sheet does not say which lab the rows are from: they count as one lab, named "
                "after the file",
                remedy="Answer with --lab NAME, or add a column “lab”",
                table=first,
            )
        return
    for draft, trial in zip(drafts, trials, strict=True):
        null = pc.is_null(draft.text("lab_id")).to_numpy(zero_copy_only=False) & draft.kept
        column = trial.named.first("lab_id")
        if not null.any() or column is None:
            continue
        rows = sorted({int(r) for r in draft.table.file_rows[draft.record[null]]})
        findings.add(
            "note",
            "lab-unknown",
            f"{len(rows)} row{'s' if len(rows) > 1 else ''} name no lab ({list_rows(rows)}): kept "
            "together as lab unknown",
            remedy="Fill in the lab, or answer with --lab NAME for all rows that name none",
            table=draft.table,
            column=column.column,
            at=int(draft.record[np.flatnonzero(null)[0]]),
        )


def _count(draft: Draft, ledger: dict[str, int]) -> None:
    bins = record_bins(draft)
    for name, code in BIN_CODE.items():
        ledger[name] += int((bins == code).sum())
    for name, n in draft.aside.items():
        ledger[name] += n
