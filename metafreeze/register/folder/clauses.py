"""Parts of a plan that can be looked up in the rows: ``lid=open``, ``sink_temp_c<-25``."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.register.schema import FIELD
from metafreeze.results import BoolArray

_CLAUSE = re.compile(r"\s*([a-z][a-z0-9_]*)\s*(<=|>=|!=|=|<|>)\s*(.+?)\s*")
_SIGNS: dict[str, Callable[[Any, Any], Any]] = {
    "=": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
NUMBERS = ("number", "integer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Clause:
    """A field, a sign and a value.

    Parameters
    ----------
    field, sign : str
    value : float or str
        A number for fields of numbers.
    text : str
        As it was written.
    """

    field: str
    sign: str
    value: float | str
    text: str

    def holds(self, rows: pd.DataFrame) -> BoolArray:
        """Say for which rows it is known to hold.

        Parameters
        ----------
        rows : DataFrame
            Rows of the schema.

        Returns
        -------
        array of bool, shape (rows,)
            False where the field is empty.
        """
        column = rows[self.field]
        if isinstance(self.value, float):
            numbers = column.to_numpy(dtype=float, na_value=np.nan)
            return np.asarray(np.isfinite(numbers) & _SIGNS[self.sign](numbers, self.value))
        words = column.astype(object).where(column.notna(), "").map(lambda v: str(v).casefold())
        there = column.notna().to_numpy(dtype=bool)
        alike = words.eq(self.value.casefold()).to_numpy(dtype=bool)
        return np.asarray(there & (alike if self.sign == "=" else ~alike))


def read_clause(text: str) -> Clause | None:
    """Read a clause; words that are none are for people alone.

    Parameters
    ----------
    text : str
        Such as ``lid=open`` or ``sink_temp_c < -25``.

    Returns
    -------
    Clause or None

    Raises
    ------
    InputError
        It has the shape of a clause but names no field, or no value of the field.

    Examples
    --------
    >>> read_clause("sink_temp_c < -25").value
    -25.0
    >>> read_clause("only the tall beakers") is None
    True
    """
    match = _CLAUSE.fullmatch(text)
    if match is None:
        return None
    name, sign, value = match.groups()
    field = FIELD.get(name)
    if field is None:
        raise InputError(
            f'"{text}" names the field "{name}", which there is not. Name a field such as lid, or '
            "write the rule in words without a sign."
        )
    if field.kind in NUMBERS:
        try:
            return Clause(field=name, sign=sign, value=float(value), text=text.strip())
        except ValueError as wrong:
            raise InputError(f'"{text}" compares {name} with "{value}". Write a number.') from wrong
    if sign not in ("=", "!="):
        raise InputError(f'"{text}" compares words by size. Use = or != with {name}.')
    if field.vocabulary and value.casefold() not in {v.casefold() for v in field.vocabulary}:
        raise InputError(
            f'"{text}": {name} is never "{value}". It is one of {", ".join(field.vocabulary)}.'
        )
    return Clause(field=name, sign=sign, value=value, text=text.strip())


def read_condition(text: str) -> Clause | None:
    """Read a condition under which the effect is asked for: of a design field alone.

    Parameters
    ----------
    text : str

    Returns
    -------
    Clause or None

    Raises
    ------
    InputError
        As `read_clause`; also where the field is set by starting hot or by the outcome.
    """
    clause = read_clause(text)
    if clause is not None and FIELD[clause.field].role != "design":
        raise InputError(
            f'The condition "{text}" is of {FIELD[clause.field].label}, which is not set before '
            "the run. Name a design field such as lid, base_support or sink_temp_c."
        )
    return clause


def read_exclusion(text: str) -> Clause | None:
    """Read a rule by which runs are left out: never one that selects on the outcome.

    Parameters
    ----------
    text : str

    Returns
    -------
    Clause or None

    Raises
    ------
    InputError
        As `read_clause`; also where leaving such runs out would select on the outcome.
    """
    clause = read_clause(text)
    if clause is None:
        return None
    role = FIELD[clause.field].role
    if role in ("mediator", "outcome") or clause.field == "trigger_event":
        raise InputError(
            f'The exclusion "{text}" is of {FIELD[clause.field].label}, which starting hot or the '
            "time itself has a part in: leaving such runs out selects on the outcome. They stay, "
            "and a first ice that was knocked loose counts as a lower bound."
        )
    return clause
