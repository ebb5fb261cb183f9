"""What naming must not depend on: units, spelling, file kind, order; and what it never does."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from naming_sheets import check_cells, check_text, column

from metafreeze.register.answers import BINS, FileCheck
from metafreeze.register.files.sheets import Dialect
from metafreeze.register.meaning.times import read_outcome
from metafreeze.register.meaning.units import find_unit
from metafreeze.register.meaning.values import number_reader

# The promise of the way in: the same data in other units gives the same rows.
RELATIVE = 1e-9

FEW = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])

STARTS = st.integers(1, 990).map(lambda k: k / 10)
TIMES = st.integers(30, 60000).map(lambda k: k / 10)
RUNS = st.lists(st.tuples(STARTS, TIMES), min_size=2, max_size=12)


def same_rows(first: FileCheck, second: FileCheck) -> None:
    assert first.accepted
    assert second.accepted
    for field in ("start_temp_c", "sink_temp_c", "time_lower_s", "time_upper_s"):
        one, two = (np.array(column(c, field), dtype=np.float64) for c in (first, second))
        np.testing.assert_allclose(one, two, rtol=RELATIVE, atol=0)
    for field in ("run_id", "lab_id", "file_row", "endpoint", "lid"):
        assert column(first, field) == column(second, field)
    assert first.ledger == second.ledger


def comma(value: float) -> str:
    return repr(value).replace(".", ",")


@FEW
@given(RUNS)
def test_units_and_file_kinds_give_the_same_rows(runs: list[tuple[float, float]]) -> None:
    """Typed in °F and minutes, in a decimal-comma workbook, and in a clean CSV."""
    clean = "run,lab,start_temp_c,sink_temp_c,time_s,lid\n" + "".join(
        f"{k},N,{start!r},-18.0,{60 * minutes!r},open\n" for k, (start, minutes) in enumerate(runs)
    )
    fahrenheit = "Run;Kitchen;Start (°F);Ambient (°F);Freeze time (min);Cover\n" + "".join(
        f"{k};N;{start * 1.8 + 32!r};{-18 * 1.8 + 32!r};{minutes!r};none\n"
        for k, (start, minutes) in enumerate(runs)
    )
    commas = [["run", "lab", "start °C", "freezer °C", "time [h]", "lid"]] + [
        [str(k), "N", comma(start), "-18,0", comma(minutes / 60), "uncovered"]
        for k, (start, minutes) in enumerate(runs)
    ]
    reference = check_text(clean)
    same_rows(reference, check_text(fahrenheit))
    same_rows(reference, check_cells(commas))


def test_the_same_three_runs_in_five_spellings() -> None:
    """One table of plain values, so that a shared mistake of the spellings would show."""
    sheets = [
        check_text("run,start_C,freeze_min\nA,80,41.2\nB,20,39.9\nC,60.5,1241.5\n"),
        check_text("run,start_F,freeze_s\nA,176,2472\nB,68,2394\nC,140.9,74490\n"),
        check_text(
            "run;start K;freeze h\nA;353,15;0,6866666666666667\nB;293,15;0,665\nC;333,65;"
            "20,691666666666666\n"
        ),
        check_text("run,start,freeze\nA,80 °C,41 min 12 s\nB,68 °F,00:39:54\nC,60.5 °C,20:41:30\n"),
        check_cells(
            [
                ["run", "start (°C)", "freeze (min)"],
                ["A", "80,0", "41,2"],
                ["B", "20,0", "39,9"],
                ["C", "60,5", "1.241,5"],
            ]
        ),
    ]
    for check in sheets:
        assert column(check, "start_temp_c") == pytest.approx([80.0, 20.0, 60.5], rel=RELATIVE)
        times = column(check, "time_lower_s")
        assert times == pytest.approx([2472.0, 2394.0, 74490.0], rel=RELATIVE)
        assert column(check, "time_upper_s") == times


@FEW
@given(RUNS, st.randoms(use_true_random=False))
def test_the_order_of_rows_and_columns_says_nothing(
    runs: list[tuple[float, float]], rng: random.Random
) -> None:
    lines = [[f"r{k}", repr(s), repr(m), "steel"] for k, (s, m) in enumerate(runs)]
    heads = ["run", "start (C)", "freeze (min)", "vessel"]
    plain = check_text("\n".join(",".join(line) for line in [heads, *lines]) + "\n")
    order = list(range(4))
    rng.shuffle(order)
    rng.shuffle(lines)
    mixed = check_text(
        "\n".join(",".join(line[k] for k in order) for line in [heads, *lines]) + "\n"
    )

    def content(check: FileCheck) -> list[tuple[Any, ...]]:
        fields = ("run_id", "start_temp_c", "time_lower_s", "time_upper_s", "vessel_material")
        return sorted(zip(*(column(check, f) for f in fields), strict=True))

    assert content(plain) == content(mixed)
    assert plain.ledger == mixed.ledger


@FEW
@given(TIMES, TIMES, st.sampled_from(["-", "–", " to ", " - "]), st.sampled_from(["", " min"]))
def test_windows_keep_their_ends(a: float, b: float, dash: str, unit: str) -> None:
    low, high = sorted((a, b))
    number = number_reader(Dialect(decimal="."))
    minute = find_unit("min", dimension="time")
    outcome = read_outcome(f"{low}{dash}{high}{unit}", unit=minute, number=number)
    assert (outcome.lower_s, outcome.upper_s) == (low * 60, high * 60)


@FEW
@given(st.floats(-196, 200, allow_nan=False))
def test_temperatures_come_back(celsius: float) -> None:
    fahrenheit = find_unit("°F", dimension="temperature")
    kelvin = find_unit("K", dimension="temperature")
    assert fahrenheit is not None
    assert kelvin is not None
    # Two roundings of numbers up to 400 and the tenth decimal that is kept.
    assert fahrenheit.convert_one(celsius * 1.8 + 32) == pytest.approx(celsius, abs=2e-10)
    assert kelvin.convert_one(celsius + 273.15) == pytest.approx(celsius, abs=2e-10)


CELLS = st.one_of(
    st.sampled_from(
        [
            "",
            "80",
            "41",
            "-999",
            "n/a",
            ">180",
            "35-40",
            "<30",
            "~41",
            "DNF",
            "x",
            "41 min",
            "1:20",
            "Mean",
            "SD",
            "0",
            "-5",
            "1e9",
            "٣",
            "=1+1",
            "  ",
            "41;2",
            "NaN",
            "inf",
            "80 ± 2",
            "(3)",
        ]
    ),
    st.text(alphabet="0123456789.-:<>+±~ abmnost°CF%", max_size=10),
)
HEADINGS = st.lists(
    st.sampled_from(
        [
            "run",
            "lab",
            "start (C)",
            "start",
            "freeze (min)",
            "time",
            "first ice (min)",
            "mean (min)",
            "SD",
            "n",
            "spread",
            "spread type",
            "hot first",
            "pairs",
            "effect_min",
            "variance",
            "se",
            "lid",
            "water",
            "volume (mL)",
            "endpoint",
            "frozen",
            "excluded",
            "mark",
            "pixel_x",
            "pixel_y",
            "value",
            "axis",
            "end",
            "date",
            "weather",
            "80 °C (min)",
            "unit",
            "p",
        ]
    ),
    min_size=1,
    max_size=6,
    unique=True,
)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(HEADINGS, st.data())
def test_no_sheet_breaks_it_and_every_record_is_accounted_for(
    headings: list[str], data: st.DataObject
) -> None:
    n = data.draw(st.integers(1, 5))
    rows = [[data.draw(CELLS) for _ in headings] for _ in range(n)]
    check = check_cells([headings, *rows])
    assert tuple(check.ledger) == BINS
    assert all(count >= 0 for count in check.ledger.values())
    assert len(check.bins) == check.rows.num_rows
    refused = any(f.severity in ("error", "question") for f in check.findings)
    assert check.accepted == (not refused and check.kind in ("runs", "summaries", "points"))
    if check.kind != "unknown" and check.kind != "trace":
        assert sum(check.ledger.values()) >= 1 or "no-rows" in {f.rule for f in check.findings}
    lower = np.array(column(check, "time_lower_s"), dtype=np.float64)
    upper = np.array(column(check, "time_upper_s"), dtype=np.float64)
    assert not (upper <= 0).any()
    assert not (lower > upper).any()
    assert not (lower < 0).any()
    for fault in check.findings:
        assert fault.message
        assert fault.severity == "note" or fault.remedy or fault.rule
