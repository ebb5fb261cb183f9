"""Words people use for the choices of the schema, for missing values and for yes and no.

A cell of a choice field is read through these synonyms; what is not among them is an
error that lists every allowed word. Synonyms are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata

from metafreeze.register.schema import FIELD

_SPACE = re.compile(r"[\s_]+")
_EDGE = " \t\"'“”‘’.,;:!"


def plain_word(text: str) -> str:
    """Reduce a cell to the form in which words are compared.

    Parameters
    ----------
    text : str
        As typed.

    Returns
    -------
    str
        Lower case, one space between words, hyphens as spaces, no marks at the edges.
    """
    text = unicodedata.normalize("NFKC", text).casefold().strip(_EDGE)
    text = text.replace("-", " ").replace("–", " ").replace("_", " ")
    return _SPACE.sub(" ", text).strip()


# Cells that say "no value". In a text field they are labels and stay as they are.
MISSING_WORDS = frozenset(
    plain_word(w)
    for w in (
        "",
        "-",
        "--",
        "---",
        "----",
        "–",
        "—",
        "?",
        "??",
        "*",
        "/",
        ".",
        "..",
        "...",
        "#N/A",
        "#N/A N/A",
        "#VALUE!",
        "#DIV/0!",
        "#NA",
        "N/A",
        "n.a.",
        "NA",
        "NaN",
        "-NaN",
        "null",
        "none",
        "nil",
        "missing",
        "not available",
        "not measured",
        "not recorded",
        "no data",
        "unknown",
        "lost",
        "n/m",
        "n.d.",
        "nd",
        "nr",
        "blank",
        "empty",
        "tbd",
        "err",
        "error",
        "fail",
        "failed",
        "ol",
    )
)

# Numbers that instruments and people write for "no value"; no time, mass or count has them.
SENTINELS = frozenset((-999.0, -9999.0, -99999.0, -99.0, -99.9, -999.9, -127.0, -1e30, -32768.0))

# The same, but possible as a measured value; asked about where they stand far out.
HIGH_SENTINELS = frozenset((9999.0, 99999.0, 9999.9, 999999.0, 32767.0, 65535.0, 6999.0))

YES = frozenset(("yes", "y", "true", "t", "1", "x", "ja", "oui", "si", "sí", "✓", "✔", "on"))
NO = frozenset(("no", "n", "false", "f", "0", "nein", "non", "✗", "✘", "off"))

_SYNONYMS: dict[str, dict[str, str]] = {
    "record_level": {
        "run": "single run|runs|raw",
        "arm_summary": "summary|arm|group|mean",
        "contrast_summary": "contrast|difference",
        "pair_count": "pairs|count|k of n",
    },
    "heat_history": {
        "never": "never heated|not heated|unheated|no|none|cold tap|from tap",
        "heated_started_hot": "heated|started hot|hot|yes|heated hot|used hot",
        "heated_recooled": "recooled|heated and cooled|heated then cooled|heated cooled",
        "boiled_recooled": "boiled|boiled and cooled|boiled then cooled|boiled cooled",
    },
    "assignment": {
        "randomised": "randomized|random|drawn|lot|dice|coin|yes",
        "alternated": "alternate|alternating|in turn|rotated",
        "chosen": "by hand|fixed|not random|convenience|no",
        "unknown": "not stated|unstated|unclear|?",
    },
    "system": {
        "water": "plain water|h2o",
        "solution": "salt water|sugar water|brine",
        "mix": "ice cream mix|mixture",
        "other": "else",
    },
    "direction": {
        "cooling": "cool|freezing|freeze|down",
        "warming": "warm|heating|thawing|up",
    },
    "sink_type": {
        "freezer": "chest freezer|deep freezer|deep freeze|upright freezer|cabinet|still air"
        "|ice box",
        "fan": "fan freezer|blast|blast freezer|forced air|fan blown|ventilated",
        "bath": "liquid bath|ice bath|brine bath|alcohol bath|glycol bath|cryostat",
        "plate": "cold plate|cold block|block|peltier|cold stage|stage",
        "outdoor": "outdoors|outside|open air|snow|winter air",
    },
    "lid": {
        "open": "none|no|no lid|uncovered|without|without lid|off|lidless|not covered",
        "loose": "covered|loosely covered|film|foil|cling film|plastic wrap|yes|lid|with lid|on"
        "|paper|perforated|partly covered|loose lid|lidded",
        "sealed": "closed|tight|airtight|air tight|screwed|screw cap|stoppered|capped|sealed lid",
        "oil_film": "oil|oil layer|under oil",
    },
    "base_support": {
        "metal": "metal shelf|metal rack|shelf|steel|aluminium|aluminum",
        "plastic": "plastic shelf|plastic tray",
        "wire": "wire rack|rack|wire shelf|grid|grille",
        "insulated": "insulation|foam|polystyrene|styrofoam|cork|cardboard|wood|towel|cloth",
        "plate": "cold plate|block|glass plate",
        "frost": "on frost|frosted|ice|snow|frosted shelf",
    },
    "side_insulation": {
        "none": "no|bare|not insulated|without",
        "partial": "partly|some|half",
        "full": "yes|insulated|all round|complete|foam",
    },
    "frost_melted": {
        "no": "n|none|not melted|false|0",
        "partial": "partly|some|a little",
        "yes": "y|melted|true|1|fully",
        "unknown": "not seen|not checked|?|unclear",
    },
    "water_type": {
        "tap": "tap water|domestic supply|mains|mains water|town water|faucet",
        "distilled": "distilled water|dist|destilled|di distilled",
        "deionised": "deionized|deionised water|deionized water|di|di water|demineralised"
        "|demineralized|ultrapure|pure",
        "filtered": "filtered water|filter",
        "sea": "sea water|seawater|ocean",
        "solution": "salt water|sugar water|brine|saline",
    },
    "gas_state": {
        "as_drawn": "as is|untreated|fresh|normal|from tap",
        "equilibrated": "air saturated|saturated|aerated|stood overnight",
        "degassed": "boiled off|vacuum|deaerated|degassed water|gas free",
        "carbonated": "sparkling|co2|fizzy|soda",
    },
    "nucleant": {
        "none": "no|without|not added",
        "AgI": "silver iodide",
        "seed_ice": "ice seed|seed|seeded|ice crystal|frost crystal",
        "biological": "bacteria|bacterial|pollen|protein",
        "other": "sand|dust|else",
    },
    "trigger_event": {
        "none": "no|nothing|undisturbed",
        "knock": "knocked|bump|bumped|tap|tapped|shaken|moved",
        "door": "door opened|opened|lid opened|door open",
        "seed": "seeded|seed ice",
        "probe_move": "probe|probe moved|moved probe",
        "unknown": "?|unclear",
    },
    "endpoint": {
        "t_threshold": "threshold|reached threshold|temperature reached"
        "|reached the named temperature",
        "t_zero": "zero|0 c|0 °c|0°c|0c|reached 0 °c|reached 0|reached zero|reached 0 c|to 0 °c"
        "|to 0 c|to zero|to 0|time to 0 °c|freezing point|at 0 °c|0 degrees|zero degrees",
        "t_first_ice": "first ice|ice|ice seen|first ice seen|first crystal|first crystals"
        "|showed first ice|ice onset|onset|onset of ice|onset of freezing|freezing onset|nucleation"
        "|recalescence|ice appears|starts to freeze|started to freeze|start of freezing|skin"
        "|begins to freeze|ice first seen|ice formation|freezing begins|ice skin|ice starts",
        "t_plateau_end": "plateau end|end of plateau|left plateau|left the plateau"
        "|left the freezing plateau|end plateau",
        "t_solid": "solid|fully frozen|fully solid|completely frozen|completely solid"
        "|frozen solid|all ice|all frozen|totally frozen|totally solid|frozen through|solidified"
        "|solid ice|hard frozen|end of freezing|all solid|completely froze|complete freezing"
        "|fully froze|entirely frozen|solidification|freeze complete|completely solidified",
        "ice_at_time": "ice mass|ice after a fixed time|ice at fixed time|ice at time",
        "t_residual": "residual|residual time|time after passing the colder one's start",
    },
    "residual_endpoint": {},
    "contrast_scale": {
        "difference_s": "difference|hot minus cold|hot cold",
        "log_ratio": "ln ratio|log of ratio|ln(hot/cold)",
    },
    "error_bar_meaning": {
        "SD": "sd|s.d|std|stdev|std dev|standard deviation|st dev|sigma|1 sd|± sd|sample sd"
        "|1 sigma",
        "SE": "se|sem|s.e|s.e.m|standard error|standard error of the mean|std err|stderr|std error"
        "|1 se|± se|± sem",
        "CI95": "95% ci|ci95|ci 95|ci 95%|95 % ci|ci|95ci|95% confidence interval"
        "|95 % confidence interval|confidence interval|95% limits|95%|95% confidence limits",
        "range": "min max|minmax|min to max|extremes|min – max|full range",
        "none": "no bars|no error bars|no",
        "unstated": "not stated|unknown|?|unclear|unlabelled|unlabeled|not given",
    },
}
_SYNONYMS["residual_endpoint"] = {
    value: words
    for value, words in _SYNONYMS["endpoint"].items()
    if value in FIELD["residual_endpoint"].vocabulary
}


def _lookup(field: str) -> dict[str, str]:
    table: dict[str, str] = {}
    for value in FIELD[field].vocabulary:
        table[plain_word(value)] = value
        for word in _SYNONYMS[field].get(value, "").split("|"):
            if word:
                table.setdefault(plain_word(word), value)
    return table


WORDS: dict[str, dict[str, str]] = {
    name: _lookup(name) for name, field in FIELD.items() if field.kind == "choice"
}


def find_word(field: str, text: str) -> str:
    """Find the schema's word for a cell of a choice field.

    Parameters
    ----------
    field : str
        Name of a choice field.
    text : str
        The cell.

    Returns
    -------
    str
        The schema's word, or empty where the text is none of its words or synonyms.
    """
    return WORDS[field].get(plain_word(text), "")


def find_yes_no(text: str) -> bool | None:
    """Read a yes or a no; None where the text is neither."""
    word = plain_word(text)
    if word in YES:
        return True
    if word in NO:
        return False
    return None


def is_missing(text: str) -> bool:
    """Tell whether a cell says that there is no value."""
    if text[:1].isdigit():
        # No such word begins with a digit; most cells do.
        return False
    return plain_word(text) in MISSING_WORDS or plain_word(text.strip("()[]")) in MISSING_WORDS


MARK_WORDS: dict[str, str] = {
    "axis": "axis",
    "axis mark": "axis",
    "calibration": "axis",
    "tick": "axis",
    "cal": "axis",
    "x axis": "axis",
    "y axis": "axis",
    "point": "point",
    "data": "point",
    "data point": "point",
    "marker": "point",
    "datum": "point",
    "p": "point",
    "a": "axis",
}

_COUNTED = re.compile(r"^(\d{1,9})\s*(?:/|of|out of|von|∕|\|)\s*(\d{1,9})$", re.I)

_SEEN_WORDS: dict[str, bool] = {
    plain_word(word): flag
    for words, flag in (
        (
            "yes|y|true|1|1.0|frozen|solid|froze|ice|seen|event|observed|complete|completed|ok|done"
            "|exact|fully frozen|froze solid",
            True,
        ),
        (
            "no|n|false|0|0.0|not frozen|liquid|unfrozen|censored|cens|did not freeze|dnf|stopped"
            "|not seen|gave up|still liquid|incomplete|no ice|never|right censored|not solid",
            False,
        ),
    )
    for word in words.split("|")
}


def find_seen(text: str) -> bool | None:
    """Read whether a vessel was seen frozen; None where the text does not say it."""
    return _SEEN_WORDS.get(plain_word(text))


def find_winner(text: str) -> str | None:
    """Read which arm was first: ``hot``, ``cold``, ``tie``; None where it is not said."""
    word = plain_word(text)
    # A yes answers the heading `hot first?`.
    if word in ("hot", "hotter", "h", "warm", "warmer", "hot first", "hot one", "yes", "y"):
        return "hot"
    if word in ("cold", "colder", "c", "cool", "cooler", "cold first", "cold one", "no", "n"):
        return "cold"
    if word in ("tie", "draw", "same", "equal", "both", "neither", "together"):
        return "tie"
    return None


def read_counted(text: str) -> tuple[int, int] | None:
    """Read ``7/10`` or ``7 of 10``."""
    match = _COUNTED.match(text.strip())
    return (int(match.group(1)), int(match.group(2))) if match else None
