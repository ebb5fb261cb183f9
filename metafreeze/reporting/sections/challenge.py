"""Does the effect survive? The verdicts, the ladder, the shuffle test, a hidden cause."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Between,
    Column,
    Fixed,
    Given,
    Section,
    TableContent,
    Text,
    Verdict,
    say,
)
from metafreeze.reporting.figures.choices import ChoicesFigure
from metafreeze.reporting.figures.ladder import LadderFigure
from metafreeze.reporting.figures.rows import EffectRow
from metafreeze.reporting.figures.ruler import Mark, RulerFigure
from metafreeze.reporting.sections.pooled import number, say_fixed

Values = Mapping[str, Any]

# The rung of the total effect; below it stand consequences held fixed, another question each.
TOTAL = "times not seen exactly"
CHOICE_WORDS = {
    "rows": "which runs count",
    "alike in": "what vessels must be alike in",
    "compared within": "what is compared with what",
    "scale": "the scale of time",
    "form": "the form of the line",
    "weights": "how much each lab counts",
}
RAW_SENTENCES = {
    "hotter first": "Yes{place}: starting hotter finished first.",
    "hotter first, under named conditions": "Yes{place}, under this condition: {condition}.",
    "apparent only": "Only in appearance{place}: the effect does not survive a fair comparison.",
    "no difference": "No{place}: any difference is smaller than what would matter.",
    "cooler first": "No{place}: the one that started cooler finished first.",
    "cannot tell": "These trials cannot tell{place}.",
}
PHYSICS_SENTENCES = {
    "sooner than physics": "The hotter one was sooner than ordinary physics allows.",
    "later than physics": "The hotter one was later than ordinary physics gives.",
    "nothing beyond ordinary physics": "Nothing was seen beyond ordinary physics.",
    "cannot tell": "Whether anything lies beyond ordinary physics cannot be told.",
}


def verdicts(challenge: Values) -> tuple[Verdict, ...]:
    """Say both verdicts in a sentence each, with what carries them."""
    if challenge.get("status") != "ok":
        return ()
    raw, physics = challenge["verdict"]["raw"], challenge["verdict"]["physics"]
    place = f" {raw['place']}" if raw["place"] else ""
    fields: dict[str, Any] = {"place": place}
    if "{condition}" in RAW_SENTENCES[raw["label"]]:
        fields["condition"] = Fixed(raw["condition"])
    total = next(r for r in challenge["ladder"] if r["rung"] == TOTAL)
    pair = {"hot_c": challenge["hot_c"], "cold_c": challenge["cold_c"]}
    excess = challenge["excess"]
    return (
        Verdict(
            question=say("Does the hotter one finish first?"),
            answer=say(RAW_SENTENCES[raw["label"]], **fields),
            because=say(
                "{why}. Like with like, {effect}.",
                why=Fixed(_capital(raw["because"])),
                effect=show.effect(
                    number(total["estimate"]), number(total["low"]), number(total["high"]), **pair
                ),
            )
            + _settled_by(challenge, "raw"),
        ),
        Verdict(
            question=say("Is there anything beyond ordinary physics?"),
            answer=say(PHYSICS_SENTENCES[physics["label"]]),
            because=say(
                "{why}. Against what physics expects of these vessels, {effect}.",
                why=Fixed(_capital(physics["because"])),
                effect=show.effect(
                    number(excess["log_ratio"]),
                    number(excess["low"]),
                    number(excess["high"]),
                    **pair,
                ),
            )
            + _settled_by(challenge, "physics"),
        ),
    )


def _settled_by(challenge: Values, which: str) -> Text:
    """Say what would change a verdict, or settle one that cannot be told."""
    change = challenge["verdict"][which]["change"]
    sentence = challenge["needed"][which] or (f"{change}." if change else "")
    return say(" ") + say_fixed(sentence) if sentence else Text()


def _of_path(path: Values) -> str:
    """Say what goes through one consequence, naming it once."""
    through, found = path["through"], path["found"]
    named = through.lower() in found.lower().split(",")[0]
    return str(found if named else f"{_capital(through)}: {found}")


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def ladder_section(challenge: Values) -> Section:
    """Show what happened to the effect under challenge."""
    question = say("What happened to the effect when like was compared with like?")
    if challenge.get("status") != "ok":
        return Section(
            key="ladder",
            question=question,
            answer=say_fixed(challenge.get("note", "It was not asked.")),
            applies=False,
        )
    rungs = challenge["ladder"]
    return Section(
        key="ladder",
        question=question,
        answer=say_fixed(challenge["ladder_found"]),
        figures=(
            LadderFigure(
                key="ladder-figure",
                caption=say(
                    "From the graph of all points at the top to like with like at the bottom. "
                    "Each rung changes one thing."
                ),
                rungs=tuple(
                    EffectRow(
                        label=_capital(r["rung"]),
                        estimate=number(r["estimate"]),
                        low=number(r["low"]),
                        high=number(r["high"]),
                        beside=show.count(int(r["rows"]), "row"),
                    )
                    for r in rungs
                ),
                kind="log-ratio",
                hot_c=number(challenge["hot_c"]),
                cold_c=number(challenge["cold_c"]),
            ),
        ),
        tables=(ladder_table(rungs),),
        method=(
            say(
                "The first rungs are least squares; from “within batches” on, the mixed model of "
                "the effect, the named pair bent by physics of each lab's typical vessel. Where "
                "a rung uses other rows, the rung before was computed again on the same rows. "
                "The wider of the model's interval and the one robust to clusters of a lab stands."
            ),
        ),
    )


def ladder_table(rungs: list[Values]) -> TableContent:
    """List the rungs with the change that each alone makes."""
    return TableContent(
        key="ladder-table",
        caption=say("Each rung, and what it alone changes on the same rows."),
        columns=(
            Column(heading="Rung", kind="words"),
            Column(heading="What is compared", kind="words"),
            Column(heading="Change of time", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Rows", kind="count"),
            Column(heading="Before, same rows", kind="log-ratio"),
        ),
        rows=tuple(
            (
                _capital(r["rung"]),
                r["question"],
                number(r["estimate"]),
                Between(low=number(r["low"]), high=number(r["high"])),
                int(r["rows"]),
                number(r["before_on_same_rows"]),
            )
            for r in rungs
        ),
        notes=tuple(
            say("{rung}: {note}", rung=_capital(r["rung"]), note=Fixed(str(r["note"])))
            for r in rungs
            if r["status"] not in ("ok", "boundary")
        ),
    )


def shuffle_section(challenge: Values) -> Section:
    """Say what dealing the start temperatures out anew gave."""
    question = say("Could the dealing of start temperatures alone have done it?")
    test = challenge.get("shuffle_test")
    if test is None or test["status"] != "ok":
        why = "" if test is None else test["note"]
        return Section(
            key="shuffle",
            question=question,
            answer=say("This does not apply: {why}.", why=Fixed(why or "it was not asked")),
            applies=False,
        )
    return Section(
        key="shuffle",
        question=question,
        answer=say(
            "Of {deals} deals of the temperatures as they were dealt, a share of {p} gives a slope "
            "as far from zero as what was seen, in {blocks}.",
            deals=show.show(test["deals"], "count"),
            p=show.show(test["p"], "p-value"),
            blocks=show.count(int(test["blocks"]), "batch", "batches"),
        ),
        paragraphs=(
            *_whole_batches(test),
            say(
                "The test asks whether there is no effect in any lab. It also answers no when labs "
                "differ around zero, so it can hold a verdict back and never carry one."
            ),
            *_shuffled_excess(challenge.get("shuffle_excess")),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Phipson B, Smyth GK (2010) Permutation p-values should never be zero. "
                    "Statistical Applications in Genetics and Molecular Biology 9:39."
                ),
            ),
        ),
    )


def _whole_batches(test: Values) -> tuple[Text, ...]:
    if not test["whole_batches"]:
        return ()
    return (
        say(
            "{batches} of a single temperature were dealt anew as a whole, within their lab.",
            batches=show.count(int(test["whole_batches"]), "batch", "batches"),
        ),
    )


def _shuffled_excess(test: Values | None) -> tuple[Text, ...]:
    if test is None or test["status"] != "ok":
        return ()
    return (
        say(
            "Asked of what is beyond ordinary physics in the same way, the share is {p}. It is "
            "also small when labs differ around what physics gives.",
            p=show.show(test["p"], "p-value"),
        ),
    )


def hidden_section(challenge: Values) -> Section:
    """Say how strong a hidden cause would have to be."""
    question = say("How strong would a hidden cause have to be?")
    value, ratio = challenge.get("robustness"), challenge.get("hidden_ratio")
    if value is None:
        return Section(
            key="hidden",
            question=question,
            answer=say("There is no slope within batches to explain away."),
            applies=False,
        )
    paragraphs: list[Text] = []
    if ratio is not None and not math.isnan(number(ratio["value"])):
        paragraphs.append(
            say(
                "On the scale of ratios, it would have to be tied to hot starts and to early "
                "finishes by a factor of {value} each ({limit} for the nearer limit). A ratio near "
                "one needs little, so a small factor here is not by itself a weakness.",
                value=show.show(number(ratio["value"]), "number"),
                limit=show.show(number(ratio["value_of_limit"]), "number"),
            )
        )
    return Section(
        key="hidden",
        question=question,
        answer=say(
            "To explain the effect within batches away, a cause that nobody measured would have to "
            "account for {share} of what is left of start temperature and of time alike.",
            share=show.show(number(value["value"]), "share"),
        )
        + _beside_measured(challenge.get("measured")),
        paragraphs=tuple(paragraphs),
        figures=(
            RulerFigure(
                key="hidden-ruler",
                caption=say(
                    "How strong a hidden cause would have to be, beside the causes that were "
                    "measured."
                ),
                marks=(
                    Mark(
                        words="to explain the effect away",
                        strength=number(value["value"]),
                        hidden=True,
                    ),
                    Mark(
                        words="to leave it unclear",
                        strength=number(value["value_at_level"]),
                        hidden=True,
                    ),
                    *(
                        Mark(words=m["cause"], strength=number(m["strength"]))
                        for m in _measured(challenge.get("measured"))
                    ),
                ),
            ),
        ),
        sources=tuple(
            say("{source}", source=Fixed(s))
            for s in (
                "Cinelli C, Hazlett C (2020) Making sense of sensitivity. Journal of the Royal "
                "Statistical Society B 82:39-67.",
                "VanderWeele TJ, Ding P (2017) Sensitivity analysis in observational research. "
                "Annals of Internal Medicine 167:268-274.",
            )
        ),
    )


def _measured(measured: Values | None) -> list[Values]:
    return [] if measured is None else list(measured["causes"])


def _beside_measured(measured: Values | None) -> Text:
    """Compare what a hidden cause would need with the strongest measured one."""
    causes = _measured(measured)
    if not causes:
        return say(" No cause was measured that differs within batches, to compare it with.")
    return say(
        " The strongest of those that were measured, “{cause}”, is as strong as one of {share}.",
        cause=Fixed(causes[0]["cause"]),
        share=show.show(number(causes[0]["strength"]), "share"),
    )


def challenge_sections(challenge: Values) -> tuple[Section, ...]:
    """Say what was asked beside ladder and verdicts; each part that does not apply says why."""
    if challenge.get("status") != "ok" or challenge.get("many_analyses") is None:
        return ()
    return (
        consequences_section(challenge["mediation"]),
        shuffle_section(challenge),
        hidden_section(challenge),
        sham_section(challenge["sham"]),
        shape_section(challenge["shape"]),
        start_error_section(challenge["start_error"]),
        missing_section(challenge),
        *plan_sections(challenge),
    )


def moving_choices(challenge: Values) -> tuple[Section, ...]:
    """Say which choice moves the answer, where it was asked."""
    if challenge.get("status") != "ok" or challenge.get("many_analyses") is None:
        return ()
    return (choices_section(challenge["many_analyses"], challenge),)


def choices_section(many: Values, challenge: Values) -> Section:
    """Say which choice of analysis moves the answer."""
    question = say("Which choice of analysis moves the answer?")
    if many["status"] != "ok":
        return _no_answer("choices", question, many["note"])
    paragraphs = []
    if many["p_median"] is not None and not math.isnan(number(many["p_median"])):
        paragraphs.append(
            say(
                "Had the start temperatures been dealt out anew, a share of {p} of the deals would "
                "put the middle answer as far from zero, and a share of {clear} would give as many "
                "clearly negative answers.",
                p=show.show(number(many["p_median"]), "p-value"),
                clear=show.show(number(many["p_clear"]), "p-value"),
            )
        )
    return Section(
        key="choices",
        question=question,
        answer=say(
            "Of {analyses}, {share} have the hotter one sooner; in the middle one, {effect}. "
            "What moves the answer most is {choice}.",
            analyses=show.count(int(challenge["analyses_run"]), "analysis", "analyses"),
            share=show.show(number(many["share_negative"]), "share"),
            effect=show.effect(
                number(many["median"]),
                math.nan,
                math.nan,
                hot_c=challenge["hot_c"],
                cold_c=challenge["cold_c"],
            ),
            choice=Fixed(CHOICE_WORDS[str(many["most_moved_by"])]),
        ),
        paragraphs=tuple(paragraphs),
        figures=(
            ChoicesFigure(
                key="choices-strip",
                caption=say("Every analysis that could be defended, sorted by its answer."),
                analyses=tuple(
                    (number(a["estimate"]), number(a["low"]), number(a["high"]))
                    for a in many["analyses"]
                ),
                kind="log-ratio",
                hot_c=number(challenge["hot_c"]),
                cold_c=number(challenge["cold_c"]),
            ),
        ),
        tables=(
            TableContent(
                key="choices-table",
                caption=say(
                    "Each option of each choice: the middle of all analyses that took it. Effects "
                    "are for {hot} against {cold}.",
                    hot=show.show(number(challenge["hot_c"]), "celsius"),
                    cold=show.show(number(challenge["cold_c"]), "celsius"),
                ),
                columns=(
                    Column(heading="Choice", kind="words"),
                    Column(heading="Option", kind="words"),
                    Column(heading="Analyses", kind="count"),
                    Column(heading="Middle answer", kind="log-ratio"),
                    Column(heading="Hotter sooner in", kind="share"),
                ),
                rows=tuple(
                    (
                        _capital(m["choice"]),
                        m["option"],
                        int(m["analyses"]),
                        number(m["median"]),
                        number(m["share_negative"]),
                    )
                    for m in many["moves"]
                ),
            ),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Simonsohn U, Simmons JP, Nelson LD (2020) Specification curve analysis. "
                    "Nature Human Behaviour 4:1208-1214."
                ),
            ),
        ),
    )


def shape_section(shape: Values) -> Section:
    """Say whether a hotter start beats a cooler one anywhere."""
    question = say("Does a hotter start beat a cooler one anywhere in the range?")
    if shape["status"] != "ok":
        return _no_answer("shape", question, shape["note"])
    return Section(
        key="shape",
        question=question,
        answer=say_fixed(shape["found"]),
        tables=(
            TableContent(
                key="shape-table",
                caption=say(
                    "Each start against the coldest and against the next cooler one, within "
                    "batches. The intervals hold together, over these and all other pairs."
                ),
                columns=(
                    Column(heading="Hot", kind="celsius"),
                    Column(heading="Cold", kind="celsius"),
                    Column(heading="Change of time", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                ),
                rows=tuple(
                    (
                        number(p["hot_c"]),
                        number(p["cold_c"]),
                        number(p["log_ratio"]),
                        Between(low=number(p["low"]), high=number(p["high"])),
                    )
                    for p in _telling_pairs(shape["pairs"])
                ),
            ),
        ),
        method=(
            say(
                "A natural spline within batches; the largest of all deviations decides how wide "
                "the intervals are. It speaks of these labs and adjusts for no vessel."
            ),
        ),
    )


def _telling_pairs(pairs: list[Values]) -> list[Values]:
    """Keep pairs with the coldest start and pairs of neighbours: the others follow."""
    levels = sorted({p["cold_c"] for p in pairs} | {p["hot_c"] for p in pairs})
    below = dict(zip(levels[1:], levels, strict=False))
    return [p for p in pairs if p["cold_c"] in (levels[0], below[p["hot_c"]])]


def consequences_section(parts: list[Values]) -> Section:
    """Say how much goes through what starting hot brings about."""
    question = say("How much goes through what starting hot brings about?")
    fitting = [p for p in parts if p["status"] == "ok"]
    if not fitting:
        return _no_answer(
            "consequences",
            question,
            "physics expects nothing of these rows, and no consequence of starting hot, such as "
            "supercooling, was written down in enough batches",
        )
    return Section(
        key="consequences",
        question=question,
        answer=say_fixed(" ".join(_of_path(p) for p in fitting)),
        paragraphs=(
            say(
                "This depends on the model. Evaporation is what physics gives for start "
                "temperature and vessel: mass lost by the end of a run is never used, since slow "
                "vessels lose more. For what was written down it takes for granted that nothing "
                "unseen drives the consequence and the time together. The verdicts do not use it."
            ),
        ),
        tables=(
            TableContent(
                key="consequences-table",
                caption=say("The effect split by each consequence."),
                columns=(
                    Column(heading="Through", kind="words"),
                    Column(heading="Whole", kind="log-ratio"),
                    Column(heading="Past it", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                    Column(heading="Through it", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio", key="interval-through"),
                    Column(heading="Batches", kind="count"),
                ),
                rows=tuple(
                    (
                        _capital(p["through"]),
                        number(p["total"]),
                        number(p["direct"]),
                        Between(low=number(p["direct_low"]), high=number(p["direct_high"])),
                        number(p["indirect"]),
                        Between(low=number(p["indirect_low"]), high=number(p["indirect_high"])),
                        int(p["blocks"]),
                    )
                    for p in fitting
                ),
            ),
        ),
    )


def sham_section(sham: Values) -> Section:
    """Set the difference of sham pairs beside the effect."""
    question = say("Do vessels differ that were started alike?")
    if sham["status"] != "ok":
        return _no_answer("sham", question, sham["note"])
    return Section(
        key="sham",
        question=question,
        answer=say(
            "{found} Over {pairs}, the time of the one labelled A differed from that of B by "
            "{effect}.",
            found=Fixed(sham["found"]),
            pairs=show.count(int(sham["pairs"]), "batch", "batches"),
            effect=show.show(number(sham["log_ratio"]), "log-ratio"),
        ),
    )


def start_error_section(found: Values) -> Section:
    """Say what error in the start temperatures hides."""
    question = say("How much does error in the start temperatures hide?")
    if found["status"] != "ok":
        return _no_answer("start-error", question, found["note"])
    return Section(
        key="start-error",
        question=question,
        answer=say(
            "A typical error of {error}{assumed} hides {share} of the effect within batches.",
            error=show.show(number(found["error_sd_k"]), "kelvin"),
            assumed=Fixed(", assumed where nobody wrote it down," if found["assumed"] else ""),
            share=show.show(number(found["hidden_share"]), "share"),
        ),
        method=(
            say(
                "Noise of the same kind was added on purpose, up to twice as much, and the way the "
                "slope flattens followed back to none. The verdicts are not corrected for it."
            ),
        ),
        sources=(
            say(
                "{source}",
                source=Fixed(
                    "Cook JR, Stefanski LA (1994) Simulation-extrapolation estimation in "
                    "parametric measurement error models. Journal of the American Statistical "
                    "Association 89:1314-1328."
                ),
            ),
        ),
    )


def plan_sections(challenge: Values) -> tuple[Section, ...]:
    """Say what was fixed before the data, whether it was kept, and who looked in between."""
    planned, departures = challenge["planned"], challenge["departures"]
    looks = int(challenge["looks"])
    if not planned and not looks:
        return ()
    question = say("Was anything fixed before the data, and was it kept?")
    seen = (
        say(
            "The answer was seen {times} before the last runs of the same lab.",
            times=show.count(looks, "time"),
        )
        if looks
        else say("Nobody saw the answer before the last run.")
    )
    if not planned:
        return (
            Section(
                key="plan",
                question=question,
                answer=say("No plan was sealed. ") + seen,
                paragraphs=(
                    say(
                        "Whoever may stop when the answer pleases finds an effect too often; so "
                        "without a sealed rule for the end no effect is claimed."
                    ),
                ),
            ),
        )
    paragraphs = [say_fixed(d) for d in departures]
    if planned["stopping_rule"]:
        paragraphs.append(
            say("Trials were to end: {rule}. ", rule=Given(planned["stopping_rule"])) + seen
        )
    elif looks:
        paragraphs.append(say("The plan does not say when trials end. ") + seen)
    for text, runs in planned["exclusions"].items():
        paragraphs.append(
            say(
                "Left out as planned, “{rule}”: {runs}.",
                rule=Given(text),
                runs=show.count(int(runs), "run"),
            )
        )
    conditions = challenge["conditions"]
    return (
        Section(
            key="plan",
            question=question,
            answer=(
                say("A plan was sealed, and not kept in everything.")
                if departures
                else say("A plan was sealed, and kept.")
            ),
            paragraphs=tuple(paragraphs),
            tables=(_conditions_table(conditions),) if conditions else (),
        ),
    )


def _conditions_table(conditions: list[Values]) -> TableContent:
    return TableContent(
        key="conditions-table",
        caption=say(
            "Conditions that the sealed plan named. Intervals are widened for asking so many "
            "questions; the last column is the share of chance with which the effect would differ "
            "as much from that of the other runs."
        ),
        columns=(
            Column(heading="Condition", kind="given"),
            Column(heading="Labs", kind="count"),
            Column(heading="Change of time", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Beyond physics", kind="log-ratio"),
            Column(heading="Differs", kind="p-value"),
        ),
        rows=tuple(
            (
                c["condition"],
                int(c["studies"]),
                number(c["estimate"]),
                Between(low=number(c["low"]), high=number(c["high"])),
                Between(low=number(c["excess_low"]), high=number(c["excess_high"])),
                number(c["interaction_p"]),
            )
            for c in conditions
        ),
        notes=tuple(
            say("{condition}: {note}", condition=Given(c["condition"]), note=Fixed(c["note"]))
            for c in conditions
            if c["note"]
        ),
    )


def missing_section(challenge: Values) -> Section:
    """Count what covariates would cost, and warn where the question changed."""
    missing, warnings = challenge["missing"], challenge["warnings"]
    question = say("What was not written down?")
    if not missing:
        return Section(
            key="missing",
            question=question,
            answer=say("Every row says what its vessel was and where it stood."),
            paragraphs=tuple(say_fixed(w) for w in warnings),
        )
    return Section(
        key="missing",
        question=question,
        answer=say(
            "{fields} that could tell vessels of a batch apart are empty in some rows. Rows are "
            "never filled up silently: a field that most rows leave empty is not adjusted for.",
            fields=show.count(int(challenge["missing_fields"]), "field"),
        ),
        paragraphs=tuple(say_fixed(w) for w in warnings)
        + _filled_words(challenge["missing_covariates"]),
        method=_filled_method(challenge["missing_covariates"]),
        tables=(
            *_filled_table(challenge["missing_covariates"], challenge),
            TableContent(
                key="missing-table",
                caption=say("Rows and whole labs that adjusting for a field would cost."),
                columns=(
                    Column(heading="Field", kind="words"),
                    Column(heading="Rows without it", kind="count"),
                    Column(heading="Labs without it", kind="count"),
                ),
                rows=tuple(
                    (_capital(m["label"]), int(m["rows_without"]), int(m["studies_without"]))
                    for m in missing
                ),
            ),
        ),
    )


def _filled_words(found: Values) -> tuple[Text, ...]:
    if found["status"] != "ok":
        return ()
    from metafreeze.register.schema import FIELD

    fields = ", ".join(FIELD[name].label for name in found["fields"])
    return (
        say(
            "Adjusted for what only some rows say ({fields}), with rows that lack it left out or "
            "the gaps filled in: {said}",
            fields=Fixed(fields),
            said=Fixed(found["found"][:1].lower() + found["found"][1:]),
        ),
    )


def _filled_table(found: Values, challenge: Values) -> tuple[TableContent, ...]:
    if found["status"] != "ok":
        return ()
    ladder = challenge["ladder"]
    total = next(r for r in ladder if r["rung"] == TOTAL)
    rows: list[tuple[object, ...]] = [
        (
            "As in the ladder",
            number(total["estimate"]),
            Between(low=number(total["low"]), high=number(total["high"])),
            math.nan,
            int(total["rows"]),
            math.nan,
        )
    ]
    rows += [
        (
            _capital(w["way"]),
            number(w["estimate"]),
            Between(low=number(w["low"]), high=number(w["high"])),
            number(w["before_on_same_rows"]),
            int(w["rows"]),
            number(w["lost_information"]),
        )
        for w in found["ways"]
    ]
    return (
        TableContent(
            key="filled-table",
            caption=say("The effect under two ways of dealing with gaps."),
            columns=(
                Column(heading="Way", kind="words"),
                Column(heading="Change of time", kind="log-ratio"),
                Column(heading="Interval", kind="log-ratio"),
                Column(heading="Without them, same rows", kind="log-ratio"),
                Column(heading="Rows", kind="count"),
                Column(heading="Lost to the gaps", kind="share"),
            ),
            rows=tuple(rows),
        ),
    )


def _filled_method(found: Values) -> tuple[Text, ...]:
    if found["status"] != "ok":
        return ()
    return (
        say(
            "Gaps were filled {times}, each from a row that looks alike under a model of the other "
            "columns with a level for each lab (chained equations); the answers were pooled by "
            "Rubin's rules with Barnard and Rubin's degrees of freedom. It assumes that whether a "
            "value is missing depends on what was written down. No verdict uses it.",
            times=show.count(int(found["imputations"]), "time"),
        ),
    )


def _no_answer(key: str, question: Text, why: str) -> Section:
    return Section(
        key=key,
        question=question,
        answer=say("This does not apply: {why}.", why=Fixed(why)),
        applies=False,
    )
