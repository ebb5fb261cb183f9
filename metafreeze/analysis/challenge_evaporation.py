"""The path through evaporation: the loss that start temperature and vessel bring about.

Mass lost by the end of a run is partly caused by how long the run took, so the weights of the
vessels are never used. Physics of the same vessels, with and without evaporation, is.
"""

from __future__ import annotations

import math

import numpy as np

from metafreeze.analysis.baseline_times import Question as Asked
from metafreeze.analysis.baseline_times import baselines
from metafreeze.analysis.challenge_question import Question
from metafreeze.analysis.expected import prepare
from metafreeze.analysis.mixed_fits import MixedRowsFit
from metafreeze.analysis.run_parameters import RunParameters, Scores
from metafreeze.results import FloatArray, IntArray
from metafreeze.scrutiny.mediation import Mediation, no_mediation

THROUGH = "evaporation"
ASKED = "How much of the effect goes through evaporation, as start temperature and vessel give it?"
# Rows of one study whose vessels stand for all of it.
MOST_VESSELS = 12
LEAST_EFFECT = 0.005


def through_evaporation(
    question: Question, total: MixedRowsFit, *, draws: int, seed: int
) -> Mediation:
    """Split the effect into what evaporation takes off and the rest, by physics of the vessels.

    What it assumes: the vessels of `metafreeze.physics`, and that evaporation acts as physics
    says; nothing in the rows is regressed on. The path is the expected log ratio of the pair
    less the one with evaporation switched off and everything else as it was fitted.

    Parameters
    ----------
    question : Question
    total : MixedRowsFit
        The fit of the total effect.
    draws, seed : int
        Draws of uncertain physics, and their seed.

    Returns
    -------
    Mediation

    Source
    ------
    As `metafreeze.analysis.expected.expected_times`; the path as a contrast of expected outcomes
    with the consequence switched off: Robins & Greenland (1992), Epidemiology 3:143-155.
    """
    if not question.physics.known:
        return no_mediation(THROUGH, "physics expects nothing of these rows", asked=ASKED)
    ready = prepare(question.bounded, endpoint=question.endpoint, draws=draws, seed=seed)
    dry = prepare(
        question.bounded,
        endpoint=question.endpoint,
        draws=draws,
        seed=seed,
        evaporation=False,
        fit_cold_arm=False,
    )
    at = _some_vessels(ready.parameters.study)
    hot, cold = (
        ready.question.part(at).at_starts(start, residual_from_c=question.cold_c)
        for start in (question.hot_c, question.cold_c)
    )
    central, drawn = (
        _study_mean(
            _pair(ready.parameters.part(at), hot, cold, scores)
            - _pair(dry.parameters.part(at), hot, cold, scores),
            ready.parameters.study[at],
        )
        for scores in (ready.central, ready.scores)
    )
    path = float(central[0])
    if not math.isfinite(path):
        return no_mediation(THROUGH, "physics expects nothing of this pair", asked=ASKED)
    low, high = (float(v) for v in np.nanquantile(drawn, [0.025, 0.975]))
    effect = question.effect(total)
    rest = effect.estimate - path
    # Total and path are uncertain for reasons of their own, so squares of half widths add up.
    below = math.hypot(effect.estimate - effect.low, high - path)
    above = math.hypot(effect.high - effect.estimate, path - low)
    clear = effect.low * effect.high > 0
    share = path / effect.estimate if clear and path * rest > 0 < path * effect.estimate else np.nan
    percent = 100 * math.expm1(path)
    found = (
        "hardly any of it, since these vessels lose too little."
        if abs(path) < LEAST_EFFECT
        else f"it alone makes the hotter one {abs(percent):.0f} % "
        f"{'sooner' if path < 0 else 'later'}; without it the effect would be "
        f"{100 * math.expm1(rest):+.0f} %."
    )
    return Mediation(
        through=THROUGH,
        total=effect.estimate,
        total_low=effect.low,
        total_high=effect.high,
        direct=rest,
        direct_low=rest - below,
        direct_high=rest + above,
        indirect=path,
        indirect_low=low,
        indirect_high=high,
        share=float(share),
        rows=total.rows_used,
        blocks=total.batches,
        asked=ASKED,
        found=found,
    )


def _pair(parameters: RunParameters, hot: Asked, cold: Asked, scores: Scores) -> FloatArray:
    return baselines(parameters, hot, scores).outcome - baselines(parameters, cold, scores).outcome


def _some_vessels(study: IntArray) -> IntArray:
    chosen = []
    for s in np.unique(study):
        rows = np.flatnonzero(study == s)
        chosen.append(rows[:: max(1, -(-rows.size // MOST_VESSELS))])
    return np.concatenate(chosen)


def _study_mean(values: FloatArray, study: IntArray) -> FloatArray:
    """Mean over studies of each study's mean, of those that have one."""
    means = []
    for s in np.unique(study):
        own = values[:, study == s]
        there = np.isfinite(own)
        count = there.sum(axis=1)
        sums = np.where(there, own, 0.0).sum(axis=1)
        means.append(np.where(count > 0, sums / np.maximum(count, 1), np.nan))
    table = np.array(means)
    known = np.isfinite(table)
    mean: FloatArray = np.where(
        known.any(axis=0),
        np.where(known, table, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1),
        np.nan,
    )
    return mean
