"""Every option string of the package, once.

Python, command line and report spell an option alike because all of them read it here.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

from metafreeze.errors import InputError

Endpoint = Literal[
    "t_threshold",
    "t_zero",
    "t_first_ice",
    "t_plateau_end",
    "t_solid",
    "ice_at_time",
    "t_residual",
]
EffectKind = Literal["slope", "log-ratio", "minutes", "standardised", "hotter-first"]
Spread = Literal[
    "restricted-likelihood",
    "likelihood",
    "paule-mandel",
    "dersimonian-laird",
    "hedges",
    "sidik-jonkman",
    "empirical-bayes",
    "none",
]
FillRule = Literal["linear", "run", "quadratic"]
Side = Literal["auto", "left", "right"]
TauPrior = Literal["half-normal", "half-cauchy", "uniform"]
Interval = Literal["hartung-knapp", "hartung-knapp-floored", "normal"]
NewStudy = Literal["normal", "heavy-tailed"]
Residual = Literal["common", "per-study"]
Likelihood = Literal["restricted", "full"]
Inference = Literal["kenward-roger", "satterthwaite", "cluster-robust", "normal"]
RobustKind = Literal["bias-reduced", "scaled", "plain"]
TimeFamily = Literal["log-normal", "weibull"]
UnseenRows = Literal["leave-out", "model"]
UnseenInference = Literal["profile", "bootstrap", "wald"]
Status = Literal["ok", "boundary", "unidentifiable", "failed"]
Depth = Literal["full", "verdict"]
CurveArm = Literal["hot", "cold"]
CurveLead = Literal["hot", "cold", "nobody"]
CurvePairing = Literal["auto", "paired", "unpaired"]
RawLabel = Literal[
    "hotter first",
    "hotter first, under named conditions",
    "apparent only",
    "no difference",
    "cooler first",
    "cannot tell",
]
PhysicsLabel = Literal[
    "sooner than physics",
    "later than physics",
    "nothing beyond ordinary physics",
    "cannot tell",
]
BaselineRefit = Literal["slopes", "everything"]
FrontShape = Literal["slab", "cylinder", "sphere"]
Display = Literal[
    "log-ratio",
    "ratio",
    "percent",
    "share",
    "seconds",
    "celsius",
    "kelvin",
    "grams",
    "millimetres",
    "count",
    "p-value",
    "number",
    "words",
    "given",
    "code",
    "yes-no",
]
FigureWidth = Literal["page", "phone"]
Paper = Literal["a4", "letter"]
PlanReason = Literal["", "wrong side", "not with this many labs", "not with this many batches"]
TapKind = Literal[
    "in",
    "liquid",
    "partly",
    "round",
    "ice",
    "solid",
    "knocked",
    "lid",
    "start_temp",
    "mass_in",
    "mass_out",
    "note",
    "undo",
]
Watching = Literal["looks", "always"]

ENDPOINT_WORDS: dict[str, str] = {
    "t_threshold": "reached the named temperature",
    "t_zero": "reached 0 °C",
    "t_first_ice": "showed first ice",
    "t_plateau_end": "left the freezing plateau",
    "t_solid": "fully frozen",
    "ice_at_time": "ice after a fixed time",
    "t_residual": "time after passing the colder one's start",
}


def choices(option: Any) -> tuple[str, ...]:
    """List the values of one of the option types in its fixed order.

    Parameters
    ----------
    option : Literal type
        One of the types of this module.

    Returns
    -------
    tuple of str
    """
    return tuple(get_args(option))


def require_choice(value: object, option: Any, *, name: str) -> str:
    """Return `value` if it is one of the option's choices.

    Parameters
    ----------
    value : object
        What the caller gave.
    option : Literal type
        One of the types of this module.
    name : str
        Name of the argument, for the message.

    Returns
    -------
    str

    Raises
    ------
    InputError
        The value is none of the choices; the message lists them.
    """
    allowed = choices(option)
    if value not in allowed:
        listed = ", ".join(f'"{a}"' for a in allowed)
        raise InputError(f"{name} is {value!r}. Choose one of {listed}.")
    return str(value)
