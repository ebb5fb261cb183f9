"""Small designs with every kind of row, and their likelihood by sums over a whole grid."""

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import special

from metafreeze.models import censored_likelihood as rows_of
from metafreeze.models.grouped_rows import Design, Times, unpack_theta

INF = np.inf
# The trapezoidal sum over a normal density with this step is exact to far below rounding as
# long as what a study tells leaves its effect a spread of half or more.
STEP = 0.3
GRID = np.arange(-7.5, 7.5 + STEP / 2, STEP)
# Adaptive sums of so many nodes against it.
NODES = {0: 1, 1: 24, 2: 14, 3: 10}
CLOSE = {0: 1e-11, 1: 1e-8, 2: 1e-6, 3: 1e-5}
H = 1e-4


@dataclass
class Case:
    """One shape of the model."""

    q: int
    batch: bool
    family: str = "log-normal"
    correlated: bool = True
    spreads: str = "plain"
    over: bool = False
    replicates: int = 2
    own_times: bool = False


CASES = {
    "nothing": Case(0, False),
    "nothing, Weibull": Case(0, False, "weibull", over=True),
    "study": Case(1, False, over=True),
    "study, Weibull": Case(1, False, "weibull"),
    "study, added variance": Case(1, False, spreads="mixed"),
    "study, own times": Case(1, False, own_times=True),
    "batch": Case(0, True, spreads="mixed"),
    "batch, Weibull": Case(0, True, "weibull", own_times=True),
    "slope": Case(2, False),
    "slope apart": Case(2, False, correlated=False, over=True),
    "study and batch": Case(1, True, replicates=1),
    "study and batch, Weibull": Case(1, True, "weibull", over=True, replicates=1),
    "slope and batch": Case(2, True, replicates=1, spreads="mixed"),
}


def build(case, seed=0):
    """Three studies, two batches each, every kind of row in turn."""
    rng = np.random.default_rng(seed)
    sizes = [2, 3, 2, 2, 3, 1]
    n = sum(sizes)
    batch_start = np.concatenate([[0], np.cumsum(sizes)])
    if not case.batch:
        batch_start = batch_start[[0, 2, 4, 6]]
    study_start = np.arange(0, 7, 2) if case.batch else np.arange(4)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    z = np.column_stack([np.ones(n), rng.normal(size=n)])[:, : case.q]
    member = np.ones(n) if case.batch else np.zeros(0)
    if case.batch:
        member[[1, 6]] = 0.0
    mixed = case.spreads == "mixed"
    share, added = np.ones(n), np.zeros(n)
    if mixed:
        share[::3], added[::3] = 0.0, 1.3
        share[1::3], added[1::3] = 0.5, 0.2
    design = Design(
        family=case.family,
        x=x,
        z=z,
        pairs=[(k, m) for k in range(case.q) for m in range(k + 1) if case.correlated or k == m],
        member=member,
        batch_start=batch_start,
        study_start=study_start,
        share=share,
        added=added,
        beyond=np.zeros(n),
        times_over=rng.integers(1, 3, n).astype(float) if case.over else np.ones(n),
    )
    columns = case.replicates if case.own_times else 1
    low = rng.normal(size=(n, columns))
    high = low.copy()
    for i, j in itertools.product(range(n), range(columns)):
        turn = (i + 2 * j) % 4
        if turn == 1:
            high[i, j] = low[i, j] + rng.uniform(0.2, 1.5)
        elif turn == 2:
            high[i, j] = INF
        elif turn == 3:
            low[i, j] = -INF
    times = Times(low, high, rows_of.classify_rows(low, high), np.zeros(columns))
    theta = 0.3 * rng.normal(size=(case.replicates, design.parameter_count))
    theta[:, 2] = rng.uniform(0.1, 0.4, case.replicates)
    theta[:, 3:] += 0.6
    return design, times, theta


def log_row(family, low, high, eta, s):
    a, b = (low - eta) / s, (high - eta) / s
    if family == "log-normal":
        if low == high:
            return -0.5 * a * a - np.log(s * np.sqrt(2 * np.pi))
        return np.log(special.ndtr(b) - special.ndtr(a))
    if low == high:
        return a - np.exp(a) - np.log(s)
    return np.log(np.exp(-np.exp(a)) - (0.0 if np.isinf(high) else np.exp(-np.exp(b))))


@np.errstate(divide="ignore")
def dense(design, times, theta, r):
    """Minus log likelihood of each study of replicate r by sums over the whole grid."""
    p, q = design.x.shape[1], design.z.shape[1]
    beta, sigma = theta[r, :p], np.exp(theta[r, p])
    factor = np.zeros((q, q))
    for i, (k, m) in enumerate(design.pairs):
        factor[k, m] = theta[r, p + 1 + i]
    omega = theta[r, -1]
    grids = np.stack(np.meshgrid(*[GRID] * q), axis=-1).reshape(-1, q) if q else np.zeros((1, 0))
    weight = np.exp(-0.5 * (grids**2).sum(axis=1)) * (STEP / np.sqrt(2 * np.pi)) ** q
    inner = GRID if design.member.size else np.zeros(1)
    weight_b = np.exp(-0.5 * inner**2) * STEP / np.sqrt(2 * np.pi)
    if not design.member.size:
        weight_b = np.ones(1)
    column = r if times.kind.shape[1] > 1 else 0
    out = []
    for s in range(len(design.study_start) - 1):
        product = np.ones(len(grids))
        for j in range(design.study_start[s], design.study_start[s + 1]):
            total = np.zeros((len(grids), len(inner)))
            for i in range(design.batch_start[j], design.batch_start[j + 1]):
                eta = design.x[i] @ beta + grids @ factor.T @ design.z[i]
                if design.member.size:
                    eta = eta[:, None] + omega * design.member[i] * inner
                else:
                    eta = eta[:, None]
                spread = np.sqrt(design.share[i] * sigma**2 + design.added[i])
                low, high = times.lower[i, column], times.upper[i, column]
                one = log_row(design.family, low, high, eta, spread)
                total = total + design.times_over[i] * one
            product = product * (np.exp(total) @ weight_b)
        out.append(-np.log(product @ weight))
    return np.array(out)


def height(design, times, theta, r, s, u):
    """Log integrand of study s at u = (z, its batches' v)."""
    p, q = design.x.shape[1], design.z.shape[1]
    sigma, factor, omega = unpack_theta(design, theta[r : r + 1])
    column = r if times.kind.shape[1] > 1 else 0
    first = design.study_start[s]
    total = -0.5 * float(u @ u)
    for j in range(first, design.study_start[s + 1]):
        for i in range(design.batch_start[j], design.batch_start[j + 1]):
            eta = design.x[i] @ theta[r, :p] + design.z[i] @ factor[0] @ u[:q]
            if design.member.size:
                eta = eta + omega[0] * design.member[i] * u[q + j - first]
            spread = np.sqrt(design.share[i] * sigma[0] ** 2 + design.added[i])
            low, high = times.lower[i, column], times.upper[i, column]
            total += design.times_over[i] * log_row(design.family, low, high, eta, spread)
    return float(total)
