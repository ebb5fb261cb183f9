"""The committed tables of curves keep what is asked of them, and a wrong method would not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from metafreeze.curves.band import band_of_pairs

HERE = Path(__file__).parent
EVENTS = (
    "t_threshold_20_c",
    "t_threshold_10_c",
    "t_threshold_4_c",
    "t_zero",
    "t_first_ice",
    "t_plateau_end",
    "t_solid",
)


def events() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the lines, and one row per event: case, whether inside, width over that allowed."""
    lines = pd.read_csv(HERE / "curve_events.csv", keep_default_na=False)
    parts = [
        pd.DataFrame(
            {
                "case": lines[f"{event}.case"],
                "inside": pd.to_numeric(lines[f"{event}.place"], errors="coerce").abs() <= 1.0,
                "width": pd.to_numeric(lines[f"{event}.width"], errors="coerce"),
            }
        )
        for event in EVENTS
    ]
    return lines, pd.concat(parts)


def test_events_lie_inside_their_limits():
    lines, found = events()
    assert len(lines) == 2000
    happened = found[found["case"].isin(("clean", "door", "gap"))]
    clean = found[found["case"] == "clean"]
    assert clean["inside"].mean() >= 0.99
    assert happened["inside"].mean() >= 0.93
    assert clean["width"].median() <= 1.0


def test_water_is_not_called_ice():
    lines, _ = events()
    never = lines[lines["frozen"] == 0]
    assert len(never) > 400
    assert never["false_ice"].mean() <= 0.01


def test_the_band_holds_the_whole_curve():
    lines = pd.read_csv(HERE / "curve_band.csv")
    enough = lines[lines["blocks"] >= 20]
    shares = enough.groupby(["design", "arm", "blocks"])["holds"].agg(["mean", "size"])
    # Four Monte Carlo standard errors around the range that is asked for.
    slack = 4 * np.sqrt(0.95 * 0.05 / shares["size"])
    assert (shares["mean"] >= 0.93 - slack).all() and (shares["mean"] <= 0.97 + slack).all()
    assert 0.93 <= enough["holds"].mean() <= 0.97
    alike = lines[lines["arm"] == "no difference"]
    claims = (alike["claim"] != "nobody").groupby(alike["blocks"]).mean()
    assert (claims[claims.index >= 20] <= 0.05).all()


def coverage(limits: str, *, simulations: int = 300) -> float:
    """Cover a flat curve of zeros with 30 independent levels and 25 blocks."""
    held = 0
    for number in range(simulations):
        rng = np.random.default_rng((20261125, number))
        rows = rng.normal(size=(25, 30))
        if limits == "simultaneous":
            band = band_of_pairs(rows, draws=400, rng=rng)
            low, high = band.low, band.high
        else:
            half = stats.t.isf(0.025, 24) * rows.std(axis=0, ddof=1) / 5.0
            low, high = rows.mean(axis=0) - half, rows.mean(axis=0) + half
        held += bool(np.all((low <= 0) & (high >= 0)))
    return held / simulations


def test_limits_for_one_level_would_fail():
    # 0.95 to the power of 30 is 0.21; the band must do what these cannot.
    assert coverage("one level") < 0.5
    assert coverage("simultaneous") > 0.9
