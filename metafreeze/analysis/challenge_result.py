"""What a challenge gives: the ladder, what was asked beside it, and the two verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from metafreeze.analysis.excess import ExcessSlope
from metafreeze.analysis.imputation import MissingCovariates
from metafreeze.results import RESULT, Result
from metafreeze.scrutiny.choices import ManyAnalyses
from metafreeze.scrutiny.hidden import EValue, RobustnessValue
from metafreeze.scrutiny.ladder import Ladder
from metafreeze.scrutiny.measured import MeasuredCauses
from metafreeze.scrutiny.mediation import Mediation
from metafreeze.scrutiny.sham import ShamPairs
from metafreeze.scrutiny.shape import Shape
from metafreeze.scrutiny.shuffle import ShuffleTest
from metafreeze.scrutiny.start_error import StartError
from metafreeze.scrutiny.verdict import PhysicsVerdict, RawVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdicts:
    """The two verdicts side by side.

    Parameters
    ----------
    raw : RawVerdict
        Does the hotter one finish first?
    physics : PhysicsVerdict
        Is there anything beyond ordinary physics?
    """

    raw: RawVerdict
    physics: PhysicsVerdict


@dataclass(**RESULT)
class Challenge(Result):
    """What remains of the apparent effect, and why.

    Parameters
    ----------
    endpoint : str
    hot_c, cold_c : float
        The pair, °C.
    ladder : Ladder
        From the graph of all points to like with like.
    excess : ExcessSlope
        Beyond ordinary physics.
    excess_low, excess_high : float
        Its interval at the pair, the wider of those computed.
    excess_low90, excess_high90 : float
        Its 90 % interval, for equivalence.
    baseline : float
        What physics gives at the pair.
    shuffle_test : ShuffleTest
        "No effect in any study".
    shuffle_excess : ShuffleTest or None
        "Nothing beyond physics in any study".
    robustness : RobustnessValue or None
        Strength a hidden cause would need; None where no slope within batches exists.
    measured : MeasuredCauses or None
        Measured causes on the same scale.
    hidden_ratio : EValue or None
        The same on the scale of ratios.
    each_without : DataFrame
        The total effect with each study left out.
    design : tuple of str
        Design covariates that were adjusted for.
    warnings : tuple of str
        What question is answered where a consequence was adjusted for.
    departures : tuple of str
        What was done otherwise than the sealed plan says.
    looks : int
        Times when the answer was seen before the last run.
    conditions : DataFrame
        The effect under each condition of the sealed plan.
    planned : dict
        What the sealed plan says beside: its stopping rule, and how many runs each of its
        exclusions took; empty where none is sealed.
    needed : dict
        What would settle a verdict that these rows cannot tell, a sentence each.
    mediation : tuple of Mediation
        The effect split by each consequence of starting hot.
    many_analyses : ManyAnalyses or None
        Every combination of defensible choices.
    shape : Shape or None
        All pairs of start temperatures.
    sham : ShamPairs or None
        The negative control.
    start_error : StartError or None
        What error in start temperatures hides.
    missing_covariates : MissingCovariates or None
        Complete rows against gaps filled.
    missing : DataFrame
        Rows and studies that each covariate would cost.
    verdict : Verdicts
        The two verdicts.
    smallest_effect : float
        Smallest effect of interest, as a share.
    default_smallest_effect : bool
        Whether it is the default rather than the plan's.
    """

    endpoint: str
    hot_c: float
    cold_c: float
    ladder: Ladder
    excess: ExcessSlope
    excess_low: float
    excess_high: float
    excess_low90: float
    excess_high90: float
    baseline: float
    shuffle_test: ShuffleTest
    shuffle_excess: ShuffleTest | None
    robustness: RobustnessValue | None
    measured: MeasuredCauses | None
    hidden_ratio: EValue | None
    each_without: pd.DataFrame
    design: tuple[str, ...]
    warnings: tuple[str, ...]
    departures: tuple[str, ...]
    looks: int
    conditions: pd.DataFrame
    planned: dict[str, Any]
    needed: dict[str, str]
    mediation: tuple[Mediation, ...]
    many_analyses: ManyAnalyses | None
    shape: Shape | None
    sham: ShamPairs | None
    start_error: StartError | None
    missing_covariates: MissingCovariates | None
    missing: pd.DataFrame
    verdict: Verdicts
    smallest_effect: float
    default_smallest_effect: bool

    def to_frame(self) -> pd.DataFrame:
        """Give the ladder, one row a rung."""
        return self.ladder.to_frame()

    def headline(self) -> str:
        """Say both verdicts in one line."""
        return f"{self.verdict.raw.headline()}; {self.verdict.physics.headline()}"

    def to_dict(self) -> dict[str, Any]:
        """Give everything the report and machines need as plain values."""
        raw, physics = self.verdict.raw, self.verdict.physics
        return {
            "endpoint": self.endpoint,
            "hot_c": self.hot_c,
            "cold_c": self.cold_c,
            "smallest_effect": self.smallest_effect,
            "default_smallest_effect": self.default_smallest_effect,
            "design": list(self.design),
            "verdict": {
                "raw": {n: getattr(raw, n) for n in raw.field_names()},
                "physics": {n: getattr(physics, n) for n in physics.field_names()},
            },
            "ladder": self.ladder.to_frame().to_dict(orient="records"),
            "ladder_found": self.ladder.found,
            "baseline": self.baseline,
            "excess": {
                "log_ratio": self.excess.excess_at_pair,
                "low": self.excess_low,
                "high": self.excess_high,
                "low90": self.excess_low90,
                "high90": self.excess_high90,
            },
            "shuffle_test": self.shuffle_test.to_frame().to_dict(orient="records")[0],
            "shuffle_excess": _plain(self.shuffle_excess),
            "robustness": _plain(self.robustness),
            "measured": _plain(self.measured),
            "hidden_ratio": _plain(self.hidden_ratio),
            "each_without": self.each_without.to_dict(orient="records"),
            "warnings": list(self.warnings),
            "departures": list(self.departures),
            "looks": self.looks,
            "conditions": self.conditions.to_dict(orient="records"),
            "planned": self.planned,
            "needed": self.needed,
            "mediation": [_plain(m) for m in self.mediation],
            "many_analyses": _plain(self.many_analyses),
            "analyses_run": 0 if self.many_analyses is None else len(self.many_analyses.analyses),
            "analyses_by_sign": _by_sign(self.many_analyses),
            "missing_fields": len(self.missing),
            "shape": _plain(self.shape),
            "sham": _plain(self.sham),
            "start_error": _plain(self.start_error),
            "missing_covariates": _plain(self.missing_covariates),
            "missing": self.missing.to_dict(orient="records"),
        }


def _by_sign(many: ManyAnalyses | None) -> dict[str, int]:
    """Count the analyses that are clearly sooner, clearly later and neither."""
    if many is None:
        return {}
    sooner = int((many.analyses["high"] < 0).sum())
    later = int((many.analyses["low"] > 0).sum())
    return {"sooner": sooner, "later": later, "neither": len(many.analyses) - sooner - later}


def _plain(result: Result | None) -> dict[str, Any] | None:
    if result is None:
        return None
    values = {name: getattr(result, name) for name in result.field_names()}
    return {
        name: value.to_dict(orient="records") if isinstance(value, pd.DataFrame) else value
        for name, value in values.items()
    }
