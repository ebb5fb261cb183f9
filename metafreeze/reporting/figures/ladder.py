"""The ladder: the effect rung by rung, from the graph of all points to like with like."""

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
    row_words,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderFigure(FigureContent):
    """Each rung's effect with its interval, in the order of the ladder.

    Parameters
    ----------
    rungs : tuple of EffectRow
        From the first rung to the last.
    kind : Display
        What the effects are.
    hot_c, cold_c : float
        The pair that the effects are for, °C.
    """

    rungs: tuple[EffectRow, ...]
    kind: Display
    hot_c: float = math.nan
    cold_c: float = math.nan

    def plan(self) -> RowsPlan:
        """Keep the order of the ladder and word the axis."""
        return RowsPlan(
            key=self.key,
            kind=self.kind,
            top=(),
            rows=self.rungs,
            below_zero="hotter one sooner",
            above_zero="hotter one later",
            axis=effect_axis(self.hot_c, self.cold_c),
        )

    def alt(self) -> Text:
        """Say every rung with its effect, in order."""
        words = say("The effect rung by rung. ")
        for place, rung in enumerate(self.rungs):
            words = words + ("; " if place else "") + row_words(rung, self.kind)
        return words + "."

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the rungs under each other."""
        return draw_rows(self.plan(), width)

    def remarks(self) -> tuple[Text, ...]:
        """Explain arrows, where there are any."""
        return clip_remarks(self.plan())
