"""How often the stated limits of a curve's events hold the true time, and how wide they are.

    python tests/calibration/curve_events.py --traces 2000

Trace number i is simulated from the seed (SEED, i) over the grid of noise, resolution,
interval and supercooling below; three of ten never freeze, a third hold opened doors, a third
gaps. Every trace is written down when done (`curve_events.csv`), and a second run goes on from
where the first ended; `--again` begins anew. The table lands in `curve_events.md`.

A clean event is one that happened within the record, with no opened door still felt and no gap
of the record at it; at the end of a plateau the door also stays shut while the ice cools by the
first two kelvins, from which that end is drawn. Its true time is what the probe felt, lag
included. The width allowed is two sampling steps plus noise over slope, the slope being the rate
of cooling at the event (at first ice the rate just before it, at the end of the plateau the rate
just after it).
"""

from __future__ import annotations

import argparse
import csv
import datetime
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import metafreeze
from metafreeze.curves.events import find_events
from metafreeze.physics.setup import Setup
from metafreeze.planning.traces import DoorOpening, Logger, SimulatedTrace, simulate_trace

HERE = Path(__file__).parent
LINES, TABLE = HERE / "curve_events.csv", HERE / "curve_events.md"
SEED = 20261130
NOISE_K = (0.02, 0.05, 0.1, 0.2, 0.5)
RESOLUTION_K = (0.01, 0.0625, 0.1, 0.25, 0.5)
INTERVAL_S = (0.2, 1.0, 5.0, 10.0, 30.0, 60.0)
SUPERCOOLING_K = (0.0, 0.3, 0.7, 1.5, 3.0, 5.0, 8.0, 12.0, 15.0)
NEVER_SHARE = 0.3
EVENTS = (
    "t_threshold_20_c",
    "t_threshold_10_c",
    "t_threshold_4_c",
    "t_zero",
    "t_first_ice",
    "t_plateau_end",
    "t_solid",
)
# An opened door is felt for this many times its rise.
DOOR_FELT = 9.0
# A plateau's end is drawn back from the fall after it, so that a door must stay shut for these
# first kelvins of it too.
FALL_NEEDED_K = 2.0
COLUMNS = (
    "number",
    "frozen",
    "noise_k",
    "resolution_k",
    "interval_s",
    "supercooling_k",
    "doors",
    "gaps",
    "false_ice",
    *(f"{event}.{what}" for event in EVENTS for what in ("case", "place", "width")),
)


def invent(number: int) -> tuple[SimulatedTrace, Logger, float]:
    """Invent one trace of the grid."""
    rng = np.random.default_rng((SEED, number))
    interval = float(rng.choice(INTERVAL_S))
    small = interval < 5
    depth = float(rng.choice(SUPERCOOLING_K))
    never = rng.uniform() < NEVER_SHARE
    start = float(rng.uniform(22.0, 90.0))
    mass = float(rng.uniform(4.0, 15.0) if small else rng.uniform(40.0, 200.0))
    sink = float(rng.uniform(-28.0, -14.0))
    sink = min(sink, -depth - 3.0)
    rests = never and rng.uniform() < 0.6
    if rests:
        # Water that stays supercooled, or is not even cooled to 0 °C.
        sink = float(rng.uniform(-9.0, 4.0))
    vessel = Setup(
        start_temp_c=start,
        sink_temp_c=sink,
        mass_g=mass,
        diameter_mm=22.0 if small else 60.0,
        h_air_w_m2k=float(rng.uniform(8.0, 30.0)) * (2.0 if small else 1.0),
        h_base_w_m2k=float(rng.uniform(15.0, 60.0)),
    )
    whole = simulate_trace(
        vessel,
        rng=rng,
        supercooling_k=None if rests else depth,
        logger=Logger(interval_s=interval),
        ended_s=3.0 * 3600 * (0.15 if small else 1.0) if rests else None,
    )
    length = float(whole.time_s[-1])
    if never and not rests:
        # The record ends before ice forms.
        length = 0.97 * whole.true_s["t_first_ice"]
    doors = tuple(
        DoorOpening(
            at_s=float(rng.uniform(0.05, 0.9)) * length,
            rise_k=float(rng.uniform(0.5, 5.0)),
            peak_after_s=float(rng.uniform(15.0, 90.0)) * (0.3 if small else 1.0),
        )
        for _ in range(int(rng.integers(1, 3)) if rng.uniform() < 1 / 3 else 0)
    )
    gaps = []
    if rng.uniform() < 1 / 3:
        for _ in range(int(rng.integers(1, 3))):
            # Half of the gaps are laid over an event.
            known = [t for t in whole.true_s.values() if np.isfinite(t) and t < length]
            middle = rng.choice(known) if known and rng.uniform() < 0.5 else rng.uniform(0, length)
            wide = min(float(rng.uniform(4.0, 30.0)) * interval, 0.2 * length)
            begin = float(middle - rng.uniform(0.1, 0.9) * wide)
            gaps.append((begin, begin + wide))
    logger = Logger(
        interval_s=interval,
        noise_k=float(rng.choice(NOISE_K)),
        resolution_k=float(rng.choice(RESOLUTION_K)),
        lag_s=float(rng.choice((0.0, 1.0, 4.0))),
        offset_k=float(rng.uniform(-0.8, 0.8)),
        doors=doors,
        gaps=tuple(gaps),
    )
    trace = simulate_trace(
        vessel,
        rng=rng,
        supercooling_k=None if rests else depth,
        logger=logger,
        rise_s=float(rng.uniform(1.0, 6.0)),
        ended_s=length,
    )
    return trace, logger, depth


def slope_at(trace: SimulatedTrace, event: str, at_s: float, interval: float) -> float:
    """Give the true rate of cooling at an event, kelvin per second."""
    side = {"t_first_ice": -1, "t_plateau_end": 1}.get(event, 0)
    reach = max(20 * interval, 60.0)
    low, high = at_s - reach * (side <= 0), at_s + reach * (side >= 0)
    if event == "t_plateau_end":
        # The bend of a probe that lags is not yet the rate after it.
        low, high = low + 0.5 * reach, high + 0.5 * reach
    inside = (trace.time_s >= low) & (trace.time_s <= high)
    if inside.sum() < 3:
        return float("nan")
    times, temps = trace.time_s[inside], trace.felt_c[inside]
    return float(-np.polyfit(times - times.mean(), temps, 1)[0])


def judge(number: int) -> list[object]:
    """Find one trace's events and set them beside the truth."""
    trace, logger, depth = invent(number)
    found = find_events(trace.time_s, trace.temp_c)
    ice = found.events["t_first_ice"].status in ("seen", "interval")
    line: list[object] = [
        number,
        int(trace.frozen),
        logger.noise_k,
        logger.resolution_k,
        logger.interval_s,
        depth if trace.frozen else "",
        len(logger.doors),
        len(logger.gaps),
        int(ice and not trace.frozen),
    ]
    for name in EVENTS:
        line += compare(trace, logger, name, found.events[name])
    return line


def compare(trace: SimulatedTrace, logger: Logger, name: str, event: object) -> list[object]:
    """Give the case, where between the limits the truth lies, and the width over that allowed."""
    true, status = trace.true_s[name], event.status
    if name == "t_zero" and not trace.frozen:
        # Without a plateau nothing tells the offset of the probe, and none is claimed.
        true = trace.true_s["t_zero_as_read"]
    if not np.isfinite(true) or true > trace.time_s[-1]:
        wrong = status in ("seen", "interval") and event.upper_s < trace.time_s[-1]
        return ["invented" if wrong else "rightly not seen", "", ""]
    step = logger.interval_s
    in_gap = any(a - 3 * step <= true <= b + 3 * step for a, b in logger.gaps)
    slope = slope_at(trace, name, true, step)
    needs = FALL_NEEDED_K / max(slope, 1e-9) if name == "t_plateau_end" else 0.0
    felt = any(
        d.at_s - step - needs <= true <= d.at_s + DOOR_FELT * d.peak_after_s for d in logger.doors
    )
    case = "gap" if in_gap else "door" if felt else "clean"
    if true < trace.time_s[0] + 3 * step or true > trace.time_s[-1] - 3 * step:
        case = "edge"
    if status not in ("seen", "interval"):
        return [case, status, ""]
    half = (event.upper_s - event.lower_s) / 2
    place = (true - (event.lower_s + event.upper_s) / 2) / half
    allowed = 2 * step + np.hypot(logger.noise_k, logger.resolution_k / 12**0.5) / max(slope, 1e-9)
    return [case, f"{place:.3f}", f"{2 * half / allowed:.3f}"]


def run(traces: int) -> None:
    """Judge what is not there yet."""
    done: set[int] = set()
    if LINES.exists():
        done = set(pd.read_csv(LINES, usecols=["number"])["number"])
    else:
        LINES.write_text(",".join(COLUMNS) + "\n", "utf-8")
    with LINES.open("a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        for number in range(traces):
            if number not in done:
                writer.writerow(judge(number))
                stream.flush()


def tally(lines: pd.DataFrame) -> pd.DataFrame:
    """Count, for each event and case, what lies inside its limits, and the median width."""
    rows = []
    for event in EVENTS:
        case, place = lines[f"{event}.case"], lines[f"{event}.place"]
        width = pd.to_numeric(lines[f"{event}.width"], errors="coerce")
        where = pd.to_numeric(place, errors="coerce").abs()
        for kind in ("clean", "door", "gap", "edge"):
            of = case == kind
            rows.append(
                (event, kind, int(of.sum()), int((where[of] <= 1.0).sum()), width[of].median())
            )
        for kind in ("rightly not seen", "invented"):
            rows.append((event, kind, int((case == kind).sum()), 0, np.nan))
    return pd.DataFrame(rows, columns=["event", "case", "n", "inside", "width"])


def all_clean_width(lines: pd.DataFrame) -> float:
    """Give the median width of all clean events."""
    widths = [
        pd.to_numeric(lines[f"{e}.width"], errors="coerce")[lines[f"{e}.case"] == "clean"]
        for e in EVENTS
    ]
    return float(pd.concat(widths).median())


def limits(k: int, n: int) -> str:
    """Give an exact 95 % interval of a share."""
    low = stats.beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = stats.beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{100 * low:.1f} to {100 * high:.1f}"


def write_table() -> str:
    """Write the table and give it."""
    lines = pd.read_csv(LINES, keep_default_na=False)
    table = tally(lines)
    never = lines[lines["frozen"] == 0]
    false = int(never["false_ice"].sum())
    count = table[table["case"].isin(("clean", "door", "gap"))]
    clean = table[table["case"] == "clean"]
    out = [
        "# Events of simulated cooling curves",
        "",
        f"{len(lines)} traces, seed {SEED}, metafreeze {metafreeze.__version__}, "
        f"{datetime.date.today().isoformat()}. Written by "
        "`python tests/calibration/curve_events.py`, which says what clean means and which width "
        "is allowed.",
        "",
        f"- False ice: {false} of {len(never)} traces that never froze "
        f"({100 * false / len(never):.2f} %, 95 % {limits(false, len(never))} %); "
        "at most 1 % wanted.",
        f"- Clean events inside: {clean['inside'].sum()} of {clean['n'].sum()} "
        f"({100 * clean['inside'].sum() / clean['n'].sum():.2f} %); at least 99 % wanted.",
        f"- All events that happened within the record, doors and gaps included: "
        f"{count['inside'].sum()} of {count['n'].sum()} "
        f"({100 * count['inside'].sum() / count['n'].sum():.2f} %); at least 93 % wanted.",
        f"- Width of clean events: median {all_clean_width(lines):.2f}; at most 1 wanted.",
        "- An event not found counts as outside. Width: median, over two sampling steps plus "
        "noise over slope. Within three steps of either end "
        "of the record (edge) no event can be told; these are listed, not counted.",
        "",
        "| event | case | events | inside | % | 95 % | width |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in table.itertuples():
        if row.case in ("rightly not seen", "invented") or not row.n:
            out.append(f"| {row.event} | {row.case} | {row.n} |  |  |  |  |")
        else:
            share = f"{100 * row.inside / row.n:.1f} | {limits(row.inside, row.n)}"
            out.append(
                f"| {row.event} | {row.case} | {row.n} | {row.inside} | {share} | {row.width:.2f} |"
            )
    out += [
        "",
        "## Clean events by what was varied",
        "",
        "| varied | value | events | inside, % | width |",
        "|---|---|---|---|---|",
    ]
    for column in ("noise_k", "resolution_k", "interval_s", "supercooling_k"):
        for value, part in lines.groupby(column):
            of = tally(part)
            of = of[of["case"] == "clean"]
            if of["n"].sum() and value != "":
                out.append(
                    f"| {column} | {value} | {of['n'].sum()} | "
                    f"{100 * of['inside'].sum() / of['n'].sum():.1f} | {of['width'].median():.2f} |"
                )
    text = "\n".join(out) + "\n"
    TABLE.write_text(text, "utf-8")
    return text


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--traces", type=int, default=2000)
    parser.add_argument("--again", action="store_true")
    arguments = parser.parse_args()
    if arguments.again:
        LINES.unlink(missing_ok=True)
    run(arguments.traces)
    print(write_table())
