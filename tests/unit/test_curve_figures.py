"""The figures and the section of whole curves: inside the picture, and every number traced."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from metafreeze.analysis.whole_curves import StartedTrace, WholeCurves, compare_whole_curves
from metafreeze.reporting.content import Report, Section, say
from metafreeze.reporting.figures.ratio_curve import RatioCurveFigure
from metafreeze.reporting.figures.traces import MOST_WITH_EVENTS, TraceLine, TracesFigure
from metafreeze.reporting.html import render_html
from metafreeze.reporting.sections.curves import MOST_LISTED, curves_section
from metafreeze.reporting.tracing import numbers_without_result


def whole(vessels: int, *, probes: tuple[str, ...] = ("",)) -> WholeCurves:
    out = []
    for number in range(vessels):
        hot = number % 2 == 1
        start, rate = (60.0 if hot else 25.0), 4e-4 * (1 + 0.03 * np.sin(7.0 * number))
        zero = np.log((start + 18.0) / 18.0) / rate
        times = np.arange(0.0, zero + 5000.0, 30.0)
        water = -18.0 + (start + 18.0) * np.exp(-rate * times)
        ice = -18.0 * (1 - np.exp(-2 * rate * (times - zero - 1800.0)))
        temps = np.where(times < zero, water, np.where(times < zero + 1800.0, 0.0, ice))
        out += [
            StartedTrace(
                run=f"run {number}",
                block=f"block {number // 2}",
                probe=probe,
                start_temp_c=start,
                time_s=times,
                temp_c=temps,
            )
            for probe in probes
        ]
    return compare_whole_curves(out, hot_c=60.0, cold_c=25.0, draws=300)


def section_of(found: WholeCurves) -> tuple[Section, dict, dict[str, pd.DataFrame]]:
    results = {"curves": found.results()}
    tables = {"curve-events": found.events, "curve-points": found.drawn}
    return curves_section(results["curves"], tables), results, tables


def report_of(section: Section) -> Report:
    return Report(
        title=say("Curves"),
        lead=(say("Invented."),),
        banners=(),
        verdicts=(),
        summary=(),
        sections=(section,),
        warnings=(),
        cautions=(),
        how_to_add=(),
        provenance=(),
    )


@pytest.mark.parametrize(
    ("vessels", "probes"), [(10, ("",)), (8, ("low", "<i>high</i>")), (60, ("",))]
)
def test_every_number_of_the_section_is_a_result(vessels, probes):
    section, results, tables = section_of(whole(vessels, probes=probes))
    report = report_of(section)
    assert numbers_without_result(report, results, tables) == ()
    page = render_html(report)
    assert "<i>high</i>" not in page
    listed = vessels * len(probes) <= MOST_LISTED
    assert any(t.key == "curves-events" for t in section.tables) == listed


def test_the_answer_says_from_where_on():
    section, *_ = section_of(whole(20))
    assert re.fullmatch(r"The colder start is ahead from .* to the end\.", str(section.answer))
    assert any("Counted from the moment" in str(p) for p in section.paragraphs)


def test_without_both_arms_the_section_does_not_apply():
    found = whole(8)
    lone = dataclasses.replace(found, comparison=None, note="no trace of a run near 25 °C")
    section, *_ = section_of(lone)
    assert not section.applies and "No trace of a run" in str(section.answer)


def places_of(svg: str) -> list[float]:
    paths = re.findall(r' d="(M[^"]+)"', svg)
    return [float(x) for path in paths for x in re.findall(r"[ML] ?(-?[\d.]+) ", path)]


@pytest.mark.parametrize("width", ["page", "phone"])
@pytest.mark.parametrize("vessels", [2, 12, 200])
def test_traces_are_drawn_inside_the_picture(width, vessels):
    rng = np.random.default_rng(vessels)
    lines = tuple(
        TraceLine(
            arm="hot" if n % 2 else "cold",
            time_s=tuple(np.linspace(0.0, 9000.0, 40)),
            temp_c=tuple(np.linspace(60.0, -8.0, 40) + rng.normal()),
            first_ice_s=4000.0 + n,
            plateau_end_s=float("nan") if n == 0 else 8000.0 + n,
        )
        for n in range(vessels)
    )
    figure = TracesFigure(key="t", caption=say("Traces."), lines=lines, middles=lines[:2])
    (drawing,) = figure.draw(width)
    places = places_of(drawing.svg)
    assert len(places) > 40 * vessels
    assert len(figure.remarks()) == 1
    assert ("dots" in str(figure.remarks()[0])) == (vessels <= MOST_WITH_EVENTS)
    assert "ice began" in str(figure.alt())
    assert drawing.height_px < 460


@pytest.mark.parametrize("width", ["page", "phone"])
@pytest.mark.parametrize("lead_from", [-1, 0, 5])
def test_the_ratio_curve_is_cut_at_the_edge_and_says_so(width, lead_from):
    figure = RatioCurveFigure(
        key="r",
        caption=say("Ratio."),
        kinds=("water",) * 4 + ("share",) * 3 + ("ice",),
        values=(60.0, 40.0, 20.0, 5.0, 0.1, 0.5, 1.0, -5.0),
        middle=(3.0, 2.0, 0.9, 0.3, 0.1, -0.05, -0.1, -0.1),
        low=(2.9, 1.9, 0.8, 0.2, 0.0, -0.2, -0.2, -0.2),
        high=(3.1, 2.1, 1.0, 0.4, 0.2, -0.01, -0.02, -0.02),
        lead="hot" if lead_from >= 0 else "nobody",
        lead_from=lead_from,
    )
    (drawing,) = figure.draw(width)
    assert drawing.svg.startswith("<svg")
    assert any("leaves the picture" in str(r) for r in figure.remarks())
    assert ("ahead" in str(figure.alt())) == (lead_from >= 0)


def test_a_curve_without_a_band_is_still_drawn():
    nothing = (float("nan"),) * 3
    figure = RatioCurveFigure(
        key="r",
        caption=say("Ratio."),
        kinds=("water", "water", "share"),
        values=(20.0, 5.0, 0.5),
        middle=(0.5, 0.2, 0.1),
        low=nothing,
        high=nothing,
    )
    (drawing,) = figure.draw("page")
    assert drawing.svg and "interval" in str(figure.alt())
