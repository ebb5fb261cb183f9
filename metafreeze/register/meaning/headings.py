"""Headings as people write them, read as fields of the schema.

A heading names a quantity, perhaps a unit, an arm (hot, cold, a temperature), an event
and a statistic. A table of plain English aliases covers the fixed names; a small grammar
covers what people compose, such as ``hot mean (min)`` or ``minutes to first ice``.
Aliases are common practice, no source.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache

from metafreeze.register.meaning.aliases import ALIASES_OF, ROLE_WORDS, ROLES
from metafreeze.register.meaning.units import (
    DIMENSION_OF_UNIT,
    Dimension,
    Unit,
    dimensions_of,
    find_unit,
)
from metafreeze.register.meaning.words import WORDS
from metafreeze.register.schema import FIELD, FIELDS

# Names of schema fields that are whole families of columns, read by the grammar.
_STATISTICS: dict[str, str] = {
    "mean": "mean_s",
    "median": "median_s",
    "sd": "sd_s",
    "se": "se_s",
    "variance": "variance",
    "n": "n_runs",
    "q1": "q1_s",
    "q3": "q3_s",
    "smallest": "min_s",
    "largest": "max_s",
    "cilow": "ci_low_s",
    "cihigh": "ci_high_s",
    "ci": "interval",
    "iqr": "quartiles",
    "span": "span",
    "spread": "spread",
}

# Phrase -> tag, longest first; a tag stands between angle brackets so that it cannot be
# mistaken for a word.
_PHRASES: tuple[tuple[str, str], ...] = (
    (
        r"(?:9\d(?:\.\d+)?\s*%?\s*)?(?:ci|cl|confidence (?:interval|limit))\s*(?:9\d\s*%?\s*)?"
        r"(?:low(?:er)?|lo|min|from|l|start)(?: limit| bound)?",
        "cilow",
    ),
    (
        r"(?:9\d(?:\.\d+)?\s*%?\s*)?(?:ci|cl|confidence (?:interval|limit))\s*(?:9\d\s*%?\s*)?"
        r"(?:high(?:er)?|hi|upp(?:er)?|max|to|u|h|end)(?: limit| bound)?",
        "cihigh",
    ),
    (
        r"(?:low(?:er)?|lo)\s*(?:9\d\s*%?\s*)?(?:ci|cl|confidence (?:interval|limit)|limit)"
        r"(?: limit| bound)?",
        "cilow",
    ),
    (
        r"(?:upp(?:er)?|high(?:er)?|hi)\s*(?:9\d\s*%?\s*)?"
        r"(?:ci|cl|confidence (?:interval|limit)|limit)(?: limit| bound)?",
        "cihigh",
    ),
    (r"lcl|llci|cil|ci lb|interval from|interval low", "cilow"),
    (r"ucl|ulci|ciu|ci ub|interval to|interval high", "cihigh"),
    (r"(?:9\d(?:\.\d+)?\s*%?\s*)?(?:ci|confidence (?:interval|limits))(?:\s*9\d\s*%?)?", "ci"),
    (
        r"standard errors?(?: of the mean| of mean)?|std\.? ?err(?:or)?|sem|s\.?e\.?m\.?|stderr|se",
        "se",
    ),
    (r"standard deviations?|std\.? ?dev(?:iation)?|stdev|std|s\.?d\.?|st dev|sigma", "sd"),
    (r"variance|var", "variance"),
    (r"inter ?quartile range|iqr|quartiles", "iqr"),
    (r"first quartile|lower quartile|q1|p25|25th percentile|25 ?%", "q1"),
    (r"third quartile|upper quartile|q3|p75|75th percentile|75 ?%", "q3"),
    (r"means?|averages?|avg|x bar", "mean"),
    (r"medians?|med", "median"),
    (r"minimum|min|smallest|shortest|fastest", "smallest"),
    (r"maximum|max|largest|longest|slowest", "largest"),
    (r"range|min max|extremes", "span"),
    (r"error bars?|spread|uncertainty|±|error", "spread"),
    (
        r"sample size|number of (?:runs|trials|replicates|cups|samples)|no of (?:runs|trials)|count"
        r"|n",
        "n",
    ),
    (r"hot(?:ter)?|warm(?:er)?", "hot"),
    (r"cold(?:er)?|cool(?:er)?", "cold"),
    (r"start(?:ing)?|initial|temp(?:erature)?|t0", "start"),
)

_TIME_FILLERS = frozenset(
    (
        "after",
        "between",
        "and",
        "arm",
        "at",
        "below",
        "by",
        "cool",
        "cooling",
        "cross",
        "crossed",
        "crossing",
        "cup",
        "down",
        "duration",
        "elapsed",
        "first",
        "for",
        "freeze",
        "freezes",
        "freezetime",
        "freezing",
        "froze",
        "frozen",
        "group",
        "hours",
        "how",
        "in",
        "is",
        "it",
        "long",
        "measured",
        "mins",
        "minutes",
        "needed",
        "observed",
        "of",
        "reach",
        "reached",
        "reaches",
        "reaching",
        "run",
        "s",
        "sample",
        "seconds",
        "seen",
        "t",
        "taken",
        "the",
        "till",
        "time",
        "time_to",
        "times",
        "to",
        "took",
        "total",
        "until",
        "vessel",
        "was",
        "water",
        "when",
    )
)
_FILLERS = frozenset(
    (
        "and",
        "arm",
        "at",
        "cup",
        "for",
        "freeze",
        "freezing",
        "frozen",
        "group",
        "in",
        "of",
        "sample",
        "t",
        "the",
        "time",
        "times",
        "to",
        "vessel",
        "water",
    )
)

# A bracket longer than this is a remark and no unit.
LONGEST_UNIT = 8

# Beyond these a heading is no name of a column, and reading it would take for ever.
LONGEST_HEADING = 250
MOST_BRACKETS = 4

# Short words in brackets that are no units.
_REMARKS = frozenset(
    ("hot", "cold", "mean", "start", "end", "water", "ice", "measured", "nominal", "set", "avg")
)

# Headings that are a unit of time and nothing else.
_UNIT_WORDS = frozenset(("minutes", "mins", "seconds", "secs", "hours", "hrs"))

_TEMPERATURE = re.compile(
    r"(?<![\w.])([-−–]?\d+(?:[.,]\d+)?)\s*(°\s*c|°\s*f|deg(?:rees)?\s*c|deg(?:rees)?\s*f"
    r"|degrees|deg|°|c|f|k)(?![a-z°])"
)
# A capital T beside the arm or the beginning is a temperature, as it is alone.
_BESIDE_T = r"(?:hot|cold|warm|cool)(?:ter|er)?|start|initial"
_CAPITAL_T = re.compile(
    rf"T[\s_.]*(?=(?:{_BESIDE_T})\b)|(?i:(?P<before>{_BESIDE_T}))[\s_.]*T(?![^\W_])"
)
_TOWARDS = re.compile(r"\b(?:to|reach\w*|until|till|below|cross\w*|down to|first)\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What a heading says.

    Parameters
    ----------
    target : str
        Schema field or role.
    unit : Unit, optional
        Unit that the heading carries.
    endpoint : str
        Event that the heading names.
    threshold_c : float, optional
        Temperature of that event.
    arm : {"", "hot", "cold"}
        Arm that the heading names.
    start_temp_c : float, optional
        Start temperature that the heading names.
    contrast : str
        For a contrast: ``difference``, ``ratio``, ``log-ratio`` or ``percent``.
    reverse : bool, optional
        For a contrast: True where the heading says cold against hot, False where it says
        hot against cold.
    level : float, optional
        Level of an interval that the heading names.
    spread_type : str
        Kind of spread that the heading names beside a mean, as in ``mean ± SD``.
    doubt : str
        Text in brackets that may be a unit and is none of this quantity.
    """

    target: str
    unit: Unit | None = None
    endpoint: str = ""
    threshold_c: float | None = None
    arm: str = ""
    start_temp_c: float | None = None
    contrast: str = ""
    reverse: bool | None = None
    level: float | None = None
    spread_type: str = ""
    doubt: str = ""


def target_dimension(target: str) -> Dimension:
    """Give what a target measures; empty for text, counts and choices."""
    if target in ROLES:
        return ROLES[target]
    if target.startswith("contrast_") and target != "contrast_scale":
        return "time"
    return DIMENSION_OF_UNIT.get(FIELD[target].unit, "")


def target_words(target: str) -> str:
    """Give the plain words of a target."""
    return ROLE_WORDS.get(target) or FIELD[target].label


def plain_heading(text: str) -> str:
    """Reduce a heading to the form in which headings are compared.

    Parameters
    ----------
    text : str
        As it stands in the file.

    Returns
    -------
    str
        Lower case, words apart, marks removed.
    """
    text = text.replace("º", "°").replace("˚", "°")
    text = unicodedata.normalize("NFKC", text).strip().strip("\"'“”‘’")
    text = text.casefold().replace("_", " ")
    # A dash right before a number, and apart from the word before it, is its sign.
    text = re.sub(r"(?<![^\s(=@])[-–](?=\d)", "−", text)
    text = text.replace("-", " ").replace("–", " ")
    text = re.sub(r"[:;?!*'\"“”‘’]+", " ", text)
    text = re.sub(r"\.(?!\d)", " ", text)
    text = re.sub(r"(?<=\w)\s*#|#\s*(?=\w)", " no ", text)
    text = text.replace("+/ ", "±").replace("+ / ", "±").replace("+/", "±")
    return re.sub(r"\s+", " ", text).strip()


def _alias_table() -> dict[str, tuple[str, ...]]:
    table: dict[str, list[str]] = {}

    def add(alias: str, target: str) -> None:
        targets = table.setdefault(plain_heading(alias), [])
        if target not in targets:
            targets.append(target)

    for field in FIELDS:
        if field.name not in ("time_lower_s", "time_upper_s"):
            add(field.name, field.name)
        add(field.label, field.name)
    for target, aliases in ALIASES_OF:
        for alias in aliases.split("|"):
            add(alias, target)
    for role, words in ROLE_WORDS.items():
        add(role, role)
        add(words, role)
    for field in FIELDS:
        stem = _without_unit(field.name)
        if stem != field.name:
            add(stem, field.name)
    # Short schema names that are also ordinary words of other columns keep their own sense.
    table[plain_heading("time_lower_s")] = ["time_lower_s"]
    table[plain_heading("time_upper_s")] = ["time_upper_s"]
    return {alias: tuple(targets) for alias, targets in table.items()}


def _without_unit(name: str) -> str:
    field = FIELD[name]
    ending = {
        "°C": "_c",
        "K": "_k",
        "s": "_s",
        "g": "_g",
        "mm": "_mm",
        "m/s": "_m_s",
        "mg/L": "_mg_l",
        "µS/cm": "_us_cm",
        "fraction": "_frac",
    }.get(field.unit, "")
    if ending and name.endswith(ending):
        return name[: -len(ending)]
    for ending in ("_id", "_at"):
        if name.endswith(ending) and name not in ("read_at", "inserted_at"):
            return name[: -len(ending)]
    return name


ALIASES = _alias_table()


def split_units(text: str) -> list[tuple[str, str]]:
    """List (heading without its unit, unit text), the surest first."""
    splits: list[tuple[str, str]] = []
    for match in re.finditer(r"[(\[{]([^()\[\]{}]*)[)\]}]", text):
        rest = text[: match.start()] + " " + text[match.end() :]
        splits.append((rest, match.group(1)))
        inner = match.group(1)
        if "," in inner or ";" in inner:
            for part in re.split(r"[,;]", inner):
                splits.append((rest + " " + inner.replace(part, ""), part))
    for pattern in (
        r"^(.*\S)\s*(?:,|;|/|:| in )\s*([^,;:]{1,24})$",
        r"^(.*\S)\s+in\s+([^,;:]{1,24})$",
    ):
        found = re.search(pattern, text)
        if found:
            splits.append((found.group(1), found.group(2)))
    spaced = re.sub(r"[_\s]+", " ", text).strip()
    words = spaced.split(" ")
    for count in (3, 2, 1):
        if len(words) > count:
            splits.append((" ".join(words[:-count]), " ".join(words[-count:])))
    apart = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z°])", " ", text)
    words = re.sub(r"[_\s]+", " ", apart).strip().split(" ")
    if apart != text and len(words) > 1:
        splits.append((" ".join(words[:-1]), words[-1]))
    if words and len(words) > 1 and "time" in dimensions_of(words[0]) and len(words[0]) > 1:
        splits.append((" ".join(words[1:]), words[0]))
    return splits


@lru_cache(maxsize=4096)
def read_heading(heading: str, group: str = "") -> tuple[Meaning, ...]:
    """List what a heading can mean, the likeliest first.

    Parameters
    ----------
    heading : str
        As it stands in the file.
    group : str
        Heading over several columns above it, such as ``Hot (80 °C)``.

    Returns
    -------
    tuple of Meaning
        Empty where nothing is recognised. Several where only the cells can decide.
    """
    if len(heading) + len(group) > LONGEST_HEADING:
        return ()
    found = _read(heading)
    if not group.strip():
        return found
    arm, start_temp_c = arm_and_start(group)
    if arm or start_temp_c is not None:
        return tuple(
            replace(
                m,
                arm=m.arm or arm,
                start_temp_c=m.start_temp_c if m.start_temp_c is not None else start_temp_c,
            )
            for m in found
        )
    together = _read(f"{group} {heading}")
    if together:
        return together
    above = _read(group)
    if found and above and find_unit(heading) is None:
        return tuple(
            replace(
                m,
                endpoint=m.endpoint or above[0].endpoint,
                threshold_c=m.threshold_c if m.threshold_c is not None else above[0].threshold_c,
            )
            for m in found
        )
    return found or above


def _read(heading: str) -> tuple[Meaning, ...]:
    text = heading.strip()
    whole = _named(plain_heading(text), None, text)
    if text == "T":
        return tuple(whole[:1])
    temperature = _CAPITAL_T.match(text)
    if temperature:
        before = temperature.group("before") or ""
        meant = _read(f"{before} temp {text[temperature.end() :]}".strip())
        if meant and not any(m.doubt for m in meant):
            return meant
    exact = [m for m in whole if plain_heading(text) in (plain_heading(m.target),)]
    if exact:
        unit = FIELD[exact[0].target].unit if exact[0].target in FIELD else ""
        known = find_unit(unit, dimension=target_dimension(exact[0].target)) if unit else None
        # A schema name says its unit: its ending is the unit.
        if known is not None and _without_unit(exact[0].target) != exact[0].target:
            return (replace(exact[0], unit=known),)
        return tuple(whole)
    with_unit: list[Meaning] = []
    for rest, unit_text in split_units(text):
        for meaning in _named(plain_heading(rest), unit_text, rest):
            if meaning not in with_unit:
                with_unit.append(meaning)
        if with_unit:
            return tuple(with_unit)
    if whole:
        return tuple(whole)
    apart = re.sub(r"(?<=[a-zà-ÿ0-9])(?=[A-Z])", " ", text)
    if apart != text:
        whole = _named(plain_heading(apart), None, apart)
        if whole:
            return tuple(whole)
    return tuple(_with_qualifier(text))


def _with_qualifier(text: str) -> list[Meaning]:
    """Read a heading whose brackets hold words: with them, then without."""
    match = re.search(r"[(\[{]([^()\[\]{}]*)[)\]}]", text)
    # Each bracket is tried with and without: their number doubles the work.
    if not match or len(re.findall(r"[(\[{]", text)) > MOST_BRACKETS:
        return []
    rest = re.sub(r"\s+", " ", f"{text[: match.start()]} {text[match.end() :]}").strip()
    inside = match.group(1).strip()
    if rest and inside:
        found = _read(f"{rest} {inside}")
        if found:
            return list(found)
    if not rest or rest == text:
        return []
    return [_with_doubt(meaning, inside) for meaning in _read(rest)]


def _with_doubt(meaning: Meaning, inside: str) -> Meaning:
    """Keep a bracket in mind that may be a unit, where a quantity has no other."""
    if meaning.unit is not None or not target_dimension(meaning.target):
        return meaning
    if len(inside) > LONGEST_UNIT or " " in inside or plain_heading(inside) in _REMARKS:
        return meaning
    return replace(meaning, doubt=inside)


def _named(plain: str, unit_text: str | None, rest: str) -> list[Meaning]:
    """Read a plain heading of which the unit text has been taken off."""
    meanings: list[Meaning] = []
    if unit_text is None and plain in _UNIT_WORDS:
        return [Meaning(target="time", unit=find_unit(plain, dimension="time"))]
    targets = ALIASES.get(plain, ())
    if plain == "t":
        # A capital T is a temperature, a small one a time; elsewhere case says nothing.
        targets = ("start_temp_c", "time") if rest.strip() == "T" else ("time", "start_temp_c")
    for target in targets:
        if unit_text is None:
            meanings.append(Meaning(target=target))
        else:
            unit = find_unit(unit_text, dimension=target_dimension(target) or "fraction")
            if unit is not None and target_dimension(target):
                meanings.append(Meaning(target=target, unit=unit))
    if not meanings:
        composed = _composed(plain, unit_text)
        meanings = [composed] if composed else []
    return meanings


def arm_and_start(text: str) -> tuple[str, float | None]:
    """Read the arm that a group is named after, and its start temperature.

    Parameters
    ----------
    text : str
        Such as ``Hot (80 °C)``, ``cold 20C`` or ``80 °C``.

    Returns
    -------
    arm : {"hot", "cold", ""}
    start_temp_c : float or None
        None where there is none, or where other words stand beside it.
    """
    plain = plain_heading(text)
    temp_c = None
    match = _TEMPERATURE.search(plain)
    if match:
        temp_c = _temperature(match)
        plain = plain[: match.start()] + " " + plain[match.end() :]
    words = [w for w in re.sub(r"[()\[\],=@]", " ", plain).split() if w not in _FILLERS]
    words = [w for w in words if w not in ("start", "starting", "start", "from", "initial", "runs")]
    arms = {
        "hot": "hot",
        "hotter": "hot",
        "warm": "hot",
        "warmer": "hot",
        "cold": "cold",
        "colder": "cold",
        "cool": "cold",
        "cooler": "cold",
    }
    named = [arms[w] for w in words if w in arms]
    if len(set(named)) == 1 and all(w in arms for w in words):
        return named[0], temp_c
    if not words and temp_c is not None:
        return "", temp_c
    return "", None


def _temperature(match: re.Match[str]) -> float:
    number = float(match.group(1).replace(",", ".").replace("−", "-").replace("–", "-"))
    letter = match.group(2)[-1]
    unit = find_unit({"f": "°F", "k": "K"}.get(letter, "°C"), dimension="temperature")
    assert unit is not None
    return unit.convert_one(number)


def _composed(plain: str, unit_text: str | None) -> Meaning | None:
    """Read a composed heading: statistic, arm, event and temperature in any order."""
    text = plain
    start_temp_c: float | None = None
    endpoint, threshold_c = "", None
    if not unit_text or find_unit(unit_text, dimension="temperature") is None:
        match = _TEMPERATURE.search(text)
        if match:
            temp_c = _temperature(match)
            before = text[: match.start()]
            if _TOWARDS.search(before):
                endpoint = "t_zero" if temp_c == 0 else "t_threshold"
                threshold_c = None if temp_c == 0 else temp_c
            else:
                start_temp_c = temp_c
            text = f"{before} {text[match.end() :]}"
    contrast = _contrast_of(text, unit_text)
    if contrast is not None and start_temp_c is None and not endpoint:
        return contrast
    level = None
    matched = re.search(
        r"(?<!\d)(9\d(?:\.\d+)?|8\d|50)\s*%?\s*(?=ci|cl\b|confidence|limit)", text
    ) or re.search(r"ci\s*(9\d)", text)
    if matched:
        level = float(matched.group(1)) / 100
    text = re.sub(r"[(),\[\]=@|]", " ", text)
    if not endpoint:
        endpoint, text = _take_endpoint(text)
    tags: list[str] = []
    for pattern, tag in _PHRASES:
        found = re.search(rf"(?<![\w±])(?:{pattern})(?!\w)", text)
        if found and found.group(0).strip():
            tags.append(tag)
            text = f"{text[: found.start()]} {text[found.end() :]}"
    words = [w for w in re.sub(r"[±/+]", " ", text).split() if w]
    return _assembled(tags, words, unit_text, endpoint, threshold_c, start_temp_c, level)


def _take_endpoint(text: str) -> tuple[str, str]:
    """Take the longest phrase that names an event out of a heading."""
    for phrase in sorted(WORDS["endpoint"], key=len, reverse=True):
        if len(phrase) < 3 or phrase in ("event",):
            continue
        found = re.search(rf"(?<!\w){re.escape(phrase)}(?!\w)", text)
        if found:
            rest = f"{text[: found.start()]} {text[found.end() :]}"
            return WORDS["endpoint"][phrase], rest
    return "", text


def _assembled(
    tags: list[str],
    words: list[str],
    unit_text: str | None,
    endpoint: str,
    threshold_c: float | None,
    start_temp_c: float | None,
    level: float | None,
) -> Meaning | None:
    arm = "hot" if "hot" in tags else "cold" if "cold" in tags else ""
    if "hot" in tags and "cold" in tags:
        return None
    statistics = [t for t in tags if t in _STATISTICS]
    if len(statistics) > 2:
        statistics = [s for s in statistics if s != "spread"]
    about_start = "start" in tags
    spread_type = ""
    if not set(words) <= _TIME_FILLERS:
        return None
    if about_start and statistics in ([], ["mean"]):
        target = "start_temp_c"
    elif about_start and statistics and statistics[0] in ("sd", "se", "spread"):
        target = "start_temp_sd_k"
    elif about_start:
        return None
    elif len(statistics) == 1:
        target = _STATISTICS[statistics[0]]
    elif len(statistics) == 2 and {"mean", "median"} & set(statistics):
        # `mean ± SD` over cells such as 41.2 ± 3.1
        centre = "mean" if "mean" in statistics else "median"
        other = next(s for s in statistics if s != centre)
        spread_type = {
            "sd": "SD",
            "se": "SE",
            "ci": "CI95",
            "iqr": "IQR",
            "span": "range",
            "spread": "",
        }.get(other, "")
        if not spread_type and other != "spread":
            return None
        target = _STATISTICS[centre]
    elif statistics:
        return None
    elif endpoint or start_temp_c is not None or arm or set(words) & _TIME_FILLERS:
        target = "time"
    else:
        return None
    if target == "n_runs" and (start_temp_c is None and not arm and not words and not endpoint):
        return None if unit_text else Meaning(target="n_runs")
    if target == "time" and not endpoint and start_temp_c is None and arm and unit_text:
        # `hot (°C)` is the start temperature of that arm, `hot (min)` its time.
        as_temp = find_unit(unit_text, dimension="temperature")
        if as_temp is not None:
            return Meaning(target="start_temp_c", unit=as_temp, arm=arm)
    unit = None
    if unit_text is not None:
        dimension = target_dimension(target)
        unit = find_unit(unit_text, dimension=dimension) if dimension else None
        if unit is None and target == "variance":
            unit = find_unit(unit_text.rstrip("²2^ "), dimension="time")
        if unit is None:
            return None
    if endpoint == "ice_at_time":
        return None
    return Meaning(
        target=target,
        unit=unit,
        endpoint=endpoint,
        threshold_c=threshold_c,
        arm=arm,
        start_temp_c=start_temp_c,
        level=level if target in ("ci_low_s", "ci_high_s", "interval") else None,
        spread_type=spread_type,
    )


_KINDS: tuple[tuple[str, str], ...] = (
    (r"(?:log|ln)\s*\(?(?:response )?ratio\)?|lnrr|log rr|ln rr|log time ratio|lrr", "log-ratio"),
    (r"(?:ln|log)\s*\(?\s*(?:t\s*)?hot\s*/\s*(?:t\s*)?cold\s*\)?", "log-ratio"),
    (r"(?:ln|log)\s*\(?\s*(?:t\s*)?cold\s*/\s*(?:t\s*)?hot\s*\)?", "log-ratio"),
    (
        r"%\s*(?:change|difference|diff)|percent(?:age)?\s*(?:change|difference|diff)"
        r"|(?:change|difference|diff)\s*\(?(?:%|percent)\)?|relative (?:change|difference)",
        "percent",
    ),
    (r"ratio|hot\s*/\s*cold|cold\s*/\s*hot|quotient", "ratio"),
    (
        r"differences?|diff|minus|hot\s*(?:-|−)\s*cold|cold\s*(?:-|−)\s*hot|hot cold|cold hot|delta"
        r"|effect|md",
        "difference",
    ),
)


def read_contrast(text: str) -> tuple[str, bool | None]:
    """Read what a contrast is and which way round it stands.

    Parameters
    ----------
    text : str
        A cell or a heading, such as ``hot - cold``, ``ratio cold/hot`` or ``% change``.

    Returns
    -------
    kind : str
        ``difference``, ``ratio``, ``log-ratio``, ``percent``, or empty.
    reverse : bool or None
        True for cold against hot, False for hot against cold, None where it is not said.
    """
    plain = unicodedata.normalize("NFKC", text).casefold()
    plain = plain.replace("−", "-").replace("–", "-").replace("_", " ")
    order = re.search(r"(hot|warm|cold|cool)\w*.*?(hot|warm|cold|cool)", plain)
    reverse = None
    if order and (order.group(1) in ("hot", "warm")) != (order.group(2) in ("hot", "warm")):
        reverse = order.group(1) in ("cold", "cool")
    plain = re.sub(r"\s+", " ", plain.replace("-", " - ") if " - " not in plain else plain)
    for pattern, kind in _KINDS:
        if re.search(rf"(?<!\w)(?:{pattern})(?!\w)|(?<!\w){pattern}", plain):
            return kind, reverse
    if reverse is not None:
        return "difference", reverse
    return "", None


def _contrast_of(plain: str, unit_text: str | None) -> Meaning | None:
    """Read a heading that names a contrast of the two arms."""
    both = re.search(r"hot|warm", plain) and re.search(r"cold|cool", plain)
    named = re.fullmatch(
        r"(?:mean |time |log |ln |response |percent(?:age)? |% |relative |lnrr|lrr|\s)*"
        r"(?:difference|diff|ratio|change|lnrr|lrr)"
        r"(?: of (?:means|times)| in (?:means|times|time))?",
        plain,
    )
    if not both and not named:
        return None
    kind, reverse = read_contrast(plain)
    if not kind:
        return None
    spread = re.search(r"(?<!\w)(se|sem|standard error|std err|stderr)(?!\w)", plain)
    target = "contrast_se" if spread else "contrast_value"
    unit = None
    if unit_text is not None:
        if find_unit(unit_text, dimension="fraction") is not None and unit_text.strip() == "%":
            return Meaning(target=target, contrast="percent", reverse=reverse)
        unit = find_unit(unit_text, dimension="time")
        if unit is None:
            return None
    return Meaning(target=target, unit=unit, contrast=kind, reverse=reverse)


def find_target(words: str) -> str:
    """Find the target that an answer names: a field, a role, an alias, ``ignore``.

    Parameters
    ----------
    words : str
        Such as ``start_temp_c``, ``freeze time`` or ``time_s``.

    Returns
    -------
    str
        Schema field or role; empty where nothing is recognised.
    """
    plain = plain_heading(words)
    if plain in (plain_heading("time_s"), "freeze time", "time"):
        return "time"
    if plain in ALIASES:
        return ALIASES[plain][0]
    found = read_heading(words)
    return found[0].target if found else ""


def suggest(heading: str, unit_text: str = "", *, taken: frozenset[str] = frozenset()) -> list[str]:
    """List the fields nearest to a heading that is not recognised.

    Parameters
    ----------
    heading : str
        As it stands in the file.
    unit_text : str
        Its unit, where there is one: fields that measure the same stand first.
    taken : frozenset of str
        Targets that other columns already have.

    Returns
    -------
    list of str
        At most three plain names that `find_target` understands.
    """
    plain = plain_heading(re.sub(r"[(\[{][^()\[\]{}]*[)\]}]", " ", heading))
    near = difflib.get_close_matches(plain[:LONGEST_HEADING], ALIASES, n=6, cutoff=0.72)
    targets = [ALIASES[alias][0] for alias in near]
    by_unit: list[str] = []
    dimensions = dimensions_of(unit_text)
    for dimension, usual in (
        ("time", ("time", "check_interval_s")),
        ("temperature", ("start_temp_c", "sink_temp_c")),
        ("mass", ("water_mass_start_g", "water_mass_end_g")),
        ("volume", ("volume",)),
        ("length", ("inner_diameter_mm",)),
    ):
        if dimension in dimensions:
            by_unit.extend(usual)
    ordered = [t for t in targets if t in by_unit] if by_unit else targets
    ordered += [t for t in by_unit if t not in ordered]
    ordered += [t for t in targets if t not in ordered]
    kept = [t for t in dict.fromkeys(ordered) if t not in taken and t not in ("ignore", "unit")]
    return [target_words(t) for t in kept[:3]]
