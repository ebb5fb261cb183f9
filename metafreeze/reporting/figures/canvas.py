"""What every figure is drawn on.

The lettering becomes outlines. Nothing of a label is then left in the file as text or markup,
the page needs no font, and it looks the same in a browser, in print and in the PDF. A reader who
cannot see it has the alternative text and the table, which hold the same numbers.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from metafreeze.options import FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent
from metafreeze.reporting.figures.svg import PALETTE, clean_svg
from metafreeze.reporting.lettering import POINTS_PER_PIXEL, font

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_PX: dict[FigureWidth, float] = {"page": 736.0, "phone": 328.0}
LABEL_PX = 13.0
SMALL_PX = 12.0
LINE_PX = 17.0
HAIR_PX = 0.05

# Tallest picture, px: it still fits on a printed A4 page at the width of the text.
TALLEST_PX = 880.0


def drawings(figure: FigureContent, width: FigureWidth) -> tuple[Drawing, ...]:
    """Draw a figure under matplotlib's own defaults, whatever the user has set.

    Parameters
    ----------
    figure : FigureContent
        The figure.
    width : {"page", "phone"}
        For which width.

    Returns
    -------
    tuple of Drawing
    """
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        return figure.draw(width)


class Canvas:
    """A drawing area measured in CSS pixels, the origin at the top left.

    Parameters
    ----------
    key : str
        Name of the figure; the ids inside the picture begin with it.
    width : {"page", "phone"}
        Which of the two widths.
    height_px : float
        Height.
    part : int
        Which of the figure's pictures this is.
    """

    def __init__(self, key: str, width: FigureWidth, height_px: float, *, part: int = 0) -> None:
        from matplotlib.figure import Figure

        self.name = f"{key}-{width}-{part}"
        self.width_px = WIDTH_PX[width]
        self.height_px = float(height_px)
        inch = 96.0
        self.figure: Figure = Figure(
            figsize=(self.width_px / inch, self.height_px / inch), dpi=inch
        )
        self.page: Axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.page.set_xlim(0.0, self.width_px)
        self.page.set_ylim(self.height_px, 0.0)
        self.page.axis("off")

    def _add(self, artist: Artist) -> None:
        # The limits are fixed pixels: there is nothing to adapt and nothing to clip.
        artist.set_clip_on(False)
        self.page.add_artist(artist)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        color: str = "ink",
        size: float = LABEL_PX,
        strong: bool = False,
        align: str = "left",
    ) -> None:
        """Write one line, its base line at `y`; `words` must be drawable."""
        line = self.page.text(
            x,
            y,
            words,
            color=PALETTE[color],
            fontproperties=font(size, strong=strong),
            ha=align,
            va="baseline",
            zorder=6,
            parse_math=False,
        )
        # Contextual forms would turn "->" in a name into an arrow that nobody entered.
        line.set_fontfeatures(("-calt",))

    def lines(
        self,
        x: float,
        y: float,
        rows: Sequence[str],
        *,
        color: str = "ink",
        size: float = LABEL_PX,
        strong: bool = False,
        align: str = "left",
    ) -> None:
        """Write several lines, the base line of the first at `y`."""
        for place, words in enumerate(rows):
            self.text(
                x, y + place * LINE_PX, words, color=color, size=size, strong=strong, align=align
            )

    def stroke(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        *,
        color: str = "ink",
        width: float = 1.0,
        dashes: tuple[float, ...] = (),
        over: int = 3,
    ) -> None:
        """Draw a line through points; `dashes` in px, on and off in turn."""
        from matplotlib.lines import Line2D

        # matplotlib measures dashes in widths of the line.
        style: Any = (0, tuple(d / width for d in dashes)) if dashes else "-"
        self._add(
            Line2D(
                xs,
                ys,
                color=PALETTE[color],
                linewidth=width * POINTS_PER_PIXEL,
                linestyle=style,
                solid_capstyle="butt",
                zorder=over,
            )
        )

    def box(self, left: float, top: float, right: float, bottom: float, *, color: str) -> None:
        """Fill a rectangle: a band under the marks, or paper behind words."""
        from matplotlib.patches import Rectangle

        self._add(
            Rectangle(
                (left, top),
                right - left,
                bottom - top,
                facecolor=PALETTE[color],
                edgecolor="none",
                zorder={"band": 1, "paper": 3.5}.get(color, 0.5),
            )
        )

    def shape(self, points: Sequence[tuple[float, float]], *, color: str = "ink") -> None:
        """Fill a closed shape, such as the head of an arrow."""
        from matplotlib.patches import Polygon

        self._add(
            Polygon(
                points,
                closed=True,
                facecolor=PALETTE[color],
                edgecolor="none",
                zorder=4,
            )
        )

    def dot(
        self, x: float, y: float, *, color: str = "ink", radius: float = 4.5, hollow: bool = False
    ) -> None:
        """Draw a dot; a hollow one has no interval."""
        from matplotlib.patches import Circle

        self._add(
            Circle(
                (x, y),
                radius if not hollow else radius - 0.75,
                facecolor=PALETTE["paper"] if hollow else PALETTE[color],
                edgecolor=PALETTE[color] if hollow else "none",
                linewidth=1.5 * POINTS_PER_PIXEL,
                zorder=5,
            )
        )

    def specks(
        self, xs: Sequence[float], ys: Sequence[float], *, color: str = "soft", size: float = 4.0
    ) -> None:
        """Draw many dots as one path, so that thousands of runs stay a small file."""
        # A line of next to no length with round ends is a dot. Of no length at all, a single one
        # would have no extent, and the typesetter leaves such a path out.
        ends = [y + HAIR_PX for y in ys]
        self._segments(xs, ys, ends, color=color, width=size, cap="round")

    def uprights(
        self,
        xs: Sequence[float],
        bottoms: Sequence[float],
        tops: Sequence[float],
        *,
        color: str = "soft",
        width: float = 2.5,
    ) -> None:
        """Draw many upright bars as one path."""
        self._segments(xs, bottoms, tops, color=color, width=width, cap="butt")

    def _segments(
        self,
        xs: Sequence[float],
        starts: Sequence[float],
        ends: Sequence[float],
        *,
        color: str,
        width: float,
        cap: Literal["butt", "round"],
    ) -> None:
        from matplotlib.patches import PathPatch
        from matplotlib.path import Path

        if not len(xs):
            return
        points = [
            point
            for x, start, end in zip(xs, starts, ends, strict=True)
            for point in ((x, start), (x, end))
        ]
        self._add(
            PathPatch(
                Path(points, [Path.MOVETO, Path.LINETO] * len(xs)),
                facecolor="none",
                edgecolor=PALETTE[color],
                linewidth=width * POINTS_PER_PIXEL,
                capstyle=cap,
                zorder=2,
            )
        )

    def drawing(self) -> Drawing:
        """Finish: give the picture as clean SVG."""
        from matplotlib import rc_context

        raw = io.StringIO()
        # Ids are derived from the salt; without it they differ at every run.
        with rc_context(
            {"svg.hashsalt": self.name, "svg.fonttype": "path", "path.simplify": False}
        ):
            self.figure.savefig(
                raw,
                format="svg",
                transparent=True,
                metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
            )
        svg = clean_svg(
            raw.getvalue(), name=self.name, width_px=self.width_px, height_px=self.height_px
        )
        return Drawing(svg=svg, width_px=self.width_px, height_px=self.height_px)
