"""Several effects per study: effects within studies, studies among each other.

True effects differ between studies (variance tau²_b) and within a study (tau²_w), and
sampling errors may be correlated where effects share a group. The interval is robust to a
wrong variance model by study.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import linalg, optimize, stats

from metafreeze.errors import InputError
from metafreeze.models.cluster_robust import robust_covariance
from metafreeze.models.heterogeneity import require_level
from metafreeze.models.pool_input import Numbers, check_effects
from metafreeze.models.pooled import two_sided_p
from metafreeze.models.tau2 import power_of_two_scale
from metafreeze.results import RESULT, FloatArray, IntArray, Result, round_for_people

# Below this Satterthwaite df a robust interval is not to be trusted (Tipton 2015).
TRUSTED_DF = 4.0
# A variance this small against the sampling variances counts as zero.
AT_ZERO = 1e-9
# A robust error this small against the plain one is rounding.
NO_SCATTER = 1e-9
NAN = float("nan")


@dataclass(**RESULT)
class NestedPool(Result):
    """Pooled effect of several effects per study.

    Parameters
    ----------
    estimate, se, df, low, high, p : float
        Pooled effect with its robust interval (bias-reduced, Satterthwaite df).
    se_model, low_model, high_model, p_model : float
        The same from the variance model, t on studies minus one.
    prediction_low, prediction_high : float
        Range for one true effect in a new study.
    tau2_between, tau2_within : float
        Variance between studies, and between effects of a study.
    q : float
        Weighted sum of squares with sampling errors only.
    q_df : int
        Effects minus one.
    weights : array, shape (m,)
        Share of each effect; sums to 1.
    study : tuple of str, length m
        Study of each effect.
    k, k_studies : int
        Effects and studies.
    level : float
        Level of the intervals.
    status, note : str
        As in `pool`.
    reasons : dict
        Name of a missing number to why it is missing.
    """

    estimate: float
    se: float
    df: float
    low: float
    high: float
    p: float
    se_model: float
    low_model: float
    high_model: float
    p_model: float
    prediction_low: float
    prediction_high: float
    tau2_between: float
    tau2_within: float
    q: float
    q_df: int
    weights: FloatArray
    study: tuple[str, ...]
    k: int
    k_studies: int
    level: float
    status: str
    note: str
    reasons: dict[str, str] = field(default_factory=dict)

    def to_frame(self) -> pd.DataFrame:
        """Give pooled effect (robust and by model), new study and variances, one row each."""
        why = self.reasons.get
        model_df = float(self.k_studies - 1)
        rows = [
            ("pooled effect", self.estimate, self.se, self.df, self.low, self.high, self.p, ""),
            (
                "pooled effect, by model",
                self.estimate,
                self.se_model,
                model_df,
                self.low_model,
                self.high_model,
                self.p_model,
                "",
            ),
            (
                "new study",
                self.estimate,
                NAN,
                NAN,
                self.prediction_low,
                self.prediction_high,
                NAN,
                why("prediction", ""),
            ),
            ("tau2 between", self.tau2_between, NAN, NAN, NAN, NAN, NAN, why("between", "")),
            ("tau2 within", self.tau2_within, NAN, NAN, NAN, NAN, NAN, why("within", "")),
            ("Q", self.q, NAN, float(self.q_df), NAN, NAN, NAN, ""),
        ]
        columns = ["quantity", "estimate", "se", "df", "low", "high", "p", "reason"]
        return pd.DataFrame(rows, columns=columns)

    def headline(self) -> str:
        """Say the result in one line."""
        return (
            f"pooled effect {round_for_people(self.estimate)} ({100 * self.level:g} % "
            f"{round_for_people(self.low)} to {round_for_people(self.high)}), {self.k} effects of "
            f"{self.k_studies} studies; effects within studies, robust by study; {self.status}"
        )


def pool_nested(
    estimate: Numbers,
    variance: Numbers,
    study: Sequence[Hashable] | npt.ArrayLike,
    *,
    covariance: npt.ArrayLike | pd.DataFrame | None = None,
    level: float = 0.95,
) -> NestedPool:
    """Pool several effects per study by restricted likelihood.

    Parameters
    ----------
    estimate, variance : array or Series, shape (m,)
        Effects and sampling variances above zero.
    study : sequence, shape (m,)
        Study of each effect; repeats.
    covariance : array, shape (m, m), optional
        Sampling covariance; zero between studies.
    level : float
        Level of the intervals.

    Returns
    -------
    NestedPool

    Raises
    ------
    InputError
        As `pool`; or there is only one study; or sampling errors of two studies are correlated.

    Source
    ------
    Konstantopoulos (2011), Res. Synth. Methods 2:61, doi:10.1002/jrsm.35 (model); Pustejovsky &
    Tipton (2018), J. Bus. Econ. Stat. 36:672, doi:10.1080/07350015.2016.1247004 (robust).
    """
    require_level(level)
    effects = check_effects(
        estimate, variance, study=study, covariance=covariance, several_per_study=True
    )
    names, member = np.unique(np.array(effects.study), return_inverse=True)
    studies, m = names.size, effects.estimate.size
    if studies < 2:
        raise InputError(
            f"All {m} effects come from one study, {names[0]}. How much studies disagree needs "
            "two; report the effects of this study side by side."
        )
    y, v, scale = power_of_two_scale(effects.estimate, effects.variance)
    whole = np.diag(v) if effects.covariance is None else effects.covariance / scale / scale
    if np.any(np.abs(whole[member[:, np.newaxis] != member]) > 0):
        raise InputError("covariance links effects of two studies. Give zero between studies.")
    blocks = [np.flatnonzero(member == j) for j in range(studies)]
    model: _Model | _PlainModel
    if effects.covariance is None:
        model = _PlainModel(y=y, v=v, member=member.astype(np.int64), studies=studies)
    else:
        model = _Model(y=y, blocks=[(at, whole[np.ix_(at, at)]) for at in blocks])
    sizes = np.array([at.size for at in blocks])
    single = bool((sizes == 1).all())
    theta = _fit(model, np.array([True, not single]), float(np.median(v)))
    return _described(model, theta, effects.study, scale, level, single, studies)


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlainModel:
    """Independent sampling errors: each study's covariance is a diagonal plus a constant.

    With d = 1/(v + theta_w), S its sum over a study and c = 1/(1 + theta_b S), the inverse is
    ``diag(d) - theta_b c d d'`` (Sherman & Morrison 1950), so everything is a sum by study.
    """

    y: FloatArray
    v: FloatArray
    member: IntArray
    studies: int

    def _sum(self, values: FloatArray) -> FloatArray:
        sums: FloatArray = np.bincount(self.member, weights=values, minlength=self.studies).astype(
            np.float64
        )
        return sums

    def products(self, theta: FloatArray) -> tuple[FloatArray, float]:
        """Give [1 y]' V^-1 [1 y] by study, and ln |V|."""
        d = 1.0 / (self.v + theta[1])
        s, sy = self._sum(d), self._sum(d * self.y)
        c = 1.0 / (1.0 + theta[0] * s)
        out = np.empty((self.studies, 2, 2))
        out[:, 0, 0] = c * s
        out[:, 0, 1] = out[:, 1, 0] = c * sy
        out[:, 1, 1] = self._sum(d * self.y**2) - theta[0] * c * sy**2
        return out, float(-np.log(d).sum() - np.log(c).sum())

    def criterion(self, theta: FloatArray) -> tuple[float, FloatArray]:
        """Give -2 restricted log likelihood up to a constant, and its gradient."""
        d = 1.0 / (self.v + theta[1])
        s = self._sum(d)
        c = 1.0 / (1.0 + theta[0] * s)
        ones = d * c[self.member]
        info = float(ones.sum())
        r = self.y - float(ones @ self.y) / info
        u = d * (r - theta[0] * (c * self._sum(d * r))[self.member])
        squares = self._sum(d * d)
        value = float(-np.log(d).sum() - np.log(c).sum() + np.log(info) + r @ u)
        by_study = c * s
        gradient = np.array(
            [
                float(by_study.sum() - by_study @ by_study / info - np.sum(self._sum(u) ** 2)),
                float(d.sum() - theta[0] * (c @ squares) - ones @ ones / info - u @ u),
            ]
        )
        return value, gradient

    def weights(self, theta: FloatArray) -> FloatArray:
        """Give what one unit of each effect adds to the pooled effect, up to a factor."""
        d = 1.0 / (self.v + theta[1])
        weights: FloatArray = d / (1.0 + theta[0] * self._sum(d))[self.member]
        return weights


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    y: FloatArray
    blocks: list[tuple[npt.NDArray[np.intp], FloatArray]]

    def products(self, theta: FloatArray) -> tuple[FloatArray, float]:
        """Give [1 y]' V^-1 [1 y] by study, and ln |V|."""
        out, log_det = np.empty((len(self.blocks), 2, 2)), 0.0
        for j, (at, sampling) in enumerate(self.blocks):
            total = sampling + theta[0] + theta[1] * np.eye(at.size)
            factor = np.linalg.cholesky(total)
            both = np.column_stack([np.ones(at.size), self.y[at]])
            half = np.linalg.solve(factor, both)
            out[j] = half.T @ half
            log_det += 2.0 * float(np.log(np.diag(factor)).sum())
        return out, log_det

    def criterion(self, theta: FloatArray) -> tuple[float, FloatArray]:
        """Give -2 restricted log likelihood up to a constant, and its gradient."""
        products, log_det = self.products(theta)
        total = products.sum(axis=0)
        mean = total[0, 1] / total[0, 0]
        squares, trace_between, trace_within = 0.0, 0.0, 0.0
        fixed_between, fixed_within, fit_between, fit_within = 0.0, 0.0, 0.0, 0.0
        for at, sampling in self.blocks:
            one = np.eye(at.size)
            factor = linalg.cho_factor(sampling + theta[0] + theta[1] * one, lower=True)
            inverse = linalg.cho_solve(factor, one)
            ones = inverse.sum(axis=1)
            r = self.y[at] - mean
            u = inverse @ r
            squares += float(r @ u)
            trace_between += float(ones.sum())
            trace_within += float(np.trace(inverse))
            fixed_between += float(ones.sum() ** 2)
            fixed_within += float(ones @ ones)
            fit_between += float(u.sum() ** 2)
            fit_within += float(u @ u)
        value = log_det + float(np.log(total[0, 0])) + squares
        gradient = np.array(
            [
                trace_between - fixed_between / total[0, 0] - fit_between,
                trace_within - fixed_within / total[0, 0] - fit_within,
            ]
        )
        return value, gradient

    def weights(self, theta: FloatArray) -> FloatArray:
        """Give what one unit of each effect adds to the pooled effect, up to a factor."""
        weights = np.empty(self.y.size)
        for at, sampling in self.blocks:
            total = sampling + theta[0] + theta[1] * np.eye(at.size)
            weights[at] = np.linalg.solve(total, np.ones(at.size))
        return weights


def _fit(model: _Model | _PlainModel, free: npt.NDArray[np.bool_], unit: float) -> FloatArray:
    """Minimise over variances from zero upwards, from several starts; keep the best."""
    spread = max(float(np.var(model.y)), unit)
    starts = [np.array(s) for s in ((0.0, 0.0), (0.3, 0.3), (1.0, 0.0), (0.0, 1.0))]
    best, lowest = np.zeros(2), np.inf
    for start in starts:
        begin = np.where(free, spread * start, 0.0)
        bounds = [(0.0, None) if f else (0.0, 0.0) for f in free]
        found = optimize.minimize(
            model.criterion,
            begin,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 500},
        )
        theta = _polish(model, np.asarray(found.x, dtype=np.float64), free, unit)
        value = model.criterion(theta)[0]
        if value < lowest - 1e-12 * abs(lowest) or not np.isfinite(lowest):
            best, lowest = theta, value
    return best


def _polish(
    model: _Model | _PlainModel, theta: FloatArray, free: npt.NDArray[np.bool_], unit: float
) -> FloatArray:
    """Newton steps on the variances that are off zero, with a Hessian by differences."""
    theta = np.where(theta < AT_ZERO * unit, 0.0, theta)
    inner = np.flatnonzero(free & (theta > 0))
    if inner.size == 0:
        return theta
    for _ in range(5):
        value, gradient = model.criterion(theta)
        hessian = np.empty((inner.size, inner.size))
        for c, i in enumerate(inner):
            step = 1e-5 * theta[i]
            ahead, behind = theta.copy(), theta.copy()
            ahead[i] += step
            behind[i] -= step
            difference = model.criterion(ahead)[1] - model.criterion(behind)[1]
            hessian[:, c] = difference[inner] / (2 * step)
        hessian = 0.5 * (hessian + hessian.T)
        if np.linalg.eigvalsh(hessian)[0] <= 0:
            break
        trial = theta.copy()
        trial[inner] -= np.linalg.solve(hessian, gradient[inner])
        if trial.min() < 0 or model.criterion(trial)[0] > value + 1e-12 * abs(value):
            break
        settled = np.all(np.abs(trial - theta) <= 1e-13 * trial)
        theta = trial
        if settled:
            break
    return theta


def _described(
    model: _Model | _PlainModel,
    theta: FloatArray,
    study: tuple[str, ...],
    scale: float,
    level: float,
    single: bool,
    studies: int,
) -> NestedPool:
    products, _ = model.products(theta)
    total = products.sum(axis=0)
    mean = float(total[0, 1] / total[0, 0])
    plain = float(total[0, 0] ** -0.5)
    robust = robust_covariance(products, np.array([mean]), np.ones((1, 1)), kind="bias-reduced")
    se, df = float(robust.se[0]), float(robust.df[0])
    notes, reasons = [], {}
    if se <= NO_SCATTER * plain:
        se, df = plain, float(studies - 1)
        notes.append(
            "all studies report the same effect, so their scatter gives no interval; the one of "
            "the variance model stands instead"
        )
    tail = (1 - level) / 2
    half, half_model = stats.t.isf(tail, df) * se, stats.t.isf(tail, studies - 1) * plain
    sampling, _ = model.products(np.zeros(2))
    base = sampling.sum(axis=0)
    weights = model.weights(theta)
    if df < TRUSTED_DF:
        notes.append(
            f"the robust interval rests on {df:.1f} degrees of freedom and is not to be trusted "
            "under 4"
        )
    if single:
        notes.append("every study gives one effect, so spread within studies cannot be told apart")
        reasons["within"] = "every study gives one effect"
    boundary = theta[0] == 0 or (theta[1] == 0 and not single)
    if boundary:
        notes.append(
            "a variance was estimated at zero, which does not show that studies or effects agree"
        )
    if studies > 2:
        reach = stats.t.isf(tail, studies - 2) * np.sqrt(theta.sum() + max(se, plain) ** 2)
        prediction = (mean - float(reach), mean + float(reach))
    else:
        prediction = (NAN, NAN)
        reasons["prediction"] = "a range for a new study needs at least three studies"
    return NestedPool(
        estimate=mean * scale,
        se=se * scale,
        df=df,
        low=(mean - half) * scale,
        high=(mean + half) * scale,
        p=two_sided_p(mean, se, df),
        se_model=plain * scale,
        low_model=(mean - half_model) * scale,
        high_model=(mean + half_model) * scale,
        p_model=two_sided_p(mean, plain, studies - 1),
        prediction_low=prediction[0] * scale,
        prediction_high=prediction[1] * scale,
        tau2_between=float(theta[0]) * scale**2,
        tau2_within=NAN if single else float(theta[1]) * scale**2,
        q=float(base[1, 1] - base[0, 1] ** 2 / base[0, 0]),
        q_df=model.y.size - 1,
        weights=weights / weights.sum(),
        study=study,
        k=model.y.size,
        k_studies=studies,
        level=level,
        status="boundary" if boundary else "ok",
        note="; ".join(notes),
        reasons=reasons,
    )
