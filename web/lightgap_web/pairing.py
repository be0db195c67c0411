"""Letting a phone in: a one-time link, then a session cookie that ends.

The link's token has 128 bits, serves once and for five minutes; what it buys is an HttpOnly session
that lives as long as an evening at the bench. Plain http on the home network can be read by others on
it; the pairing keeps them from getting in, not from listening, and the page says so.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable

LINK_SECONDS = 300.0
SESSION_SECONDS = 12 * 3600.0


class Pairing:
    """The links not yet used and the sessions now open, in memory only.

    Parameters
    ----------
    clock : callable
        Seconds, monotonic; another one in tests.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._links: dict[str, float] = {}
        self._sessions: dict[str, float] = {}

    def new_link(self) -> str:
        """Make a token for one link."""
        self._forget_old()
        token = secrets.token_urlsafe(16)
        self._links[token] = self._clock() + LINK_SECONDS
        return token

    def is_link(self, token: str) -> bool:
        """Tell whether a link's token can still be used, without using it."""
        self._forget_old()
        return _same(token, self._links) is not None

    def open_session(self, token: str) -> str | None:
        """Use up a link's token; return a session, or None if the token is unknown, used or too old."""
        self._forget_old()
        known = _same(token, self._links)
        if known is None:
            return None
        del self._links[known]
        session = secrets.token_urlsafe(32)
        self._sessions[session] = self._clock() + SESSION_SECONDS
        return session

    def is_open(self, session: str | None) -> bool:
        """Tell whether this cookie's session may come in."""
        self._forget_old()
        return session is not None and _same(session, self._sessions) is not None

    @property
    def sessions(self) -> int:
        """How many sessions are open now."""
        self._forget_old()
        return len(self._sessions)

    def _forget_old(self) -> None:
        now = self._clock()
        self._links = {token: until for token, until in self._links.items() if until > now}
        self._sessions = {token: until for token, until in self._sessions.items() if until > now}


def _same(token: str, known: dict[str, float]) -> str | None:
    """Find a token without telling by the time taken how much of it was right."""
    sent = token.encode()
    found = [one for one in known if hmac.compare_digest(one.encode(), sent)]
    return found[0] if found else None
