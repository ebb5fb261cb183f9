"""Published groups that contradict themselves, or that cannot be weighed."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import NamedColumn
from metafreeze.register.meaning.values import cell_text
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.readings import Reading

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# An SD this much below the others' relative spread, and near a standard error, is queried.
OUT_OF_LINE = 0.55
NEAR_STANDARD_ERROR = 1.6
FEWEST_COMPARED = 4

_ORDERED = (
    ("ci_low_s", "ci_high_s", "The lower confidence limit", "the upper one"),
    ("q1_s", "q3_s", "The first quartile", "the third one"),
    ("min_s", "max_s", "The smallest time", "the largest one"),
)


def check_groups(reading: Reading, draft: Draft, groups: BoolArray) -> None:
    """Report groups that contradict themselves; list those that cannot be weighed.

    Parameters
    ----------
    reading : Reading
        The table.
    draft : Draft
        Its rows.
    groups : bool array, shape (rows,)
        The rows that are groups.
    """
    use = groups & ~reading.totals & (draft.bins == 0)
    mean, median = draft.numbers("mean_s"), draft.numbers("median_s")
    centre = np.where(np.isnan(mean), median, mean)
    centres = reading.named.all_of("mean_s", "median_s")
    for low_name, high_name, low_words, high_words in _ORDERED:
        low, high = draft.numbers(low_name), draft.numbers(high_name)
        column = reading.named.first(low_name) or (centres[0] if centres else None)
        for at in np.flatnonzero(use & (low > high)):
            _report(
                reading.findings,
                "bounds-swapped",
                f"{low_words} lies above {high_words}",
                "Write the smaller one first",
                draft,
                column,
                int(at),
            )
        for at in np.flatnonzero(use & (low <= high) & ((centre < low) | (centre > high))):
            what = "median" if math.isnan(mean[at]) else "mean"
            within = "interval" if low_name == "ci_low_s" else "spread"
            _report(
                reading.findings,
                "outside-own-interval",
                f"The {what} lies outside its own {within}",
                "Check the row against its source",
                draft,
                centres[0] if centres else None,
                int(at),
            )
    empty = use & np.isnan(centre)
    for at in np.flatnonzero(empty):
        reading.findings.add(
            "note",
            "no-centre",
            "There is neither a mean nor a median: the row is kept and left out",
            table=draft.table,
            column=centres[0].column if centres else None,
            at=int(at),
        )
    draft.exclude(empty, "no mean or median")
    _list_weightless(draft, use & ~empty, reading.findings)


def _report(
    findings: Findings,
    rule: str,
    message: str,
    remedy: str,
    draft: Draft,
    column: NamedColumn | None,
    at: int,
) -> None:
    findings.add(
        "error",
        rule,
        message,
        remedy=remedy,
        table=draft.table,
        column=column.column if column is not None else None,
        at=at,
        value=cell_text(column.column, at) if column is not None else "",
        run=draft.text("source_id")[at].as_py() or "",
    )


def _list_weightless(draft: Draft, use: BoolArray, findings: Findings) -> None:
    """List groups that have no spread, none of their own, or no count."""
    spread = np.zeros(draft.n, dtype=np.bool_)
    for name in ("sd_s", "se_s", "ci_high_s", "q3_s", "max_s"):
        spread |= ~np.isnan(draft.numbers(name))
    zero = (draft.numbers("sd_s") == 0) | (draft.numbers("se_s") == 0)
    runs = draft.numbers("n_runs")
    for mask, rule, said, remedy in (
        (
            ~spread,
            "no-spread",
            "has no spread, so it cannot be weighed: kept and shown, left out of fits",
            "Add a column “SD (min)”, or another spread with its type",
        ),
        (
            zero,
            "zero-spread",
            "has a spread of zero: all its times fell on one step of the timer, so it cannot be "
            "standardised",
            "Check the spread in the source",
        ),
        (
            runs == 1,
            "single-run",
            "is a single run (n = 1): it has no spread of its own",
            "Leave it if that is so",
        ),
        (
            np.isnan(runs),
            "no-count",
            "does not say how many runs it stands for",
            "Add a column “n”",
        ),
    ):
        for at in np.flatnonzero(use & mask):
            findings.add(
                "note",
                rule,
                f"{label_of(draft, int(at))} {said}",
                remedy=remedy,
                table=draft.table,
                at=int(at),
            )


def label_of(draft: Draft, at: int) -> str:
    """Name a published row by source or lab and arm."""
    source = draft.text("source_id")[at].as_py() or draft.text("lab_id")[at].as_py()
    arm = draft.text("arm")[at].as_py()
    return ", ".join(x for x in (source, arm) if x) or "The row"


def query_spreads(draft: Draft, findings: Findings) -> None:
    """Query an SD that is out of line with the others by about the root of n.

    Standard errors labelled as SDs are the commonest slip in tables of means.

    Parameters
    ----------
    draft : Draft
        All rows of the table.
    findings : Findings
        Receives the queries, as notes.
    """
    sd, runs = draft.numbers("sd_s"), draft.numbers("n_runs")
    mean, median = draft.numbers("mean_s"), draft.numbers("median_s")
    centre = np.where(np.isnan(mean), median, mean)
    unstated = pc.fill_null(pc.equal(draft.text("error_bar_meaning"), "unstated"), False).to_numpy(
        zero_copy_only=False
    )
    # Absurd spreads over tiny means are infinitely out of line, which is no cause to warn.
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        relative = np.where((sd > 0) & ~unstated & draft.kept, sd / centre, np.nan)
        from_se = draft.numbers("se_s") * np.sqrt(runs) / centre
    pool = np.where(np.isnan(relative), from_se, relative)
    if np.count_nonzero(~np.isnan(pool)) < FEWEST_COMPARED:
        return
    for at in np.flatnonzero(~np.isnan(relative) & (runs >= FEWEST_COMPARED)):
        usual = float(np.nanmedian(np.delete(pool, at)))
        ratio = relative[at] / usual
        as_error = ratio * math.sqrt(runs[at])
        near = 1 / NEAR_STANDARD_ERROR <= as_error <= NEAR_STANDARD_ERROR
        if ratio < OUT_OF_LINE and near:
            findings.add(
                "note",
                "spread-out-of-line",
                f"{label_of(draft, int(at))} has an SD of {100 * relative[at]:.2g} % of its mean "
                f"where the others have about {100 * usual:.2g} %: with n = {runs[at]:g} it may be "
                "a standard error",
                remedy="Check in the source what the spread is",
                table=draft.table,
                at=int(draft.record[at]),
            )
