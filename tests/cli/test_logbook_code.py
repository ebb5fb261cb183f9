"""What the command says about the code for a phone, with and without a picture of it."""

import sys

import pytest

from metafreeze.cli.logbook import describe
from metafreeze.logbook.serving import Opening


@pytest.fixture
def opening() -> Opening:
    return Opening(address="http://192.0.2.7:8417/", code="ABCD-EFGH", taps=0)


def test_without_the_drawing_library_the_code_is_said_with_the_remedy(
    opening: Opening, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_picture = describe(opening).splitlines()
    monkeypatch.setitem(sys.modules, "segno", None)
    without = describe(opening).splitlines()
    assert without[:3] == [
        "The logbook is open at http://192.0.2.7:8417/",
        "Code, for one phone: ABCD-EFGH",
        "No picture of it for the camera: that needs pip install segno.",
    ]
    assert without[2] not in with_picture
    assert [line for line in without if line in with_picture] == [
        without[0],
        without[1],
        *without[3:],
    ]
