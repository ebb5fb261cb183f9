"""What each row says about its vessel and sink, and how uncertain the rest is.

Every parameter of the physics has, for each row, a centre and a spread: recorded values keep
their own error, missing ones the usual range. What is unknown in a study is one unknown
for all its rows; what the model itself does not know is shared by every study.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr, ndtri

from metafreeze.errors import InputError
from metafreeze.physics import usual
from metafreeze.physics.setup import Setup
from metafreeze.physics.usual import Usual
from metafreeze.results import FloatArray, IntArray

KnownValue = float | tuple[float, float]
Known = Mapping[str, KnownValue | Mapping[str, KnownValue]]
Words = npt.NDArray[np.object_]
Look = Callable[[int], Usual]

RECORDED, ASSUMED, GIVEN = "recorded", "assumed", "given"

# Parameters of one study, the same unknown for all its rows.
STUDY_PARAMETERS: dict[str, str] = {
    "sink_temp_c": "°C",
    "mass_g": "g",
    "diameter_mm": "mm",
    "height_over_diameter": "",
    "h_air_w_m2k": "W/(m² K)",
    "h_side_w_m2k": "W/(m² K)",
    "h_base_w_m2k": "W/(m² K)",
    "evaporation": "",
    "air_rh": "",
    "side_share": "",
    "wall_thickness_mm": "mm",
    "wall_conductivity_w_mk": "W/(m K)",
    "supercooling_k": "K",
}
# Parameters shared by all studies: errors of the model, which more studies do not average out.
SHARED_PARAMETERS: dict[str, str] = {
    "evaporation_factor": "",
    "h_exponent": "",
    "emissivity": "",
    "ice_resistance": "",
    "evaporation_lid_unsaid": "",
}
UNITS = STUDY_PARAMETERS | SHARED_PARAMETERS

_LOG, _LINEAR, _EVEN = 0, 1, 2
_SCALES = {"log": _LOG, "linear": _LINEAR, "even": _EVEN}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unknown:
    """One parameter for every row: where its range lies and where it comes from.

    Parameters
    ----------
    centre, spread : array, shape (n,)
        Centre, and standard deviation on its scale (half width where even).
    scale : array of int, shape (n,)
        Logarithmic, linear or even.
    how, source : object array, shape (n,)
        Recorded, assumed or given, and the handbook.
    """

    centre: FloatArray
    spread: FloatArray
    scale: IntArray
    how: Words
    source: Words

    def at(self, score: FloatArray) -> FloatArray:
        """Give the values at standard normal scores, shape (..., n)."""
        straight = self.centre + self.spread * score
        if not np.any(self.scale != _LINEAR):
            return straight
        even = self.centre + self.spread * (2.0 * ndtr(score) - 1.0)
        with np.errstate(over="ignore"):
            log = self.centre * np.exp(self.spread * score)
        return np.where(self.scale == _LOG, log, np.where(self.scale == _EVEN, even, straight))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunParameters:
    """All parameters of a set of rows.

    Parameters
    ----------
    unknowns : dict of Unknown
        By name, each with n rows.
    study : array of int, shape (n,)
        Number of each row's study.
    study_names : tuple of str
    diameter_recorded : bool array, shape (n,)
    bath : bool array, shape (n,)
        Vessels whose side is in a liquid.
    droplet : bool array, shape (n,)
        Drops on a plate, to which conduction from below applies.
    lid_unsaid : bool array, shape (n,)
        Rows that do not say what covered the water. How open such vessels are is one unknown
        for all studies: people leave the same things unsaid, and more of them do not help.
    """

    unknowns: dict[str, Unknown]
    study: IntArray
    study_names: tuple[str, ...]
    diameter_recorded: npt.NDArray[np.bool_]
    bath: npt.NDArray[np.bool_]
    droplet: npt.NDArray[np.bool_]
    lid_unsaid: npt.NDArray[np.bool_]

    def part(self, rows: npt.NDArray[np.intp]) -> RunParameters:
        """Give the parameters of some rows."""
        return RunParameters(
            unknowns={
                name: Unknown(
                    centre=u.centre[rows],
                    spread=u.spread[rows],
                    scale=u.scale[rows],
                    how=u.how[rows],
                    source=u.source[rows],
                )
                for name, u in self.unknowns.items()
            },
            study=self.study[rows],
            study_names=self.study_names,
            diameter_recorded=self.diameter_recorded[rows],
            bath=self.bath[rows],
            droplet=self.droplet[rows],
            lid_unsaid=self.lid_unsaid[rows],
        )

    def values(self, scores: Scores) -> dict[str, FloatArray]:
        """Give every parameter at the scores, each of shape (draws, n)."""
        values = {}
        for j, name in enumerate(STUDY_PARAMETERS):
            values[name] = self.unknowns[name].at(scores.study[:, :, j][:, self.study])
        for j, name in enumerate(SHARED_PARAMETERS):
            values[name] = self.unknowns[name].at(scores.shared[:, j][:, np.newaxis])
        if self.lid_unsaid.any():
            values["evaporation"] = np.where(
                self.lid_unsaid, values["evaporation_lid_unsaid"], values["evaporation"]
            )
        return values

    def setup(self, values: dict[str, FloatArray], start_temp_c: FloatArray) -> Setup:
        """Turn parameter values into a setup of shape (draws, n)."""
        mass = np.maximum(values["mass_g"], 1e-6)
        estimated = usual.diameter_from_mass_mm(mass, values["height_over_diameter"])
        diameter = np.where(self.diameter_recorded, values["diameter_mm"], estimated)
        # A sink above zero is a warm room (warming runs); one below stays below, whatever the
        # draw, since something froze in it.
        centre = self.unknowns["sink_temp_c"].centre
        sink = np.where(
            centre < 0.0, np.minimum(values["sink_temp_c"], -0.5), values["sink_temp_c"]
        )
        return Setup(
            start_temp_c=start_temp_c,
            sink_temp_c=np.clip(sink, -196.0, 100.0),
            mass_g=mass,
            diameter_mm=np.maximum(diameter, 1e-3),
            h_air_w_m2k=np.maximum(values["h_air_w_m2k"], 0.1),
            h_side_w_m2k=np.where(self.bath, np.maximum(values["h_side_w_m2k"], 0.1), np.nan),
            h_base_w_m2k=np.maximum(values["h_base_w_m2k"], 0.0),
            h_exponent=np.clip(values["h_exponent"], 0.0, 1.0),
            evaporation=np.maximum(values["evaporation"], 0.0) * values["evaporation_factor"],
            air_rh=np.clip(values["air_rh"], 0.0, 1.0),
            emissivity=np.clip(values["emissivity"], 0.0, 1.0),
            side_share=np.clip(values["side_share"], 0.0, 1.0),
            wall_resistance_m2k_w=np.maximum(values["wall_thickness_mm"], 0.0)
            * 1e-3
            / values["wall_conductivity_w_mk"],
            ice_resistance=np.maximum(values["ice_resistance"], 0.0),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Standard normal scores of the unknowns.

    Parameters
    ----------
    shared : array, shape (draws, parameters)
    study : array, shape (draws, studies, parameters)
    """

    shared: FloatArray
    study: FloatArray


def central_scores(studies: int) -> Scores:
    """Give the scores of the centre: zero everywhere, one draw."""
    return Scores(
        shared=np.zeros((1, len(SHARED_PARAMETERS))),
        study=np.zeros((1, studies, len(STUDY_PARAMETERS))),
    )


def draw_scores(draws: int, studies: int, rng: np.random.Generator) -> Scores:
    """Draw scores, each parameter spread evenly over its range (Latin hypercube).

    Even spreading makes fifty draws say about the mean and the variance what several hundred
    independent ones would.
    """

    def spread(columns: int) -> FloatArray:
        ranks = rng.permuted(np.tile(np.arange(draws), (columns, 1)), axis=1).T
        return np.asarray(ndtri((ranks + rng.random((draws, columns))) / draws))

    shared = spread(len(SHARED_PARAMETERS))
    study = spread(studies * len(STUDY_PARAMETERS))
    return Scores(shared=shared, study=study.reshape(draws, studies, -1))


def read_parameters(
    rows: pd.DataFrame, study: Words, *, known: Known | None = None, evaporation: bool = True
) -> RunParameters:
    """Read what each row says and put the usual ranges for the rest.

    Parameters
    ----------
    rows : DataFrame
        Rows of the schema.
    study : object array, shape (n,)
        Study key of each row.
    known : mapping, optional
        Parameters known from elsewhere: a value, or a value and its standard deviation, for all
        rows; or a mapping from study to such. It replaces what is assumed and what is recorded.
    evaporation : bool
        False switches evaporation off in every row.

    Returns
    -------
    RunParameters

    Raises
    ------
    InputError
        `known` names no parameter, or holds something else than numbers.
    """
    number = {
        name: column_numbers(rows, name)
        for name in (
            "sink_temp_c",
            "water_mass_start_g",
            "inner_diameter_mm",
            "air_speed_m_s",
            "air_rh",
            "wall_thickness_mm",
        )
    }
    word = {
        name: column_words(rows, name)
        for name in (
            "sink_type",
            "lid",
            "base_support",
            "side_insulation",
            "vessel_material",
            "water_type",
            "nucleant",
        )
    }
    names, numbers = np.unique(study.astype(str), return_inverse=True)
    study_names = tuple(str(s) for s in names)
    given = _checked_known(known, study_names)
    if not evaporation:
        given["evaporation"] = {_EVERY: usual.exactly(0.0, "switched off")}
    builder = _Builder(study.astype(str).astype(object), given)
    sinks = word["sink_type"]
    still = usual.SINK_TEMP_C["freezer"]
    builder.words("sink_temp_c", (sinks,), lambda w: usual.SINK_TEMP_C.get(w, still))
    builder.recorded(
        "sink_temp_c", number["sink_temp_c"], lambda v: _about(v, usual.SINK_TEMP_ERROR_K)
    )
    builder.fixed("mass_g", usual.MASS_G)
    builder.recorded(
        "mass_g", number["water_mass_start_g"], lambda v: _share(v, usual.MASS_ERROR_SHARE)
    )
    diameter = number["inner_diameter_mm"]
    builder.fixed("diameter_mm", usual.exactly(60.0, "follows from mass and shape"))
    builder.recorded("diameter_mm", diameter, lambda v: _share(v, usual.DIAMETER_ERROR_SHARE))
    builder.fixed("height_over_diameter", usual.HEIGHT_OVER_DIAMETER)
    builder.words("h_air_w_m2k", (sinks,), usual.air_range)
    builder.recorded("h_air_w_m2k", number["air_speed_m_s"], lambda v: usual.air_range("", v))
    builder.fixed("h_side_w_m2k", usual.BATH_SIDE)
    builder.words("h_base_w_m2k", (sinks, word["base_support"]), usual.base_range)
    # Where the lid is unsaid the shared unknown stands in; this value is then not used.
    covers = usual.EVAPORATION
    builder.words("evaporation", (word["lid"],), lambda w: covers.get(w, covers["open"]), says=True)
    builder.fixed("evaporation_lid_unsaid", usual.EVAPORATION_UNSAID)
    builder.fixed("air_rh", usual.AIR_RH_ICE)
    builder.recorded("air_rh", number["air_rh"], lambda v: _about(v, usual.AIR_RH_ERROR))
    bare = usual.SIDE_SHARE_UNSAID
    builder.words(
        "side_share", (word["side_insulation"],), lambda w: usual.SIDE_SHARE.get(w, bare), says=True
    )
    builder.fixed("wall_thickness_mm", usual.WALL_THICKNESS_MM)
    builder.recorded(
        "wall_thickness_mm",
        number["wall_thickness_mm"],
        lambda v: _share(v, usual.WALL_ERROR_SHARE),
    )
    builder.words(
        "wall_conductivity_w_mk", (word["vessel_material"],), usual.wall_conductivity_range
    )
    builder.words(
        "supercooling_k", (word["water_type"], word["nucleant"], sinks), usual.supercooling_range
    )
    builder.fixed("evaporation_factor", usual.EVAPORATION_FACTOR)
    free = usual.FREE_EXPONENT
    builder.words("h_exponent", (sinks,), lambda w: usual.H_EXPONENT.get(w, free))
    builder.fixed("emissivity", usual.EMISSIVITY)
    builder.fixed("ice_resistance", usual.ICE_RESISTANCE)
    builder.known()
    mass = number["water_mass_start_g"]
    return RunParameters(
        unknowns=builder.unknowns,
        study=numbers.astype(np.int64),
        study_names=study_names,
        diameter_recorded=np.isfinite(diameter) | (builder.unknowns["diameter_mm"].how == GIVEN),
        bath=sinks == "bath",
        droplet=(sinks == "plate") & (mass <= LARGEST_DROPLET_G),
        lid_unsaid=(builder.unknowns["evaporation"].how == ASSUMED),
    )


# Up to this mass a body of water on a plate is a drop, cooled by conduction from below.
LARGEST_DROPLET_G = 0.2


def column_numbers(rows: pd.DataFrame, name: str) -> FloatArray:
    """Give a numeric column, NaN where a cell or the column is missing."""
    if name not in rows.columns:
        return np.full(len(rows), np.nan)
    return np.asarray(pd.to_numeric(rows[name]).to_numpy(dtype=np.float64, na_value=np.nan))


def column_words(rows: pd.DataFrame, name: str) -> Words:
    """Give a text column, empty where a cell or the column is missing."""
    if name not in rows.columns:
        return np.full(len(rows), "", dtype=object)
    return np.asarray(rows[name].astype(object).where(rows[name].notna(), ""), dtype=object)


def _share(value: float, share: float) -> Usual:
    return Usual(centre=value, low=value / (1.0 + share), high=value * (1.0 + share), source="row")


def _about(value: float, half: float) -> Usual:
    return Usual(centre=value, low=value - half, high=value + half, scale="linear", source="row")


Given = dict[str, dict[str, Usual]]

# Key of a value that holds for every study.
_EVERY = ""


def _checked_known(known: Known | None, study_names: tuple[str, ...]) -> Given:
    """Give the known ranges by parameter and study; one value for all has an empty study."""
    given: Given = {}
    for name, value in (known or {}).items():
        if name not in UNITS:
            raise InputError(
                f"known holds {name!r}, which is no parameter. Choose from {', '.join(UNITS)}."
            )
        if not isinstance(value, Mapping):
            given[name] = {_EVERY: _one_known(name, value)}
            continue
        strange = sorted(set(value) - set(study_names))
        if strange or name in SHARED_PARAMETERS:
            why = f"no study {strange[0]!r}" if strange else "one value for all studies"
            raise InputError(
                f"known[{name!r}] has {why}. Studies are {', '.join(study_names)}; give a number, "
                "or a mapping from study to number."
            )
        given[name] = {study: _one_known(name, v) for study, v in value.items()}
    return given


def _one_known(name: str, value: KnownValue) -> Usual:
    centre, sd = value if isinstance(value, tuple) else (value, 0.0)
    if not (np.isfinite(centre) and np.isfinite(sd) and sd >= 0.0):
        raise InputError(
            f"known[{name!r}] is {value!r}. Give a number, or a number and its standard deviation, "
            "zero or above."
        )
    return usual.around(float(centre), float(sd), "given")


class _Builder:
    """Collect the unknowns row by row; equal cells share one look at the tables."""

    def __init__(self, study: Words, given: Given) -> None:
        self.n = study.size
        self.study = study
        self.given = given
        self.unknowns: dict[str, Unknown] = {}

    def fixed(self, name: str, value: Usual) -> None:
        """Assume one range for all rows."""
        self._put(name, [value], np.zeros(self.n, dtype=np.int64), np.full(self.n, ASSUMED))

    def words(
        self, name: str, cells: tuple[Words, ...], look: Callable[..., Usual], *, says: bool = False
    ) -> None:
        """Set the usual range for the words of each row; `says` where a word counts as recorded."""
        keys = pd.MultiIndex.from_arrays([*cells, np.full(self.n, "")])
        numbers, kinds = pd.factorize(keys)
        ranges = [look(*kind[:-1]) for kind in kinds]
        spoken = np.array([says and all(w not in ("", None) for w in k[:-1]) for k in kinds])
        how = np.where(spoken[numbers] if len(kinds) else False, RECORDED, ASSUMED)
        self._put(name, ranges, numbers, how)

    def recorded(self, name: str, values: FloatArray, wrap: Callable[[float], Usual]) -> None:
        """Put recorded values in the place of the usual ones, each with its own error."""
        there = np.isfinite(values)
        if not there.any():
            return
        distinct, numbers = np.unique(values[there], return_inverse=True)
        self._overwrite(name, there, [wrap(float(v)) for v in distinct], numbers, RECORDED)

    def known(self) -> None:
        """Put what is known from elsewhere in the place of everything else."""
        for name, by_study in self.given.items():
            for study, value in by_study.items():
                rows = np.ones(self.n, dtype=bool) if study == _EVERY else self.study == study
                self._overwrite(name, rows, [value], np.zeros(int(rows.sum()), np.int64), GIVEN)

    def _overwrite(
        self,
        name: str,
        rows: npt.NDArray[np.bool_],
        ranges: list[Usual],
        numbers: IntArray,
        how: str,
    ) -> None:
        old = self.unknowns[name]
        fields = {}
        for field, column in _columns(ranges, numbers).items():
            fields[field] = getattr(old, field).copy()
            fields[field][rows] = column
        said = old.how.copy()
        said[rows] = how
        self.unknowns[name] = Unknown(how=said, **fields)

    def _put(self, name: str, ranges: list[Usual], numbers: IntArray, how: npt.ArrayLike) -> None:
        self.unknowns[name] = Unknown(
            how=np.asarray(how, dtype=object), **_columns(ranges, numbers)
        )


def _columns(ranges: list[Usual], numbers: IntArray) -> dict[str, npt.NDArray[Any]]:
    """Spread distinct ranges over the rows that have them."""
    return {
        "centre": np.array([r.centre for r in ranges], dtype=np.float64)[numbers],
        "spread": np.array([r.spread for r in ranges], dtype=np.float64)[numbers],
        "scale": np.array([_SCALES[r.scale] for r in ranges], dtype=np.int64)[numbers],
        "source": np.array([r.source for r in ranges], dtype=object)[numbers],
    }
