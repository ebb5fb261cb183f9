"""All points on one graph, with the line of every study over them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from metafreeze.options import FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Fixed, Given, Text, listed, say
from metafreeze.reporting.figures.canvas import (
    LINE_PX,
    SMALL_PX,
    WIDTH_PX,
    Canvas,
)
from metafreeze.reporting.figures.rows import glyph_remarks
from metafreeze.reporting.figures.scale import Scale, log_ticks, plain_ticks
from metafreeze.reporting.labels import shortened, visible
from metafreeze.reporting.lettering import drawable, text_width, wrapped
from metafreeze.reporting.numbers import (
    SECONDS_PER_HOUR,
    SECONDS_PER_MINUTE,
    decimals_for,
    show,
    time_unit,
)

LEFT_PX = 52.0
HEAD_PX = 34.0
FOOT_PX = 48.0
NAMES_PX = 178.0
PLOT_HEIGHT_PX: dict[FigureWidth, float] = {"page": 420.0, "phone": 320.0}

# More names than this at the ends of lines could not be told apart; the table has them all.
MOST_NAMES = 16
MOST_TIME_TICKS = 8

# Up to so many runs, dots of this size, px: few runs can be large, many would cover each other.
DOT_SIZES = ((60, 7.0), (400, 5.0), (3000, 4.0), (math.inf, 2.5))


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPoints:
    """One study's runs and the line that its own runs give.

    Parameters
    ----------
    label : str
        Name of the study, as entered.
    start_c : tuple of float
        Start temperatures, °C, one per run.
    lower_s, upper_s : tuple of float
        Times, s, one per run: equal when seen exactly, apart for a window, `upper_s` infinite
        for one never seen frozen.
    line : tuple of (float, float)
        Ends of the within-study line: start temperature, °C, and time, s. Empty for none.
    """

    label: str
    start_c: tuple[float, ...]
    lower_s: tuple[float, ...]
    upper_s: tuple[float, ...]
    line: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsFigure(FigureContent):
    """Time against start temperature for every run, time on a logarithmic axis.

    Parameters
    ----------
    studies : tuple of StudyPoints
        One per study.
    across : tuple of (float, float)
        Ends of the line through all points regardless of study, drawn dashed: what the naive
        graph would show. Empty for none.
    what : str
        The endpoint in words, for the axis.
    """

    studies: tuple[StudyPoints, ...]
    across: tuple[tuple[float, float], ...] = ()
    what: str = "time"

    def alt(self) -> Text:
        """Say the counts and ranges, and each study's line by its ends."""
        times = self._times()
        unit = time_unit(times)[1]
        starts = [c for s in self.studies for c in s.start_c]
        places = decimals_for(starts, "celsius")
        words = say(
            "{runs} runs of {studies} studies",
            runs=show(len(starts), "count"),
            studies=show(len(self.studies), "count"),
        )
        if starts:
            words += say(
                ", started between {cold} and {hot}, {what} from {low} to {high}",
                cold=show(min(starts), "celsius", decimals=places),
                hot=show(max(starts), "celsius", decimals=places),
                what=Fixed(self.what),
                low=show(min(times), "seconds", seconds=unit),
                high=show(max(times), "seconds", seconds=unit),
            )
        lined = [s for s in self.studies if s.line]
        if lined and len(lined) <= MOST_NAMES:
            ends = [
                say(
                    "{name} {ends}",
                    name=Given(shortened(s.label)),
                    ends=_line_words(s.line, unit, places),
                )
                for s in lined
            ]
            words += say(". Lines within the studies: {ends}", ends=listed(ends))
        if self.across:
            words += say(
                ". One line through all points regardless of study: {ends}",
                ends=_line_words(self.across, unit, places),
            )
        return words + "."

    def _times(self) -> list[float]:
        return [
            t
            for s in self.studies
            for t in (*s.lower_s, *s.upper_s, *(end[1] for end in s.line))
            if math.isfinite(t) and t > 0
        ]

    def remarks(self) -> tuple[Text, ...]:
        """Explain bars, arrows, dashes and code points, where there are any."""
        out = []
        pairs = [
            (low, high)
            for s in self.studies
            for low, high in zip(s.lower_s, s.upper_s, strict=True)
        ]
        if any(low < high < math.inf for low, high in pairs):
            out.append(say("An upright bar: the event fell somewhere within it."))
        if any(math.isinf(high) for _, high in pairs):
            out.append(say("An arrow: not yet frozen when last seen."))
        if self.across:
            out.append(
                say("Dashed: one line through all points, which mixes differences between labs in.")
            )
        if len(self.studies) > MOST_NAMES:
            out.append(say("The lines are too many to be named; the table has the studies."))
        return tuple(out) + glyph_remarks([s.label for s in self.studies])

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the runs, the lines over them, and the names at the ends of the lines."""
        named = [s for s in self.studies if s.line] if len(self.studies) <= MOST_NAMES else []
        beside = width == "page" and len(named) > 1
        below = [] if beside or len(named) < 2 else named
        key_lines = _key_lines(below, WIDTH_PX[width])
        right = WIDTH_PX[width] - (NAMES_PX if beside else 24.0 if below else 20.0)
        bottom = HEAD_PX + PLOT_HEIGHT_PX[width]
        canvas = Canvas(self.key, width, bottom + FOOT_PX + len(key_lines) * LINE_PX)
        across, up = self._scales(right, bottom)
        self._axes(canvas, across, up, bottom)
        count = sum(len(s.start_c) for s in self.studies)
        size = next(px for most, px in DOT_SIZES if count <= most)
        for study in self.studies:
            _runs(canvas, across, up, study, size)
        if self.across:
            _line(canvas, across, up, self.across, dashed=True)
        for study in self.studies:
            _line(canvas, across, up, study.line, dashed=False)
        if beside:
            _names_beside(canvas, across, up, named, bottom)
        if below:
            _letters_beside(canvas, across, up, below, bottom)
            canvas.lines(0, bottom + FOOT_PX + 8, key_lines, size=SMALL_PX)
        return (canvas.drawing(),)

    def _scales(self, right: float, bottom: float) -> tuple[Scale, Scale]:
        starts = [c for s in self.studies for c in s.start_c] or [0.0, 100.0]
        times = self._times() or [SECONDS_PER_MINUTE, SECONDS_PER_HOUR]
        cold, hot = min(starts), max(starts)
        room = 0.05 * max(hot - cold, 10.0)
        fast, slow = math.log(min(times)), math.log(max(times))
        head = 0.06 * max(slow - fast, 0.2)
        return (
            Scale(low=cold - room, high=hot + room, start_px=LEFT_PX, end_px=right),
            Scale(low=fast - head, high=slow + head, start_px=bottom, end_px=HEAD_PX),
        )

    def _axes(self, canvas: Canvas, across: Scale, up: Scale, bottom: float) -> None:
        left, right = across.start_px, across.end_px
        unit, seconds = time_unit([math.exp(up.high)])
        canvas.text(0, 16, f"{self.what}, {unit}", color="soft", size=SMALL_PX)
        ticks = log_ticks(
            math.exp(up.low), math.exp(up.high), factor=float(seconds), most=MOST_TIME_TICKS
        )
        for value, words in ticks:
            y = up.place(math.log(value))
            canvas.stroke([left, right], [y, y], color="rule", over=1)
            canvas.text(left - 8, y + 4, words, color="soft", size=SMALL_PX, align="right")
        canvas.stroke([left, right], [bottom, bottom], color="strong-rule")
        for value, words in plain_ticks(across, "celsius"):
            x = across.place(value)
            canvas.stroke([x, x], [bottom, bottom + 5], color="strong-rule")
            canvas.text(x, bottom + 19, words, color="soft", size=SMALL_PX, align="center")
        canvas.text(
            (left + right) / 2,
            bottom + 39,
            "start temperature, °C",
            color="soft",
            size=SMALL_PX,
            align="center",
        )


def _line_words(line: Sequence[tuple[float, float]], unit: int, places: int) -> Text:
    ends = [
        say(
            "{time} at {start}",
            time=show(t, "seconds", seconds=unit),
            start=show(c, "celsius", decimals=places),
        )
        for c, t in (line[0], line[-1])
    ]
    return say("{first} to {last}", first=ends[0], last=ends[1])


def _runs(canvas: Canvas, across: Scale, up: Scale, study: StudyPoints, size: float) -> None:
    exact: list[tuple[float, float]] = []
    windows: list[tuple[float, float, float]] = []
    for start, low, high in zip(study.start_c, study.lower_s, study.upper_s, strict=True):
        x = across.place(start)
        bottom = up.place(math.log(low)) if low > 0 else up.start_px
        if math.isinf(high):
            tip = max(bottom - 16, up.end_px)
            canvas.stroke([x, x], [bottom, tip + 5], color="soft", width=1.5)
            canvas.shape([(x, tip), (x - 3.5, tip + 7), (x + 3.5, tip + 7)], color="soft")
        elif low < high:
            windows.append((x, bottom, up.place(math.log(high))))
        else:
            exact.append((x, bottom))
    if windows:
        xs, bottoms, tops = zip(*windows, strict=True)
        canvas.uprights(xs, bottoms, tops)
    canvas.specks([x for x, _ in exact], [y for _, y in exact], size=size)


def _line(
    canvas: Canvas,
    across: Scale,
    up: Scale,
    line: Sequence[tuple[float, float]],
    *,
    dashed: bool,
) -> None:
    if not line:
        return
    canvas.stroke(
        [across.place(c) for c, _ in line],
        [up.place(math.log(t)) for _, t in line],
        color="warm" if dashed else "ice",
        width=2.0,
        dashes=(7.0, 5.0) if dashed else (),
        over=4,
    )


def _spread_out(wanted: Sequence[float], heights: Sequence[float], floor: float) -> list[float]:
    """Move tops of blocks, given from top to bottom, until none covers another."""
    tops: list[float] = []
    for want, height in zip(wanted, heights, strict=True):
        least = tops[-1] + heights[len(tops) - 1] if tops else 0.0
        tops.append(max(want - height / 2, least))
    limit = floor
    for place in range(len(tops) - 1, -1, -1):
        tops[place] = min(tops[place], limit - heights[place])
        limit = tops[place]
    return tops


def _by_end(
    across: Scale, up: Scale, studies: Sequence[StudyPoints]
) -> list[tuple[float, float, StudyPoints]]:
    """Give where each line ends on the right, from the top of the graph to its bottom."""
    ends = [(up.place(math.log(s.line[-1][1])), across.place(s.line[-1][0]), s) for s in studies]
    return sorted(ends, key=lambda e: (e[0], e[1], e[2].label))


def _names_beside(
    canvas: Canvas, across: Scale, up: Scale, studies: Sequence[StudyPoints], bottom: float
) -> None:
    ends = _by_end(across, up, studies)
    left = across.end_px + 22
    lines = [
        wrapped(drawable(shortened(visible(s.label))), canvas.width_px - left, SMALL_PX)
        for _, _, s in ends
    ]
    heights = [LINE_PX * len(rows) for rows in lines]
    tops = _spread_out([y for y, _, _ in ends], heights, bottom + FOOT_PX)
    for (y, x, _), rows, top, height in zip(ends, lines, tops, heights, strict=True):
        middle = top + height / 2
        canvas.stroke(
            [x + 2, across.end_px + 4, left - 5], [y, y, middle], color="strong-rule", over=2
        )
        canvas.lines(left, top + SMALL_PX, rows, size=SMALL_PX)


def _letter(place: int) -> str:
    return "abcdefghijklmnopqrstuvwxyz"[place]


def _letters_beside(
    canvas: Canvas, across: Scale, up: Scale, studies: Sequence[StudyPoints], bottom: float
) -> None:
    ends = _by_end(across, up, studies)
    heights = [LINE_PX - 2] * len(ends)
    tops = _spread_out([y for y, _, _ in ends], heights, bottom + FOOT_PX / 2)
    letters = {id(s): _letter(place) for place, s in enumerate(studies)}
    for (y, x, study), top in zip(ends, tops, strict=True):
        middle = top + heights[0] / 2
        canvas.stroke(
            [x + 2, across.end_px + 2, across.end_px + 9],
            [y, y, middle],
            color="strong-rule",
            over=2,
        )
        canvas.text(across.end_px + 12, middle + 4, letters[id(study)], size=SMALL_PX, strong=True)


def _key_lines(studies: Sequence[StudyPoints], width_px: float) -> list[str]:
    """Write the key under the graph: one letter and name after another."""
    lines: list[str] = []
    for place, study in enumerate(studies):
        words = f"{_letter(place)}: {drawable(shortened(visible(study.label)))}"
        joined = f"{lines[-1]};  {words}" if lines else words
        if lines and text_width(joined, SMALL_PX) <= width_px:
            lines[-1] = joined
        else:
            lines.extend(wrapped(words, width_px, SMALL_PX))
    return lines
