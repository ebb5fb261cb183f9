"""What every command says, as text for people or one JSON object for machines."""

from __future__ import annotations

import json
import math
import shutil
import sys
import textwrap
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

SLOW_S = 2.0
NARROWEST = 40
WIDEST = 100


def say(text: str, content: Mapping[str, Any], *, as_json: bool) -> None:
    """Print a command's answer once: the text, or the content as one JSON object."""
    if as_json:
        click.echo(json.dumps(plain(content), ensure_ascii=False, allow_nan=False))
    else:
        click.echo(text)


def plain(value: Any) -> Any:
    """Turn results into JSON values; what is not a number becomes null."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return str(value)


def terminal_width() -> int:
    """Columns to write in: those of the terminal, within reason."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size((80, 24)).columns))


def wrap(text: str, *, indent: str = "") -> str:
    """Break a sentence at the width of the terminal."""
    return textwrap.fill(
        text,
        width=terminal_width(),
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


@contextmanager
def progress(what: str) -> Iterator[None]:
    """Name work on standard error once it has taken longer than two seconds."""
    done = threading.Event()

    def speak() -> None:
        if done.wait(SLOW_S):
            return
        started = time.monotonic() - SLOW_S
        if not sys.stderr.isatty():
            click.echo(f"{what} …", err=True)
            return
        while not done.wait(1.0):
            click.echo(f"\r{what} … {time.monotonic() - started:.0f} s ", nl=False, err=True)
        click.echo("", err=True)

    speaker = threading.Thread(target=speak, daemon=True)
    speaker.start()
    try:
        yield
    finally:
        done.set()
        speaker.join(timeout=2.0)
