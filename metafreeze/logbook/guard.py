"""What every request passes before anything answers it: host, origin, rate, session, token."""

from __future__ import annotations

import hmac
from collections.abc import Collection
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from metafreeze.logbook.door import SESSION_S, Buckets, Door, page_token

TOKEN_HEADER = "x-logbook-token"
LARGEST_BODY = 256 * 1024

# Enough for any number of thumbs; a runaway program is slowed down.
REQUESTS_PER_S = 300.0
AT_ONCE = 600.0
# For whoever is not let in yet.
STRANGER_PER_S = 5.0
STRANGER_AT_ONCE = 40.0

# What is served before anybody is let in: it says nothing about the register.
OPEN_PATHS = ("/join", "/page.css", "/join.js", "/icon.svg")

_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Stands before the application.

    Parameters
    ----------
    application : ASGI application
        Answers what passes; finds the session's token in ``scope["state"]["session"]``.
    door : Door
        Knows the sessions.
    hosts : collection of str
        Names, with the port, under which the page is reached.
    port : int
        The port; cookies of one machine do not tell ports apart, so it is in their name.
    """

    def __init__(
        self, application: ASGIApp, *, door: Door, hosts: Collection[str], port: int
    ) -> None:
        self._application, self._door = application, door
        self._hosts = frozenset(host.lower() for host in hosts)
        self.cookie = f"logbook_{port}"
        self._known = Buckets(rate=REQUESTS_PER_S, most=AT_ONCE)
        self._strangers = Buckets(rate=STRANGER_PER_S, most=STRANGER_AT_ONCE)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        session = self._session(headers)
        refusal = self._refuse(scope, headers, session)
        if refusal is None and not session and scope["path"] not in OPEN_PATHS:
            if self._door.needs_code:
                refusal = (
                    RedirectResponse("/join", status_code=303)
                    if scope["path"] == "/"
                    else _say(401, "This phone is not let in. Open /join and enter a code.")
                )
            elif scope["path"] == "/":
                session = self._door.new_session()
                scope.setdefault("state", {})["new_session"] = session
            else:
                refusal = _say(401, "Open the page first.")
        scope.setdefault("state", {})["session"] = session
        answer = self._application if refusal is None else refusal
        await answer(scope, receive, self._with_headers(scope, send))

    def set_cookie(self, headers: MutableHeaders, session: str) -> None:
        """Hand a session to the browser; no other site can send it or read it."""
        headers.append(
            "set-cookie",
            f"{self.cookie}={session}; Path=/; Max-Age={SESSION_S}; HttpOnly; SameSite=Strict",
        )

    def _refuse(self, scope: Scope, headers: Headers, session: str) -> Response | None:
        host = headers.get("host", "").lower()
        if host not in self._hosts or len(headers.getlist("host")) != 1:
            return _say(421, "This page is not served under that name.")
        caller = session or f"stranger {(scope.get('client') or ('',))[0]}"
        if not (self._known if session else self._strangers).take(caller):
            return _say(429, "Too many requests at once. Wait a moment.")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            # A link from elsewhere may open the page; nothing else may come from elsewhere.
            navigates = headers.get("sec-fetch-mode") == "navigate" and scope["path"] in (
                "/",
                "/join",
            )
            if scope["method"] != "GET" or not navigates:
                return _say(403, "This request comes from another site.")
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return _say(405, "Use GET or POST.")
        if headers.get("origin", "").lower() != f"http://{host}":
            return _say(403, "This request comes from another site.")
        if not headers.get("content-type", "").startswith("application/json"):
            return _say(415, "Send JSON.")
        length = headers.get("content-length", "")
        if not length.isdigit():
            return _say(411, "Say how long the request is.")
        if int(length) > LARGEST_BODY:
            return _say(413, "The request is too long. Send fewer taps at once.")
        if scope["path"] != "/join" and session:
            token = headers.get(TOKEN_HEADER, "")
            if not hmac.compare_digest(token.encode(), page_token(session).encode()):
                return _say(403, "The page is out of date. Load it again.")
        return None

    def _session(self, headers: Headers) -> str:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie)
        except CookieError:
            return ""
        token = morsel.value if morsel is not None else ""
        return token if self._door.knows(token) else ""

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                session = scope["state"].get("new_session")
                if session:
                    self.set_cookie(headers, session)
            await send(message)

        return sending


def _say(status: int, message: str) -> JSONResponse:
    return JSONResponse({"error": message}, status_code=status)
