"""When ice began: the trace leaves its line of cooling for a plateau near 0 °C.

A rise alone is not ice. It must come from below 0 °C, be quick, and lead onto a stretch
that rests near 0 °C for longer than an opened door would hold it there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from metafreeze.curves.crossings import LIMITS, fit_line
from metafreeze.curves.noise import places_of
from metafreeze.curves.plateau import FALL_K, KEPT_S, Departure, Plateau
from metafreeze.curves.trace import Floats, Trace, cooling_rate

# Why no ice is believed where the record begins on a plateau.
BEGINS_AT_REST = "the trace begins at rest near 0 °C"
RISE_K = 0.3
RISE_WITHIN_S = 60.0
# A plateau counts as ice after a quick rise where, without it, the water would have cooled by
# this much meanwhile; without a rise it must last longer, and end in a fall.
_HELD_AFTER_RISE_K = 2.5
_HELD_ALONE_K = 8.0
# Readings this many times the noise above the line of cooling have left it.
_LEFT = 3.0
# A rise has begun where readings stay so many times the noise above the lowest one.
_RISEN = 4.0
# A dip below the plateau must exceed the noise by this factor, being the lowest of many readings.
_STANDS_OUT = 4.5
# The lowest of many readings lies under the curve by about this many times the noise.
_RAISED = 2.0
# Shares gone of a rise behind a probe of equal lag, and the lags since its beginning over the
# lags from there to seven tenths: x / (2.44 - x) with 1 - (1 + x) exp(-x) the share.
_GONE = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
_LAGS_BACK = (0.0, 0.17, 0.28, 0.51, 0.82, 1.29, 2.2, 4.8)
# Part of a step in which a rise that fills it may hide.
_GONE_IN_STEP = 0.7
# No further than this before the last reading on the line does a rise begin unseen.
_LONGEST_LAG_S = 20.0
# Readings before the coldest one at which the rise may have begun.
_BACK = 4
# Cooling water bends off a line as it nears a sink this far below it.
_BENDS_OVER_K = 15.0
_FEW = 6
# Below any step of an instrument.
_TINY_K = 1e-6
# Readings on the line of cooling that are used at most.
_MOST_ON_LINE = 60
# A plateau farther from 0 °C than this is no offset of the probe.
_LARGEST_OFFSET_K = 1.5
# Water that freezes leaves its line abruptly: its rate over the last kelvins is at least this
# share of the rate above. Toward a sink at its rest it would have slowed down to a fifth.
_ABRUPT = 0.4
_ABRUPT_UNENDED = 0.6
_HIGHER_K = 2.5
# Readings this near to a rest that does not end must be told from it.
_NEAR_K = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstIce:
    """When ice began, or why none is believed.

    Parameters
    ----------
    frozen : bool
        True where ice is believed.
    lower_s, upper_s : float
        Limits; NaN without ice.
    minimum_c : float
        Lowest temperature before it; NaN where it began without supercooling.
    minimum_at : int
        Its reading; -1 if none.
    in_gap : bool
        True where it began between readings far apart.
    resolved : bool
        False where no rise stands out of the noise.
    on_line_s : float
        Time of the last reading on the line of cooling, where a rise stands out; NaN else.
    zero_s : (float, float)
        Limits of when the line of cooling met the level of the plateau, where no rise stands
        out; NaN else.
    because : str
        Why, in one clause.
    """

    frozen: bool
    lower_s: float = float("nan")
    upper_s: float = float("nan")
    minimum_c: float = float("nan")
    minimum_at: int = -1
    in_gap: bool = False
    resolved: bool = False
    on_line_s: float = float("nan")
    zero_s: tuple[float, float] = (float("nan"), float("nan"))
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Approach:
    """The straight line on which the water cooled before ice."""

    middle: float
    mean: float
    slope: float
    squares: float
    count: int
    span_k: float

    def error_k(self, time_s: float, noise_k: float, resolution_k: float) -> float:
        """Give the standard error of the line at a time."""
        away = (time_s - self.middle) ** 2 / self.squares if self.squares > 0 else 0.0
        rounding = resolution_k / 12**0.5 / max(self.span_k / max(resolution_k, 1e-9), 1.0)
        return float(np.hypot(noise_k * (1 / self.count + away) ** 0.5, rounding))

    def at(self, times: Floats) -> Floats:
        return self.mean + self.slope * (times - self.middle)


def _fit_approach(trace: Trace, last: int, span_k: float) -> _Approach | None:
    """Fit the readings up to `last` that lie within a span above it, at least three."""
    window = trace.temp_c[max(last + 1 - _MOST_ON_LINE, 0) : last + 1]
    above = places_of(window > window[-1] + span_k)
    first = last - (window.size - 1 - int(above[-1])) + 1 if above.size else last - window.size + 1
    first = max(min(first, last - 3), 0)
    if last - first < 1:
        return None
    times, temps = trace.time_s[first : last + 1], trace.temp_c[first : last + 1]
    middle, mean, slope, squares = fit_line(times, temps)
    return _Approach(
        middle=middle,
        mean=mean,
        slope=slope,
        squares=squares,
        count=times.size,
        span_k=float(temps[0] - temps[-1]),
    )


def find_first_ice(trace: Trace, plateau: Plateau | None, departure: Departure | None) -> FirstIce:
    """Find when ice began.

    Parameters
    ----------
    trace : Trace
        Readings, averaged where noise is large.
    plateau : Plateau or None
        Where the trace rests near 0 °C, in numbers of these readings.
    departure : Departure or None
        When it left the plateau.

    Returns
    -------
    FirstIce
    """
    if plateau is None:
        return FirstIce(frozen=False, because="the trace rests nowhere near 0 °C")
    if plateau.first == 0:
        return FirstIce(frozen=False, because=BEGINS_AT_REST)
    noise = trace.noise_k
    coldest = _coldest_before(trace, plateau)
    minimum = float(trace.temp_c[coldest])
    depth = plateau.level_c - minimum
    seen = depth >= max(RISE_K - min(noise, 0.05), _STANDS_OUT * noise)
    if seen and minimum < max(0.0, min(plateau.level_c, _LARGEST_OFFSET_K)):
        ice = _after_rise(trace, plateau, coldest, depth)
        if ice is not None:
            return ice
        ice = _without_rise(trace, plateau, departure)
        slow = "0 °C is reached from below too slowly for new ice"
        return ice if ice.frozen else replace(ice, because=slow)
    return _without_rise(trace, plateau, departure)


def _coldest_before(trace: Trace, plateau: Plateau) -> int:
    """Give the reading of the lowest temperature before the plateau, or just inside it."""
    width = max(int(np.ceil(2 * RISE_WITHIN_S / trace.step_s)), 3)
    stop = min(plateau.first + min(width, 1 + (plateau.last - plateau.first) // 4), plateau.last)
    return int(np.argmin(trace.temp_c[: stop + 1]))


def _held_k(trace: Trace, plateau: Plateau, slope: float) -> float:
    """Give how far the water would have cooled during the plateau at the earlier rate."""
    return float(-slope * (trace.time_s[plateau.last] - trace.time_s[plateau.first]))


def _after_rise(trace: Trace, plateau: Plateau, coldest: int, depth: float) -> FirstIce | None:
    """Judge a plateau that is reached from below; None where the rise is too slow for ice."""
    times, temps, noise = trace.time_s, trace.temp_c, trace.noise_k
    approach = _fit_approach(trace, coldest, max(2.0, 8 * noise))
    begin = max(coldest - _BACK, 0)
    # Where it has risen by most of its depth, and a little on.
    most = temps[coldest : plateau.last + 1] >= plateau.level_c - 0.15 * depth
    risen = coldest + int(most.argmax())
    end = min(risen + max(3, (risen - coldest) // 3), times.size - 1)
    ground = np.full(end + 1 - begin, temps[coldest] + 2 * noise)
    if approach is not None:
        # The line drawn on, held where the coldest reading says that it went no further.
        floor = temps[coldest] + _RAISED * min(noise, 0.1 * depth)
        ground = np.minimum(np.maximum(approach.at(times[begin : end + 1]), floor), ground + depth)
    excess = temps[begin : end + 1] - ground
    sure = min(max(_RISEN * noise, 0.02), 0.5 * depth)
    on_line = begin + int(places_of(excess[: risen - begin] < sure)[-1])
    soon = int(times.searchsorted(times[on_line] + RISE_WITHIN_S, side="right"))
    soon = min(max(soon, on_line + 2), times.size)
    lowest = min(float(temps[on_line]), float(ground[on_line - begin]))
    rise = float(temps[on_line + 1 : soon].max() - lowest) if soon > on_line + 1 else 0.0
    if rise < RISE_K:
        return None
    # The rate over the last kelvins before the minimum, away from a stand-still at the sink.
    early = _rate_at_zero(trace, coldest, plateau.level_c)
    # A trace that begins at its coldest reading shows no cooling before it.
    slope = min(early, approach.slope if approach else -cooling_rate(trace))
    held = _held_k(trace, plateau, slope)
    to_end = plateau.last >= times.size - 2
    few = plateau.last - plateau.first + 1 < 3
    if (held < _HELD_AFTER_RISE_K and not (to_end and rise >= 0.8 * depth)) or few:
        return FirstIce(
            frozen=False,
            because=f"a rise of {rise:.1f} K holds near 0 °C too briefly for ice",
        )
    lower, upper = float(times[on_line]), float(times[on_line + 1])
    in_gap = upper - lower > trace.gap_s
    if not in_gap:
        share = (sure + 0.5 * trace.resolution_k + _RAISED * min(noise, 0.1 * depth)) / depth
        lower = _earliest_s(times[begin : end + 1], excess, on_line - begin, share, depth)
        # A smeared stamp may place the reading itself within its step.
        lower, upper = lower - 0.1 * trace.step_s, upper + 0.1 * trace.step_s
    return FirstIce(
        frozen=True,
        lower_s=max(lower, float(times[0])),
        upper_s=upper,
        minimum_c=float(temps[coldest]),
        minimum_at=coldest,
        on_line_s=float(times[on_line]),
        in_gap=in_gap,
        resolved=True,
        because=(
            f"a rise of {rise:.1f} K from {temps[coldest]:.1f} °C onto a rest at "
            f"{plateau.level_c:.1f} °C"
        ),
    )


def _earliest_s(times: Floats, excess: Floats, on_line: int, share: float, depth: float) -> float:
    """Give the earliest time at which the rise may have begun, unseen at first.

    Behind a probe whose lag is as long as the rise itself, the rise has gone the share
    1 - (1 + x) exp(-x) of its way after x lags. The time from the last reading on the line,
    which may have gone `share` of the way, to the time at which it has surely gone seven
    tenths tells the length of a lag; a quicker probe began later.
    """
    last = float(times[on_line])
    step = float(times[on_line + 1] - last)
    arrived = float(times[int((excess >= 0.85 * depth).argmax())])
    under = places_of(excess < 0.6 * depth)
    late = min(int(under[-1]) + 1, times.size - 1) if under.size else on_line + 1
    took = max(arrived, float(times[late])) - last
    back = float(np.interp(share, _GONE, _LAGS_BACK)) * took
    back = max(back, _GONE_IN_STEP * step * share**0.5)
    return float(last - min(back, max(_LONGEST_LAG_S, 0.5 * step)))


def _rate_at_zero(trace: Trace, coldest: int, level_c: float) -> float:
    """Give the slope at which the trace fell through the level of its plateau."""
    before = trace.temp_c[: coldest + 1]
    passing = places_of(np.abs(before - level_c) <= 2.0)
    if passing.size < 2:
        return 0.0
    first, last = int(passing[0]), int(passing[-1])
    span = float(trace.time_s[last] - trace.time_s[first])
    return float(before[last] - before[first]) / span if span > 0 else 0.0


def _without_rise(trace: Trace, plateau: Plateau, departure: Departure | None) -> FirstIce:
    """Judge a plateau that is reached from above, with no rise that stands out."""
    times, temps, noise = trace.time_s, trace.temp_c, trace.noise_k
    near = plateau.level_c + max(0.3, _LEFT * noise, trace.resolution_k)
    high = places_of(temps[: plateau.first + 1] > near)
    if not high.size:
        return FirstIce(frozen=False, because=BEGINS_AT_REST)
    last_high = int(high[-1])
    approach = _fit_approach(trace, last_high, max(1.5, 6 * noise, 4 * trace.resolution_k))
    if approach is None or approach.slope >= 0:
        return FirstIce(frozen=False, because="the trace does not cool toward 0 °C")
    held = _held_k(trace, plateau, approach.slope)
    if held < _HELD_ALONE_K:
        return FirstIce(
            frozen=False, because="a rest near 0 °C without a rise before it, too short for ice"
        )
    # The record may end before a fall has lasted long enough to be believed.
    tail = temps[plateau.last + 1 :]
    fell = bool(tail.size) and float(tail.min()) < plateau.level_c - max(FALL_K, 4 * noise)
    if _slows(trace, plateau.level_c, near, ends=departure is not None or fell):
        return FirstIce(
            frozen=False,
            because="the trace slows down on its way to rest, as toward a sink near 0 °C",
        )
    to_end = float(times[-1] - times[plateau.last]) < KEPT_S
    if departure is None and not (to_end and (fell or near - plateau.level_c <= _NEAR_K)):
        return FirstIce(
            frozen=False,
            because="a rest near 0 °C without a rise before it and without a fall after it",
        )
    reached = approach.middle + (plateau.level_c - approach.mean) / approach.slope
    # Readings surely above the line drawn on have left it.
    under = max(8 * noise, 0.5)
    stop = int(times.searchsorted(reached + under / -approach.slope)) + 2
    stop = min(max(stop, last_high + 3), plateau.last)
    line = approach.at(times[last_high + 1 : stop + 1])
    # A line drawn on misses how the curve bends.
    bent = (approach.mean - line) ** 2 / (2 * _BENDS_OVER_K)
    on = temps[last_high + 1 : stop + 1] <= line + _LEFT * noise + bent
    off = last_high + 1 + (int(places_of(on)[-1]) + 1 if on.any() else 0)
    off = min(off, times.size - 1)
    before = float(times[max(off - 1, last_high)])
    gaps = np.diff(times[last_high : off + 1])
    in_gap = bool(gaps.size and gaps.max() > trace.gap_s)
    error = approach.error_k(reached, noise, trace.resolution_k)
    slack = (LIMITS * float(np.hypot(error, plateau.level_se_k)) + plateau.level_slack_k) / (
        -approach.slope
    )
    zero = (reached - slack - trace.step_s / 2, reached + slack + trace.step_s / 2)
    lower, upper = zero[0], max(float(times[off]), reached + slack)
    if approach.count < _FEW:
        # So short a line does not show how the curve bends.
        upper += trace.step_s / 2
    # Readings surely above the level were water.
    own = max(noise**2 - trace.resolution_k**2 / 12, 0.0) ** 0.5
    surely = plateau.level_c + trace.resolution_k / 2 + plateau.level_slack_k + _LEFT * own
    water = places_of(temps[:off] >= surely - _TINY_K)
    if water.size and own < trace.resolution_k:
        lower = max(lower, float(times[water[-1]]))
    if in_gap:
        lower, upper = min(before, reached), max(float(times[off]), reached)
        zero = (lower, upper)
    return FirstIce(
        frozen=True,
        lower_s=max(lower, float(times[0])),
        upper_s=upper,
        zero_s=zero,
        in_gap=in_gap,
        resolved=False,
        because=f"the trace leaves its line of cooling for a rest at {plateau.level_c:.1f} °C "
        "and no rise stands out",
    )


def _slows(trace: Trace, level_c: float, near_c: float, *, ends: bool) -> bool:
    """Tell whether the water had slowed down much when it came near its rest.

    A rest that does not end is judged more strictly, from when the water first came so near.
    """
    temps, times = trace.temp_c, trace.time_s
    arrived = int(np.argmax(temps <= near_c))
    far_c = max(level_c + _HIGHER_K, 2 * near_c - level_c)
    above = places_of(temps[:arrived] >= far_c)
    usual = cooling_rate(trace)
    if not above.size or usual <= 0:
        return False
    since = int(above[-1]) if ends else max(int(np.argmax(temps < far_c)) - 1, 0)
    spans = times[since + 1 : arrived + 1] - times[since:arrived]
    if ends and spans.max() > trace.gap_s:
        # How the water came near was not seen.
        return False
    rate = float((temps[since] - temps[arrived]) / (times[arrived] - times[since]))
    return rate < (_ABRUPT if ends else _ABRUPT_UNENDED) * usual
