"""What reading a logger file gives: channels against seconds, with everything decided."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from metafreeze.errors import Fault

Floats = npt.NDArray[np.float64]
Marks = npt.NDArray[np.int8]
Mask = npt.NDArray[np.bool_]
Role = Literal["water", "sink", "room"]

# Why a reading must not be used; its place in this tuple is its mark, 0 for a good reading.
REASONS: tuple[str, ...] = (
    "",
    "an instrument's code for a fault",
    "a word in place of a reading",
    "no temperature that water or a freezer can have",
    "the time repeats with another reading",
    "the time runs backwards",
    "the time cannot be read",
    "the logger had just been switched on",
)
CODE, WORD, IMPOSSIBLE, CONFLICT, BACKWARDS, NO_TIME, POWER_UP = range(1, len(REASONS))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedTrace:
    """One channel of one stretch of a clock.

    Parameters
    ----------
    file, sheet : str
        File name without its folder; worksheet.
    channel : str
        Heading of the channel, made unique in its file; a part is named where the clock was
        reset.
    heading : str
        Heading as it stands; empty if none.
    position : int
        Column in the file, counted from 1.
    part, parts : int
        Which stretch of the clock, and how many there are.
    role : {"water", "sink", "room"}
        What the probe was in, as the heading or the readings tell.
    time_s : float array, shape (n,)
        Seconds since the first reading of the part, never falling.
    temp_c : float array, shape (n,)
        Degrees Celsius; NaN where no number stands.
    marks : int array, shape (n,)
        Place in `REASONS` of the reason for which a reading must not be used.
    how : str
        How the time was read, in one sentence.
    began_at : str
        ISO 8601 of the first reading; empty where the clock tells no date.
    zone : str
        Such as ``UTC+01:00``; "unknown" where nothing says it.
    unit : str
        Unit of the readings as they stand in the file.
    notes : mapping
        Lines above the table.
    events : tuple of (float, str)
        Rows without a reading: seconds and what they say.
    findings : tuple of Fault
        What was decided and what is open.
    """

    file: str
    sheet: str
    channel: str
    heading: str
    position: int
    part: int = 1
    parts: int = 1
    role: Role = "water"
    time_s: Floats
    temp_c: Floats
    marks: Marks
    how: str
    began_at: str = ""
    zone: str = "unknown"
    unit: str = "°C"
    notes: Mapping[str, str] = field(default_factory=dict)
    events: tuple[tuple[float, str], ...] = ()
    findings: tuple[Fault, ...] = ()

    @property
    def bad(self) -> Mask:
        """True where a reading must not be used."""
        return self.marks > 0

    @property
    def samples(self) -> int:
        """Number of readings, those marked included."""
        return int(self.time_s.size)

    @property
    def marked_bad(self) -> int:
        """Number of readings marked as not to be used."""
        return int(np.count_nonzero(self.marks))
