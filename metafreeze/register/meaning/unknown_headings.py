"""Headings that are not recognised: read by their cells where these settle it, else asked."""

from __future__ import annotations

import re

import pyarrow as pa
import pyarrow.compute as pc

from metafreeze.register.files.dates import parse_dates
from metafreeze.register.files.sheets import Column
from metafreeze.register.meaning.findings import Findings, column_name
from metafreeze.register.meaning.headings import Meaning, split_units, suggest, target_words
from metafreeze.register.meaning.named import MOSTLY, NamedColumn, NamedTable
from metafreeze.register.meaning.units import dimensions_of
from metafreeze.register.meaning.values import Glance, trimmed
from metafreeze.register.meaning.words import find_word, is_missing, plain_word
from metafreeze.register.schema import FIELDS

# A table with more unknown headings than this is no list of runs; to compare thousands with
# every alias would take long and help nobody.
MOST_SUGGESTED = 100

# A bare whole number that a spreadsheet may have made of a date.
SERIAL_HEADING = re.compile(r"^[2-7]\d{4}(?:\.0)?$")


def serial_date(heading: str) -> str:
    """Give the ISO date of a day number."""
    iso, _ = parse_dates(pa.array([heading.split(".")[0]], pa.string()))
    return str(iso[0].as_py() or "")


def map_remedy(column: Column, suggestions: list[str]) -> str:
    """Write the answers that settle a heading, each as it is typed."""
    name = column_name(column)
    options = [f'--map "{name}={s}"' for s in suggestions] + [f'--map "{name}=ignore"']
    lead = "Answer with " if suggestions else 'Say what it holds with --map "HEADING=FIELD", or '
    return lead + (", ".join(options[:-1]) + " or " if len(options) > 1 else "") + options[-1]


def settle_unknown(column: Column, named: NamedTable, look: Glance, findings: Findings) -> None:
    """Read an unknown heading by its cells where they settle it, else ask."""
    name = column_name(column)
    if not look.texts:
        findings.add(
            "note",
            "empty-column",
            f"“{name}” is not recognised and holds nothing: left out",
            table=named.table,
            column=column,
        )
        return
    if SERIAL_HEADING.match(column.heading.strip()):
        date = serial_date(column.heading.strip())
        findings.add(
            "question",
            "heading-may-be-a-date",
            f"The heading “{name}” may be a date that was turned into a day number ({date}) or a "
            "name",
            remedy=f'Answer with --map "{name}=date" for {date}, --map "{name}=YYYY-MM-DD" for '
            f'another day, or --map "{name}=ignore"',
            table=named.table,
            column=column,
            value=name,
        )
        named.asked.append(column)
        return
    words = _fields_of_words(column)
    words = [w for w in words if not named.has(w)]
    if len(words) == 1:
        named.columns.append(
            NamedColumn(column=column, meaning=Meaning(target=words[0]), glance=look)
        )
        pairs = dict.fromkeys(
            f"{t} = {find_word(words[0], t)}"
            for t in look.texts
            if plain_word(t) != plain_word(find_word(words[0], t))
        )
        shown = f" ({', '.join(pairs)})" if pairs else ""
        findings.add(
            "note",
            "read-by-its-words",
            f"“{name}” is not recognised, but all its cells are words for "
            f"{target_words(words[0])}: read as {words[0]}{shown}",
            remedy=f'Otherwise answer with --map "{name}=FIELD" or --map "{name}=ignore"',
            table=named.table,
            column=column,
        )
        return
    unit_text = column.unit or _unit_text_of(column)
    taken = frozenset(c.target for c in named.columns)
    suggestions = [target_words(w) for w in words[:3]]
    if not suggestions and len(named.asked) < MOST_SUGGESTED:
        suggestions = suggest(name, unit_text, taken=taken) or _suggest_by_cells(look, taken)
    if not column.heading.strip():
        message = f"Column {column.position} has no heading"
    else:
        message = f"The heading “{name}” is not recognised"
    findings.add(
        "question",
        "heading-not-recognised",
        f"{message}; it holds {_examples(look)}",
        remedy=map_remedy(column, suggestions),
        table=named.table,
        column=column,
        value=name,
    )
    named.asked.append(column)


def _suggest_by_cells(look: Glance, taken: frozenset[str]) -> list[str]:
    """Suggest fields for a heading that resembles none, by what its cells look like."""
    likely: tuple[str, ...]
    counting = all(re.fullmatch(r"\d{1,4}", t.strip()) for t in look.texts)
    if counting and len(set(look.texts)) == len(look.texts):
        likely = ("run_id", "specimen_id", "time")
    elif look.numbers >= MOSTLY:
        likely = ("time", "start_temp_c", "sink_temp_c")
    elif len(set(look.texts)) == len(look.texts):
        likely = ("run_id", "specimen_id", "remark")
    else:
        likely = ("lab_id", "vessel_material", "block_id", "remark")
    return [target_words(t) for t in likely if t not in taken][:3]


def _unit_text_of(column: Column) -> str:
    for _, text in split_units(column.heading):
        if dimensions_of(text):
            return text
    return ""


def _examples(look: Glance) -> str:
    shown = list(dict.fromkeys(look.texts))[:3]
    return ", ".join(f"“{t}”" for t in shown)


# A column with more different texts than this holds no choice.
MANY_WORDS = 50

# Words of so many fields that they settle none.
_WEAK_WORDS = frozenset(
    plain_word(w)
    for w in (
        "yes",
        "no",
        "none",
        "y",
        "n",
        "1",
        "0",
        "unknown",
        "other",
        "x",
        "?",
        "true",
        "false",
        "hot",
        "fixed",
        "up",
        "down",
        "some",
        "half",
        "full",
        "partial",
        "off",
        "on",
        "in turn",
        "normal",
    )
)


def _fields_of_words(column: Column) -> list[str]:
    """List the choice fields to whose words all filled cells belong."""
    different = pc.unique(trimmed(column.text)).drop_null().to_pylist()
    texts = [t for t in different if not is_missing(t)]
    if len(texts) > MANY_WORDS or all(plain_word(t) in _WEAK_WORDS for t in texts):
        return []
    return [
        f.name
        for f in FIELDS
        if f.kind == "choice"
        and f.name
        not in ("record_level", "error_bar_meaning", "contrast_scale", "residual_endpoint")
        and all(find_word(f.name, t) for t in texts)
    ]
