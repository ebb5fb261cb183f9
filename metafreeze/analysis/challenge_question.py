"""The total effect as a function of the rows and of what is adjusted for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.analysis.baseline_times import baselines
from metafreeze.analysis.challenge_points import block_names, looks_as_events
from metafreeze.analysis.excess import ExcessSlope, excess_of_fit
from metafreeze.analysis.expected import prepare
from metafreeze.analysis.expected_pair import pair_at_centre
from metafreeze.analysis.mixed_fits import MixedRowsFit, fit_mixed
from metafreeze.analysis.mixed_rows import WITHIN
from metafreeze.analysis.pooling import (
    KELVIN_PER_UNIT,
    VESSEL_FIELDS,
    with_typical_vessels,
)
from metafreeze.models.mixed_result import MixedFit
from metafreeze.options import Endpoint
from metafreeze.results import BoolArray, FloatArray
from metafreeze.scrutiny.verdict import Effect, wider

NAN = float("nan")
# Design covariates that may differ between vessels cooled together; the others are the same
# for all rows of a batch and cannot change a comparison inside it.
WITHIN_BATCH_DESIGN = (
    "base_support",
    "frost_before_mm",
    "side_insulation",
    "lid",
    "vessel_material",
    "water_mass_start_g",
    "probe_height_frac",
    "insertion_order",
)
# A covariate that is missing for more rows than this would change the sample, not the answer.
MOST_MISSING = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Physics:
    """What ordinary physics expects of the rows.

    Parameters
    ----------
    typical : array, shape (rows,)
        ln of the expected time had every row its study's most common vessel: the bend of
        physics with start temperature, and nothing that went along with starting hot.
    own : array, shape (rows,)
        ln of the expected time of the row's own vessel.
    draws, shared_draws : array, shape (D, rows)
        The same for each draw of the parameters, and with only those drawn that all studies
        share.
    at_pair : float
        Expected log ratio at the pair.
    known : bool
        Whether physics has an answer for any row; otherwise all of this is zero.
    """

    typical: FloatArray
    own: FloatArray
    draws: FloatArray
    shared_draws: FloatArray
    at_pair: float
    known: bool


def ask_physics(
    rows: pd.DataFrame, *, endpoint: Endpoint, hot_c: float, cold_c: float, draws: int, seed: int
) -> Physics:
    """Ask physics once for everything that a challenge reads of it.

    Parameters
    ----------
    rows : DataFrame
        Rows of one endpoint.
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    draws, seed : int
        Draws of uncertain physics, and their seed.

    Returns
    -------
    Physics

    Source
    ------
    See `expected_times` and `expected_effect`.
    """
    ready = prepare(rows, endpoint=endpoint, draws=draws, seed=seed)
    centre = baselines(ready.parameters, ready.question, ready.central).outcome[0]
    alike = with_typical_vessels(rows)
    if alike[list(VESSEL_FIELDS)].equals(rows[list(VESSEL_FIELDS)]):
        typical, at_pair = centre, pair_at_centre(ready, hot_c=hot_c, cold_c=cold_c)
    else:
        plain = prepare(alike, endpoint=endpoint, draws=draws, seed=seed)
        typical = baselines(plain.parameters, plain.question, plain.central).outcome[0]
        at_pair = pair_at_centre(plain, hot_c=hot_c, cold_c=cold_c)
    if not (np.isfinite(typical).any() and np.isfinite(at_pair)):
        none = np.zeros(len(rows))
        nothing = np.full((2, len(rows)), NAN)
        return Physics(
            typical=none, own=none, draws=nothing, shared_draws=nothing, at_pair=0.0, known=False
        )
    drawn, shared = (
        baselines(ready.parameters, ready.question, scores).outcome
        for scores in (ready.scores, ready.shared)
    )
    return Physics(
        typical=typical,
        own=centre,
        draws=np.where(np.isnan(drawn), centre, drawn),
        shared_draws=np.where(np.isnan(shared), centre, shared),
        at_pair=at_pair,
        known=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """The effect at the pair, asked of rows under a choice of what is alike.

    Parameters
    ----------
    rows : DataFrame
        Rows of one endpoint, as they were written down.
    bounded : DataFrame
        The same rows with provoked ice as a lower bound.
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    physics : Physics
    design : tuple of str
        Design covariates adjusted for in the total effect.
    """

    rows: pd.DataFrame
    bounded: pd.DataFrame
    endpoint: Endpoint
    hot_c: float
    cold_c: float
    physics: Physics
    design: tuple[str, ...]
    _seen: dict[tuple[object, ...], MixedRowsFit] = field(default_factory=dict)

    @property
    def units(self) -> float:
        """The pair's distance in 10 K."""
        return (self.hot_c - self.cold_c) / KELVIN_PER_UNIT

    @property
    def all_seen(self) -> bool:
        """Whether every row says when it ended, so that looks are events anyway."""
        run = self.bounded["record_level"].eq("run").to_numpy(dtype=bool, na_value=False)
        exact = self.bounded["time_lower_s"].eq(self.bounded["time_upper_s"])
        return bool(exact.to_numpy(dtype=bool, na_value=False)[run].all())

    def fit(
        self,
        *,
        design: Sequence[str] = (),
        keep: BoolArray | None = None,
        as_events: bool = False,
        own_vessels: bool = False,
    ) -> MixedRowsFit:
        """Fit on some rows, with times not seen exactly modelled or taken at the look.

        Parameters
        ----------
        design : sequence of str
            Design covariates.
        keep : array of bool, shape (rows,), optional
            Rows to fit.
        as_events : bool
            Take each look for the event.
        own_vessels : bool
            Set each row against physics of its own vessel rather than its study's typical one.

        Returns
        -------
        MixedRowsFit
        """
        as_events = as_events and not self.all_seen
        same = self.physics.own is self.physics.typical
        key = (
            tuple(design),
            None if keep is None or keep.all() else keep.tobytes(),
            as_events,
            own_vessels and not same,
        )
        if key not in self._seen:
            self._seen[key] = self._fit(design, keep, as_events, own_vessels)
        return self._seen[key]

    def _fit(
        self, design: Sequence[str], keep: BoolArray | None, as_events: bool, own_vessels: bool
    ) -> MixedRowsFit:
        rows = self.rows if as_events else self.bounded
        curve = self.physics.own if own_vessels else self.physics.typical
        if keep is not None:
            rows, curve = rows[keep].reset_index(drop=True), curve[keep]
        if as_events:
            rows, seen = looks_as_events(rows)
            curve = curve[seen]
        return fit_mixed(
            rows,
            endpoint=self.endpoint,
            design=design,
            offset=curve,
            unseen="leave-out" if as_events else "model",
            second_engine=False,
            slope_only=True,
        )

    def total(self) -> MixedRowsFit:
        """Fit the total effect: like with like, every row with what it says."""
        return self.fit(design=self.design)

    def effect(self, fit: MixedRowsFit) -> Effect:
        """Move a fit's slope to the pair, with the wider of its intervals."""
        return effect_at_pair(fit, units=self.units, shift=self.physics.at_pair)

    def excess(self) -> tuple[ExcessSlope, Effect]:
        """Give what is beyond physics, and the wider of its intervals at the pair."""
        fit = self.fit(design=self.design, own_vessels=True)
        found = excess_of_fit(
            fit,
            self.physics.draws,
            self.physics.shared_draws,
            pair=(self.cold_c, self.hot_c),
        )
        forms = [
            _limits(0.0, self.units, found.slope_per_10k, found.slope_se, found.slope_df),
        ]
        if isinstance(fit.model, MixedFit) and WITHIN in fit.model.robust.index:
            robust = fit.model.robust.loc[WITHIN].to_dict()
            within, between = float(robust["se"]) ** 2, found.se_baseline**2
            inner = within**2 / float(robust["df"]) + between**2 / (found.draws - 1)
            total = within + between
            df = total**2 / inner if inner > 0 else np.inf
            forms.append(_limits(0.0, self.units, found.slope_per_10k, float(np.sqrt(total)), df))
        return found, wider(forms)


def effect_at_pair(fit: MixedRowsFit, *, units: float, shift: float) -> Effect:
    """Move a fit's slope to a pair, with the wider of its intervals.

    Parameters
    ----------
    fit : MixedRowsFit
    units : float
        The pair's distance in 10 K.
    shift : float
        What the fit's offset gives at the pair.

    Returns
    -------
    Effect
    """
    forms = [
        _limits(shift, units, fit.slope_per_10k, fit.slope_se, fit.slope_df),
        Effect(
            estimate=shift + units * fit.slope_per_10k,
            low=shift + units * fit.slope_low,
            high=shift + units * fit.slope_high,
        ),
    ]
    forms[1] = replace(forms[1], low90=forms[0].low90, high90=forms[0].high90)
    if isinstance(fit.model, MixedFit) and WITHIN in fit.model.robust.index:
        robust = fit.model.robust.loc[WITHIN].to_dict()
        forms.append(
            _limits(shift, units, fit.slope_per_10k, float(robust["se"]), float(robust["df"]))
        )
    return wider(forms)


def _limits(shift: float, units: float, slope: float, se: float, df: float) -> Effect:
    estimate = shift + units * slope
    half95, half90 = (float(stats.t.isf(tail, df)) * units * se for tail in (0.025, 0.05))
    return Effect(
        estimate=estimate,
        low=estimate - half95,
        high=estimate + half95,
        low90=estimate - half90,
        high90=estimate + half90,
    )


def choose_design(rows: pd.DataFrame) -> tuple[str, ...]:
    """Name the design covariates that vary within batches and are known for most rows.

    Parameters
    ----------
    rows : DataFrame
        Rows of one endpoint.

    Returns
    -------
    tuple of str
        In the fixed order of `WITHIN_BATCH_DESIGN`.
    """
    block = block_names(rows)
    chosen = []
    for name in WITHIN_BATCH_DESIGN:
        if float(rows[name].isna().mean()) > MOST_MISSING:
            continue
        if int((rows[name].groupby(block).nunique() > 1).sum()) > 0:
            chosen.append(name)
    return tuple(chosen)
