"""How strong a hidden cause would have to be, on one ruler with the measured causes as marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metafreeze.options import FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent, Given, Text, say
from metafreeze.reporting.figures.canvas import LABEL_PX, LINE_PX, SMALL_PX, WIDTH_PX, Canvas
from metafreeze.reporting.lettering import drawable, text_width, wrapped
from metafreeze.reporting.numbers import show

EDGE_PX = 16.0
# Room to the right of the ruler's end, where the words of a mark at its end still stand.
WORDS_PX: dict[FigureWidth, float] = {"page": 260.0, "phone": 150.0}
RULER_PX = 44.0
TICK_PX = 7.0
GAP_PX = 12.0
STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25)
MOST_TICKS: dict[FigureWidth, int] = {"page": 7, "phone": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One cause on the ruler.

    Parameters
    ----------
    words : str
        What it is.
    strength : float
        Share of start temperature and of time that it explains, 0 to 1.
    hidden : bool
        Whether it is what a hidden cause would need, rather than a measured one.
    """

    words: str
    strength: float
    hidden: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RulerFigure(FigureContent):
    """A ruler of strength: what a hidden cause would need, and how strong measured ones are.

    Parameters
    ----------
    marks : tuple of Mark
        Any order.
    """

    marks: tuple[Mark, ...]

    def alt(self) -> Text:
        """Say every mark, the strongest first."""
        words = say("A ruler of strength, the strongest first. ")
        for place, mark in enumerate(self._sorted()):
            words = words + ("; " if place else "")
            words = words + say(
                "{what}: {share}", what=Given(mark.words), share=show(mark.strength, "share")
            )
        return words + "."

    def _sorted(self) -> list[Mark]:
        return sorted(self.marks, key=lambda m: (-m.strength, not m.hidden, m.words))

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the ruler and let the marks hang from it, the strongest highest."""
        marks = self._sorted()
        room = WORDS_PX[width]
        start, end = EDGE_PX, WIDTH_PX[width] - room
        ticks = _ticks(max((m.strength for m in marks), default=0.1), MOST_TICKS[width])
        top = ticks[-1]

        def place(value: float) -> float:
            return start + (end - start) * value / top

        lines = [
            wrapped(_words(m), WIDTH_PX[width] - place(m.strength) - 14, LABEL_PX, strong=m.hidden)
            for m in marks
        ]
        canvas = Canvas(
            self.key, width, RULER_PX + 8 + sum(len(rows) * LINE_PX + GAP_PX for rows in lines)
        )
        canvas.stroke([start, end], [RULER_PX, RULER_PX], color="strong-rule", width=2.0)
        for value in ticks:
            x = place(value)
            canvas.stroke([x, x], [RULER_PX - TICK_PX, RULER_PX], color="strong-rule", width=1.5)
            said = drawable(str(show(value, "share")))
            half = text_width(said, SMALL_PX) / 2
            canvas.text(
                max(x, half), RULER_PX - 12, said, color="soft", size=SMALL_PX, align="center"
            )
        canvas.text(0, 14, "share of start temperature and of time", color="soft", size=SMALL_PX)
        y = RULER_PX + GAP_PX
        for mark, rows in zip(marks, lines, strict=True):
            x = place(mark.strength)
            color = "warm" if mark.hidden else "ink"
            middle = y + LINE_PX / 2
            canvas.stroke([x, x], [RULER_PX, middle], color=color, width=1.25)
            canvas.dot(x, middle, color=color, hollow=not mark.hidden)
            canvas.lines(x + 12, y + LABEL_PX, rows, strong=mark.hidden)
            y += len(rows) * LINE_PX + GAP_PX
        return (canvas.drawing(),)

    def remarks(self) -> tuple[Text, ...]:
        """Say what the two kinds of dots are."""
        return (
            say(
                "Filled dots: what a hidden cause would need. Hollow dots: causes that were "
                "measured, each as a cause tied equally to start temperature and to time that "
                "would mislead as much."
            ),
        )


def _words(mark: Mark) -> str:
    return drawable(f"{mark.words} ({show(mark.strength, 'share')})")


def _ticks(highest: float, most: int) -> Sequence[float]:
    wanted = min(max(highest * 1.02, 0.02), 1.0)
    for step in STEPS:
        count = -(-wanted // step)
        if count <= most:
            return [step * k for k in range(int(count) + 1)]
    return [0.0, 0.5, 1.0]
