"""Gauss-Hermite nodes for integrals over a standard normal variable."""

from __future__ import annotations

from functools import lru_cache
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy import special

from metafreeze.results import FloatArray


class NormalGrid(NamedTuple):
    """Nodes x (K, q) and log weights (K,) with x'x/2 already added to each log weight."""

    nodes: FloatArray
    log_weights: FloatArray


@lru_cache(maxsize=256)
def normal_grid(counts: tuple[int, ...]) -> NormalGrid:
    """Give the product rule for an integral over independent standard normal variables.

    When the integrand is moved to its own mode and width, `sum(exp(log_weights + log f))`
    is the integral of f divided by the product of the widths and (2 pi)^(q/2).

    Parameters
    ----------
    counts : tuple of int
        Nodes in each dimension; no dimension gives the single empty node.

    Returns
    -------
    NormalGrid

    Source
    ------
    Liu & Pierce (1994), Biometrika 81, 624-629, doi:10.1093/biomet/81.3.624, for the moved
    and scaled rule; nodes from `scipy.special.roots_hermitenorm`.
    """
    rules = [special.roots_hermitenorm(count) for count in counts]
    log_w = [np.log(w / np.sqrt(2.0 * np.pi)) + 0.5 * x * x for x, w in rules]
    nodes = np.array(list(product(*(x for x, _ in rules))), dtype=float)
    logs = np.array([sum(c) for c in product(*log_w)], dtype=float)
    nodes = nodes.reshape(len(logs), len(counts))
    nodes.setflags(write=False)
    logs.setflags(write=False)
    return NormalGrid(nodes, logs)
