"""Profile intervals of the pool against sums of normal densities on paper."""

import numpy as np
import pytest
from scipy import optimize, stats

from metafreeze import InputError, profile_pool

DATA = {
    "spread": ([0.1, 0.9, -0.4, 1.6, 0.5], [0.05, 0.1, 0.2, 0.08, 0.3]),
    "little spread": ([0.1, 0.3, -0.2, 0.5], [0.05, 0.1, 0.2, 0.08]),
    "no spread": ([0.3, 0.31, 0.29], [0.2, 0.1, 0.3]),
    "two studies": ([1.0, 4.0], [0.5, 0.7]),
    "tiny numbers": ([1e-6, 9e-6, -4e-6], [5e-13, 1e-12, 2e-12]),
    "large numbers": ([1e5, 9e5, -4e5], [5e9, 1e10, 2e10]),
}


def deviance(y, v, mean, tau2):
    return -2 * stats.norm.logpdf(y, mean, np.sqrt(v + tau2)).sum()


def over_mean(y, v, tau2):
    w = 1 / (v + tau2)
    return deviance(y, v, (w * y).sum() / w.sum(), tau2)


def over_tau2(y, v, mean):
    top = 10 * (((y - mean) ** 2).max() + v.max())
    grid = np.concatenate([[0.0], np.geomspace(top * 1e-6, top, 60)])
    values = [deviance(y, v, mean, t) for t in grid]
    k = int(np.argmin(values))
    ends = (grid[max(k - 1, 0)], grid[min(k + 1, 60)])
    found = optimize.minimize_scalar(
        lambda t: deviance(y, v, mean, t), bounds=ends, method="bounded", options={"xatol": 1e-12}
    )
    return min(found.fun, values[k])


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize("name", DATA)
def test_bounds_are_where_the_deviance_has_risen(name, level):
    y, v = (np.array(a) for a in DATA[name])
    found = profile_pool(y, v, level=level)
    # The oracle works in units of the largest error.
    unit = np.sqrt(v.max())
    y, v = y / unit, v / unit**2
    best = over_mean(y, v, found.tau2 / unit**2)
    grid = np.concatenate([[0.0], np.geomspace(1e-4, 1e3, 400)])
    assert best <= min(over_mean(y, v, t) for t in grid) + 1e-9
    w = 1 / (v + found.tau2 / unit**2)
    assert found.estimate / unit == pytest.approx((w * y).sum() / w.sum(), rel=1e-9, abs=1e-9)
    allowed = stats.chi2.ppf(level, 1)
    for end in (found.low, found.high):
        assert over_tau2(y, v, end / unit) - best == pytest.approx(allowed, abs=1e-6)
    assert found.low < found.estimate < found.high
    assert over_mean(y, v, found.tau2_high / unit**2) - best == pytest.approx(allowed, abs=1e-6)
    if found.tau2_low > 0:
        assert over_mean(y, v, found.tau2_low / unit**2) - best == pytest.approx(allowed, abs=1e-6)
    else:
        assert over_mean(y, v, 0.0) - best <= allowed
    assert found.tau2_low <= found.tau2 < found.tau2_high
    assert found.status == ("boundary" if found.tau2 == 0 else "ok")
    assert (found.k, found.level, found.note) == (len(y), level, "")


def test_ninety_five_per_cent_unless_asked_otherwise():
    y, v = DATA["spread"]
    plain, asked = profile_pool(y, v), profile_pool(y, v, level=0.95)
    assert plain.to_frame().equals(asked.to_frame())
    assert plain.level == 0.95
    assert profile_pool(*DATA["no spread"]).status == "boundary"


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_one_study_is_its_own_normal_interval(level):
    found = profile_pool([2.0], [0.25], level=level)
    low, high = stats.norm.interval(level, 2.0, 0.5)
    assert (found.estimate, found.k, found.level) == (2.0, 1, level)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)
    assert np.isnan([found.tau2, found.tau2_low, found.tau2_high]).all()
    assert found.status == "unidentifiable"
    assert found.note == "one study says nothing on how much studies disagree"
    frame = found.to_frame()
    assert frame["reason"].tolist() == ["", found.note]


def test_the_table_and_the_line():
    found = profile_pool(*DATA["spread"], level=0.9)
    frame = found.to_frame()
    assert frame["quantity"].tolist() == ["pooled effect", "tau2"]
    assert frame["estimate"].tolist() == [found.estimate, found.tau2]
    assert frame["low"].tolist() == [found.low, found.tau2_low]
    assert frame["high"].tolist() == [found.high, found.tau2_high]
    assert frame["reason"].tolist() == ["", ""]
    assert "(90 % " in found.headline()
    assert found.headline().endswith("5 studies, profile likelihood")


@pytest.mark.parametrize("level", [0.0, 1.0, 95])
def test_a_level_is_a_share(level):
    with pytest.raises(InputError, match="level"):
        profile_pool(*DATA["spread"], level=level)
