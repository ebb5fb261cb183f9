"""Published entries that share a source: two arms of one source, or studies of their own."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.answers import Answers
from metafreeze.register.meaning.findings import Findings, list_rows
from metafreeze.register.meaning.words import plain_word
from metafreeze.register.rows.drafts import Draft

# What tells several contrasts or counts of one source apart.
_TELL_APART = (
    "endpoint",
    "start_temp_hot_c",
    "start_temp_cold_c",
    "start_temp_c",
    "arm",
    "lab_id",
    "block_id",
    "session_id",
    "specimen_id",
    "extraction_id",
    "locator",
    "vessel_material",
    "lid",
    "water_mass_start_g",
    "sink_temp_c",
    "sink_type",
)


def ask_about_repeated_sources(
    drafts: Sequence[Draft], answers: Answers, findings: Findings
) -> None:
    """Ask whether contrasts under one source name are one source or several studies.

    Names that differ in case or spaces only count as one name. Entries that some column
    tells apart are not asked about.

    Parameters
    ----------
    drafts : sequence of Draft
        All rows of the file; with the answer ``one`` the names are spelled alike, with
        ``separate`` each entry gets a name of its own.
    answers : Answers
        `same_source` is read.
    findings : Findings
        Receives the question.
    """
    published = pa.array(["contrast_summary", "pair_count"])
    for draft in drafts:
        if not pc.any(pc.is_in(draft.text("record_level"), value_set=published)).as_py():
            continue
        levels = draft.text("record_level").to_pylist()
        names = draft.text("source_id").to_pylist()
        groups: dict[tuple[object, ...], list[int]] = {}
        for at in np.flatnonzero(draft.kept):
            if levels[at] not in ("contrast_summary", "pair_count") or not names[at]:
                continue
            if draft.numbers("n_pairs")[at] == 1:
                # Single pairs of one source are its replicates.
                continue
            key = (levels[at], plain_word(names[at]).replace(" ", ""), *_details(draft, int(at)))
            groups.setdefault(key, []).append(int(at))
        for rows in groups.values():
            if len(rows) > 1:
                _settle(draft, rows, [str(names[at]) for at in rows], answers, findings)


def _details(draft: Draft, at: int) -> tuple[object, ...]:
    details: list[object] = []
    for name in _TELL_APART:
        values = draft.columns.get(name)
        if values is None:
            details.append(None)
        elif isinstance(values, np.ndarray):
            details.append(None if np.isnan(values[at]) else float(values[at]))
        else:
            details.append(values[at].as_py())
    return tuple(details)


def _settle(
    draft: Draft, rows: list[int], names: list[str], answers: Answers, findings: Findings
) -> None:
    lines = [int(draft.table.file_rows[draft.record[at]]) for at in rows]
    spelled = " and ".join(f"“{n}”" for n in dict.fromkeys(names))
    if answers.same_source in ("one", "separate"):
        source = draft.text("source_id").to_pylist()
        for at, name, line in zip(rows, names, lines, strict=True):
            source[at] = names[0] if answers.same_source == "one" else f"{name} (row {line})"
        draft.columns["source_id"] = pa.array(source, pa.string())
        changed = pc.is_in(
            pa.array(np.arange(draft.n)), value_set=pa.array(rows, pa.int64())
        ).to_numpy(zero_copy_only=False)
        draft.note_derived(f"source_id: {answers.same_source}, as answered", changed)
        return
    findings.add(
        "question",
        "same-source-twice",
        f"{spelled} {'stand' if ' and ' in spelled else 'stands'} in {list_rows(lines)}: are these "
        "two arms or reports of one source, or studies of their own?",
        remedy="Answer with --same-source one or --same-source separate, or tell them apart by a "
        "column such as “arm” or “place in source”",
        table=draft.table,
        at=int(draft.record[rows[1]]),
        heading="source",
        value=names[1],
        run=names[0],
    )
