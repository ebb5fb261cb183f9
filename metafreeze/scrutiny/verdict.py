"""The two verdicts, from numbers alone: one written rule each, the first match wins.

The rule and its thresholds were fixed in ``tests/calibration/causes.toml`` before they were
coded, and its error rates are measured there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from metafreeze.errors import InputError
from metafreeze.options import PhysicsLabel, RawLabel
from metafreeze.results import RESULT, Result

DEFAULT_SMALLEST_EFFECT = 0.05
FEWEST_BLOCKS = 5
SHUFFLE_P = 0.05
PHYSICS_TOLERANCE_DELTAS = 2.0
LEAST_SHARE_GONE = 0.5
FEW_STUDIES = 2
FITTED = ("ok", "boundary")

# What would turn each verdict; where these cannot tell, `needed` says how many trials would.
RAW_CHANGES: dict[RawLabel, str] = {
    "hotter first": (
        "It would change if with more labs the whole range no longer lay below zero, if it came "
        "to hang on one lab, or if vessels and their places turned out to explain it"
    ),
    "hotter first, under named conditions": (
        "It would change if further labs under this condition brought the range up to zero; it "
        "would become a plain yes if something lay beyond ordinary physics"
    ),
    "apparent only": (
        "It would change if, among vessels alike in one batch, the hotter one came out sooner by "
        "{delta} or more with the whole range below zero"
    ),
    "no difference": "It would change if more runs moved the range beyond {delta} either way",
    "cooler first": "It would change if further labs, like with like, brought the range to zero",
    "cannot tell": "",
}
PHYSICS_CHANGES: dict[PhysicsLabel, str] = {
    "sooner than physics": (
        "It would change if fuller descriptions of the vessels or more labs brought what is left "
        "over up to zero"
    ),
    "later than physics": (
        "It would change if fuller descriptions of the vessels or more labs brought what is left "
        "over down to zero"
    ),
    "nothing beyond ordinary physics": (
        "It would change if what is left over came to lie wholly on one side of zero"
    ),
    "cannot tell": "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """A log ratio at the pair with its intervals.

    Parameters
    ----------
    estimate, low, high : float
        Log ratio, hot over cold, and its 95 % interval, the wider of those computed.
    low90, high90 : float
        Its 90 % interval, for equivalence; NaN where it was not asked for.
    """

    estimate: float
    low: float
    high: float
    low90: float = math.nan
    high90: float = math.nan

    def clear(self, delta: float) -> bool:
        """Whether the hotter one is sooner beyond doubt and by enough."""
        return self.high < 0 and self.estimate <= -delta


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """An effect under a condition that the sealed plan named.

    Parameters
    ----------
    name : str
        The condition, as in the plan.
    studies : int
        Studies under it.
    effect : Effect
        The effect there, at the Holm-adjusted level.
    each_without : tuple of float
        Estimates there with one study left out in turn.
    excess : Effect
        Beyond physics there.
    interaction_p : float
        p of the difference from the other rows.
    """

    name: str
    studies: int
    effect: Effect
    each_without: tuple[float, ...]
    excess: Effect
    interaction_p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that the two rules read.

    Parameters
    ----------
    status : str
        Status of the fit behind R.
    studies, blocks : int
        Studies, and blocks with two start temperatures or more.
    naive, total, excess : Effect
        N, R and E at the pair.
    baseline : float
        B, what physics gives at the pair.
    each_without : tuple of float
        R with one study left out in turn; empty with one or two studies.
    shuffle_p : float
        p of the shuffle test; NaN where it does not apply.
    largest_step : str
        The step of the ladder that took most away, on the same rows.
    smallest_effect : float
        Smallest effect of interest, as a share.
    unsealed_looks : int
        Interim looks without a sealed stopping rule.
    conditions : tuple of Condition
        Conditions of the sealed plan.
    """

    status: str
    studies: int
    blocks: int
    naive: Effect
    total: Effect
    excess: Effect
    baseline: float
    each_without: tuple[float, ...] = ()
    shuffle_p: float = math.nan
    largest_step: str = ""
    smallest_effect: float = DEFAULT_SMALLEST_EFFECT
    unsealed_looks: int = 0
    conditions: tuple[Condition, ...] = ()

    @property
    def delta(self) -> float:
        """Smallest effect of interest on the log scale."""
        return math.log1p(self.smallest_effect)

    @property
    def within_lab(self) -> bool:
        """Whether there are too few studies to speak of labs."""
        return self.studies <= FEW_STUDIES


@dataclass(**RESULT)
class RawVerdict(Result):
    """Whether the hotter one finishes first.

    Parameters
    ----------
    label : str
        One of `metafreeze.options.RawLabel`.
    because : str
        The numbers that decided, in a clause.
    place : str
        "in this freezer" with one or two studies, else empty.
    condition : str
        The condition, for "hotter first, under named conditions".
    rule : int
        Number of the line of the rule that matched.
    change : str
        What would turn the verdict, in a sentence; empty where it cannot tell.
    """

    label: RawLabel
    because: str
    place: str
    condition: str
    rule: int
    change: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the verdict as one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.field_names()}])

    def headline(self) -> str:
        """Say the verdict in one line."""
        where = f" {self.place}" if self.place else ""
        return f"{self.label}{where}: {self.because}"


@dataclass(**RESULT)
class PhysicsVerdict(Result):
    """Whether anything lies beyond cooling, evaporation and latent heat.

    Parameters
    ----------
    label : str
        One of `metafreeze.options.PhysicsLabel`.
    because : str
        The numbers that decided, in a clause.
    change : str
        What would turn the verdict, in a sentence; empty where it cannot tell.
    """

    label: PhysicsLabel
    because: str
    change: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Give the verdict as one row."""
        return pd.DataFrame([{name: getattr(self, name) for name in self.field_names()}])

    def headline(self) -> str:
        """Say the verdict in one line."""
        return f"{self.label}: {self.because}"


def judge_raw(evidence: Evidence) -> RawVerdict:
    """Decide whether the hotter one finishes first.

    Parameters
    ----------
    evidence : Evidence
        The numbers.

    Returns
    -------
    RawVerdict

    Raises
    ------
    InputError
        The smallest effect of interest is not above zero.

    Source
    ------
    The package's own rule, fixed and calibrated in ``tests/calibration/causes.toml``.
    Equivalence by two one-sided tests: Schuirmann (1987), J. Pharmacokinet. Biopharm.
    15:657-680.
    """
    if not evidence.smallest_effect > 0:
        raise InputError(
            f"The smallest effect of interest is {evidence.smallest_effect!r}. Give a share "
            "above zero, such as 0.05."
        )
    place = "in this freezer" if evidence.within_lab else ""

    def verdict(rule: int, label: RawLabel, because: str, condition: str = "") -> RawVerdict:
        return RawVerdict(
            label=label,
            because=because,
            place=place,
            condition=condition,
            rule=rule,
            change=RAW_CHANGES[label].format(delta=f"{100 * evidence.smallest_effect:g} %"),
        )

    if evidence.status not in FITTED:
        return verdict(0, "cannot tell", "the model could not be fitted")
    if evidence.blocks < FEWEST_BLOCKS:
        return verdict(
            0,
            "cannot tell",
            f"only {evidence.blocks} batches hold two start temperatures; {FEWEST_BLOCKS} are "
            "the least",
        )
    if evidence.unsealed_looks:
        return verdict(
            0,
            "cannot tell",
            "results were looked at before the end without a sealed stopping rule; to settle it, "
            "seal a plan in a new register and let runs to come decide",
        )
    delta, total = evidence.delta, evidence.total
    robust = total.clear(delta) and all(e <= -delta for e in evidence.each_without)
    if robust and evidence.excess.high < 0 and not evidence.shuffle_p > SHUFFLE_P:
        return verdict(
            1,
            "hotter first",
            "the effect is clear, holds without any one study, and lies beyond ordinary physics",
        )
    holds_zero = evidence.excess.low <= 0 <= evidence.excess.high
    if robust and evidence.baseline < 0 and holds_zero:
        return verdict(
            2,
            "hotter first, under named conditions",
            "the effect is clear, and ordinary physics of these vessels gives it",
            "ordinary evaporation in these vessels",
        )
    for condition in evidence.conditions:
        if condition_holds(condition, delta):
            return verdict(
                2,
                "hotter first, under named conditions",
                "the sealed plan named this condition, and the effect is clear under it",
                condition.name,
            )
    if _only_apparent(evidence):
        step = f"; the step that took most away: {evidence.largest_step}" * bool(
            evidence.largest_step
        )
        return verdict(
            3,
            "apparent only",
            f"the graph of all points shows it, like with like does not{step}",
        )
    if -delta < total.low90 and total.high90 < delta:
        return verdict(
            4, "no difference", "the effect lies inside the smallest effect of interest either way"
        )
    if total.low > 0:
        return verdict(5, "cooler first", "the colder one finished first beyond doubt")
    return verdict(6, "cannot tell", "the interval holds effects of both kinds")


def condition_holds(condition: Condition, delta: float) -> bool:
    """Say whether an effect under a condition passes line 2 of the rule.

    Parameters
    ----------
    condition : Condition
    delta : float
        Smallest effect of interest, as a log ratio.

    Returns
    -------
    bool
    """
    return (
        condition.studies >= FEW_STUDIES + 1
        and condition.effect.clear(delta)
        and all(e <= -delta for e in condition.each_without)
        and condition.excess.high < 0
        and condition.interaction_p <= SHUFFLE_P
    )


def _only_apparent(evidence: Evidence) -> bool:
    naive = evidence.naive
    if not naive.clear(evidence.delta) or evidence.total.clear(evidence.delta):
        return False
    gone = [evidence.total.estimate - naive.estimate]
    gone += [e - naive.estimate for e in evidence.each_without if not math.isnan(e)]
    return max(gone) >= LEAST_SHARE_GONE * abs(naive.estimate)


def judge_physics(excess: Effect, *, smallest_effect: float, status: str) -> PhysicsVerdict:
    """Decide whether anything lies beyond ordinary physics, from E's intervals.

    Sooner or later than physics is read from the 95 % interval. That nothing lies beyond it is a
    statement of equivalence, and so is asked as `judge_raw` asks it of R: two one-sided tests
    at 5 %, which is the 90 % interval inside the tolerance, here of two smallest effects, since
    E carries the error of the baseline beside that of the rows.

    Parameters
    ----------
    excess : Effect
        E, seen minus expected at the pair; where it has no 90 % interval, its 95 % one serves.
    smallest_effect : float
        Smallest effect of interest, as a share.
    status : str
        Status of the fit behind E.

    Returns
    -------
    PhysicsVerdict

    Source
    ------
    The package's own rule, fixed and calibrated in ``tests/calibration/causes.toml``.
    Equivalence by two one-sided tests: Schuirmann (1987), J. Pharmacokinet. Biopharm.
    15:657-680.
    """
    if status not in FITTED or math.isnan(excess.estimate):
        return _physics(label="cannot tell", because="no expected times could be had")
    if excess.high < 0:
        return _physics(
            label="sooner than physics",
            because="the hotter one was sooner than cooling, evaporation and latent heat allow",
        )
    if excess.low > 0:
        return _physics(
            label="later than physics",
            because="the hotter one was later than cooling, evaporation and latent heat give",
        )
    tolerance = PHYSICS_TOLERANCE_DELTAS * math.log1p(smallest_effect)
    low, high = (
        outer if math.isnan(inner) else inner
        for inner, outer in ((excess.low90, excess.low), (excess.high90, excess.high))
    )
    if -tolerance < low and high < tolerance:
        return _physics(
            label="nothing beyond ordinary physics",
            because="what is left over is small, and its interval holds zero",
        )
    return _physics(
        label="cannot tell", because="what is left over is too uncertain to say either way"
    )


def _physics(label: PhysicsLabel, because: str) -> PhysicsVerdict:
    return PhysicsVerdict(label=label, because=because, change=PHYSICS_CHANGES[label])


def wider(effects: Sequence[Effect]) -> Effect:
    """Take the first effect's estimate with the widest of the intervals.

    Parameters
    ----------
    effects : sequence of Effect
        The same estimate under different inference; NaN limits are passed over.

    Returns
    -------
    Effect
    """
    known = [e for e in effects if not math.isnan(e.low)]
    if not known:
        return effects[0]
    widest = max(known, key=lambda e: e.high - e.low)
    return Effect(
        estimate=effects[0].estimate,
        low=widest.low,
        high=widest.high,
        low90=widest.low90,
        high90=widest.high90,
    )
