"""What the taps say of each vessel: when it went in, and between which looks it froze."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from metafreeze.errors import Fault, Location
from metafreeze.logbook.batches import Batch, Vessel
from metafreeze.logbook.taps import KIND_WORDS, MEASURED, Tap
from metafreeze.options import Watching

# A lid opened this shortly before ice was seen was opened to look: the ice was there already.
# A convention of ours, no source.
LID_OPENED_TO_LOOK_S = 120.0
# Watched without a break, ice that follows this soon on a knock or a lid was set off by it.
# A convention of ours, no source.
PROVOKED_WITHIN_S = 60.0
# Clocks of a phone and a computer that moved apart by more than this are worth a word.
CLOCK_MOVED_MS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """When an event was: after one look and by another, seconds since the vessel went in.

    Parameters
    ----------
    lower_s : float
        Latest time at which it was not yet seen.
    upper_s : float, optional
        First time at which it was seen; None where it never was.
    """

    lower_s: float
    upper_s: float | None


@dataclass(slots=True, kw_only=True)
class Course:
    """What is known of one vessel.

    Parameters
    ----------
    vessel : Vessel
        As planned.
    in_ms : int, optional
        When it went in; None where it did not.
    first_ice, solid : Window, optional
        None where it was never looked at after it went in.
    trigger : str
        Word of `trigger_event`; empty where nothing was tapped that may have provoked the ice.
    measured : dict
        Field of the schema -> number.
    notes : tuple of str
        In the order written.
    faults : tuple of Fault
        Contradictions (errors) and what a person should know (notes).
    """

    vessel: Vessel
    in_ms: int | None = None
    first_ice: Window | None = None
    solid: Window | None = None
    trigger: str = ""
    measured: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()


def follow(batch: Batch) -> list[Course]:
    """Follow every vessel of a batch through its taps.

    Parameters
    ----------
    batch : Batch
        A batch.

    Returns
    -------
    list of Course
        In the order of the plan.
    """
    taps = batch.standing()
    return [_follow_one(vessel, taps, batch.plan.watching) for vessel in batch.plan.vessels]


def _follow_one(vessel: Vessel, taps: Sequence[Tap], watching: Watching) -> Course:
    own = [tap for tap in taps if tap.vessel in (vessel.name, "")]
    course = Course(vessel=vessel)
    for tap in own:
        if tap.kind in MEASURED and tap.value is not None:
            course.measured[MEASURED[tap.kind]] = tap.value
    course.notes = tuple(tap.text for tap in own if tap.kind == "note")
    faults = [_clock_moved(vessel, tap) for tap in own if abs(tap.moved_ms) > CLOCK_MOVED_MS]
    entries = [tap for tap in own if tap.kind == "in"]
    seen = [tap for tap in own if tap.vessel and tap.kind in ("liquid", "partly", "ice", "solid")]
    if not entries:
        if seen:
            faults.append(
                _contradiction(vessel, "has looks or ice, but nobody tapped “in”", tap=seen[0])
            )
        course.faults = tuple(faults)
        return course
    if len(entries) > 1:
        faults.append(_contradiction(vessel, "went in twice", tap=entries[1]))
    course.in_ms = start = entries[0].at_ms
    early = [tap for tap in seen if tap.at_ms < start]
    if early:
        words = KIND_WORDS[early[0].kind]
        faults.append(_contradiction(vessel, f"has “{words}” before it went in", tap=early[0]))
    since = [tap for tap in own if tap.at_ms >= start]
    # Watched without a break, a vessel was looked at until the last tap of anybody.
    until = max(tap.at_ms for tap in taps) if watching == "always" else None
    looks = _Looks(vessel, since, watching, until)
    course.first_ice, course.solid = looks.first_ice(), looks.solid()
    if course.first_ice is not None and course.first_ice.upper_s is not None:
        course.trigger = looks.trigger(course.first_ice)
    course.faults = (*faults, *looks.faults)
    return course


class _Looks:
    """The looks at one vessel since it went in."""

    def __init__(
        self, vessel: Vessel, since: Sequence[Tap], watching: Watching, until_ms: int | None
    ) -> None:
        self.vessel, self.since, self.watching = vessel, since, watching
        self.start = next(tap.at_ms for tap in since if tap.kind == "in")
        self.until_s = None if until_ms is None else (until_ms - self.start) / 1000
        self.faults: list[Fault] = []
        self._liquid: list[Tap] = []
        self._icy: list[Tap] = []
        self._solid: list[Tap] = []
        for tap in since:
            if tap.kind == "liquid":
                self._liquid.append(tap)
            elif tap.kind in ("ice", "partly"):
                self._icy.append(tap)
            elif tap.kind == "solid":
                self._solid.append(tap)
            elif tap.kind == "round" and not self._solid:
                # No change: what was liquid stayed so, what had ice had not become solid.
                (self._icy if self._icy else self._liquid).append(tap)

    def first_ice(self) -> Window | None:
        """Give the window of first ice."""
        seen = sorted((*self._icy, *self._solid), key=lambda tap: tap.at_ms)
        return self._window(not_yet=self._liquid, seen=seen, exact="ice")

    def solid(self) -> Window | None:
        """Give the window in which the last liquid froze."""
        not_yet = sorted((*self._liquid, *self._icy), key=lambda tap: tap.at_ms)
        return self._window(not_yet=not_yet, seen=self._solid, exact="solid")

    def trigger(self, window: Window) -> str:
        """Name what may have provoked the ice: a knock or a lid between the two looks."""
        upper = window.upper_s
        assert upper is not None
        found = ""
        for tap in self.since:
            at = self._seconds(tap)
            if tap.kind not in ("knocked", "lid") or at > upper:
                continue
            if self.watching == "always":
                provoked = upper - at <= PROVOKED_WITHIN_S
            elif tap.kind == "knocked":
                provoked = at > window.lower_s
            else:
                provoked = at > window.lower_s and upper - at > LID_OPENED_TO_LOOK_S
            if provoked:
                found = "knock" if tap.kind == "knocked" else "door"
        return found

    def _window(self, *, not_yet: Sequence[Tap], seen: Sequence[Tap], exact: str) -> Window | None:
        if not seen:
            lasts = [self._seconds(tap) for tap in not_yet[-1:]]
            if self.until_s is not None:
                lasts.append(self.until_s)
            return Window(lower_s=max(lasts), upper_s=None) if lasts else None
        first = seen[0]
        late = [tap for tap in not_yet if tap.at_ms > first.at_ms]
        if late:
            self._report_late(late[0], first)
        upper = self._seconds(first)
        if self.watching == "always" and first.kind == exact:
            return Window(lower_s=upper, upper_s=upper)
        before = [self._seconds(tap) for tap in not_yet if tap.at_ms <= first.at_ms]
        return Window(lower_s=before[-1] if before else 0.0, upper_s=upper)

    def _report_late(self, late: Tap, first: Tap) -> None:
        minutes = (late.at_ms - first.at_ms) / 60_000
        fault = _contradiction(
            self.vessel,
            f"has “{KIND_WORDS[late.kind]}” {minutes:.1f} min after “{KIND_WORDS[first.kind]}”",
            tap=late,
        )
        # First ice and fully frozen may both meet the same tap; one word about it is enough.
        if all(known.message != fault.message for known in self.faults):
            self.faults.append(fault)

    def _seconds(self, tap: Tap) -> float:
        return (tap.at_ms - self.start) / 1000


def _contradiction(vessel: Vessel, what: str, *, tap: Tap) -> Fault:
    return Fault(
        rule="taps-contradict",
        message=f"Vessel “{vessel.name}” {what}",
        remedy="Take one of the two taps back, under “Taps of this vessel”",
        location=Location(run=vessel.name),
        value=tap.id,
    )


def _clock_moved(vessel: Vessel, tap: Tap) -> Fault:
    return Fault(
        rule="clock-moved",
        message=f"A clock was set between the tap “{KIND_WORDS[tap.kind]}” and its sending, by "
        f"{tap.moved_ms / 1000:.1f} s",
        remedy="The time counts as tapped; write a note if you know better",
        location=Location(run=vessel.name),
        value=tap.id,
        severity="note",
    )
