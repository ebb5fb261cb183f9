"""Kill writers with a signal that nobody can catch, and look at what is left.

    python tests/faults/kills.py --moments 1000 --seed 20251125

Adding, taking back, sealing, reporting and a served logbook are each killed at random moments,
in blocks of 25 that stand in kills.csv once they are done and are not run again. KILLS.md is
made from it. What a killed process had acknowledged must be there; what it had not may be there
whole or not at all. Every killed process is a fresh one that did nothing before.
"""

from __future__ import annotations

import argparse
import csv
import http.client
import json
import os
import random
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from unittest import mock

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from logbook_server import Served, Visitor
from register_writer import write_sheet

import metafreeze
from metafreeze.cli.main import answer
from metafreeze.register.folder.store import create_register, open_register
from metafreeze.reporting import files
from metafreeze.reporting.content import Report, Text
from metafreeze.reporting.placing import where_it_stands

HERE = Path(__file__).resolve().parent
TABLE, RESULTS = HERE / "kills.csv", HERE / "KILLS.md"
BLOCK = 25
ROWS = 5
# The share of the moments that each kind of change gets.
SHARES = {
    "add": 0.35,
    "undo": 0.25,
    "seal": 0.2,
    "report": 0.15,
    "report moved in": 0.05,
    "whole report": 0.025,
    "logbook": 0.1,
}
# How long after it has begun a process is killed at the latest.
LATEST_S = {
    "add": 0.3,
    "undo": 0.3,
    "seal": 0.25,
    "report": 0.25,
    "report moved in": 0.25,
    "whole report": 12.0,
    "logbook": 0.6,
}
# A process that ended before its moment is no kill; another one is started for it.
MOST_STARTS = 4
COLUMNS = (
    *("change", "seed", "first", "kills", "ended_before", "acknowledged", "unacknowledged_there"),
    *("lost", "half_visible", "date", "version"),
)


@dataclass(slots=True)
class Scene:
    """A folder that is changed by killed processes, and what must be true of it."""

    folder: Path
    kills: int = 0
    ended: int = 0
    acknowledged: dict[str, str] = field(default_factory=dict)

    @property
    def register_path(self) -> Path:
        """Where the register lies."""
        return self.folder / "winter"


@dataclass(frozen=True, slots=True)
class Found:
    """What a look at the folder gave, as counts."""

    lost: int = 0
    half_visible: int = 0
    unacknowledged: int = 0
    said: str = ""


Work = Callable[[Any, int, Callable[[str, str], None]], None]
Look = Callable[[Scene], Found]


def in_a_fork(work: Callable[[Callable[[str, str], None]], None]) -> tuple[int, int]:
    """Start work in a fork; give its process and the pipe on which it acknowledges."""
    reading, writing = os.pipe()
    child = os.fork()
    if child:
        os.close(writing)
        return child, reading
    code = 1

    def say(name: str, what: str) -> None:
        os.write(writing, f"{name}\t{what}\n".encode())

    try:
        os.close(reading)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        work(say)
        code = 0
    except BaseException:
        os.write(writing, f"!\t{traceback.format_exc()[-600:]!r}\n".encode())
    os._exit(code)


def read_all(pipe: int) -> dict[str, str]:
    """Read what was acknowledged; half a line is no acknowledgement."""
    with os.fdopen(pipe, "rb") as stream:
        lines = stream.read().decode().splitlines(keepends=True)
    return dict(line.rstrip("\n").split("\t", 1) for line in lines if line.endswith("\n"))


def kill_once(scene: Scene, work: Work, number: int, delay_s: float) -> None:
    """Start work, kill it after the delay, and note what it had acknowledged."""
    child, pipe = in_a_fork(lambda say: work(scene, number, say))
    begun = b""
    while b"\n" not in begun and (piece := os.read(pipe, 1)):
        begun += piece  # the moment counts from here: what comes before is loading
    time.sleep(delay_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        scene.kills += 1
    else:
        scene.ended += 1
    said = read_all(pipe)
    if begun.startswith(b"!"):
        raise SystemExit(f"The work failed by itself: {begun.decode()}")
    if "!" in said:
        raise SystemExit(f"The work failed by itself: {said['!']}")
    scene.acknowledged.update(said)


def look_in_a_fork(scene: Scene, look: Look) -> Found:
    """Look at the folder in a process of its own, so that later forks start fresh."""

    def work(say: Callable[[str, str], None]) -> None:
        found = look(scene)
        counts = [found.lost, found.half_visible, found.unacknowledged]
        say("found", json.dumps([*counts, found.said]))

    child, pipe = in_a_fork(work)
    said = read_all(pipe)
    os.waitpid(child, 0)
    if "found" not in said:
        return Found(lost=1, half_visible=1, said=f"could not be opened: {said.get('!')}")
    return Found(*json.loads(said["found"]))


# Adding: sheet after sheet, each of five runs that no other has.


def prepare_add(scene: Scene, say: Callable[[str, str], None]) -> None:
    create_register(scene.register_path, lab="north kitchen", primary_endpoint="t_solid")


def add(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    register = open_register(scene.register_path)
    for k in range(1000):
        label = f"w{number}-{k:04d}"
        entry = register.add(write_sheet(scene.folder / f"{label}.csv", label, ROWS))
        if k == 0:
            say("begun", "")
        say(label, entry.id)


def look_at_adding(scene: Scene) -> Found:
    register = open_register(scene.register_path)
    counts = register.rows().groupby("file_name")["run_id"].nunique()
    past = register.history().to_frame()
    ids = dict(zip(past["files"].str.removesuffix(".csv"), past["entry_id"], strict=True))
    there = {name.removesuffix(".csv") for name in counts.index}
    lost = [n for n, e in scene.acknowledged.items() if n not in there or ids.get(n) != e]
    half = int((counts != ROWS).sum()) + len(register.damage)
    return Found(len(lost), half, len(there - set(scene.acknowledged)), f"{lost[:3]}")


# Taking back: the entry, its taking back, the taking back of that, and so on.


def prepare_undo(scene: Scene, say: Callable[[str, str], None]) -> None:
    prepare_add(scene, say)
    register = open_register(scene.register_path)
    for k in range(2):
        register.add(write_sheet(scene.folder / f"s{k}.csv", f"s{k}", ROWS))


def undo(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    register = open_register(scene.register_path)
    last, begun = f"e{len(register.history().past):04d}", False
    for _ in range(1000):
        entry = register.undo(last)
        if not begun:
            say("begun", "")
            begun = True
        say(entry.id, last)
        last = entry.id


def look_at_undoing(scene: Scene) -> Found:
    register = open_register(scene.register_path)
    past = register.history().to_frame()
    undone = past[past["kind"] == "undo"]
    there = dict(zip(undone["entry_id"], undone["target"], strict=True))
    lost = [e for e, target in scene.acknowledged.items() if there.get(e) != target]
    # e0001 is never touched; e0002 shows after an even number of undos.
    counts = register.rows()["entry_id"].value_counts().to_dict()
    expected = {"e0001": ROWS} | ({"e0002": ROWS} if len(there) % 2 == 0 else {})
    half = int(counts != expected) + len(register.damage)
    return Found(len(lost), half, len(set(there) - set(scene.acknowledged)), f"{lost[:3]}")


# Sealing: each moment seals a register of its own.


def prepare_seal(scene: Scene, say: Callable[[str, str], None]) -> None:
    for k in range(MOST_STARTS * BLOCK):
        create_register(scene.folder / f"r{k}", primary_endpoint="t_solid", title="Winter")


def seal(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    say("begun", "")
    name = f"r{number}"
    words = ["seal", str(scene.folder / name), "--pair", "80", "20", "--stop", "after 30 batches"]
    if answer(words) == 0:
        say(name, "sealed")


def look_at_seals(scene: Scene) -> Found:
    from metafreeze.register.folder.sealing import SEAL, seal_of

    lost, half, unacknowledged = [], 0, 0
    for k in range(MOST_STARTS * BLOCK):
        register = open_register(scene.folder / f"r{k}")
        plan = dict(register.plan)
        sound = not plan or (plan.get(SEAL) == seal_of(plan) and plan["pair"] == [80.0, 20.0])
        half += int(not sound or register.damage != () or register.title != "Winter")
        known = f"r{k}" in scene.acknowledged
        lost += [f"r{k}"] if known and not plan else []
        unacknowledged += int(bool(plan) and not known)
    return Found(len(lost), half, unacknowledged, f"{lost[:3]}")


# Reporting: two states of a report, written over each other without the computing before.


def states_of_a_report() -> list[dict[str, bytes]]:
    names = ["report.html", "report.pdf", "results.json", "tables/rows.csv", "figures/all-1.svg"]
    return [{n: f"{n} of state {k}\n".encode() * 20_000 for n in names} for k in (0, 1)]


def write_state(out: Path, state: dict[str, bytes]) -> None:
    with mock.patch.object(files, "report_files", lambda *_, **__: state):
        files.write_report(Report(title=Text(("x",))), {}, {}, out)


def prepare_report(scene: Scene, say: Callable[[str, str], None]) -> None:
    write_state(scene.folder / "out", states_of_a_report()[0])


def report(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    states = states_of_a_report()
    for k in range(1, 1000):
        write_state(scene.folder / "out", states[k % 2])
        if k == 1:
            say("begun", "")


def look_at_report(scene: Scene) -> Found:
    return compare_with_states(lambda name: scene.folder / "out" / name)


def compare_with_states(path: Callable[[str], Path]) -> Found:
    states = states_of_a_report()
    missing = [n for n in states[0] if not path(n).is_file()]
    contents = {n: path(n).read_bytes() for n in states[0] if n not in missing}
    half = int(all(contents != state for state in states))
    # The report of the state before is no loss: none of the killed says that it is done.
    return Found(len(missing), half, said=f"{missing}")


# The same from inside the folder, which cannot be swapped then.


def report_moved_in(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    os.chdir(scene.folder / "out")
    report(scene, number, say)


def look_at_report_moved_in(scene: Scene) -> Found:
    return compare_with_states(lambda name: where_it_stands(scene.folder / "out", name))


# The whole command, from the register to the files, over an earlier report.

SHEET = "run,batch,start (°C),freeze time (min)\n" + "".join(
    f"R{k},{k // 4},{(80, 20)[k % 2]},{40 + (k * 7) % 5 + k % 2}\n" for k in range(24)
)


def prepare_whole_report(scene: Scene, say: Callable[[str, str], None]) -> None:
    prepare_add(scene, say)
    sheet = scene.folder / "trials.csv"
    sheet.write_text(SHEET, "utf-8")
    open_register(scene.register_path).add(sheet)
    answer(["report", str(scene.register_path), "--out", str(scene.folder / "out")])


def whole_report(scene: Scene, number: int, say: Callable[[str, str], None]) -> None:
    path = str(scene.register_path)
    say("begun", "")
    answer(["report", path, "--out", str(scene.folder / "out"), "--seed", str(number + 2)])


def look_at_whole_report(scene: Scene) -> Found:
    register = open_register(scene.register_path)
    out = scene.folder / "out"
    half = len(register.damage) + int(len(register.rows()) != 24)
    for name, ending in (("report.html", b"</html>"), ("report.pdf", b"%%EOF")):
        half += int(not (out / name).read_bytes().rstrip().endswith(ending))
    half += int(not metafreeze.read_report(out).results["register"])
    return Found(0, half, 0)


# The logbook: a served page that gets taps, and closes a batch after every few of them.


class Careful(Visitor):
    """A visitor that takes an answer whose head was cut off for none, as browsers do."""

    def ask(self, path: str, *more: Any, **options: Any) -> tuple[int, dict[str, str], bytes]:
        status, headers, text = super().ask(path, *more, **options)
        if "content-length" not in {name.lower() for name in headers}:
            raise http.client.IncompleteRead(text)
        if status != 200:
            raise SystemExit(f"{path} was answered {status}: {text!r}")
        return status, headers, text


def tap_and_close(served: Served, _: int, say: Callable[[str, str], None]) -> None:
    """Tap until the server is gone; say what it acknowledged."""
    visitor = Careful(served)
    visitor.enter()
    say("begun", "")
    with suppress(OSError, http.client.HTTPException):
        for _ in range(1000):
            batch, start = visitor.begin(), time.time() - 5000
            wanted = [("in", "1", 0), ("in", "2", 30), ("round", "", 1000), ("solid", "2", 3000)]
            wanted += [("round", "", 3500), ("solid", "1", 4000)]
            for kind, vessel, after in wanted:
                tap = visitor.tap(batch, kind, vessel, at=start + after)
                _, answered = visitor.send(tap)
                if answered["stored"] != [tap["id"]]:
                    raise SystemExit(f"A tap was refused: {answered}")
                say(f"tap {tap['id']}", batch)
            review = json.loads(visitor.ask(f"/batches/{batch}/review")[2])
            stored = visitor.ask(f"/batches/{batch}/store", {"seq": review["seq"]})
            say(f"batch {batch}", json.loads(stored[2])["entry"])


def kill_server_once(scene: Scene, work: Work, number: int, delay_s: float) -> None:
    """Serve, let a visitor tap, kill the server after the delay."""
    served = Served(scene.register_path)
    child, pipe = in_a_fork(lambda say: work(served, number, say))
    begun = b""
    while b"\n" not in begun and (piece := os.read(pipe, 1)):
        begun += piece
    time.sleep(delay_s)
    served.kill()
    os.waitpid(child, 0)
    said = read_all(pipe)
    if begun.startswith(b"!") or "!" in said:
        raise SystemExit(f"The visitor failed: {said.get('!', begun)}")
    scene.kills += 1
    scene.acknowledged.update(said)


def look_at_logbook(scene: Scene) -> Found:
    from metafreeze.logbook.event_log import EventLog

    log = EventLog(scene.register_path / "logbook")
    there = {event["id"]: event["batch"] for event in log.events if event["kind"] == "tap"}
    closed = {e["batch"]: e["entry"] for e in log.events if e["kind"] == "close"}
    register = open_register(scene.register_path)
    runs = register.rows().groupby("entry_id")["run_id"].nunique()
    lost = []
    for name, what in scene.acknowledged.items():
        kind, _, key = name.partition(" ")
        if kind == "tap" and there.get(key) != what:
            lost.append(name)
        if kind == "batch" and (closed.get(key) != what or what not in runs):
            lost.append(name)
    half = len(log.faults) + len(register.damage) + int((runs != 2).sum())
    half += sum(entry not in runs for entry in closed.values())
    known = sum(name.startswith("tap ") for name in scene.acknowledged)
    known += sum(name.startswith("batch ") for name in scene.acknowledged)
    return Found(len(lost), half, len(there) + len(runs) - known, f"{lost[:3]}")


CHANGES: dict[str, tuple[Callable[..., None], Work, Look]] = {
    "add": (prepare_add, add, look_at_adding),
    "undo": (prepare_undo, undo, look_at_undoing),
    "seal": (prepare_seal, seal, look_at_seals),
    "report": (prepare_report, report, look_at_report),
    "report moved in": (prepare_report, report_moved_in, look_at_report_moved_in),
    "whole report": (prepare_whole_report, whole_report, look_at_whole_report),
    "logbook": (prepare_add, tap_and_close, look_at_logbook),
}


def run_block(change: str, seed: int, first: int, count: int = BLOCK) -> dict[str, str]:
    """Kill `count` processes at moments of this block; look after every one."""
    prepare, work, look = CHANGES[change]
    chance = random.Random(f"{seed}/{change}/{first}")
    lost = half = 0
    with tempfile.TemporaryDirectory() as folder:
        scene = Scene(folder=Path(folder))
        child, pipe = in_a_fork(lambda say: prepare(scene, say))
        trouble = read_all(pipe)
        if os.waitpid(child, 0)[1]:
            raise SystemExit(f"{change} could not be prepared: {trouble.get('!')}")
        found = Found()
        for number in range(MOST_STARTS * count):
            kill = kill_server_once if change == "logbook" else kill_once
            kill(scene, work, number, chance.uniform(0.0, LATEST_S[change]))
            found = look_in_a_fork(scene, look)
            lost, half = lost + found.lost, half + found.half_visible
            if found.lost or found.half_visible:
                print(f"{change} {number}: {found}", file=sys.stderr, flush=True)
            if scene.kills == count:
                break
        values = (
            *(change, seed, first, scene.kills, scene.ended, len(scene.acknowledged)),
            *(
                found.unacknowledged,
                lost,
                half,
                date.today().isoformat(),
                metafreeze.__version__,
            ),
        )
    return dict(zip(COLUMNS, map(str, values), strict=True))


def read_table() -> list[dict[str, str]]:
    """Give the blocks that were run."""
    if not TABLE.exists():
        return []
    with TABLE.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def write_tables(lines: list[dict[str, str]]) -> None:
    """Write the blocks, and the table that people read."""
    partial = TABLE.with_suffix(".partial")
    with partial.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)
    partial.replace(TABLE)
    counted = COLUMNS[3:9]
    text = [
        "# Killed writers",
        "",
        "Processes that change a register or a report, killed at random moments by a signal that "
        "cannot be caught, and the folder looked at after each. Lost: acknowledged and not there. "
        "Half-visible: anything but whole or absent, files of two reports side by side, a tap or "
        "batch of a logbook in part, or damage. Report: by the paths in its folder. Report moved "
        "in: where the folder cannot be swapped, as the package reads it.",
        "",
        "| change | seed | killed | ended before | acknowledged | there without word | lost | "
        "half-visible | last run | version |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for key in dict.fromkeys((line["change"], line["seed"]) for line in lines):
        own = [line for line in lines if (line["change"], line["seed"]) == key]
        sums = [f"{sum(int(line[name]) for line in own):,}" for name in counted]
        last = max((line["date"], line["version"]) for line in own)
        text.append(f"| {key[0]} | {key[1]} | {' | '.join(sums)} | {last[0]} | {last[1]} |")
    killed = sum(int(line["kills"]) for line in lines)
    text += ["", f"{killed:,} kills in all. Made by tests/faults/kills.py.", ""]
    RESULTS.write_text("\n".join(text), encoding="utf-8")


def main() -> None:
    """Run the blocks that are missing."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--moments", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20251125)
    parser.add_argument("--change", choices=CHANGES, action="append", help="only this one")
    args = parser.parse_args()

    lines = read_table()
    for change in args.change or CHANGES:
        for first in range(0, round(args.moments * SHARES[change]), BLOCK):
            key = (change, str(args.seed), str(first))
            if any((x["change"], x["seed"], x["first"]) == key for x in lines):
                continue
            lines.append(run_block(change, args.seed, first))
            write_tables(lines)
            print(" ".join(f"{k}={v}" for k, v in lines[-1].items()), flush=True)


if __name__ == "__main__":
    main()
