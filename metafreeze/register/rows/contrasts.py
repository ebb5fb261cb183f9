"""Published contrasts of a hot and a cold arm, turned to hot against cold.

A difference is stored in seconds, a ratio or a percent change as the log of the ratio.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import read_contrast
from metafreeze.register.meaning.named import NamedColumn, NamedTable
from metafreeze.register.meaning.spreads import read_stated
from metafreeze.register.meaning.values import cell_text, number_reader, raw_numbers, read_measured
from metafreeze.register.meaning.words import find_word, is_missing
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.fields import read_quantity, unit_suffix
from metafreeze.register.rows.groups import seconds_per_unit
from metafreeze.register.rows.readings import Reading

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# A published p and the interval's own p agree if their normal quantiles do within this
# factor: intervals from t with few runs, and rounded limits, stay inside it.
QUANTILE_FACTOR = 1.5

# A p this near to one level's own says nothing about which side it is on.
NEAR_LEVEL = 1.3

_SCALE_KIND = {"difference_s": "difference", "log_ratio": "log-ratio"}


def read_contrasts(reading: Reading, draft: Draft, rest: BoolArray) -> None:
    """Read the contrasts of a table into a draft with one row for each record.

    Parameters
    ----------
    reading : Reading
        The table.
    draft : Draft
        Receives the values.
    rest : bool array, shape (records,)
        Records that are neither groups nor counts.
    """
    named, findings = reading.named, reading.findings
    typed = _Typed(reading, draft)
    n = draft.n
    kinds, reverse = _directions(named, draft, rest, findings)
    turned = np.full((n, 4), np.nan)
    for at in np.flatnonzero(rest):
        _report_unit_of_ratio(named, draft, int(at), kinds[at], findings)
        turned[at] = _turn(typed, int(at), kinds[at], bool(reverse[at]), draft, findings)
    value, se, low, high = turned.T
    draft.columns["contrast_value"] = value
    draft.columns["contrast_se"] = np.where(se > 0, se, np.nan)
    draft.columns["contrast_low"], draft.columns["contrast_high"] = low, high
    scale = np.where(kinds == "difference", "difference_s", "log_ratio")
    draft.columns["contrast_scale"] = pa.array(
        [str(s) if here else None for s, here in zip(scale, rest, strict=True)], pa.string()
    )
    _note_derivations(draft, kinds, reverse, rest)
    typed.set_levels(draft, ~np.isnan(low) & rest)
    _check_contrasts(named, typed, draft, rest, findings)
    _exclude_weightless(named, typed, draft, rest, findings)


class _Typed:
    """The numbers of the contrasts as typed, in seconds where they are times."""

    def __init__(self, reading: Reading, draft: Draft) -> None:
        self.reading = reading
        self.named, self.findings = reading.named, reading.findings
        n = draft.n
        dialect = reading.dialect
        self.value, self.factor = self._read("contrast_value", draft, dialect)
        self.se, _ = self._read("contrast_se", draft, dialect)
        self.variance = self._read_variance(draft, dialect)
        self.low, _ = self._read("contrast_low", draft, dialect)
        self.high, _ = self._read("contrast_high", draft, dialect)
        self.level = np.full(n, np.nan)
        for column in self.named.all_of("contrast_low", "interval"):
            if column.meaning.level:
                self.level[:] = column.meaning.level
        self._read_beside(draft, dialect)
        self._read_interval(draft, dialect)
        given = draft.numbers("ci_level")
        self.level = np.where(np.isnan(given), self.level, given)

    def _read(self, target: str, draft: Draft, dialect: Dialect) -> tuple[FloatArray, FloatArray]:
        column = self.named.first(target)
        if column is None:
            return np.full(draft.n, np.nan), np.ones(draft.n)
        factors = seconds_per_unit(column, draft, self.reading)
        if target == "contrast_value":
            typed, _ = raw_numbers(column.column, dialect)
            known = ~np.isnan(typed)
            changed = known & bool(column.unit is not None and not column.unit.is_plain)
            draft.note_typed(column.name, column.labels, unit_suffix(column), changed)
            return typed, factors
        values = read_quantity(column, draft, dialect, self.findings).values
        return values / factors, factors

    def _read_variance(self, draft: Draft, dialect: Dialect) -> FloatArray:
        column = self.named.first("variance")
        if column is None:
            return np.full(draft.n, np.nan)
        typed, irregular = raw_numbers(column.column, dialect)
        for at in np.flatnonzero(irregular):
            text = cell_text(column.column, at)
            if is_missing(text) or self.findings.asked_by_reader(column.column):
                continue
            self.findings.add(
                "error",
                "not-a-number",
                f"“{text}” is not a number",
                remedy="Enter the variance as a number, or leave the cell empty",
                table=draft.table,
                column=column.column,
                at=int(at),
                value=text,
            )
        # A variance has the square of its unit; with the root taken the unit is the effect's.
        return typed

    def _read_beside(self, draft: Draft, dialect: Dialect) -> None:
        """Read cells such as `-2.8 ± 0.9` or `-2.8 (-4.6 to -1.0)`."""
        column = self.named.first("contrast_value")
        if column is None:
            return
        number = number_reader(dialect)
        _, irregular = raw_numbers(column.column, dialect)
        for at in np.flatnonzero(irregular):
            text = cell_text(column.column, at)
            if is_missing(text):
                continue
            spelled, error, rule = read_measured(text, unit=None, dimension="time", number=number)
            if rule == "" and not math.isnan(spelled) and math.isnan(error):
                # The cell says its unit: −2.8 min.
                self.value[at] = spelled / self.factor[at]
                continue
            stated = read_stated(text.removesuffix("%"), number, with_centre=True)
            if not stated.readable:
                if not self.findings.asked_by_reader(column.column):
                    self.findings.add(
                        "error",
                        "not-a-number",
                        f"“{text}” is not a number",
                        remedy="Enter the contrast as a number, or leave the cell empty",
                        table=draft.table,
                        column=column.column,
                        at=int(at),
                        value=text,
                    )
                continue
            self.value[at] = stated.centre
            if not math.isnan(stated.low):
                self.low[at], self.high[at] = stated.low, stated.high
                self.level[at] = stated.level
            elif stated.kind == "SE":
                self.se[at] = stated.width
            elif not math.isnan(stated.width):
                self.findings.add(
                    "question",
                    "bars-unstated",
                    f"“{text}” does not say what stands after the ±",
                    remedy="Write a standard error as −2.8 (SE 0.9), an interval as "
                    "−2.8 (95% CI −4.6 to −1.0)",
                    table=draft.table,
                    column=column.column,
                    at=int(at),
                    value=text,
                )

    def _read_interval(self, draft: Draft, dialect: Dialect) -> None:
        """Read intervals that stand in one column, such as `-4.6 to -1.0`."""
        column = self.named.first("interval")
        if column is None:
            return
        number = number_reader(dialect)
        for at, text in enumerate(column.labels.to_pylist()):
            if text is None or is_missing(text):
                continue
            stated = read_stated(text, number, with_centre=False)
            if not stated.readable or math.isnan(stated.low):
                self.findings.add(
                    "error",
                    "not-an-interval",
                    f"“{text}” is no interval",
                    remedy="Write it as two numbers, such as −4.6 to −1.0",
                    table=draft.table,
                    column=column.column,
                    at=at,
                    value=text,
                )
                continue
            self.low[at], self.high[at] = stated.low, stated.high
            if not math.isnan(stated.level):
                self.level[at] = stated.level

    def set_levels(self, draft: Draft, at: BoolArray) -> None:
        """Store the level of the limits; 95 % where nothing says it, with a note."""
        if not at.any():
            return
        open_ = at & np.isnan(self.level)
        if open_.any():
            column = self.named.first("contrast_low") or self.named.first("interval")
            self.findings.add(
                "note",
                "level-assumed",
                "The limits do not say their level: taken as 95 %",
                remedy="Otherwise add a column “interval level”",
                table=draft.table,
                column=column.column if column is not None else None,
            )
        self.level = np.where(open_, 0.95, self.level)
        draft.columns["ci_level"] = np.where(at, self.level, draft.numbers("ci_level"))


def _directions(
    named: NamedTable, draft: Draft, rest: BoolArray, findings: Findings
) -> tuple[npt.NDArray[np.object_], BoolArray]:
    """Settle for each record what kind of contrast it is and whether it must be turned."""
    n = draft.n
    kinds = np.full(n, "difference", dtype=object)
    reverse = np.zeros(n, dtype=np.bool_)
    said = np.zeros(n, dtype=np.bool_)
    value = named.first("contrast_value")
    if value is not None and value.meaning.contrast:
        kinds[:] = value.meaning.contrast
    if value is not None and value.meaning.reverse is not None:
        reverse[:] = value.meaning.reverse
        said[:] = True
    column = named.first("contrast_kind") or named.first("contrast_scale")
    for at in np.flatnonzero(rest) if column is not None else ():
        assert column is not None
        text = cell_text(column.column, at)
        if is_missing(text):
            continue
        kind, turned = read_contrast(text)
        kind = kind or _SCALE_KIND.get(find_word("contrast_scale", text), "")
        if not kind:
            findings.add(
                "error",
                "unknown-word",
                f"“{text}” is no kind of contrast",
                remedy="Use one of hot - cold, cold - hot, ratio hot/cold, ratio cold/hot, "
                "log ratio, % change",
                table=draft.table,
                column=column.column,
                at=int(at),
                value=text,
            )
            continue
        kinds[at] = kind
        if turned is not None:
            reverse[at] = turned
            said[at] = True
        if text.strip() in _SCALE_KIND:
            said[at] = True
    silent = rest & ~said
    if silent.any():
        rows = int(silent.sum())
        findings.add(
            "note",
            "direction-assumed",
            f"{'The contrast does' if rows == 1 else f'{rows} contrasts do'} not say which way "
            "round: read as hot against cold, so that above zero (or one) the hot one took longer",
            remedy="Say it in a column “contrast”, as hot - cold or cold - hot",
            table=draft.table,
            column=(column or value).column if (column or value) is not None else None,  # type: ignore[union-attr]
        )
    return kinds, reverse


def _report_unit_of_ratio(
    named: NamedTable, draft: Draft, at: int, kind: str, findings: Findings
) -> None:
    column = named.first("contrast_value")
    if kind == "difference" or column is None or column.unit is None or not column.unit.name:
        return
    findings.add(
        "note",
        "unit-of-ratio",
        f"“{cell_text(column.column, at)}” is a {kind.replace('-', ' ')}, which has no unit: "
        f"{column.unit.name} is not applied; kept on the log scale, apart from differences",
        table=draft.table,
        column=column.column,
        at=at,
        value=cell_text(column.column, at),
    )


def _turn(
    typed: _Typed, at: int, kind: str, reverse: bool, draft: Draft, findings: Findings
) -> tuple[float, float, float, float]:
    """Give value, standard error and limits on the stored scale, hot against cold."""
    value, low, high = typed.value[at], typed.low[at], typed.high[at]
    se = typed.se[at]
    if math.isnan(se) and typed.variance[at] > 0:
        se = math.sqrt(typed.variance[at])
    sign = -1.0 if reverse else 1.0
    if kind == "difference":
        factor = typed.factor[at]
        ends = (sign * low * factor, sign * high * factor)
        return (sign * value * factor, se * factor, *(_sorted(ends, reverse)))
    if kind == "log-ratio":
        return (sign * value, se, *_sorted((sign * low, sign * high), reverse))
    as_percent = kind == "percent"

    def ratio(x: float) -> float:
        return 1 + x / 100 if as_percent else x

    centre = ratio(value)
    if math.isnan(value):
        return math.nan, math.nan, math.nan, math.nan
    if centre <= 0:
        column = typed.named.first("contrast_value")
        assert column is not None
        findings.add(
            "error",
            "ratio-not-positive",
            f"“{cell_text(column.column, at)}” gives a ratio of {centre:g}, and a ratio of times "
            "is above zero",
            remedy="Check the row against its source",
            table=draft.table,
            column=column.column,
            at=at,
            value=cell_text(column.column, at),
        )
        return math.nan, math.nan, math.nan, math.nan
    log_se = (se / 100 if as_percent else se) / centre
    ends_log = tuple(
        sign * math.log(ratio(x)) if not math.isnan(x) and ratio(x) > 0 else math.nan
        for x in (low, high)
    )
    return (sign * math.log(centre), log_se, *_sorted(ends_log, reverse))  # type: ignore[arg-type]


def _sorted(ends: tuple[float, float], reverse: bool) -> tuple[float, float]:
    return (ends[1], ends[0]) if reverse else ends


def _note_derivations(
    draft: Draft, kinds: npt.NDArray[np.object_], reverse: BoolArray, rest: BoolArray
) -> None:
    ratio = rest & np.isin(kinds.astype(str), ["ratio", "percent"])
    draft.note_derived(
        "contrast_value: log of the stated ratio; contrast_se: standard error over the ratio "
        "(delta method)",
        ratio,
    )
    draft.note_derived("contrast_value: sign turned to hot against cold", rest & reverse)


def _check_contrasts(
    named: NamedTable, typed: _Typed, draft: Draft, rest: BoolArray, findings: Findings
) -> None:
    """Report contrasts whose estimate, limits and p do not fit together."""
    value_column = named.first("contrast_value")
    low_column = named.first("contrast_low") or named.first("interval") or value_column
    p_column = named.first("p_value")
    value, low, high = typed.value, typed.low, typed.high
    swapped = rest & (low > high)
    for at in np.flatnonzero(swapped):
        _add(
            findings,
            "bounds-swapped",
            f"The lower limit {_shown(low[at])} lies above the upper one {_shown(high[at])}",
            "Write the smaller limit first",
            draft,
            low_column,
            int(at),
        )
    small, large = np.fmin(low, high), np.fmax(low, high)
    outside = rest & ((value < small) | (value > large)) & ~np.isnan(low) & ~np.isnan(high)
    for at in np.flatnonzero(outside):
        _add(
            findings,
            "outside-own-interval",
            f"The estimate {_shown(value[at])} lies outside its own interval, {_shown(small[at])} "
            f"to {_shown(large[at])}",
            "Check the row against its source",
            draft,
            value_column,
            int(at),
        )
    p_values = draft.numbers("p_value")
    kinds = draft.text("contrast_scale").to_pylist()
    for at in np.flatnonzero(rest & ~np.isnan(p_values) & ~outside & ~swapped):
        if kinds[at] == "log_ratio":
            # Limits and estimate on the log scale are symmetric; as typed they may not be.
            triple = (
                draft.numbers("contrast_value")[at],
                draft.numbers("contrast_low")[at],
                draft.numbers("contrast_high")[at],
            )
        else:
            triple = (value[at], small[at], large[at])
        se = typed.se[at] if kinds[at] != "log_ratio" else draft.numbers("contrast_se")[at]
        wrong = p_disagrees(
            *triple, level=float(typed.level[at]), p=float(p_values[at]), se=float(se)
        )
        if wrong:
            _add(
                findings,
                "p-disagrees",
                f"p = {p_values[at]:g} does not fit {wrong}",
                "Check the row against its source",
                draft,
                p_column,
                int(at),
            )


def p_disagrees(
    value: float, low: float, high: float, *, level: float, p: float, se: float = math.nan
) -> str:
    """Say with what a published p does not fit; empty where it fits or cannot be compared.

    Parameters
    ----------
    value, low, high : float
        Estimate and limits on a scale on which no effect is zero.
    level : float
        Level of the limits.
    p : float
        Two-sided p as published.
    se : float
        Standard error, where limits are not given.

    Returns
    -------
    str
    """
    normal = NormalDist()
    if not 0 < p < 1:
        return ""
    by_p = -normal.inv_cdf(p / 2)
    if not math.isnan(low) and not math.isnan(high) and high > low:
        side = -normal.inv_cdf((1 - level) / 2)
        by_interval = abs(value) / ((high - low) / 2) * side
        what = f"the interval {_shown(low)} to {_shown(high)}"
        holds_zero = low < 0 < high
        significant = p < 1 - level
        near = max(by_p, side) / max(min(by_p, side), 1e-9) < NEAR_LEVEL
        if holds_zero == significant and not near:
            return what + (", which holds zero" if holds_zero else ", which does not hold zero")
    elif not math.isnan(se) and se > 0:
        by_interval = abs(value) / se
        what = f"the standard error {_shown(se)}"
    else:
        return ""
    larger, smaller = max(by_p, by_interval), max(min(by_p, by_interval), 1e-9)
    # Small quantiles are rounded away in print and say little.
    if larger > 1 and larger / smaller > QUANTILE_FACTOR and larger - smaller > 0.7:
        return what
    return ""


def _shown(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _add(
    findings: Findings,
    rule: str,
    message: str,
    remedy: str,
    draft: Draft,
    column: NamedColumn | None,
    at: int,
) -> None:
    source = draft.text("source_id")[at].as_py() or ""
    findings.add(
        "error",
        rule,
        f"{source}: {message}" if source else message,
        remedy=remedy,
        table=draft.table,
        column=column.column if column is not None else None,
        at=at,
        value=cell_text(column.column, at) if column is not None else "",
        run=source,
    )


def _exclude_weightless(
    named: NamedTable, typed: _Typed, draft: Draft, rest: BoolArray, findings: Findings
) -> None:
    """Leave out, each with its reason, the contrasts that cannot be weighed."""
    hot, cold = draft.numbers("n_hot"), draft.numbers("n_cold")
    se, variance, low = typed.se, typed.variance, typed.low
    already = pc.is_valid(draft.text("exclusion_reason")).to_numpy(zero_copy_only=False)
    column = named.first("variance") or named.first("contrast_se") or named.first("contrast_value")
    for at in np.flatnonzero(rest & ~already):
        reason = ""
        if math.isnan(typed.value[at]):
            reason = "the effect is missing"
        elif variance[at] < 0:
            reason = "the variance is negative"
        elif variance[at] == 0:
            reason = "the variance is zero, which no measurement has"
        elif hot[at] == 1 and cold[at] == 1:
            reason = "n = 1 in each arm: the variance cannot come from these runs"
        elif hot[at] == 1 or cold[at] == 1:
            reason = "n = 1 in one arm: the variance cannot come from these runs"
        elif math.isnan(se[at]) and math.isnan(variance[at]) and math.isnan(low[at]):
            p = draft.numbers("p_value")[at]
            if math.isnan(p):
                reason = "there is no variance, standard error or interval to weigh it by"
            else:
                reason = "there is only a p-value to weigh it by"
        source = draft.text("source_id")[at].as_py() or ""
        if reason:
            only = np.zeros(draft.n, dtype=np.bool_)
            only[at] = True
            draft.exclude(only, reason)
            shown = cell_text(column.column, at) if column is not None else ""
            findings.add(
                "note",
                "cannot-be-weighed",
                f"{source or 'The contrast'} is left out: {reason}",
                remedy="Add what is missing, or leave the row as it is",
                table=draft.table,
                column=column.column if column is not None else None,
                at=int(at),
                value=shown,
                run=source,
            )
        elif named.has("n_hot", "n_cold") and (math.isnan(hot[at]) or math.isnan(cold[at])):
            count_column = named.first("n_hot") or named.first("n_cold")
            findings.add(
                "note",
                "no-count",
                f"{source or 'The contrast'} does not say how many runs it stands for: used with "
                "its variance",
                table=draft.table,
                column=count_column.column if count_column is not None else None,
                at=int(at),
                run=source,
            )
