"""A plan fixed before the data: its seal, and what an analysis did otherwise.

The seal is a hash of the plan's own words. The journal keeps the line that set it, so that
neither the plan nor its date can be changed unseen.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from metafreeze.errors import InputError
from metafreeze.options import Endpoint, require_choice
from metafreeze.register.folder.clauses import read_condition, read_exclusion
from metafreeze.register.schema import FIELD

SEAL = "seal"
ROWS_AT_SEAL = "rows_when_sealed"
PLANNED = (
    "endpoint",
    "pair",
    "smallest_effect",
    "covariates",
    "exclusions",
    "conditions",
    "stopping_rule",
)
HOTTEST_C = 100.0
# A stopping rule that can be checked: a number of batches, runs or labs.
_STOP = re.compile(r".*?(\d+)\s+(batch|run|lab)(?:e?s)?\b.*", re.IGNORECASE | re.DOTALL)


def make_plan(
    *,
    endpoint: str,
    pair: Sequence[float],
    smallest_effect: float,
    covariates: Sequence[str] = (),
    exclusions: Sequence[str] = (),
    conditions: Sequence[str] = (),
    stopping_rule: str = "",
) -> dict[str, Any]:
    """Put a plan together and check it.

    Parameters
    ----------
    endpoint : str
        The event that decides.
    pair : pair of float
        Start temperatures that the effect is named for, °C, in either order.
    smallest_effect : float
        Smallest effect of interest, as a share of time.
    covariates : sequence of str
        Design fields that will be adjusted for.
    exclusions, conditions : sequence of str
        Which runs will be left out, and conditions under which the effect is asked for by
        itself: clauses such as ``lid=open``, which are looked up in the rows, or words, which
        are printed.
    stopping_rule : str
        When trials will end; a number of batches, runs or labs in it is checked.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        A value is out of range, or a covariate is none; the message names it.
    """
    require_choice(endpoint, Endpoint, name="endpoint")
    temperatures = sorted((float(t) for t in pair), reverse=True)
    if len(temperatures) != 2 or not (HOTTEST_C >= temperatures[0] > temperatures[1] >= 0.0):
        raise InputError(
            f"The pair is {tuple(pair)}. Give two start temperatures from 0 to 100 °C that differ."
        )
    if not 0.0 < smallest_effect < 1.0:
        raise InputError(
            f"The smallest effect of interest is {smallest_effect!r}. Give a share of time "
            "between 0 and 1, such as 0.05."
        )
    for name in covariates:
        if name not in FIELD or FIELD[name].role != "design":
            raise InputError(
                f'"{name}" is no design field. Name fields such as lid, base_support or '
                "water_mass_start_g; consequences of starting hot are never adjusted for."
            )
    for text in exclusions:
        read_exclusion(text)
    for text in conditions:
        read_condition(text)
    return {
        "endpoint": endpoint,
        "pair": temperatures,
        "smallest_effect": float(smallest_effect),
        "covariates": list(covariates),
        "exclusions": list(exclusions),
        "conditions": list(conditions),
        "stopping_rule": stopping_rule,
    }


def seal_of(plan: Mapping[str, Any]) -> str:
    """Hash what a plan says, apart from its seal.

    Parameters
    ----------
    plan : mapping
        A plan.

    Returns
    -------
    str
        SHA-256 in hexadecimal digits.
    """
    words = {name: plan[name] for name in (*PLANNED, ROWS_AT_SEAL) if name in plan}
    spelled = json.dumps(words, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(spelled.encode()).hexdigest()


def require_unsealed(plan: Mapping[str, Any]) -> None:
    """Refuse a plan that is sealed.

    Parameters
    ----------
    plan : mapping
        A register's plan.

    Raises
    ------
    InputError
        It is sealed.
    """
    if SEAL in plan:
        raise InputError(
            "This plan is sealed already. A sealed plan is not sealed again: what is done "
            "otherwise is reported as a departure."
        )


def sealed(plan: Mapping[str, Any], *, rows: int) -> dict[str, Any]:
    """Give a plan with its seal, and how many rows were there already.

    Parameters
    ----------
    plan : mapping
        A plan of `make_plan`.
    rows : int
        Rows in the register at this moment.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        The plan is sealed already.
    """
    require_unsealed(plan)
    whole = {**plan, ROWS_AT_SEAL: int(rows)}
    return {**whole, SEAL: seal_of(whole)}


def exclude_planned(rows: pd.DataFrame, plan: Mapping[str, Any]) -> pd.DataFrame:
    """Leave out the runs that a sealed plan's clauses name, with that as their reason.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.
    plan : mapping
        The register's plan.

    Returns
    -------
    DataFrame
        The same rows; nothing is changed where no plan is sealed.
    """
    if SEAL not in plan:
        return rows
    kept = rows
    for text in plan.get("exclusions", ()):
        clause = read_exclusion(text)
        if clause is None:
            continue
        out = clause.holds(kept) & kept["exclusion_reason"].isna().to_numpy(dtype=bool)
        if out.any():
            kept = kept.copy()
            kept["exclusion_reason"] = kept["exclusion_reason"].mask(out, text)
    return kept


def read_stop(rule: str) -> tuple[str, int] | None:
    """Read what a stopping rule counts and how far, where it says so.

    Parameters
    ----------
    rule : str
        Such as "after 30 batches".

    Returns
    -------
    tuple of str and int, or None
        "batches", "runs" or "labs", and their number.

    Examples
    --------
    >>> read_stop("after 30 batches")
    ('batches', 30)
    """
    match = _STOP.fullmatch(rule)
    if match is None:
        return None
    return {"batch": "batches", "run": "runs", "lab": "labs"}[match[2].lower()], int(match[1])


def stop_kept(plan: Mapping[str, Any], counts: Mapping[str, int]) -> bool:
    """Say whether a sealed plan says when trials end, and they ended there.

    Parameters
    ----------
    plan : mapping
        The register's plan.
    counts : mapping
        Batches, runs and labs of the answer.

    Returns
    -------
    bool
        A rule in words alone is taken for kept.
    """
    if SEAL not in plan or not plan.get("stopping_rule"):
        return False
    stop = read_stop(plan["stopping_rule"])
    return stop is None or counts[stop[0]] == stop[1]


def departures(
    plan: Mapping[str, Any],
    *,
    endpoint: str,
    pair: tuple[float, float],
    smallest_effect: float,
    covariates: Sequence[str],
    left_out: Mapping[str, int] | None = None,
    counts: Mapping[str, int] | None = None,
) -> tuple[str, ...]:
    """Say what an analysis did otherwise than its sealed plan.

    Parameters
    ----------
    plan : mapping
        The register's plan.
    endpoint, pair, smallest_effect, covariates
        What the analysis used.
    left_out : mapping, optional
        Reason to number of runs left out for it.
    counts : mapping, optional
        Batches, runs and labs of the answer.

    Returns
    -------
    tuple of str
        A sentence each; empty where the plan was kept, or none was sealed.
    """
    if SEAL not in plan:
        return ()
    found = []
    if seal_of(plan) != plan[SEAL]:
        found.append("The plan was changed after it was sealed: its seal does not fit its words.")
    if plan.get(ROWS_AT_SEAL, 0):
        found.append("The plan was sealed when the register held rows already.")
    if plan.get("endpoint", endpoint) != endpoint:
        found.append(f"The plan named the endpoint {plan['endpoint']}; this answers {endpoint}.")
    planned = sorted((float(t) for t in plan.get("pair", pair)), reverse=True)
    if not all(math.isclose(a, b) for a, b in zip(planned, sorted(pair)[::-1], strict=True)):
        found.append(
            f"The plan named {planned[0]:g} and {planned[1]:g} °C; this answers "
            f"{max(pair):g} and {min(pair):g} °C."
        )
    if not math.isclose(float(plan.get("smallest_effect", smallest_effect)), smallest_effect):
        found.append("The smallest effect of interest is not the planned one.")
    if set(plan.get("covariates", covariates)) != set(covariates):
        listed = ", ".join(FIELD[name].label for name in covariates) or "nothing"
        found.append(f"What was adjusted for is not what was planned, but {listed}.")
    found += _other_exclusions(plan, left_out or {})
    stop = read_stop(plan.get("stopping_rule", ""))
    if counts and stop is not None and counts[stop[0]] != stop[1]:
        found.append(
            f"The plan was to end at {stop[1]} {stop[0]}; this answers from {counts[stop[0]]}."
        )
    return tuple(found)


def _other_exclusions(plan: Mapping[str, Any], left_out: Mapping[str, int]) -> list[str]:
    known = {str(text).strip().casefold() for text in plan.get("exclusions", ())}
    other = {r: n for r, n in left_out.items() if r.strip().casefold() not in known}
    if not other:
        return []
    listed = ", ".join(f"{reason} ({n})" for reason, n in sorted(other.items()))
    runs = sum(other.values())
    return [f"{runs} runs were left out for reasons that the plan does not name: {listed}."]
