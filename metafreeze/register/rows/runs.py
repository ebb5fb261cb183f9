"""Sheets of single runs: a record to one row, or to one row for each event, arm or day."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import Answers
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import plain_heading
from metafreeze.register.meaning.named import PLAIN_SLOT, NamedColumn, NamedTable, Slot, slot_of
from metafreeze.register.meaning.words import is_missing
from metafreeze.register.rows.drafts import BIN_CODE, Draft, interleave
from metafreeze.register.rows.masses import read_masses
from metafreeze.register.rows.outcomes import Times
from metafreeze.register.rows.readings import Reading, begin_reading
from metafreeze.register.rows.totals import report_totals
from metafreeze.register.rows.windows import REFUSED, read_windows
from metafreeze.register.schema import RECORD_LEVELS

BoolArray = npt.NDArray[np.bool_]

# Columns that say when the event was, alone or together.
TIME_SOURCES = ("time", "time_lower_s", "time_upper_s", "start_clock", "end_clock")

# Columns that the builder of runs reads itself.
_HANDLED = frozenset((*TIME_SOURCES, "endpoint", "exclusion_reason"))

# Names of a column that numbers runs or, as often, the vessels that went in together.
_TRIAL_HEADINGS = frozenset(
    (
        "trial",
        "trial no",
        "trial id",
        "trial number",
        "experiment",
        "experiment no",
        "exp",
        "test",
        "test no",
        "replicate",
        "replicate no",
        "rep",
        "repeat",
        "repetition",
        "attempt",
    )
)

NO_TIME = "no freezing time"
CODED_TIME = "the freezing time is a code for a missing value"
NO_START = "no start temperature"
NO_VALUE = "formula without a stored value"


@dataclass(slots=True, kw_only=True)
class _Sources:
    """The columns that say when, for one slot."""

    slot: Slot
    columns: dict[str, NamedColumn] = field(default_factory=dict)


def read_runs(named: NamedTable, dialect: Dialect, answers: Answers, findings: Findings) -> Draft:
    """Turn a table of runs into a draft.

    Parameters
    ----------
    named : NamedTable
        A table with named columns.
    dialect : Dialect
        How numbers look.
    answers : Answers
        What a person has answered.
    findings : Findings
        Receives what is wrong.

    Returns
    -------
    Draft
    """
    sources = _sources_of(named)
    _settle_pair_label(named, sources, findings)
    _settle_trial_label(named, findings)
    reading = begin_reading(named, dialect, answers, findings)
    shared = reading.read_shared(_HANDLED)
    drafts = [_read_slot(reading, source, shared, alone=len(sources) == 1) for source in sources]
    draft = interleave(drafts)
    if len(drafts) > 1:
        _drop_empty_slots(draft, len(drafts))
    draft.drop(reading.totals[draft.record], "excluded")
    report_totals(named, reading.totals, findings)
    _report_missing_times(draft, named, findings)
    return draft


def _sources_of(named: NamedTable) -> list[_Sources]:
    """Gather, for each event, arm, start temperature or day, the columns that say when."""
    by_slot: dict[Slot, _Sources] = {}
    for column in named.all_of(*TIME_SOURCES):
        slot = slot_of(column)
        source = by_slot.setdefault(slot, _Sources(slot=slot))
        source.columns.setdefault(column.target, column)
    plain = by_slot.get(PLAIN_SLOT)
    if len(by_slot) > 1 and plain is not None and set(plain.columns) == {"start_clock"}:
        # One clock at the start serves all events.
        del by_slot[PLAIN_SLOT]
        for source in by_slot.values():
            source.columns.setdefault("start_clock", plain.columns["start_clock"])
    if not by_slot:
        by_slot[PLAIN_SLOT] = _Sources(slot=PLAIN_SLOT)
    return list(by_slot.values())


def _settle_pair_label(named: NamedTable, sources: list[_Sources], findings: Findings) -> None:
    """Where a line holds a hot and a cold run, its label names the batch they share."""
    arms = {(s.slot.arm, s.slot.start_temp_c) for s in sources}
    label = named.first("run_id")
    if len(arms) < 2 or named.has("block_id") or label is None or label.answered:
        return
    label.meaning = replace(label.meaning, target="block_id")
    findings.add(
        "note",
        "line-is-a-batch",
        f"Each line holds runs of several arms: “{label.name}” is read as the batch they share",
        remedy=f'If they were not cooled together, answer with --map "{label.name}=remark"',
        table=named.table,
        column=label.column,
    )


def _settle_trial_label(named: NamedTable, findings: Findings) -> None:
    """Where a trial holds several start temperatures, it names vessels cooled together."""
    label = named.first("run_id")
    starts = named.all_of("start_temp_c")
    if label is None or len(starts) != 1 or named.has("block_id"):
        return
    if plain_heading(label.column.heading) not in _TRIAL_HEADINGS or label.answered:
        return
    if len(pc.unique(label.labels)) == len(label.labels):
        return
    lab = named.first("lab_id")
    labs = lab.labels.to_pylist() if lab is not None else [None] * named.table.n_rows
    groups: dict[tuple[str | None, str], list[str | None]] = {}
    for where, name, start in zip(
        labs, label.labels.to_pylist(), starts[0].labels.to_pylist(), strict=True
    ):
        if name is not None:
            groups.setdefault((where, name), []).append(start)
    shared = [g for g in groups.values() if len(g) > 1]
    if 2 * len(shared) < len(groups) or any(len(set(g)) != len(g) for g in shared):
        return
    label.meaning = replace(label.meaning, target="block_id")
    findings.add(
        "note",
        "trial-is-a-batch",
        f"Each “{label.name}” holds several start temperatures: read as the batch of vessels "
        "cooled together",
        remedy=f"If it only numbers the runs of each temperature, answer with "
        f'--map "{label.name}=run"',
        table=named.table,
        column=label.column,
    )


def _read_slot(reading: Reading, source: _Sources, shared: Draft, *, alone: bool) -> Draft:
    """Read one event, arm or day of every record."""
    draft = reading.begin_slot(shared, source.slot, _HANDLED)
    draft.columns["record_level"] = pa.repeat(pa.scalar(RECORD_LEVELS[0]), draft.n)
    times = read_windows(reading, source.columns, draft)
    read_masses(reading, source.slot, draft)
    draft.columns["time_lower_s"] = np.where(np.isfinite(times.lower), times.lower, np.nan)
    draft.columns["time_upper_s"] = np.where(np.isfinite(times.upper), times.upper, np.nan)
    if times.sd is not None:
        draft.columns["time_reading_sd_s"] = times.sd
    _sort_into_bins(reading, source, draft, times)
    if alone:
        _exclude_without_start(reading, draft)
    _exclude_with_reason(draft)
    return draft


def _sort_into_bins(reading: Reading, source: _Sources, draft: Draft, times: Times) -> None:
    """Put each row into its ledger bin, with a reason where it is left out."""
    draft.put(
        times.is_form("window", "left-censored", "right-censored", "never"), "not seen exactly"
    )
    missing = times.is_form("missing")
    if "ice_mass_g" in draft.columns:
        ice = ~np.isnan(draft.numbers("ice_mass_g")) & ~np.isnan(draft.numbers("at_time_s"))
        missing &= ~ice
    draft.put(times.is_form(*REFUSED), "unreadable")
    formulas: set[int] = set()
    for column in source.columns.values():
        formulas |= reading.findings.formula_rows(draft.table, column.column)
    unsolved = missing & np.isin(draft.table.file_rows, list(formulas))
    if unsolved.any():
        draft.set_text("exclusion_reason", unsolved, NO_VALUE, over=False)
        draft.put(unsolved, "unreadable")
    draft.exclude(missing & ~unsolved, NO_TIME)
    draft.exclude(times.is_form("sentinel"), CODED_TIME)


def _exclude_with_reason(draft: Draft) -> None:
    if "exclusion_reason" in draft.columns:
        given = pc.is_valid(draft.text("exclusion_reason")).to_numpy(zero_copy_only=False)
        draft.put(given & (draft.bins != BIN_CODE["unreadable"]), "excluded")


def _exclude_without_start(reading: Reading, draft: Draft) -> None:
    """Leave out single rows without a start temperature; a sheet without any is kept whole."""
    starts = reading.named.all_of("start_temp_c")
    if not starts:
        return
    lacking = np.isnan(draft.numbers("start_temp_c")) & ~reading.totals
    if not lacking.any():
        return
    empty = lacking.copy()
    for column in starts:
        filled = [t is not None and not is_missing(t) for t in column.labels.to_pylist()]
        empty &= ~np.array(filled)
    if all(c.unit is not None or c.unit_column is not None for c in starts):
        # A cell that is filled but cannot be read has its own finding.
        draft.put(lacking & ~empty, "unreadable")
    if not empty.any() or empty.all():
        return
    already = pc.is_valid(draft.text("exclusion_reason")).to_numpy(zero_copy_only=False)
    for at in np.flatnonzero(empty & ~already):
        reading.findings.add(
            "note",
            "no-start-temperature",
            "The start temperature is missing: the row cannot enter a model",
            remedy="Enter it, or leave the row as it is",
            table=draft.table,
            column=starts[0].column,
            at=int(at),
        )
    draft.exclude(empty, NO_START)


def _drop_empty_slots(draft: Draft, k: int) -> None:
    """Drop an empty event, arm or day of a record that has another one."""
    reason = draft.text("exclusion_reason")
    empty = pc.fill_null(pc.equal(reason, NO_TIME), False).to_numpy(zero_copy_only=False)
    grid = empty.reshape(-1, k)
    filled_elsewhere = ~grid.all(axis=1)
    drop = grid.copy()
    # A record that is empty throughout keeps its first row, with the reason.
    drop[~filled_elsewhere, 0] = False
    draft.kept[drop.ravel()] = False
    # The ledger counts records: a dropped row takes the bin of one that speaks for it.
    bins = draft.bins.reshape(-1, k)
    spoken = np.where(grid, np.iinfo(np.int8).max, bins).min(axis=1)
    bins[...] = np.where(grid & filled_elsewhere[:, None], spoken[:, None], bins)
    draft.bins = bins.ravel()


def _report_missing_times(draft: Draft, named: NamedTable, findings: Findings) -> None:
    """List every row that is left out because it has no time."""
    reason = draft.text("exclusion_reason")
    time = named.first("time") or named.first("time_upper_s") or named.first("end_clock")
    empty = pc.fill_null(pc.equal(reason, NO_TIME), False).to_numpy(zero_copy_only=False)
    for at in np.flatnonzero(empty & draft.kept):
        findings.add(
            "note",
            "no-freezing-time",
            "There is no freezing time: the row is kept and left out of every model",
            remedy="If the vessel never froze, write how long it was watched, such as >180",
            table=draft.table,
            column=time.column if time is not None else None,
            at=int(draft.record[at]),
        )
