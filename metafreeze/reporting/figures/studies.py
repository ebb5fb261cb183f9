"""The studies one by one, against what all of them say together."""

from __future__ import annotations

import math
from dataclasses import dataclass

from metafreeze.options import Display, FigureWidth
from metafreeze.reporting.content import Between, Drawing, FigureContent, Text, say
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
from metafreeze.reporting.numbers import between, show


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiesFigure(FigureContent):
    """Each study's effect with its interval, sorted by effect.

    Parameters
    ----------
    rows : tuple of EffectRow
        One per study, any order.
    kind : Display
        What the effects are.
    together : EffectRow or None
        What all studies say together; its interval is the band.
    new_lab : Between or None
        Range for a new lab, the lighter band.
    hot_c, cold_c : float
        The pair that the effects are for, °C; NaN for an effect without a pair.
    """

    rows: tuple[EffectRow, ...]
    kind: Display
    together: EffectRow | None = None
    new_lab: Between | None = None
    hot_c: float = math.nan
    cold_c: float = math.nan

    def plan(self) -> RowsPlan:
        """Order the rows and word the axis."""
        top = [self.together] if self.together is not None else []
        if self.new_lab is not None:
            top.append(
                EffectRow(
                    label="A new lab",
                    estimate=math.nan,
                    low=self.new_lab.low,
                    high=self.new_lab.high,
                )
            )
        return RowsPlan(
            key=self.key,
            kind=self.kind,
            top=tuple(top),
            rows=sorted_rows(self.rows),
            below_zero="hotter one sooner",
            above_zero="hotter one later",
            axis=effect_axis(self.hot_c, self.cold_c),
        )

    def alt(self) -> Text:
        """Say the pooled effect, the range for a new lab, and the studies."""
        words = say("Effects of {n} studies, one row each. ", n=show(len(self.rows), "count"))
        if self.together is not None:
            words += say(
                "All studies together: {row}. ",
                row=row_words(self.together, self.kind, name=False),
            )
        if self.new_lab is not None:
            words += say(
                "A new lab: {limits}. ",
                limits=between(self.new_lab.low, self.new_lab.high, self.kind, signed=True),
            )
        plan = self.plan()
        return words + say("Studies: {rows}.", rows=rows_words(plan.rows, self.kind))

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the rows under each other."""
        return draw_rows(self.plan(), width)

    def remarks(self) -> tuple[Text, ...]:
        """Explain arrows and code points, where there are any."""
        labels = [row.label for row in self.rows]
        return clip_remarks(self.plan()) + glyph_remarks(labels)
