"""What the cells of one row say about each other, and what the rows of a file say together."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.errors import Severity
from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.named import NamedTable
from metafreeze.register.meaning.values import cell_text
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.schema import FIELD

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

# Start temperatures nearer than this count as one nominal level in comparisons of arms.
LEVEL_TOLERANCE_K = 0.5

# Salts and errors of probes move a freezing point by less than this.
FREEZING_POINT_TOLERANCE_K = 1.0

# More levels than this are no levels but a spread of temperatures.
MANY_LEVELS = 12

# Two weighings and a stated loss may differ by the steps of a kitchen scale.
LOSS_TOLERANCE_G = 1.0

# Steps of a timer that are looked for, in seconds, coarsest first.
TIMER_STEPS_S = (3600, 1800, 1200, 900, 600, 300, 120, 60)

# A step below this share of the usual time is no matter.
COARSE_SHARE = 0.05


def check_rows(draft: Draft, named: NamedTable, findings: Findings) -> None:
    """Report rows whose cells contradict each other.

    Parameters
    ----------
    draft : Draft
        Rows of one table.
    named : NamedTable
        Its columns, for the places.
    findings : Findings
        Receives errors and notes.
    """
    checks = _Contradictions(draft, named, findings)
    for columns, wrong, severity, rule, message, remedy, field in _TOGETHER:
        # A check whose columns the sheet lacks costs nothing.
        if all(name in draft.columns for name in columns):
            at = wrong(*(draft.numbers(name) for name in columns))
            checks.add(severity, at, rule, message, remedy, field)
    if named.has("mass_evaporated_g") and "water_mass_end_g" in draft.columns:
        start, end = draft.numbers("water_mass_start_g"), draft.numbers("water_mass_end_g")
        checks.add(
            "note",
            np.abs(start - end - draft.numbers("mass_evaporated_g")) > LOSS_TOLERANCE_G,
            "loss-disagrees",
            "The mass lost is not the difference of the two weighings",
            "Check the three values",
            "mass_evaporated_g",
        )
    if "k_hot_first" in draft.columns:
        ties = np.nan_to_num(draft.numbers("n_ties"))
        checks.error(
            draft.numbers("k_hot_first") + ties > draft.numbers("n_pairs"),
            "more-than-all-pairs",
            "Hot first and ties together are more than all pairs",
            "Check the counts",
            "k_hot_first",
        )
    if "lid" in draft.columns and "mass_evaporated_g" in draft.columns:
        checks.add(
            "note",
            _is(draft, "lid", "sealed") & (draft.numbers("mass_evaporated_g") > LOSS_TOLERANCE_G),
            "sealed-yet-lost",
            "A sealed vessel lost mass",
            "Check lid and mass lost",
            "mass_evaporated_g",
        )
    if "check_interval_s" in draft.columns:
        _note_looks(draft, named, findings)
    _check_endpoint(checks, draft)


def _note_looks(draft: Draft, named: NamedTable, findings: Findings) -> None:
    """Say that a time found at a look is not the time of the event."""
    lower, upper = draft.numbers("time_lower_s"), draft.numbers("time_upper_s")
    interval = draft.numbers("check_interval_s")
    exact = (lower == upper) & (interval > 0) & draft.kept
    if not exact.any():
        return
    column = named.first("check_interval_s")
    first = int(np.flatnonzero(exact)[0])
    at, before = lower[first] / 60, (lower[first] - interval[first]) / 60
    findings.add(
        "note",
        "seen-at-a-look",
        f"{int(exact.sum())} times are single values in vessels that were looked at now and then: "
        "kept as seen exactly",
        remedy=f"Write the window between two looks, such as {max(before, 0):g}-{at:g}, if the "
        "times are those of the looks",
        table=draft.table,
        column=column.column if column is not None else None,
    )


_Wrong = Callable[..., BoolArray]

# Numbers of one row that cannot both be true: columns, when they are wrong, severity,
# rule, message, remedy, and the column at which it is reported.
_TOGETHER: tuple[tuple[tuple[str, ...], _Wrong, Severity, str, str, str, str], ...] = (
    (
        ("water_mass_start_g", "water_mass_end_g"),
        lambda start, end: end > start,
        "error",
        "mass-grew",
        "The water weighs more at the end than at the start",
        "Check the two weighings; wipe frost off before the second one",
        "water_mass_end_g",
    ),
    (
        ("water_mass_start_g", "mass_evaporated_g"),
        lambda start, lost: lost > start,
        "error",
        "lost-more-than-all",
        "More mass is lost than there was at the start",
        "Check the mass lost and the water at start",
        "mass_evaporated_g",
    ),
    (
        ("start_temp_c", "peak_temp_c"),
        lambda start, peak: peak < start - LEVEL_TOLERANCE_K,
        "error",
        "peak-below-start",
        "The peak temperature lies below the start temperature",
        "Check the two temperatures",
        "peak_temp_c",
    ),
    (
        ("start_temp_hot_c", "start_temp_cold_c"),
        lambda hot, cold: hot <= cold,
        "error",
        "hot-not-hotter",
        "The hot start is not above the cold start",
        "Check the two temperatures, or turn the contrast round",
        "start_temp_hot_c",
    ),
    (
        ("n_specimens", "n_runs"),
        lambda specimens, runs: specimens > runs,
        "error",
        "more-specimens-than-runs",
        "There are more specimens than runs",
        "Check the counts",
        "n_specimens",
    ),
    (
        ("supercooling_k", "nucleation_temp_c"),
        lambda depth, at: np.abs(depth + at) > FREEZING_POINT_TOLERANCE_K,
        "note",
        "supercooling-disagrees",
        "Supercooling and temperature at first ice do not fit each other for plain water",
        "Leave it if the freezing point is not 0 °C",
        "supercooling_k",
    ),
)


def _is(draft: Draft, name: str, word: str) -> BoolArray:
    same = pc.fill_null(pc.equal(draft.text(name), word), False)
    return np.asarray(same.to_numpy(zero_copy_only=False), dtype=np.bool_)


class _Contradictions:
    """Report each row that a rule finds, at the column it names."""

    def __init__(self, draft: Draft, named: NamedTable, findings: Findings) -> None:
        self.draft, self.named, self.findings = draft, named, findings

    def error(self, at: BoolArray, rule: str, message: str, remedy: str, field: str) -> None:
        self.add("error", at, rule, message, remedy, field)

    def add(
        self, severity: Severity, at: BoolArray, rule: str, message: str, remedy: str, field: str
    ) -> None:
        wrong = np.flatnonzero(at & self.draft.kept)
        if not wrong.size:
            return
        column = self.named.first(field)
        for row in wrong:
            record = int(self.draft.record[row])
            self.findings.add(
                severity,
                rule,
                message,
                remedy=remedy,
                table=self.draft.table,
                column=column.column if column is not None else None,
                heading="" if column is not None else FIELD[field].label,
                at=record,
                value=cell_text(column.column, record) if column is not None else "",
            )


def _check_endpoint(checks: _Contradictions, draft: Draft) -> None:
    if "endpoint" not in draft.columns:
        return
    threshold = draft.numbers("threshold_c")
    at_threshold = _is(draft, "endpoint", "t_threshold")
    checks.error(
        at_threshold & np.isnan(threshold),
        "threshold-missing",
        "The endpoint t_threshold needs the temperature that was reached",
        "Add a column “threshold (°C)”, or write the endpoint as reached 4 °C",
        "endpoint",
    )
    checks.error(
        at_threshold & (threshold >= draft.numbers("start_temp_c")),
        "threshold-above-start",
        "The threshold is not below the start temperature",
        "Check threshold and start temperature",
        "threshold_c",
    )
    residual = _is(draft, "endpoint", "t_residual")
    checks.error(
        residual & np.isnan(draft.numbers("residual_from_c")),
        "residual-start-missing",
        "The endpoint t_residual needs the temperature from which it is counted",
        "Add a column “counted from (°C)”",
        "endpoint",
    )
    checks.error(
        residual & pc.is_null(draft.text("residual_endpoint")).to_numpy(zero_copy_only=False),
        "residual-end-missing",
        "The endpoint t_residual needs the event to which it is counted",
        f"Add a column “counted to” with one of {', '.join(FIELD['residual_endpoint'].vocabulary)}",
        "endpoint",
    )
    checks.error(
        residual & (draft.numbers("residual_from_c") > draft.numbers("start_temp_c")),
        "residual-above-start",
        "The endpoint t_residual is counted from above the start temperature",
        "Check the two temperatures; it is counted from the colder arm's start",
        "residual_from_c",
    )
    ice = _is(draft, "endpoint", "ice_at_time")
    without = np.isnan(draft.numbers("at_time_s")) | np.isnan(draft.numbers("ice_mass_g"))
    checks.error(
        ice & without,
        "ice-mass-missing",
        "The endpoint ice_at_time needs the ice mass and the time at which it was measured",
        "Add columns “ice mass (g)” and “measured at (min)”",
        "endpoint",
    )
    _check_order_of_events(checks, draft)


def _check_order_of_events(checks: _Contradictions, draft: Draft) -> None:
    """Report vessels that were solid before they showed ice: rows of one record."""
    if draft.n == draft.table.n_rows:
        return
    for early, late, words in (
        ("t_first_ice", "t_solid", "First ice is later than fully frozen"),
        ("t_first_ice", "t_plateau_end", "First ice is later than the end of the plateau"),
        ("t_zero", "t_solid", "0 °C was reached later than fully frozen"),
    ):
        first = _per_record(draft, early, draft.numbers("time_lower_s"))
        last = _per_record(draft, late, draft.numbers("time_upper_s"))
        wrong = first > last
        if wrong.any():
            at = wrong[draft.record] & _is(draft, "endpoint", early)
            checks.error(
                at,
                "events-out-of-order",
                words,
                "Check the two times",
                "time",
            )


def _per_record(draft: Draft, endpoint: str, seconds: FloatArray) -> FloatArray:
    values = np.full(draft.table.n_rows, np.nan)
    at = _is(draft, "endpoint", endpoint)
    values[draft.record[at]] = seconds[at]
    return values


def nominal_levels(start_temp_c: FloatArray) -> list[tuple[float, FloatArray]]:
    """Group start temperatures into nominal levels.

    Sorted values that lie within `LEVEL_TOLERANCE_K` of the level's round value share the
    level; the round value is the nearest whole degree to the middle of the group.

    Parameters
    ----------
    start_temp_c : float array, shape (n,)
        Measured start temperatures; NaN is left aside.

    Returns
    -------
    list of (level, members)
        Empty where the values form no levels.
    """
    unique = np.unique(start_temp_c[~np.isnan(start_temp_c)])
    levels: list[tuple[float, FloatArray]] = []
    first = 0
    for place in range(1, unique.size + 1):
        closed = place == unique.size or unique[place] - unique[place - 1] > LEVEL_TOLERANCE_K
        if not closed:
            continue
        members = unique[first:place]
        middle = float((members[0] + members[-1]) / 2)
        level = float(np.round(middle))
        if np.abs(members - level).max() > LEVEL_TOLERANCE_K + 1e-9:
            level = middle
            if members[-1] - members[0] > 2 * LEVEL_TOLERANCE_K + 1e-9:
                return []
        levels.append((level, members))
        first = place
    return levels


def note_levels(drafts: Sequence[Draft], findings: Findings) -> None:
    """State by which rule start temperatures are grouped where they differ slightly."""
    starts = np.concatenate([d.numbers("start_temp_c")[d.kept] for d in drafts])
    known = starts[~np.isnan(starts)]
    if known.size < 2 or np.unique(known[:2000]).size > 20 * MANY_LEVELS:
        return
    unique, counts = np.unique(known, return_counts=True)
    levels = nominal_levels(known)
    if not 1 <= len(levels) <= MANY_LEVELS or len(levels) == unique.size:
        return
    if known.size < 2 * len(levels):
        return
    parts = []
    for level, members in levels:
        n = int(counts[np.isin(unique, members)].sum())
        span = f"{members[0]:.10g}"
        if members.size > 1:
            span += f" to {members[-1]:.10g}"
        parts.append(f"{level:g} °C ({n} rows, {span})")
    findings.add(
        "note",
        "nominal-levels",
        f"Start temperatures form {len(levels)} nominal level"
        f"{'s' if len(levels) > 1 else ''}: {', '.join(parts)}. Values within "
        f"{LEVEL_TOLERANCE_K:g} K of a level count as that level where arms are compared; the "
        "measured values are kept and used in every model",
        table=drafts[0].table,
        heading=FIELD["start_temp_c"].label,
    )


def note_coarse_times(drafts: Sequence[Draft], findings: Findings) -> None:
    """Say where times move in coarse steps, and which arms fell on one step throughout."""
    exact = []
    for d in drafts:
        lower, upper = d.numbers("time_lower_s"), d.numbers("time_upper_s")
        exact.append(np.where((lower == upper) & d.kept & (d.bins == 0), lower, np.nan))
    times = np.concatenate(exact)
    known = times[~np.isnan(times)]
    if known.size < 6:
        return
    step = _step_of(known)
    usual = float(np.median(known)) if step else 0.0
    if not step or step < COARSE_SHARE * usual:
        return
    constant = _constant_arms(drafts, exact)
    shown = f"; without any spread: {', '.join(constant)}" if constant else ""
    findings.add(
        "note",
        "coarse-times",
        f"All times are multiples of {step / 60:g} min, {100 * step / usual:.0f} % of the usual "
        f"time: the timer's step is the least error of a time{shown}",
        remedy="If vessels were looked at every so often, write windows such as 35-40",
        table=drafts[0].table,
        heading="freeze time",
    )


def _step_of(seconds: FloatArray) -> int:
    head = seconds[:500] / TIMER_STEPS_S[-1]
    if np.abs(head - np.round(head)).max() > 1e-9:
        return 0
    unique = np.unique(seconds)
    if unique.size > 500:
        return 0
    for step in TIMER_STEPS_S:
        if np.abs(unique / step - np.round(unique / step)).max() < 1e-9:
            return step
    return 0


def _constant_arms(drafts: Sequence[Draft], exact: Sequence[FloatArray]) -> list[str]:
    starts = np.concatenate([d.numbers("start_temp_c") for d in drafts])
    labs = pa.concat_arrays([_chunkless(d.text("lab_id")) for d in drafts]).to_pylist()
    times = np.concatenate(exact)
    groups: dict[tuple[str, float], list[float]] = {}
    levels = nominal_levels(starts)
    for lab, start, time in zip(labs, starts, times, strict=True):
        if math.isnan(start) or math.isnan(time):
            continue
        level = next((lv for lv, members in levels if start in members), start)
        groups.setdefault((lab or "", float(level)), []).append(float(time))
    found = []
    for (lab, level), values in groups.items():
        if len(values) >= 2 and len(set(values)) == 1:
            where = f"lab {lab}, " if lab else ""
            found.append(f"{where}{level:g} °C ({len(values)} runs at {values[0] / 60:g} min)")
    return found[:10]


def _chunkless(values: pa.Array) -> pa.StringArray:
    return values.combine_chunks() if isinstance(values, pa.ChunkedArray) else values
