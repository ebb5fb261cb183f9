"""From what matplotlib writes to a harmless picture.

Shapes and presentation attributes are kept. Style rules, comments, metadata and links go;
colours become classes over a light default, so that the page can turn dark.
"""

from __future__ import annotations

import hashlib
import re
import xml.etree.ElementTree as ET

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

_SVG = "http://www.w3.org/2000/svg"
_LINK = "{http://www.w3.org/1999/xlink}href"
_AROUND_COMMANDS = re.compile(r"\s*([MLQCz])\s*")
_SHIFT = re.compile(r"translate\(([-.\d]+) ([-.\d]+)\)")
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")


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
