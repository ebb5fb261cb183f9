"""How much of an effect goes through one of its consequences.

The total effect is split by two regressions: of the consequence on start temperature, and of
time on both. The split takes for granted that nothing unseen drives the consequence and the
time together, which no experiment with start temperatures alone can rule out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from metafreeze.errors import InputError
from metafreeze.results import RESULT, FloatArray, Result, round_for_people

NAN = float("nan")
COLUMNS = ("path", "estimate", "se", "low", "high")
FEWEST_BLOCKS = 5
DRAWS = 999
# Nodes of the quadrature over the first of two normals, and how far out it goes.
NODES, REACH = 400, 9.0


@dataclass(**RESULT)
class Mediation(Result):
    """Total effect, and its parts past and through a consequence.

    Parameters
    ----------
    through : str
        The consequence.
    total, direct, indirect : float
        Log ratios at the pair.
    total_low, total_high, direct_low, direct_high, indirect_low, indirect_high : float
        Their 95 % intervals, by drawing batches anew.
    share : float
        Share of the total that goes through; NaN where total and parts differ in sign or the
        total's interval holds zero.
    rows, blocks : int
    asked, found : str
        One sentence each.
    status, note : str
    """

    through: str
    total: float
    total_low: float
    total_high: float
    direct: float
    direct_low: float
    direct_high: float
    indirect: float
    indirect_low: float
    indirect_high: float
    share: float
    rows: int
    blocks: int
    asked: str
    found: str
    status: str = "ok"
    note: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give one row a path."""
        return pd.DataFrame(
            [
                (
                    name,
                    getattr(self, name),
                    NAN,
                    getattr(self, f"{name}_low"),
                    getattr(self, f"{name}_high"),
                )
                for name in ("total", "direct", "indirect")
            ],
            columns=list(COLUMNS),
        )

    def headline(self) -> str:
        """Say the split in one line."""
        if self.status != "ok":
            return f"through {self.through}: does not apply, {self.note}"
        return (
            f"through {self.through}: {round_for_people(self.indirect)} of "
            f"{round_for_people(self.total)} in {self.blocks} batches"
        )


@dataclass(**RESULT)
class Paths(Result):
    """The coefficients of the two regressions.

    Parameters
    ----------
    a, a_se : float
        Consequence on treatment.
    b, b_se : float
        Outcome on consequence, treatment held.
    total, total_se, direct, direct_se : float
        Outcome on treatment, without and with the consequence held.
    b_alone, b_alone_se : float
        Outcome on consequence alone.
    """

    a: float
    a_se: float
    b: float
    b_se: float
    total: float
    total_se: float
    direct: float
    direct_se: float
    b_alone: float
    b_alone_se: float

    @property
    def indirect(self) -> float:
        """Product of the two paths."""
        return self.a * self.b

    def to_frame(self) -> pd.DataFrame:
        """Give one row a path."""
        names = ("a", "b", "total", "direct", "b_alone")
        return pd.DataFrame(
            [(n, getattr(self, n), getattr(self, f"{n}_se"), NAN, NAN) for n in names],
            columns=list(COLUMNS),
        )

    def headline(self) -> str:
        """Say the split in one line."""
        return f"indirect {round_for_people(self.indirect)} of {round_for_people(self.total)}"


def fit_paths(
    x: npt.ArrayLike, m: npt.ArrayLike, y: npt.ArrayLike, block: npt.ArrayLike | None = None
) -> Paths:
    """Regress the consequence on the treatment and the outcome on both, within blocks.

    Parameters
    ----------
    x, m, y : array, shape (n,)
        Treatment, consequence, outcome.
    block : array, shape (n,), optional
        Groups within which to compare.

    Returns
    -------
    Paths

    Raises
    ------
    InputError
        The consequence follows from the treatment exactly, or one of them does not vary.

    Source
    ------
    MacKinnon, Fairchild & Fritz (2007), Annu. Rev. Psychol. 58:593-614, equations 1-3.
    """
    label = np.zeros(np.size(x), dtype=np.intp)
    if block is not None:
        label = np.unique(np.asarray(block), return_inverse=True)[1]
    centred = [_centre(np.asarray(v, dtype=float), label) for v in (x, m, y)]
    levels = int(label.max()) + 1
    treatment, consequence, outcome = centred
    first = _regress(np.column_stack([treatment]), consequence, levels)
    both = _regress(np.column_stack([treatment, consequence]), outcome, levels)
    total = _regress(np.column_stack([treatment]), outcome, levels)
    alone = _regress(np.column_stack([consequence]), outcome, levels)
    return Paths(
        a=first[0][0],
        a_se=first[1][0],
        b=both[0][1],
        b_se=both[1][1],
        total=total[0][0],
        total_se=total[1][0],
        direct=both[0][0],
        direct_se=both[1][0],
        b_alone=alone[0][0],
        b_alone_se=alone[1][0],
    )


def _centre(values: FloatArray, label: npt.NDArray[np.intp]) -> FloatArray:
    means: FloatArray = np.bincount(label, values) / np.bincount(label)
    return values - means[label]


def _regress(X: FloatArray, y: FloatArray, levels: int) -> tuple[list[float], list[float]]:
    """Least squares of centred columns; `levels` degrees of freedom went into the centring."""
    n, p = X.shape
    q, r = np.linalg.qr(X)
    if n - levels - p < 1 or np.any(np.abs(np.diag(r)) <= 1e-9 * np.linalg.norm(X, axis=0)):
        raise InputError(
            "Treatment and consequence do not vary apart from each other within the blocks, or "
            "the rows are too few. Give more runs in which they differ."
        )
    slope = np.linalg.solve(r, q.T @ y)
    rest = y - X @ slope
    inverse = np.linalg.solve(r, np.eye(p))
    scale = float(rest @ rest) / (n - levels - p)
    return slope.tolist(), np.sqrt(scale * np.sum(inverse**2, axis=1)).tolist()


def product_se(a: float, a_se: float, b: float, b_se: float) -> float:
    """Give the standard error of a product of two independent estimates, to first order.

    Parameters
    ----------
    a, a_se, b, b_se : float
        The two estimates and their standard errors.

    Returns
    -------
    float

    Source
    ------
    Sobel (1982), Sociol. Methodol. 13:290-312.
    """
    return math.hypot(a * b_se, b * a_se)


def product_limits(
    a: float, a_se: float, b: float, b_se: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Limits of a product of two independent normal estimates, lopsided as the product is.

    Parameters
    ----------
    a, a_se, b, b_se : float
        The two estimates and their standard errors, above zero.
    level : float
        Level of the interval.

    Returns
    -------
    low, high : float

    Raises
    ------
    InputError
        A standard error is not above zero.

    Source
    ------
    MacKinnon, Lockwood & Williams (2004), Multivar. Behav. Res. 39:99-128; the distribution by
    quadrature over the first factor.
    """
    if not (a_se > 0 and b_se > 0):
        raise InputError(f"Standard errors are {a_se!r} and {b_se!r}. Both must be above zero.")
    node, weight = np.polynomial.legendre.leggauss(NODES)
    # The integrand bends where the first factor crosses zero: one piece on either side.
    split = float(np.clip(-a / a_se, -REACH, REACH))
    pieces = [(-REACH, split), (split, REACH)]
    z = np.concatenate([0.5 * (hi - lo) * node + 0.5 * (hi + lo) for lo, hi in pieces])
    w = np.concatenate([0.5 * (hi - lo) * weight for lo, hi in pieces])
    density = w * np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    first = a + a_se * z

    def below(q: float) -> float:
        with np.errstate(divide="ignore"):
            at = (q / first - b) / b_se
        return float(density @ special.ndtr(np.where(first > 0, at, -at)))

    middle, spread = a * b, product_se(a, a_se, b, b_se) + a_se * b_se
    tail = (1.0 - level) / 2.0
    found = [
        optimize.brentq(
            lambda q, p=p: below(q) - p, middle - 12 * spread, middle + 12 * spread, xtol=1e-12
        )
        for p in (tail, 1.0 - tail)
    ]
    return float(found[0]), float(found[1])


def mediate(
    x: npt.ArrayLike,
    m: npt.ArrayLike,
    y: npt.ArrayLike,
    block: npt.ArrayLike,
    *,
    through: str,
    units: float,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> Mediation:
    """Split the effect at the pair into the part through a consequence and the rest.

    Use it to ask whether the hotter one would still finish first with the consequence held
    fixed. It takes for granted that nothing unseen drives consequence and time together, and
    that the effect of one does not depend on the other. Best asked by design instead.

    Parameters
    ----------
    x, m, y : array, shape (n,)
        Start temperature per 10 K, consequence, ln time.
    block : array, shape (n,)
        Batch of each row.
    through : str
        Name of the consequence.
    units : float
        The pair's distance in 10 K.
    rng : Generator
        Source of the draws.
    draws : int
        Batches drawn anew so often.

    Returns
    -------
    Mediation

    Source
    ------
    Split: as `fit_paths`. Interval: percentiles of the bootstrap over batches (Davison &
    Hinkley 1997, Bootstrap Methods and their Application, section 3.8).
    """
    label = np.unique(np.asarray(block), return_inverse=True)[1]
    values = [_centre(np.asarray(v, dtype=float), label) for v in (x, m, y)]
    products = np.array(
        [[np.bincount(label, left * right) for right in values] for left in values]
    )  # (3, 3, blocks)
    telling = (products[0, 0] > 0) & (products[1, 1] > 0)
    blocks, rows = int(telling.sum()), int(telling[label].sum())
    if blocks < FEWEST_BLOCKS:
        return no_mediation(
            through,
            f"only {blocks} batches hold differing start temperatures and differing values of it; "
            f"{FEWEST_BLOCKS} are the least",
        )
    own = products[:, :, telling]
    whole = _split(own.sum(axis=2)[np.newaxis])[0] * units
    if not np.isfinite(whole).all():
        return no_mediation(through, "it follows from the start temperature exactly")
    counts = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), size=draws)
    drawn = units * _split(np.einsum("ijb,db->dij", own, counts.astype(float)))
    low, high = np.nanquantile(drawn, [0.025, 0.975], axis=0)
    total, direct, indirect = (float(v) for v in whole)
    telling_share = total * direct > 0 and total * indirect > 0 and low[0] * high[0] > 0
    share = indirect / total if telling_share else NAN
    return Mediation(
        through=through,
        total=total,
        total_low=float(low[0]),
        total_high=float(high[0]),
        direct=direct,
        direct_low=float(low[1]),
        direct_high=float(high[1]),
        indirect=indirect,
        indirect_low=float(low[2]),
        indirect_high=float(high[2]),
        share=share,
        rows=rows,
        blocks=blocks,
        asked=f"How much of the effect goes through {through}?",
        found=(
            f"{100 * share:.0f} % of it, if nothing unseen drives {through} and time together."
            if math.isfinite(share)
            else "No share can be named: the parts differ in sign, or the whole is not clear."
        ),
    )


def _split(products: FloatArray) -> FloatArray:
    """Total, direct and indirect slope from cross-products, shape (draws, 3, 3)."""
    sxx, sxm, sxy = products[:, 0, 0], products[:, 0, 1], products[:, 0, 2]
    smm, smy = products[:, 1, 1], products[:, 1, 2]
    rest = smm - sxm**2 / sxx
    with np.errstate(divide="ignore", invalid="ignore"):
        b = np.where(rest > 1e-9 * smm, (smy - sxm * sxy / sxx) / rest, NAN)
        total, indirect = sxy / sxx, sxm / sxx * b
    return np.column_stack([total, total - indirect, indirect])


def no_mediation(through: str, why: str, *, asked: str = "") -> Mediation:
    """Say why a consequence has no path of its own here.

    Parameters
    ----------
    through, why : str
        The consequence, and the reason in a clause.
    asked : str
        The question, where it is worded otherwise.

    Returns
    -------
    Mediation
    """
    return Mediation(
        through=through,
        **dict.fromkeys(
            (
                "total",
                "total_low",
                "total_high",
                "direct",
                "direct_low",
                "direct_high",
                "indirect",
                "indirect_low",
                "indirect_high",
                "share",
            ),
            NAN,
        ),
        rows=0,
        blocks=0,
        asked=asked or f"How much of the effect goes through {through}?",
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
