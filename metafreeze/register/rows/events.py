"""The event that was timed, as cells name it."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import read_heading, target_words
from metafreeze.register.meaning.named import NamedTable
from metafreeze.register.meaning.words import find_word, is_missing
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.schema import FIELD


def read_endpoint_column(named: NamedTable, draft: Draft, findings: Findings) -> None:
    """Read the column that names the event of each row, with the threshold it may carry."""
    column = named.first("endpoint")
    if column is None:
        return
    encoded = column.labels.dictionary_encode()
    words: list[str | None] = []
    thresholds: list[float | None] = []
    unknown: set[int] = set()
    for code, text in enumerate(encoded.dictionary.to_pylist()):
        word, threshold = find_event(text)
        words.append(word or None)
        thresholds.append(threshold)
        if not word and not is_missing(text):
            unknown.add(code)
    draft.columns["endpoint"] = pa.array(words, pa.string()).take(encoded.indices)
    if any(t is not None for t in thresholds) and "threshold_c" not in draft.columns:
        taken = pa.array(thresholds, pa.float64()).take(encoded.indices)
        draft.columns["threshold_c"] = taken.to_numpy(zero_copy_only=False)
    codes = pc.fill_null(encoded.indices, -1).to_numpy(zero_copy_only=False)
    texts = encoded.dictionary.to_pylist()
    for at in np.flatnonzero(np.isin(codes, list(unknown))) if unknown else ():
        findings.add(
            "error",
            "unknown-word",
            f"“{texts[int(codes[at])]}” is not a word for {target_words('endpoint')}",
            remedy=f"Use one of {', '.join(FIELD['endpoint'].vocabulary)}",
            table=draft.table,
            column=column.column,
            at=int(at),
            value=texts[int(codes[at])],
        )


def find_event(text: str) -> tuple[str, float | None]:
    """Read an event from a cell: its endpoint, and the temperature of a threshold.

    Parameters
    ----------
    text : str
        Such as ``fully solid``, ``first ice`` or ``reached 4 °C``.

    Returns
    -------
    endpoint : str
        Empty where the text names none.
    threshold_c : float or None
    """
    word = find_word("endpoint", text)
    if word:
        return word, None
    tidy = text.strip()
    for candidate in (f"time to {tidy}", tidy):
        for meaning in read_heading(candidate):
            if meaning.target == "time" and meaning.endpoint:
                return meaning.endpoint, meaning.threshold_c
    return "", None
