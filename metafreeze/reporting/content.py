"""What a report says, as frozen descriptions; rendering is separate and later.

A report is made of sections, a section of sentences, tables and figures. Sentences are
`Text`: words with the numbers and the given names kept apart inside, so that every
renderer can isolate a foreign name and every number on the page can be traced to a result.

Nothing here computes: the numbers arrive as they stand in the results.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from string import Formatter

import pandas as pd

from metafreeze.errors import InputError
from metafreeze.options import Display, FigureWidth, Status

CellValue = object


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number as it stands on the page, with the value that it was made from.

    Parameters
    ----------
    value : float or int
        The value as it stands in the results, at full precision, in the result's own unit.
    text : str
        What is shown, without its unit.
    unit : str
        Shown after the text, a no-break space between.
    kind : Display
        How `value` was turned into `text`.
    fixed : bool
        True for a number of the wording (a confidence level, 0 °C), which is no result.
    """

    value: float | int
    text: str
    unit: str = ""
    kind: Display = "number"
    fixed: bool = False

    def __str__(self) -> str:
        return f"{self.text}\u00a0{self.unit}" if self.unit else self.text


@dataclass(frozen=True, slots=True)
class Given:
    """Somebody else's words: a lab, a file, a vessel. Shown, never obeyed.

    Parameters
    ----------
    text : str
        As it was entered.
    """

    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Fixed:
    """Our own words that hold digits and are no result: a standard, a year, a DOI.

    Parameters
    ----------
    text : str
        The words.
    """

    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Code:
    """Something to type: a command, an option, a column name.

    Parameters
    ----------
    text : str
        As it is typed.
    """

    text: str

    def __str__(self) -> str:
        return self.text


Part = str | Number | Given | Fixed | Code


@dataclass(frozen=True, slots=True)
class Text:
    """A sentence: words, numbers and given names in their order.

    Parameters
    ----------
    parts : tuple of str, Number, Given, Fixed or Code
        Made by `say`; plain strings are our own words and hold no digits.
    """

    parts: tuple[Part, ...] = ()

    def __str__(self) -> str:
        return "".join(str(p) for p in self.parts)

    def __bool__(self) -> bool:
        return any(str(p) for p in self.parts)

    def __add__(self, other: Text | str) -> Text:
        more = other if isinstance(other, Text) else say_plain(other)
        return Text(self.parts + more.parts)

    def numbers(self) -> Iterator[Number]:
        """Give the numbers of the sentence in their order."""
        yield from (p for p in self.parts if isinstance(p, Number))


NOTHING = Text()


def say_plain(words: str) -> Text:
    """Make a sentence of words alone.

    Parameters
    ----------
    words : str
        Our own words, taken as they are: braces mean nothing.

    Returns
    -------
    Text

    Raises
    ------
    InputError
        The words hold a digit, which would be a number that nothing accounts for.
    """
    if any(c.isdigit() for c in words):
        raise InputError(
            f"The wording {words!r} holds a digit. Pass numbers as fields made by "
            "metafreeze.reporting.numbers, and words with digits as Fixed."
        )
    return Text((words,) if words else ())


def say(template: str, **fields: Part | Text) -> Text:
    """Make a sentence from words and named parts.

    Parameters
    ----------
    template : str
        Words with named fields in braces, as in ``"{hot} finished later than {cold}"``.
        It holds no digits: a number on the page comes from a field.
    **fields : Number, Given, Fixed, Code, Text or str
        What stands in the fields. A plain string is taken as our own words.

    Returns
    -------
    Text

    Raises
    ------
    InputError
        A digit in the wording, a field without a value, or a value without a field.

    Examples
    --------
    >>> str(say("Entered by {who}.", who=Given("North pond")))
    'Entered by North pond.'
    """
    parts: list[Part] = []
    used = set()
    for words, name, _spec, _conversion in Formatter().parse(template):
        parts.extend(say_plain(words).parts)
        if name is None:
            continue
        if name not in fields:
            raise InputError(f"The wording {template!r} has no value for {{{name}}}.")
        used.add(name)
        value = fields[name]
        if isinstance(value, Text):
            parts.extend(value.parts)
        elif isinstance(value, str):
            parts.extend(say_plain(value).parts)
        elif isinstance(value, (Number, Given, Fixed, Code)):
            parts.append(value)
        else:
            raise InputError(
                f"Field {name!r} is {value!r}. Give a Number, Given, Fixed, Code, Text or str."
            )
    spare = sorted(set(fields) - used)
    if spare:
        raise InputError(f"The wording {template!r} has no place for {', '.join(spare)}.")
    return Text(tuple(parts))


def listed(items: Sequence[Part | Text], *, last: str = "and") -> Text:
    """Join parts as a list in a sentence.

    Parameters
    ----------
    items : sequence of Number, Given, Fixed, Code, Text or str
        What is listed.
    last : str
        The word before the last item.

    Returns
    -------
    Text
    """
    whole = Text()
    for place, item in enumerate(items):
        between = "" if place == 0 else (f" {last} " if place == len(items) - 1 else ", ")
        whole = whole + between + say("{item}", item=item)
    return whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """Two limits in one cell, shown as "2 to 10".

    Parameters
    ----------
    low, high : float
        The limits as they stand in the results; infinite for an open side, NaN (either of
        them) where there is no interval.
    """

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    heading : str
        Words at the top, without the unit, which follows from the kind.
    kind : Display
        What the raw values are and how they are shown.
    decimals : int, optional
        Decimals for the whole column; chosen from the values where missing.
    key : str
        Name of the same quantity in the results, for the data dictionary.
    """

    heading: str
    kind: Display
    decimals: int | None = None
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableContent:
    """A table: raw values in rows, how to show them, and what to know about them.

    Parameters
    ----------
    key : str
        Short name, unique in the report; letters, digits and hyphens.
    caption : Text
        What the table shows.
    columns : tuple of Column
        The first one names the row.
    rows : tuple of tuples
        Raw values: numbers, strings, bools, `Between`, `Text`, or None and NaN where there
        is nothing. A number stays at full precision.
    notes : tuple of Text
        Shown under the table.
    """

    key: str
    caption: Text
    columns: tuple[Column, ...]
    rows: tuple[tuple[CellValue, ...], ...]
    notes: tuple[Text, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a ragged table."""
        for place, row in enumerate(self.rows, start=1):
            if len(row) != len(self.columns):
                raise InputError(
                    f"Table {self.key!r}, row {place} has {len(row)} cells for "
                    f"{len(self.columns)} columns. Give one cell to each column."
                )


def table_from_frame(
    frame: pd.DataFrame,
    columns: dict[str, Column],
    *,
    key: str,
    caption: Text,
    notes: tuple[Text, ...] = (),
) -> TableContent:
    """Describe a result's frame as a table.

    Parameters
    ----------
    frame : DataFrame
        One row per line of the table.
    columns : dict of str to Column
        Frame column to table column, in the order shown.
    key : str
        Short name of the table.
    caption : Text
        What the table shows.
    notes : tuple of Text
        Shown under the table.

    Returns
    -------
    TableContent
    """
    rows = frame[list(columns)].itertuples(index=False, name=None)
    return TableContent(
        key=key, caption=caption, columns=tuple(columns.values()), rows=tuple(rows), notes=notes
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """One picture of a figure: a figure of many rows is drawn as several.

    Parameters
    ----------
    svg : str
        An ``<svg>`` element: shapes and paths, no text, links, styles or scripts.
    width_px, height_px : float
        Size in CSS pixels.
    """

    svg: str
    width_px: float
    height_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureContent:
    """A figure: the numbers that it draws, its caption and its alternative text.

    A kind of figure is a subclass in its own file of `metafreeze/reporting/figures`, with the
    numbers as fields and the two methods below.

    Parameters
    ----------
    key : str
        Short name, unique in the report; letters, digits and hyphens.
    caption : Text
        What the figure shows, and how to read it.
    notes : tuple of Text
        Shown under the caption.
    """

    key: str
    caption: Text
    notes: tuple[Text, ...] = ()

    def alt(self) -> Text:
        """Say in words what the figure shows, with its numbers."""
        raise NotImplementedError

    def draw(self, width: FigureWidth) -> tuple[Drawing, ...]:
        """Draw the figure for a page or for a phone."""
        raise NotImplementedError

    def remarks(self) -> tuple[Text, ...]:
        """Say what the drawing had to do to somebody's words, if anything."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One question, its answer, and what the answer rests on.

    Parameters
    ----------
    key : str
        Short name, unique in the report, the address of the section on the page.
    question : Text
        The heading.
    answer : Text
        The answer in a sentence. For a section that does not apply, the one line saying why.
    paragraphs : tuple of Text
        Read after the figures.
    figures : tuple of FigureContent
        Shown after the answer.
    tables : tuple of TableContent
        Shown after the paragraphs.
    method : tuple of Text
        How it was computed; stands under Methods, where technical names belong.
    sources : tuple of Text
        Published sources of the method.
    applies : bool
        False: the section is the question and the one line.
    status : Status
        What became of the calculation.
    note : Text
        Why the status is not "ok".
    """

    key: str
    question: Text
    answer: Text
    paragraphs: tuple[Text, ...] = ()
    figures: tuple[FigureContent, ...] = ()
    tables: tuple[TableContent, ...] = ()
    method: tuple[Text, ...] = ()
    sources: tuple[Text, ...] = ()
    applies: bool = True
    status: Status = "ok"
    note: Text = NOTHING


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A verdict in one sentence, and what it rests on.

    Parameters
    ----------
    question : Text
        What was asked.
    answer : Text
        The sentence.
    because : Text
        Why, in a sentence.
    """

    question: Text
    answer: Text
    because: Text = NOTHING


@dataclass(frozen=True, slots=True, kw_only=True)
class Banner:
    """A line over the whole report that nobody may miss, such as "invented data".

    Parameters
    ----------
    heading : str
        One or two words.
    text : Text
        The sentence.
    """

    heading: str
    text: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A caution for work at the freezer.

    Parameters
    ----------
    hazard : str
        What can hurt.
    text : Text
        What to do.
    """

    hazard: str
    text: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """One line of where it all came from.

    Parameters
    ----------
    name : str
        What it is: register fingerprint, version, seed, a file.
    text : Text
        Its value.
    """

    name: str
    text: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole report.

    Parameters
    ----------
    title : Text
        The heading of the page.
    lead : tuple of Text
        Lines under the title: runs, labs, endpoint.
    banners : tuple of Banner
        Shown before everything else.
    verdicts : tuple of Verdict
        The verdicts, a sentence each.
    summary : tuple of Text
        In this order: the answer, the range for a new lab, labs and runs, disagreement.
    sections : tuple of Section
        Question by question.
    warnings : tuple of Text
        What was warned of on the way.
    cautions : tuple of Caution
        Cautions that fit the work.
    how_to_add : tuple of Text
        Steps by which a reader adds trials of their own.
    provenance : tuple of Provenance
        Where it all came from.
    language : str
        Language of the wording, for the page.
    """

    title: Text
    lead: tuple[Text, ...] = ()
    banners: tuple[Banner, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    summary: tuple[Text, ...] = ()
    sections: tuple[Section, ...] = ()
    warnings: tuple[Text, ...] = ()
    cautions: tuple[Caution, ...] = ()
    how_to_add: tuple[Text, ...] = ()
    provenance: tuple[Provenance, ...] = ()
    language: str = field(default="en")

    def __post_init__(self) -> None:
        """Refuse two parts of one name, which would be one address for two places."""
        keys = [s.key for s in self.sections]
        keys += [t.key for s in self.sections for t in s.tables]
        keys += [f.key for s in self.sections for f in s.figures]
        for key in keys:
            if not key or not key.isascii() or not key.replace("-", "").isalnum():
                raise InputError(
                    f"A part of the report is called {key!r}. Use letters, digits and hyphens."
                )
            if keys.count(key) > 1:
                raise InputError(
                    f"Two parts of the report are called {key!r}. Give each its own key."
                )

    def _repr_html_(self) -> str:
        from metafreeze.reporting.html import render_fragment

        return render_fragment(self)

    def __str__(self) -> str:
        from metafreeze.reporting.terminal import render_text

        return render_text(self, width=80)
