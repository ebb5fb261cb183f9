"""The open logbook: its batches in memory, every event of them on disk first."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from metafreeze.errors import Fault, InputError, Location
from metafreeze.logbook.arms import look
from metafreeze.logbook.batches import Batch, BatchPlan, Closing, make_batch
from metafreeze.logbook.closing import Review, review, store
from metafreeze.logbook.event_log import LOG_NAME, Body, EventLog, LogWriter
from metafreeze.logbook.outcomes import make_sheet
from metafreeze.logbook.taps import Tap, read_tap, require_member
from metafreeze.register.folder.entries import Entry
from metafreeze.register.folder.store import Register

LOGBOOK_FOLDER = "logbook"
MOST_TAPS_AT_ONCE = 200


class Book:
    """The logbook of one register, open in this process alone.

    All methods but the constructor run on one event loop.

    Parameters
    ----------
    register : Register
        Receives the closed batches.
    planned : sequence of BatchPlan
        Batches of the run sheet.
    clock : callable
        Seconds since 1970.

    Raises
    ------
    RegisterError
        The log cannot be read.
    """

    def __init__(
        self,
        register: Register,
        *,
        planned: Sequence[BatchPlan] = (),
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.register, self.planned, self._clock = register, tuple(planned), clock
        self.folder = folder_of(register)
        self._log = EventLog(self.folder)
        self._writer = LogWriter(self._log)
        self.batches: dict[str, Batch] = {}
        self._known: set[str] = set()
        self._on_their_way: dict[str, asyncio.Future[list[Body]]] = {}
        self._changing = asyncio.Lock()
        strange = []
        for event in self._log.events:
            try:
                self._apply(event)
            except InputError as error:
                strange.append(_strange(event, str(error)))
        self._strange = tuple(strange)

    @property
    def id(self) -> str:
        """Id of the log, by which pages keep what they have not sent yet."""
        return self._log.id

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Lines of the log that are damaged, or say what no logbook writes."""
        return (*self._log.faults, *self._strange)

    @property
    def count(self) -> int:
        """Number of taps stored."""
        return sum(len(batch.taps) for batch in self.batches.values())

    def now_ms(self) -> int:
        """Give the server's clock."""
        return round(self._clock() * 1000)

    def close(self) -> None:
        """Write what waits, and stop writing."""
        self._writer.close()

    def require(self, batch_id: str) -> Batch:
        """Give a batch by its id.

        Raises
        ------
        InputError
            There is none.
        """
        batch = self.batches.get(batch_id)
        if batch is None:
            raise InputError("There is no such batch in this logbook.")
        return batch

    async def begin(self, raw: object) -> Batch:
        """Begin a batch as a page asks for it; the same request twice begins it once."""
        async with self._changing:
            known = raw.get("id") if isinstance(raw, Mapping) else None
            if isinstance(known, str) and known in self.batches:
                return self.batches[known]
            stored = await asyncio.to_thread(self._names_in_register)
            plan = make_batch(
                raw,
                planned=self.planned,
                taken={*stored, *(batch.plan.name for batch in self.batches.values())},
                lab=self.register.lab,
                now_ms=self.now_ms(),
            )
            await self._store([{"kind": "begin", "plan": plan.to_dict()}])
            return self.batches[plan.id]

    async def take(self, raw: object) -> tuple[list[str], list[dict[str, str]]]:
        """Store taps as a page sent them.

        Parameters
        ----------
        raw : object
            `taps`, a list for `read_tap`, and `offset`, server minus phone in milliseconds.

        Returns
        -------
        stored : list of str
            Ids of the taps that are on the disk, also those that were there already.
        refused : list of dict
            `id` and `error` of taps that are none.

        Raises
        ------
        InputError
            The request is not of that form.
        RegisterError
            The disk refuses; the page keeps the taps and sends them again.
        """
        taps, refused = self._read(raw)
        fresh: dict[str, Tap] = {}
        waits: list[asyncio.Future[list[Body]]] = []
        for tap in taps:
            if tap.id in self._on_their_way:
                waits.append(self._on_their_way[tap.id])
            elif tap.id not in self._known:
                fresh.setdefault(tap.id, tap)
        if fresh:
            now = self.now_ms()
            bodies = [{"kind": "tap", "got_ms": now, **tap.to_dict()} for tap in fresh.values()]
            storing = asyncio.ensure_future(self._store(bodies))
            self._on_their_way |= dict.fromkeys(fresh, storing)
            storing.add_done_callback(lambda _: self._arrived(fresh))
            waits.append(storing)
        for waiting in waits:
            # A page that hangs up must not stop what others wait for.
            await asyncio.shield(waiting)
        return [tap.id for tap in taps], refused

    async def review(self, batch: Batch) -> Review:
        """Show what closing a batch would store."""
        async with self._changing:
            return await asyncio.to_thread(review, batch, self.folder)

    async def close_batch(self, batch: Batch, *, seq: int) -> Entry:
        """Take a batch into the register, as far as it was reviewed."""
        async with self._changing:
            entry = await asyncio.to_thread(store, batch, self.register, self.folder, seq=seq)
            closed = {"batch": batch.plan.id, "until": seq, "entry": entry.id}
            await self._store([{"kind": "close", "got_ms": self.now_ms(), **closed}])
            return entry

    async def look(self, batch: Batch) -> dict[str, Any]:
        """Journal an interim look and give the two arms."""
        return await asyncio.to_thread(look, self.register, batch, wait_s=self.register.wait_s)

    async def download(self, batch: Batch) -> bytes:
        """Give a batch as CSV."""
        return await asyncio.to_thread(lambda: make_sheet(batch).to_download())

    def _read(self, raw: object) -> tuple[list[Tap], list[dict[str, str]]]:
        """Part taps that can be stored from those that are none."""
        if not isinstance(raw, Mapping) or not isinstance(raw.get("taps"), list):
            raise InputError("Send an object with a list of taps.")
        listed, offset = raw["taps"], raw.get("offset")
        if isinstance(offset, bool) or not isinstance(offset, (int, float)):
            raise InputError("Send the difference between the clocks as offset.")
        if len(listed) > MOST_TAPS_AT_ONCE:
            raise InputError(f"Send at most {MOST_TAPS_AT_ONCE} taps at once.")
        taps, refused = [], []
        for one in listed:
            try:
                tap = read_tap(one, offset_now_ms=round(offset), now_ms=self.now_ms())
                self._require_vessel(tap)
            except InputError as error:
                said = one.get("id", "") if isinstance(one, Mapping) else ""
                refused.append({"id": str(said), "error": str(error)})
            else:
                taps.append(tap)
        return taps, refused

    def _require_vessel(self, tap: Tap) -> None:
        batch = self.require(tap.batch)
        if tap.vessel and all(v.name != tap.vessel for v in batch.plan.vessels):
            raise InputError(f"The batch “{batch.plan.name}” has no vessel “{tap.vessel}”.")

    def _arrived(self, fresh: Mapping[str, Tap]) -> None:
        for name in fresh:
            self._on_their_way.pop(name, None)

    async def _store(self, bodies: Sequence[Mapping[str, Any]]) -> list[Body]:
        """Put events on the disk, then let them count."""
        stored = await asyncio.wrap_future(self._writer.submit(bodies))
        for event in stored:
            self._apply(event)
        return stored

    def _apply(self, event: Body) -> None:
        if event["kind"] == "begin":
            plan = BatchPlan.from_dict(require_member(event, "plan", Mapping))
            self.batches[plan.id] = Batch(plan)
            return
        # The line that began the batch may be damaged; then its taps have no home here, but
        # stay in the log.
        batch = self.batches.get(require_member(event, "batch", str))
        if event["kind"] == "tap":
            tap = Tap.from_dict(event)
            self._known.add(tap.id)
            if batch is not None:
                batch.taps.append((event["seq"], tap))
        elif event["kind"] == "close":
            closing = Closing(
                seq=require_member(event, "until", int),
                entry=require_member(event, "entry", str),
                at_ms=require_member(event, "got_ms", int),
            )
            if batch is not None:
                batch.closings.append(closing)
        else:
            raise InputError(f"Its kind is {event['kind']!r}.")

    def _names_in_register(self) -> set[str]:
        """Name the batches that the register holds, whoever entered them."""
        return set(self.register.rows()["block_id"].dropna())


def _strange(event: Body, why: str) -> Fault:
    return Fault(
        rule="logbook-event",
        message=f"Event {event['seq']} of the logbook is left aside. {why}",
        remedy=f"Restore {LOG_NAME} from a copy",
        location=Location(file=LOG_NAME),
    )


def folder_of(register: Register) -> Path:
    """Name the logbook's folder in a register, making it where there is none."""
    folder = register.path / LOGBOOK_FOLDER
    folder.mkdir(exist_ok=True)
    return folder
