"""Do study characteristics explain the disagreement? A permutation test.

With few studies the t reference of a moderator can mislead. Permuting which study has
which characteristics keeps every effect with its variance and asks how often chance alone
gives as large a statistic.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from metafreeze.errors import InputError
from metafreeze.models.pool_input import Moderators, Numbers, check_effects
from metafreeze.models.pooled import design_problem, pool
from metafreeze.models.tau2 import power_of_two_scale
from metafreeze.models.tau2_batch import batch_tau2, weighted_batch
from metafreeze.options import Spread, require_choice
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

FEWEST_DRAWS = 99
# Statistics of two permutations that are equal in exact arithmetic differ by rounding.
TIE = 1e-9
# Permutations handled at once: some megabytes of working arrays.
AT_ONCE = 512


@dataclass(**RESULT)
class ModeratorTest(Result):
    """Moderators with t and permutation p-values.

    Parameters
    ----------
    coefficients : DataFrame
        One row a moderator: term, estimate, se, df, t, p, p_permuted, p_error (Monte Carlo
        standard error of p_permuted, zero where all permutations were tried).
    f, f_df, f_df_residual, f_p, f_p_permuted : float
        Joint test of all moderators.
    r2 : float
        Percent of the between-study variance that they explain.
    draws : int
        Permutations behind the p-values.
    exact : bool
        Whether these are all permutations.
    seed : int
        Seed of the draws.
    k : int
        Number of studies.
    status, note : str
        As in `pool`.
    """

    coefficients: pd.DataFrame
    f: float
    f_df: int
    f_df_residual: int
    f_p: float
    f_p_permuted: float
    r2: float
    draws: int
    exact: bool
    seed: int
    k: int
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a moderator."""
        return self.coefficients.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        kind = "all" if self.exact else "drawn"
        return (
            f"{len(self.coefficients)} moderators in {self.k} studies explain "
            f"{round_for_people(self.r2)} % of the disagreement; permutation p "
            f"{round_for_people(self.f_p_permuted)} ({self.draws} {kind}); {self.status}"
        )


def permute_moderators(
    estimate: Numbers,
    variance: Numbers,
    moderators: Moderators,
    *,
    spread: Spread = "restricted-likelihood",
    study: Sequence[Hashable] | npt.ArrayLike | None = None,
    draws: int = 999,
    seed: int = 1,
) -> ModeratorTest:
    """Test moderators by permuting them over studies.

    The statistic is the t of Knapp and Hartung, or their F for all moderators together. When
    no more than `draws` + 1 orders exist, all are tried and the p-value is exact.

    Parameters
    ----------
    estimate, variance : array or Series, shape (k,)
        Effects and sampling variances.
    moderators : array, Series, DataFrame or mapping
        One row a study.
    spread : str
        Rule for the variance between studies, applied anew to every permutation.
    study : sequence, optional
        Study labels.
    draws : int
        Random permutations, at least 99.
    seed : int
        Seed of the draws.

    Returns
    -------
    ModeratorTest

    Raises
    ------
    InputError
        As `pool`; or too few draws.

    Source
    ------
    Higgins & Thompson (2004), Stat. Med. 23:1663, doi:10.1002/sim.1752; p = (1 + b)/(1 + B):
    Phipson & Smyth (2010), doi:10.2202/1544-6115.1585.
    """
    require_choice(spread, Spread, name="spread")
    if draws < FEWEST_DRAWS:
        raise InputError(f"draws is {draws!r}. Give at least {FEWEST_DRAWS}: p cannot be finer.")
    effects = check_effects(estimate, variance, moderators=moderators, study=study)
    problem = design_problem(effects)
    fit = pool(estimate, variance, spread=spread, moderators=moderators, study=study)
    k, q = effects.moderators.shape
    if problem or q == 0:
        return _untested(effects.moderator_names, k, seed, problem or "no moderators are given")
    y, v, _ = power_of_two_scale(effects.estimate, effects.variance)
    z = effects.moderators - effects.moderators.mean(axis=0)
    z /= np.sqrt((z**2).mean(axis=0))
    orders, exact = _orders(k, draws, np.random.default_rng(seed))
    observed_t, observed_f = _statistics(y, v, z[np.newaxis], spread)
    beyond_t, beyond_f = np.zeros(q), 0
    for start in range(0, len(orders), AT_ONCE):
        t, f = _statistics(y, v, z[orders[start : start + AT_ONCE]], spread)
        beyond_t += (np.abs(t) >= np.abs(observed_t[0]) * (1 - TIE)).sum(axis=0)
        beyond_f += int((f >= observed_f[0] * (1 - TIE)).sum())
    b = len(orders)
    p_t = beyond_t / b if exact else (1 + beyond_t) / (1 + b)
    p_f = beyond_f / b if exact else (1 + beyond_f) / (1 + b)
    table = fit.coefficients.iloc[1:].reset_index(drop=True)
    free = k - q - 1
    coefficients = pd.DataFrame(
        {
            "term": table["term"],
            "estimate": table["estimate"],
            "se": table["se"],
            "df": table["df"],
            "t": table["estimate"] / table["se"],
            "p": table["p"],
            "p_permuted": p_t,
            "p_error": np.zeros(q) if exact else np.sqrt(p_t * (1 - p_t) / b),
        }
    )
    note = fit.note
    if exact and 1 / b > 0.05:
        few = f"with {k} studies no permutation p can fall below {1 / b:.3g}"
        note = f"{note}; {few}" if note else few
    return ModeratorTest(
        coefficients=coefficients,
        f=float(observed_f[0]),
        f_df=q,
        f_df_residual=free,
        f_p=float(stats.f.sf(observed_f[0], q, free)),
        f_p_permuted=float(p_f),
        r2=fit.r2,
        draws=b,
        exact=exact,
        seed=seed,
        k=k,
        status=fit.status,
        note=note,
    )


def _orders(k: int, draws: int, rng: np.random.Generator) -> tuple[npt.NDArray[np.int64], bool]:
    # 170! is the largest factorial a float holds; 20 is far beyond any number of draws.
    if k <= 20 and math.factorial(k) <= draws + 1:
        return np.array(list(permutations(range(k))), dtype=np.int64), True
    return rng.permuted(np.tile(np.arange(k), (draws, 1)), axis=1), False


def _statistics(
    y: FloatArray, v: FloatArray, z: FloatArray, spread: str
) -> tuple[FloatArray, FloatArray]:
    """Give the t of every moderator (b, q) and the joint F (b,) for designs z (b, k, q)."""
    b, k, q = z.shape
    x = np.concatenate([np.ones((b, k, 1)), z], axis=2)
    tau2 = batch_tau2(y, v, x, spread=spread)
    beta, covariance, squares = weighted_batch(y, v, x, tau2)
    scale = squares / (k - q - 1)
    # Effects that lie on the surface leave no residual: infinitely large statistics, alike.
    scale = np.maximum(scale, np.finfo(np.float64).tiny)
    own = covariance[:, 1:, 1:]
    slope = beta[:, 1:]
    t = slope / np.sqrt(scale[:, np.newaxis] * np.einsum("bqq->bq", own))
    inner = np.linalg.solve(own, slope[:, :, np.newaxis])[:, :, 0]
    f = np.einsum("bq,bq->b", slope, inner) / (q * scale)
    return t, f


def _untested(names: tuple[str, ...], k: int, seed: int, problem: str) -> ModeratorTest:
    nan = float("nan")
    columns = ["estimate", "se", "df", "t", "p", "p_permuted", "p_error"]
    table = pd.DataFrame({"term": list(names)} | {c: np.full(len(names), nan) for c in columns})
    return ModeratorTest(
        coefficients=table,
        f=nan,
        f_df=len(names),
        f_df_residual=max(0, k - len(names) - 1),
        f_p=nan,
        f_p_permuted=nan,
        r2=nan,
        draws=0,
        exact=False,
        seed=seed,
        k=k,
        status="unidentifiable",
        note=problem,
    )
