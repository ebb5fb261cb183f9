"""The strip of choices and the ruler of hidden causes: inside the picture, and in words."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from metafreeze.reporting.content import say
from metafreeze.reporting.figures.choices import ChoicesFigure
from metafreeze.reporting.figures.ruler import Mark, RulerFigure


def strip(n=60, middle=0.0, wide=0.1):
    rng = np.random.default_rng(2)
    estimates = np.sort(middle + rng.normal(0, 0.1, n))
    return ChoicesFigure(
        key="choices",
        caption=say("All of them."),
        analyses=tuple((float(e), float(e - wide), float(e + wide)) for e in estimates),
        kind="log-ratio",
        hot_c=80.0,
        cold_c=20.0,
    )


def ruler(*marks):
    return RulerFigure(key="ruler", caption=say("How strong."), marks=marks)


MARKS = (
    Mark(words="to explain the effect away", strength=0.62, hidden=True),
    Mark(words="to leave it unclear", strength=0.41, hidden=True),
    Mark(words="stands on something with a very long name of its own", strength=0.88),
    Mark(words="lid", strength=0.01),
)


@pytest.mark.parametrize("width", ["page", "phone"])
@pytest.mark.parametrize(
    "figure",
    [strip(), strip(middle=1.5), strip(middle=-1.5, wide=3.0), strip(n=1), ruler(*MARKS)],
    ids=["around zero", "later", "wide", "one", "ruler"],
)
def test_no_letter_leaves_the_picture(figure, width):
    (drawing,) = figure.draw(width)
    edge, places = letter_places(drawing.svg)
    assert len(places) > 30
    assert max(places) < edge
    assert min(places) >= 0


def letter_places(svg):
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


def test_the_strip_says_its_ends_its_middle_and_how_many_are_clear():
    figure = ChoicesFigure(
        key="choices",
        caption=say("All of them."),
        analyses=((-0.2, -0.3, -0.1), (0.0, -0.1, 0.1), (0.3, 0.2, 0.4), (float("nan"),) * 3),
        kind="log-ratio",
    )
    said = str(figure.alt()).replace("\xa0", " ")
    assert "from −18 % over 0 % to +35 %" in said
    assert "Clearly sooner: 1; clearly later: 1; neither: 1." in said


def test_the_ruler_names_marks_from_the_strongest_on():
    said = str(ruler(*MARKS).alt()).replace("\xa0", " ")
    assert said.index("very long name") < said.index("explain") < said.index("unclear")
    assert said.endswith("lid: 1 %.")


def test_a_strip_of_nothing_says_so():
    assert str(strip(n=0).alt()) == "No analysis gave an answer."
