"""Open questions, asked at a terminal; elsewhere they stay refusals that name an option."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from metafreeze.options import ENDPOINT_WORDS

if TYPE_CHECKING:
    from metafreeze.errors import InputError
    from metafreeze.register.answers import Answers

ASKABLE = ("endpoint", "lab")


def ask(refused: InputError, answers: Answers) -> Answers:
    """Ask for the endpoint and the lab where a person sits at the terminal.

    Parameters
    ----------
    refused : InputError
        The refusal, with its questions.
    answers : Answers
        What is known so far.

    Returns
    -------
    Answers
        With the new answers.

    Raises
    ------
    InputError
        The refusal itself, where nobody can be asked or other faults stand beside.
    """
    rules = {fault.rule for fault in refused.faults if fault.severity != "note"}
    if not rules or not rules <= set(ASKABLE) or not sys.stdin.isatty():
        raise refused
    if "endpoint" in rules:
        click.echo("What did you call frozen?")
        names = list(ENDPOINT_WORDS)
        for place, (name, words) in enumerate(ENDPOINT_WORDS.items(), start=1):
            click.echo(f"  {place}  {words} ({name})")
        chosen = click.prompt("Number", type=click.IntRange(1, len(names)), err=True)
        answers = replace(answers, endpoint=names[chosen - 1])
    if "lab" in rules:
        answers = replace(
            answers,
            lab=click.prompt(
                "Name of your lab or kitchen (or: same, as for the sheet before)", err=True
            ),
        )
    return answers
