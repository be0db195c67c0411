"""The page's interface for programs, and for the page's own scripts."""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, cast

from fastapi import APIRouter, File, Form, Request, UploadFile
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel, Field

from lightgap.errors import LightgapError
from lightgap.hand import ByHand
from lightgap.photo import look_at_photo
from lightgap.plan import Plan, default_tolerance, to_mapping
from lightgap.show.card_pdf import Paper, write_card_pdf
from lightgap.show.figures import Units
from lightgap.show.words import describe_plan
from lightgap_web.asking import Again, read_bar, read_help, read_json, read_plan
from lightgap_web.drawing import ring_svg
from lightgap_web.failures import BusyError, NotThereError
from lightgap_web.guard import is_local
from lightgap_web.queue import Check, CheckQueue, CheckRequest, State
from lightgap_web.telling import UNITS, told_figures

ROOM_BYTES = 500_000_000
"""Free space below which no further photo is taken in."""

EXAMPLE_PLAN = (
    '{"segments": 12, "joint": "closed", "across_flats_mm": 220, "width_mm": 38, "thickness_mm": 19}'
)


class Failure(BaseModel):
    """What is wrong, and what to do next."""

    message: str
    hint: str


class FailureAnswer(BaseModel):
    """The one shape of every answer that is not a success."""

    error: Failure


class Summary(BaseModel):
    """One check in the list."""

    id: str
    state: State
    name: str
    asked_at: datetime
    plan: dict[str, str] = Field(description="the plan in one line, for mm and for inch")
    headline: dict[str, str] | None = Field(None, description="the report's first sentence, or the error's")
    verdict: str | None = None
    photo: bool = Field(description="whether the photo can be shown already")
    from_phone: bool


class PhotoSize(BaseModel):
    """The upright photo, in the pixels that the report's points are in."""

    width_px: int
    height_px: int


class CheckAnswer(BaseModel):
    """One check as it stands now."""

    id: str
    state: State
    step: str = Field(description="what is being done now, in words")
    share: float = Field(description="how much of the work is done, 0 to 1")
    name: str = Field(description="the photo's file name")
    photo: PhotoSize | None = Field(None, description="known once the photo is read")
    plan: dict[str, Any]
    plan_words: dict[str, str]
    reference: str
    printed_bar: tuple[float, float] | None = None
    by_hand: dict[str, Any] | None = None
    report: dict[str, Any] | None = Field(None, description='"format": "lightgap-check/1"')
    shown: dict[str, Any] | None = Field(None, description="the report in words, for mm and for inch")
    error: Failure | None = None


class Accepted(BaseModel):
    """A check that was taken in."""

    id: str
    state: State


class PlanAnswer(BaseModel):
    """A plan that a ring can have."""

    plan: dict[str, Any]
    words: dict[str, str]
    figures: dict[str, Any]
    drawing: str = Field(description="SVG")


router = APIRouter(
    prefix="/api",
    responses={status: {"model": FailureAnswer} for status in (400, 403, 404, 413, 422, 500, 503)},
)


def _queue(request: Request) -> CheckQueue:
    queue: CheckQueue = request.app.state.queue
    return queue


@router.post("/checks", status_code=202)
def add_check(
    request: Request,
    photo: Annotated[UploadFile, File(description="JPEG, PNG, WebP, TIFF or HEIC")],
    plan: Annotated[str, Form(description="JSON with the keys of ring.toml", examples=[EXAMPLE_PLAN])],
    reference: Annotated[
        str, Form(description='"auto", "cards", "sheet", "sheet:A3" or "across-flats:240.6"')
    ] = "auto",
    printed_bar: Annotated[
        str | None, Form(description='what the cards\' 100 mm bars measure, "99.6 99.8"')
    ] = None,
    by_hand: Annotated[str | None, Form(description="JSON, as for PUT /api/checks/{id}")] = None,
) -> Accepted:
    """Take in a photo to be measured against a plan."""
    asked = CheckRequest(
        photo=Path(),
        name=_file_name(photo.filename),
        plan=read_plan(read_json(plan, "The plan")),
        reference=reference,
        printed_bar_mm=read_bar(printed_bar),
        by_hand=read_help(by_hand),
        from_phone=not is_local(request.scope),
    )
    return _take_in(_queue(request), asked, photo)


def _take_in(queue: CheckQueue, asked: CheckRequest, photo: UploadFile) -> Accepted:
    folder = queue.new_folder()
    if shutil.disk_usage(folder).free < ROOM_BYTES:
        raise BusyError("The disk of the computer that measures is full.", "Make room on it, then try again.")
    path = folder / "photo"
    with path.open("wb") as file:
        shutil.copyfileobj(photo.file, file)
    try:
        look_at_photo(path, asked.name)
    except LightgapError:
        shutil.rmtree(folder)
        raise
    check = queue.add(folder, replace(asked, photo=path))
    return Accepted(id=check.id, state=check.state)


@router.get("/checks")
def list_checks(request: Request) -> list[Summary]:
    """List the checks of this sitting, the newest first."""
    return [_summary(check) for check in _queue(request).all()]


@router.get("/checks/{check_id}")
def get_check(request: Request, check_id: str) -> CheckAnswer:
    """Tell how far a check is, and its report when it is done."""
    return _answer(_queue(request).get(check_id))


@router.put("/checks/{check_id}", status_code=202)
def measure_again(request: Request, check_id: str, again: Again) -> Accepted:
    """Measure the same photo again: with other numbers, another reference, or help by hand."""
    queue = _queue(request)
    asked = queue.get(check_id).request
    if again.plan is not None:
        asked = replace(asked, plan=read_plan(again.plan))
    if again.reference is not None:
        asked = replace(asked, reference=again.reference)
    if "printed_bar" in again.model_fields_set:
        asked = replace(asked, printed_bar_mm=again.printed_bar)
    if "by_hand" in again.model_fields_set:
        asked = replace(asked, by_hand=again.by_hand.by_hand() if again.by_hand else None)
    check = queue.again(check_id, asked)
    return Accepted(id=check.id, state=check.state)


@router.get("/checks/{check_id}/report")
def get_report(request: Request, check_id: str) -> FileResponse:
    """Send the report as a file of its own, with an uncertainty budget for every value."""
    return _file(_measured(request, check_id), "report.json", "application/json")


@router.get("/checks/{check_id}/csv")
def get_csv(request: Request, check_id: str) -> FileResponse:
    """Send the joints and segments as a table for a spreadsheet."""
    return _file(_measured(request, check_id), "joints.csv", "text/csv")


@router.get("/checks/{check_id}/picture")
def get_picture(request: Request, check_id: str, units: Units = "mm") -> FileResponse:
    """Send the annotated picture (JPEG)."""
    return _file(_measured(request, check_id), f"picture-{units}.jpg", "image/jpeg")


@router.get("/checks/{check_id}/photo")
def get_photo(request: Request, check_id: str, size: Literal["large", "small"] = "large") -> FileResponse:
    """Send the photo as an upright JPEG, which every browser shows."""
    check = _queue(request).get(check_id)
    return _file(check, "preview.jpg" if size == "large" else "thumbnail.jpg", "image/jpeg", inline=True)


@router.get("/cards.pdf", response_class=Response, responses={200: {"content": {"application/pdf": {}}}})
def get_cards(paper: str = "a4", count: int = 4) -> Response:
    """Send the reference cards, to print at 100 %: two on each page of "a4" or "letter"."""
    drawn = io.BytesIO()
    write_card_pdf(drawn, cast(Paper, paper), count)
    headers = {"Content-Disposition": f'inline; filename="lightgap-cards-{paper}.pdf"'}
    return Response(drawn.getvalue(), media_type="application/pdf", headers=headers)


@router.post("/plan")
def look_at_plan(plan: dict[str, Any]) -> PlanAnswer:
    """Tell whether a ring can have these numbers; draw it, and say what the saw is set to."""
    good = read_plan(plan)
    return PlanAnswer(
        plan=plan_dict(good),
        words=_plan_words(good),
        figures=told_figures(good),
        drawing=ring_svg(good),
    )


def _measured(request: Request, check_id: str) -> Check:
    """Return a check that has a report; a failed one's own error if it has none."""
    check = _queue(request).get(check_id)
    if check.result is None:
        raise check.error or NotThereError(
            "This photo is not measured yet.", "Ask again when its state is done."
        )
    return check


def _file(check: Check, name: str, kind: str, *, inline: bool = False) -> FileResponse:
    path = check.folder / name
    if not path.exists():
        raise NotThereError("This picture is not there yet.", "Ask again in a moment.")
    stem = Path(check.request.name).stem or "ring"
    return FileResponse(
        path,
        media_type=kind,
        filename=f"{stem}-{name}",
        content_disposition_type="inline" if inline else "attachment",
    )


def _summary(check: Check) -> Summary:
    return Summary(
        id=check.id,
        state=check.state,
        name=check.request.name,
        asked_at=check.asked_at,
        plan=_plan_words(check.request.plan),
        headline=_headline(check),
        verdict=check.result["report"]["verdict"] if check.result else None,
        photo=(check.folder / "photo.json").exists(),
        from_phone=check.request.from_phone,
    )


def _headline(check: Check) -> dict[str, str] | None:
    if check.error is not None:
        return dict.fromkeys(UNITS, check.error.message)
    if check.result is None:
        return None
    return {units: shown["headline"] for units, shown in check.result["shown"].items()}


def _plan_words(plan: Plan) -> dict[str, str]:
    return {units: describe_plan(plan, units) for units in UNITS}


def _answer(check: Check) -> CheckAnswer:
    request, result = check.request, check.result or {}
    size = check.folder / "photo.json"
    return CheckAnswer(
        id=check.id,
        state=check.state,
        step=check.step,
        share=check.share,
        name=request.name,
        photo=PhotoSize(**json.loads(size.read_text())) if size.exists() else None,
        plan=plan_dict(request.plan),
        plan_words=_plan_words(request.plan),
        reference=request.reference,
        printed_bar=request.printed_bar_mm,
        by_hand=_help_dict(request.by_hand),
        report=result.get("report"),
        shown=result.get("shown"),
        error=Failure(message=check.error.message, hint=check.error.hint) if check.error else None,
    )


def _file_name(name: str | None) -> str:
    """Keep the client's file name as words only: it is shown, never used as a path."""
    return Path((name or "").replace("\\", "/")).name[:120] or "photo"


def plan_dict(plan: Plan) -> dict[str, Any]:
    """Write a plan with the keys of ring.toml; of the limits those that are not the usual ones."""
    keys = to_mapping(plan)
    usual = to_mapping(replace(plan, tolerance=default_tolerance(plan.joint)))["tolerance"]
    keys["tolerance"] = {key: limit for key, limit in keys["tolerance"].items() if limit != usual[key]}
    return keys


def _help_dict(by_hand: ByHand | None) -> dict[str, Any] | None:
    """Write help by hand in the form in which it was sent."""
    if by_hand is None:
        return None
    return {
        "first_joint_px": by_hand.first_joint_px,
        "outline_px": by_hand.outline_px,
        "faces": {
            number: {key: [face.inner_px, face.outer_px] for key, face in zip("ab", both, strict=True)}
            for number, both in by_hand.faces.items()
        },
        "added_px": by_hand.added_px,
        "struck": sorted(by_hand.struck),
    }
