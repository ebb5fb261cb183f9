"""The cross-products of a design and its outcomes, and what they are measured in."""

from __future__ import annotations

from dataclasses import dataclass, replace

from metafreeze.models.labels import Segments
from metafreeze.results import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Centres and scales: how the engine's units turn into the caller's.

    ``y = y_unit y* + X origin``, ``X = X* turn``, ``Z = Z* turn_varying``.

    Parameters
    ----------
    y_unit : array, shape (m,)
    origin : array, shape (m, p)
    turn : array, shape (p, p)
    turn_varying : array, shape (q, q)
    log_turn : float
        Log determinant of `turn`, which the restricted criterion has to give back.
    """

    y_unit: FloatArray
    origin: FloatArray
    turn: FloatArray
    turn_varying: FloatArray
    log_turn: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One nested random intercept: which members its groups have, and in which study.

    Rows without a label share a placeholder, whose `real` is 0: it has no intercept.

    Parameters
    ----------
    name : str
    members : Segments
        Entities, or groups of the level below, to groups.
    study : Segments
        Groups to studies.
    real : array, shape (groups,)
    """

    name: str
    members: Segments
    study: Segments
    real: FloatArray

    @property
    def count(self) -> int:
        """Number of groups, placeholders for rows without a label included."""
        return self.members.count


@dataclass(frozen=True, slots=True, kw_only=True)
class Entities:
    """Rows that share their innermost group and kind of variance.

    The weight of an entity is ``size / (share * s2 + extra)``: runs have share 1 and
    extra 0, known variances share 0, rows with a reading error are one entity each.

    Parameters
    ----------
    size, share, extra : array, shape (e,)
    pooled : array of bool, shape (e,)
        Runs put together.
    study : Segments
    """

    size: FloatArray
    share: FloatArray
    extra: FloatArray
    pooled: BoolArray
    study: Segments


@dataclass(frozen=True, slots=True, kw_only=True)
class Products:
    """Cross-products of m data sets that share one design.

    In study s, ``A = [X y] = Z B + A~``; products are kept of [Z A~], beside B.

    Parameters
    ----------
    studies, varying, fixed : int
        Numbers S of studies, q of varying columns, p of fixed columns.
    own : array, shape (m, S, q, p + 1)
        B, each study's own coefficients of [X y] on Z.
    within : array, shape (m, S, q + p + 1, q + p + 1)
        Products of [Z A~] over rows whose variance is estimated: all of them where no
        group is nested in a study, else about the mean of their entity.
    within_known : array or None
        The same for rows of known variance, weighted by its inverse.
    means : array, shape (m, entities, q + p + 1)
    entities : Entities
    levels : tuple of Level
        Innermost first.
    runs : array, shape (S,)
        Runs whose residual variance is estimated and has no addition.
    total_runs : float
        All runs and rows.
    constant : array, shape (m,)
        What rescaling and known variances add to -2 log likelihood.
    frame : Frame
    correlated : bool
        Whether the varying coefficients may be correlated.
    crossed : int
        Number of trailing varying columns that are the levels of a crossed factor.
    crossed_name : str
    estimated_rows, has_added : bool
        Whether any row's variance is estimated, and whether any has a reading error.
    twins : tuple of int or None
        For each fixed column the varying column that equals it.
    """

    studies: int
    varying: int
    fixed: int
    own: FloatArray
    within: FloatArray
    within_known: FloatArray | None
    means: FloatArray
    entities: Entities
    levels: tuple[Level, ...]
    runs: FloatArray
    total_runs: float
    constant: FloatArray
    frame: Frame
    correlated: bool
    crossed: int
    crossed_name: str
    estimated_rows: bool
    has_added: bool
    twins: tuple[int | None, ...]

    @property
    def sets(self) -> int:
        """Number of data sets."""
        return int(self.within.shape[0])

    @property
    def one_scale(self) -> bool:
        """Whether the residual variance is a mere factor that can be profiled out."""
        return self.estimated_rows and not self.has_added and self.within_known is None

    def pick(self, sets: IntArray) -> Products:
        """Keep some of the data sets."""
        return replace(
            self,
            own=self.own[sets],
            within=self.within[sets],
            within_known=None if self.within_known is None else self.within_known[sets],
            means=self.means[sets],
            constant=self.constant[sets],
            frame=replace(
                self.frame, y_unit=self.frame.y_unit[sets], origin=self.frame.origin[sets]
            ),
        )
