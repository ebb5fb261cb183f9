"""Who may come in: one-time codes, sessions that outlive the server, and how often one may try.

A code lets one browser in and is then replaced. Sessions are kept as hashes beside the log, so
that a phone stays let in when the server is started again, and a copied register lets nobody in.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path

from metafreeze.register.folder.disk import disk_trouble_explained, write_whole

SESSIONS_NAME = "sessions.json"

# No digit or letter that is taken for another.
_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
_CODE_LENGTH = 8
_GROUP = 4

SESSION_S = 7 * 86_400
MOST_SESSIONS = 50

# Of 2**40 codes, ten guesses a minute find one in a day with a chance of one in 76 million.
TRIES_PER_MINUTE = 10


class Door:
    """Lets browsers in.

    Parameters
    ----------
    folder : Path
        The logbook's folder.
    needs_code : bool
        Whether a browser must show a code; otherwise whoever reaches the page comes in.
    announce : callable
        Told each new code.
    clock : callable
        Seconds since 1970.
    """

    def __init__(
        self,
        folder: Path,
        *,
        needs_code: bool,
        announce: Callable[[str], None],
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.needs_code = needs_code
        self._path = folder / SESSIONS_NAME
        self._announce, self._clock = announce, clock
        self._tries = Bucket(rate=TRIES_PER_MINUTE / 60, most=TRIES_PER_MINUTE, clock=clock)
        self._sessions = self._read()
        self._code = ""
        if needs_code:
            self.new_code()

    def new_code(self) -> None:
        """Make a code and announce it."""
        self._code = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE_LENGTH))
        self._announce(f"{self._code[:_GROUP]}-{self._code[_GROUP:]}")

    def may_try(self) -> bool:
        """Count a try at a code; False where there were too many in the last minute."""
        return self._tries.take()

    def open_with(self, code: str) -> str | None:
        """Give a session for a code and replace the code; None where it is not the one."""
        said = "".join(c for c in code.upper() if c.isalnum())
        if not self._code or not hmac.compare_digest(said.encode(), self._code.encode()):
            return None
        token = self.new_session()
        self.new_code()
        return token

    def new_session(self) -> str:
        """Let a browser in: give the token for its cookie."""
        token = secrets.token_urlsafe(32)
        self._sessions[_hash(token)] = self._clock()
        while len(self._sessions) > MOST_SESSIONS:
            del self._sessions[min(self._sessions, key=lambda name: self._sessions[name])]
        with disk_trouble_explained("The session could not be kept"):
            write_whole(self._path, json.dumps({"sessions": self._sessions}).encode())
        return token

    def knows(self, token: str) -> bool:
        """Whether a cookie's token belongs to a session that still holds."""
        since = self._sessions.get(_hash(token)) if token else None
        return since is not None and self._clock() - since < SESSION_S

    def _read(self) -> dict[str, float]:
        try:
            kept = json.loads(self._path.read_bytes())["sessions"]
            return {str(name): float(since) for name, since in kept.items()}
        except FileNotFoundError:
            return {}
        except (ValueError, KeyError, TypeError, AttributeError):
            # A damaged file lets nobody in: every phone needs a new code, nothing else is lost.
            return {}


def page_token(session: str) -> str:
    """Give the token that a page sends back with every change: no other site can read it."""
    return hmac.new(session.encode(), b"page", hashlib.sha256).hexdigest()


class Bucket:
    """So many at once, refilled steadily."""

    def __init__(
        self, *, rate: float, most: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._rate, self._most, self._clock = rate, most, clock
        self._left, self._at = most, clock()

    def take(self) -> bool:
        """Take one; False where none is left."""
        now = self._clock()
        self._left = min(self._most, self._left + max(0.0, now - self._at) * self._rate)
        self._at = now
        if self._left < 1:
            return False
        self._left -= 1
        return True


class Buckets:
    """A bucket for each caller, the longest idle ones forgotten."""

    def __init__(self, *, rate: float, most: float, kept: int = 1000) -> None:
        self._rate, self._most, self._kept = rate, most, kept
        self._buckets: OrderedDict[str, Bucket] = OrderedDict()

    def take(self, caller: str) -> bool:
        """Take one of a caller's; False where none is left."""
        bucket = self._buckets.pop(caller, None) or Bucket(rate=self._rate, most=self._most)
        self._buckets[caller] = bucket
        while len(self._buckets) > self._kept:
            self._buckets.popitem(last=False)
        return bucket.take()


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
