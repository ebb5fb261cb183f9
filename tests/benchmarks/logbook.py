"""Taps from two clients against a bare append-and-flush, side by side in one run.

    python tests/benchmarks/logbook.py [--seconds 60] [--rate 200]

Each client sends one tap a request at its share of the rate, whether or not the one before is
answered. A tap's latency counts from the moment it was due. The bare append-and-flush is
measured before and after on the same disk, with lines of the same length. At the end the
server is killed, and every acknowledged tap is looked for on the disk.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from logbook_server import Served, Visitor

import metafreeze as mf

CLIENTS = 2
# Connections that each client keeps open, as a browser does.
CONNECTIONS = 6
BARE_S = 10.0
# The bound: so many times the bare 99th percentile, plus a millisecond.
TIMES, PLUS_S = 5.0, 0.001
LINE_BYTES = 230
# An event loop wakes up to a millisecond late; the client watches the clock for the rest, so
# that its own timer does not count as the server's latency.
TIMER_S = 0.0015


def bare(folder: Path, seconds: float) -> list[float]:
    """Append and flush, one line after the other."""
    line = b"x" * (LINE_BYTES - 1) + b"\n"
    took = []
    handle = os.open(folder / "bare.jsonl", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        began = time.perf_counter()
        os.write(handle, line)
        os.fsync(handle)
        took.append(time.perf_counter() - began)
    os.close(handle)
    return took


async def one_client(visitor, batch, *, rate, seconds, phase):
    """Send taps as they fall due; give latencies and the ids that were acknowledged."""
    idle: asyncio.Queue = asyncio.Queue()
    for _ in range(CONNECTIONS):
        idle.put_nowait(await asyncio.open_connection("127.0.0.1", visitor.served.port))
    took, acknowledged, refused = [], [], []

    async def send(due):
        reader, writer = await idle.get()
        tap = visitor.tap(batch, "liquid", "1")
        body = json.dumps({"taps": [tap], "offset": 0}).encode()
        head = (
            f"POST /taps HTTP/1.1\r\nHost: {visitor.host}\r\nOrigin: http://{visitor.host}\r\n"
            f"Cookie: {visitor.cookie}\r\nX-Logbook-Token: {visitor.token}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        )
        writer.write(head.encode() + body)
        answer = await reader.readuntil(b"\r\n\r\n")
        length = next(
            int(line.split(b":")[1])
            for line in answer.split(b"\r\n")
            if line.lower().startswith(b"content-length")
        )
        content = json.loads(await reader.readexactly(length))
        took.append(time.perf_counter() - due)
        if content.get("stored") == [tap["id"]]:
            acknowledged.append(tap["id"])
        else:
            refused.append(content)
        idle.put_nowait((reader, writer))

    began = time.perf_counter() + phase
    tasks = []
    for k in range(round(rate * seconds)):
        due = began + k / rate
        await asyncio.sleep(max(0.0, due - time.perf_counter() - TIMER_S))
        while time.perf_counter() < due:
            await asyncio.sleep(0)
        tasks.append(asyncio.create_task(send(due)))
    await asyncio.gather(*tasks)
    return took, acknowledged, refused


async def all_clients(visitors, batch, *, rate, seconds):
    share = rate / len(visitors)
    return await asyncio.gather(
        *(
            one_client(v, batch, rate=share, seconds=seconds, phase=k / rate)
            for k, v in enumerate(visitors)
        )
    )


def describe(name: str, took: list[float]) -> str:
    milli = np.quantile(took, [0.5, 0.99, 1.0]) * 1000
    return f"{name:28s} {len(took):7d} {milli[0]:9.2f} {milli[1]:9.2f} {milli[2]:9.2f}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=200.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        register = mf.create_register(folder / "winter", lab="Quarry Lane")
        served = Served(register.path)
        visitors = [Visitor(served) for _ in range(CLIENTS)]
        for visitor in visitors:
            visitor.enter()
        batch = visitors[0].begin(vessels=1)
        alone = bare(folder, BARE_S)
        began = time.perf_counter()
        answers = asyncio.run(
            all_clients(visitors, batch, rate=options.rate, seconds=options.seconds)
        )
        lasted = time.perf_counter() - began
        served.kill()
        alone += bare(folder, BARE_S)
        took = [one for answer in answers for one in answer[0]]
        acknowledged = {one for answer in answers for one in answer[1]}
        refused = [one for answer in answers for one in answer[2]]
        on_disk = {event["id"] for event in served.taps()}
        length = (register.path / "logbook" / "events.jsonl").stat().st_size / len(served.events())
    bound = TIMES * float(np.quantile(alone, 0.99)) + PLUS_S
    worst = float(np.quantile(took, 0.99))
    print(f"{'':28s} {'count':>7s} {'median ms':>9s} {'99 % ms':>9s} {'max ms':>9s}")
    print(describe("bare append and flush", alone))
    print(describe(f"tap, {CLIENTS} clients", took))
    print(f"rate {len(took) / lasted:.1f} taps/s over {lasted:.1f} s; {length:.0f} bytes a line")
    print(f"99th percentile: {worst * 1000:.2f} ms, bound {bound * 1000:.2f} ms")
    print(f"acknowledged {len(acknowledged)}, not on disk {len(acknowledged - on_disk)}")
    print(f"not acknowledged {len(refused)}")
    kept = worst <= bound and acknowledged <= on_disk and len(acknowledged) == len(took)
    print("kept" if kept else "NOT KEPT")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
