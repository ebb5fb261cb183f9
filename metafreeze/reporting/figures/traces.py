"""The traces of both arms over time, with their events."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from metafreeze.options import CurveArm, FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Text, say
from metafreeze.reporting.figures.canvas import SMALL_PX, WIDTH_PX, Canvas
from metafreeze.reporting.figures.scale import Scale, plain_ticks
from metafreeze.reporting.lettering import text_width
from metafreeze.reporting.numbers import show, time_unit

LEFT_PX = 46.0
RIGHT_PX = 16.0
HEAD_PX = 44.0
FOOT_PX = 50.0
PLOT_HEIGHT_PX: dict[FigureWidth, float] = {"page": 360.0, "phone": 280.0}
COLOURS: dict[CurveArm, str] = {"hot": "warm", "cold": "ice"}
WORDS: dict[CurveArm, str] = {"hot": "hotter start", "cold": "colder start"}

# Widths of a line, px, up to so many traces.
LINE_WIDTHS = ((12, 1.6), (40, 1.0), (math.inf, 0.6))
# Above this number the events would cover the lines; the table has them.
MOST_WITH_EVENTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceLine:
    """One trace, thinned for drawing.

    Parameters
    ----------
    arm : {"hot", "cold"}
        Which start.
    time_s, temp_c : tuple of float
        Points, in order of time.
    first_ice_s, plateau_end_s : float
        Middles of the two events; NaN where not seen.
    """

    arm: CurveArm
    time_s: tuple[float, ...]
    temp_c: tuple[float, ...]
    first_ice_s: float = math.nan
    plateau_end_s: float = math.nan

    def at(self, time_s: float) -> float:
        """Give the temperature at a time, on the straight line between two points."""
        after = min(max(bisect_right(self.time_s, time_s), 1), len(self.time_s) - 1)
        early, late = self.time_s[after - 1], self.time_s[after]
        share = (time_s - early) / (late - early) if late > early else 0.0
        return self.temp_c[after - 1] + share * (self.temp_c[after] - self.temp_c[after - 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class TracesFigure(FigureContent):
    """Temperature against time for every trace, the arms in two colours.

    Parameters
    ----------
    lines : tuple of TraceLine
        Every trace.
    middles : tuple of TraceLine
        The middle course of each arm, drawn bold where there are many traces; may be empty.
    """

    lines: tuple[TraceLine, ...]
    middles: tuple[TraceLine, ...] = ()

    def alt(self) -> Text:
        """Say how many traces there are, and between which times their events lie."""
        words = say("Temperature over time.")
        unit = time_unit([line.time_s[-1] for line in self.lines if line.time_s] or [60.0])[1]
        for arm in ("hot", "cold"):
            mine = [line for line in self.lines if line.arm == arm]
            words += _arm_words(WORDS[arm], mine, unit)
        return words

    def remarks(self) -> tuple[Text, ...]:
        """Explain the marks."""
        if len(self.lines) <= MOST_WITH_EVENTS:
            return (say("Full dots: ice begins. Hollow dots: the plateau ends."),)
        if self.middles:
            return (say("Bold: the middle course of each start."),)
        return ()

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the traces, and their events where these do not hide them."""
        bottom = HEAD_PX + PLOT_HEIGHT_PX[width]
        canvas = Canvas(self.key, width, bottom + FOOT_PX)
        across, up = self._scales(WIDTH_PX[width] - RIGHT_PX, bottom)
        _axes(canvas, across, up, bottom)
        _key(canvas)
        count = len(self.lines)
        thick = next(px for most, px in LINE_WIDTHS if count <= most)
        for line in self.lines:
            _course(canvas, across, up, line, COLOURS[line.arm], thick, 3)
        many = count > MOST_WITH_EVENTS
        for line in self.middles if many else ():
            _course(canvas, across, up, line, "paper", 5.0, 4)
            _course(canvas, across, up, line, COLOURS[line.arm], 2.5, 5)
        for line in self.lines if not many else ():
            for time_s, hollow in ((line.first_ice_s, False), (line.plateau_end_s, True)):
                if math.isfinite(time_s) and line.time_s:
                    canvas.dot(
                        across.place(time_s),
                        up.place(line.at(time_s)),
                        color=COLOURS[line.arm],
                        radius=4.0,
                        hollow=hollow,
                    )
        return (canvas.drawing(),)

    def _scales(self, right: float, bottom: float) -> tuple[Scale, Scale]:
        times = [t for line in self.lines for t in line.time_s] or [0.0, 3600.0]
        temps = [t for line in self.lines for t in line.temp_c] or [-18.0, 80.0]
        first, last = min(0.0, *times[:1]), max(times)
        low, high = min(temps), max(temps)
        room = 0.05 * max(high - low, 5.0)
        return (
            Scale(low=first, high=max(last, first + 1.0), start_px=LEFT_PX, end_px=right),
            Scale(low=low - room, high=high + room, start_px=bottom, end_px=HEAD_PX),
        )


def _arm_words(name: str, lines: list[TraceLine], unit: int) -> Text:
    words = say(" The {name}: {count}", name=name, count=show(len(lines), "count"))
    words += say(" trace") if len(lines) == 1 else say(" traces")
    for what, times in (
        ("ice began", [line.first_ice_s for line in lines]),
        ("the plateau ended", [line.plateau_end_s for line in lines]),
    ):
        seen = sorted(t for t in times if math.isfinite(t))
        if len(seen) == 1:
            words += say(", {what} after {t}", what=what, t=show(seen[0], "seconds", seconds=unit))
        elif seen:
            words += say(
                ", {what} between {low} and {high}",
                what=what,
                low=show(seen[0], "seconds", seconds=unit),
                high=show(seen[-1], "seconds", seconds=unit),
            )
    return words + "."


def _axes(canvas: Canvas, across: Scale, up: Scale, bottom: float) -> None:
    left, right = across.start_px, across.end_px
    unit, seconds = time_unit([across.high])
    canvas.text(0, HEAD_PX - 8, "°C", color="soft", size=SMALL_PX)
    for value, words in plain_ticks(up, "celsius"):
        y = up.place(value)
        strong = abs(value) < 1e-9
        canvas.stroke([left, right], [y, y], color="strong-rule" if strong else "rule", over=1)
        canvas.text(left - 8, y + 4, words, color="soft", size=SMALL_PX, align="right")
    canvas.stroke([left, right], [bottom, bottom], color="strong-rule")
    for value, words in plain_ticks(across, "seconds", seconds=seconds):
        x = across.place(value)
        canvas.stroke([x, x], [bottom, bottom + 5], color="strong-rule")
        canvas.text(x, bottom + 19, words, color="soft", size=SMALL_PX, align="center")
    canvas.text(
        (left + right) / 2,
        bottom + 40,
        f"time since insertion, {unit}",
        color="soft",
        size=SMALL_PX,
        align="center",
    )


def _key(canvas: Canvas) -> None:
    x = LEFT_PX
    for arm in ("hot", "cold"):
        canvas.stroke([x, x + 22], [16, 16], color=COLOURS[arm], width=2.5)
        canvas.text(x + 28, 20, WORDS[arm], size=SMALL_PX)
        x += 28 + text_width(WORDS[arm], SMALL_PX) + 24


def _course(
    canvas: Canvas, across: Scale, up: Scale, line: TraceLine, color: str, thick: float, over: int
) -> None:
    canvas.stroke(
        [across.place(t) for t in line.time_s],
        [up.place(t) for t in line.temp_c],
        color=color,
        width=thick,
        over=over,
    )
