"""The page's interface for programs, and for the page's own scripts."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal, cast

from fastapi import APIRouter, File, Form, Query, Request, UploadFile
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel, Field

from lightgap.asked import Source
from lightgap.errors import LightgapError, PhotoError
from lightgap.hand import ByHand
from lightgap.photo import look_at_photo
from lightgap.plan import Plan, default_tolerance, to_mapping
from lightgap.show.card_pdf import Paper, write_card_pdf
from lightgap.show.figures import Units
from lightgap.show.words import describe_plan
from lightgap_web.asking import Again, read_bar, read_help, read_json, read_plan
from lightgap_web.drawing import ring_svg
from lightgap_web.failures import TOO_LARGE, BadRequestError, BusyError, NotThereError
from lightgap_web.guard import is_local
from lightgap_web.pages import LARGEST_PHOTO_BYTES
from lightgap_web.queue import Check, CheckQueue, CheckRequest, State
from lightgap_web.telling import UNITS, told_figures

ROOM_BYTES = 500_000_000
"""Free space below which no further photo is taken in."""

MOST_TOGETHER = 10
"""Photos of one ring in one check."""
LARGEST_CHECK_BYTES = 4 * LARGEST_PHOTO_BYTES
"""Of all photos of one check together: ten as most cameras write them."""

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
    photos: int = Field(description="how many there are")
    from_phone: bool


class PhotoSize(BaseModel):
    """The upright photo, in the pixels that the report's points are in."""

    width_px: int
    height_px: int


class PhotoItem(BaseModel):
    """One photo of a check."""

    name: str
    seen: bool = Field(description="whether it can be shown already")
    left_out: bool = Field(description="the person has left it out")
    part: str | None = Field(
        None, description='of several: "base", "joined", "left out" or "not measured"; null before the report'
    )
    why: str | None = Field(None, description="where it contradicts the others, or why it was not joined")


class CheckAnswer(BaseModel):
    """One check as it stands now."""

    id: str
    state: State
    step: str = Field(description="what is being done now, in words")
    share: float = Field(description="how much of the work is done, 0 to 1")
    name: str = Field(description="the photo's file name")
    photos: list[PhotoItem]
    base: int = Field(description="place of the photo that is shown and drawn on")
    photo: PhotoSize | None = Field(None, description="of the base; known once it is read")
    plan: dict[str, Any]
    plan_words: dict[str, str]
    reference: str
    printed_bar: tuple[float, float] | None = None
    by_hand: dict[str, Any] | None = None
    report: dict[str, Any] | None = Field(None, description='"format": "lightgap-check/1"')
    shown: dict[str, Any] | None = Field(None, description="the report in words, for mm and for inch")
    error: Failure | None = None
    needs_another_photo: bool = Field(False, description="whether no other numbers can help")


class Together(BaseModel):
    """Checks of this sitting whose photos show one ring."""

    checks: list[str]


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


@router.post("/checks", status_code=202, max_body_size=LARGEST_CHECK_BYTES)
def add_check(
    request: Request,
    photo: Annotated[
        list[UploadFile],
        File(description="JPEG, PNG, WebP, TIFF or HEIC; several of one ring give one answer"),
    ],
    plan: Annotated[str, Form(description="JSON with the keys of ring.toml", examples=[EXAMPLE_PLAN])],
    reference: Annotated[
        str, Form(description='"auto", "cards", "sheet", "sheet:A3" or "across-flats:240.6"')
    ] = "auto",
    printed_bar: Annotated[
        str | None, Form(description='what the cards\' 100 mm bars measure, "99.6 99.8"')
    ] = None,
    by_hand: Annotated[
        str | None, Form(description="JSON, as for PUT /api/checks/{id}; on the first photo")
    ] = None,
) -> Accepted:
    """Take in a photo, or several of one ring, to be measured against a plan."""
    _refuse_too_many(len(photo))
    asked = CheckRequest(
        photos=(),
        plan=read_plan(read_json(plan, "The plan")),
        reference=reference,
        printed_bar_mm=read_bar(printed_bar),
        from_phone=not is_local(request.scope),
    )
    files = [(_file_name(one.filename), one.file) for one in photo]
    return take_in(_queue(request), asked, files, (read_help(by_hand),))


def take_in(
    queue: CheckQueue,
    asked: CheckRequest,
    files: Sequence[tuple[str, BinaryIO]],
    helps: Sequence[ByHand | None] = (),
    left_out: Collection[int] = (),
) -> Accepted:
    """Copy photos into the folder of a new check, and put it at the end of the line.

    Raises
    ------
    LightgapError
        If one of them is no photo, or there is no room; nothing is kept then.
    """
    folder = queue.new_folder()
    try:
        photos = []
        for place, (name, data) in enumerate(files):
            if shutil.disk_usage(folder).free < ROOM_BYTES:
                raise BusyError(
                    "The disk of the computer that measures is full.", "Make room on it, then try again."
                )
            path = folder / f"photo-{place}"
            with path.open("wb") as file:
                shutil.copyfileobj(data, file)
            if path.stat().st_size > LARGEST_PHOTO_BYTES:
                raise TOO_LARGE
            look_at_photo(path, name)
            hand = helps[place] if place < len(helps) else None
            photos.append(Source(name, path, hand, place in left_out))
    except LightgapError:
        shutil.rmtree(folder)
        raise
    check = queue.add(folder, replace(asked, photos=tuple(photos)))
    return Accepted(id=check.id, state=check.state)


def _refuse_too_many(count: int) -> None:
    if count > MOST_TOGETHER:
        raise BadRequestError(
            f"{count} photos of one ring are more than can be taken together.",
            f"Send up to {MOST_TOGETHER}: three from different positions tell nearly all.",
        )


@router.post("/together", status_code=202)
def take_together(request: Request, asked: Together) -> Accepted:
    """Measure the photos of several checks together, as photos of one ring; the checks stay."""
    queue = _queue(request)
    checks = [queue.get(check_id) for check_id in dict.fromkeys(asked.checks)]
    photos = [source for check in checks for source in check.request.photos]
    _refuse_too_many(len(photos))
    if len(photos) < 2:
        raise BadRequestError("One photo alone has nothing to go with.", "Choose two photos of one ring.")
    first = checks[0].request
    if any(check.request.plan != first.plan for check in checks):
        raise BadRequestError(
            "These photos were measured against different plans.",
            "Choose photos of one ring; or change the numbers of those that have the wrong ones first.",
        )
    whole = replace(first, from_phone=any(check.request.from_phone for check in checks))
    return _copy(queue, whole, photos)


@router.post("/checks/{check_id}/apart", status_code=202)
def take_apart(request: Request, check_id: str) -> list[Accepted]:
    """Measure each photo of a check on its own; the check stays."""
    queue = _queue(request)
    asked = queue.get(check_id).request
    return [_copy(queue, asked, [replace(source, left_out=False)]) for source in asked.photos]


def _copy(queue: CheckQueue, asked: CheckRequest, photos: Sequence[Source]) -> Accepted:
    with contextlib.ExitStack() as open_files:
        files = [
            (source.name, open_files.enter_context(Path(str(source.data)).open("rb"))) for source in photos
        ]
        helps = [source.by_hand for source in photos]
        left_out = [place for place, source in enumerate(photos) if source.left_out]
        return take_in(queue, asked, files, helps, left_out)


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
    check = queue.get(check_id)
    asked = check.request
    if again.plan is not None:
        asked = replace(asked, plan=read_plan(again.plan))
    if again.reference is not None:
        asked = replace(asked, reference=again.reference)
    if "printed_bar" in again.model_fields_set:
        asked = replace(asked, printed_bar_mm=again.printed_bar)
    photos = list(asked.photos)
    if "by_hand" in again.model_fields_set:
        hand = again.by_hand.by_hand() if again.by_hand else None
        photos[check.base] = replace(photos[check.base], by_hand=hand)
    if again.left_out is not None:
        if set(range(len(photos))) <= again.left_out:
            raise BadRequestError("No photo would be left.", "Leave one in at least.")
        photos = [replace(source, left_out=place in again.left_out) for place, source in enumerate(photos)]
    asked = replace(asked, photos=tuple(photos))
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
def get_photo(
    request: Request,
    check_id: str,
    size: Literal["large", "small"] = "large",
    place: Annotated[int | None, Query(ge=0, description="of several; the base unless given")] = None,
) -> FileResponse:
    """Send a photo as an upright JPEG, which every browser shows."""
    check = _queue(request).get(check_id)
    name = "preview" if size == "large" else "thumbnail"
    place = check.base if place is None else place
    return _file(check, f"{name}-{place}.jpg", "image/jpeg", inline=True)


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
    stem = Path(check.request.photos[check.base].name).stem or "ring"
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
        photo=check.is_seen(check.base),
        photos=len(check.request.photos),
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
    base = check.base
    size = check.folder / f"photo-{base}.json"
    return CheckAnswer(
        id=check.id,
        state=check.state,
        step=check.step,
        share=check.share,
        name=request.name,
        photos=_photos(check),
        base=base,
        photo=PhotoSize(**json.loads(size.read_text())) if size.exists() else None,
        plan=plan_dict(request.plan),
        plan_words=_plan_words(request.plan),
        reference=request.reference,
        printed_bar=request.printed_bar_mm,
        by_hand=_help_dict(request.photos[base].by_hand),
        report=result.get("report"),
        shown=result.get("shown"),
        error=Failure(message=check.error.message, hint=check.error.hint) if check.error else None,
        needs_another_photo=isinstance(check.error, PhotoError),
    )


def _photos(check: Check) -> list[PhotoItem]:
    told = check.result["report"]["photos"] if check.result else []
    parts = told or [{}] * len(check.request.photos)
    return [
        PhotoItem(
            name=part.get("name", source.name),
            seen=check.is_seen(place),
            left_out=source.left_out,
            part=part.get("part"),
            why=part.get("why"),
        )
        for place, (source, part) in enumerate(zip(check.request.photos, parts, strict=True))
    ]


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
