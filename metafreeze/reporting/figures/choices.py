"""Every analysis that could be defended, sorted by its answer, on one strip."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from metafreeze.options import Display, FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Text, say
from metafreeze.reporting.figures.axis import FOOT_PX, draw_effect_axis, effect_axis
from metafreeze.reporting.figures.canvas import LABEL_PX, LINE_PX, SMALL_PX, WIDTH_PX, Canvas
from metafreeze.reporting.figures.scale import Scale, effect_range
from metafreeze.reporting.lettering import drawable, text_width
from metafreeze.reporting.numbers import count, is_missing, show

GUTTER_PX = 190.0
EDGE_PX = 12.0
HEAD_PX = 30.0
# Each analysis is one line of the strip; the strip stays between these heights.
LINE_OF_ANALYSIS_PX = 3.0
LOWEST_PX, TALLEST_STRIP_PX = 90.0, 380.0
# Shares of analyses whose intervals the axis must hold; longer ones go on beyond it.
INNER = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicesFigure(FigureContent):
    """The answers of many analyses under each other, the soonest first, each with its interval.

    Parameters
    ----------
    analyses : tuple of (float, float, float)
        Estimate and interval of each; any order.
    kind : Display
        What they are.
    hot_c, cold_c : float
        The pair that they are for, °C.
    """

    analyses: tuple[tuple[float, float, float], ...]
    kind: Display
    hot_c: float = math.nan
    cold_c: float = math.nan

    def _sorted(self) -> list[tuple[float, float, float]]:
        return sorted(a for a in self.analyses if not is_missing(a[0]))

    def _counts(self) -> tuple[int, int, int]:
        """Count those clearly sooner, neither and clearly later."""
        sooner = sum(high < 0 for _, _, high in self._sorted())
        later = sum(low > 0 for _, low, _ in self._sorted())
        return sooner, len(self._sorted()) - sooner - later, later

    def alt(self) -> Text:
        """Say the ends and the middle of the strip, and how many are clear."""
        rows = self._sorted()
        if not rows:
            return say("No analysis gave an answer.")
        sooner, neither, later = self._counts()
        return say(
            "{n} sorted by their answer, from {low} over {middle} to {high}. Clearly sooner: "
            "{sooner}; clearly later: {later}; neither: {neither}.",
            n=count(len(rows), "analysis", "analyses"),
            low=show(rows[0][0], self.kind, signed=True),
            middle=show(_middle(rows), self.kind, signed=True),
            high=show(rows[-1][0], self.kind, signed=True),
            sooner=show(sooner, "count"),
            later=show(later, "count"),
            neither=show(neither, "count"),
        )

    def _scale(self, start_px: float, end_px: float) -> Scale:
        rows = self._sorted()
        lows = sorted(low for _, low, _ in rows if not is_missing(low))
        highs = sorted(high for _, _, high in rows if not is_missing(high))
        ends = []
        if lows and highs:
            cut = int(INNER * len(lows))
            ends = [lows[cut], highs[-1 - cut]]
        low, high = effect_range([e for e, _, _ in rows], (), self.kind, bands=ends)
        return Scale(low=low, high=high, start_px=start_px, end_px=end_px)

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the strip, its counts beside it (on a phone above it)."""
        rows = self._sorted()
        stacked = width == "phone"
        left = EDGE_PX if stacked else GUTTER_PX
        scale = self._scale(left, WIDTH_PX[width] - EDGE_PX)
        strip = min(max(LINE_OF_ANALYSIS_PX * len(rows), LOWEST_PX), TALLEST_STRIP_PX)
        words_px = 4 * LINE_PX + 6 if stacked else 0.0
        canvas = Canvas(self.key, width, HEAD_PX + words_px + strip + 8 + FOOT_PX)
        top = HEAD_PX + words_px
        floor = top + strip
        _head(canvas, scale, top - 14)
        if scale.holds(0.0):
            x = scale.place(0.0)
            canvas.stroke([x, x], [top - 6, floor + 8], color="strong-rule", width=1.25, over=2)
        step = strip / max(len(rows), 1)
        heights = [top + (k + 0.5) * step for k in range(len(rows))]
        self._intervals(canvas, scale, rows, heights, thick=min(2.0, 0.6 * step))
        canvas.specks([scale.place(e) for e, _, _ in rows], heights, color="ink", size=3.0)
        if rows:
            middle = scale.place(_middle(rows))
            y = top + strip / 2
            canvas.stroke([middle, middle], [y - 9, y + 9], color="warm", width=3.0)
        self._words(canvas, 4.0 if stacked else top, strip, stacked=stacked)
        words = effect_axis(self.hot_c, self.cold_c)
        draw_effect_axis(canvas, scale, self.kind, words, floor=floor + 8)
        return (canvas.drawing(),)

    def _intervals(
        self,
        canvas: Canvas,
        scale: Scale,
        rows: Sequence[tuple[float, float, float]],
        heights: Sequence[float],
        *,
        thick: float,
    ) -> None:
        for clear, color in ((False, "rule"), (True, "ice")):
            xs, ys = [], []
            for (_, low, high), y in zip(rows, heights, strict=True):
                if is_missing(low) or is_missing(high) or (high < 0 or low > 0) != clear:
                    continue
                ends = [scale.place(min(max(v, scale.low), scale.high)) for v in (low, high)]
                xs.append((*ends, math.nan))
                ys.append((y, y, math.nan))
            if xs:
                flat = [list(chain.from_iterable(part)) for part in (xs, ys)]
                canvas.stroke(flat[0], flat[1], color=color, width=thick, over=1 + clear)

    def _words(self, canvas: Canvas, top: float, strip: float, *, stacked: bool) -> None:
        sooner, neither, later = self._counts()
        said = (
            (sooner, "clearly sooner", 0.0),
            (neither, "neither", 0.5),
            (later, "clearly later", 1.0),
        )
        for place, (number, what, share) in enumerate(said):
            words = drawable(f"{show(number, 'count')} {what}")
            if stacked:
                canvas.text(0, top + place * LINE_PX + LABEL_PX, words)
            else:
                y = top + LABEL_PX + share * max(strip - LABEL_PX - 4, 0.0)
                canvas.text(0, y, words)

    def remarks(self) -> tuple[Text, ...]:
        """Say what the short upright stroke is."""
        return (
            say(
                "Each line is one analysis with its interval, dark where it leaves out no "
                "difference; the short upright stroke is the middle answer. Intervals longer than "
                "the axis end at its edge."
            ),
        )


def _middle(rows: Sequence[tuple[float, float, float]]) -> float:
    n = len(rows)
    return 0.5 * (rows[(n - 1) // 2][0] + rows[n // 2][0])


def _head(canvas: Canvas, scale: Scale, y: float) -> None:
    if not scale.holds(0.0):
        return
    words = "no difference"
    half = text_width(words, SMALL_PX) / 2
    x = min(max(scale.place(0.0), half), canvas.width_px - half)
    canvas.text(x, y, words, color="soft", size=SMALL_PX, align="center")
