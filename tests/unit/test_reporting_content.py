"""Descriptions refuse what could not be shown or traced."""

import math

import pandas as pd
import pytest

from metafreeze.errors import InputError
from metafreeze.reporting.content import (
    Code,
    Column,
    Fixed,
    Given,
    Number,
    Report,
    Section,
    TableContent,
    Text,
    listed,
    say,
    say_plain,
    table_from_frame,
)


def test_a_sentence_keeps_its_parts_apart():
    text = say("{lab} gave {n}.", lab=Given("Pond {x}"), n=Number(value=3, text="3", unit="K"))
    assert text.parts == (
        Given("Pond {x}"),
        " gave ",
        Number(value=3, text="3", unit="K"),
        ".",
    )
    assert str(text) == "Pond {x} gave 3\u00a0K."


def test_digits_in_the_wording_are_refused():
    with pytest.raises(InputError, match="holds a digit"):
        say("At 95 percent.")
    with pytest.raises(InputError, match="holds a digit"):
        say("At {level}.", level="95 percent")
    with pytest.raises(InputError, match="holds a digit"):
        say_plain("squared²")


def test_a_field_without_a_value_and_a_value_without_a_field_are_refused():
    with pytest.raises(InputError, match=r"no value for \{lab\}"):
        say("{lab} gave it.")
    with pytest.raises(InputError, match="no place for lab, vessel"):
        say("Nobody gave it.", vessel=Given("a"), lab=Given("b"))


def test_a_bare_number_in_a_field_is_refused():
    with pytest.raises(InputError, match=r"Field 'n' is 0\.06"):
        say("It is {n}.", n=0.06)


def test_sentences_join_and_list():
    three = listed([Given("a"), Fixed("b"), Code("c")])
    assert str(three) == "a, b and c"
    assert str(listed([Given("a")])) == "a"
    assert str(listed([Given("a"), Given("b")], last="or")) == "a or b"
    assert str(say("One.") + " Two.") == "One. Two."
    assert not Text() and not say("")


def test_a_ragged_table_is_refused_with_its_row():
    with pytest.raises(InputError, match="row 2 has 1 cells for 2 columns"):
        TableContent(
            key="t",
            caption=say("c"),
            columns=(Column(heading="a", kind="given"), Column(heading="b", kind="count")),
            rows=(("x", 1), ("y",)),
        )


def test_a_table_takes_the_columns_of_a_frame_in_the_order_asked_for():
    frame = pd.DataFrame({"n": [1, 2], "name": ["x", "y"], "spare": [math.nan, 0]})
    table = table_from_frame(
        frame,
        {"name": Column(heading="Name", kind="given"), "n": Column(heading="Runs", kind="count")},
        key="t",
        caption=say("c"),
    )
    assert table.rows == (("x", 1), ("y", 2))


@pytest.mark.parametrize("key", ["", "two words", "é", "a/b", '"'])
def test_a_key_that_is_no_address_is_refused(key):
    with pytest.raises(InputError, match="letters, digits and hyphens"):
        Report(title=say("t"), sections=(Section(key=key, question=say("q"), answer=say("a")),))


def test_two_parts_of_one_name_are_refused():
    section = Section(key="same", question=say("q"), answer=say("a"))
    with pytest.raises(InputError, match="Two parts of the report are called 'same'"):
        Report(title=say("t"), sections=(section, section))


def test_a_report_shows_itself_in_a_notebook_and_a_terminal():
    report = Report(title=say("Title"), lead=(say("By {who}.", who=Given("<b>")),))
    fragment = report._repr_html_()
    assert "<h1>Title</h1>" in fragment
    assert "&lt;b&gt;" in fragment and "<b>" not in fragment
    assert "<html" not in fragment and "<script" not in fragment
    assert str(report) == "Title\n=====\nBy <b>.\n"
