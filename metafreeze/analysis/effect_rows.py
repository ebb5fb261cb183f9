"""Choose the rows of one endpoint, name their study and batch, and account for every row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.effects.spreads import PrintedArm
from metafreeze.errors import InputError
from metafreeze.options import Endpoint, require_choice
from metafreeze.results import FloatArray

# A vessel seen unfrozen at one look and frozen at the next counts as timed at the middle of
# the window (on logarithms) up to this ratio of the two times: the error this adds has then a
# standard deviation of at most ln(1.25)/sqrt(12) = 0.064, that of ordinary scatter.
WIDEST_WINDOW = 1.25

UNUSED_COLUMNS = ("row", "file_name", "file_row", "study", "record_level", "reason")

NUMBERS = (
    "start_temp_c",
    "start_temp_sd_k",
    "time_lower_s",
    "time_upper_s",
    "time_reading_sd_s",
    "check_interval_s",
    "log_interval_s",
    "threshold_c",
    "mean_s",
    "sd_s",
    "se_s",
    "ci_low_s",
    "ci_high_s",
    "ci_level",
    "median_s",
    "q1_s",
    "q3_s",
    "min_s",
    "max_s",
    "n_runs",
    "n_specimens",
    "start_temp_hot_c",
    "start_temp_cold_c",
    "contrast_value",
    "contrast_se",
    "contrast_low",
    "contrast_high",
    "n_hot",
    "n_cold",
    "p_value",
    "k_hot_first",
    "n_pairs",
    "n_ties",
    "file_row",
)
WORDS = (
    "record_level",
    "lab_id",
    "source_id",
    "block_id",
    "session_id",
    "specimen_id",
    "arm",
    "endpoint",
    "residual_endpoint",
    "error_bar_meaning",
    "contrast_scale",
    "direction",
    "exclusion_reason",
    "extraction_id",
    "file_name",
)


@dataclass(slots=True)
class Ledger:
    """Rows that take no part, each with its reason.

    Parameters
    ----------
    entries : list of tuple
        Position in the chosen rows and reason.
    notes : list of str
        What the reader should know about the rows that do take part.
    """

    entries: list[tuple[int, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def leave_out(self, positions: npt.ArrayLike, reason: str) -> None:
        """Put rows, by position, into the ledger with one reason."""
        self.entries += [(int(i), reason) for i in np.atleast_1d(positions)]

    def note(self, sentence: str) -> None:
        """Keep a sentence for the reader, once."""
        if sentence not in self.notes:
            self.notes.append(sentence)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectRows:
    """All rows as arrays, in a fixed order that does not depend on the order given.

    Parameters
    ----------
    number : dict of float array, shape (r,)
        Numeric fields; NaN where absent.
    word : dict of object array, shape (r,)
        Text fields; empty where absent.
    study, group : object array, shape (r,)
        Study key, and the key of the rows that are compared with each other.
    batched : bool array, shape (r,)
        Whether the row names a batch.
    label : object array, shape (r,)
        Row label in the frame as given.
    use : bool array, shape (r,)
        Rows of this endpoint that are not excluded.
    """

    number: dict[str, FloatArray]
    word: dict[str, npt.NDArray[np.object_]]
    study: npt.NDArray[np.object_]
    group: npt.NDArray[np.object_]
    batched: npt.NDArray[np.bool_]
    label: npt.NDArray[np.object_]
    use: npt.NDArray[np.bool_]

    def positions(self, level: str, study: str | None = None) -> npt.NDArray[np.intp]:
        """Give the positions of the used rows of one kind, of one study or of all."""
        chosen = self.use & (self.word["record_level"] == level)
        if study is not None:
            chosen = chosen & (self.study == study)
        return np.flatnonzero(chosen)

    def printed_arm(self, i: int, *, sd: float, se: float) -> PrintedArm:
        """Give what the table prints about the group in row i, with its bars as read."""
        n = self.number
        level = n["ci_level"][i]
        return PrintedArm(
            n=n["n_runs"][i],
            mean=n["mean_s"][i],
            sd=sd,
            se=se,
            ci_low=n["ci_low_s"][i],
            ci_high=n["ci_high_s"][i],
            ci_level=0.95 if np.isnan(level) else level,
            median=n["median_s"][i],
            q1=n["q1_s"][i],
            q3=n["q3_s"][i],
            minimum=n["min_s"][i],
            maximum=n["max_s"][i],
        )

    def unused_frame(self, ledger: Ledger) -> pd.DataFrame:
        """Write the ledger as a table, in the order of the rows as given."""
        rows = [
            (
                self.label[i],
                self.word["file_name"][i],
                self.number["file_row"][i],
                self.study[i],
                self.word["record_level"][i],
                reason,
            )
            for i, reason in ledger.entries
        ]
        frame = pd.DataFrame(rows, columns=list(UNUSED_COLUMNS))
        return frame.sort_values(
            ["row", "reason"], kind="stable", key=lambda s: s.map(_sort_key)
        ).reset_index(drop=True)


def _sort_key(value: object) -> tuple[int, float, str]:
    if isinstance(value, (int, float, np.integer, np.floating)):
        return (0, float(value), "")
    return (1, 0.0, str(value))


def choose_rows(
    rows: pd.DataFrame,
    *,
    endpoint: str,
    direction: str = "cooling",
    threshold_c: float | None = None,
    residual_endpoint: str | None = None,
) -> tuple[EffectRows, Ledger]:
    """Pick the rows of one endpoint and put all others into the ledger.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema, any mix of kinds.
    endpoint : str
        One endpoint; endpoints are never pooled together.
    direction : {"cooling", "warming"}
        The other direction is left out; an empty cell means cooling.
    threshold_c : float, optional
        Which temperature, for ``t_threshold``.
    residual_endpoint : str, optional
        Which event ends it, for ``t_residual``.

    Returns
    -------
    EffectRows, Ledger

    Raises
    ------
    InputError
        The endpoint is not a time, or rows mix thresholds and none was named.
    """
    require_choice(endpoint, Endpoint, name="endpoint")
    if endpoint == "ice_at_time":
        raise InputError(
            "endpoint is 'ice_at_time', a mass and not a time. Choose a time, such as \"t_solid\"."
        )
    if direction not in ("cooling", "warming"):
        raise InputError(f'direction is {direction!r}. Choose one of "cooling", "warming".')
    if not isinstance(rows, pd.DataFrame):
        raise InputError(f"rows is a {type(rows).__name__}. Give a DataFrame of register rows.")
    number = {name: _numbers(rows, name) for name in NUMBERS}
    word = {name: _words(rows, name) for name in WORDS}
    label = np.empty(len(rows), dtype=object)
    label[:] = list(rows.index)
    word["record_level"] = np.where(word["record_level"] == "", "run", word["record_level"])
    study = np.where(word["lab_id"] != "", word["lab_id"], word["source_id"])
    batch = np.where(word["block_id"] != "", word["block_id"], word["session_id"])
    # The batch label restarts in every lab; the session tells blocks of one name apart. A
    # published group is compared with the groups of its own source only.
    single = word["record_level"] == "run"
    source = np.where(single, "", word["source_id"])
    group = _joined(study, single.astype(str).astype(object), source, word["session_id"], batch)
    order = _fixed_order(study, group, number, word)
    chosen = EffectRows(
        number={name: values[order] for name, values in number.items()},
        word={name: values[order] for name, values in word.items()},
        study=study[order],
        group=group[order],
        batched=(batch != "")[order],
        label=label[order],
        use=np.ones(len(rows), dtype=bool),
    )
    ledger = Ledger()
    _sift(chosen, ledger, endpoint, direction, threshold_c, residual_endpoint)
    return chosen, ledger


def _numbers(rows: pd.DataFrame, name: str) -> FloatArray:
    if name not in rows:
        return np.full(len(rows), np.nan)
    try:
        return pd.to_numeric(rows[name]).to_numpy(dtype=np.float64, na_value=np.nan)
    except (TypeError, ValueError) as problem:
        raise InputError(
            f"column {name} holds something that is not a number ({problem}). Read the file with "
            "the register's way in, which converts units and names every bad cell."
        ) from None


def _words(rows: pd.DataFrame, name: str) -> npt.NDArray[np.object_]:
    if name not in rows:
        return np.full(len(rows), "", dtype=object)
    column = rows[name].astype(object)
    return np.array(["" if _absent(v) else str(v) for v in column], dtype=object)


def _absent(value: Any) -> bool:
    return value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value))


def _joined(*parts: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Make one key of several without two different keys ever coinciding."""
    return np.array([repr(p) for p in zip(*parts, strict=True)], dtype=object)


def _fixed_order(
    study: npt.NDArray[np.object_],
    group: npt.NDArray[np.object_],
    number: dict[str, FloatArray],
    word: dict[str, npt.NDArray[np.object_]],
) -> npt.NDArray[np.intp]:
    frame = pd.DataFrame({"study": study, "group": group, "level": word["record_level"]})
    for name in ("start_temp_c", "start_temp_hot_c", "time_upper_s", "time_lower_s", "mean_s"):
        frame[name] = number[name]
    return frame.sort_values(list(frame.columns), kind="stable").index.to_numpy()


def _sift(
    rows: EffectRows,
    ledger: Ledger,
    endpoint: str,
    direction: str,
    threshold_c: float | None,
    residual_endpoint: str | None,
) -> None:
    """Take out, in place, the rows that ask another question or are excluded."""

    def drop(which: npt.NDArray[np.bool_], reasons: Sequence[str] | str) -> None:
        for i in np.flatnonzero(which & rows.use).tolist():
            ledger.leave_out(i, reasons if isinstance(reasons, str) else reasons[i])
        rows.use[which] = False

    ends = rows.word["endpoint"]
    drop(ends == "", "no endpoint is named")
    drop(ends != endpoint, [f"another endpoint ({e})" for e in ends])
    excluded = rows.word["exclusion_reason"]
    drop(excluded != "", [f"excluded: {e}" for e in excluded])
    ways = np.where(rows.word["direction"] == "", "cooling", rows.word["direction"])
    drop(ways != direction, [f"another direction ({w})" for w in ways])
    drop(rows.study == "", "neither a lab nor a source is named")
    if endpoint == "t_threshold":
        _one_threshold(rows, drop, threshold_c)
    if endpoint == "t_residual":
        _one_residual_endpoint(rows, drop, residual_endpoint)


def _one_threshold(rows: EffectRows, drop: Any, threshold_c: float | None) -> None:
    given = rows.number["threshold_c"]
    drop(np.isnan(given), "no threshold is named")
    present = sorted(set(given[rows.use]))
    if threshold_c is None and len(present) > 1:
        listed = ", ".join(f"{t:g}" for t in present)
        raise InputError(
            f"t_threshold has several thresholds: {listed} °C. They are different endpoints; "
            f"name one as threshold_c."
        )
    if threshold_c is not None:
        drop(given != threshold_c, [f"another threshold ({t:g} °C)" for t in given])


def _one_residual_endpoint(rows: EffectRows, drop: Any, residual_endpoint: str | None) -> None:
    given = rows.word["residual_endpoint"]
    present = sorted(set(given[rows.use]))
    if residual_endpoint is None and len(present) > 1:
        listed = ", ".join(f"“{e}”" for e in present)
        raise InputError(
            f"t_residual is counted to several events: {listed}. They are different endpoints; "
            "name one as residual_endpoint."
        )
    if residual_endpoint is not None:
        drop(given != residual_endpoint, [f"counted to another event ({e})" for e in given])


def log_times(
    rows: EffectRows, positions: npt.NDArray[np.intp], ledger: Ledger
) -> tuple[npt.NDArray[np.intp], FloatArray]:
    """Give the runs whose time is known well enough, and ln of it.

    Parameters
    ----------
    rows : EffectRows
        All rows.
    positions : int array
        Runs.
    ledger : Ledger
        Takes the runs that are not seen well enough.

    Returns
    -------
    positions : int array
        Runs kept.
    y : array
        ln(time / 1 s).
    """
    low, high = rows.number["time_lower_s"][positions], rows.number["time_upper_s"][positions]
    temp = rows.number["start_temp_c"][positions]
    low = np.where(np.isnan(low), 0.0, low)
    known = np.isfinite(high) & (high > 0)
    exact = known & (low == high)
    narrow = known & ~exact & (low > 0) & (high <= WIDEST_WINDOW * low)
    fine = (exact | narrow) & np.isfinite(temp)
    for i, j in enumerate(positions):
        if not np.isfinite(temp[i]):
            ledger.leave_out(j, "the start temperature is missing")
        elif not fine[i]:
            ledger.leave_out(j, _why_not_timed(low[i], high[i]))
    unseen = int(np.sum(np.isfinite(temp) & ~known))
    if unseen:
        ledger.note(
            f"{unseen} runs were never seen to end and are left out here, which favours the arm "
            "they belong to; the model for times not seen exactly keeps them"
        )
    if narrow.any():
        ledger.note(
            f"{int((narrow & fine).sum())} runs were seen between two looks and count at the "
            "middle of the window"
        )
    y = np.log(np.where(fine, np.sqrt(np.where(exact, high, low) * high), 1.0))
    return positions[fine], y[fine]


def _why_not_timed(low: float, high: float) -> str:
    if not np.isfinite(high):
        return f"not seen to end (still going at {low:g} s)" if low > 0 else "no time is given"
    if high == 0:
        return "the time is zero, which has no logarithm"
    if low == 0:
        return f"known only to have ended by {high:g} s"
    return f"seen between {low:g} and {high:g} s, too wide a window for one number"
