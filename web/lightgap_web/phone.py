"""Letting a phone in from the computer's own page: links to scan, and how many phones came."""

from __future__ import annotations

import io

import segno
from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from lightgap_web.failures import NotThereError, RefusedError
from lightgap_web.guard import is_local
from lightgap_web.pairing import LINK_SECONDS

router = APIRouter(prefix="/api/phone", include_in_schema=False)


class LinkFor(BaseModel):
    """Which of this machine's addresses the phone is to use."""

    address: str


class Link(BaseModel):
    """A one-time link, and the same as a code to scan."""

    url: str
    hello: str = Field(description="the test page, open to every device")
    svg: str
    seconds: float


class Phones(BaseModel):
    """How many phones are paired now."""

    paired: int


@router.post("/links")
def new_link(request: Request, asked: LinkFor) -> Link:
    """Make a one-time link for one address of this machine."""
    _only_local(request)
    state = request.app.state
    if asked.address not in state.address.lan:
        raise NotThereError(
            "This computer is not reached at that address.", "Choose one of the addresses on the page."
        )
    root = f"http://{asked.address}:{state.address.port}"
    url = f"{root}/pair/{state.pairing.new_link()}"
    return Link(url=url, hello=f"{root}/hello", svg=_code(url), seconds=LINK_SECONDS)


@router.get("")
def phones(request: Request) -> Phones:
    """Tell how many phones are paired."""
    _only_local(request)
    return Phones(paired=request.app.state.pairing.sessions)


def _only_local(request: Request) -> None:
    if not is_local(request.scope):
        raise RefusedError("Phones are paired on the computer.", "Open 'Phone' on the computer's own page.")


def _code(url: str) -> str:
    drawn = io.BytesIO()
    segno.make(url, error="m").save(drawn, kind="svg", scale=8, xmldecl=False)
    return drawn.getvalue().decode()
