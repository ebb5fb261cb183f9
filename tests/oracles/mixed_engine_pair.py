"""One data set twice: as the engine's products, and by hand in the engine's units."""

import numpy as np
from oracles.mixed_by_hand import ByHand, rows_of_kind

from metafreeze.models.crossproducts import collect_products
from metafreeze.models.identify import RandomPlan
from metafreeze.models.mixed_input import check_input
from metafreeze.models.variance_shape import shape_of

# Rounding of sums of some thousand products, relative to the largest of them.
ROUNDING = 1e-9

CASES = {
    "studies": {"q": 1},
    "slopes": {"q": 2},
    "slopes without correlation": {"q": 2, "correlated": False},
    "three columns": {"q": 3, "n": 48},
    "nothing varies": {"q": 0},
    "nothing varies, batches": {"q": 0, "batch": True},
    "batches": {"q": 1, "batch": True},
    "specimens alone": {"q": 1, "specimen": "nested"},
    "specimens in batches": {"q": 2, "batch": True, "specimen": "nested"},
    "specimens across batches": {"q": 1, "batch": True, "specimen": "crossed", "n": 48},
    "slopes and crossing": {"q": 2, "batch": True, "specimen": "crossed", "n": 48},
    "crossing, nothing varies": {"q": 0, "batch": True, "specimen": "crossed"},
    "known variances": {"q": 1, "known": True},
    "reading errors": {"q": 2, "added": True},
    "summaries": {"q": 1, "counts": True},
    "summaries in batches": {"q": 1, "counts": True, "batch": True},
    "summaries with reading errors": {"q": 1, "counts": True, "added": True},
    "every kind of row": {"q": 2, "known": True, "added": True, "counts": True, "n": 48},
    "every kind in batches": {
        "q": 1,
        "known": True,
        "added": True,
        "counts": True,
        "batch": True,
        "n": 48,
    },
    "no constant": {"q": 1, "constant": False},
    "no constant, slopes in batches": {"q": 2, "constant": False, "batch": True},
}


def engine_of(name, residual, seed=0):
    """Engine's products and shape, and the same rows by hand in the engine's units."""
    case = dict(CASES[name])
    correlated = case.pop("correlated", True)
    data = rows_of_kind(seed, **case)
    options = {k: v for k, v in data.items() if k not in ("y", "X", "study")}
    rest = ("known_variance", "added_variance", "count", "spread")
    checked = check_input(
        data["y"],
        data["X"],
        data["study"],
        **{k: options.pop(k, None) for k in rest},
        **options,
        offset=None,
        names=None,
        varying_names=None,
    )
    q = data["varying"].shape[1]
    plan = RandomPlan(
        varying=tuple(range(q)),
        correlated=correlated and q > 1,
        batch=checked.batch is not None,
        specimen=checked.specimen is not None,
    )
    products = collect_products(checked.rows(plan))
    shape = shape_of(products, residual)
    frame = products.frame
    unit = float(frame.y_unit[0])
    own = dict(data)
    own["X"] = data["X"] @ np.linalg.inv(frame.turn)
    own["y"] = (data["y"] - data["X"] @ frame.origin[0]) / unit
    for key, power in (("known_variance", 2), ("added_variance", 2), ("spread", 1)):
        if own.get(key) is not None:
            own[key] = own[key] / unit**power
    levels = ([products.crossed_name] if shape.crossed else []) + list(shape.levels)
    Z = data["varying"] @ np.linalg.inv(frame.turn_varying) if q else data["varying"]
    hand = ByHand(own, Z=Z, correlated=correlated, levels=levels, residual=residual)
    assert len(hand.parts) == shape.size
    rng = np.random.default_rng(seed)
    w = rng.uniform(0.4, 1.5, shape.size)
    for k, (i, j) in enumerate(shape.pairs):
        if i != j:
            w[k] = rng.uniform(-0.3, 0.3)
    return data, products, shape, hand, w


def close(found, wanted):
    """Whether two arrays agree but for rounding, relative to the largest number."""
    wanted = np.asarray(wanted)
    least = ROUNDING * (1 + np.abs(wanted).max(initial=0))
    return found.shape == wanted.shape and np.allclose(found, wanted, rtol=0, atol=least)
