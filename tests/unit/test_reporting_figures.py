"""Figures draw the numbers of the tables, at any size, with harmless insides."""

import math
import re
import xml.etree.ElementTree as ET

import pytest
import report_samples

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import Between, say
from metafreeze.reporting.figures import canvas as canvas_module
from metafreeze.reporting.figures.absent import AbsentFigure
from metafreeze.reporting.figures.canvas import (
    TALLEST_PX,
    WIDTH_PX,
    Canvas,
    drawings,
)
from metafreeze.reporting.figures.points import PointsFigure, StudyPoints
from metafreeze.reporting.figures.rows import EffectRow, _Layout
from metafreeze.reporting.figures.scale import (
    Scale,
    effect_range,
    effect_ticks,
    log_ticks,
    plain_ticks,
)
from metafreeze.reporting.figures.spread import NamedRange, SpreadFigure
from metafreeze.reporting.figures.studies import StudiesFigure
from metafreeze.reporting.figures.svg import PALETTE, clean_svg
from metafreeze.reporting.html import style_sheet
from metafreeze.reporting.lettering import text_width

TOGETHER = EffectRow(label="All studies together", estimate=0.05, low=0.02, high=0.08)

# Pixels are written with two decimals of a point, 0.75 px.
PX_TOLERANCE = 0.02

SVG_ELEMENTS = {"svg", "g", "path", "use", "defs"}
SVG_ATTRIBUTES = {
    "class",
    "d",
    "x",
    "y",
    "fill",
    "stroke",
    "stroke-width",
    "stroke-linejoin",
    "stroke-linecap",
    "stroke-dasharray",
    "stroke-dashoffset",
    "transform",
    "id",
    "href",
    "viewBox",
    "width",
    "height",
    "aria-hidden",
    "focusable",
}


def studies(rows, **more):
    given = {
        "key": "s",
        "caption": say("c"),
        "kind": "log-ratio",
        "together": TOGETHER,
        "new_lab": Between(low=-0.05, high=0.15),
        "hot_c": 80.0,
        "cold_c": 20.0,
    }
    return StudiesFigure(rows=tuple(rows), **{**given, **more})


def row(label="Lab", estimate=0.04, half=0.05, runs=12):
    return EffectRow(
        label=label,
        estimate=estimate,
        low=estimate - half,
        high=estimate + half,
        beside=show.count(runs, "run"),
    )


class Recorder:
    """Stand between a figure and its canvas, and keep what is drawn."""

    def __init__(self, monkeypatch):
        self.dots, self.strokes, self.shapes, self.words = [], [], [], []
        for name, kept in (
            ("dot", self.dots),
            ("stroke", self.strokes),
            ("shape", self.shapes),
            ("text", self.words),
        ):
            self._watch(monkeypatch, name, kept)

    @staticmethod
    def _watch(monkeypatch, name, kept):
        real = getattr(Canvas, name)

        def watched(self, *args, **more):
            kept.append((args, more))
            return real(self, *args, **more)

        monkeypatch.setattr(canvas_module.Canvas, name, watched)


@pytest.mark.parametrize("width", ["page", "phone"])
def test_dots_and_bars_stand_where_the_numbers_are(monkeypatch, width):
    rows = [row("b", 0.09, 0.03), row("a", -0.02, 0.06), row("c", 0.04, 0.02)]
    figure = studies(rows)
    seen = Recorder(monkeypatch)
    figure.draw(width)
    scale = _Layout(figure.plan(), width).scale
    expected = [TOGETHER, *sorted(rows, key=lambda r: r.estimate)]
    assert [args[0] for args, _ in seen.dots] == pytest.approx(
        [scale.place(r.estimate) for r in expected]
    )
    bars = [
        args[0]
        for args, more in seen.strokes
        if args[1][0] == args[1][1] and "width" in more and more["width"] == 2.0
    ]
    places = [[scale.place(r.low), scale.place(r.high)] for r in expected]
    for place in places:
        assert any(bar == pytest.approx(place) for bar in bars)


def test_the_spread_draws_every_lab_and_every_range(monkeypatch):
    figure = SpreadFigure(
        key="s",
        caption=say("c"),
        estimates=(0.1, -0.02, math.nan, 0.1),
        kind="log-ratio",
        ranges=(NamedRange(words=say("A new lab"), low=-0.05, high=0.12),),
    )
    seen = Recorder(monkeypatch)
    figure.draw("page")
    scale = figure._scale(286.0, WIDTH_PX["page"] - 12)
    assert sorted(args[0] for args, _ in seen.dots) == pytest.approx(
        [scale.place(v) for v in (-0.02, 0.1, 0.1)]
    )
    # Two labs of one effect stand on top of each other.
    assert len({args[1] for args, _ in seen.dots}) == 2
    assert any(
        args[0] == pytest.approx([scale.place(-0.05), scale.place(0.12)])
        for args, _ in seen.strokes
    )


def test_clipped_intervals_get_arrows_and_a_word(monkeypatch):
    wide = EffectRow(label="wide", estimate=0.05, low=-3.0, high=math.inf)
    figure = studies([row(), wide])
    seen = Recorder(monkeypatch)
    figure.draw("page")
    assert len(seen.shapes) == 2
    assert any("An arrow" in str(r) for r in figure.remarks())
    assert not studies([row()]).remarks()


def test_intervals_that_are_all_wide_are_all_seen():
    # Leaving studies out in turn gives effects close together with wide intervals.
    intervals = [(-0.2 + 0.001 * n, 0.19 + 0.001 * n) for n in range(9)]
    low, high = effect_range([0.001 * n for n in range(9)], intervals, "log-ratio")
    assert low < -0.2 and high > 0.198


def test_bands_get_more_room_than_single_intervals():
    low, high = effect_range([0.02, 0.06], [], "log-ratio", bands=[-0.1, 0.15])
    assert low < -0.1 and high > 0.15
    low, high = effect_range([0.02, 0.06], [], "log-ratio", bands=[-9.0, 9.0])
    assert low > -0.3 and high < 0.3


def test_a_hopeless_interval_does_not_squeeze_the_others():
    low, high = effect_range([0.02, 0.06], [(0.0, 0.1), (0.0, 0.1), (-40.0, 40.0)], "log-ratio")
    assert -0.12 < low < 0 < 0.1 < high < 0.2


def test_missing_limits_and_estimates_are_said(monkeypatch):
    rows = [
        EffectRow(label="no limits", estimate=0.04),
        EffectRow(label="nothing", estimate=math.nan),
    ]
    seen = Recorder(monkeypatch)
    studies(rows).draw("page")
    words = [args[2] for args, _ in seen.words]
    assert "interval not available" in words and "not estimable" in words
    assert [more.get("hollow") for _, more in seen.dots] == [False, True]


def test_names_are_whole_in_the_picture(monkeypatch):
    names = ["N" * 59 + "x", "N" * 59 + "y"]
    seen = Recorder(monkeypatch)
    for width in ("page", "phone"):
        seen.words.clear()
        studies([row(name) for name in names]).draw(width)
        written = "".join(args[2] for args, _ in seen.words)
        assert all(name in written for name in names)


def test_a_figure_says_when_code_points_stand_for_letters():
    figure = studies([row("ice 🧊")])
    assert any("code points" in str(r) for r in figure.remarks())


@pytest.mark.parametrize("count", [1, 2, 12, 60, 200])
@pytest.mark.parametrize("width", ["page", "phone"])
def test_one_to_two_hundred_studies(monkeypatch, count, width):
    # The height is decided before anything is drawn; 200 rows are not drawn here to stay quick.
    names = report_samples.long_names(count)
    layout = _Layout(studies([row(n, 0.001 * i) for i, n in enumerate(names)]).plan(), width)
    parts = list(layout.pictures(layout.plan.rows))
    assert [r.label for part in parts for r in part] == names
    for part in parts:
        height = layout.top_px() + sum(layout.row_px(r) for r in part) + 52
        assert height <= TALLEST_PX
    if count <= 12:
        assert len(parts) == 1


def test_pictures_share_their_rows_evenly():
    layout = _Layout(studies([row(f"Lab {i}") for i in range(70)]).plan(), "page")
    sizes = [len(part) for part in layout.pictures(layout.plan.rows)]
    assert max(sizes) - min(sizes) <= 2


def test_alternative_texts_hold_the_numbers():
    figure = studies([row("North", 0.05, 0.03), row("South", -0.02, 0.01)])
    words = str(figure.alt()).replace("\u00a0", " ")
    assert words == (
        "Effects of 2 studies, one row each. All studies together: +5 % (+2 to +8 %). "
        "A new lab: −5 to +16 %. Studies: South −2 % (−3 to −1 %); North +5 % (+2 to +8 %)."
    )


def test_a_long_alternative_text_names_the_ends_and_points_to_the_table():
    figure = studies([row(f"Lab {i}", 0.001 * i) for i in range(40)])
    words = str(figure.alt())
    assert "Lab 0 " in words and "Lab 39 " in words and "Lab 20 " not in words
    assert "the table has them all" in words
    assert len(words) < 600


def test_the_absent_figure_says_what_the_rest_would_say():
    figure = AbsentFigure(
        key="a", caption=say("c"), rows=(row("North"),), kind="log-ratio", together=TOGETHER
    )
    assert "by the study left out: North" in str(figure.alt())
    assert "change in time" in str(figure.plan().axis)


def points(**more):
    one = StudyPoints(
        label="North",
        start_c=(20.0, 80.0, 50.0, 50.0),
        lower_s=(6000.0, 7000.0, 6000.0, 9000.0),
        upper_s=(6000.0, 7000.0, 6600.0, math.inf),
        line=((20.0, 6000.0), (80.0, 7000.0)),
    )
    return PointsFigure(key="p", caption=say("c"), studies=(one,), **more)


def test_points_windows_and_unfinished_runs_are_drawn_apart(monkeypatch):
    figure = points(across=((20.0, 5000.0), (80.0, 8000.0)))
    seen = Recorder(monkeypatch)
    specks = []
    real = Canvas.specks
    monkeypatch.setattr(
        Canvas,
        "specks",
        lambda self, xs, ys, **m: (specks.append((xs, ys)), real(self, xs, ys, **m)),
    )
    figure.draw("page")
    across, up = figure._scales(WIDTH_PX["page"] - 20, 34 + 420)
    assert specks[0][0] == pytest.approx([across.place(20.0), across.place(80.0)])
    assert specks[0][1] == pytest.approx([up.place(math.log(t)) for t in (6000.0, 7000.0)])
    assert len(seen.shapes) == 1
    remarks = " ".join(map(str, figure.remarks()))
    assert "upright bar" in remarks and "An arrow" in remarks and "Dashed" in remarks
    words = str(figure.alt()).replace("\u00a0", " ")
    assert "started between 20 °C and 80 °C" in words and "from 100 min to 150 min" in words


def test_a_single_run_has_an_extent():
    one = StudyPoints(label="x", start_c=(20.0,), lower_s=(600.0,), upper_s=(600.0,))
    svg = PointsFigure(key="p", caption=say("c"), studies=(one,)).draw("page")[0].svg
    dots = [e.get("d") for e in ET.fromstring(svg).iter() if e.get("stroke-linecap") == "round"]
    assert len(dots) == 1
    start, end = re.fullmatch(r"M([\d. ]+)L([\d. ]+)", dots[0]).groups()
    assert start != end


@pytest.mark.parametrize("width", ["page", "phone"])
def test_no_word_is_cut_at_the_edge_of_the_picture(monkeypatch, width):
    seen = Recorder(monkeypatch)
    for name in ("demo", "nothing-estimable", "two-studies", "hostile"):
        for section in report_samples.SAMPLES[name]().report.sections:
            for figure in section.figures:
                figure.draw(width)
    assert len(seen.words) > 100
    for args, more in seen.words:
        words = args[2]
        size = more.get("size", 13.0)
        long = text_width(words, size, strong=more.get("strong", False))
        start = args[0] - long * {"left": 0, "center": 0.5, "right": 1}[more.get("align", "left")]
        assert start >= -1 and start + long <= WIDTH_PX[width] + 1, words


def test_an_empty_graph_is_drawn():
    empty = PointsFigure(key="p", caption=say("c"), studies=())
    assert empty.draw("page")[0].svg.startswith("<svg")
    assert str(empty.alt()) == "0 runs of 0 studies."


def test_axes_have_round_values_and_zero():
    scale = Scale(low=math.log(0.79), high=math.log(1.35), start_px=0, end_px=430)
    ticks = effect_ticks(scale, "log-ratio")
    assert [w.replace("\u00a0", " ") for _, w in ticks] == [
        "−20 %",
        "−10 %",
        "0",
        "+10 %",
        "+20 %",
        "+30 %",
    ]
    assert all(scale.holds(v) for v, _ in ticks)
    narrow = Scale(low=-0.0004, high=0.0011, start_px=0, end_px=430)
    assert [w.replace("\u00a0", " ") for _, w in effect_ticks(narrow, "log-ratio")][-1] == "+0.1 %"
    minutes = plain_ticks(Scale(low=0, high=7200, start_px=0, end_px=400), "seconds")
    assert minutes[0] == (0.0, "0") and minutes[-1] == (7200.0, "120")
    assert [w for _, w in log_ticks(600, 60000, factor=60.0, most=9)] == [
        "10",
        "20",
        "30",
        "50",
        "100",
        "200",
        "300",
        "500",
        "1000",
    ]
    assert [w for _, w in log_ticks(600, 60000, factor=60.0, most=8)] == [
        "10",
        "30",
        "100",
        "300",
        "1000",
    ]
    assert [w for _, w in log_ticks(4500, 5200, factor=60.0, most=8)] == [
        "76",
        "78",
        "80",
        "82",
        "84",
        "86",
    ]


def drawn(name="demo"):
    report = report_samples.SAMPLES[name]().report
    figures = [f for s in report.sections for f in s.figures]
    return [d for f in figures for w in ("page", "phone") for d in drawings(f, w)]


@pytest.mark.parametrize("name", ["demo", "hostile"])
def test_the_inside_of_every_picture_is_shapes_alone(name):
    for drawing in drawn(name):
        root = ET.fromstring(drawing.svg)
        ids = {e.get("id") for e in root.iter() if e.get("id")}
        for element in root.iter():
            assert element.tag.rpartition("}")[2] in SVG_ELEMENTS
            assert set(element.attrib) <= SVG_ATTRIBUTES
            assert not (element.text or "").strip() and not (element.tail or "").strip()
            link = element.get("href")
            assert link is None or (link[0] == "#" and link[1:] in ids)


def test_every_colour_has_a_role_that_the_page_can_turn_dark():
    style = style_sheet()
    for role in PALETTE:
        assert f".fill-{role} {{" in style and f".stroke-{role} {{" in style
        assert style.count(f"--{role}:") >= 2
    for drawing in drawn():
        for element in ET.fromstring(drawing.svg).iter():
            classes = element.get("class", "").split()
            for name in ("fill", "stroke"):
                value = element.get(name)
                if value is not None and value != "none":
                    assert any(c.startswith(f"{name}-") for c in classes), element.attrib


def test_ids_differ_between_pictures():
    ids = [i for d in drawn() for i in re.findall(r'id="([^"]+)"', d.svg)]
    assert ids and len(ids) == len(set(ids))


def test_a_users_own_matplotlib_settings_change_nothing():
    import matplotlib as mpl

    figure = studies([row("$x^2$ lab")])
    usual = drawings(figure, "page")
    with mpl.rc_context(
        {
            "text.color": "red",
            "axes.unicode_minus": False,
            "lines.linewidth": 9,
            "font.size": 30,
            "svg.fonttype": "none",
            "path.sketch": (1, 2, 3),
        }
    ):
        assert drawings(figure, "page") == usual


def test_a_picture_that_is_no_svg_is_not_passed_on():
    with pytest.raises(ET.ParseError):
        clean_svg("<svg><g></svg>", name="x", width_px=1, height_px=1)


def test_thousands_of_runs_stay_a_small_file():
    count = 5000
    start = tuple(20.0 + (i * 61 % 600) / 10 for i in range(count))
    time = tuple(5000.0 + (i * 37 % 4001) for i in range(count))
    figure = PointsFigure(
        key="p",
        caption=say("c"),
        studies=(StudyPoints(label="big", start_c=start, lower_s=time, upper_s=time),),
    )
    assert len(figure.draw("page")[0].svg) < 60 * count


def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio of WCAG 2.2, section 1.4.3."""
    light, dark = sorted([luminance(one), luminance(other)], reverse=True)
    return (light + 0.05) / (dark + 0.05)


def schemes():
    style = style_sheet()
    found = re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", style)
    light, dark = {}, {}
    for name, colour in found:
        if name not in light:
            light[name] = colour
        elif name not in dark:
            dark[name] = colour
    return [light, dark]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_contrast_in_both_schemes(scheme):
    colours = schemes()[scheme]
    # AA: 4.5 for words, 3 for the lines that a figure is read by.
    for words in ("ink", "soft", "ice", "warm"):
        assert contrast(colours[words], colours["paper"]) >= 4.5
    for words in ("ink", "soft"):
        assert contrast(colours[words], colours["band"]) >= 4.5
    assert contrast(colours["banner-ink"], colours["banner"]) >= 4.5
    assert contrast(colours["strong-rule"], colours["paper"]) >= 3


def test_marks_and_bands_differ_without_colour():
    # On a grey print the two bands are told apart from paper and from each other by lightness
    # and by their edges; marks stay far darker than any band.
    grey = {role: luminance(value) for role, value in PALETTE.items()}
    assert grey["paper"] > grey["band-wide"] > grey["band"]
    for role in ("ink", "ice"):
        assert contrast(PALETTE[role], PALETTE["band"]) >= 4.5


def test_the_page_and_the_figures_agree_on_the_light_colours():
    light = schemes()[0]
    assert {role: light[role] for role in PALETTE} == PALETTE
