"""The log's interface for programs, and for the page's own scripts: what is kept, changed, deleted, sent."""

from __future__ import annotations

import io
import json
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, File, Form, Query, Request, UploadFile
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask

from lightgap.asked import Source
from lightgap.errors import LogError
from lightgap.judge import Verdict
from lightgap.log.intake import import_build
from lightgap.log.records import Check, CheckLine, Filters, KeptPhoto, Kind, NewPhoto, Result, Ring
from lightgap.log.same_ring import base_photo
from lightgap.log.settings import Settings, read_settings
from lightgap.log.store import Log
from lightgap.log.writing import Outcome
from lightgap.plan import Plan
from lightgap.report import Report
from lightgap.show.figures import Units
from lightgap_web import queue
from lightgap_web.api import Accepted, FailureAnswer, plan_dict, take_in
from lightgap_web.asking import read_plan
from lightgap_web.failures import BusyError, NotThereError
from lightgap_web.guard import is_local
from lightgap_web.log_pictures import Pictures, Size, Taken
from lightgap_web.measuring import PRINT
from lightgap_web.telling import told
from lightgap_web.turning import Turning, say_match

LARGEST_BUILD_BYTES = 4_000_000_000
"""Some hundred photos; a build's file is read from disk, never held in memory."""

Name = Annotated[str, Field(max_length=200)]
VERDICTS = {
    "in": Verdict.IN,
    "out": Verdict.OUT,
    "close": Verdict.CLOSE,
    "unmeasured": Verdict.UNMEASURED,
}
"""The verdicts as an address names them."""

router = APIRouter(
    prefix="/api/log",
    responses={status: {"model": FailureAnswer} for status in (400, 403, 404, 409, 413, 422, 500, 503)},
)


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class NewBuild(_Asked):
    """A build to begin."""

    name: Name
    notes: dict[str, str] = {}


class NewRing(_Asked):
    """A ring on top of the stack; the plan with the keys of ring.toml."""

    plan: dict[str, Any]
    name: Name = ""
    notes: dict[str, str] = {}


class RingChange(_Asked):
    """What to change; what is left out stays as it was."""

    name: Name | None = None
    position: int | None = Field(None, ge=1, description="place in the stack, 1 the lowest")
    plan: dict[str, Any] | None = None


class CheckChange(_Asked):
    """The ring that a check belongs to."""

    ring_id: int


class BuildChange(_Asked):
    """Another name."""

    name: Name


class Keep(_Asked):
    """Where a check of this sitting is to be kept: a build or a new one, a ring or a new one on top."""

    check: str = Field(description="the check's id in this sitting")
    build_id: int | None = None
    new_build: Name | None = None
    ring_id: int | None = None
    ring_name: Name = ""
    build_notes: dict[str, str] = {}
    notes: dict[str, str] = {}


class NoteChange(_Asked):
    """A note's new text; null takes it away."""

    key: Annotated[str, Field(min_length=1, max_length=80)]
    text: Annotated[str, Field(max_length=4000)] | None


class NewResult(_Asked):
    """A check of this sitting that measured the kept photo again."""

    check: str


class Made(BaseModel):
    """Where something lies in the log now."""

    build_id: int
    ring_id: int | None = None
    check_id: int | None = None


class Before(BaseModel):
    """What a note said before it was changed."""

    before: str | None


class Deleted(BaseModel):
    """Whether a record is deleted now."""

    deleted: bool


class Kept(BaseModel):
    """Whether a check of this sitting has been kept as it stands, and where."""

    check_id: int | None = None
    said: str | None = Field(None, description="the build and the ring")


class BuildItem(BaseModel):
    """One build in the list."""

    id: int
    name: str
    wood: str | None
    changed_at: str
    verdict: str | None = Field(description="the worst of its rings' latest")
    rings: int
    checks: int


class CheckItem(BaseModel):
    """One check in a list."""

    id: int
    made_at: str
    build_id: int
    build: str
    ring_id: int
    ring: str
    wood: str | None
    verdict: str | None
    headline: str


class RingItem(BaseModel):
    """One ring of a stack."""

    id: int
    build_id: int
    position: int
    name: str
    title: str
    plan: dict[str, Any]
    notes: dict[str, str]
    latest: CheckItem | None


class BuildAnswer(BaseModel):
    """One build with its rings, the lowest first."""

    id: int
    uid: str
    name: str
    made_at: str
    changed_at: str
    notes: dict[str, str]
    rings: list[RingItem]


class ResultItem(BaseModel):
    """What one version of the program made of a check."""

    id: int
    made_at: str
    program: str
    report: dict[str, Any] | None = Field(description='"format": "lightgap-check/1"')
    error: dict[str, Any] | None


class CheckAnswer(BaseModel):
    """One kept check with all of its results, the first measuring first."""

    id: int
    ring_id: int
    made_at: str
    plan: dict[str, Any]
    reference: str
    settings: dict[str, Any]
    notes: dict[str, str]
    photos: list[str] = Field(description="the photos' own file names")
    results: list[ResultItem]


class MatchAnswer(BaseModel):
    """How a ring lies in a later photo, told by its wood."""

    sureness: Literal["sure", "likely", "not recognised"]
    turn: int = Field(description="the earlier joint k is now joint k + turn; face down, turn - k")
    face_down: bool
    told_by: Literal["grain", "tone"]
    agreeing: int = Field(description="segments that say the same, each asked alone")
    segments: int
    said: str


class SaidTurn(_Asked):
    """How a ring lies in a later check as against an earlier one, as the person says."""

    turn: Annotated[int, Field(ge=-1000, le=1000)] = Field(
        description="the earlier joint k is now joint k + turn; face down, turn - k"
    )
    face_down: bool = False


class BuildList(BaseModel):
    """A part of the list; `after` asks for the next."""

    items: list[BuildItem]
    after: str | None


class CheckList(BaseModel):
    """A part of the list; `after` asks for the next."""

    items: list[CheckItem]
    after: str | None


@contextmanager
def opened(request: Request) -> Iterator[Log]:
    """Open the log for one request: a connection belongs to one thread."""
    with Log(request.app.state.log_folder) as log:
        yield log


# ---- reading ----


@router.get("/builds")
def list_builds(request: Request, after: str | None = None) -> BuildList:
    """List the builds, the last changed first."""
    with opened(request) as log:
        page = log.builds(after)
    items = [
        BuildItem(
            id=line.id,
            name=line.name,
            wood=line.wood,
            changed_at=line.changed_at,
            verdict=line.verdict,
            rings=line.rings,
            checks=line.checks,
        )
        for line in page.items
    ]
    return BuildList(items=items, after=page.after)


def read_filters(
    wood: str = "",
    verdict: str = "",
    first_day: Annotated[str, Query(alias="from")] = "",
    last_day: Annotated[str, Query(alias="to")] = "",
    text: str = "",
) -> Filters:
    """Read the filters of an address; what is empty does not matter."""
    if verdict and verdict not in VERDICTS:
        raise LogError(f"'{verdict}' is no verdict.", "Choose in, out, close or unmeasured.")
    return Filters(
        wood=wood.strip() or None,
        verdict=VERDICTS.get(verdict),
        first_day=_day(first_day),
        last_day=_day(last_day),
        text=text.strip() or None,
    )


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise LogError(f"'{text}' is no date.", "Write it as 2026-03-01.") from error


@router.get("/checks")
def list_checks(
    request: Request,
    wood: str = "",
    verdict: str = "",
    first_day: Annotated[str, Query(alias="from")] = "",
    last_day: Annotated[str, Query(alias="to")] = "",
    text: str = "",
    after: str | None = None,
) -> CheckList:
    """List the checks that pass the filters, the last made first."""
    filters = read_filters(wood, verdict, first_day, last_day, text)
    with opened(request) as log:
        page = log.checks(filters, after)
    return CheckList(items=[_line(line) for line in page.items], after=page.after)


@router.get("/builds/{build_id}")
def get_build(request: Request, build_id: int) -> BuildAnswer:
    """Tell all about a build but its earlier checks."""
    with opened(request) as log:
        build = log.build(build_id)
    return BuildAnswer(
        id=build.id,
        uid=build.uid,
        name=build.name,
        made_at=build.made_at,
        changed_at=build.changed_at,
        notes=dict(build.notes),
        rings=[_ring(ring) for ring in build.rings],
    )


@router.get("/rings/{ring_id}")
def get_ring(request: Request, ring_id: int) -> RingItem:
    """Tell a ring's plan, notes and last check."""
    with opened(request) as log:
        return _ring(log.ring(ring_id))


@router.get("/checks/{check_id}")
def get_check(request: Request, check_id: int) -> CheckAnswer:
    """Tell all that is kept of a check."""
    with opened(request) as log:
        check = log.check(check_id)
    return CheckAnswer(
        id=check.id,
        ring_id=check.ring_id,
        made_at=check.made_at,
        plan=plan_dict(check.plan),
        reference=check.reference,
        settings=dict(check.settings),
        notes=dict(check.notes),
        photos=[photo.name for photo in check.photos],
        results=[_result(result) for result in check.results],
    )


def _line(line: CheckLine) -> CheckItem:
    return CheckItem(
        id=line.id,
        made_at=line.made_at,
        build_id=line.build_id,
        build=line.build_name,
        ring_id=line.ring_id,
        ring=line.ring_title,
        wood=line.wood,
        verdict=line.summary.verdict,
        headline=line.summary.headline,
    )


def _ring(ring: Ring) -> RingItem:
    return RingItem(
        id=ring.id,
        build_id=ring.build_id,
        position=ring.position,
        name=ring.name,
        title=ring.title,
        plan=plan_dict(ring.plan),
        notes=dict(ring.notes),
        latest=_line(ring.latest) if ring.latest else None,
    )


def _result(result: Result) -> ResultItem:
    return ResultItem(
        id=result.id,
        made_at=result.made_at,
        program=result.program,
        report=None if result.report is None else dict(result.report),
        error=None if result.error is None else dict(result.error),
    )


# ---- keeping ----


@router.post("/builds", status_code=201)
def add_build(request: Request, asked: NewBuild) -> Made:
    """Begin a build."""
    with opened(request) as log:
        return Made(build_id=log.add_build(_named(asked.name), _filled(asked.notes)).id)


@router.post("/builds/{build_id}/rings", status_code=201)
def add_ring(request: Request, build_id: int, asked: NewRing) -> Made:
    """Put a ring on top of a build's stack."""
    plan = read_plan(asked.plan)
    with opened(request) as log:
        ring = log.add_ring(build_id, plan, asked.name.strip(), _filled(asked.notes))
    return Made(build_id=build_id, ring_id=ring.id)


@router.post("/checks", status_code=201)
def keep(request: Request, asked: Keep) -> Made:
    """Keep a finished check of this sitting: photo, plan, what was asked, report, notes."""
    check = _finished(request, asked.check)
    with opened(request) as log:
        ring = _ring_for(log, asked, check)
        kept = log.add_check(
            ring.id,
            [NewPhoto(source.name, _bytes(source)) for source in check.request.photos],
            _outcome(check),
            plan=check.request.plan,
            reference=check.request.reference,
            settings=_settings(check.request).to_dict(),
            notes=_filled(asked.notes),
            made_at=check.asked_at,
            ring_print=_print(check),
        )
    request.app.state.kept[check.id] = (kept.id, check.result)
    return Made(build_id=ring.build_id, ring_id=ring.id, check_id=kept.id)


@router.get("/kept/{check_id}")
def get_kept(request: Request, check_id: str) -> Kept:
    """Tell whether a check of this sitting has been kept as it stands now."""
    check = request.app.state.queue.get(check_id)
    kept_id, result = request.app.state.kept.get(check_id, (None, None))
    if kept_id is None or result is not check.result:
        return Kept(check_id=None, said=None)
    with opened(request) as log:
        ring = log.ring(log.check(kept_id).ring_id)
        return Kept(check_id=kept_id, said=f"{log.build(ring.build_id).name}, {ring.title}")


def _finished(request: Request, check_id: str) -> queue.Check:
    check: queue.Check = request.app.state.queue.get(check_id)
    if check.state not in ("done", "failed"):
        raise BusyError("This photo is not measured yet.", "Wait until it is done, then try again.")
    return check


def _outcome(check: queue.Check) -> Outcome:
    if check.error is not None:
        return check.error
    # With its budgets, which the answer of the sitting leaves out.
    report: dict[str, Any] = json.loads((check.folder / "report.json").read_text())
    return report


def _print(check: queue.Check) -> bytes | None:
    return None if check.error is not None else (check.folder / PRINT).read_bytes()


def _bytes(source: Source) -> bytes:
    return source.data if isinstance(source.data, bytes) else source.data.read_bytes()


def _settings(asked: queue.CheckRequest) -> Settings:
    return Settings(
        asked.printed_bar_mm,
        tuple(source.by_hand for source in asked.photos),
        frozenset(place for place, source in enumerate(asked.photos) if source.left_out),
    )


def _ring_for(log: Log, asked: Keep, check: queue.Check) -> Ring:
    """Find the ring, or make it and its build; nothing is made for a ring that does not fit."""
    plan = check.request.plan
    if asked.ring_id is not None:
        ring = log.ring(asked.ring_id)
        _refuse_other_count(ring, plan)
        return ring
    build_id = asked.build_id
    if build_id is None:
        build_id = log.add_build(_named(asked.new_build or ""), _filled(asked.build_notes)).id
    return log.add_ring(build_id, plan, asked.ring_name.strip())


def _refuse_other_count(ring: Ring, plan: Plan) -> None:
    if ring.plan.segments != plan.segments:
        raise LogError(
            f"{ring.title.capitalize()} has {ring.plan.segments} segments, this check {plan.segments}.",
            "Choose the ring that the photo shows, or keep it as a new ring.",
        )


def _named(name: str) -> str:
    if not name.strip():
        raise LogError("A build needs a name.", "Name it for what it will be: oak bowl, lamp foot.")
    return name.strip()


def _filled(notes: dict[str, str]) -> dict[str, str]:
    return {key.strip(): text.strip() for key, text in notes.items() if key.strip() and text.strip()}


@router.post("/checks/{check_id}/again", status_code=202)
def measure_again(request: Request, check_id: int) -> Accepted:
    """Measure kept photos again with this version, against its ring's plan as it is now.

    When that check of this sitting is done, post its id to ``/results``: both results are kept.
    """
    checks: queue.CheckQueue = request.app.state.queue
    with opened(request) as log:
        kept = log.check(check_id)
        settings = read_settings(kept.settings)
        asked = queue.CheckRequest(
            photos=(),
            plan=log.ring(kept.ring_id).plan,
            reference=kept.reference,
            printed_bar_mm=settings.printed_bar_mm,
            from_phone=not is_local(request.scope),
        )
        files = [(photo.name, io.BytesIO(log.photos.read(photo.stored))) for photo in kept.photos]
    return take_in(checks, asked, files, settings.by_hand, settings.left_out)


@router.post("/checks/{check_id}/results", status_code=201)
def keep_result(request: Request, check_id: int, asked: NewResult) -> Made:
    """Keep what measuring again has brought; the results before it stay."""
    check = _finished(request, asked.check)
    with opened(request) as log:
        kept = log.add_result(check_id, _outcome(check), _print(check))
        ring = log.ring(kept.ring_id)
    request.app.state.kept[check.id] = (check_id, check.result)
    return Made(build_id=ring.build_id, ring_id=ring.id, check_id=check_id)


# ---- changing, deleting, undoing ----


@router.put("/builds/{build_id}")
def change_build(request: Request, build_id: int, asked: BuildChange) -> Made:
    """Give a build another name."""
    with opened(request) as log:
        log.rename("build", build_id, _named(asked.name))
    return Made(build_id=build_id)


@router.put("/rings/{ring_id}")
def change_ring(request: Request, ring_id: int, asked: RingChange) -> Made:
    """Rename a ring, move it in its stack, or say anew what it should be."""
    plan = None if asked.plan is None else read_plan(asked.plan)
    with opened(request) as log:
        if plan is not None:
            log.set_plan(ring_id, plan)
        if asked.name is not None:
            log.rename("ring", ring_id, asked.name.strip())
        if asked.position is not None:
            log.move_ring(ring_id, asked.position)
        return Made(build_id=log.ring(ring_id).build_id, ring_id=ring_id)


@router.put("/checks/{check_id}")
def move_check(request: Request, check_id: int, asked: CheckChange) -> Made:
    """Put a check that was filed under the wrong ring where it belongs."""
    with opened(request) as log:
        check, ring = log.check(check_id), log.ring(asked.ring_id)
        _refuse_other_count(ring, check.plan)
        log.move_check(check_id, ring.id)
    return Made(build_id=ring.build_id, ring_id=ring.id, check_id=check_id)


Kinds = Literal["builds", "rings", "checks"]
_KIND: dict[Kinds, Kind] = {"builds": "build", "rings": "ring", "checks": "check"}


@router.put("/{kinds}/{record_id}/note")
def change_note(request: Request, kinds: Kinds, record_id: int, asked: NoteChange) -> Before:
    """Write, change or take away a note."""
    text = (asked.text or "").strip() or None
    with opened(request) as log:
        return Before(before=log.note(_KIND[kinds], record_id, asked.key, text))


@router.delete("/{kinds}/{record_id}")
def delete(request: Request, kinds: Kinds, record_id: int) -> Deleted:
    """Put a build, a ring or a check away; ``restore`` brings it back."""
    with opened(request) as log:
        log.delete(_KIND[kinds], record_id)
    return Deleted(deleted=True)


@router.post("/{kinds}/{record_id}/restore")
def restore(request: Request, kinds: Kinds, record_id: int) -> Deleted:
    """Bring back what was deleted."""
    with opened(request) as log:
        log.restore(_KIND[kinds], record_id)
    return Deleted(deleted=False)


# ---- pictures ----


@router.get("/checks/{check_id}/photo")
def get_photo(
    request: Request, check_id: int, size: Size = "large", place: Annotated[int, Query(ge=0)] = 0
) -> FileResponse:
    """Send a kept photo as an upright JPEG, which every browser shows."""
    with opened(request) as log:
        photo = _photo(log, check_id, place)
        return FileResponse(_pictures(request).photo(log, photo, size), media_type="image/jpeg")


def _photo(log: Log, check_id: int, place: int) -> KeptPhoto:
    photos = log.check(check_id).photos
    if place >= len(photos):
        raise NotThereError("This check has no such photo.", "Its photos are counted from 0.")
    return photos[place]


@router.get("/photos/{sha256}")
def get_small_photo(request: Request, sha256: str) -> FileResponse:
    """Send a kept photo small, for a list."""
    with opened(request) as log:
        kept = KeptPhoto("photo", log.photo(sha256))
        return FileResponse(_pictures(request).photo(log, kept, "small"), media_type="image/jpeg")


@router.get("/checks/{check_id}/original")
def get_original(request: Request, check_id: int, place: Annotated[int, Query(ge=0)] = 0) -> FileResponse:
    """Send a kept photo as it came, untouched."""
    with opened(request) as log:
        photo = _photo(log, check_id, place)
        path = log.photos.path(photo.stored)
    if not path.exists():
        raise NotThereError("This photo is missing from the log.", "Put it back from a copy of the log.")
    return FileResponse(path, media_type=photo.stored.media_type, filename=photo.name)


@router.get("/checks/{check_id}/picture")
def get_picture(
    request: Request, check_id: int, result: int | None = None, units: Units = "mm"
) -> FileResponse:
    """Send the annotated picture (JPEG), by the latest result or by the one that is named."""
    with opened(request) as log:
        path = _pictures(request).annotated(log, _taken(log, check_id, result), units)
    return FileResponse(path, media_type="image/jpeg")


@router.get("/checks/{check_id}/above")
def get_above(request: Request, check_id: int, turn: int = 0, face_down: bool = False) -> FileResponse:
    """Send the ring as seen from straight above, by the numbers of an earlier one."""
    with opened(request) as log:
        taken = _taken(log, check_id)
        turning = Turning(turn % taken.report.plan.segments, face_down)
        path = _pictures(request).above(log, taken, turning)
    return FileResponse(path, media_type="image/jpeg")


@router.get("/checks/{check_id}/same-as/{earlier_id}")
def get_match(request: Request, check_id: int, earlier_id: int) -> MatchAnswer:
    """Tell by the wood how the ring of an earlier check lies in this one, and how sure that is."""
    with opened(request) as log:
        found = _pictures(request).match(log, log.check(earlier_id), log.check(check_id))
    return MatchAnswer(
        sureness=found.sureness,
        turn=found.turn,
        face_down=found.face_down,
        told_by=found.told_by,
        agreeing=found.agreeing,
        segments=found.segments,
        said=say_match(found),
    )


@router.put("/checks/{check_id}/same-as/{earlier_id}")
def say_turn(request: Request, check_id: int, earlier_id: int, asked: SaidTurn) -> SaidTurn:
    """Keep what the person says of how the ring of an earlier check lies in this one."""
    with opened(request) as log:
        earlier, later = (result_of(log.check(one), None) for one in (earlier_id, check_id))
        log.say_turn(earlier, later, asked.turn, asked.face_down)
    return asked


@router.delete("/checks/{check_id}/same-as/{earlier_id}")
def forget_turn(request: Request, check_id: int, earlier_id: int) -> Deleted:
    """Take back what the person said of two checks."""
    with opened(request) as log:
        log.forget_turn(earlier_id, check_id)
    return Deleted(deleted=True)


def _taken(log: Log, check_id: int, result_id: int | None = None) -> Taken:
    check = log.check(check_id)
    result = result_of(check, result_id)
    report = report_of(result)
    return Taken(base_photo(check, report), report, result.id)


@router.get("/checks/{check_id}/told")
def get_told(request: Request, check_id: int, result: int | None = None) -> dict[str, Any]:
    """Tell a kept result in words and figures, as for a check of this sitting."""
    with opened(request) as log:
        chosen = result_of(log.check(check_id), result)
    return {"report": chosen.report, "shown": told(report_of(chosen))}


def result_of(check: Check, result_id: int | None) -> Result:
    """Return one result of a check, the latest unless another is named.

    Raises
    ------
    NotThereError
    """
    wanted = [result for result in check.results if result_id in (None, result.id)]
    if not wanted:
        raise NotThereError("This check has no such result.", "Open the check to see those that it has.")
    return wanted[-1]


def report_of(result: Result) -> Report:
    """Return a result's report.

    Raises
    ------
    NotThereError
        If the photo could not be measured then.
    """
    from lightgap.log.stored import read_report

    if result.report is None:
        raise NotThereError(
            (result.error or {}).get("message", "This photo was not measured."),
            "Measure it again, or take the photo anew.",
        )
    return read_report(result.report)


def _pictures(request: Request) -> Pictures:
    pictures: Pictures = request.app.state.log_pictures
    return pictures


# ---- in, out, and on paper ----


@router.get("/builds/{build_id}/export")
def export(request: Request, build_id: int) -> FileResponse:
    """Send a build with its photos as one zip; its README says what is in it."""
    from lightgap.log.exchange import export_build

    path = _fresh_file(request, ".zip")
    with opened(request) as log:
        name = log.build(build_id).name
        export_build(log, build_id, path)
    return _once(path, f"{_file_name(name)}.zip", "application/zip")


@router.post("/import", status_code=201, max_body_size=LARGEST_BUILD_BYTES)
def take_in_build(
    request: Request,
    build: Annotated[UploadFile, File(description="a zip that was exported")],
    as_copy: Annotated[bool, Form(description="even if the log holds it already")] = False,
) -> Made:
    """Take in a build that was exported."""
    path = _fresh_file(request, ".zip")
    try:
        with path.open("wb") as file:
            shutil.copyfileobj(build.file, file)
        with opened(request) as log:
            return Made(build_id=import_build(log, path, as_copy=as_copy).id)
    finally:
        path.unlink(missing_ok=True)


PaperSize = Literal["a4", "letter"]


@router.get("/builds/{build_id}/paper")
def print_build(
    request: Request, build_id: int, paper: PaperSize = "a4", units: Units = "mm"
) -> FileResponse:
    """Send a build as a PDF, each ring with its last check and its photo."""
    from lightgap.log.paper import build_sheet
    from lightgap.show.report_pdf import write_build_pdf

    path = _fresh_file(request, ".pdf")
    with opened(request) as log:
        sheet = build_sheet(log, build_id, units)
        write_build_pdf(path, sheet, paper, units)
    return _once(path, f"{_file_name(sheet.name)}.pdf", "application/pdf", inline=True)


@router.get("/checks/{check_id}/paper")
def print_check(
    request: Request, check_id: int, paper: PaperSize = "a4", units: Units = "mm"
) -> FileResponse:
    """Send a check as a PDF, with its annotated photo."""
    from lightgap.log.paper import check_sheet
    from lightgap.show.report_pdf import write_check_pdf

    path = _fresh_file(request, ".pdf")
    with opened(request) as log:
        sheet = check_sheet(log, check_id)
        write_check_pdf(path, sheet, paper, units)
    return _once(path, f"{_file_name(sheet.title)}.pdf", "application/pdf", inline=True)


def _fresh_file(request: Request, suffix: str) -> Path:
    """Name a file of this sitting's folder that goes with the answer."""
    folder: Path = request.app.state.queue.folder
    return folder / f"{secrets.token_hex(8)}{suffix}"


def _once(path: Path, name: str, kind: str, *, inline: bool = False) -> FileResponse:
    return FileResponse(
        path,
        media_type=kind,
        filename=name,
        content_disposition_type="inline" if inline else "attachment",
        background=BackgroundTask(path.unlink, missing_ok=True),
    )


def _file_name(name: str) -> str:
    kept = "".join(letter if letter.isalnum() or letter in " -_" else " " for letter in name)
    return " ".join(kept.split())[:80] or "lightgap"
