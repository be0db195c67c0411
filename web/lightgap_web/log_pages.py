"""The log's pages: written whole by the server, so that they open at once; scripts only send what changes."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from markupsafe import Markup

from lightgap import __version__
from lightgap.judge import Verdict
from lightgap.log.clock import shown
from lightgap.log.paper import storey
from lightgap.log.records import EVERY, Check, CheckLine, Result
from lightgap.log.same_ring import said_turn
from lightgap.log.store import Log
from lightgap.show.elevation import elevation
from lightgap.show.elevation import svg as elevation_svg
from lightgap.show.figures import Units, figure
from lightgap.show.words import SIGNS, counted, describe_plan
from lightgap_web.log_api import VERDICTS, opened, read_filters, report_of, result_of
from lightgap_web.log_pictures import Pictures
from lightgap_web.pages import LIMITS, page
from lightgap_web.turning import QUANTITIES, Changed, Turning, changes, say_match

UNITS_COOKIE = "lightgap-units"
"""The person's choice of units: the browser's storage has it, and the page's script repeats it here."""

BUILDS = 24
"""Builds on one page: a full page of the list in two, three or four columns."""

FOUND = 20
"""Checks on one page: where inches are chosen, each one's report is read for its sentence."""

USUAL_NOTES = ("wood", "glue", "clamp time", "resin mix", "moisture", "who")
_SHAPES = {
    "circle": "M0-9A9 9 0 1 1 0 9A9 9 0 1 1 0-9Z",
    "square": "M-8.5-8.5H8.5V8.5H-8.5Z",
    "triangle": "M0-10.5L11 8.5H-11Z",
    "diamond": "M0-11L11 0L0 11L-11 0Z",
}

router = APIRouter(prefix="/log", include_in_schema=False, default_response_class=HTMLResponse)


def _units(request: Request) -> Units:
    return "inch" if request.cookies.get(UNITS_COOKIE) == "inch" else "mm"


def _page(request: Request, name: str, **more: Any) -> Response:
    units = _units(request)
    tools = {
        "units": units,
        "icon": icon,
        "sign_name": lambda verdict: SIGNS[Verdict(verdict)].short,
        "said": said,
        "shown": shown,
        "counted": counted,
        "describe": lambda plan: describe_plan(plan, units),
        "usual_notes": USUAL_NOTES,
    }
    return page(request, name, here="log", **tools, **more)


def icon(verdict: Verdict | str | None) -> Markup:
    """Draw a verdict's shape as the page's scripts draw it; a dashed ring for what is not checked yet."""
    look = "" if verdict is None else f" is-{SIGNS[Verdict(verdict)].short}"
    shape = '<circle r="8.5" class="unchecked"/>'
    if verdict is not None:
        shape = f'<path d="{_SHAPES[SIGNS[Verdict(verdict)].shape]}"/>'
    return Markup(f'<svg class="sign{look}" viewBox="-12 -12 24 24" aria-hidden="true">{shape}</svg>')


def said(verdict: Verdict | str | None) -> str:
    """Say a verdict as the start of a line.

    Examples
    --------
    >>> said(None)
    'Not checked yet'
    """
    words = "not checked yet" if verdict is None else str(verdict)
    return words[:1].upper() + words[1:]


# ---- the list ----


@router.get("")
def the_list(request: Request) -> Response:
    """Show the builds; with a filter, the checks that pass it."""
    asked = {key: request.query_params.get(key, "") for key in ("wood", "verdict", "from", "to", "text")}
    after = request.query_params.get("after")
    filters = read_filters(asked["wood"], asked["verdict"], asked["from"], asked["to"], asked["text"])
    with opened(request) as log:
        if filters == EVERY:
            builds = log.builds(after, BUILDS)
            return _page(
                request,
                "log_list.html",
                builds=builds.items,
                asked=asked,
                verdicts=VERDICTS,
                more=_more(asked, builds.after),
                first=after is None,
                deleted=len(log.deleted()),
            )
        checks = log.checks(filters, after, FOUND)
        return _page(
            request,
            "log_found.html",
            checks=checks.items,
            headlines=_headlines(log, checks.items, _units(request)),
            asked=asked,
            verdicts=VERDICTS,
            more=_more(asked, checks.after),
        )


def _more(asked: dict[str, str], after: str | None) -> str | None:
    if after is None:
        return None
    return f"/log?{urlencode({**{key: text for key, text in asked.items() if text}, 'after': after})}"


def _headlines(log: Log, lines: tuple[CheckLine, ...], units: Units) -> dict[int, str]:
    """Return what is wrong first with each check. The log keeps it in mm; for inches reports are read."""
    if units == "mm":
        return {line.id: unbroken(line.summary.headline) for line in lines}
    return {line.id: _headline(log.check(line.id).latest, units) for line in lines}


def _headline(result: Result | None, units: Units) -> str:
    from lightgap.show.words import headline

    if result is None:
        return "not measured yet"
    if result.report is None:
        return str((result.error or {}).get("message", ""))
    return unbroken(headline(report_of(result).verdicts, units))


def unbroken(text: str) -> str:
    """Keep a figure, its uncertainty and its unit on one line.

    Examples
    --------
    >>> unbroken("open 0.36 ± 0.04 mm").count(" ")
    1
    """
    return re.sub(r"(\d) (mm|in)\b", "\\1\u00a0\\2", text.replace(" ± ", "\u00a0±\u00a0"))


@router.get("/deleted")
def deleted(request: Request) -> Response:
    """Show what was deleted and can come back."""
    with opened(request) as log:
        return _page(request, "log_deleted.html", items=log.deleted())


# ---- one build ----


@router.get("/builds/{build_id}")
def one_build(request: Request, build_id: int) -> Response:
    """Show a build as its stack."""
    units = _units(request)
    with opened(request) as log:
        build = log.build(build_id)
        lines = tuple(ring.latest for ring in build.rings if ring.latest)
        headlines = _headlines(log, lines, units)
        spacers = _spacers(log, lines, units)
    stack = None
    if build.rings:
        drawn = elevation([storey(ring) for ring in build.rings], units)
        stack = Markup(elevation_svg(drawn, link="/log/rings/{}"))
    return _page(request, "log_build.html", build=build, stack=stack, headlines=headlines, spacers=spacers)


def _spacers(log: Log, lines: tuple[CheckLine, ...], units: Units) -> tuple[str, ...]:
    """Say how consistent the gaps of spaced and tapered rings are."""
    from lightgap.log.spacers import say_build

    reports = [
        (line.ring_title, report_of(result))
        for line in lines
        if (result := log.check(line.id).latest) is not None and result.report is not None
    ]
    return say_build(reports, units)


@router.get("/builds/{build_id}/rings/new")
def new_ring(request: Request, build_id: int) -> Response:
    """Ask what a new ring should be, beginning with the numbers of the one below it."""
    with opened(request) as log:
        build = log.build(build_id)
    below = build.rings[-1] if build.rings else None
    return _page(request, "log_ring_plan.html", build=build, ring=None, below=below, limits=LIMITS)


@router.get("/rings/{ring_id}/plan")
def change_plan(request: Request, ring_id: int) -> Response:
    """Ask anew what a ring should be."""
    with opened(request) as log:
        ring = log.ring(ring_id)
        build = log.build(ring.build_id)
    return _page(request, "log_ring_plan.html", build=build, ring=ring, below=ring, limits=LIMITS)


# ---- one ring ----


@dataclass(frozen=True)
class Comparison:
    """Two checks of one ring, and what has changed between them.

    Attributes
    ----------
    turning : Turning or None
        None until the wood was looked at, or the person said how the ring lies.
    said : str
        How the turning is known.
    sure : bool
        The wood tells it surely, or the person has said so: only then are joints compared.
    kept : bool
        The person has said so, and the log keeps it.
    """

    before: Check
    after: Check
    segments: int
    turning: Turning | None
    said: str
    sure: bool
    kept: bool
    tables: tuple[tuple[str, str, list[Changed]], ...]


@router.get("/rings/{ring_id}")
def one_ring(
    request: Request,
    ring_id: int,
    before: int | None = None,
    after: int | None = None,
    turn: int | None = None,
    face_down: bool = False,
) -> Response:
    """Show a ring's history, and two of its checks side by side: the first and the last unless named."""
    units = _units(request)
    with opened(request) as log:
        ring = log.ring(ring_id)
        build = log.build(ring.build_id)
        history = log.history(ring_id)
        measured = [check for check in history if check.latest and check.latest.report is not None]
        pair = _pair(measured, before, after)
        turning = None if turn is None else Turning(turn, face_down)
        pictures: Pictures = request.app.state.log_pictures
        comparison = _compare(log, pictures, *pair, turning, units) if pair else None
    return _page(
        request,
        "log_ring.html",
        ring=ring,
        build=build,
        history=history,
        measured=measured,
        headlines={check.id: _headline(check.latest, units) for check in history},
        gaps={
            check.id: figure(check.summary.worst_gap, "gap_mm", units)
            for check in history
            if check.summary.worst_gap is not None
        },
        comparison=comparison,
    )


def _pair(measured: list[Check], before: int | None, after: int | None) -> tuple[Check, Check] | None:
    """Return the two checks to compare, if there are two that can be."""
    if len(measured) < 2:
        return None
    by_id = {check.id: check for check in measured}
    first, last = by_id.get(before or 0, measured[0]), by_id.get(after or 0, measured[-1])
    alike = first.plan.segments == last.plan.segments
    return (first, last) if first is not last and alike else None


def _compare(
    log: Log, pictures: Pictures, before: Check, after: Check, turning: Turning | None, units: Units
) -> Comparison:
    """Compare two checks, turned as asked for; else as the person said once, else as the wood tells."""
    was, now = (report_of(result_of(check, None)) for check in (before, after))
    turn = said_turn(log, before, after)
    said = None if turn is None else Turning(turn.turn % was.plan.segments, turn.face_down)
    match = None if said is not None else pictures.known_match(log, before, after)
    told = None if match is None else Turning(match.turn, match.face_down)
    turning = turning or said or told
    kept = turning is not None and turning == said
    sure = kept or (match is not None and turning == told and match.sureness == "sure")
    tables: tuple[tuple[str, str, list[Changed]], ...] = ()
    if sure and turning is not None:
        tables = tuple(
            (name, title, changes(was, now, turning, name, units)) for name, title, _ in QUANTITIES
        )
    words = "You said that the pairs are right." if kept else "Turned as you say."
    if match is not None and turning == told:
        words = say_match(match)
    return Comparison(before, after, was.plan.segments, turning, words, sure, kept, tables)


# ---- one check ----


@router.get("/checks/{check_id}")
def one_check(request: Request, check_id: int, result: int | None = None) -> Response:
    """Show a kept check by its latest result, or by the one that is named."""
    units = _units(request)
    with opened(request) as log:
        check = log.check(check_id)
        ring = log.ring(check.ring_id)
        build = log.build(ring.build_id)
    chosen = result_of(check, result) if check.results else None
    headlines = {one.id: _headline(one, units) for one in check.results}
    report = cast(Any, chosen.report) if chosen else None
    parts = report.get("photos", []) if report else []
    return _page(
        request,
        "log_check.html",
        check=check,
        ring=ring,
        build=build,
        chosen=chosen,
        headlines=headlines,
        advice=report_of(chosen).advice_in(units) if chosen and chosen.report else (),
        size=report["photo"]["size_px"] if report else None,
        parts=parts,
        base=next((place for place, part in enumerate(parts) if part["part"] == "base"), 0),
        program=__version__,
    )
