"""How many runs settle it: power and precision of trials to come, from a register or assumed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metafreeze.analysis.challenge import in_schema
from metafreeze.analysis.mixed_fits import MixedRowsFit
from metafreeze.analysis.own_design import fit_scatter, scatter_of
from metafreeze.analysis.pooling import choose_endpoint, choose_pair
from metafreeze.errors import InputError, NotEstimableError
from metafreeze.options import Endpoint, PlanReason, Status
from metafreeze.planning.power import (
    FEWEST_LABS,
    TrialDesign,
    batches_needed,
    effect_power,
    equivalence_power,
    half_width,
    labs_needed,
    new_lab_half_width,
    new_lab_power,
    noticeable_effect,
    noticed_errors,
)
from metafreeze.planning.simulate import Scatter
from metafreeze.planning.simulated_power import QUESTIONS, simulate_power
from metafreeze.planning.usual_scatter import usual_scatter
from metafreeze.results import RESULT, Result, round_for_people

if TYPE_CHECKING:
    from metafreeze.register.folder.store import Register

NAN = float("nan")
DEFAULT_PAIR = (80.0, 20.0)
DEFAULT_SMALLEST = 0.05
DEFAULT_POWER = 0.8
STATED, MEASURED, USUAL = "stated", "these runs", "common practice"
AXES = ("vessels", "batches", "labs")
# Beside the design itself, along each axis.
FACTORS = {"vessels": (0.5, 2, 4), "batches": (0.5, 2, 4)}
LABS = (1, 3, 6, 12)
# Simulations of the lines beside the design, as a share of its own.
SHARE_BESIDE = 0.4

TABLE_COLUMNS = (
    "along",
    "vessels",
    "batches",
    "labs",
    "runs",
    "noticeable",
    "noticeable_closed",
    "half_width",
    "new_lab_half_width",
    *(
        f"{question}_{what}"
        for question in ("effect", "equivalence", "new_lab")
        for what in ("closed", "simulated", "low", "high")
    ),
    "simulations",
    "failed",
)


@dataclass(**RESULT)
class TrialPlan(Result):
    """What trials to come would show.

    Effects are shares of time that the hotter one takes less: 0.05 is 5 % less.

    Parameters
    ----------
    vessels, batches, labs : int
        The design: vessels that cool together, batches of a lab, labs.
    hot_c, cold_c : float
        The pair, °C.
    endpoint : str
        Empty where none was named.
    wanted_power : float
        Power at which an effect counts as noticeable.
    effect : float
        The true effect that power is given for.
    smallest_effect : float
        Smallest effect of interest; the bound of equivalence.
    noticeable : float
        Smallest effect that would be noticed with the wanted power: in closed form with one or
        two labs, by simulation with more, where the fit is more careful than the closed form.
    together : float
        The same with the register's own runs beside; NaN without a register.
    batches_needed, labs_needed : float
        For `effect` with the wanted power, all else as in the design; NaN where there is no
        such number, `reason` says why.
    reason : str
        Empty, "wrong side" (the effect has the hotter one later), "not with this many labs", or
        "not with this many batches".
    equivalence_reason : str
        Empty, or why equivalence cannot be shown.
    run_sd, batch_sd, slope_sd_per_10k : float
        Scatter that was assumed, standard deviations of ln time.
    between_sd : float
        Of the effect between labs at the pair, log ratio.
    scatter_from : str
        "these runs", "common practice" or "stated".
    existing_runs, existing_labs : int
        What the register holds.
    table : DataFrame
        One line a design: the one asked for first, then along vessels, batches and labs;
        closed forms beside simulation, fits that failed counted apart.
    seed : int
    status, note : str
    """

    vessels: int
    batches: int
    labs: int
    hot_c: float
    cold_c: float
    endpoint: str
    wanted_power: float
    effect: float
    smallest_effect: float
    noticeable: float
    together: float
    batches_needed: float
    labs_needed: float
    reason: PlanReason
    equivalence_reason: str
    run_sd: float
    batch_sd: float
    slope_sd_per_10k: float
    between_sd: float
    scatter_from: str
    existing_runs: int
    existing_labs: int
    table: pd.DataFrame
    seed: int
    status: Status
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one line a design."""
        return self.table.copy()

    def to_dict(self) -> dict[str, Any]:
        """Give the result as plain values."""
        plain = {name: getattr(self, name) for name in self.field_names() if name != "table"}
        return {**plain, "table": self.table.to_dict(orient="records")}

    def headline(self) -> str:
        """Say what would be noticed in one line."""
        design = f"{self.vessels} vessels in {self.batches} batches, labs: {self.labs}"
        if np.isnan(self.noticeable):
            return f"{design}: {self.note}"
        return (
            f"{design}: noticeable from {round_for_people(100 * self.noticeable)} % "
            f"(power {self.wanted_power:g})"
        )


def plan_trials(
    source: Register | pd.DataFrame | None = None,
    *,
    vessels: int = 6,
    batches: int = 5,
    labs: int = 1,
    endpoint: str = "",
    pair: Sequence[float] | None = None,
    effect: float | None = None,
    smallest_effect: float | None = None,
    power: float = DEFAULT_POWER,
    run_sd: float | None = None,
    between_labs_sd: float | None = None,
    simulations: int = 1000,
    seed: int = 1,
) -> TrialPlan:
    """Say what trials to come would notice, and how many of them it takes.

    When to use it: before the first run, and before more runs. What it assumes: half of each
    batch starts hot and half cold; scatter is normal on the log scale and as large as stated,
    as measured, or as usual.

    Parameters
    ----------
    source : Register or DataFrame, optional
        Trials there are: their scatter is taken, and what they and the new ones would notice
        together is said.
    vessels, batches, labs : int
        The design: vessels that cool together, batches of a lab, labs. With a register these
        are further batches, and with more than one lab further labs.
    endpoint : str
        The register's own by default; without either, scatter of a full freezing is assumed.
    pair : pair of float, optional
        Hot and cold start temperature, °C; the plan's, or the ends of what was tried, or 80 and
        20.
    effect : float, optional
        True effect that power is given for: 0.1 where the hotter one takes 10 % less time, below
        zero where it takes more. The smallest effect of interest by default.
    smallest_effect : float, optional
        Smallest effect of interest; the plan's, or 0.05.
    power : float
        Power wanted.
    run_sd, between_labs_sd : float, optional
        Stated scatter: of runs started alike, and of the effect at the pair between labs;
        standard deviations of ln time (0.05 is 5 %).
    simulations, seed : int
        Of the design itself; lines beside it get two fifths, each its own seed.

    Returns
    -------
    TrialPlan

    Raises
    ------
    InputError
        A number out of its range; the message names it.

    Source
    ------
    Closed forms: `metafreeze.planning.power`. Simulation:
    `metafreeze.planning.simulated_power`.
    """
    for name, value in (("effect", effect), ("smallest_effect", smallest_effect)):
        if value is not None and not -1.0 < value < 1.0:
            raise InputError(f"{name} is {value!r}. Give a share such as 0.05.")
    if smallest_effect is not None and not smallest_effect > 0.0:
        raise InputError(f"smallest_effect is {smallest_effect!r}. Give a share above zero.")
    known = _what_is_known(source, endpoint, pair)
    design = TrialDesign(
        vessels=vessels, batches=batches, labs=labs, hot_c=known.hot_c, cold_c=known.cold_c
    )
    scatter, origin = _scatter(known, design, run_sd, between_labs_sd)
    planned = float(known.plan.get("smallest_effect", DEFAULT_SMALLEST))
    smallest = planned if smallest_effect is None else smallest_effect
    truth = smallest if effect is None else effect
    log_ratio = float(np.log1p(-truth))
    bound = float(np.log1p(smallest))
    ask = _Ask(scatter=scatter, log_ratio=log_ratio, bound=bound, power=power)
    lines = _table(ask, design, simulations, seed)
    n_batches, n_labs, reason = _needed(design, scatter, log_ratio, power)
    enough = design.df >= 1
    return TrialPlan(
        vessels=vessels,
        batches=batches,
        labs=labs,
        hot_c=design.hot_c,
        cold_c=design.cold_c,
        endpoint=known.endpoint,
        wanted_power=power,
        effect=truth,
        smallest_effect=smallest,
        noticeable=float(lines["noticeable"].iloc[0]),
        together=_together(known, design, scatter, power),
        batches_needed=n_batches,
        labs_needed=n_labs,
        reason=reason,
        equivalence_reason="" if enough else TOO_FEW,
        run_sd=scatter.run_sd,
        batch_sd=scatter.batch_sd,
        slope_sd_per_10k=scatter.slope_sd_per_10k,
        between_sd=design.units * scatter.slope_sd_per_10k,
        scatter_from=origin,
        existing_runs=known.runs,
        existing_labs=known.labs,
        table=lines,
        seed=seed,
        status="ok" if enough else "unidentifiable",
        note=known.note if enough else TOO_FEW,
    )


TOO_FEW = "One batch of two vessels shows no scatter, and so nothing can be said from it."


def _less_time(log_ratio: float) -> float:
    """Turn the size of a log ratio into the share of time saved."""
    return float(-np.expm1(-log_ratio))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """What a register says, or nothing."""

    plan: dict[str, Any]
    endpoint: str
    hot_c: float
    cold_c: float
    fit: MixedRowsFit | None
    runs: int
    labs: int
    note: str


def _what_is_known(
    source: Register | pd.DataFrame | None, endpoint: str, pair: Sequence[float] | None
) -> Known:
    if source is None:
        hot, cold = (max(pair), min(pair)) if pair is not None else DEFAULT_PAIR
        return Known(
            plan={}, endpoint=endpoint, hot_c=float(hot), cold_c=float(cold), fit=None, runs=0,
            labs=0, note="",
        )  # fmt: skip
    if isinstance(source, pd.DataFrame):
        rows, plan, primary = in_schema(source), {}, ""
    else:
        rows, plan, primary = source.rows(), dict(source.plan), source.primary_endpoint
    planned = plan.get("pair") if pair is None else pair
    if rows.empty:
        hot, cold = (max(planned), min(planned)) if planned is not None else DEFAULT_PAIR
        return Known(
            plan=plan, endpoint=endpoint or primary, hot_c=float(hot), cold_c=float(cold),
            fit=None, runs=0, labs=0, note="",
        )  # fmt: skip
    chosen: Endpoint = choose_endpoint(rows, endpoint or primary)
    own = rows[rows["endpoint"].eq(chosen).to_numpy(dtype=bool, na_value=False)]
    hot, cold, _ = choose_pair(own, planned)
    try:
        fit = fit_scatter(rows, chosen, hot, cold, seed=1)
    except (InputError, NotEstimableError) as cannot:
        # A plan for more runs is wanted most where the runs there are say little.
        return Known(
            plan=plan, endpoint=chosen, hot_c=hot, cold_c=cold, fit=None, runs=0, labs=0,
            note=f"The runs there are do not say how they scatter: {cannot}",
        )  # fmt: skip
    return Known(
        plan=plan,
        endpoint=chosen,
        hot_c=hot,
        cold_c=cold,
        fit=fit,
        runs=round(fit.runs_used),
        labs=fit.studies,
        note="",
    )


def _scatter(
    known: Known, design: TrialDesign, run_sd: float | None, between: float | None
) -> tuple[Scatter, str]:
    usual = usual_scatter(known.endpoint)
    scatter, origin = usual, USUAL
    if known.fit is not None:
        found, why = scatter_of(known.fit)
        if not why:
            # One lab cannot show how labs disagree, nor rows without batches how batches do.
            slope = found.slope_sd_per_10k if known.labs >= FEWEST_LABS else usual.slope_sd_per_10k
            scatter, origin = replace(found, slope_sd_per_10k=slope), MEASURED
    if run_sd is not None:
        scatter, origin = replace(scatter, run_sd=run_sd), STATED
    if between is not None:
        scatter = replace(scatter, slope_sd_per_10k=between / design.units)
        origin = STATED
    return scatter, origin


def _needed(
    design: TrialDesign, scatter: Scatter, log_ratio: float, power: float
) -> tuple[float, float, PlanReason]:
    """Count batches, and labs; NaN with a reason where there is no such number."""
    if log_ratio >= 0.0:
        return NAN, NAN, "wrong side"
    labs = labs_needed(design, scatter, log_ratio, power=power)
    labs = labs if np.isfinite(labs) else NAN
    batches = batches_needed(design, scatter, log_ratio, power=power)
    if np.isfinite(batches):
        return batches, labs, ""
    return NAN, labs, "not with this many labs" if design.labs > 1 else "not with this many batches"


def _together(known: Known, design: TrialDesign, scatter: Scatter, power: float) -> float:
    """Give what the runs there are and the new ones would notice together."""
    fit = known.fit
    if fit is None or not (np.isfinite(fit.slope_se) and fit.slope_se > 0.0):
        return NAN
    before = 1.0 / (design.units * fit.slope_se) ** 2
    inside = scatter.run_sd**2 / design.information
    if known.labs == 1 and design.labs == 1:
        # The same freezer goes on.
        info = before + 1.0 / inside
        df = fit.slope_df + design.batches * (design.vessels - 1)
    else:
        tau = design.units * scatter.slope_sd_per_10k
        info = before + design.labs / (tau**2 + inside)
        df = known.labs + design.labs - 1.0
    if not (np.isfinite(df) and df > 0):
        return NAN
    return _less_time(noticed_errors(df, power=power) / float(np.sqrt(info)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ask:
    """What every line of the table is asked."""

    scatter: Scatter
    log_ratio: float
    bound: float
    power: float

    def line(self, along: str, design: TrialDesign, simulations: int, seed: int) -> dict[str, Any]:
        """Ask one design, in closed form and by simulation."""
        scatter, right = self.scatter, self.log_ratio < 0.0
        least = noticeable_effect(design, scatter, power=self.power)
        closed = {
            "effect": effect_power(design, scatter, self.log_ratio) if right else NAN,
            "equivalence": equivalence_power(design, scatter, 0.0, bound=self.bound),
            "new lab": new_lab_power(design, scatter, self.log_ratio) if right else NAN,
        }
        run = None
        if design.df >= 1 and scatter.run_sd > 0.0:
            run = simulate_power(
                design,
                scatter,
                self.log_ratio,
                bound=self.bound,
                power=self.power,
                simulations=simulations,
                seed=seed,
            )
        seen = least if run is None or design.labs < FEWEST_LABS else run.noticeable
        line: dict[str, Any] = {
            "along": along,
            "vessels": design.vessels,
            "batches": design.batches,
            "labs": design.labs,
            "runs": design.vessels * design.batches * design.labs,
            "noticeable": _less_time(seen),
            "noticeable_closed": _less_time(least),
            "half_width": half_width(design, scatter),
            "new_lab_half_width": new_lab_half_width(design, scatter),
            "simulations": 0 if run is None else simulations,
            "failed": 0 if run is None else run.failed,
        }
        for question in QUESTIONS:
            name = question.replace(" ", "_")
            line[f"{name}_closed"] = closed[question]
            asked = right or question == "equivalence"
            found = (NAN, NAN, NAN) if run is None or not asked else run.power(question)
            for what, value in zip(("simulated", "low", "high"), found, strict=True):
                line[f"{name}_{what}"] = value
        return line


def _table(ask: _Ask, design: TrialDesign, simulations: int, seed: int) -> pd.DataFrame:
    lines = [ask.line("design", design, simulations, seed)]
    beside = max(1, round(SHARE_BESIDE * simulations))
    for axis in AXES:
        now = getattr(design, axis)
        least = 2 if axis == "vessels" else 1
        steps = LABS if axis == "labs" else [max(least, round(now * f)) for f in FACTORS[axis]]
        for value in sorted({*steps} - {now}):
            other = replace(design, **{axis: int(value)})
            lines.append(ask.line(axis, other, beside, seed + len(lines)))
    return pd.DataFrame(lines, columns=list(TABLE_COLUMNS))
