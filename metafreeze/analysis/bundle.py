"""Every analysis of a register, by name: what is cached is taken, what is missing is run.

An analysis turns rows and settings into plain values and tables. Plain values are what
the report shows, what ``results.json`` holds and what the register's cache keeps, so that
a cached answer and a fresh one are the same thing.
"""

from __future__ import annotations

import base64
import io
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd

import metafreeze
from metafreeze.analysis.challenge import challenge_rows
from metafreeze.analysis.false_alarms import Progress, false_alarms
from metafreeze.analysis.lab_traits import lab_traits
from metafreeze.analysis.pooling import answer_pool, choose_endpoint, choose_pair, leave_out
from metafreeze.analysis.whole_curves import add_whole_curves, stored_traces
from metafreeze.errors import NotEstimableError
from metafreeze.options import ENDPOINT_WORDS, Endpoint
from metafreeze.register.folder.sealing import SEAL, exclude_planned

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What every analysis of a run shares; part of the key under which it is cached.

    Parameters
    ----------
    endpoint : str
        The endpoint that is answered.
    pair : tuple of float or None
        Hot and cold start temperature, °C; chosen from the rows by default.
    without : tuple of str
        Studies left out.
    plan : tuple of pairs
        What the register's plan fixes beside: the smallest effect of interest.
    sealed : str
        The sealed plan as JSON; empty where none was sealed.
    looks : int
        Times when the answer was seen before the last run.
    draws, seed : int
        Draws of uncertain physics, and the seed of all randomness.
    thorough : bool
        Whether more is drawn where that takes time.
    """

    endpoint: Endpoint
    pair: tuple[float, float] | None = None
    without: tuple[str, ...] = ()
    plan: tuple[tuple[str, float], ...] = ()
    sealed: str = ""
    looks: int = 0
    draws: int = 50
    seed: int = 1
    thorough: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """What one analysis gives: plain values, and tables of many rows.

    Parameters
    ----------
    values : dict
        Numbers, words, lists and dictionaries only; what is not a number is None.
    tables : dict of str to DataFrame
        Longer tables.
    """

    values: dict[str, Any]
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle:
    """All results of a register, as the report takes them.

    Parameters
    ----------
    results : dict
        What ``results.json`` holds.
    tables : dict of str to DataFrame
        The tables beside it.
    """

    results: dict[str, Any]
    tables: dict[str, pd.DataFrame]

    @property
    def answered(self) -> bool:
        """Whether the primary question could be estimated."""
        return bool(self.results["pool"]["status"] in ("ok", "boundary"))


Analysis = Callable[[pd.DataFrame, Settings], Answer]


def pool_analysis(rows: pd.DataFrame, settings: Settings) -> Answer:
    """Pool the rows; where they cannot answer, say why."""
    try:
        answer = answer_pool(
            exclude_planned(rows, json.loads(settings.sealed or "{}")),
            endpoint=settings.endpoint,
            pair=settings.pair,
            without=settings.without,
            draws=settings.draws,
            seed=settings.seed,
        )
    except NotEstimableError as impossible:
        values = {
            "status": "unidentifiable",
            "note": str(impossible),
            "endpoint": settings.endpoint,
        }
        return Answer(values=values)
    return Answer(
        values=as_plain(answer.to_dict()),
        tables={"points": answer.points, "unused": answer.unused},
    )


def challenge_analysis(
    rows: pd.DataFrame, settings: Settings, *, workers: int | None = None
) -> Answer:
    """Take the apparent effect apart; where the rows cannot answer, say why."""
    try:
        found = challenge_rows(
            leave_out(rows, settings.without),
            endpoint=settings.endpoint,
            pair=settings.pair,
            plan={**json.loads(settings.sealed or "{}"), **dict(settings.plan)},
            looks=settings.looks,
            draws=settings.draws,
            seed=settings.seed,
            thorough=settings.thorough,
            workers=workers,
        )
    except NotEstimableError as impossible:
        return Answer(values={"status": "unidentifiable", "note": str(impossible)})
    return Answer(values={"status": "ok", **as_plain(found.to_dict())})


def traits_analysis(rows: pd.DataFrame, settings: Settings) -> Answer:
    """Look for what goes along with the disagreement of labs."""
    rows = leave_out(rows, settings.without)
    try:
        timed = rows[rows["endpoint"] == settings.endpoint]
        hot_c, cold_c, _ = choose_pair(timed, settings.pair)
        found = lab_traits(
            rows, endpoint=settings.endpoint, hot_c=hot_c, cold_c=cold_c, seed=settings.seed
        )
    except NotEstimableError as impossible:
        return Answer(values={"status": "unidentifiable", "note": str(impossible)})
    return Answer(values=as_plain(found.to_dict()))


# Name in the results -> analysis, in the order in which they are run.
ANALYSES: dict[str, Analysis] = {
    "pool": pool_analysis,
    "traits": traits_analysis,
    "challenge": challenge_analysis,
}
# Takes minutes, so it runs only when it is asked for; a report shows it where it was.
FALSE_ALARMS = "false_alarms"


def run_false_alarms(
    register: Register,
    settings: Settings,
    *,
    runs: int,
    advantage: float | None,
    workers: int | None = -1,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Count wrong verdicts on simulated registers, and keep the answer for the report.

    Parameters
    ----------
    register : Register
        The data.
    settings : Settings
        What is asked.
    runs, advantage, workers, progress
        As in `metafreeze.false_alarms`.

    Returns
    -------
    dict
        Plain values; where nothing can be simulated, why.
    """
    try:
        found = false_alarms(
            register,
            runs=runs,
            advantage=advantage,
            endpoint=settings.endpoint,
            pair=settings.pair,
            seed=settings.seed,
            workers=workers,
            progress=progress,
        )
    except NotEstimableError as impossible:
        return {"status": "unidentifiable", "note": str(impossible)}
    answer = Answer(values={"status": "ok", **as_plain(found.to_dict())})
    register.cache_put(FALSE_ALARMS, _alarms_key(register, settings), _frozen(answer))
    return answer.values


def as_plain(value: Any) -> Any:
    """Turn results into JSON values: arrays to lists, what is not a number to None."""
    if isinstance(value, Mapping):
        return {str(k): as_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return as_plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def gather(
    register: Register,
    settings: Settings,
    *,
    only: tuple[str, ...] | None = None,
    workers: int | None = None,
) -> Bundle:
    """Run every analysis of a register, taking from its cache what is there.

    Once all are done the journal notes that the answer was seen.

    Parameters
    ----------
    register : Register
        The data.
    settings : Settings
        What is asked.
    only : tuple of str, optional
        Names of the analyses wanted; all by default.
    workers : int, optional
        Processes for what is parallel; what joblib's own configuration says by default. The
        answer does not depend on it.

    Returns
    -------
    Bundle
    """
    rows = register.rows()
    results: dict[str, Any] = {"register": describe_register(register, rows, settings)}
    tables: dict[str, pd.DataFrame] = {}
    for name, analysis in ANALYSES.items():
        if only is not None and name not in only:
            continue
        if analysis is challenge_analysis:
            # The only one with work to share out; its answer does not depend on the sharing.
            analysis = partial(challenge_analysis, workers=workers)
        answer = _cached(register, name, analysis, rows, settings)
        results[name] = answer.values
        tables.update({f"{name}-{key}": frame for key, frame in answer.tables.items()})
    register.note_look(settings.endpoint)
    kept = register.cache_get(FALSE_ALARMS, _alarms_key(register, settings))
    if kept is not None and only is None:
        results[FALSE_ALARMS] = _thawed(kept).values
    if only is None:
        _add_curves(register, rows, results, tables, settings.seed)
    tables["rows"] = rows
    tables["ledger"] = register.ledger().to_frame()
    tables["sources"] = register.sources().to_frame()
    # Without the clock, so that the same register gives the same bytes.
    tables["history"] = register.history().to_frame().drop(columns="recorded_at")
    return Bundle(results=results, tables=tables)


def _add_curves(
    register: Register,
    rows: pd.DataFrame,
    results: dict[str, Any],
    tables: dict[str, pd.DataFrame],
    seed: int,
) -> None:
    """Compare the whole curves of the pair, where the register keeps traces."""
    pair = results["pool"].get("hot_c"), results["pool"].get("cold_c")
    traces = register.traces()
    if not traces or pair[0] is None or pair[1] is None or not pair[0] > pair[1]:
        return
    kept = stored_traces(rows, traces)
    add_whole_curves(results, tables, kept, hot_c=pair[0], cold_c=pair[1], seed=seed)
    if "curves" in results:
        results["curves"] = as_plain(results["curves"])


def describe_register(register: Register, rows: pd.DataFrame, settings: Settings) -> dict[str, Any]:
    """Say what the register holds, in plain values."""
    ledger = register.ledger()
    texts = {
        name: sorted(rows[name].dropna().unique())
        for name in ("vessel_material", "lid", "sink_type")
    }
    numbers = {
        "hottest_c": rows["start_temp_c"].max(),
        "coldest_sink_c": rows["sink_temp_c"].min(),
    }
    plain: dict[str, Any] = as_plain(
        {
            "title": register.title,
            "fingerprint": register.fingerprint,
            "version": metafreeze.__version__,
            "seed": settings.seed,
            "draws": settings.draws,
            "endpoint": settings.endpoint,
            "endpoint_words": ENDPOINT_WORDS[settings.endpoint],
            "invented": register.invented,
            "rows": len(rows),
            "left_out": list(settings.without),
            "files": len(ledger.files),
            "records": sum(ledger.totals.values()),
            "ledger": ledger.totals,
            "vessels": texts["vessel_material"],
            "lids": texts["lid"],
            "sinks": texts["sink_type"],
            **{k: float(v) if pd.notna(v) else None for k, v in numbers.items()},
            "damage": [str(fault) for fault in register.damage],
        }
    )
    return plain


def settings_of(
    register: Register,
    *,
    endpoint: str = "",
    pair: tuple[float, float] | None = None,
    without: tuple[str, ...] = (),
    draws: int = 50,
    seed: int = 1,
    thorough: bool = False,
) -> Settings:
    """Fill in what was not asked for from the register: its endpoint, its planned pair."""
    chosen = choose_endpoint(register.rows(), endpoint or register.primary_endpoint)
    planned = register.plan.get("pair")
    if pair is None and planned is not None:
        pair = (float(planned[0]), float(planned[1]))
    kept = tuple((k, float(register.plan[k])) for k in PLANNED if k in register.plan)
    return Settings(
        endpoint=chosen,
        pair=pair,
        without=without,
        plan=kept,
        sealed=json.dumps(dict(register.plan), sort_keys=True) if SEAL in register.plan else "",
        looks=register.interim_looks(chosen),
        draws=draws,
        seed=seed,
        thorough=thorough,
    )


# What analyses read of the plan beside endpoint and pair.
PLANNED = ("smallest_effect",)


def _alarms_key(register: Register, settings: Settings) -> str:
    # They go through the verdict's own path, which is the same however much is drawn elsewhere.
    return _key(register, replace(settings, thorough=False))


def _key(register: Register, settings: Settings) -> str:
    return json.dumps(
        {
            "data": register.fingerprint,
            "version": metafreeze.__version__,
            "settings": asdict(settings),
        },
        sort_keys=True,
    )


def _cached(
    register: Register, name: str, analysis: Analysis, rows: pd.DataFrame, settings: Settings
) -> Answer:
    key = _key(register, settings)
    kept = register.cache_get(name, key)
    if kept is not None:
        return _thawed(kept)
    answer = analysis(rows, settings)
    register.cache_put(name, key, _frozen(answer))
    return answer


def _frozen(answer: Answer) -> bytes:
    # Parquet keeps infinities and every digit, which JSON would not.
    tables = {
        name: base64.b64encode(frame.to_parquet(index=False)).decode("ascii")
        for name, frame in answer.tables.items()
    }
    return json.dumps({"values": answer.values, "tables": tables}).encode()


def _thawed(kept: bytes) -> Answer:
    content = json.loads(kept)
    tables = {
        name: pd.read_parquet(io.BytesIO(base64.b64decode(table)))
        for name, table in content["tables"].items()
    }
    return Answer(values=content["values"], tables=tables)
