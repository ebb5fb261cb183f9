"""Coverage of the simultaneous interval of the shape, and level of the shuffle test.

    python tests/calibration/challenge_parts.py --simulations 2000

Each portion of 200 simulated sets has its own seed and is written down when done; a second run
goes on from where the first one ended. The table lands in `challenge_parts.md`, one line a
portion in `challenge_parts.csv`, both beside this file.
"""

from __future__ import annotations

import argparse
import csv
import datetime
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

import metafreeze
from metafreeze.scrutiny.shape import fit_shape
from metafreeze.scrutiny.shuffle import shuffle_test

HERE = Path(__file__).parent
LINES, TABLE = HERE / "challenge_parts.csv", HERE / "challenge_parts.md"
COLUMNS = ("part", "setting", "portion", "sets", "hits")
PORTION = 200
RUN_SD, BATCH_SD = 0.05, 0.05
# Draws of a deal: 199 give a level of exactly 5 % when no study has an effect.
DEALS = 199

Rng = np.random.Generator


def shape_covers(rng: Rng, *, blocks: int, starts: tuple[float, ...], bent: bool) -> bool:
    """Make one set with a known curve and ask whether all pairs are inside at once."""
    start = np.tile(starts, blocks)
    block = np.repeat(np.arange(blocks), len(starts))
    curve = 0.002 * start if not bent else 0.15 * np.log1p(start / 20.0)
    noise = rng.normal(0, BATCH_SD, blocks)[block] + rng.normal(0, RUN_SD, start.size)
    pairs = fit_shape(start, curve + noise, block, rng=rng, draws=4000).pairs
    at = dict(zip(start, curve, strict=True))
    truth = pairs["hot_c"].map(at) - pairs["cold_c"].map(at)
    return bool(((pairs["low"] <= truth) & (truth <= pairs["high"])).all())


def shuffle_rejects(rng: Rng, *, whole: bool, slope_sd: float = 0.0, uneven: bool = False) -> bool:
    """Make one set without an effect on average and ask whether the test rejects."""
    labs, batches, vessels = 4, 6, 4
    lab = np.repeat(np.arange(labs), batches * vessels)
    batch = np.repeat(np.arange(labs * batches), vessels)
    if whole:
        # A temperature a batch, dealt out at random within the lab.
        dealt = [rng.permutation(np.resize([0.0, 3.0, 6.0], batches)) for _ in range(labs)]
        x = np.concatenate(dealt)[batch]
    else:
        x = np.tile([0.0, 2.0, 4.0, 6.0], labs * batches)
    slope = slope_sd * rng.standard_normal(labs)
    shared = rng.normal(0, BATCH_SD, labs * batches)
    y = slope[lab] * x + shared[batch] + rng.normal(0, RUN_SD, x.size)
    if uneven:
        keep = rng.random(x.size) < np.where(batch % 3 == 0, 1.0, 0.5)
        x, y, batch, lab = x[keep], y[keep], batch[keep], lab[keep]
    return shuffle_test(x, y, batch, lab=lab, rng=rng, draws=DEALS).p <= 0.05


FIVE = (20.0, 35.0, 50.0, 65.0, 80.0)
THREE = (20.0, 20.0, 50.0, 50.0, 80.0, 80.0)
# Part and setting -> how one simulated set is judged.
SETTINGS: dict[tuple[str, str], Callable[[Rng], bool]] = {
    **{
        ("simultaneous interval covers", f"{blocks} batches of {words}"): (
            lambda rng, b=blocks, s=starts, c=bent: shape_covers(rng, blocks=b, starts=s, bent=c)
        )
        for blocks in (10, 20, 40)
        for words, starts, bent in (
            ("five starts, straight", FIVE, False),
            ("two each of three starts, bent", THREE, True),
        )
    },
    ("shuffle test rejects", "vessels dealt, no effect in any lab"): (
        lambda rng: shuffle_rejects(rng, whole=False)
    ),
    ("shuffle test rejects", "vessels dealt, uneven batches, no effect in any lab"): (
        lambda rng: shuffle_rejects(rng, whole=False, uneven=True)
    ),
    ("shuffle test rejects", "whole batches dealt, no effect in any lab"): (
        lambda rng: shuffle_rejects(rng, whole=True)
    ),
    ("shuffle test rejects", "whole batches dealt, uneven, no effect in any lab"): (
        lambda rng: shuffle_rejects(rng, whole=True, uneven=True)
    ),
    ("shuffle test rejects", "vessels dealt, labs differ around zero"): (
        lambda rng: shuffle_rejects(rng, whole=False, slope_sd=0.02)
    ),
}


def run(simulations: int) -> None:
    """Simulate what is not there yet."""
    done: set[tuple[str, str, int]] = set()
    if LINES.exists():
        kept = pd.read_csv(LINES)
        done = set(zip(kept["part"], kept["setting"], kept["portion"], strict=True))
    else:
        LINES.write_text(",".join(COLUMNS) + "\n", "utf-8")
    with LINES.open("a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        for portion in range(math.ceil(simulations / PORTION)):
            for place, ((part, setting), judge) in enumerate(SETTINGS.items()):
                if (part, setting, portion) in done:
                    continue
                rng = np.random.default_rng([place, portion])
                hits = sum(judge(rng) for _ in range(PORTION))
                writer.writerow((part, setting, portion, PORTION, hits))
                stream.flush()


def write_table() -> None:
    """Write the table from the lines."""
    lines = pd.read_csv(LINES).groupby(["part", "setting"], sort=False)[["sets", "hits"]].sum()
    text = [
        "# Coverage of the simultaneous interval, and level of the shuffle test",
        "",
        f"Version {metafreeze.__version__}, {datetime.date.today().isoformat()}; run and batch SD "
        f"{RUN_SD} of ln time; seeds are the place of the setting and the portion of {PORTION}.",
        "Nominal: 95 % of all pairs at once; 5 % where no lab has an effect. The last line is no "
        "level: the test is of no effect in any lab, and rejects when labs differ around zero.",
        "",
        "| part | setting | sets | share | Monte Carlo error |",
        "|---|---|---|---|---|",
    ]
    for (part, setting), (sets, hits) in zip(lines.index, lines.to_numpy(), strict=True):
        share = hits / sets
        error = math.sqrt(share * (1 - share) / sets)
        text.append(f"| {part} | {setting} | {sets} | {share:.1%} | {error:.1%} |")
    TABLE.write_text("\n".join(text) + "\n", "utf-8")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulations", type=int, default=2000)
    run(parser.parse_args().simulations)
    write_table()


if __name__ == "__main__":
    main()
