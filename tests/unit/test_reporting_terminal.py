"""The terminal: aligned, as narrow as asked, the same words, no colour unasked."""

import re

import pytest
import report_samples
from hypothesis import given, settings
from hypothesis import strategies as st
from wcwidth import width as cells

from metafreeze.reporting.content import Column, Given, Report, Section, TableContent, say
from metafreeze.reporting.shown import shown_table
from metafreeze.reporting.terminal import BOLD, plain, render_text, table_lines


@pytest.mark.parametrize("columns", [10, 20, 33, 60, 80, 132])
@pytest.mark.parametrize("name", sorted(report_samples.SAMPLES))
def test_no_line_is_wider_than_asked(name, columns):
    text = render_text(report_samples.SAMPLES[name]().report, width=columns)
    assert max(cells(line, control_codes="ignore") for line in text.splitlines()) <= max(
        columns, 20
    )
    assert "\x1b" not in text
    assert all(line == line.rstrip() for line in text.splitlines())


def table(names):
    return shown_table(
        TableContent(
            key="t",
            caption=say("Studies"),
            columns=(
                Column(heading="Study", kind="given"),
                Column(heading="Runs", kind="count"),
                Column(heading="Time", kind="seconds"),
            ),
            rows=tuple((name, 10**n, 600.0 * (n + 1)) for n, name in enumerate(names)),
        )
    )


def test_columns_stand_under_each_other_whatever_the_script():
    lines = table_lines(table(["North", "凉水実験室", "Παγοποιείο"]), 60)
    assert lines == [
        "Study       Runs   Time",
        "                  (min)",
        "----------  ----  -----",
        "North          1   10.0",
        "凉水実験室    10   20.0",
        "Παγοποιείο   100   30.0",
    ]
    assert {cells(line) for line in lines} == {23}


def test_a_table_without_room_is_written_row_by_row():
    lines = table_lines(table(["North pond house"]), 20)
    assert lines == ["Study: North", "  pond house", "  Runs: 1", "  Time (min): 10.0"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.text(max_size=40), min_size=1, max_size=3), st.integers(20, 90))
def test_any_names_in_any_width(names, columns):
    for line in table_lines(table(names), columns):
        assert cells(line, control_codes="ignore") <= columns
        assert "\x1b" not in line


def test_headings_are_bold_only_when_asked():
    report = report_samples.one_study().report
    bold = render_text(report, width=80, colour=True)
    assert BOLD in bold
    assert re.sub(r"\x1b\[\dm", "", bold) == render_text(report, width=80)


def test_escapes_in_names_are_dead():
    name = "\x1b]0;title\x07\x1b[2J\rover"
    report = Report(title=say("{x}", x=Given(name)))
    text = render_text(report, width=80)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f]", text)
    assert "[U+001B][2J" in text


def test_the_words_are_those_of_the_page():
    sample = report_samples.demo()
    flat = " ".join(render_text(sample.report, width=400).replace("> ", "").split())
    for verdict in sample.report.verdicts:
        assert " ".join(plain(verdict.answer).split()) in flat
    for section in sample.report.sections:
        assert plain(section.question) in flat
        assert " ".join(plain(section.answer).split()) in flat


def test_a_figure_without_a_table_is_told_and_one_with_a_table_is_not_told_twice():
    text = render_text(report_samples.demo().report, width=80)
    assert text.count("Figure: ") == 2
    assert "Lines within the studies" in text and "one row each" not in text


def test_a_section_that_cannot_answer_says_why():
    section = Section(
        key="s",
        question=say("Why?"),
        answer=say("Nobody can say."),
        status="unidentifiable",
        note=say("One temperature only."),
    )
    text = render_text(Report(title=say("T"), sections=(section,)), width=80)
    assert "| These data cannot answer this. One temperature only." in text
