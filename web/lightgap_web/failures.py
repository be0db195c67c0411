"""What the page says when it cannot do what was asked: one error shape on every route."""

from __future__ import annotations

import logging
from html import escape

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import Scope

from lightgap.errors import LightgapError
from lightgap_web.static_files import STATIC

log = logging.getLogger("lightgap.web")


class BadRequestError(LightgapError):
    """The request itself cannot be understood."""

    http_status = 400


class RefusedError(LightgapError):
    """The guard does not let this request in."""

    http_status = 403


class NotThereError(LightgapError):
    """There is nothing at this address, or not yet."""

    http_status = 404


class TooLargeError(LightgapError):
    """More bytes than the page takes in."""

    http_status = 413


class BusyError(LightgapError):
    """Too many photos are waiting already, or there is no room to keep another."""

    http_status = 503


class StoppedError(LightgapError):
    """A check that had to be ended from outside: too long, or its process died."""


_START_AGAIN = "Open the page again from the address that lightgap printed."
TOO_LARGE = TooLargeError(
    "This photo file is too large for the page.",
    "Send the photo as the camera wrote it (JPEG or HEIC), not as a converted TIFF or PNG.",
)
_BY_STATUS = {
    403: RefusedError("This request was refused.", _START_AGAIN),
    404: NotThereError("There is nothing at this address.", "Go back to the start page."),
    405: BadRequestError("This address does not take that kind of request.", "See /api/openapi.json."),
    413: TOO_LARGE,
}
_OTHER = BadRequestError("The page could not understand this request.", "See /api/openapi.json.")
FAULT = LightgapError(
    "Something inside lightgap went wrong while doing this.",
    "Try it once more; if it happens again, check the same photo with the command and keep its message.",
)


_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>lightgap: {message}</title>
<meta name="viewport" content="width=device-width"><link rel="stylesheet" href="{static}/page.css"></head>
<body><main class="plain"><h1>{message}</h1><p>{hint}</p>
<p><a class="button" href="/">Start page</a></p></main></body></html>"""


def answer(error: LightgapError, scope: Scope, status: int | None = None) -> Response:
    """Return the error as the page sends it: JSON, or a readable page where a person opened the address."""
    status = status or error.http_status
    opened = "text/html" in Headers(scope=scope).get("accept", "")
    if opened and not scope["path"].startswith("/api/"):
        text = _PAGE.format(static=STATIC, message=escape(error.message), hint=escape(error.hint))
        return HTMLResponse(text, status_code=status)
    return JSONResponse(error.to_dict(), status_code=status)


def add_handlers(app: FastAPI) -> None:
    """Make every failure of ``app`` leave in the one error shape."""

    @app.exception_handler(LightgapError)
    async def told(request: Request, error: LightgapError) -> Response:
        return answer(error, request.scope)

    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> Response:
        said = answer(_BY_STATUS.get(error.status_code, _OTHER), request.scope, error.status_code)
        said.headers.update(error.headers or {})
        return said

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        unreadable = BadRequestError(
            f"{field} is missing or cannot be read: {first['msg'].lower()}.",
            "See /api/openapi.json for what this address takes.",
        )
        return answer(unreadable, request.scope, 422)

    @app.exception_handler(Exception)
    async def fault(request: Request, error: Exception) -> Response:
        log.error("fault in %s %s", request.method, request.url.path, exc_info=error)
        return answer(FAULT, request.scope, 500)
