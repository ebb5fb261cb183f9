"""Whole curves against each other: who is ahead at every level, and whether it lasts.

One level on the way is arbitrary, and a lead there may be lost later. So the arms are compared
at all levels at once, and a lead counts only if it holds from some level down to the end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.curves.band import FEWEST_BLOCKS, Band, band_of_arms, band_of_pairs
from metafreeze.curves.crossings import find_crossing
from metafreeze.curves.progress import Level, Progress, times_at_levels, usual_levels
from metafreeze.curves.trace import Floats, prepare_trace
from metafreeze.errors import InputError
from metafreeze.options import CurveArm, CurveLead, CurvePairing, Status, require_choice
from metafreeze.results import RESULT, Result

# So many levels in a row that a gap of the record hides are filled in from both sides.
_MOST_HIDDEN = 3
# A run starts at a temperature if it begins within this of it.
_AT_START_K = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveRun:
    """One trace of one run.

    Parameters
    ----------
    run : str
        Name of the run; several probes of one vessel share it.
    arm : {"hot", "cold"}
        Which of the two starts.
    block : str
        Vessels that cooled together; empty for a run that cooled alone.
    probe : str
        Place of the probe; empty where there is one only.
    time_s, temp_c : float array-like, shape (n,)
        Seconds since insertion, and temperature.
    sink_c : float
        Temperature of the sink, for rate constants; NaN if not known.
    """

    run: str
    arm: CurveArm
    block: str = ""
    probe: str = ""
    time_s: npt.ArrayLike
    temp_c: npt.ArrayLike
    sink_c: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lead:
    """Who is ahead from some level down to the last one.

    Parameters
    ----------
    who : {"hot", "cold", "nobody"}
        The arm whose times are surely shorter from there on.
    from_place : int
        Number of the first such level; -1 for nobody.
    """

    who: CurveLead
    from_place: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProbeCurve:
    """The comparison at one place of the probe.

    Parameters
    ----------
    probe : str
        Which.
    levels : tuple of Level
        Levels that all runs were followed to.
    band : Band
        Log ratio of times, hot over cold, and its simultaneous limits.
    rates : Band
        Log ratio of the rate constants at the same water temperatures (levels of water only).
    residual_log_ratio, residual_low, residual_high : float
        Log ratio of the times from passing `residual_from_c` to the last level.
    residual_from_c : float
        Lowest start of the cold arm.
    lead : Lead
        Who is ahead to the end at this probe.
    reached_end : bool
        Whether all runs were followed until all water was ice.
    runs : tuple of int
        Runs of the hot and of the cold arm.
    shortened_by : tuple of str
        Runs that end the comparison early, at most ten.
    """

    probe: str
    levels: tuple[Level, ...]
    band: Band
    rates: Band
    residual_log_ratio: float
    residual_low: float
    residual_high: float
    residual_from_c: float
    lead: Lead
    reached_end: bool
    runs: tuple[int, int]
    shortened_by: tuple[str, ...]


@dataclass(**RESULT)
class CurveComparison(Result):
    """Whole curves of two arms, at one or several probes.

    Parameters
    ----------
    probes : tuple of ProbeCurve
        One for each place of the probe.
    pairing : {"paired", "unpaired"}
        Whether differences were taken within blocks.
    lead : {"hot", "cold", "nobody"}
        Who is ahead from some level to the end at every probe.
    lead_from : Level or None
        From where on, at the probe where it begins last.
    level : float
        Coverage of each band.
    draws : int
        Resamples of the blocks.
    status : Status
        "ok", or "unidentifiable" where there are too few blocks for a band.
    note : str
        Reason, or what a reader must know.
    """

    probes: tuple[ProbeCurve, ...]
    pairing: CurvePairing
    lead: CurveLead
    lead_from: Level | None
    level: float
    draws: int
    status: Status
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row for each probe and level."""
        rows = []
        for one in self.probes:
            for place, level in enumerate(one.levels):
                rate = [np.nan] * 3
                if level.kind == "water" and place < one.rates.middle.size:
                    rates = one.rates
                    rate = [rates.middle[place], rates.low[place], rates.high[place]]
                band = one.band
                rows.append(
                    (
                        one.probe,
                        level.kind,
                        level.value,
                        band.middle[place],
                        band.se[place],
                        band.low[place],
                        band.high[place],
                        *rate,
                    )
                )
        columns = ["probe", "kind", "level", "log_ratio", "se", "low", "high"]
        columns += ["rate_log_ratio", "rate_low", "rate_high"]
        frame = pd.DataFrame(rows, columns=columns)
        return frame.astype(dict.fromkeys(columns[2:], float))

    def headline(self) -> str:
        """Say who is ahead to the end, in one line."""
        if self.status != "ok":
            return f"whole curves not compared: {self.note}"
        blocks = " and ".join(str(b) for b in self.probes[0].band.blocks)
        if self.lead == "nobody" or self.lead_from is None:
            return f"neither start is surely ahead to the end ({self.pairing}, {blocks} blocks)"
        place = spell_level(self.lead_from)
        return f"{self.lead} start ahead from {place} to the end ({self.pairing}, {blocks} blocks)"


def spell_level(level: Level) -> str:
    """Name a level in words.

    Parameters
    ----------
    level : Level
        Which.

    Returns
    -------
    str
    """
    if level.kind == "share":
        return f"{100 * level.value:.0f} % of the heat of freezing gone"
    return f"{'water' if level.kind == 'water' else 'ice'} at {level.value:g} °C"


def ahead_to_end(low: Floats, high: Floats) -> Lead:
    """Apply the rule: ahead from some level on, down to the last one.

    Parameters
    ----------
    low, high : float array, shape (levels,)
        Simultaneous limits of the log ratio, hot over cold, in order of the levels.

    Returns
    -------
    Lead
    """
    for who, ahead in (("hot", high < 0), ("cold", low > 0)):
        if ahead.size and ahead[-1]:
            behind = np.flatnonzero(~ahead)
            first = int(behind[-1]) + 1 if behind.size else 0
            return Lead(who=who, from_place=first)  # type: ignore[arg-type]
    return Lead(who="nobody", from_place=-1)


def compare_curves(
    runs: Sequence[CurveRun],
    *,
    levels: Sequence[Level] | None = None,
    pairing: CurvePairing = "auto",
    level: float = 0.95,
    draws: int = 2000,
    rng: np.random.Generator | None = None,
    seed: int = 1,
) -> CurveComparison:
    """Compare whole cooling curves of a hot and a cold arm at every level.

    When to use it: traces of both arms, best of vessels that cooled together in blocks. When
    not: with fewer than four blocks an arm there is no band. What it assumes: blocks are
    independent and alike; below 0 °C a vessel freezes evenly at 0 °C.

    Parameters
    ----------
    runs : sequence of CurveRun
        Traces, counted from insertion.
    levels : sequence of Level, optional
        Where to compare; by default from just below the lowest start to ice at -5 °C.
    pairing : {"auto", "paired", "unpaired"}
        Differences within blocks that hold both arms, or between the means of the arms; auto
        pairs where four blocks or more hold both.
    level : float
        Coverage of each band.
    draws : int
        Resamples of the blocks.
    rng : numpy.random.Generator, optional
        Source of chance.
    seed : int
        Used where no `rng` is given.

    Returns
    -------
    CurveComparison

    Raises
    ------
    InputError
        An arm is empty, a run bears two traces of one probe, or a trace cannot be used.

    Notes
    -----
    With several probes each has its own band, and a lead counts only if all show it: the
    intersection of tests needs no further correction (Berger 1982,
    doi:10.1080/00401706.1982.10487790).
    """
    require_choice(pairing, CurvePairing, name="pairing")
    _check(runs)
    source = rng if rng is not None else np.random.default_rng(seed)
    progress: dict[int, Progress] = {}
    if levels is None:
        tops = [float(np.nanmax(np.asarray(r.temp_c, dtype=np.float64)[:5])) for r in runs]
        levels = usual_levels(min(tops) - 0.5)
    for place, run in enumerate(runs):
        progress[place] = times_at_levels(run.time_s, run.temp_c, levels)
    names = sorted({run.probe for run in runs})
    wanted = _pairing(runs, pairing)
    curves = tuple(
        _one_probe(runs, progress, name, tuple(levels), wanted, level, draws, own)
        for name, own in zip(names, source.spawn(len(names)), strict=True)
    )
    return _together(curves, wanted, level, draws)


def _check(runs: Sequence[CurveRun]) -> None:
    seen: set[tuple[str, str]] = set()
    for run in runs:
        require_choice(run.arm, CurveArm, name="arm")
        if (run.run, run.probe) in seen:
            raise InputError(
                f'Run "{run.run}" bears two traces of probe "{run.probe}". Give each trace of a '
                "run its own probe."
            )
        seen.add((run.run, run.probe))
    for arm in ("hot", "cold"):
        if not any(run.arm == arm for run in runs):
            raise InputError(f'No run belongs to the arm "{arm}". Give traces of both arms.')


def _pairing(runs: Sequence[CurveRun], pairing: CurvePairing) -> CurvePairing:
    if pairing != "auto":
        return pairing
    blocks = {run.block for run in runs if run.block}
    full = [b for b in blocks if {r.arm for r in runs if r.block == b} == {"hot", "cold"}]
    return "paired" if len(full) >= FEWEST_BLOCKS else "unpaired"


def _one_probe(
    runs: Sequence[CurveRun],
    progress: dict[int, Progress],
    probe: str,
    levels: tuple[Level, ...],
    pairing: CurvePairing,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> ProbeCurve:
    places = [p for p, run in enumerate(runs) if run.probe == probe]
    if pairing == "paired":
        full = {
            b
            for b in {runs[p].block for p in places if runs[p].block}
            if {runs[p].arm for p in places if runs[p].block == b} == {"hot", "cold"}
        }
        places = [p for p in places if runs[p].block in full]
    times = np.array([_filled(progress[p].time_s) for p in places])
    times = times.reshape(len(places), len(levels))
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.where(times > 0, times, np.nan))
    complete = np.asarray(np.isfinite(logs).all(axis=0)) & bool(places)
    first, last = _stretch(complete)
    kept = slice(first, last + 1)
    used = levels[kept]
    by_arm = _block_means(runs, places, logs[:, kept])
    band = _band(by_arm, pairing, level, draws, rng)
    reached = any(at.kind == "share" and at.value >= 1.0 for at in used)
    water = [i for i, at in enumerate(used) if at.kind == "water"]
    rates = _rates(runs, places, progress, kept, used, len(water), pairing, level, draws, rng)
    lead = ahead_to_end(band.low, band.high) if reached else Lead(who="nobody", from_place=-1)
    from_c, residual = _residual(runs, places, progress, logs[:, last], pairing, level)
    short = [runs[p].run for p, row in zip(places, logs, strict=True) if not np.isfinite(row[-1])]
    return ProbeCurve(
        probe=probe,
        levels=used,
        band=band,
        rates=rates,
        residual_log_ratio=residual[0],
        residual_low=residual[1],
        residual_high=residual[2],
        residual_from_c=from_c,
        lead=lead,
        reached_end=reached,
        runs=(
            sum(runs[p].arm == "hot" for p in places),
            sum(runs[p].arm == "cold" for p in places),
        ),
        shortened_by=tuple(short[:10]),
    )


def _filled(times: Floats) -> Floats:
    """Fill in levels that a gap hides, between levels that were seen."""
    known = np.flatnonzero(np.isfinite(times))
    filled = times.copy()
    for before, after in pairwise(known):
        if 1 < after - before <= _MOST_HIDDEN + 1:
            inner = np.arange(before + 1, after)
            filled[inner] = np.interp(inner, [before, after], times[[before, after]])
    return filled


def _stretch(complete: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Give the first level that all runs have, and the last before one that some lack.

    Where no level is complete, the last lies one before the first.
    """
    first = int(complete.argmax())
    missing = np.flatnonzero(~complete[first:])
    return first, first + int(missing[0]) - 1 if missing.size else complete.size - 1


def _block_means(
    runs: Sequence[CurveRun], places: Sequence[int], values: Floats
) -> dict[str, dict[str, Floats]]:
    """Average the runs of an arm within each block; a run without a block is one."""
    out: dict[str, dict[str, list[Floats]]] = {"hot": {}, "cold": {}}
    for row, place in zip(values, places, strict=True):
        run = runs[place]
        block = f"block {run.block}" if run.block else f"run {run.run}"
        out[run.arm].setdefault(block, []).append(row)
    return {
        arm: {b: np.mean(rows, axis=0) for b, rows in sorted(blocks.items())}
        for arm, blocks in out.items()
    }


def _rows(by_block: dict[str, Floats], width: int) -> Floats:
    return np.array(list(by_block.values()), dtype=np.float64).reshape(len(by_block), width)


def _differences(by_arm: dict[str, dict[str, Floats]], width: int) -> Floats:
    both = [b for b in by_arm["hot"] if b in by_arm["cold"]]
    rows = [by_arm["hot"][b] - by_arm["cold"][b] for b in both]
    return np.array(rows, dtype=np.float64).reshape(len(rows), width)


def _band(
    by_arm: dict[str, dict[str, Floats]],
    pairing: CurvePairing,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> Band:
    some = next(iter([*by_arm["hot"].values(), *by_arm["cold"].values()]), np.empty(0))
    width = int(some.size)
    if pairing == "paired":
        pairs = _differences(by_arm, width)
        if not len(pairs):
            return _no_band((0,), width)
        return band_of_pairs(pairs, level=level, draws=draws, rng=rng)
    hot, cold = _rows(by_arm["hot"], width), _rows(by_arm["cold"], width)
    if not len(hot) or not len(cold):
        return _no_band((len(hot), len(cold)), width)
    return band_of_arms(hot, cold, level=level, draws=draws, rng=rng)


def _no_band(blocks: tuple[int, ...], width: int) -> Band:
    middle, se, low, high = np.full((4, width), np.nan)
    return Band(middle=middle, se=se, low=low, high=high, critical=np.nan, blocks=blocks)


def _rates(
    runs: Sequence[CurveRun],
    places: Sequence[int],
    progress: dict[int, Progress],
    kept: slice,
    used: tuple[Level, ...],
    count: int,
    pairing: CurvePairing,
    level: float,
    draws: int,
    rng: np.random.Generator,
) -> Band:
    """Compare the rate constants k = -(dT/dt)/(T - sink) at the same water temperatures.

    Where a sink is not known for all, the rates themselves are compared: in one sink their
    ratio is that of the constants.
    """
    rates = np.array([progress[p].rate_k_s[kept][:count] for p in places])
    rates = rates.reshape(len(places), count)
    sinks = np.array([runs[p].sink_c for p in places])
    if np.isfinite(sinks).all() and count:
        rates = rates / (np.array([at.value for at in used[:count]]) - sinks[:, np.newaxis])
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.where(rates > 0, rates, np.nan))
    seen = np.isfinite(logs).all(axis=0)
    band = _band(_block_means(runs, places, logs[:, seen]), pairing, level, draws, rng)
    spread = np.full((4, count), np.nan)
    spread[:, seen] = (band.middle, band.se, band.low, band.high)
    middle, se, low, high = spread
    return Band(
        middle=middle, se=se, low=low, high=high, critical=band.critical, blocks=band.blocks
    )


def _residual(
    runs: Sequence[CurveRun],
    places: Sequence[int],
    progress: dict[int, Progress],
    log_end: Floats,
    pairing: CurvePairing,
    level: float,
) -> tuple[float, tuple[float, float, float]]:
    """Compare the times from passing the lowest cold start to the last level."""
    starts = [progress[p].start_c for p in places if runs[p].arm == "cold"]
    if not starts or not np.isfinite(log_end).all():
        return float("nan"), (float("nan"),) * 3
    from_c = min(starts)
    logs = np.full(len(places), np.nan)
    for row, place in enumerate(places):
        passed = 0.0
        if progress[place].start_c > from_c + _AT_START_K:
            trace = prepare_trace(runs[place].time_s, runs[place].temp_c)
            offset = progress[place].events.offset_k
            shift = offset if abs(offset) <= 1.5 else 0.0
            crossing = find_crossing(trace, from_c + shift)
            passed = (crossing.lower_s + crossing.upper_s) / 2 if crossing else float("nan")
        rest = float(np.exp(log_end[row])) - passed
        logs[row] = np.log(rest) if rest > 0 else np.nan
    if not np.isfinite(logs).all():
        return from_c, (float("nan"),) * 3
    by_arm = _block_means(runs, places, logs[:, np.newaxis])
    return from_c, _interval(by_arm, pairing, level)


def _interval(
    by_arm: dict[str, dict[str, Floats]], pairing: CurvePairing, level: float
) -> tuple[float, float, float]:
    """Give a mean difference with Student's or Welch's interval."""
    if pairing == "paired":
        pairs = _differences(by_arm, 1)[:, 0]
        if pairs.size < 2:
            return (float(pairs.mean()) if pairs.size else float("nan"), float("nan"), float("nan"))
        middle, df = float(pairs.mean()), pairs.size - 1.0
        se = float(pairs.std(ddof=1)) / pairs.size**0.5
    else:
        hot, cold = _rows(by_arm["hot"], 1)[:, 0], _rows(by_arm["cold"], 1)[:, 0]
        if not hot.size or not cold.size:
            # A probe by this name was in one arm only.
            return (float("nan"),) * 3
        middle = float(hot.mean() - cold.mean())
        if min(hot.size, cold.size) < 2:
            return middle, float("nan"), float("nan")
        parts = [float(a.var(ddof=1)) / a.size for a in (hot, cold)]
        se = sum(parts) ** 0.5
        weights = sum(v**2 / (a.size - 1) for v, a in zip(parts, (hot, cold), strict=True))
        df = sum(parts) ** 2 / weights if weights > 0 else float(hot.size + cold.size - 2)
    half = float(stats.t.isf((1 - level) / 2, df)) * se
    return middle, middle - half, middle + half


def _together(
    curves: tuple[ProbeCurve, ...], pairing: CurvePairing, level: float, draws: int
) -> CurveComparison:
    status: Status = "ok"
    notes = []
    if any(not np.isfinite(one.band.critical) for one in curves):
        status = "unidentifiable"
        bandless = [one for one in curves if not np.isfinite(one.band.critical)]
        least = min(min(one.band.blocks) if one.levels else 0 for one in bandless)
        notes.append(
            f"a band needs at least {FEWEST_BLOCKS} blocks in each arm that reach one level "
            f"together, and there are {least}"
            if least < FEWEST_BLOCKS
            else "all blocks agree to the last digit, so their spread cannot be judged"
        )
    if not all(one.reached_end for one in curves):
        short = sorted({name for one in curves for name in one.shortened_by})[:10]
        notes.append(
            "no statement on the end: some runs were not followed to it"
            + (f" ({', '.join(short)})" if short else "")
        )
    who = {one.lead.who for one in curves}
    lead: CurveLead = "nobody"
    lead_from: Level | None = None
    if status == "ok" and len(who) == 1 and "nobody" not in who:
        lead = curves[0].lead.who
        lead_from = min(
            (one.levels[one.lead.from_place] for one in curves), key=lambda at: at.enthalpy_kj_kg
        )
    elif len(curves) > 1 and who != {"nobody"}:
        notes.append("the probes do not agree")
    if status == "ok" and min(min(one.band.blocks) for one in curves) < 20:
        notes.append("the band is calibrated from 20 blocks on; with fewer it is approximate")
    return CurveComparison(
        probes=curves,
        pairing=pairing,
        lead=lead,
        lead_from=lead_from,
        level=level,
        draws=draws,
        status=status,
        note="; ".join(notes),
    )
