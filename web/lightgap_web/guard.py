"""Who may come in, and what every answer carries.

One ASGI layer around the whole application, static files included. A request passes when

1. its Host is an address this server really has (against DNS rebinding);
2. if it changes anything, it comes from a page of this server (Sec-Fetch-Site, else Origin: browsers
   send no Sec-Fetch headers to a plain-http address of the network);
3. it comes from this machine itself, or carries the session of a paired phone.

The Content-Security-Policy allows only the page's own files: no inline script or style, no other host.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from lightgap.errors import LightgapError
from lightgap_web.failures import TOO_LARGE, BadRequestError, RefusedError, answer
from lightgap_web.pairing import Pairing
from lightgap_web.static_files import STATIC

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_TO_ALL = ("/hello", f"{STATIC}/page.css")
OPEN_BELOW = "/pair/"
"""All that answers an unpaired device: the test page, its style sheet, and the pairing link itself."""

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}

_WRONG_HOST = BadRequestError(
    "This address is not one of lightgap's own.",
    "Open the page by the address that lightgap printed when it started.",
)
_WRONG_ORIGIN = RefusedError(
    "This request came from another site and was refused.",
    "Open the page by the address that lightgap printed and try again there.",
)
_NOT_PAIRED = RefusedError(
    "This device is not paired with lightgap.",
    "On the computer open 'Phone' on the page and scan the code that it shows.",
)


@dataclass(frozen=True)
class Address:
    """Where this server can be reached: the port, and its addresses on the network (none without --lan)."""

    port: int
    lan: tuple[str, ...] = ()

    @property
    def hosts(self) -> frozenset[str]:
        """Every Host header that is ours. Over port 80 browsers leave the port out."""
        names = ("127.0.0.1", "localhost", "[::1]", *self.lan)
        hosts = {f"{name}:{self.port}" for name in names}
        return frozenset(hosts | set(names)) if self.port == 80 else frozenset(hosts)

    @property
    def cookie(self) -> str:
        """Cookies ignore ports, so the port stands in the name."""
        return f"lightgap-{self.port}"


class Guard:
    """The ASGI layer."""

    def __init__(self, app: ASGIApp, address: Address, pairing: Pairing) -> None:
        self.app = app
        self.address = address
        self.pairing = pairing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            # No websocket is served; the life of the server passes through.
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        too_large = False

        async def send_guarded(message: Message) -> None:
            nonlocal too_large
            if too_large:
                return
            if message["type"] == "http.response.start":
                # The body limit of the framework answers in plain text; here too the one error shape.
                if message["status"] == 413 and _is_plain(message):
                    await answer(TOO_LARGE, scope)(scope, receive, send_guarded)
                    too_large = True
                    return
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self.refusal(scope)
        if refusal is None:
            await self.app(scope, receive, send_guarded)
        else:
            await answer(refusal, scope)(scope, receive, send_guarded)

    def refusal(self, scope: Scope) -> LightgapError | None:
        """Return why a request may not pass, or None if it may."""
        headers = Headers(scope=scope)
        host = headers.get("host", "").lower()
        if host not in self.address.hosts or len(headers.getlist("host")) != 1:
            return _WRONG_HOST
        if scope["method"] not in SAFE_METHODS and not _from_own_page(headers, host):
            return _WRONG_ORIGIN
        if is_local(scope) or _is_open_path(scope["path"]):
            return None
        session = Request(scope).cookies.get(self.address.cookie)
        return None if self.pairing.is_open(session) else _NOT_PAIRED


def _is_plain(message: Message) -> bool:
    return MutableHeaders(scope=message).get("content-type", "").startswith("text/plain")


def is_local(scope: Scope) -> bool:
    """Tell whether a request comes from this machine itself."""
    client = scope.get("client")
    try:
        return client is not None and ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _from_own_page(headers: Headers, host: str) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    # Programs other than browsers send neither; they cannot be tricked into a request by a page.
    return origin is None or origin.lower() == f"http://{host}"


def _is_open_path(path: str) -> bool:
    return path in OPEN_TO_ALL or path.startswith(OPEN_BELOW)
