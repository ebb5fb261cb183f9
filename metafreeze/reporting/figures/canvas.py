"""What every figure is drawn on, and the way from matplotlib to a harmless SVG.

The lettering becomes outlines. Nothing of a label is then left in the file as text or markup,
the page needs no font, and it looks the same in a browser, in print and in the PDF. A reader who
cannot see it has the alternative text and the table, which hold the same numbers.

The SVG keeps shapes and presentation attributes only. Style rules, comments, metadata and
links go; colours become classes over a light default, so that the page can turn dark.
"""

from __future__ import annotations

import hashlib
import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from metafreeze.options import FigureWidth
from metafreeze.reporting.content import Drawing, FigureContent
from metafreeze.reporting.lettering import POINTS_PER_PIXEL, font

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Role of a colour -> its value on paper. The page gives every role a second value for dark.
# Measured against the paper: ink 14:1, soft 6.4:1, ice 6.6:1, warm 6.6:1.
PALETTE: dict[str, str] = {
    "paper": "#fcfbf8",
    "ink": "#1b2733",
    "soft": "#515e6b",
    "rule": "#d5d1c6",
    "strong-rule": "#8b9199",
    "ice": "#1c5f80",
    "warm": "#9a3f1f",
    "band": "#cfe0e8",
    "band-wide": "#e9f0f3",
}
WIDTH_PX: dict[FigureWidth, float] = {"page": 736.0, "phone": 328.0}
LABEL_PX = 13.0
SMALL_PX = 12.0
LINE_PX = 17.0

# Tallest picture, px: it still fits on a printed A4 page at the width of the text.
TALLEST_PX = 880.0

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_AROUND_COMMANDS = re.compile(r"\s*([MLQCz])\s*")
_SHIFT = re.compile(r"translate\(([-.\d]+) ([-.\d]+)\)")
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")


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
        # A line from a point to itself with round ends is a dot.
        self._segments(xs, ys, ys, color=color, width=size, cap="round")

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


def clean_svg(raw: str, *, name: str, width_px: float, height_px: float) -> str:
    """Reduce matplotlib's SVG to shapes, with ids of its own and colours as classes.

    Parameters
    ----------
    raw : str
        What matplotlib wrote; the parser leaves its comments behind.
    name : str
        Beginning of every id.
    width_px, height_px : float
        Size of the picture.

    Returns
    -------
    str
        One ``<svg>`` element without text, style rules, scripts, comments or outside links.
    """
    root = ET.fromstring(raw)
    _drop(root, {"metadata", "style", "title", "desc"})
    targets: dict[str, str] = {}
    for element in root.iter():
        old = element.attrib.pop("id", None)
        if old is not None:
            targets.setdefault(old, f"{name}-{len(targets)}")
            element.set("id", targets[old])
        _style_to_attributes(element)
        _round_numbers(element)
        _shift_to_place(element)
    used = _redirect(root, targets)
    for element in root.iter():
        if element.get("id") not in used:
            element.attrib.pop("id", None)
    view_box = root.get("viewBox", "")
    root.attrib.clear()
    # Presentation attributes here stand for the rule matplotlib gives to every element.
    root.attrib.update(
        {
            "viewBox": view_box,
            "width": f"{width_px:g}",
            "height": f"{height_px:g}",
            "stroke-linejoin": "round",
            "aria-hidden": "true",
            "focusable": "false",
        }
    )
    _unwrap_groups(root)
    return _written(root)


def _written(root: ET.Element) -> str:
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode").replace(" />", "/>")


class Glyphs:
    """The outlines that the pictures of one page have in common, kept once."""

    def __init__(self) -> None:
        self._ids: dict[tuple[tuple[str, str], ...], str] = {}

    def share(self, svg: str) -> str:
        """Take a picture's outlines out of it, and let it point at the common ones.

        Parameters
        ----------
        svg : str
            A picture as `Canvas.drawing` gives it.

        Returns
        -------
        str
        """
        root = ET.fromstring(svg)
        new: dict[str, str] = {}
        for parent in list(root.iter()):
            for outline in [e for e in parent if _local(parent) == "defs" and e.get("id")]:
                old = outline.attrib.pop("id")
                shape = tuple(sorted(outline.attrib.items()))
                new[old] = self._ids.setdefault(shape, _outline_id(shape))
                parent.remove(outline)
        for element in root.iter():
            link = element.get("href", "").removeprefix("#")
            if link in new:
                element.set("href", f"#{new[link]}")
        _drop_empty(root)
        return _written(root)

    def svg(self) -> str:
        """Give the picture without size that holds the outlines; empty where there are none."""
        if not self._ids:
            return ""
        attributes = {"class": "glyphs", "width": "0", "height": "0", "aria-hidden": "true"}
        root = ET.Element(f"{{{_SVG}}}svg", attributes)
        defs = ET.SubElement(root, f"{{{_SVG}}}defs")
        for shape, name in self._ids.items():
            ET.SubElement(defs, f"{{{_SVG}}}path", {**dict(shape), "id": name})
        return _written(root)


def _outline_id(shape: tuple[tuple[str, str], ...]) -> str:
    """Name an outline after its shape: two reports in one notebook may then share it."""
    return "g" + hashlib.sha256(repr(shape).encode("utf-8")).hexdigest()[:10]


def _drop_empty(parent: ET.Element) -> None:
    for child in list(parent):
        _drop_empty(child)
        if _local(child) == "defs" and not len(child):
            parent.remove(child)


def _local(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _drop(parent: ET.Element, names: set[str]) -> None:
    for child in list(parent):
        if _local(child) in names:
            parent.remove(child)
        else:
            child.tail = None
            _drop(child, names)
    parent.text = None


def _style_to_attributes(element: ET.Element) -> None:
    style = element.attrib.pop("style", "")
    classes = []
    roles = {value: role for role, value in PALETTE.items()}
    for rule in filter(None, (r.strip() for r in style.split(";"))):
        name, _, value = (piece.strip() for piece in rule.partition(":"))
        element.set(name, value)
        if name in ("fill", "stroke") and value in roles:
            classes.append(f"{name}-{roles[value]}")
    if classes:
        element.set("class", " ".join(classes))


def _round_numbers(element: ET.Element) -> None:
    for name in ("d", "x", "y", "width", "height", "transform", "points"):
        value = element.get(name)
        # The scale of outlines has six decimals that matter.
        if value is not None and "scale(" not in value:
            element.set(name, _NUMBER.sub(_two_decimals, value))
        if name == "d" and value is not None:
            element.set(name, _AROUND_COMMANDS.sub(r"\1", element.get(name, "")).strip())


def _shift_to_place(element: ET.Element) -> None:
    """Write the shift of a glyph as its place, which takes half the room."""
    shift = _SHIFT.fullmatch(element.get("transform", ""))
    if _local(element) == "use" and shift:
        del element.attrib["transform"]
        for name, value in zip(("x", "y"), shift.groups(), strict=True):
            if value != "0":
                element.set(name, value)


def _two_decimals(match: re.Match[str]) -> str:
    return f"{float(match[0]):.2f}".rstrip("0").rstrip(".").replace("-0.0", "0") or "0"


def _redirect(root: ET.Element, targets: dict[str, str]) -> set[str]:
    """Point inner references at the new ids; give the ids that something points at."""
    used = set()
    for element in root.iter():
        link = element.attrib.pop(_LINK, None)
        if link is not None:
            new = targets[link.removeprefix("#")]
            element.set("href", f"#{new}")
            used.add(new)
        clip = element.get("clip-path")
        if clip is not None:
            new = targets[clip.removeprefix("url(#").removesuffix(")")]
            element.set("clip-path", f"url(#{new})")
            used.add(new)
    return used


def _unwrap_groups(parent: ET.Element) -> None:
    """Lift the children of groups that say nothing, which matplotlib writes for every artist."""
    kept: list[ET.Element] = []
    for child in parent:
        _unwrap_groups(child)
        if _local(child) == "g" and not child.attrib:
            kept.extend(child)
        else:
            kept.append(child)
    parent[:] = kept
