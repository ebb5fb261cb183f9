"""The one schema: every field with its unit, range, vocabulary and role, as data.

From this table derive the checks, the templates, the printed dictionary, the Parquet
types and the planted faults of the tests. One row is one outcome: a run and an
endpoint, or a group and an endpoint.

Names end in their unit. Times are stored in seconds, temperatures in degrees Celsius,
masses in grams. An exact time has ``time_lower_s == time_upper_s``; a vessel looked at
now and then has a window; one never seen frozen has no upper bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from metafreeze.options import Endpoint, choices

if TYPE_CHECKING:
    import pyarrow as pa

SCHEMA_VERSION = 1

Kind = Literal["text", "number", "integer", "choice", "boolean", "date"]
Role = Literal["treatment", "design", "mediator", "measurement", "outcome", "provenance"]
SheetKind = Literal["runs", "summaries", "points"]

INF = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One column of the schema.

    Parameters
    ----------
    name : str
        Schema name, ending in its unit where it has one.
    kind : {"text", "number", "integer", "choice", "boolean", "date"}
        Text is kept verbatim; a choice comes from `vocabulary`.
    role : str
        What the field is to the question; decides what a model may adjust for.
    meaning : str
        One plain sentence.
    label : str
        The words used on screens and pages.
    unit : str
        Unit as stored, empty where there is none.
    low, high : float
        Closed range of allowed values.
    low_open : bool
        True where `low` itself is not allowed.
    vocabulary : tuple of str
        Allowed words of a choice, in their fixed order.
    sheets : tuple of str
        The sheet kinds whose full template has the field.
    """

    name: str
    kind: Kind
    role: Role
    meaning: str
    label: str
    unit: str = ""
    low: float = -INF
    high: float = INF
    low_open: bool = False
    vocabulary: tuple[str, ...] = ()
    sheets: tuple[SheetKind, ...] = ("runs",)


_ALL: tuple[SheetKind, ...] = ("runs", "summaries", "points")
_PUBLISHED: tuple[SheetKind, ...] = ("summaries", "points")
_SUMMARIES: tuple[SheetKind, ...] = ("summaries",)
_NONE: tuple[SheetKind, ...] = ()

ENDPOINTS: tuple[str, ...] = choices(Endpoint)
RECORD_LEVELS = ("run", "arm_summary", "contrast_summary", "pair_count")
CONTRAST_SCALES = ("difference_s", "log_ratio")


def _text(name: str, role: Role, label: str, meaning: str, **more: object) -> Field:
    return Field(name=name, kind="text", role=role, label=label, meaning=meaning, **more)  # type: ignore[arg-type]


def _number(
    name: str,
    role: Role,
    unit: str,
    low: float,
    high: float,
    label: str,
    meaning: str,
    **more: object,
) -> Field:
    return Field(
        name=name,
        kind="number",
        role=role,
        unit=unit,
        low=low,
        high=high,
        label=label,
        meaning=meaning,
        **more,  # type: ignore[arg-type]
    )


def _count(name: str, role: Role, low: float, label: str, meaning: str, **more: object) -> Field:
    return Field(
        name=name,
        kind="integer",
        role=role,
        low=low,
        high=1e9,
        label=label,
        meaning=meaning,
        **more,  # type: ignore[arg-type]
    )


def _choice(
    name: str, role: Role, words: tuple[str, ...], label: str, meaning: str, **more: object
) -> Field:
    return Field(
        name=name,
        kind="choice",
        role=role,
        vocabulary=words,
        label=label,
        meaning=meaning,
        **more,  # type: ignore[arg-type]
    )


def _flag(name: str, role: Role, label: str, meaning: str, **more: object) -> Field:
    return Field(name=name, kind="boolean", role=role, label=label, meaning=meaning, **more)  # type: ignore[arg-type]


FIELDS: tuple[Field, ...] = (
    # What the row is, and who made it
    _choice(
        "record_level",
        "provenance",
        RECORD_LEVELS,
        "kind of row",
        "Whether the row is one run, a group of runs, a contrast or a count of pairs.",
        sheets=_NONE,
    ),
    _text(
        "lab_id",
        "provenance",
        "lab",
        "Laboratory, kitchen or site; the study in models.",
        sheets=_ALL,
    ),
    _text("session_id", "design", "session", "Day or series; the batch where no block is given."),
    _text("block_id", "design", "batch", "Vessels cooled together share a batch."),
    _text("run_id", "provenance", "run", "Name of the run, unique in its lab and batch."),
    _text(
        "specimen_id",
        "design",
        "specimen",
        "The same water or vessel frozen again is the same specimen.",
    ),
    _count(
        "refreeze_index",
        "design",
        0,
        "times frozen before",
        "How often this specimen had been frozen before this run.",
    ),
    _text("arm", "provenance", "arm", "Name of the arm, such as hot or cold.", sheets=_PUBLISHED),
    # What was done
    _number(
        "start_temp_c",
        "treatment",
        "°C",
        0,
        100,
        "start temperature",
        "Water temperature in the vessel at insertion.",
        sheets=_ALL,
    ),
    _number(
        "start_temp_sd_k",
        "measurement",
        "K",
        0,
        50,
        "error of start temperature",
        "Standard error of the start temperature, reading error included.",
        sheets=_ALL,
    ),
    _choice(
        "heat_history",
        "treatment",
        ("never", "heated_started_hot", "heated_recooled", "boiled_recooled"),
        "heat history",
        "Whether the water had been heated; having been heated is not being hot.",
    ),
    _number(
        "peak_temp_c",
        "treatment",
        "°C",
        0,
        105,
        "peak temperature",
        "Highest temperature the water had been at.",
    ),
    _number(
        "hold_time_s", "treatment", "s", 0, 1e7, "time held hot", "How long it was held there."
    ),
    _choice(
        "assignment",
        "design",
        ("randomised", "alternated", "chosen", "unknown"),
        "assignment",
        "How start temperatures were given to vessels.",
        sheets=_ALL,
    ),
    _choice(
        "system",
        "design",
        ("water", "solution", "mix", "other"),
        "system",
        "What is being frozen.",
        sheets=_ALL,
    ),
    _choice(
        "direction",
        "design",
        ("cooling", "warming"),
        "direction",
        "Cooling towards ice, or warming (does the colder one warm sooner?).",
        sheets=_ALL,
    ),
    # Where it stood
    _choice(
        "sink_type",
        "design",
        ("freezer", "fan", "bath", "plate", "outdoor"),
        "cooling mode",
        "What takes the heat.",
        sheets=_ALL,
    ),
    _number(
        "sink_temp_c",
        "design",
        "°C",
        -196,
        0,
        "freezer temperature",
        "Temperature of the sink before insertion.",
        sheets=_ALL,
    ),
    _number(
        "sink_temp_sd_k",
        "design",
        "K",
        0,
        50,
        "swing of the freezer",
        "Standard deviation of the sink temperature.",
    ),
    _number(
        "sink_temp_rise_k",
        "mediator",
        "K",
        0,
        100,
        "warming of the freezer",
        "How far the hot load warmed the sink.",
    ),
    _number(
        "air_speed_m_s", "design", "m/s", 0, 20, "air speed", "Speed of the air at the vessel."
    ),
    _number(
        "air_rh",
        "design",
        "fraction",
        0,
        1,
        "relative humidity",
        "Relative humidity as a fraction.",
    ),
    _text("vessel_material", "design", "vessel", "Vessel and its material.", sheets=_ALL),
    _number(
        "inner_diameter_mm",
        "design",
        "mm",
        0.5,
        500,
        "inner diameter",
        "Inner diameter at the water line.",
        sheets=("runs", "summaries"),
    ),
    _number("wall_thickness_mm", "design", "mm", 0, 20, "wall thickness", "Thickness of the wall."),
    _number(
        "water_mass_start_g",
        "design",
        "g",
        1e-4,
        1e4,
        "water at start",
        "Water mass at insertion, weighed, or from a volume by density.",
        sheets=("runs", "summaries"),
    ),
    _choice(
        "lid",
        "design",
        ("open", "loose", "sealed", "oil_film"),
        "lid",
        "What covers the water.",
        sheets=("runs", "summaries"),
    ),
    _choice(
        "base_support",
        "design",
        ("metal", "plastic", "wire", "insulated", "plate", "frost"),
        "stands on",
        "What the vessel stands on.",
    ),
    _choice(
        "side_insulation",
        "design",
        ("none", "partial", "full"),
        "side insulation",
        "Insulation of the sides.",
    ),
    _number(
        "frost_before_mm",
        "design",
        "mm",
        0,
        50,
        "frost before",
        "Frost under the vessel at insertion.",
    ),
    _choice(
        "frost_melted",
        "mediator",
        ("no", "partial", "yes", "unknown"),
        "frost melted",
        "Whether the vessel melted frost under itself.",
    ),
    _text("position_id", "design", "position", "Place in the freezer."),
    _text(
        "position_xyz_cm",
        "design",
        "position (x y z)",
        "Coordinates of the place in centimetres, written as x y z.",
    ),
    _count("insertion_order", "design", 1, "order of insertion", "Order in which vessels went in."),
    _number(
        "simultaneous_load_g",
        "design",
        "g",
        0,
        1e6,
        "load together",
        "Water mass of all vessels cooled together.",
    ),
    # What the water was
    _choice(
        "water_type",
        "design",
        ("tap", "distilled", "deionised", "filtered", "sea", "solution"),
        "water",
        "Kind of water.",
        sheets=("runs", "summaries"),
    ),
    _choice(
        "gas_state",
        "design",
        ("as_drawn", "equilibrated", "degassed", "carbonated"),
        "dissolved gas",
        "State of dissolved gas where it was set.",
    ),
    _number(
        "dissolved_oxygen_mg_l",
        "design",
        "mg/L",
        0,
        20,
        "dissolved oxygen",
        "Dissolved oxygen at insertion.",
    ),
    _number(
        "conductivity_us_cm", "design", "µS/cm", 0, 1e5, "conductivity", "Electrical conductivity."
    ),
    _choice(
        "nucleant",
        "design",
        ("none", "AgI", "seed_ice", "biological", "other"),
        "ice former",
        "Added ice former; takes the chance out of first ice.",
    ),
    # What followed
    _number("water_mass_end_g", "mediator", "g", 0, 1e4, "water at end", "Mass after the run."),
    _number("mass_evaporated_g", "mediator", "g", 0, 1e4, "mass lost", "Mass lost by evaporation."),
    _number(
        "nucleation_temp_c",
        "mediator",
        "°C",
        -40,
        0,
        "temperature at first ice",
        "Water temperature when ice formed.",
    ),
    _number(
        "supercooling_k",
        "mediator",
        "K",
        0,
        40,
        "supercooling",
        "Depth below the freezing point when ice formed.",
    ),
    _choice(
        "trigger_event",
        "measurement",
        ("none", "knock", "door", "seed", "probe_move", "unknown"),
        "trigger",
        "What may have provoked the ice.",
    ),
    # How it was watched
    _number(
        "probe_height_frac",
        "measurement",
        "fraction",
        0,
        1,
        "probe height",
        "Height of the probe as a fraction of the water depth.",
    ),
    _number(
        "probe_radial_frac",
        "measurement",
        "fraction",
        0,
        1,
        "probe radius",
        "Distance of the probe from the axis as a fraction of the radius.",
    ),
    _text("probe_type", "measurement", "probe", "Kind of probe."),
    _number(
        "probe_offset_zero_k",
        "measurement",
        "K",
        -5,
        5,
        "probe offset",
        "Reading of the probe on its own ice plateau.",
    ),
    _number("probe_tau_s", "measurement", "s", 0, 1e4, "probe lag", "Time constant of the probe."),
    _number(
        "log_interval_s",
        "measurement",
        "s",
        0,
        1e6,
        "logging interval",
        "Time between logged readings.",
        low_open=True,
    ),
    _number(
        "check_interval_s",
        "measurement",
        "s",
        0,
        1e6,
        "time between looks",
        "Time between looks by eye.",
        low_open=True,
    ),
    # The outcome
    _choice("endpoint", "outcome", ENDPOINTS, "endpoint", "The event that was timed.", sheets=_ALL),
    _number(
        "threshold_c",
        "outcome",
        "°C",
        -40,
        100,
        "threshold",
        "Temperature of the crossing, for t_threshold.",
        sheets=_ALL,
    ),
    _number(
        "residual_from_c",
        "outcome",
        "°C",
        0,
        100,
        "counted from",
        "Temperature from which t_residual is counted, the colder arm's start.",
        sheets=_ALL,
    ),
    _choice(
        "residual_endpoint",
        "outcome",
        tuple(e for e in ENDPOINTS if e not in ("ice_at_time", "t_residual")),
        "counted to",
        "The event at which t_residual ends.",
        sheets=_ALL,
    ),
    _number(
        "time_lower_s",
        "outcome",
        "s",
        0,
        INF,
        "not yet at",
        "Latest time at which the event was not yet seen.",
        sheets=("runs", "points"),
    ),
    _number(
        "time_upper_s",
        "outcome",
        "s",
        0,
        INF,
        "seen by",
        "First time at which it was seen; empty if it was never seen.",
        sheets=("runs", "points"),
    ),
    _number(
        "time_reading_sd_s",
        "measurement",
        "s",
        0,
        INF,
        "reading error of time",
        "Standard error of a time read off a figure.",
        sheets=("points",),
    ),
    _number(
        "at_time_s",
        "outcome",
        "s",
        0,
        INF,
        "measured at",
        "Fixed time, for ice_at_time.",
        low_open=True,
    ),
    _number("ice_mass_g", "outcome", "g", 0, 1e4, "ice mass", "Ice at that time, for ice_at_time."),
    # Published groups
    _count("n_runs", "outcome", 1, "runs", "Runs behind the row.", sheets=_PUBLISHED),
    _count(
        "n_specimens",
        "outcome",
        1,
        "specimens",
        "Different specimens behind the row.",
        sheets=_SUMMARIES,
    ),
    _number(
        "mean_s", "outcome", "s", 0, INF, "mean", "Mean time.", low_open=True, sheets=_SUMMARIES
    ),
    _number("sd_s", "outcome", "s", 0, INF, "SD", "Standard deviation.", sheets=_SUMMARIES),
    _number("se_s", "outcome", "s", 0, INF, "SE", "Standard error of the mean.", sheets=_SUMMARIES),
    _number(
        "ci_low_s",
        "outcome",
        "s",
        -INF,
        INF,
        "interval from",
        "Lower confidence limit of the mean.",
        sheets=_SUMMARIES,
    ),
    _number(
        "ci_high_s",
        "outcome",
        "s",
        -INF,
        INF,
        "interval to",
        "Upper confidence limit of the mean.",
        sheets=_SUMMARIES,
    ),
    _number(
        "ci_level",
        "outcome",
        "fraction",
        0,
        1,
        "interval level",
        "Level of the interval, such as 0.95.",
        low_open=True,
        sheets=_SUMMARIES,
    ),
    _number(
        "median_s",
        "outcome",
        "s",
        0,
        INF,
        "median",
        "Median time.",
        low_open=True,
        sheets=_SUMMARIES,
    ),
    _number("q1_s", "outcome", "s", 0, INF, "first quartile", "First quartile.", sheets=_SUMMARIES),
    _number("q3_s", "outcome", "s", 0, INF, "third quartile", "Third quartile.", sheets=_SUMMARIES),
    _number("min_s", "outcome", "s", 0, INF, "smallest", "Smallest time.", sheets=_SUMMARIES),
    _number("max_s", "outcome", "s", 0, INF, "largest", "Largest time.", sheets=_SUMMARIES),
    _choice(
        "error_bar_meaning",
        "provenance",
        ("SD", "SE", "CI95", "range", "none", "unstated"),
        "bars mean",
        "What the error bars of the source mean.",
        sheets=_PUBLISHED,
    ),
    # Published contrasts and counts, hot against cold
    _number(
        "start_temp_hot_c",
        "treatment",
        "°C",
        0,
        100,
        "hot start",
        "Start temperature of the hotter arm.",
        sheets=_SUMMARIES,
    ),
    _number(
        "start_temp_cold_c",
        "treatment",
        "°C",
        0,
        100,
        "cold start",
        "Start temperature of the colder arm.",
        sheets=_SUMMARIES,
    ),
    _choice(
        "contrast_scale",
        "outcome",
        CONTRAST_SCALES,
        "contrast is",
        "Whether the contrast is a difference of times or a log ratio, always hot against cold.",
        sheets=_SUMMARIES,
    ),
    _number(
        "contrast_value",
        "outcome",
        "s or none",
        -INF,
        INF,
        "contrast",
        "Hot minus cold, or ln(hot/cold).",
        sheets=_SUMMARIES,
    ),
    _number(
        "contrast_se",
        "outcome",
        "s or none",
        0,
        INF,
        "SE of contrast",
        "Its standard error.",
        low_open=True,
        sheets=_SUMMARIES,
    ),
    _number(
        "contrast_low",
        "outcome",
        "s or none",
        -INF,
        INF,
        "contrast from",
        "Lower confidence limit of the contrast, on its scale; its level is ci_level.",
        sheets=_SUMMARIES,
    ),
    _number(
        "contrast_high",
        "outcome",
        "s or none",
        -INF,
        INF,
        "contrast to",
        "Upper confidence limit of the contrast, on its scale.",
        sheets=_SUMMARIES,
    ),
    _count("n_hot", "outcome", 1, "hot runs", "Runs in the hotter arm.", sheets=_SUMMARIES),
    _count("n_cold", "outcome", 1, "cold runs", "Runs in the colder arm.", sheets=_SUMMARIES),
    _number(
        "p_value",
        "outcome",
        "",
        0,
        1,
        "p as published",
        "The p-value as published.",
        sheets=_SUMMARIES,
    ),
    _count(
        "k_hot_first",
        "outcome",
        0,
        "hot first",
        "Pairs in which the hotter one was first.",
        sheets=_SUMMARIES,
    ),
    _count("n_pairs", "outcome", 1, "pairs", "Pairs compared.", sheets=_SUMMARIES),
    _count("n_ties", "outcome", 0, "ties", "Pairs with no difference seen.", sheets=_SUMMARIES),
    # Links to traces
    _text("trace_file", "provenance", "trace file", "File holding the temperature trace."),
    _text("trace_channel", "provenance", "trace channel", "Channel of the trace."),
    Field(
        name="inserted_at",
        kind="date",
        role="provenance",
        label="put in at",
        meaning="Date and time of insertion, ISO 8601.",
    ),
    _text(
        "sham", "design", "sham pair label", "A or B within a pair at the same start temperature."
    ),
    # Where it comes from
    _text(
        "exclusion_reason",
        "provenance",
        "excluded because",
        "Why the row is left out; empty if it is used.",
        sheets=_ALL,
    ),
    _text("stopped_rule", "provenance", "stopped by", "Rule by which the series was ended."),
    _text(
        "source_id",
        "provenance",
        "source",
        "Publication or file; the study where no lab is given.",
        sheets=_ALL,
    ),
    _text("locator", "provenance", "place in source", "Page, table or figure.", sheets=_PUBLISHED),
    _text(
        "extraction_id", "provenance", "extraction", "One reading of one figure.", sheets=_PUBLISHED
    ),
    _text("reader_id", "provenance", "read by", "Who read it.", sheets=_PUBLISHED),
    Field(
        name="read_at",
        kind="date",
        role="provenance",
        label="read on",
        meaning="Date of reading, ISO 8601.",
        sheets=_PUBLISHED,
    ),
    _flag(
        "preregistered",
        "provenance",
        "planned in public",
        "Whether the plan was public before the data.",
        sheets=_ALL,
    ),
    _text(
        "conflict_note",
        "provenance",
        "interests",
        "Stated interests of the source.",
        sheets=_PUBLISHED,
    ),
    _text("remark", "provenance", "remark", "Anything else, in words.", sheets=_ALL),
    _flag("invented", "provenance", "invented", "True for demonstration rows.", sheets=_ALL),
    # Written by the way in, never typed
    _text("file_name", "provenance", "file", "File the row was read from.", sheets=_NONE),
    _text("sheet_name", "provenance", "sheet", "Worksheet, for workbooks.", sheets=_NONE),
    _count(
        "file_row", "provenance", 1, "row", "Row in that file as an editor counts it.", sheets=_NONE
    ),
    _text(
        "as_reported",
        "provenance",
        "as typed",
        "The cells that were converted, as typed, with their units.",
        sheets=_NONE,
    ),
    _text(
        "derived",
        "provenance",
        "derived",
        "Fields that a rule computed, and the rule.",
        sheets=_NONE,
    ),
)

FIELD: dict[str, Field] = {f.name: f for f in FIELDS}

# The six columns of the plain sheet for runs, in their order.
PLAIN_RUN_FIELDS = (
    "lab_id",
    "block_id",
    "vessel_material",
    "start_temp_c",
    "time_upper_s",
    "remark",
)


def arrow_schema() -> pa.Schema:
    """Give the Parquet types of a part, the schema version in its metadata.

    Returns
    -------
    pyarrow.Schema
    """
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "choice": pa.string(),
        "date": pa.string(),
        "number": pa.float64(),
        "integer": pa.int64(),
        "boolean": pa.bool_(),
    }
    return pa.schema(
        [pa.field(f.name, types[f.kind]) for f in FIELDS],
        metadata={"metafreeze_schema": str(SCHEMA_VERSION)},
    )
