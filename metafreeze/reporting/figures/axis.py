"""The axis under figures of effects."""

from __future__ import annotations

from metafreeze.options import Display
from metafreeze.reporting.content import Text, say
from metafreeze.reporting.figures.canvas import SMALL_PX, Canvas
from metafreeze.reporting.figures.scale import Scale, effect_ticks
from metafreeze.reporting.lettering import drawable, text_width
from metafreeze.reporting.numbers import is_missing, show

# Room under the marks for ticks, their words and the words of the axis, px.
FOOT_PX = 52.0


def draw_effect_axis(
    canvas: Canvas, scale: Scale, kind: Display, words: Text, *, floor: float
) -> None:
    """Draw the axis at the height `floor`, px, with its ticks and its words.

    Parameters
    ----------
    canvas : Canvas
        What is drawn on.
    scale : Scale
        The axis.
    kind : Display
        What the effects are.
    words : Text
        Stand under the ticks.
    floor : float
        Where the axis lies, px from the top.
    """
    start, end = scale.start_px, scale.end_px
    canvas.stroke([start, end], [floor, floor], color="strong-rule")
    for value, tick in effect_ticks(scale, kind):
        x = scale.place(value)
        canvas.stroke([x, x], [floor, floor + 5], color="strong-rule")
        half = text_width(tick, SMALL_PX) / 2
        middle = min(max(x, half), canvas.width_px - half)
        canvas.text(middle, floor + 19, tick, color="soft", size=SMALL_PX, align="center")
    canvas.text(
        (start + end) / 2,
        floor + 40,
        drawable(str(words)),
        color="soft",
        size=SMALL_PX,
        align="center",
    )


def effect_axis(hot_c: float, cold_c: float) -> Text:
    """Word the axis of an effect.

    Parameters
    ----------
    hot_c, cold_c : float
        The pair, °C; NaN where the effect has none.

    Returns
    -------
    Text
    """
    if is_missing(hot_c) or is_missing(cold_c):
        return say("change in time")
    return say(
        "time from {hot} against time from {cold}",
        hot=show(hot_c, "celsius"),
        cold=show(cold_c, "celsius"),
    )
