"""Why labs disagree: what of their gear and habits goes along with their effects."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.analysis.pooling import study_names
from metafreeze.analysis.study_effects import study_effects
from metafreeze.models.moderators import permute_moderators
from metafreeze.models.pooled import pool
from metafreeze.results import RESULT, Result

# Labs below which one trait has nothing to be compared with, and below which a match is no
# more than a hint.
FEWEST_LABS = 4
LABS_FOR_A_FINDING = 10
CLEAR_P = 0.05
TRAIT_COLUMNS = (
    "trait",
    "unit",
    "labs",
    "change",
    "low",
    "high",
    "p_permuted",
    "p_holm",
    "explained",
    "note",
)

Summary = Callable[[pd.Series], float]


@dataclass(frozen=True, slots=True)
class Trait:
    """One number a lab: the field it comes from, its words, and how rows give it."""

    field: str
    words: str
    unit: str
    of: Summary


def _mean(scale: float) -> Summary:
    return lambda values: float(values.astype(float).mean()) / scale


def _doublings(values: pd.Series) -> float:
    numbers = values.astype(float)
    return float(np.log2(numbers[numbers > 0]).mean())


def _share(*words: str) -> Summary:
    return lambda values: float(values.isin(words).mean())


TRAITS = (
    Trait("sink_temp_c", "freezer temperature", "per 10 K", _mean(10.0)),
    Trait("sink_temp_sd_k", "swing of the freezer", "per K", _mean(1.0)),
    Trait("air_speed_m_s", "air speed", "per m/s", _mean(1.0)),
    Trait("water_mass_start_g", "water at start", "per doubling", _doublings),
    Trait("inner_diameter_mm", "inner diameter", "per doubling", _doublings),
    Trait("lid", "open vessels", "all against none", _share("open")),
    Trait("side_insulation", "insulated sides", "all against none", _share("partial", "full")),
    Trait("base_support", "vessels on frost", "all against none", _share("frost")),
    Trait(
        "assignment", "start temperatures drawn at random", "all against none", _share("randomised")
    ),
    Trait("check_interval_s", "time between looks", "per doubling", _doublings),
    Trait(
        "record_level",
        "published tables, not runs",
        "all against none",
        _share("arm_summary", "contrast_summary"),
    ),
)


@dataclass(**RESULT)
class LabTraits(Result):
    """What of the labs' gear and habits goes along with their effects.

    Parameters
    ----------
    traits : DataFrame
        One row a trait that could be tried, columns `TRAIT_COLUMNS`: change of the log ratio
        at the pair for one unit of the trait with its 95 % interval, permutation p, the same
        after Holm over all traits tried, and percent of the disagreement explained.
    labs : int
        Labs with an effect.
    tried, not_tried : int
        Traits that differ between enough labs, and those that do not.
    asked, found : str
        The question and the answer, a sentence each.
    status, note : str
        ``ok``, or ``unidentifiable`` with the reason.
    """

    traits: pd.DataFrame
    labs: int
    tried: int
    not_tried: int
    asked: str
    found: str
    status: str
    note: str

    def to_frame(self) -> pd.DataFrame:
        """Give one row a trait."""
        return self.traits.copy()

    def headline(self) -> str:
        """Say the result in one line."""
        return self.found

    def to_dict(self) -> dict[str, Any]:
        """Give all of it as plain values."""
        return {
            **{n: getattr(self, n) for n in self.field_names() if n != "traits"},
            "traits": self.traits.to_dict(orient="records"),
        }


def lab_traits(
    rows: pd.DataFrame,
    *,
    endpoint: str,
    hot_c: float,
    cold_c: float,
    draws: int = 999,
    seed: int = 1,
) -> LabTraits:
    """Try one trait of the labs after the other against their effects.

    Traits differ between labs and were not dealt out at random, so that a match is a hint
    where to look and not a cause. A trait is tried among the labs that stated it.

    Parameters
    ----------
    rows : DataFrame
        Rows in the schema.
    endpoint : str
        One endpoint.
    hot_c, cold_c : float
        The pair of start temperatures in whose log ratio changes are given, °C.
    draws, seed : int
        Permutations of each test, and their seed.

    Returns
    -------
    LabTraits

    Raises
    ------
    InputError
        The endpoint does not exist.

    Source
    ------
    Meta-regression with the interval of Knapp & Hartung (2003), Stat. Med. 22:2693,
    doi:10.1002/sim.1482; permutation p: Higgins & Thompson (2004), Stat. Med. 23:1663,
    doi:10.1002/sim.1752; several tests: Holm (1979), Scand. J. Statist. 6:65-70.
    """
    effects = study_effects(rows, endpoint=endpoint, effect="slope")
    asked = "What of the labs' gear and habits goes along with their effects?"
    if effects.k < FEWEST_LABS:
        why = f"{effects.k} labs have an effect; {FEWEST_LABS} are the least"
        return _nothing(effects.k, asked, why)
    units = (hot_c - cold_c) / 10.0
    values = trait_values(rows[rows["endpoint"] == endpoint])
    table, not_tried = [], 0
    for trait in TRAITS:
        known = values[trait.words].reindex(list(effects.study)).to_numpy(dtype=float)
        row = _try(effects.estimate * units, effects.variance * units**2, known, draws, seed)
        if row is None:
            not_tried += 1
        else:
            table.append((trait.words, trait.unit, *row))
    if not table:
        return _nothing(effects.k, asked, "no trait was stated by enough labs and differs in them")
    names = [n for n in TRAIT_COLUMNS if n != "p_holm"]
    frame = pd.DataFrame(table, columns=names)
    frame.insert(names.index("explained"), "p_holm", _holm(frame["p_permuted"].to_numpy()))
    frame = frame.sort_values(["p_permuted", "trait"], kind="stable").reset_index(drop=True)
    few = effects.k < LABS_FOR_A_FINDING
    return LabTraits(
        traits=frame,
        labs=effects.k,
        tried=len(frame),
        not_tried=not_tried,
        asked=asked,
        found=_found(frame, few=few),
        status="ok",
        note="",
    )


def trait_values(rows: pd.DataFrame) -> pd.DataFrame:
    """Give every trait of every study; NaN where a study did not state it.

    Parameters
    ----------
    rows : DataFrame
        Rows in the schema.

    Returns
    -------
    DataFrame
        One row a study, one column a trait, named by its words.
    """
    study = study_names(rows)
    columns = {}
    for trait in TRAITS:
        stated = rows[trait.field].dropna() if trait.field in rows else pd.Series(dtype=float)
        grouped = stated.groupby(study.loc[stated.index])
        columns[trait.words] = pd.Series(
            {name: trait.of(part) for name, part in grouped}, dtype=float
        )
    return pd.DataFrame(columns)


def _try(
    estimate: npt.NDArray[np.float64],
    variance: npt.NDArray[np.float64],
    trait: npt.NDArray[np.float64],
    draws: int,
    seed: int,
) -> tuple[int, float, float, float, float, float, str] | None:
    known = np.isfinite(trait) & np.isfinite(estimate) & (variance > 0)
    if known.sum() < FEWEST_LABS or np.ptp(trait[known]) == 0:
        return None
    y, v, x = estimate[known], variance[known], trait[known]
    test = permute_moderators(y, v, x, draws=draws, seed=seed)
    fit = pool(y, v, moderators=x, interval="hartung-knapp-floored")
    if test.status not in ("ok", "boundary") or fit.coefficients is None:
        return None
    slope = fit.coefficients.iloc[1]
    return (
        int(known.sum()),
        float(slope["estimate"]),
        float(slope["low"]),
        float(slope["high"]),
        float(test.coefficients["p_permuted"].iloc[0]),
        float(test.r2),
        test.note,
    )


def _holm(p: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate((len(p) - np.arange(len(p))) * p[order])
    adjusted = np.empty_like(stepped)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def _found(frame: pd.DataFrame, *, few: bool) -> str:
    clear = frame[frame["p_holm"] <= CLEAR_P]
    hint = (
        " With so few labs a match is a hint for the next trials, not a finding."
        if few
        else " Traits were not dealt out to labs at random, so this is a hint and not a cause."
    )
    if clear.empty:
        return "Nothing that the labs stated clearly goes along with their disagreement."
    return f"What goes along with it: {', '.join(clear['trait'])}.{hint}"


def _nothing(labs: int, asked: str, why: str) -> LabTraits:
    return LabTraits(
        traits=pd.DataFrame(columns=list(TRAIT_COLUMNS)),
        labs=labs,
        tried=0,
        not_tried=len(TRAITS),
        asked=asked,
        found=f"It does not apply: {why}.",
        status="unidentifiable",
        note=why,
    )
