"""What the page may ask, and the answers."""

from __future__ import annotations

import json
import math
from collections.abc import Awaitable, Callable
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from metafreeze.cautions import DEFERENCE, cautions_for
from metafreeze.errors import InputError, MetafreezeError, describe_faults
from metafreeze.logbook.arms import WARNING, stopping_rule
from metafreeze.logbook.batches import MOST_VESSELS, OFFERED, Batch
from metafreeze.logbook.book import MOST_TAPS_AT_ONCE, Book
from metafreeze.logbook.closing import file_stem
from metafreeze.logbook.door import Door, page_token
from metafreeze.logbook.guard import Guard
from metafreeze.logbook.taps import KIND_WORDS, LONGEST_NOTE, MEASURED
from metafreeze.register.schema import FIELD

PAGE = Path(__file__).parent / "page"

_STATIC = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "join.js": "text/javascript",
    "icon.svg": "image/svg+xml",
}
_GEAR = ("hot", "glass", "freezer", "outdoor")

_Answer = Callable[[Request], Awaitable[Response]]


def make_application(book: Book, door: Door, *, hosts: frozenset[str], port: int) -> Guard:
    """Put the page together.

    Parameters
    ----------
    book : Book
        The open logbook.
    door : Door
        Lets browsers in.
    hosts : frozenset of str
        Names with the port under which the page is reached.
    port : int
        The port.

    Returns
    -------
    Guard
        The ASGI application, behind everything that a request must pass.
    """
    answers = _Answers(book, door)
    routes = [
        Route("/", answers.page),
        Route("/join", answers.join_page, methods=["GET"]),
        Route("/join", answers.join, methods=["POST"]),
        *(Route(f"/{name}", answers.static) for name in _STATIC),
        Route("/now", answers.now),
        Route("/book", answers.whole),
        Route("/taps", _explained(answers.take), methods=["POST"]),
        Route("/batches", _explained(answers.begin), methods=["POST"]),
        Route("/batches/{id}", _explained(answers.batch)),
        Route("/batches/{id}/sheet.csv", _explained(answers.download)),
        Route("/batches/{id}/review", _explained(answers.review)),
        Route("/batches/{id}/store", _explained(answers.store), methods=["POST"]),
        Route("/batches/{id}/arms", _explained(answers.look), methods=["POST"]),
    ]
    application = Starlette(routes=routes)
    guard = Guard(application, door=door, hosts=hosts, port=port)
    answers.guard = guard
    return guard


class _Answers:
    """One method for each thing that the page may ask."""

    guard: Guard

    def __init__(self, book: Book, door: Door) -> None:
        self._book, self._door = book, door
        self._files = {name: (PAGE / name).read_bytes() for name in (*_STATIC, "page.html")}
        self._join = (PAGE / "join.html").read_bytes()

    # Pages

    async def page(self, request: Request) -> Response:
        """Give the page itself."""
        session = request.scope["state"]["session"]
        text = self._files["page.html"].decode()
        for mark, value in (
            ("{{ token }}", page_token(session)),
            ("{{ logbook }}", self._book.id),
            ("{{ title }}", self._book.register.title or self._book.register.path.name),
        ):
            text = text.replace(mark, escape(value))
        return HTMLResponse(text)

    async def join_page(self, request: Request) -> Response:
        """Give the page where a code is entered."""
        if request.scope["state"]["session"] or not self._door.needs_code:
            return RedirectResponse("/", status_code=303)
        return HTMLResponse(self._join)

    async def join(self, request: Request) -> Response:
        """Let a browser in for a code."""
        if not self._door.may_try():
            return _refusal(429, "Too many codes were tried. Wait a minute.")
        raw = await _json(request)
        code = raw.get("code") if isinstance(raw, dict) else None
        session = self._door.open_with(code) if isinstance(code, str) else None
        if session is None:
            return _refusal(
                403, "That is not the code. Each code works once; the terminal shows the next."
            )
        answer = JSONResponse({"welcome": True})
        self.guard.set_cookie(MutableHeaders(raw=answer.raw_headers), session)
        return answer

    async def static(self, request: Request) -> Response:
        """Give one of the page's own files."""
        name = request.url.path.removeprefix("/")
        return Response(self._files[name], media_type=_STATIC[name])

    # What the page reads

    async def now(self, _: Request) -> Response:
        """Give the server's clock."""
        return JSONResponse({"now": self._book.now_ms()})

    async def whole(self, _: Request) -> Response:
        """Give everything but the taps."""
        book = self._book
        listed = sorted(book.batches.values(), key=lambda b: b.plan.began_ms, reverse=True)
        begun = {batch.plan.name for batch in listed}
        return JSONResponse(
            {
                "now": book.now_ms(),
                "lab": book.register.lab,
                "batches": [
                    {
                        "id": batch.plan.id,
                        "name": batch.plan.name,
                        "vessels": len(batch.plan.vessels),
                        "taps": len(batch.taps),
                        "closed": batch.is_closed,
                        "entry": batch.closings[-1].entry if batch.closings else "",
                    }
                    for batch in listed
                ],
                "planned": [
                    {
                        "place": place,
                        "name": plan.name,
                        "lab": plan.lab,
                        "vessels": len(plan.vessels),
                        "sheet": plan.sheet,
                    }
                    for place, plan in enumerate(book.planned)
                    if plan.name not in begun
                ],
                "offered": [_offer(name) for name in OFFERED],
                "measured": {kind: _offer(name) for kind, name in MEASURED.items()},
                "words": KIND_WORDS,
                "most_vessels": MOST_VESSELS,
                "most_taps": MOST_TAPS_AT_ONCE,
                "longest_note": LONGEST_NOTE,
                "damage": [fault.message for fault in book.faults],
                "cautions": [c.short for c in cautions_for(_GEAR)],
                "deference": DEFERENCE,
                "warning": WARNING,
                "stopping_rule": stopping_rule(book.register.plan),
            }
        )

    async def batch(self, request: Request) -> Response:
        """Give a batch, and its taps after the one that the page knows."""
        batch = self._named(request)
        after = request.query_params.get("after", "-1")
        known = int(after) if after.removeprefix("-").isdigit() else -1
        return JSONResponse(
            {
                "now": self._book.now_ms(),
                "plan": batch.plan.to_dict(),
                "taps": [{"seq": seq, **tap.to_dict()} for seq, tap in batch.taps if seq > known],
                "closed": batch.is_closed,
                "stored_before": bool(batch.closings),
            }
        )

    async def download(self, request: Request) -> Response:
        """Give a batch as CSV."""
        batch = self._named(request)
        name = f"{file_stem(batch)}.csv"
        return Response(
            await self._book.download(batch),
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f"attachment; filename*=UTF-8''{quote(name)}"},
        )

    async def review(self, request: Request) -> Response:
        """Say what closing a batch would store."""
        return JSONResponse((await self._book.review(self._named(request))).to_dict())

    # What the page changes

    async def take(self, request: Request) -> Response:
        """Store taps."""
        stored, refused = await self._book.take(await _json(request))
        return JSONResponse({"now": self._book.now_ms(), "stored": stored, "refused": refused})

    async def begin(self, request: Request) -> Response:
        """Begin a batch."""
        batch = await self._book.begin(await _json(request))
        return JSONResponse({"id": batch.plan.id, "name": batch.plan.name})

    async def store(self, request: Request) -> Response:
        """Take a batch into the register."""
        raw = await _json(request)
        seq = raw.get("seq") if isinstance(raw, dict) else None
        if not isinstance(seq, int):
            raise InputError("Say up to which tap the batch was looked at.")
        entry = await self._book.close_batch(self._named(request), seq=seq)
        return JSONResponse({"entry": entry.id, "said": entry.headline()})

    async def look(self, request: Request) -> Response:
        """Give the two arms so far."""
        return JSONResponse(await self._book.look(self._named(request)))

    def _named(self, request: Request) -> Batch:
        return self._book.require(request.path_params["id"])


def _offer(name: str) -> dict[str, Any]:
    """Describe a field for a form."""
    field = FIELD[name]
    bounds = {"low": field.low, "high": field.high} if math.isfinite(field.low) else {}
    return {
        "name": name,
        "label": field.label,
        "unit": field.unit,
        "kind": field.kind,
        "words": list(field.vocabulary),
        **bounds,
    }


def _explained(answer: _Answer) -> _Answer:
    """Turn what the package raises on purpose into an answer with its sentence."""

    async def explaining(request: Request) -> Response:
        try:
            return await answer(request)
        except InputError as refused:
            pressing = [f for f in refused.faults if f.severity != "note"]
            return _refusal(422, describe_faults(pressing) if pressing else str(refused))
        except MetafreezeError as trouble:
            return _refusal(503, str(trouble))

    return explaining


async def _json(request: Request) -> Any:
    try:
        return json.loads(await request.body(), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise HTTPException(400, "The request is not JSON.") from None


def _no_constant(text: str) -> None:
    raise ValueError(text)


def _refusal(status: int, message: str) -> Response:
    return JSONResponse({"error": message}, status_code=status)
