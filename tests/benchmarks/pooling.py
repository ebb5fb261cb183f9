"""Speed of pooling many sets of studies, beside a loop over statsmodels, in one run.

    python tests/benchmarks/pooling.py

Both sides give estimate, standard error, tau² and Q of 10,000 pools of 20 studies. The fast
side runs before, between and after the slow one, and its median counts.
"""

import argparse
import platform
import statistics
import sys
import time

import numpy as np
import statsmodels
from statsmodels.stats.meta_analysis import combine_effects

import metafreeze
from metafreeze.models.many_pools import pool_many

POOLS, STUDIES, SEED = 10_000, 20, 20261125
NEEDED = {"paule-mandel": 100.0, "restricted-likelihood": 50.0}
REPEATS = 5
# statsmodels stops when Q is within 1e-5 of its target; that is about this much of tau².
SAME = 1e-5


def invented(pools, studies, seed):
    rng = np.random.default_rng(seed)
    variances = rng.uniform(0.01, 0.1, size=(pools, studies))
    return rng.normal(0.1, np.sqrt(variances + 0.04)), variances


def loop(y, v):
    out = np.empty((y.shape[0], 4))
    for i in range(y.shape[0]):
        r = combine_effects(y[i], v[i], method_re="iterated")
        out[i] = r.mean_effect_re, r.sd_eff_w_re, r.tau2, r.q
    return out


def timed(function, *args, **options):
    start = time.perf_counter()
    value = function(*args, **options)
    return value, time.perf_counter() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pools", type=int, default=POOLS)
    args = parser.parse_args()
    y, v = invented(args.pools, STUDIES, SEED)
    fast: dict[str, list[float]] = {name: [] for name in NEEDED}
    results = {}
    parts, slow = [], 0.0
    for part in np.array_split(np.arange(args.pools), REPEATS):
        for name in NEEDED:
            results[name], seconds = timed(pool_many, y, v, spread=name, interval="normal")
            fast[name].append(seconds)
        rows, seconds = timed(loop, y[part], v[part])
        parts.append(rows)
        slow += seconds
    theirs = np.concatenate(parts)
    ours = results["paule-mandel"]
    gaps = {
        "estimate": np.abs(ours.estimate - theirs[:, 0]).max(),
        "se": np.abs(ours.se - theirs[:, 1]).max(),
        "tau2": np.abs(ours.tau2 - theirs[:, 2]).max(),
        "Q": np.abs(ours.q / theirs[:, 3] - 1).max(),
    }
    print(
        f"{args.pools} pools of {STUDIES} studies, seed {SEED}; metafreeze "
        f"{metafreeze.__version__}, statsmodels {statsmodels.__version__}, numpy "
        f"{np.__version__}, Python {platform.python_version()}"
    )
    print(f"loop over combine_effects(method_re='iterated'): {slow:.3f} s")
    met = True
    for name, needed in NEEDED.items():
        seconds = statistics.median(fast[name])
        ratio = slow / seconds
        met &= ratio >= needed
        print(f"pool_many, {name}: {1e3 * seconds:.1f} ms, {ratio:.0f} times (needed {needed:.0f})")
    print("largest difference: " + ", ".join(f"{k} {g:.1e}" for k, g in gaps.items()))
    met &= max(gaps.values()) < SAME
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
