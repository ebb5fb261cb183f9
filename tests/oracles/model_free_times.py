"""Survival without a family: product limit, log-rank, and masses for windows.

Slow and plain on purpose; the package has no such estimators and is checked against them.
"""

from itertools import pairwise

import numpy as np


def product_limit(time, seen):
    """Give times of events, survival after each, and its Greenwood standard error."""
    time, seen = np.asarray(time, float), np.asarray(seen, bool)
    events = np.unique(time[seen])
    at_risk = np.array([(time >= t).sum() for t in events])
    died = np.array([(seen & (time == t)).sum() for t in events])
    survival = np.cumprod(1.0 - died / at_risk)
    with np.errstate(divide="ignore"):
        rough = np.cumsum(died / (at_risk * (at_risk - died)))
    return events, survival, survival * np.sqrt(rough)


def log_rank(time, seen, first):
    """Give the chi-square and the expected events of the first group and of the other."""
    time, seen, first = np.asarray(time, float), np.asarray(seen, bool), np.asarray(first, bool)
    observed = expected = variance = 0.0
    for t in np.unique(time[seen]):
        n, n_1 = (time >= t).sum(), ((time >= t) & first).sum()
        d, d_1 = (seen & (time == t)).sum(), (seen & first & (time == t)).sum()
        observed += d_1
        expected += d * n_1 / n
        if n > 1:
            variance += d * (n_1 / n) * (1 - n_1 / n) * (n - d) / (n - 1)
    return (observed - expected) ** 2 / variance, expected, seen.sum() - expected


def window_masses(left, right, tolerance=1e-14):
    """Give the innermost windows (p, q], their masses, and the log likelihood.

    Self-consistency iteration of Turnbull (1976) for times known to lie in (left, right].
    """
    left, right = np.asarray(left, float), np.asarray(right, float)
    ends = sorted([(x, 1) for x in left] + [(x, 0) for x in right])
    windows = [(a[0], b[0]) for a, b in pairwise(ends) if a[1] == 1 and b[1] == 0 and a[0] < b[0]]
    inside = np.array(
        [[a >= lo and b <= hi for a, b in windows] for lo, hi in zip(left, right, strict=True)]
    )
    mass = np.full(len(windows), 1.0 / len(windows))
    for _ in range(200_000):
        share = inside * mass
        new = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
        moved = np.abs(new - mass).max()
        mass = new
        if moved < tolerance:
            break
    return windows, mass, float(np.log(inside @ mass).sum())
