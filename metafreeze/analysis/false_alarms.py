"""Count how often this analysis would cry "hotter first" on this design by chance."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import metafreeze
from metafreeze.analysis.challenge import challenge_rows, in_schema
from metafreeze.analysis.own_design import OwnDesign, fit_scatter, read_design
from metafreeze.analysis.pooling import choose_endpoint, choose_pair
from metafreeze.errors import InputError, MetafreezeError, NotEstimableError
from metafreeze.options import Endpoint, PhysicsLabel, RawLabel, choices
from metafreeze.planning.simulate import share_limits
from metafreeze.results import RESULT, Result, round_for_people

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register

NAN = float("nan")
NOTHING, ADVANTAGE = "nothing but physics", "true advantage"
RAW, PHYSICS = "hotter first?", "beyond physics?"
ALARM: RawLabel = "hotter first"
BEYOND: PhysicsLabel = "sooner than physics"
FAILED = "failed"
COLUMNS = ("truth", "question", "label", "count", "runs", "share", "low", "high")
# Simulations between two writings of what is done; what a stop can lose at most.
CHUNK = 20
CACHE_NAME = "simulated-verdicts"
DEFAULT_RUNS = 200
DEFAULT_ADVANTAGE = 0.10

Progress = Callable[[int, int], None]


@dataclass(**RESULT)
class FalseAlarms(Result):
    """Verdicts on registers of one's own design whose truth is known.

    Parameters
    ----------
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    runs : int
        Registers simulated under each truth.
    failed, failed_advantage : int
        Those on which no verdict could be computed; counted apart and not in the shares.
    alarms : int
        "hotter first" under nothing but physics.
    alarm_share, alarm_low, alarm_high : float
        Their share, with its 95 % Monte Carlo interval.
    beyond_share, beyond_low, beyond_high : float
        The same for "sooner than physics".
    advantage : float
        The true advantage, as a share: the hotter one took so much less time; NaN if not asked.
    missed : int
        Registers with that advantage that did not get "hotter first".
    missed_share, missed_low, missed_high : float
    run_sd, batch_sd, lab_sd, slope_sd_per_10k : float
        The scatter that was simulated, standard deviations of ln time.
    table : DataFrame
        Every verdict: truth, question, label, count, runs, share, low, high.
    seed : int
    note : str
        What was assumed.
    """

    endpoint: str
    hot_c: float
    cold_c: float
    runs: int
    failed: int
    failed_advantage: int
    alarms: int
    alarm_share: float
    alarm_low: float
    alarm_high: float
    beyond_share: float
    beyond_low: float
    beyond_high: float
    advantage: float
    missed: int
    missed_share: float
    missed_low: float
    missed_high: float
    run_sd: float
    batch_sd: float
    lab_sd: float
    slope_sd_per_10k: float
    table: pd.DataFrame
    seed: int
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give every verdict with its share, one row each."""
        return self.table.copy()

    def to_dict(self) -> dict[str, Any]:
        """Give the result as plain values."""
        plain = {name: getattr(self, name) for name in self.field_names() if name != "table"}
        return {**plain, "table": self.table.to_dict(orient="records")}

    def headline(self) -> str:
        """Say both error rates in one line."""
        words = (
            f'"{ALARM}" by chance in {self.alarms} of {self.runs - self.failed} simulated '
            f"registers ({_percent(self.alarm_low)} to {_percent(self.alarm_high)} %)"
        )
        if np.isnan(self.advantage):
            return words
        return (
            f"{words}; a true advantage of {_percent(self.advantage)} % missed in {self.missed} of "
            f"{self.runs - self.failed_advantage}"
        )


def _percent(share: float) -> str:
    return round_for_people(100.0 * share, digits=2)


def false_alarms(
    source: Register | pd.DataFrame,
    *,
    runs: int = DEFAULT_RUNS,
    advantage: float | None = DEFAULT_ADVANTAGE,
    endpoint: str = "",
    pair: Sequence[float] | None = None,
    seed: int = 1,
    workers: int | None = -1,
    progress: Progress | None = None,
) -> FalseAlarms:
    """Simulate this very design with a known truth and count the wrong verdicts.

    When to use it: before a verdict is defended. The register's own rows (who cooled what,
    with what, how often it was looked at) get new times, from physics and from the scatter
    that the register itself shows, and go through the same verdict. What it assumes: scatter
    is normal on the log scale, and what no row says (a cause nobody recorded) is not there.

    Parameters
    ----------
    source : Register or DataFrame
        A register, or rows of the schema. A register keeps what is done, so that a second
        call goes on from there and gives the same numbers.
    runs : int
        Registers to simulate under each truth.
    advantage : float or None
        True advantage under which missed verdicts are counted: 0.1 where the hotter one of the
        pair truly takes 10 % less time. None asks for false alarms only.
    endpoint : str
        The register's own by default.
    pair : pair of float, optional
        Hot and cold start temperature, °C; the plan's, or the ends of what was tried.
    seed : int
        Seed of all randomness; every simulation has its own stream.
    workers : int or None
        Processes, as joblib counts them; -1 for all cores, None for what its configuration says
        (``joblib.parallel_config``, also for a cluster).
    progress : callable, optional
        Is told how many are done, and of how many.

    Returns
    -------
    FalseAlarms

    Raises
    ------
    InputError
        `runs` is below one, or `advantage` no share between zero and one.
    NotEstimableError
        Nothing can be simulated; the message says what is missing.

    Source
    ------
    Monte Carlo intervals: Clopper & Pearson (1934), Biometrika 26:404-413,
    doi:10.1093/biomet/26.4.404. The verdict: `metafreeze.challenge` with ``depth="verdict"``.
    """
    if runs < 1:
        raise InputError(f"runs is {runs!r}. Give at least one.")
    if advantage is not None and not 0.0 < advantage < 1.0:
        raise InputError(
            f"advantage is {advantage!r}. Give a share between 0 and 1 (0.1: the hotter one takes "
            "10 % less time), or None."
        )
    rows, plan, primary, keep = _read(source)
    chosen = choose_endpoint(rows, endpoint or primary)
    own = rows[rows["endpoint"].eq(chosen).to_numpy(dtype=bool, na_value=False)]
    if own.empty:
        raise NotEstimableError(f"No row has the endpoint {chosen}.")
    hot, cold, _ = choose_pair(own, pair if pair is not None else plan.get("pair"))
    design = _own_design(rows, chosen, hot, cold, seed)
    judge = Judge(design=design, plan=plan, endpoint=chosen, hot_c=hot, cold_c=cold, seed=seed)
    truths: dict[str, float | None] = {NOTHING: None}
    if advantage is not None:
        truths[ADVANTAGE] = 1.0 - advantage
    verdicts = _run_all(judge, truths, runs, workers, keep, progress)
    return _count(judge, verdicts, runs, advantage)


Kept = dict[int, tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judge:
    """Simulates one register and challenges it."""

    design: OwnDesign
    plan: Mapping[str, Any]
    endpoint: Endpoint
    hot_c: float
    cold_c: float
    seed: int

    def __call__(self, number: int, ratio: float | None) -> tuple[str, str]:
        """Give the two labels; both say "failed" where no verdict could be computed."""
        stream = 0 if ratio is None else 1
        rng = np.random.default_rng([self.seed, stream, number])
        rows = self.design.simulate(number, rng, ratio=ratio)
        try:
            found = challenge_rows(
                rows,
                depth="verdict",
                endpoint=self.endpoint,
                pair=(self.hot_c, self.cold_c),
                plan=self.plan,
                seed=self.seed,
            )
        except MetafreezeError:
            # It is counted: a register on which the analysis fails gets no verdict.
            return FAILED, FAILED
        raw = found.verdict.raw
        unfit = raw.rule == 0 and found.ladder.rungs[-1].status == "failed"
        return (FAILED if unfit else raw.label), found.verdict.physics.label


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Keeper:
    """Keeps the verdicts of finished simulations in a register's cache."""

    register: Register | None

    def _key(self, judge: Judge, ratio: float | None) -> str:
        register = self.register
        return json.dumps(
            {
                "data": register.fingerprint if register is not None else "",
                "version": metafreeze.__version__,
                "plan": {k: str(v) for k, v in judge.plan.items()},
                "endpoint": judge.endpoint,
                "pair": [judge.hot_c, judge.cold_c],
                "seed": judge.seed,
                "ratio": ratio,
            },
            sort_keys=True,
        )

    def get(self, judge: Judge, ratio: float | None) -> Kept:
        """Give what was finished before."""
        if self.register is None:
            return {}
        kept = self.register.cache_get(CACHE_NAME, self._key(judge, ratio))
        if kept is None:
            return {}
        return {int(number): (raw, physics) for number, raw, physics in json.loads(kept)}

    def put(self, judge: Judge, ratio: float | None, done: Kept) -> None:
        """Write down what is finished."""
        if self.register is not None:
            lines = [[number, *labels] for number, labels in sorted(done.items())]
            key = self._key(judge, ratio)
            self.register.cache_put(CACHE_NAME, key, json.dumps(lines).encode())


def _read(source: Register | pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any], str, Keeper]:
    if isinstance(source, pd.DataFrame):
        return in_schema(source), {}, "", Keeper(register=None)
    plan = dict(source.plan)
    return source.rows(), plan, source.primary_endpoint, Keeper(register=source)


def _own_design(
    rows: pd.DataFrame, endpoint: Endpoint, hot: float, cold: float, seed: int
) -> OwnDesign:
    """Fit the register's own scatter around what physics expects, then read its design."""
    fit = fit_scatter(rows, endpoint, hot, cold, seed=seed)
    return read_design(rows, fit, endpoint=endpoint, hot_c=hot, cold_c=cold, seed=seed)


def _run_all(
    judge: Judge,
    truths: Mapping[str, float | None],
    runs: int,
    workers: int | None,
    keep: Keeper,
    progress: Progress | None,
) -> dict[str, Kept]:
    """Run what is not there yet, truth by truth, writing down every chunk."""
    from joblib import Parallel, delayed

    done = {truth: keep.get(judge, ratio) for truth, ratio in truths.items()}
    total = runs * len(truths)
    with Parallel(n_jobs=workers) as parallel:
        for truth, ratio in truths.items():
            missing = [n for n in range(runs) if n not in done[truth]]
            for chunk in _chunks(missing):
                found = parallel(delayed(judge)(number, ratio) for number in chunk)
                done[truth].update(zip(chunk, found, strict=True))
                keep.put(judge, ratio, done[truth])
                if progress is not None:
                    progress(sum(sum(n < runs for n in d) for d in done.values()), total)
    return {t: {n: v for n, v in kept.items() if n < runs} for t, kept in done.items()}


def _chunks(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    for begin in range(0, len(numbers), CHUNK):
        yield numbers[begin : begin + CHUNK]


def _count(
    judge: Judge, verdicts: Mapping[str, Kept], runs: int, advantage: float | None
) -> FalseAlarms:
    lines = []
    for truth, kept in verdicts.items():
        for place, question, labels in (
            (0, RAW, choices(RawLabel)),
            (1, PHYSICS, choices(PhysicsLabel)),
        ):
            seen = [labels_[place] for labels_ in kept.values()]
            fine = sum(s != FAILED for s in seen)
            for label in labels:
                hits = seen.count(label)
                share = hits / fine if fine else NAN
                lines.append((truth, question, label, hits, fine, share, *share_limits(hits, fine)))
    table = pd.DataFrame(lines, columns=list(COLUMNS))

    def share_of(truth: str, question: str, label: str) -> tuple[int, float, float, float]:
        own = table[
            (table["truth"] == truth) & (table["question"] == question) & (table["label"] == label)
        ]
        if own.empty:
            return 0, NAN, NAN, NAN
        line = own.iloc[0]
        return int(line["count"]), float(line["share"]), float(line["low"]), float(line["high"])

    alarms, *alarm = share_of(NOTHING, RAW, ALARM)
    _, *beyond = share_of(NOTHING, PHYSICS, BEYOND)
    failed = sum(raw == FAILED for raw, _ in verdicts[NOTHING].values())
    without = sum(raw == FAILED for raw, _ in verdicts.get(ADVANTAGE, {}).values())
    found, share, low, high = share_of(ADVANTAGE, RAW, ALARM)
    scatter = judge.design.scatter
    return FalseAlarms(
        endpoint=judge.endpoint,
        hot_c=judge.hot_c,
        cold_c=judge.cold_c,
        runs=runs,
        failed=failed,
        failed_advantage=without,
        alarms=alarms,
        alarm_share=alarm[0],
        alarm_low=alarm[1],
        alarm_high=alarm[2],
        beyond_share=beyond[0],
        beyond_low=beyond[1],
        beyond_high=beyond[2],
        advantage=NAN if advantage is None else advantage,
        missed=0 if advantage is None else runs - without - found,
        missed_share=1.0 - share,
        missed_low=1.0 - high,
        missed_high=1.0 - low,
        run_sd=scatter.run_sd,
        batch_sd=scatter.batch_sd,
        lab_sd=scatter.lab_sd,
        slope_sd_per_10k=scatter.slope_sd_per_10k,
        table=table,
        seed=judge.seed,
        note=judge.design.note,
    )
