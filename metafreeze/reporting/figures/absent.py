"""What all studies together would say if one of them were absent."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metafreeze.options import Display, FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Text, say
from metafreeze.reporting.figures.axis import effect_axis
from metafreeze.reporting.figures.rows import (
    EffectRow,
    RowsPlan,
    clip_remarks,
    draw_rows,
    glyph_remarks,
    row_words,
    rows_words,
    sorted_rows,
)
from metafreeze.reporting.numbers import show


@dataclass(frozen=True, slots=True, kw_only=True)
class AbsentFigure(FigureContent):
    """The pooled effect with each study left out in turn, against the effect of all.

    Parameters
    ----------
    rows : tuple of EffectRow
        One per study, named after the study that is left out; any order.
    kind : Display
        What the effects are.
    together : EffectRow
        All studies together; its interval is the band.
    hot_c, cold_c : float
        The pair that the effects are for, °C; NaN for an effect without a pair.
    """

    rows: tuple[EffectRow, ...]
    kind: Display
    together: EffectRow
    hot_c: float = math.nan
    cold_c: float = math.nan

    def plan(self) -> RowsPlan:
        """Order the rows and word the axis."""
        return RowsPlan(
            key=self.key,
            kind=self.kind,
            top=(self.together,),
            rows=sorted_rows(self.rows),
            below_zero="hotter one sooner",
            above_zero="hotter one later",
            axis=effect_axis(self.hot_c, self.cold_c),
        )

    def alt(self) -> Text:
        """Say the effect of all, then each effect without one study."""
        return say(
            "All studies together: {row}. If one of {n} studies were absent, the rest together "
            "would say, by the study left out: {rows}.",
            row=row_words(self.together, self.kind, name=False),
            n=show(len(self.rows), "count"),
            rows=rows_words(self.plan().rows, self.kind),
        )

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the rows under each other."""
        return draw_rows(self.plan(), width)

    def remarks(self) -> tuple[Text, ...]:
        """Explain arrows and code points, where there are any."""
        return clip_remarks(self.plan()) + glyph_remarks([row.label for row in self.rows])
