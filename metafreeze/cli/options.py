"""Options that several commands share, spelled alike everywhere."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from metafreeze.options import ENDPOINT_WORDS

F = TypeVar("F", bound=Callable[..., Any])

ENDPOINTS = click.Choice(list(ENDPOINT_WORDS))


def json_option(function: F) -> F:
    """Add ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")(function)


def answer_options(function: F) -> F:
    """Add the options that answer what a file leaves open; they arrive as `answers`."""

    @functools.wraps(function)
    def with_answers(
        *args: Any,
        map_: tuple[str, ...],
        unit: tuple[str, ...],
        endpoint: str | None,
        lab: str | None,
        decimal: str | None,
        day_order: str | None,
        delimiter: str | None,
        encoding: str | None,
        sheet: str | None,
        bars: str | None,
        hidden: str | None,
        same_as: str | None,
        same_source: str | None,
        watched: str | None,
        **kwargs: Any,
    ) -> Any:
        from metafreeze.register.answers import Answers

        answers = Answers(
            mapping=read_pairs(map_, option="--map"),
            units=read_pairs(unit, option="--unit"),
            endpoint=endpoint or "",
            lab=lab or "",
            decimal=decimal or "",
            day_order=day_order or "",
            delimiter={"tab": "\t", "\\t": "\t"}.get(delimiter or "", delimiter or ""),
            encoding=encoding or "",
            sheet=sheet or "",
            bars=bars or "",
            hidden=hidden or "",
            same_as=same_as or "",
            same_source=same_source or "",
            watched=watched or "",
        )
        return function(*args, answers=answers, **kwargs)

    decorated: Any = with_answers
    for option in reversed(
        [
            click.option(
                "--map",
                "map_",
                multiple=True,
                metavar='"HEADING=FIELD"',
                help="Say what a heading means, or name a TOML file of such lines.",
            ),
            click.option(
                "--unit",
                multiple=True,
                metavar='"HEADING=UNIT"',
                help="Say the unit of a heading.",
            ),
            click.option("--endpoint", type=ENDPOINTS, help="What was called frozen."),
            click.option("--lab", metavar="NAME", help="Lab of rows that name none."),
            click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark."),
            click.option(
                "--day-order",
                type=click.Choice(["day-first", "month-first"]),
                help="Order of day and month in dates.",
            ),
            click.option("--delimiter", metavar="MARK", help="What separates columns, or tab."),
            click.option("--encoding", metavar="NAME", help="Encoding of text files."),
            click.option("--sheet", metavar="NAME", help="Worksheet to read."),
            click.option(
                "--bars",
                type=click.Choice(["SD", "SE", "CI95", "range", "both"]),
                help="What unlabelled error bars mean.",
            ),
            click.option(
                "--hidden",
                type=click.Choice(["keep", "exclude"]),
                help="What to do with hidden workbook rows.",
            ),
            click.option(
                "--same-as",
                metavar="FILE",
                help='Earlier file of which this one is a later copy, or "new".',
            ),
            click.option(
                "--same-source",
                type=click.Choice(["one", "separate"]),
                help="Whether rows under one source name are arms of one source.",
            ),
            click.option(
                "--watched", metavar="TIME", help='How long unfrozen vessels were watched ("3 h").'
            ),
        ]
    ):
        decorated = option(decorated)
    return decorated  # type: ignore[no-any-return]


def read_pairs(words: tuple[str, ...], *, option: str) -> dict[str, str]:
    """Split ``heading=field`` at its last equals sign; a TOML file gives many at once."""
    pairs: dict[str, str] = {}
    for word in words:
        if "=" not in word and Path(word).suffix == ".toml":
            pairs.update(_read_mapping_file(Path(word)))
            continue
        heading, mark, meaning = word.rpartition("=")
        if not mark or not heading.strip() or not meaning.strip():
            raise click.UsageError(f'{option} takes "heading=meaning", not "{word}".')
        pairs[heading.strip()] = meaning.strip()
    return pairs


def _read_mapping_file(path: Path) -> dict[str, str]:
    import tomllib

    try:
        with path.open("rb") as stream:
            table = tomllib.load(stream)
    except FileNotFoundError:
        raise click.UsageError(f"There is no mapping file {path}.") from None
    except tomllib.TOMLDecodeError as wrong:
        raise click.UsageError(f"The mapping file {path} is not TOML: {wrong}.") from None
    lines = table.get("map", table)
    if not all(isinstance(v, str) for v in lines.values()):
        raise click.UsageError(f'The mapping file {path} holds lines like "my heading" = "field".')
    return dict(lines)
