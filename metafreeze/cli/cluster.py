"""Sharing the work with a cluster that is there already."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def cluster_option(function: F) -> F:
    """Add ``--cluster``."""
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Address of a Dask scheduler to share the work with, such as tcp://host:8786.",
    )(function)


@contextmanager
def working_on(address: str | None) -> Iterator[None]:
    """Let what is parallel run on a cluster for as long as this lasts.

    Parameters
    ----------
    address : str or None
        Of the scheduler; nothing changes without one.

    Raises
    ------
    UsageError
        The library is not installed, or nobody answers at the address.
    """
    if address is None:
        yield
        return
    import joblib

    try:
        from distributed import Client
    except ImportError as missing:
        raise click.UsageError(
            "--cluster needs the library dask: pip install 'metafreeze[cluster]'"
        ) from missing
    try:
        client = Client(address, timeout="10s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as trouble:
        raise click.UsageError(f"Nobody answers at {address}: {trouble}") from trouble
    with client, joblib.parallel_config(backend="dask", n_jobs=-1):
        yield
