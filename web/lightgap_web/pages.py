"""The pages that a person opens; what is on them comes from the API by the page's own scripts."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates

from lightgap import __version__
from lightgap_web.failures import RefusedError
from lightgap_web.guard import is_local
from lightgap_web.pairing import SESSION_SECONDS
from lightgap_web.static_files import STATIC

ROOT = Path(str(files("lightgap_web")))

LARGEST_PHOTO_BYTES = 80_000_000
"""Above the largest JPEG or HEIC of 50 megapixels; said beside the photo field."""

SHEETS = ("A5", "A4", "A3", "A2", "Letter", "Tabloid")
LIMITS = (
    ("gap_mm", "Gap"),
    ("taper_deg", "Taper"),
    ("mitre_deg", "Mitre"),
    ("included_angle_deg", "Angle between faces"),
    ("pitch_error_deg", "Place round the ring"),
    ("skew_deg", "Lean from the centre"),
    ("outer_length_mm", "Outer length"),
    ("radial_offset_mm", "In or out"),
    ("twist_deg", "Twist"),
    ("across_flats_mm", "Size of the ring"),
    ("out_of_round_mm", "Out of round"),
    ("inner_offset_mm", "Hole off centre"),
)

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
templates = Jinja2Templates(ROOT / "templates")
templates.env.globals["static"] = STATIC

_USED_UP = RefusedError(
    "This pairing link was used already or is too old.",
    "Scan the new code that the computer shows under 'Phone'.",
)


def page(request: Request, name: str, **more: Any) -> Response:
    """Write one page; ``here`` among ``more`` names its place in the navigation."""
    state = request.app.state
    common = {
        "version": __version__,
        "demo": state.demo,
        "phone": state.lan and is_local(request.scope),
        "local": is_local(request.scope),
    }
    return templates.TemplateResponse(request, name, {**common, **more})


@router.get("/")
def start(request: Request) -> Response:
    return page(
        request,
        "start.html",
        here="start",
        largest_bytes=LARGEST_PHOTO_BYTES,
        sheets=SHEETS,
        limits=LIMITS,
    )


@router.get("/checks/{check_id}")
def check(request: Request, check_id: str) -> Response:
    request.app.state.queue.get(check_id)
    return page(request, "check.html", here="check", check_id=check_id)


@router.get("/guide")
def guide(request: Request) -> Response:
    return page(request, "guide.html", here="guide")


@router.get("/samples")
def samples(request: Request) -> Response:
    return page(request, "samples.html", here="samples")


@router.get("/phone")
def phone(request: Request) -> Response:
    if not is_local(request.scope):
        raise RefusedError("Phones are paired on the computer.", "Open 'Phone' on the computer's own page.")
    return page(
        request,
        "phone.html",
        here="phone",
        addresses=request.app.state.address.lan,
        lan=request.app.state.lan,
    )


@router.get("/hello")
def hello(request: Request) -> Response:
    """Tell an unpaired phone that it got through, and nothing else."""
    words = "This device reaches lightgap. Now scan the code on the computer to pair it."
    return templates.TemplateResponse(request, "bare.html", {"title": "Hello.", "words": words})


@router.get("/pair/{token}")
def ask_to_pair(request: Request, token: str) -> Response:
    """Show a button: a code scanner that only looks at a link must not use it up."""
    if not request.app.state.pairing.is_link(token):
        raise _USED_UP
    words = "It may then take photos, send them to the computer and show the answers, until lightgap ends."
    shown = {"title": "Pair this phone with lightgap?", "words": words, "pairing": True}
    answer = templates.TemplateResponse(request, "bare.html", shown)
    # Without a referrer browsers hide the origin of a form too, and the guard could not tell it.
    answer.headers["Referrer-Policy"] = "same-origin"
    return answer


@router.post("/pair/{token}")
def pair(request: Request, token: str) -> Response:
    """Use up a one-time link: a session cookie, then a clean address."""
    session = request.app.state.pairing.open_session(token)
    if session is None:
        raise _USED_UP
    answer = RedirectResponse("/", status_code=303)
    # Lax, not Strict: a page opened from another app would be without a Strict cookie.
    answer.set_cookie(
        request.app.state.address.cookie,
        session,
        max_age=int(SESSION_SECONDS),
        httponly=True,
        samesite="lax",
    )
    return answer
