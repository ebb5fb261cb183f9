"""Throw wild files at the way in, block by block; stop and resume as you like.

    python tests/fuzz/run.py --count 100000 --seed 20251125

Three engines share the count: `spoilt` changes sound files at random (text, workbooks,
Parquet), `written` lets hypothesis write tables and adds what is accepted to a register, and
`guided` keeps the texts that reach new code (coverage-guided; needs the extra "fuzz").
Every block runs in a process of its own and stands as one line in progress.csv; a block that
stands there is not run again. RESULTS.md is made from it. An input with which the package
fails is made small, kept in tests/fuzz/corpus and so joins the default tests.
"""

from __future__ import annotations

import argparse
import base64
import csv
import faulthandler
import hashlib
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from datetime import date
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

CORPUS = HERE / "corpus"
PROGRESS = HERE / "progress.csv"
RESULTS = HERE / "RESULTS.md"
GUIDED_CORPUS = HERE / ".guided"

BLOCK = 1000
# The share of the count that each engine gets.
SHARES = {"spoilt": 0.6, "written": 0.2, "guided": 0.2}
# A small file may take this much of the processor; a hang is cut off after a minute.
MOST_SECONDS = 5.0
HANG_SECONDS = 60.0
# The package with its libraries takes some 200 MB before the first file.
MOST_MEMORY_MB = 1024
REDUCE_TRIES = 150
# Entries of one register before it is emptied, so that adding stays quick.
ENTRIES_A_REGISTER = 25

COLUMNS = (
    *("engine", "seed", "first", "inputs", "accepted", "added", "refused", "failures"),
    *("slowest_s", "memory_mb", "cpu_s", "date", "version"),
)


class Block:
    """Judges the inputs of one block and gathers what came of them."""

    def __init__(self, current: Path) -> None:
        self.current = current
        self.counts: Counter[str] = Counter()
        self.slowest = 0.0
        self.failures: dict[str, tuple[str, bytes]] = {}

    def take(self, name: str, data: bytes, register: object = None) -> None:
        """Judge one input."""
        self.current.write_bytes(name.encode() + b"\n" + data)
        faulthandler.dump_traceback_later(HANG_SECONDS, exit=True)
        wrong, outcome, seconds = attempt(name, data, register)
        faulthandler.cancel_dump_traceback_later()
        self.counts["inputs"] += 1
        self.counts[outcome if not wrong else "failures"] += 1
        self.slowest = max(self.slowest, seconds)
        if wrong and wrong not in self.failures:
            self.failures[wrong] = (name, reduced(name, data, wrong))

    def report(self) -> str:
        """Give the block as one line of JSON."""
        found = {
            wrong: [name, base64.b64encode(data).decode()]
            for wrong, (name, data) in self.failures.items()
        }
        used = resource.getrusage(resource.RUSAGE_SELF)
        return json.dumps(
            {
                "counts": self.counts,
                "slowest": self.slowest,
                "memory": used.ru_maxrss / 1024,
                "cpu": used.ru_utime + used.ru_stime,
                "failures": found,
            }
        )


def attempt(name: str, data: bytes, register: object = None) -> tuple[str, str, float]:
    """Judge an input; give what is wrong (empty if nothing), what it came to, and its time."""
    from wild_inputs import judge_file

    begin = time.process_time()
    try:
        judged = judge_file(name, data, register=register)  # type: ignore[arg-type]
        outcome, wrong = judged.outcome, re.sub(r"\d+", "#", judged.outcome) if judged.bad else ""
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        own = [f for f in frames if f"{os.sep}metafreeze{os.sep}" in f.filename] or frames
        place = f"{Path(own[-1].filename).name}, {own[-1].name}"
        outcome, wrong = "traceback", f"{type(error).__name__} in {place}"
    seconds = time.process_time() - begin
    if not wrong and seconds > MOST_SECONDS:
        wrong = f"took more than {MOST_SECONDS:g} s"
    outcome = {"not added": "accepted"}.get(outcome, outcome)
    return wrong, outcome, seconds


def reduced(name: str, data: bytes, wrong: str) -> bytes:
    """Make an input smaller while the same goes wrong with it."""
    if data[:2] == b"PK" or data[:4] == b"PAR1" or wrong.startswith("took"):
        return data
    tries = 0
    for mark in (b"\n", b";", b",", b""):
        pieces = data.split(mark) if mark else [bytes([b]) for b in data]
        size = max(1, len(pieces) // 2)
        while size and tries < REDUCE_TRIES:
            at = 0
            while at < len(pieces) and tries < REDUCE_TRIES:
                fewer = pieces[:at] + pieces[at + size :]
                tries += 1
                if fewer and attempt(name, mark.join(fewer))[0] == wrong:
                    pieces = fewer
                else:
                    at += size
            size //= 2
        data = mark.join(pieces)
    return data


def run_spoilt(block: Block, seed: int, first: int, count: int) -> None:
    """Judge spoilt files of this range of numbers."""
    from wild_inputs import wild_file

    for number in range(first, first + count):
        block.take(*wild_file(seed, number))


def run_written(block: Block, seed: int, first: int, count: int) -> None:
    """Judge tables that hypothesis writes, and add those that are accepted."""
    import hypothesis
    from wild_tables import sheets

    from metafreeze.register.folder.store import create_register

    with tempfile.TemporaryDirectory() as folder:
        made: list[object] = []

        @hypothesis.seed(seed * 1_000_003 + first)
        @hypothesis.settings(
            max_examples=count,
            database=None,
            deadline=None,
            phases=[hypothesis.Phase.generate],
            suppress_health_check=list(hypothesis.HealthCheck),
        )
        @hypothesis.given(sheets())
        def judge(sheet: tuple[str, bytes]) -> None:
            if not made or block.counts["inputs"] % ENTRIES_A_REGISTER == 0:
                place = Path(folder, f"r{len(made)}")
                made.append(create_register(place, primary_endpoint="t_solid", lab="A"))
            block.take(*sheet, made[-1])

        judge()


def run_guided(block: Block, seed: int, first: int, count: int) -> None:
    """Judge texts that a coverage-guided engine grows."""
    import atheris

    with atheris.instrument_imports(include=["metafreeze.register"], enable_loader_override=False):
        from wild_inputs import TOKENS, seeds

    GUIDED_CORPUS.mkdir(exist_ok=True)
    if not any(GUIDED_CORPUS.iterdir()):
        for name, data in seeds():
            if data[:2] != b"PK" and data[:4] != b"PAR1":
                (GUIDED_CORPUS / name).write_bytes(data[:4000])
    with tempfile.NamedTemporaryFile("w", suffix=".dict") as words:
        for token in TOKENS:
            spelled = "".join(f"\\x{byte:02x}" for byte in token)
            words.write(f'"{spelled}"\n')
        words.flush()

        def judge(data: bytes) -> None:
            if not data.startswith((b"PK", b"PAR1")):
                block.take("sheet.csv", data)
            else:
                block.take("sheet.csv", b"x" + data)
            if block.counts["inputs"] >= count:
                print(block.report(), flush=True)
                os._exit(0)

        options = [
            *("run.py", str(GUIDED_CORPUS), f"-dict={words.name}", f"-seed={seed + first + 1}"),
            *("-max_len=6000", "-rss_limit_mb=0", "-timeout=120", "-verbosity=0"),
            "-shuffle=1",
        ]
        atheris.Setup(options, judge)
        atheris.Fuzz()


ENGINES: dict[str, Callable[[Block, int, int, int], None]] = {
    "spoilt": run_spoilt,
    "written": run_written,
    "guided": run_guided,
}


def run_block(engine: str, seed: int, first: int, count: int) -> dict[str, str]:
    """Run a block in a process of its own; keep its failures, give its line."""
    import metafreeze

    with tempfile.TemporaryDirectory() as folder:
        current = Path(folder, "current")
        words = [engine, str(seed), str(first), str(count), str(current)]
        done = subprocess.run(
            [sys.executable, __file__, "--block", *words], capture_output=True, check=False
        )
        lines = [x for x in done.stdout.decode().splitlines() if x.startswith("{")]
        if done.returncode or not lines:
            # It died or hung: the input it was at is the one to look at.
            name, _, data = current.read_bytes().partition(b"\n")
            keep(f"died with {done.returncode}", name.decode(), data)
            print(done.stderr.decode()[-3000:], file=sys.stderr)
            raise SystemExit(f"{engine}, block from {first}: died with {done.returncode}")
    found = json.loads(lines[-1])
    for wrong, (name, data) in found["failures"].items():
        keep(wrong, name, base64.b64decode(data))
    if found["memory"] > MOST_MEMORY_MB:
        print(f"{engine}, block from {first}: {found['memory']:.0f} MB", file=sys.stderr)
    counts = Counter(found["counts"])
    return dict(
        zip(
            COLUMNS,
            (
                *(engine, str(seed), str(first), str(counts["inputs"]), str(counts["accepted"])),
                *(str(counts["added"]), str(counts["refused"]), str(counts["failures"])),
                *(f"{found['slowest']:.2f}", f"{found['memory']:.0f}", f"{found['cpu']:.0f}"),
                *(date.today().isoformat(), metafreeze.__version__),
            ),
            strict=True,
        )
    )


def keep(wrong: str, name: str, data: bytes) -> None:
    """Put a failing input into the corpus, under a name that says what went wrong."""
    CORPUS.mkdir(exist_ok=True)
    plain = re.sub(r"[^a-z0-9]+", "-", wrong.lower()).strip("-")[:60]
    digest = hashlib.sha256(data).hexdigest()[:8]
    path = CORPUS / f"{plain}-{digest}{Path(name).suffix}"
    if not path.exists():
        path.write_bytes(data)
        print(f"FAILED: {wrong} -> {path.name}", file=sys.stderr, flush=True)


def read_progress() -> list[dict[str, str]]:
    """Give the blocks that were run."""
    if not PROGRESS.exists():
        return []
    with PROGRESS.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def write_progress(lines: list[dict[str, str]]) -> None:
    """Write the blocks, whole or not at all."""
    partial = PROGRESS.with_suffix(".partial")
    with partial.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)
    partial.replace(PROGRESS)


def write_results(lines: list[dict[str, str]]) -> None:
    """Make the table that people read."""
    total = sum(int(line["inputs"]) for line in lines)
    text = [
        "# Wild files",
        "",
        f"{total:,} inputs in {len(lines)} blocks. Each was checked as the command line checks a "
        "file, and what "
        "hypothesis wrote and was accepted was added to a register too. A failure is a traceback, "
        f"a warning of a library, more than {MOST_SECONDS:g} s of the processor, a finding without "
        "a remedy, an accepted value outside the schema, or a row lost in adding.",
        "",
        "| engine | seed | inputs | accepted | added | refused | failures | slowest, s | memory, "
        "MB | processor, s | last run | version |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for key in dict.fromkeys((line["engine"], line["seed"]) for line in lines):
        own = [line for line in lines if (line["engine"], line["seed"]) == key]
        sums = [
            f"{sum(int(line[name]) for line in own):,}"
            for name in ("inputs", "accepted", "added", "refused", "failures")
        ]
        slowest = max(float(line["slowest_s"]) for line in own)
        memory = max(float(line["memory_mb"]) for line in own)
        cpu = sum(float(line["cpu_s"]) for line in own)
        last = max((line["date"], line["version"]) for line in own)
        text.append(
            f"| {key[0]} | {key[1]} | {' | '.join(sums)} | {slowest:.2f} | {memory:.0f} | "
            f"{cpu:,.0f} | {last[0]} | {last[1]} |"
        )
    files = sorted(p.name for p in CORPUS.iterdir()) if CORPUS.is_dir() else []
    text += [
        "",
        f"The corpus holds {len(files)} inputs with which an earlier state of the package failed; "
        "each was mended and runs in the default tests (tests/fuzz/test_past_failures.py). "
        "Blocks stand in progress.csv; the same seed and range give the same inputs, but for the "
        "guided engine, whose inputs follow the code that they reach.",
        "",
    ]
    RESULTS.write_text("\n".join(text), encoding="utf-8")


def main() -> None:
    """Run the blocks that are missing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100_000, help="inputs in all")
    parser.add_argument("--seed", type=int, default=20251125)
    parser.add_argument("--engine", choices=ENGINES, action="append", help="only this one")
    parser.add_argument("--again", action="store_true", help="run blocks with failures again")
    parser.add_argument("--block", nargs=5, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.block:
        engine, seed, first, count, current = args.block
        block = Block(Path(current))
        ENGINES[engine](block, int(seed), int(first), int(count))
        print(block.report(), flush=True)
        return
    lines = read_progress()
    if args.again:
        lines = [line for line in lines if line["failures"] == "0"]
    for engine in args.engine or ENGINES:
        for first in range(0, round(args.count * SHARES[engine]), BLOCK):
            key = (engine, str(args.seed), str(first))
            if any((x["engine"], x["seed"], x["first"]) == key for x in lines):
                continue
            lines.append(run_block(engine, args.seed, first, BLOCK))
            write_progress(lines)
            write_results(lines)
            done = lines[-1]
            print(
                f"{engine} {first}: {done['accepted']} accepted, {done['added']} added, "
                f"{done['failures']} failures, {done['cpu_s']} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
