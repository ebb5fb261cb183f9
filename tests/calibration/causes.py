"""How often each known cause gets the verdict that it should, through the public call.

    python tests/calibration/causes.py --simulations 400

Registers are those of `simulated_causes.py`. Every one has its own seed and is written down
when done; a second run goes on from where the first one ended. The table lands in
`causes.md`, one line a register in `causes.csv`, both beside this file.
"""

from __future__ import annotations

import argparse
import csv
import datetime
from pathlib import Path

import pandas as pd
from scipy import stats
from simulated_causes import known_causes, simulate_cause

import metafreeze
from metafreeze.options import PhysicsLabel, RawLabel, choices

HERE = Path(__file__).parent
LINES, TABLE = HERE / "causes.csv", HERE / "causes.md"
PAIR = (80.0, 20.0)
COLUMNS = (
    "cause",
    "number",
    "raw",
    "rule",
    "physics",
    "naive",
    "naive_high",
    "total",
    "total_low",
    "total_high",
    "excess",
    "excess_low",
    "excess_high",
    "excess_low90",
    "excess_high90",
    "baseline",
    "shuffle_p",
)


def judge(cause: str, number: int) -> tuple[object, ...]:
    """Challenge one register and keep what decided."""
    endpoint = known_causes()["cause"][cause].get("endpoint", "t_solid")
    rows = simulate_cause(cause, number)
    found = metafreeze.challenge(rows, depth="verdict", endpoint=endpoint, pair=PAIR)
    first, last = found.ladder.rungs[0], found.ladder.rungs[-1]
    numbers = (
        first.estimate,
        first.high,
        last.estimate,
        last.low,
        last.high,
        found.excess.excess_at_pair,
        found.excess_low,
        found.excess_high,
        found.excess_low90,
        found.excess_high90,
        found.baseline,
        found.shuffle_test.p,
    )
    raw, physics = found.verdict.raw, found.verdict.physics
    return (cause, number, raw.label, raw.rule, physics.label, *(f"{v:.5f}" for v in numbers))


def run(simulations: int, causes: tuple[str, ...]) -> None:
    """Challenge what is not there yet, a round of all causes at a time."""
    done: set[tuple[str, int]] = set()
    if LINES.exists():
        kept = pd.read_csv(LINES)
        done = set(zip(kept["cause"], kept["number"], strict=True))
    else:
        LINES.write_text(",".join(COLUMNS) + "\n", "utf-8")
    with LINES.open("a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        for number in range(simulations):
            for cause in causes:
                if (cause, number) not in done:
                    writer.writerow(judge(cause, number))
                    stream.flush()


def upper_limit(hits: int, n: int) -> float:
    """One-sided upper 95 % limit of a share (Clopper & Pearson 1934)."""
    return 1.0 if hits == n else float(stats.beta.ppf(0.95, hits + 1, n - hits))


def write_table() -> None:
    """Write the confusion table from the lines."""
    lines = pd.read_csv(LINES)
    raw_labels, physics_labels = choices(RawLabel), choices(PhysicsLabel)
    text = [
        "# Known causes and the verdicts they got",
        "",
        f"Version {metafreeze.__version__}, {datetime.date.today().isoformat()}; registers of "
        "`causes.toml`, each with its own seed (place of the cause, number of the register).",
        "False alarm: a plain `hotter first`. Its limit is one-sided, 95 %.",
        "",
        "| cause | registers | naive clearly negative | expected raw | expected physics | "
        "false alarms (limit) | " + " | ".join(raw_labels) + " |",
        "|" + "---|" * (6 + len(raw_labels)),
    ]
    second = [
        "",
        "| cause | " + " | ".join(physics_labels) + " |",
        "|" + "---|" * (1 + len(physics_labels)),
    ]
    for cause, known in known_causes()["cause"].items():
        own = lines[lines["cause"] == cause]
        n = len(own)
        if not n:
            continue
        alarms = int((own["raw"] == "hotter first").sum())
        alarm = f"{alarms / n:.1%} ({upper_limit(alarms, n):.1%})" if known["null"] else "–"
        raw = [int((own["raw"] == label).sum()) for label in raw_labels]
        physics = [int((own["physics"] == label).sum()) for label in physics_labels]
        text.append(
            f"| {cause} | {n} | {float((own['naive_high'] < 0).mean()):.1%} | "
            f"{float(own['raw'].isin(known['raw']).mean()):.1%} | "
            f"{float(own['physics'].isin(known['physics']).mean()):.1%} | {alarm} | "
            + " | ".join(str(v) for v in raw)
            + " |"
        )
        second.append(f"| {cause} | " + " | ".join(str(v) for v in physics) + " |")
    TABLE.write_text("\n".join([*text, *second]) + "\n", "utf-8")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulations", type=int, default=400)
    parser.add_argument("--causes", nargs="*", default=list(known_causes()["cause"]))
    asked = parser.parse_args()
    run(asked.simulations, tuple(asked.causes))
    write_table()


if __name__ == "__main__":
    main()
