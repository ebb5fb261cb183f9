"""The ratio of times at every level of the cooling curve, with its band."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from metafreeze.options import CurveLead, FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Text, say
from metafreeze.reporting.figures.canvas import SMALL_PX, WIDTH_PX, Canvas
from metafreeze.reporting.figures.scale import Scale, effect_ticks
from metafreeze.reporting.lettering import drawable, text_width
from metafreeze.reporting.numbers import between, is_missing, show

LEFT_PX = 62.0
RIGHT_PX = 16.0
HEAD_PX = 30.0
FOOT_PX = 58.0
PLOT_HEIGHT_PX: dict[FigureWidth, float] = {"page": 320.0, "phone": 260.0}

# Parts of the width for the water, the freezing and the ice, where all three are there.
PARTS = {"water": 0.42, "share": 0.46, "ice": 0.12}
COLDEST_ICE_C = -5.0
# The picture is as high as the later levels need: a hotter start is far behind at first.
LATER_WATER_C = 10.0
LEAST_HEIGHT = math.log(1.05)

Place = Literal["water", "share", "ice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioCurveFigure(FigureContent):
    """Change in time from the colder to the hotter start, level by level.

    Parameters
    ----------
    kinds : tuple of str
        For each level "water" (°C), "share" (of the heat of freezing) or "ice" (°C).
    values : tuple of float
        The levels, in order of the run.
    middle, low, high : tuple of float
        Log ratio of times, hotter over colder, and the simultaneous limits; NaN without a band.
    lead : {"hot", "cold", "nobody"}
        Who is ahead to the end.
    lead_from : int
        Number of the level from which on; -1 for nobody.
    """

    kinds: tuple[Place, ...]
    values: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    lead: CurveLead = "nobody"
    lead_from: int = -1

    def alt(self) -> Text:
        """Say the ratio with its limits at some levels, and who is ahead to the end."""
        words = say("Change in time from the colder to the hotter start along the curve.")
        for place in sorted({0, len(self.kinds) // 2, len(self.kinds) - 1}):
            if 0 <= place < len(self.kinds):
                words += say(
                    " {where}: {change} ({limits}).",
                    where=level_words(self.kinds[place], self.values[place]),
                    change=show(self.middle[place], "log-ratio", signed=True),
                    limits=between(self.low[place], self.high[place], "log-ratio", signed=True),
                )
        if self.lead_from >= 0:
            words += say(
                " The {who} start is ahead from {where} to the end.",
                who="hotter" if self.lead == "hot" else "colder",
                where=level_words(self.kinds[self.lead_from], self.values[self.lead_from]),
            )
        return words

    def remarks(self) -> tuple[Text, ...]:
        """Say where the curve leaves the picture."""
        top = self._height()
        if any(abs(v) > top for v in self.middle if math.isfinite(v)):
            return (say("Where the line leaves the picture, the table has its values."),)
        return ()

    def _height(self) -> float:
        later = [
            end
            for kind, value, *ends in zip(
                self.kinds, self.values, self.middle, self.low, self.high, strict=True
            )
            if kind != "water" or value <= LATER_WATER_C
            for end in ends
            if math.isfinite(end)
        ]
        every = [v for v in self.middle if math.isfinite(v)]
        return max([LEAST_HEIGHT, *(1.1 * abs(v) for v in later or every)])

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the band, the line in it, and the line of no difference."""
        bottom = HEAD_PX + PLOT_HEIGHT_PX[width]
        canvas = Canvas(self.key, width, bottom + FOOT_PX)
        top = self._height()
        low = -top if any(_below(v) for v in (*self.low, *self.middle)) else -0.25 * top
        high = top if any(v > 0 for v in (*self.high, *self.middle)) else 0.25 * top
        up = Scale(low=low, high=high, start_px=bottom, end_px=HEAD_PX)
        axis = _Axis(self.kinds, self.values, LEFT_PX, WIDTH_PX[width] - RIGHT_PX)
        xs = [axis.place(k, v) for k, v in zip(self.kinds, self.values, strict=True)]
        axis.draw(canvas, bottom)
        _upward(canvas, up, axis.left, axis.right)
        _band(canvas, up, xs, self.low, self.high)
        for part_x, part_y in _inside(xs, self.middle, up):
            canvas.stroke(part_x, part_y, color="ink", width=2.0, over=5)
        if self.lead_from >= 0:
            x = xs[self.lead_from]
            color = "warm" if self.lead == "hot" else "ice"
            canvas.stroke([x, x], [HEAD_PX, bottom], color=color, width=1.5, dashes=(5.0, 4.0))
            canvas.stroke([x, xs[-1]], [bottom - 2, bottom - 2], color=color, width=4.0, over=5)
            words = f"{'hotter' if self.lead == 'hot' else 'colder'} start ahead to the end"
            room = text_width(words, SMALL_PX) + 8
            left = min(x + 8, WIDTH_PX[width] - RIGHT_PX - room)
            canvas.box(left - 3, bottom - 26, left + room - 5, bottom - 9, color="paper")
            canvas.text(left, bottom - 13, words, color=color, size=SMALL_PX)
        return (canvas.drawing(),)


def _below(value: float) -> bool:
    return value < 0


def level_words(kind: str, value: float) -> Text:
    """Name a level with its number.

    Parameters
    ----------
    kind : str
        "water", "share" or "ice".
    value : float
        Degrees Celsius, or a share.

    Returns
    -------
    Text
    """
    if kind == "share":
        return say("{share} of the heat of freezing gone", share=show(value, "share"))
    what = "water" if kind == "water" else "ice"
    return say("{what} at {temp}", what=what, temp=show(value, "celsius"))


class _Axis:
    """The way from hot water to cold ice, in up to three parts, from left to right."""

    def __init__(
        self, kinds: Sequence[Place], values: Sequence[float], left: float, right: float
    ) -> None:
        self.left, self.right = left, right
        present = [kind for kind in PARTS if kind in kinds]
        whole = sum(PARTS[kind] for kind in present) or 1.0
        self.parts: dict[str, Scale] = {}
        x = left
        for kind in present:
            end = x + (right - left) * PARTS[kind] / whole
            mine = [v for k, v in zip(kinds, values, strict=True) if k == kind]
            first, last = {
                "water": (max(mine), 0.0),
                "share": (0.0, 1.0),
                "ice": (0.0, min([*mine, COLDEST_ICE_C])),
            }[kind]
            self.parts[kind] = Scale(low=first, high=last, start_px=x, end_px=end)
            x = end

    def place(self, kind: str, value: float) -> float:
        """Give where a level stands."""
        return self.parts[kind].place(value)

    def draw(self, canvas: Canvas, bottom: float) -> None:
        """Draw the axis, its parts and their words."""
        canvas.stroke([self.left, self.right], [bottom, bottom], color="strong-rule")
        names = {"water": "water, °C", "share": "heat of freezing gone, %", "ice": "ice, °C"}
        for kind, scale in self.parts.items():
            narrow = scale.end_px - scale.start_px < 200
            steps = {
                "water": range(0, int(scale.low) + 1, 20 if narrow or scale.low > 50 else 5),
                "share": (50, 100) if narrow else (20, 40, 60, 80, 100),
                "ice": (int(scale.high),),
            }[kind]
            for step in steps:
                x = scale.place(step / 100 if kind == "share" else float(step))
                canvas.stroke([x, x], [bottom, bottom + 5], color="strong-rule")
                words = drawable(f"{step}".replace("-", "\u2212"))
                x = min(x, canvas.width_px - text_width(words, SMALL_PX) / 2)
                canvas.text(x, bottom + 19, words, color="soft", size=SMALL_PX, align="center")
            if scale.start_px > self.left:
                canvas.stroke(
                    [scale.start_px] * 2, [HEAD_PX, bottom], color="rule", width=1.0, over=1
                )
            name = names[kind]
            half = text_width(name, SMALL_PX) / 2
            middle = (scale.start_px + scale.end_px) / 2
            low_line = 40 if kind != "ice" else 55
            middle = min(middle, canvas.width_px - half)
            canvas.text(
                middle, bottom + low_line, name, color="soft", size=SMALL_PX, align="center"
            )


def _upward(canvas: Canvas, up: Scale, left: float, right: float) -> None:
    canvas.text(0, 14, "time of the hotter start against the colder", color="soft", size=SMALL_PX)
    for value, words in effect_ticks(up, "log-ratio"):
        y = up.place(value)
        if value == 0.0:
            canvas.stroke([left, right], [y, y], color="strong-rule", width=1.25, over=2)
        else:
            canvas.stroke([left, right], [y, y], color="rule", over=1)
        canvas.text(left - 8, y + 4, words, color="soft", size=SMALL_PX, align="right")


def _band(
    canvas: Canvas, up: Scale, xs: Sequence[float], low: Sequence[float], high: Sequence[float]
) -> None:
    """Fill between the limits, cut at the edges of the picture."""
    from matplotlib.patches import Polygon

    from metafreeze.reporting.figures.svg import PALETTE

    known = [i for i in range(len(xs)) if not (is_missing(low[i]) or is_missing(high[i]))]
    if len(known) < 2:
        return
    held = [
        [up.place(min(max(v, up.low), up.high)) for v in (ends[i] for i in known)]
        for ends in (low, high)
    ]
    points = [(xs[i], y) for i, y in zip(known, held[1], strict=True)]
    points += [(xs[i], y) for i, y in reversed(list(zip(known, held[0], strict=True)))]
    canvas.page.add_patch(
        Polygon(points, closed=True, facecolor=PALETTE["band"], edgecolor="none", zorder=0.9)
    )


def _inside(
    xs: Sequence[float], values: Sequence[float], up: Scale
) -> list[tuple[list[float], list[float]]]:
    """Cut a line where it leaves the picture."""
    parts: list[tuple[list[float], list[float]]] = []
    current: tuple[list[float], list[float]] = ([], [])
    for i, (x, value) in enumerate(zip(xs, values, strict=True)):
        if i:
            before_x, before = xs[i - 1], values[i - 1]
            for edge in (up.low, up.high):
                if (before - edge) * (value - edge) < 0:
                    share = (edge - before) / (value - before)
                    current[0].append(before_x + share * (x - before_x))
                    current[1].append(up.place(edge))
        if up.holds(value):
            current[0].append(x)
            current[1].append(up.place(value))
        elif len(current[0]) > 1:
            parts.append(current)
            current = ([], [])
        else:
            current = ([], [])
    if len(current[0]) > 1:
        parts.append(current)
    return parts
