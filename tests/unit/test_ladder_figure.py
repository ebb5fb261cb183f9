"""The words over the axis stay inside the picture wherever zero lies."""

import re
import xml.etree.ElementTree as ET

import pytest

from metafreeze.reporting.content import say
from metafreeze.reporting.figures.ladder import LadderFigure
from metafreeze.reporting.figures.rows import EffectRow


@pytest.mark.parametrize("width", ["page", "phone"])
@pytest.mark.parametrize("sign", [-1, 1])
def test_no_shape_leaves_the_picture(width, sign):
    figure = LadderFigure(
        key="ladder",
        caption=say("A ladder."),
        rungs=(
            EffectRow(
                label="All points", estimate=sign * 0.6, low=sign * 0.6 - 0.2, high=sign * 0.6 + 0.2
            ),
            EffectRow(label="Within labs", estimate=sign * 0.05, low=-0.02, high=0.02),
        ),
        kind="log-ratio",
        hot_c=80.0,
        cold_c=20.0,
    )
    (drawing,) = figure.draw(width)
    edge, places = letter_places(drawing.svg)
    assert len(places) > 40
    assert max(places) < edge
    assert min(places) >= 0


def letter_places(svg: str) -> tuple[float, list[float]]:
    """Give the width of the picture and the x at which each letter is put down, same unit."""
    root = ET.fromstring(svg)
    found = []
    for group in root.iter():
        moved = re.match(r"translate\(([-.\d]+)[ ,].*scale\(([-.\d]+)", group.get("transform", ""))
        if moved is None:
            continue
        start, size = (float(v) for v in moved.groups())
        letters = [e for e in group if e.tag.endswith("use")]
        found += [start + size * float(e.get("x", "0")) for e in letters]
    return float(root.get("viewBox").split()[2]), found
