"""Headings that only the other columns of a sheet explain."""

from __future__ import annotations

from dataclasses import replace

from metafreeze.register.meaning.findings import Findings
from metafreeze.register.meaning.headings import plain_heading
from metafreeze.register.meaning.named import (
    CONTRAST_TARGETS,
    MOSTLY,
    PIXEL_TARGETS,
    STATISTIC_TARGETS,
    NamedColumn,
    NamedTable,
)


def _retarget(column: NamedColumn, target: str, **more: object) -> None:
    """Give a column another meaning, unless a person has said what it means."""
    if column.answered:
        return
    column.meaning = replace(column.meaning, target=target, **more)  # type: ignore[arg-type]


# What a limit or an error belongs to in a sheet of contrasts.
_OF_CONTRAST = {
    "se_s": "contrast_se",
    "ci_low_s": "contrast_low",
    "ci_high_s": "contrast_high",
    "time_lower_s": "contrast_low",
    "time_upper_s": "contrast_high",
}


def decide_in_context(named: NamedTable, findings: Findings) -> None:
    """Settle headings that only the other columns explain."""
    _settle_lone_end(named)
    _settle_clocks(named, findings)
    _settle_day(named)
    _settle_numbers_of_runs(named)
    if named.has(*PIXEL_TARGETS):
        for column in named.all_of("contrast_value"):
            _retarget(column, "axis_value")
        for column in named.all_of("contrast_kind", "time_reading_sd_s", "spread"):
            if column.target == "contrast_kind":
                _retarget(column, "scale")
        return
    for column in named.all_of("axis_value"):
        _retarget(column, "contrast_value")
    contrasts = named.has("contrast_value", "contrast_se")
    centres = named.has("mean_s", "median_s")
    if not any(c.meaning.arm for c in named.all_of("time", "mean_s", "median_s", "end_clock")):
        # Without times of both arms, what a heading says of an arm describes the pair.
        for column in named.all_of("start_temp_c", "n_runs"):
            if column.meaning.arm:
                stem = "start_temp_{}_c" if column.target == "start_temp_c" else "n_{}"
                _retarget(column, stem.format(column.meaning.arm), arm="")
    if contrasts and not centres:
        for column in named.columns:
            if column.target in _OF_CONTRAST:
                _retarget(column, _OF_CONTRAST[column.target])
        return
    if centres:
        for low, high in (("time_lower_s", "ci_low_s"), ("time_upper_s", "ci_high_s")):
            for column in named.all_of(low):
                _retarget(column, high)
    _settle_arm_columns(named)
    _settle_thresholds(named)
    _settle_bare_time(named, findings)


def _settle_lone_end(named: NamedTable) -> None:
    """Take one end of a window, named by an answer and alone, for the exact time."""
    ends = named.all_of("time_lower_s", "time_upper_s")
    if len(ends) == 1 and ends[0].answered and not named.has("time", "end_clock"):
        ends[0].meaning = replace(ends[0].meaning, target="time")


def _settle_end_clock(named: NamedTable) -> None:
    """Take clock times beside a clock at the start for the clock at the end."""
    if named.has("end_clock"):
        return
    starts = [c for c in named.all_of("start_clock") if c.glance.clocks >= MOSTLY]
    for column in named.all_of("time") if starts else ():
        if column.unit is None and column.glance.texts and column.glance.clocks >= MOSTLY:
            _retarget(column, "end_clock")


def _settle_clocks(named: NamedTable, findings: Findings) -> None:
    """Tell a start temperature from the clock at the start: an end beside it decides."""
    _settle_end_clock(named)
    ends = named.all_of("end_clock")
    starts = [c for c in named.all_of("start_temp_c") if c.unit is None and not c.unit_column]
    if not ends or not starts or named.has("start_clock"):
        return
    others = [c for c in named.all_of("start_temp_c") if c not in starts]
    plain = [c for c in starts if plain_heading(c.column.heading) in ("start", "begin", "in")]
    if not plain:
        return
    del others
    column = plain[0]
    _retarget(column, "start_clock")
    findings.add(
        "note",
        "start-is-a-clock",
        f"“{column.name}” stands beside “{ends[0].name}” and carries no temperature unit: "
        "read as the clock at the start, not as a temperature",
        remedy=f'If it is a temperature, answer with --unit "{column.name}=°C"',
        table=named.table,
        column=column.column,
    )


def _settle_day(named: NamedTable) -> None:
    """Take a `day` that holds dates for a date, else for the session."""
    for column in named.all_of("inserted_at"):
        dated = max(column.glance.dates, column.glance.clocks) >= MOSTLY
        if plain_heading(column.column.heading) == "day" and column.glance.texts and not dated:
            _retarget(column, "session_id")


def _settle_numbers_of_runs(named: NamedTable) -> None:
    """Take `n` beside a mean for a count of runs, beside single times for their names."""
    grouped = named.has(*STATISTIC_TARGETS, *CONTRAST_TARGETS)
    for column in named.all_of("run_id", "n_runs"):
        plain = plain_heading(column.column.heading)
        if plain in ("n", "number", "runs", "trials", "replicates", "count"):
            _retarget(column, "n_runs" if grouped else "run_id")


def _settle_arm_columns(named: NamedTable) -> None:
    """Beside columns of both arms, `n_hot` or `hot start` belong to the arms."""
    by_arm = any(c.meaning.arm for c in named.all_of("time", "mean_s", "median_s", "end_clock"))
    if not by_arm:
        return
    for column in named.columns:
        for arm in ("hot", "cold"):
            if column.target == f"n_{arm}":
                _retarget(column, "n_runs", arm=arm)
            elif column.target == f"start_temp_{arm}_c":
                _retarget(column, "start_temp_c", arm=arm)


def _settle_thresholds(named: NamedTable) -> None:
    """Beside a start temperature, a heading such as `4 °C (min)` names a threshold."""
    if not any(not c.meaning.arm for c in named.all_of("start_temp_c")):
        return
    for column in named.all_of("time"):
        temp_c = column.meaning.start_temp_c
        if temp_c is None or column.meaning.arm or column.meaning.endpoint:
            continue
        column.meaning = replace(
            column.meaning,
            start_temp_c=None,
            endpoint="t_zero" if temp_c == 0 else "t_threshold",
            threshold_c=None if temp_c == 0 else temp_c,
        )


def _settle_bare_time(named: NamedTable, findings: Findings) -> None:
    """Take a time beside an SD, an SE or a count of runs for their mean."""
    if named.has("mean_s", "median_s"):
        return
    times = named.all_of("time")
    if not times or not named.has(*STATISTIC_TARGETS, "n_runs"):
        return
    only_spread = not named.has(*(STATISTIC_TARGETS - {"spread"}), "n_runs")
    if only_spread and named.has("locator", "reader_id", "extraction_id", "read_at"):
        for column in named.all_of("spread"):
            _retarget(column, "time_reading_sd_s")
            findings.add(
                "note",
                "spread-is-reading-error",
                f"“{column.name}” beside single points is taken as the reading error of the time",
                remedy=f'If it is the spread of runs, answer with --map "{column.name}=spread" '
                "and name the times mean",
                table=named.table,
                column=column.column,
            )
        return
    for column in times:
        _retarget(column, "mean_s")
    findings.add(
        "note",
        "time-is-a-mean",
        f"“{times[0].name}” stands beside a spread or a number of runs: read as their mean",
        remedy=f'If it is the median, answer with --map "{times[0].name}=median"',
        table=named.table,
        column=times[0].column,
    )
