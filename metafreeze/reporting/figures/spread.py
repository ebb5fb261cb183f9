"""How far labs lie apart: every lab's effect on one line, and ranges under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from metafreeze.options import Display, FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Text, say
from metafreeze.reporting.figures.axis import FOOT_PX, draw_effect_axis, effect_axis
from metafreeze.reporting.figures.canvas import (
    LABEL_PX,
    LINE_PX,
    SMALL_PX,
    WIDTH_PX,
    Canvas,
)
from metafreeze.reporting.figures.scale import Scale, effect_range
from metafreeze.reporting.lettering import drawable, text_width, wrapped
from metafreeze.reporting.numbers import between, is_missing, show

GUTTER_PX = 286.0
EDGE_PX = 12.0
DOT_PX = 4.5
HEAD_PX = 30.0
ROW_PX = 34.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRange:
    """A range with its words, such as "where two of three labs would lie".

    Parameters
    ----------
    words : Text
        What the range is.
    low, high : float
        Its ends as they stand in the results; NaN where it could not be estimated.
    """

    words: Text
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadFigure(FigureContent):
    """The labs' effects as equal dots on one line, with ranges drawn below to the same axis.

    Parameters
    ----------
    estimates : tuple of float
        One per lab, any order; NaN is passed over.
    kind : Display
        What the effects are.
    ranges : tuple of NamedRange
        Drawn in this order: for instance a repeat in the same lab, two labs of three, a new lab.
    hot_c, cold_c : float
        The pair that the effects are for, °C; NaN for an effect without a pair.
    """

    estimates: tuple[float, ...]
    kind: Display
    ranges: tuple[NamedRange, ...]
    hot_c: float = math.nan
    cold_c: float = math.nan

    def alt(self) -> Text:
        """Say the ends of the labs' effects, and every range."""
        known = self._known()
        words = say("{n} labs on one line", n=show(len(known), "count"))
        if known:
            words += say(
                ", from {low} to {high}",
                low=show(min(known), self.kind, signed=True),
                high=show(max(known), self.kind, signed=True),
            )
        words += "."
        for item in self.ranges:
            limits = between(item.low, item.high, self.kind, signed=True)
            words += say(" {what}: {limits}.", what=item.words, limits=limits)
        return words

    def _known(self) -> list[float]:
        return [v for v in self.estimates if not is_missing(v)]

    def _scale(self, start_px: float, end_px: float) -> Scale:
        ends = [e for r in self.ranges for e in (r.low, r.high) if not is_missing(e)]
        low, high = effect_range(self._known(), (), self.kind, bands=ends)
        return Scale(low=low, high=high, start_px=start_px, end_px=end_px)

    def remarks(self) -> tuple[Text, ...]:
        """Explain arrows, where there are any."""
        scale = self._scale(0.0, 1.0)
        known = [r for r in self.ranges if not (is_missing(r.low) or is_missing(r.high))]
        if any(not scale.holds(end) for r in known for end in (r.low, r.high)):
            return (say("An arrow: the range goes on beyond the axis; the table has its end."),)
        return ()

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the line of labs and the ranges under it."""
        stacked = width == "phone"
        left = EDGE_PX if stacked else GUTTER_PX
        scale = self._scale(left, WIDTH_PX[width] - EDGE_PX)
        piles = _piles([scale.place(v) for v in sorted(self._known())])
        tallest = max((height for _, height in piles), default=0) + 1
        room = WIDTH_PX[width] if stacked else GUTTER_PX - 16
        names = [wrapped(drawable(str(r.words)), room, LABEL_PX) for r in self.ranges]
        dots_px = tallest * 2.2 * DOT_PX + (LINE_PX if stacked else 0) + 18
        row_px = [ROW_PX + LINE_PX * (len(lines) - (0 if stacked else 1)) for lines in names]
        canvas = Canvas(self.key, width, HEAD_PX + dots_px + sum(row_px) + FOOT_PX)
        floor = canvas.height_px - FOOT_PX
        base = HEAD_PX + dots_px - 10
        canvas.text(0, HEAD_PX + LABEL_PX if stacked else base + 4, "Every lab", strong=True)
        for x, height in piles:
            canvas.dot(x, base - height * 2.2 * DOT_PX, radius=DOT_PX)
        y = HEAD_PX + dots_px
        _zero_words(canvas, scale)
        _zero(canvas, scale, base - tallest * 2.2 * DOT_PX if stacked else HEAD_PX - 8, y)
        for item, lines, tall in zip(self.ranges, names, row_px, strict=True):
            canvas.stroke([0, canvas.width_px], [y, y], color="rule", over=1)
            # On a phone the words stand over the bar, and no line may run through them.
            _zero(canvas, scale, y + tall - 22 if stacked else y, y + tall)
            self._range(canvas, scale, item, lines, y, tall, stacked)
            y += tall
        words = effect_axis(self.hot_c, self.cold_c)
        draw_effect_axis(canvas, scale, self.kind, words, floor=floor)
        return (canvas.drawing(),)

    def _range(
        self,
        canvas: Canvas,
        scale: Scale,
        item: NamedRange,
        lines: Sequence[str],
        y: float,
        height: float,
        stacked: bool,
    ) -> None:
        canvas.lines(0, y + 21, lines)
        middle = y + height - 12 if stacked else y + 17
        if is_missing(item.low) or is_missing(item.high):
            words = "range not available"
            x = scale.place(0.0) if scale.holds(0.0) else scale.start_px
            canvas.text(x + 8, middle + 4, words, color="soft", size=SMALL_PX)
            return
        ends = [scale.place(min(max(v, scale.low), scale.high)) for v in (item.low, item.high)]
        canvas.stroke(ends, [middle, middle], color="ice", width=6.0)
        for value, x, way in ((item.low, ends[0], -1), (item.high, ends[1], 1)):
            if not scale.holds(value):
                canvas.shape([(x + way * 8, middle), (x, middle - 6), (x, middle + 6)], color="ice")


def _zero(canvas: Canvas, scale: Scale, top: float, bottom: float) -> None:
    if scale.holds(0.0):
        x = scale.place(0.0)
        canvas.stroke([x, x], [top, bottom], color="strong-rule", width=1.25, over=2)


def _zero_words(canvas: Canvas, scale: Scale) -> None:
    if scale.holds(0.0):
        words = "no difference"
        half = text_width(words, SMALL_PX) / 2
        x = min(max(scale.place(0.0), half), canvas.width_px - half)
        canvas.text(x, 16, words, color="soft", size=SMALL_PX, align="center")


def _piles(places: Sequence[float]) -> list[tuple[float, int]]:
    """Lay equal dots on a line, those that would overlap on top of each other."""
    ends: list[float] = []
    out = []
    for x in places:
        level = next((n for n, end in enumerate(ends) if x >= end), len(ends))
        if level == len(ends):
            ends.append(0.0)
        ends[level] = x + 2.1 * DOT_PX
        out.append((x, level))
    return out
