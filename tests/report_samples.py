"""Invented reports for the tests of the pages. No number here was ever measured.

Each sample is the content, the results that it was made from and the tables beside them, as the
analysis would hand them over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.reporting import numbers as show
from metafreeze.reporting.content import (
    Banner,
    Between,
    Caution,
    Code,
    Column,
    Fixed,
    Given,
    Provenance,
    Report,
    Section,
    TableContent,
    Verdict,
    say,
)
from metafreeze.reporting.figures.absent import AbsentFigure
from metafreeze.reporting.figures.points import PointsFigure, StudyPoints
from metafreeze.reporting.figures.rows import EffectRow
from metafreeze.reporting.figures.spread import NamedRange, SpreadFigure
from metafreeze.reporting.figures.studies import StudiesFigure

HOT_C, COLD_C = 80.0, 20.0
SINK_C = -18.0

DEMO_NAMES = (
    "Harbour ice store",
    "Upper quarry pond house",
    "Rink workshop",
    "Fish auction cellar",
    "Hill station, north shed",
    "Bakery proving room",
    "Printed table A (invented)",
    "Printed table B (invented)",
)

HOSTILE_NAMES = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    '=HYPERLINK("x","y")',
    "+1+1",
    "-2-2",
    "@SUM(A1)",
    "\tTab first",
    "abc\u202edcba\u202c end",
    "\u2066isolated\u2069",
    "line one\nline two\r\nline three",
    "nul\x00bell\x07escape\x1b[31mred",
    "]]><!-- --> --> */ </style></title></svg>",
    "$\\frac{1}{2}$ and $x^2$",
    "{{ 7 * 7 }} {% raw %} #{1+1} #let x = 1",
    "&lt;b&gt; &amp; &#x27;",
    "\\ue000 backslash \\n ' \" `",
    "\ufeffmark\u00adsoft\u2060joiner",
    "long " + "na" * 5000 + " end",
)


@dataclass(frozen=True, kw_only=True)
class Sample:
    """A report with what it was made from."""

    report: Report
    results: dict[str, Any]
    tables: dict[str, pd.DataFrame]


def long_names(count: int) -> list[str]:
    """Names of 60 characters, names in other scripts, and short ones in turn."""
    other = [
        "Ледовая станция на реке Каме, нижний цех",
        "Παγοποιείο λιμένος, δεύτερος όροφος",
        "מעבדת הקרח של בית הספר (צפון) 12",
        "محطة الجليد الشمالية – الغرفة 3",
        "凉水实验室二号冷柜",
        "氷の研究室・北館",
        "얼음 창고 실험실",
        "बर्फ़ घर प्रयोगशाला",
        "ห้องเย็นริมแม่น้ำ",
        "Phòng thí nghiệm nước đá số một",
    ]
    twin = "Community workshop of the lower valley, second chest freezer "
    out = []
    for place in range(count):
        if place < 2:
            out.append(twin[:59] + "ab"[place])
        elif place < 2 + len(other):
            out.append(other[place - 2])
        elif place % 3 == 0:
            out.append(f"Evening class of the technical college, cohort {place}, two freezers")
        else:
            out.append(f"Shed {place}")
    return out


def ranges(rows: pd.DataFrame) -> dict[str, float]:
    """Give the ends that the words of the graph of all points name."""
    ends = [*rows["time_lower_s"], *rows["time_upper_s"][np.isfinite(rows["time_upper_s"])]]
    return {
        "start_low_c": float(rows["start_temp_c"].min()),
        "start_high_c": float(rows["start_temp_c"].max()),
        "time_low_s": float(min(ends)),
        "time_high_s": float(max(ends)),
    }


def simulated_rows(
    names: tuple[str, ...] | list[str], runs_each: int, *, seed: int, windows: bool = False
) -> pd.DataFrame:
    """Invent one row per run: a study level, a study slope, scatter, here and there a window."""
    rng = np.random.default_rng(seed)
    frames = []
    for place, name in enumerate(names):
        start = np.tile([20.0, 40.0, 60.0, 80.0], -(-runs_each // 4))[:runs_each]
        start = start + rng.normal(0, 0.6, runs_each).round(1)
        level = math.log(9000) + rng.normal(0, 0.35)
        slope = 0.0009 + rng.normal(0, 0.0006)
        time = np.exp(level + slope * (start - 20) + rng.normal(0, 0.05, runs_each))
        lower, upper = time.round(0), time.round(0)
        if windows and place % 3 == 2:
            lower = np.floor(time / 600) * 600
            upper = lower + 600
            upper[::7] = np.inf
        frames.append(
            pd.DataFrame(
                {"study": name, "start_temp_c": start, "time_lower_s": lower, "time_upper_s": upper}
            )
        )
    return pd.concat(frames, ignore_index=True)


def study_results(rows: pd.DataFrame) -> pd.DataFrame:
    """Give each study a line and an interval; crude, but these are inventions."""
    out = []
    for name, own in rows.groupby("study", sort=False):
        x = own["start_temp_c"].to_numpy() - own["start_temp_c"].mean()
        y = np.log(own["time_lower_s"].clip(lower=1).to_numpy())
        slope = float(x @ y / (x @ x))
        level = float(y.mean())
        rest = y - level - slope * x
        se = float(np.sqrt(rest @ rest / max(len(y) - 2, 1) / (x @ x)))
        effect, half = slope * (HOT_C - COLD_C), 2.2 * se * (HOT_C - COLD_C)
        cold, hot = float(own["start_temp_c"].min()), float(own["start_temp_c"].max())
        middle = own["start_temp_c"].mean()
        out.append(
            {
                "study": name,
                "runs": len(own),
                "effect": effect,
                "low": effect - half,
                "high": effect + half,
                "line_cold_c": cold,
                "line_hot_c": hot,
                "line_cold_s": float(np.exp(level + slope * (cold - middle))),
                "line_hot_s": float(np.exp(level + slope * (hot - middle))),
                "reason": "",
            }
        )
    return pd.DataFrame(out)


def pooled_results(effects: pd.Series) -> dict[str, float]:
    """Pool by the plain mean: enough for a page to have something to show."""
    known = effects.dropna()
    mean, sd, k = float(known.mean()), float(known.std(ddof=1)), len(known)
    half = 2.3 * sd / math.sqrt(k)
    return {
        "estimate": mean,
        "low": mean - half,
        "high": mean + half,
        "new_low": mean - 2.5 * sd,
        "new_high": mean + 2.5 * sd,
        "labs_low": mean - sd,
        "labs_high": mean + sd,
        "repeat_low": mean - 0.05,
        "repeat_high": mean + 0.05,
    }


def _line(row: Any) -> tuple[tuple[float, float], ...]:
    return ((row.line_cold_c, row.line_cold_s), (row.line_hot_c, row.line_hot_s))


def _points(rows: pd.DataFrame, studies: pd.DataFrame, across: dict[str, float]) -> PointsFigure:
    by_name = dict(iter(rows.groupby("study", sort=False)))
    return PointsFigure(
        key="all-points",
        caption=say("Every run, and over them the line that each study's own runs give."),
        what="fully frozen after",
        studies=tuple(
            StudyPoints(
                label=row.study,
                start_c=tuple(by_name[row.study]["start_temp_c"]),
                lower_s=tuple(by_name[row.study]["time_lower_s"]),
                upper_s=tuple(by_name[row.study]["time_upper_s"]),
                line=_line(row),
            )
            for row in studies.itertuples()
        ),
        across=(
            (across["cold_c"], across["cold_s"]),
            (across["hot_c"], across["hot_s"]),
        )
        if across
        else (),
    )


def _studies_section(studies: pd.DataFrame, pool: dict[str, float]) -> Section:
    rows = tuple(
        EffectRow(
            label=r.study,
            estimate=r.effect,
            low=r.low,
            high=r.high,
            beside=show.count(int(r.runs), "run"),
        )
        for r in studies.itertuples()
    )
    together = (
        EffectRow(
            label="All studies together",
            estimate=pool["estimate"],
            low=pool["low"],
            high=pool["high"],
        )
        if pool
        else None
    )
    table = TableContent(
        key="studies-table",
        caption=say("The studies"),
        columns=(
            Column(heading="Study", kind="given"),
            Column(heading="Runs", kind="count"),
            Column(heading="Effect", kind="log-ratio"),
            Column(heading="Interval", kind="log-ratio"),
            Column(heading="Remark", kind="words"),
        ),
        rows=tuple(
            (r.study, r.runs, r.effect, Between(low=r.low, high=r.high), r.reason)
            for r in studies.itertuples()
        ),
        notes=(
            say(
                "Effect: change in time from {cold} to {hot}.",
                cold=show.show(COLD_C, "celsius"),
                hot=show.show(HOT_C, "celsius"),
            ),
        ),
    )
    return Section(
        key="studies",
        question=say("What does each study say?"),
        answer=say(
            "{n}, each with {runs}.",
            n=show.count(len(studies), "study", "studies"),
            runs="its own level and its own slope",
        ),
        figures=(
            StudiesFigure(
                key="studies-figure",
                caption=say(
                    "Each study's effect with its interval, sorted by effect. The band is the "
                    "range for all studies together, the lighter one the range for a new lab."
                ),
                rows=rows,
                kind="log-ratio",
                together=together,
                new_lab=Between(low=pool["new_low"], high=pool["new_high"]) if pool else None,
                hot_c=HOT_C,
                cold_c=COLD_C,
            ),
        ),
        tables=(table,),
        method=(
            say(
                "Least squares within each study; intervals at {level}.",
                level=show.constant(95, "percent"),
            ),
        ),
        sources=(say("{source}", source=Fixed("An invented source (2001), equation 3.")),),
    )


def _spread_section(studies: pd.DataFrame, pool: dict[str, float]) -> Section:
    return Section(
        key="spread",
        question=say("How much do labs disagree?"),
        answer=say(
            "A new lab would find anything from {limits}.",
            limits=show.between(pool["new_low"], pool["new_high"], "log-ratio", signed=True),
        ),
        figures=(
            SpreadFigure(
                key="spread-figure",
                caption=say("Every lab's effect as one dot, and ranges to the same axis."),
                estimates=tuple(studies["effect"]),
                kind="log-ratio",
                ranges=(
                    NamedRange(
                        words=say("A repeat in the same lab with the same gear"),
                        low=pool["repeat_low"],
                        high=pool["repeat_high"],
                    ),
                    NamedRange(
                        words=say("Where two of three labs would lie"),
                        low=pool["labs_low"],
                        high=pool["labs_high"],
                    ),
                    NamedRange(words=say("A new lab"), low=pool["new_low"], high=pool["new_high"]),
                ),
                hot_c=HOT_C,
                cold_c=COLD_C,
            ),
        ),
        method=(say("Restricted likelihood for the spread between studies."),),
    )


def _absent_section(absent: pd.DataFrame, pool: dict[str, float]) -> Section:
    return Section(
        key="absent",
        question=say("Would the answer change if one study were absent?"),
        answer=say("No study carries the answer alone."),
        figures=(
            AbsentFigure(
                key="absent-figure",
                caption=say("What the others say together, by the study left out."),
                rows=tuple(
                    EffectRow(label=r.study, estimate=r.effect, low=r.low, high=r.high)
                    for r in absent.itertuples()
                ),
                kind="log-ratio",
                together=EffectRow(
                    label="All studies together",
                    estimate=pool["estimate"],
                    low=pool["low"],
                    high=pool["high"],
                ),
                hot_c=HOT_C,
                cold_c=COLD_C,
            ),
        ),
        tables=(
            TableContent(
                key="absent-table",
                caption=say("All studies but one"),
                columns=(
                    Column(heading="Left out", kind="given"),
                    Column(heading="Effect of the rest", kind="log-ratio"),
                    Column(heading="Interval", kind="log-ratio"),
                ),
                rows=tuple(
                    (r.study, r.effect, Between(low=r.low, high=r.high))
                    for r in absent.itertuples()
                ),
            ),
        ),
    )


def _absent_results(effects: pd.DataFrame) -> pd.DataFrame:
    out = []
    for place in range(len(effects)):
        rest = pooled_results(effects["effect"].drop(index=effects.index[place]))
        out.append(
            {
                "study": effects["study"].iloc[place],
                "effect": rest["estimate"],
                "low": rest["low"],
                "high": rest["high"],
            }
        )
    return pd.DataFrame(out)


CAUTIONS = (
    Caution(
        hazard="Scalds",
        text=say("Use the lowest temperature that serves; carry hot vessels lidded."),
    ),
    Caution(
        hazard="Glass",
        text=say("Put a pad between hot glass and cold metal; no scratched glass."),
    ),
    Caution(
        hazard="Sealed vessels",
        text=say(
            "Ice takes about {share} more room than water: leave headspace.",
            share=show.constant(9, "percent"),
        ),
    ),
)

HOW_TO_ADD = (
    say(
        "Fill in a sheet: {command} gives an empty one.",
        command=Code("metafreeze template runs"),
    ),
    say("Add it: {command}.", command=Code("metafreeze add REGISTER trials.csv")),
    say("Write this report again: {command}.", command=Code("metafreeze report REGISTER")),
)

INVENTED = Banner(
    heading="Invented data.",
    text=say("Nobody measured this. It shows what a report looks like."),
)


def _provenance(files: tuple[str, ...]) -> tuple[Provenance, ...]:
    lines = (
        Provenance(name="Register", text=say("{x}", x=Fixed("3f9c1e0d52ab77c4"))),
        Provenance(name="Version", text=say("{x}", x=Fixed("metafreeze 0.1.0"))),
        Provenance(name="Seed", text=say("{x}", x=Fixed("20250301"))),
    )
    return lines + tuple(Provenance(name="File", text=say("{f}", f=Given(f))) for f in files)


def _across(rows: pd.DataFrame) -> dict[str, float]:
    x = rows["start_temp_c"] - rows["start_temp_c"].mean()
    y = np.log(rows["time_lower_s"].clip(lower=1))
    slope = float((x * y).sum() / (x * x).sum())
    cold, hot = float(rows["start_temp_c"].min()), float(rows["start_temp_c"].max())
    middle = float(rows["start_temp_c"].mean())
    return {
        "cold_c": cold,
        "hot_c": hot,
        "cold_s": float(np.exp(y.mean() + slope * (cold - middle))),
        "hot_s": float(np.exp(y.mean() + slope * (hot - middle))),
    }


def _network(
    names: tuple[str, ...] | list[str],
    runs_each: int,
    *,
    seed: int,
    title: str,
    windows: bool = False,
    banners: tuple[Banner, ...] = (INVENTED,),
) -> Sample:
    rows = simulated_rows(names, runs_each, seed=seed, windows=windows)
    studies = study_results(rows)
    if len(studies) > 6:
        studies.loc[5, ["low", "high"]] = math.nan
        studies.loc[5, "reason"] = "printed without any spread"
        studies.loc[3, ["low", "high"]] += np.array([-0.9, 1.1])
    pool = pooled_results(studies["effect"])
    across = _across(rows)
    absent = _absent_results(studies) if len(studies) > 2 else pd.DataFrame()
    results = {
        "pair": {"hot_c": HOT_C, "cold_c": COLD_C},
        "sink_c": SINK_C,
        "counts": {"runs": len(rows), "studies": len(studies)},
        "pool": pool,
        "across": across,
        "ranges": ranges(rows),
        "studies": studies.to_dict("records"),
        "absent": absent.to_dict("records"),
    }
    sentence = show.effect(pool["estimate"], pool["low"], pool["high"], hot_c=HOT_C, cold_c=COLD_C)
    sections = [
        _studies_section(studies, pool),
        Section(
            key="points",
            question=say("What do all points show on one graph?"),
            answer=say("Between labs the times differ far more than within them."),
            figures=(_points(rows, studies, across),),
        ),
        _spread_section(studies, pool),
    ]
    if len(absent):
        sections.append(_absent_section(absent, pool))
    sections.append(
        Section(
            key="curves",
            question=say("What do the cooling curves show?"),
            answer=say("Does not apply: the register holds no temperature traces."),
            applies=False,
        )
    )
    report = Report(
        title=say(title),
        lead=(
            say(
                "{runs} in {labs}, sink at {sink}. Endpoint: fully frozen.",
                runs=show.count(len(rows), "run"),
                labs=show.count(len(studies), "lab"),
                sink=show.show(SINK_C, "celsius"),
            ),
        ),
        banners=banners,
        verdicts=(
            Verdict(
                question=say("Does the hotter one finish first?"),
                answer=say("Cooler first: {effect}.", effect=sentence),
                because=say("Every study left out in turn leaves it so."),
            ),
            Verdict(
                question=say("Is there anything beyond ordinary physics?"),
                answer=say("Nothing beyond ordinary physics was seen."),
                because=say("The interval of what is left over holds zero."),
            ),
        ),
        summary=(
            say(
                "A new lab would find {limits}.",
                limits=show.between(pool["new_low"], pool["new_high"], "log-ratio", signed=True),
            ),
            say("Labs disagree more than repeats within a lab do."),
        ),
        sections=tuple(sections),
        warnings=(
            say(
                "{name} was printed without any spread.", name=Given(str(studies["study"].iloc[-1]))
            ),
        ),
        cautions=CAUTIONS,
        how_to_add=HOW_TO_ADD,
        provenance=_provenance(("harbour.csv", "quarry pond.xlsx")),
    )
    return Sample(report=report, results=results, tables={"rows": rows, "studies": studies})


def demo() -> Sample:
    """Give eight studies, one without limits, one with a very wide interval, some windows."""
    return _network(
        DEMO_NAMES, 24, seed=5, title="Does water that starts hotter freeze sooner?", windows=True
    )


def two_studies() -> Sample:
    """Give two studies."""
    return _network(DEMO_NAMES[:2], 12, seed=8, title="Two freezers, one question")


def many_studies() -> Sample:
    """Give sixty studies with long and non-Latin names."""
    return _network(long_names(60), 12, seed=9, title="Sixty sites, one question", windows=True)


def hostile() -> Sample:
    """Give studies whose names try to be something else."""
    return _network(HOSTILE_NAMES, 8, seed=10, title="Names that are not what they seem")


def one_study() -> Sample:
    """Give one study of twelve rows: no other lab, so most sections do not apply."""
    name = "My chest freezer"
    rows = simulated_rows((name,), 12, seed=12)
    studies = study_results(rows)
    own = studies.iloc[0]
    results = {
        "pair": {"hot_c": HOT_C, "cold_c": COLD_C},
        "counts": {"runs": 12, "studies": 1},
        "ranges": ranges(rows),
        "rows": rows.to_dict("records"),
        "studies": studies.to_dict("records"),
    }
    alone = say("Does not apply: one freezer says nothing about other labs.")
    return Sample(
        report=Report(
            title=say("Twelve cups in one freezer"),
            lead=(say("{runs} in one freezer.", runs=show.count(12, "run")),),
            verdicts=(
                Verdict(
                    question=say("Does the hotter one finish first?"),
                    answer=say(
                        "In this freezer it cannot be told: {effect}.",
                        effect=show.effect(
                            float(own.effect),
                            float(own.low),
                            float(own.high),
                            hot_c=HOT_C,
                            cold_c=COLD_C,
                        ),
                    ),
                    because=say("The interval reaches both sides of no difference."),
                ),
            ),
            summary=(say("To test evaporation, weigh before and after."),),
            sections=(
                Section(
                    key="points",
                    question=say("What do all points show on one graph?"),
                    answer=say("The runs of this freezer, with the line through them."),
                    figures=(_points(rows, studies, {}),),
                    tables=(
                        TableContent(
                            key="runs-table",
                            caption=say("The runs"),
                            columns=(
                                Column(heading="Study", kind="given"),
                                Column(heading="Start temperature", kind="celsius"),
                                Column(heading="Fully frozen after", kind="seconds"),
                            ),
                            rows=tuple(
                                (r.study, r.start_temp_c, r.time_lower_s) for r in rows.itertuples()
                            ),
                        ),
                    ),
                ),
                Section(
                    key="spread",
                    question=say("How much do labs disagree?"),
                    answer=alone,
                    applies=False,
                ),
                Section(
                    key="absent",
                    question=say("Would the answer change if one study were absent?"),
                    answer=alone,
                    applies=False,
                ),
            ),
            cautions=CAUTIONS,
            how_to_add=HOW_TO_ADD,
            provenance=_provenance(("trials.csv",)),
        ),
        results=results,
        tables={"rows": rows, "studies": studies},
    )


def nothing_estimable() -> Sample:
    """Give three studies of which none can give an effect."""
    names = ("Cellar", "Balcony", "Loading bay")
    rows = pd.DataFrame(
        {
            "study": names,
            "start_temp_c": [20.0, 20.0, 21.0],
            "time_lower_s": [7200.0, 8100.0, 6900.0],
            "time_upper_s": [7200.0, math.inf, 6900.0],
        }
    )
    reason = "all runs start at one temperature"
    studies = pd.DataFrame(
        {
            "study": names,
            "runs": [1, 1, 1],
            "effect": math.nan,
            "low": math.nan,
            "high": math.nan,
            "reason": reason,
        }
    )
    section = _studies_section(studies, {})
    section = Section(
        key=section.key,
        question=section.question,
        answer=say("No study can say."),
        figures=section.figures,
        tables=section.tables,
        status="unidentifiable",
        note=say("All runs of every study start at one temperature."),
    )
    points = PointsFigure(
        key="all-points",
        caption=say("Every run."),
        what="fully frozen after",
        studies=tuple(
            StudyPoints(
                label=r.study,
                start_c=(r.start_temp_c,),
                lower_s=(r.time_lower_s,),
                upper_s=(r.time_upper_s,),
            )
            for r in rows.itertuples()
        ),
    )
    report = Report(
        title=say("Three freezers, no pair of temperatures"),
        lead=(say("{runs} in {labs}.", runs=show.count(3, "run"), labs=show.count(3, "lab")),),
        verdicts=(
            Verdict(
                question=say("Does the hotter one finish first?"),
                answer=say(
                    "Cannot tell: {effect}.",
                    effect=show.effect(math.nan, math.nan, math.nan, hot_c=HOT_C, cold_c=COLD_C),
                ),
                because=say("No study has two start temperatures."),
            ),
        ),
        sections=(
            section,
            Section(
                key="points",
                question=say("What do all points show on one graph?"),
                answer=say("Three runs, no line."),
                figures=(points,),
            ),
        ),
        cautions=CAUTIONS,
    )
    results = {
        "pair": {"hot_c": HOT_C, "cold_c": COLD_C},
        "counts": {"runs": 3, "studies": 3},
        "ranges": ranges(rows),
        "each": {"runs": 1},
        "studies": studies.to_dict("records"),
    }
    return Sample(report=report, results=results, tables={"rows": rows, "studies": studies})


SAMPLES = {
    "demo": demo,
    "one-study": one_study,
    "two-studies": two_studies,
    "many-studies": many_studies,
    "nothing-estimable": nothing_estimable,
    "hostile": hostile,
}
