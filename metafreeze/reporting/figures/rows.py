"""Rows of effects under each other: what the figures of studies and of absent studies share.

Equal dots with bars. The rows at the top say what all studies say together, and the bands that
fall from them are what every row below is read against. A figure of many rows is drawn as
several pictures, each with the top rows and an axis of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from metafreeze.options import Display, FigureWidth
from metafreeze.reporting.content import NOTHING, Drawing, Given, Text, say
from metafreeze.reporting.figures.axis import FOOT_PX, draw_effect_axis
from metafreeze.reporting.figures.canvas import (
    LABEL_PX,
    LINE_PX,
    SMALL_PX,
    TALLEST_PX,
    WIDTH_PX,
    Canvas,
)
from metafreeze.reporting.figures.scale import Scale, effect_range
from metafreeze.reporting.labels import shortened, visible
from metafreeze.reporting.lettering import drawable, lacks_glyphs, text_width, wrapped
from metafreeze.reporting.numbers import between, is_missing, show

GUTTER_PX = 286.0
COUNT_PX = 74.0
EDGE_PX = 12.0
HEAD_PX = 30.0
ROW_PAD_PX = 9.0
BAR_PX = 20.0
ARROW_PX = 7.0

# Rows named one by one in the alternative text; beyond that the ends, and the table has all.
NAMED_ROWS = 12
NAMED_AT_EACH_END = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectRow:
    """One effect with its interval.

    Parameters
    ----------
    label : str
        Name of the study, as entered.
    estimate, low, high : float
        As they stand in the results; NaN limits are drawn as "interval not available".
    beside : Text
        Words on the left, such as "12 runs".
    remark : Text
        Why there is no estimate or interval.
    """

    label: str
    estimate: float
    low: float = math.nan
    high: float = math.nan
    beside: Text = NOTHING
    remark: Text = NOTHING

    @property
    def has_interval(self) -> bool:
        """Whether both limits are known; an unbounded one is known."""
        return not (is_missing(self.low) or is_missing(self.high))


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsPlan:
    """Everything that a picture of rows is drawn from.

    Parameters
    ----------
    key : str
        Name of the figure.
    kind : Display
        What the effects are.
    top : tuple of EffectRow
        All studies together, then a new lab where there is one; each casts a band.
    rows : tuple of EffectRow
        The studies in the order drawn.
    below_zero, above_zero : str
        Words over the two halves of the axis.
    axis : Text
        Words under the axis.
    """

    key: str
    kind: Display
    top: tuple[EffectRow, ...]
    rows: tuple[EffectRow, ...]
    below_zero: str
    above_zero: str
    axis: Text


def sorted_rows(rows: Sequence[EffectRow]) -> tuple[EffectRow, ...]:
    """Order rows by effect, those without one last.

    Parameters
    ----------
    rows : sequence of EffectRow
        Any order.

    Returns
    -------
    tuple of EffectRow
    """
    return tuple(
        sorted(
            rows,
            key=lambda r: (is_missing(r.estimate), 0.0 if is_missing(r.estimate) else r.estimate),
        )
    )


def row_words(row: EffectRow, kind: Display, *, name: bool = True) -> Text:
    """Say one row: name, effect, interval.

    Parameters
    ----------
    row : EffectRow
        The row.
    kind : Display
        What its effect is.
    name : bool
        Whether the name comes first.

    Returns
    -------
    Text
    """
    start = say("{name} ", name=Given(shortened(row.label))) if name else Text()
    if is_missing(row.estimate):
        return start + _with_reason("not estimable", row)
    value = show(row.estimate, kind, signed=True)
    if not row.has_interval:
        return start + say(
            "{value} ({gap})", value=value, gap=_with_reason("interval not available", row)
        )
    return start + say(
        "{value} ({limits})", value=value, limits=between(row.low, row.high, kind, signed=True)
    )


def _with_reason(words: str, row: EffectRow) -> Text:
    return say(words) if not row.remark else say("{words}: {why}", words=words, why=row.remark)


def rows_words(rows: Sequence[EffectRow], kind: Display) -> Text:
    """Say all rows, or the ends of a long list.

    Parameters
    ----------
    rows : sequence of EffectRow
        In the order drawn.
    kind : Display
        What their effects are.

    Returns
    -------
    Text
    """
    if len(rows) <= NAMED_ROWS:
        return _joined([row_words(r, kind) for r in rows])
    known = [r for r in rows if not is_missing(r.estimate)]
    first = _joined([row_words(r, kind) for r in known[:NAMED_AT_EACH_END]])
    last = _joined([row_words(r, kind) for r in known[-NAMED_AT_EACH_END:]])
    return say("first {first}; last {last}; the table has them all", first=first, last=last)


def _joined(texts: Sequence[Text]) -> Text:
    whole = Text()
    for place, text in enumerate(texts):
        whole = whole + ("; " if place else "") + text
    return whole


def glyph_remarks(labels: Sequence[str]) -> tuple[Text, ...]:
    """Say that code points stand for characters without a glyph, where it happened.

    Parameters
    ----------
    labels : sequence of str
        Names in the figure.

    Returns
    -------
    tuple of Text
    """
    if any(lacks_glyphs(label) for label in labels):
        return (
            say(
                "Some characters have no shape in the fonts of this figure; their code points "
                "stand for them. The table has the names as they were entered."
            ),
        )
    return ()


def clip_remarks(plan: RowsPlan) -> tuple[Text, ...]:
    """Say what an arrow means, where one is drawn.

    Parameters
    ----------
    plan : RowsPlan
        The figure.

    Returns
    -------
    tuple of Text
    """
    low, high = _ends(plan)
    rows = [r for r in plan.top + plan.rows if r.has_interval]
    if any(r.low < low or r.high > high for r in rows):
        return (say("An arrow: the interval goes on beyond the axis; the table has its end."),)
    return ()


def draw_rows(plan: RowsPlan, width: FigureWidth) -> tuple[Drawing, ...]:
    """Draw the rows, as several pictures where one would be taller than a printed page.

    Parameters
    ----------
    plan : RowsPlan
        What to draw.
    width : {"page", "phone"}
        For which width.

    Returns
    -------
    tuple of Drawing
    """
    layout = _Layout(plan, width)
    return tuple(
        layout.draw(rows, part=part) for part, rows in enumerate(layout.pictures(plan.rows))
    )


def _ends(plan: RowsPlan) -> tuple[float, float]:
    rows = plan.top + plan.rows
    return effect_range(
        [r.estimate for r in rows],
        [(r.low, r.high) for r in plan.rows if r.has_interval],
        plan.kind,
        bands=[end for r in plan.top if r.has_interval for end in (r.low, r.high)],
    )


def _shares(heights: Sequence[float], parts: int) -> list[int]:
    """Give where each part ends, so that the parts are about equally tall."""
    share = sum(heights) / parts
    ends: list[int] = []
    height = 0.0
    for place, own in enumerate(heights):
        if len(ends) < parts - 1 and place and height + own / 2 > share * (len(ends) + 1):
            ends.append(place)
        height += own
    return [*ends, len(heights)]


class _Layout:
    """Where things stand in the pictures of one plan at one width."""

    def __init__(self, plan: RowsPlan, width: FigureWidth) -> None:
        self.plan = plan
        self.width = width
        self.stacked = width == "phone"
        self.total_px = WIDTH_PX[width]
        self.left_px = EDGE_PX if self.stacked else GUTTER_PX
        low, high = _ends(plan)
        self.scale = Scale(
            low=low, high=high, start_px=self.left_px, end_px=self.total_px - EDGE_PX
        )

    def beside_px(self, row: EffectRow) -> float:
        words = drawable(str(row.beside))
        return max(COUNT_PX, text_width(words, SMALL_PX) + 8) if words else 0.0

    def label_lines(self, row: EffectRow, *, strong: bool = False) -> list[str]:
        room = (self.total_px if self.stacked else GUTTER_PX - 16) - self.beside_px(row)
        return wrapped(drawable(shortened(visible(row.label))), room, LABEL_PX, strong=strong)

    def row_px(self, row: EffectRow, *, strong: bool = False) -> float:
        text = len(self.label_lines(row, strong=strong)) * LINE_PX
        return text + ROW_PAD_PX + (BAR_PX if self.stacked else 0.0)

    def top_px(self) -> float:
        return HEAD_PX + sum(self.row_px(r, strong=True) for r in self.plan.top) + ROW_PAD_PX

    def pictures(self, rows: Sequence[EffectRow]) -> Iterator[tuple[EffectRow, ...]]:
        """Part the rows so that no picture is taller than a page, in equal shares."""
        room = TALLEST_PX - self.top_px() - FOOT_PX
        heights = [self.row_px(r) for r in rows]
        parts = max(1, math.ceil(sum(heights) / room))
        while True:
            ends = _shares(heights, parts)
            # A row taller than a page cannot be parted; more parts would not help it.
            if parts >= len(rows) or all(
                sum(heights[a:b]) <= room for a, b in pairwise((0, *ends))
            ):
                break
            parts += 1
        for start, end in pairwise((0, *ends)):
            yield tuple(rows[start:end])

    def draw(self, rows: Sequence[EffectRow], *, part: int) -> Drawing:
        height = self.top_px() + sum(self.row_px(r) for r in rows) + FOOT_PX
        canvas = Canvas(self.plan.key, self.width, height, part=part)
        floor = height - FOOT_PX
        self._head(canvas)
        y = HEAD_PX
        for place, row in enumerate(self.plan.top):
            below = y + self.row_px(row, strong=True)
            rule = ROW_PAD_PX if row is self.plan.top[-1] and not self.stacked else 0.0
            self._behind(canvas, y, below + rule, self.plan.top[:place])
            if not self.stacked:
                self._band(canvas, row, self._middle(y, below), floor, wide=place > 0)
            y = self._row(canvas, row, y, strong=True, bar=place == 0)
        canvas.stroke(
            [0, self.total_px], [y + ROW_PAD_PX / 2] * 2, color="strong-rule", width=1.0, over=2
        )
        y += ROW_PAD_PX
        for place, row in enumerate(rows):
            if place:
                canvas.stroke([0, self.total_px], [y, y], color="rule", width=1.0, over=1)
            self._behind(canvas, y, y + self.row_px(row), self.plan.top)
            y = self._row(canvas, row, y)
        draw_effect_axis(canvas, self.scale, self.plan.kind, self.plan.axis, floor=floor)
        return canvas.drawing()

    def _head(self, canvas: Canvas) -> None:
        if not self.scale.holds(0.0):
            return
        zero = self.scale.place(0.0)
        below = f"← {self.plan.below_zero}"
        above = f"{self.plan.above_zero} →"
        # The words keep to their side of zero as far as there is room for them.
        least = self.left_px if not self.stacked else 0.0
        left_end = max(zero - 8, least + text_width(below, SMALL_PX))
        right_start = max(zero + 8, left_end + 12)
        right_start = min(right_start, self.total_px - text_width(above, SMALL_PX))
        left_end = min(left_end, right_start - 12)
        canvas.text(left_end, 16, below, color="soft", size=SMALL_PX, align="right")
        canvas.text(right_start, 16, above, color="soft", size=SMALL_PX)

    def _middle(self, top: float, bottom: float) -> float:
        """Give the height of a row's bar: beside the name, or under it on a phone."""
        if self.stacked:
            return bottom - ROW_PAD_PX / 2 - BAR_PX / 2
        return top + ROW_PAD_PX / 2 + LINE_PX / 2

    def _behind(
        self, canvas: Canvas, top: float, bottom: float, above: Sequence[EffectRow]
    ) -> None:
        """Draw what runs down behind a row: zero, and on a phone the bands behind its bar.

        On a phone the name stands over the bar, and no line may run through it.
        """
        if self.stacked:
            top = bottom - ROW_PAD_PX / 2 - BAR_PX
            for row in above:
                self._band(canvas, row, top, bottom, wide=row is not self.plan.top[0])
        if self.scale.holds(0.0):
            x = self.scale.place(0.0)
            canvas.stroke([x, x], [top, bottom], color="strong-rule", width=1.25, over=2)

    def _band(
        self, canvas: Canvas, row: EffectRow, top: float, floor: float, *, wide: bool
    ) -> None:
        if not row.has_interval:
            return
        left, right = (
            self.scale.place(min(max(v, self.scale.low), self.scale.high))
            for v in (row.low, row.high)
        )
        canvas.box(left, top, right, floor, color="band-wide" if wide else "band")
        for x, value in ((left, row.low), (right, row.high)):
            if self.scale.holds(value):
                canvas.stroke(
                    [x, x],
                    [top, floor],
                    color="ice",
                    width=1.0,
                    dashes=(1.5, 3.5) if wide else (),
                    over=2,
                )

    def _row(
        self, canvas: Canvas, row: EffectRow, y: float, *, strong: bool = False, bar: bool = True
    ) -> float:
        lines = self.label_lines(row, strong=strong)
        base = y + ROW_PAD_PX / 2 + LABEL_PX
        canvas.lines(0, base, lines, strong=strong)
        words = drawable(str(row.beside))
        if words:
            edge = self.total_px if self.stacked else GUTTER_PX - 16
            canvas.text(edge, base, words, color="soft", size=SMALL_PX, align="right")
        bottom = y + self.row_px(row, strong=strong)
        middle = self._middle(y, bottom)
        self._mark(canvas, row, middle, color="ice" if strong else "ink", dotted=not bar)
        return bottom

    def _mark(self, canvas: Canvas, row: EffectRow, y: float, *, color: str, dotted: bool) -> None:
        if row.has_interval:
            self._interval(canvas, row, y, color=color, dotted=dotted)
        if is_missing(row.estimate):
            if not row.has_interval:
                self._words_at(canvas, self.scale.place(0.0), y, "not estimable")
            return
        x = self.scale.place(row.estimate)
        if not dotted:
            canvas.dot(x, y, color=color, hollow=not row.has_interval)
        if not row.has_interval:
            self._words_at(canvas, x, y, "interval not available")

    def _words_at(self, canvas: Canvas, x: float, y: float, words: str) -> None:
        long = text_width(words, SMALL_PX)
        fits = x + 12 + long <= self.total_px
        left = x + 9 if fits else x - 15 - long
        canvas.box(left, y - 7, left + long + 6, y + 7, color="paper")
        canvas.text(
            x + 12 if fits else x - 12,
            y + SMALL_PX / 3,
            words,
            color="soft",
            size=SMALL_PX,
            align="left" if fits else "right",
        )

    def _interval(
        self, canvas: Canvas, row: EffectRow, y: float, *, color: str, dotted: bool
    ) -> None:
        left = self.scale.place(max(row.low, self.scale.low))
        right = self.scale.place(min(row.high, self.scale.high))
        canvas.stroke(
            [left, right], [y, y], color=color, width=2.0, dashes=(2.0, 3.0) if dotted else ()
        )
        for value, x, way in ((row.low, left, -1), (row.high, right, 1)):
            if self.scale.holds(value):
                canvas.stroke([x, x], [y - 4, y + 4], color=color, width=2.0)
            else:
                tip = x + way * ARROW_PX
                canvas.shape([(tip, y), (x, y - 5), (x, y + 5)], color=color)
