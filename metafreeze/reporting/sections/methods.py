"""How the numbers came about, in words, from what was really run; and the sources."""

from __future__ import annotations

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import Fixed, Text, say
from metafreeze.reporting.sections.words import Values, number

# Word for a method -> its source, as the function that carries it out names it.
REFERENCES = {
    "small samples": (
        "Kenward MG, Roger JH (1997) Small sample inference for fixed effects from restricted "
        "maximum likelihood. Biometrics 53:983-997."
    ),
    "published groups": (
        "Higgins JPT, White IR, Anzures-Cabrera J (2008) Meta-analysis of skewed data. "
        "Statistics in Medicine 27:6072-6092."
    ),
    "bounds": (
        "Meeker WQ, Escobar LA (1998) Statistical Methods for Reliability Data. Wiley, "
        "chapters 2 and 7."
    ),
    "quadrature": (
        "Liu Q, Pierce DA (1994) A note on Gauss-Hermite quadrature. Biometrika 81:624-629."
    ),
    "profile limits": (
        "Venzon DJ, Moolgavkar SH (1988) A method for computing profile-likelihood-based "
        "confidence intervals. Applied Statistics 37:87-94."
    ),
    "pooled mean": (
        "Hartung J, Knapp G (2001) A refined method for the meta-analysis of controlled clinical "
        "trials with binary outcome. Statistics in Medicine 20:3875-3889."
    ),
    "never narrower": (
        "Röver C, Knapp G, Friede T (2015) Hartung-Knapp-Sidik-Jonkman approach and its "
        "modification. BMC Medical Research Methodology 15:99."
    ),
    "new study": (
        "Higgins JPT, Thompson SG, Spiegelhalter DJ (2009) A re-evaluation of random-effects "
        "meta-analysis. Journal of the Royal Statistical Society A 172:137-159."
    ),
    "one absent": (
        "Viechtbauer W, Cheung MWL (2010) Outlier and influence diagnostics for meta-analysis. "
        "Research Synthesis Methods 1:112-125."
    ),
    "trait regression": (
        "Higgins JPT, Thompson SG (2004) Controlling the risk of spurious findings from "
        "meta-regression. Statistics in Medicine 23:1663-1682."
    ),
    "several tests": (
        "Holm S (1979) A simple sequentially rejective multiple test procedure. Scandinavian "
        "Journal of Statistics 6:65-70."
    ),
    "water": (
        "IAPWS SR6-08(2011) Revised supplementary release on properties of liquid water at "
        "0.1 MPa; IAPWS SR1-86(1992) on saturation."
    ),
    "density": (
        "Kell GS (1975) Density, thermal expansivity, and compressibility of liquid water. "
        "Journal of Chemical and Engineering Data 20:97-105."
    ),
    "vapour": (
        "Murphy DM, Koop T (2005) Review of the vapour pressures of ice and supercooled water. "
        "Quarterly Journal of the Royal Meteorological Society 131:1539-1565."
    ),
    "ice": "IAPWS R10-06(2009) Revised release on the equation of state of ice Ih.",
    "fronts": "Carslaw HS, Jaeger JC (1959) Conduction of Heat in Solids, section 11.2.",
}


def cite(*names: str) -> tuple[Text, ...]:
    """Give sources by the word for their method.

    Parameters
    ----------
    *names : str
        Keys of `REFERENCES`.

    Returns
    -------
    tuple of Text
    """
    return tuple(say("{source}", source=Fixed(REFERENCES[name])) for name in names)


INTERVAL_WORDS = {
    "hartung-knapp": "Hartung-Knapp",
    "hartung-knapp-floored": "Hartung-Knapp, never narrower than the plain one",
    "normal": "the plain one",
}
NEW_LAB = say(
    "The range for a new lab takes labs' true effects as normal (t on two degrees of freedom fewer "
    "than labs); the wider one also holds where some lie far out, as on a t distribution with "
    "three degrees of freedom."
)
TRAITS = say(
    "Each trait was tried by itself in a regression of the labs' slopes, weighted by their "
    "precision, with the disagreement that is left estimated by restricted likelihood; its "
    "p-value comes from permuting labs, then Holm's correction."
)
PHYSICS = say(
    "The expected time of each run is that of one well-mixed body of water that loses heat to "
    "air and base by convection, radiation and evaporation, then freezes through; the heat "
    "transfer of each study, where it was not stated, is taken from its own cold arm and its "
    "uncertainty carried by draws. What lies beyond physics is the mixed model's slope of log "
    "time minus log expected time."
)


def pool_method(pool: Values) -> tuple[Text, ...]:
    """Say in words what was really fitted."""
    split = (
        "with the start temperature split into its part within batches, between batches and "
        "between labs; levels and slopes vary between labs, levels between batches. The named "
        "pair is answered by what ordinary physics gives there plus the slope of what is beyond "
        "it."
    )
    if pool["unseen"]:
        fitted = say(
            "The logarithm of time was fitted by a mixed model that takes runs not seen exactly "
            "with their bounds (log-normal times, full likelihood by adaptive quadrature, profile "
            "intervals), " + split
        )
    else:
        fitted = say(
            "The logarithm of time was fitted by a linear mixed model (restricted likelihood, "
            "Kenward-Roger standard errors and degrees of freedom), " + split
        )
    steps = [say("{step}", step=Fixed(str(step))) for step in pool["steps_taken"]]
    engine = pool["second_engine"]
    second = say("Second engine: {engine}.", engine=Fixed(engine.rstrip("."))) if engine else Text()
    return tuple(t for t in (fitted, *steps, second) if t)


def pool_sources(pool: Values) -> tuple[Text, ...]:
    """Cite what was really fitted."""
    if pool["unseen"]:
        return cite("bounds", "quadrature", "profile limits", "published groups", "new study")
    return cite("small samples", "published groups", "new study")


def two_stage_method(pool: Values) -> tuple[Text, ...]:
    """Say how the studies were pooled from one effect each."""
    pooled = pool.get("two_stage")
    if not pooled:
        return ()
    return (
        say(
            "Two steps, one slope of what is beyond physics a study, then their mean weighted by "
            "precision. Disagreement: {spread}; interval: {interval}. Q {q} on {df} degrees of "
            "freedom, {share} {i2}.",
            spread=Fixed(str(pooled["spread"]).replace("-", " ")),
            interval=Fixed(INTERVAL_WORDS[pooled["interval"]]),
            q=show.show(number(pooled["q"]), "number"),
            df=show.show(pooled["q_df"], "count"),
            share=Fixed("I²"),
            i2=show.show(number(pooled["i2"]), "percent"),
        ),
    )
