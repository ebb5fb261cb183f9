"""Pool the effects of studies as they are: one a study, or several that share arms."""

from __future__ import annotations

from metafreeze.analysis.study_effects import StudyEffects
from metafreeze.errors import NotEstimableError
from metafreeze.models.pooled import PooledEffect, pool
from metafreeze.models.three_level import NestedPool, pool_nested
from metafreeze.options import Interval, NewStudy, Spread


def pool_effects(
    effects: StudyEffects,
    *,
    spread: Spread = "restricted-likelihood",
    interval: Interval = "hartung-knapp",
    new_study: NewStudy = "normal",
    level: float = 0.95,
) -> PooledEffect | NestedPool:
    """Pool study effects; several of one study keep together with what they share.

    With one effect a study this is `pool`; otherwise `pool_nested` with the sampling covariance
    of shared cold arms, by restricted likelihood and robust by study whatever `spread`,
    `interval` and `new_study` say. All effects of one study alone are not pooled: `pool` gives
    that study's effect where it is one.

    Parameters
    ----------
    effects : StudyEffects
        From `study_effects`.
    spread, interval, new_study : str
        As in `pool`.
    level : float
        Level of the intervals.

    Returns
    -------
    PooledEffect or NestedPool

    Raises
    ------
    NotEstimableError
        No study gives an effect.
    InputError
        Names of studies differ only in spaces or case, or several effects come from one study.

    Source
    ------
    As `pool` and `pool_nested`.
    """
    if effects.k == 0:
        raise NotEstimableError(
            f"No study gives the effect “{effects.effect}”: {effects.note}. See unused for each "
            "row's reason."
        )
    if len(set(effects.study)) == effects.k:
        return pool(
            effects.estimate,
            effects.variance,
            spread=spread,
            interval=interval,
            study=effects.study,
            new_study=new_study,
            level=level,
        )
    return pool_nested(
        effects.estimate,
        effects.variance,
        effects.study,
        covariance=effects.covariance,
        level=level,
    )
