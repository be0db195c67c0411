"""The sample photographs on the page of `lightgap serve --demo`: one touch checks one."""

from __future__ import annotations

import io
from functools import lru_cache

from fastapi import APIRouter, Request
from fastapi.responses import Response
from PIL import Image, ImageOps
from pydantic import BaseModel

from lightgap.asked import Source
from lightgap.samples import Sample, read_samples
from lightgap_web.api import Accepted
from lightgap_web.failures import NotThereError
from lightgap_web.guard import is_local
from lightgap_web.queue import CheckQueue, CheckRequest

THUMBNAIL_PX = 360

router = APIRouter(prefix="/api/samples")


class SampleCard(BaseModel):
    """One sample in the list."""

    name: str
    title: str
    about: str


@router.get("")
def list_samples() -> list[SampleCard]:
    """List the sample photographs, in the order of the demo."""
    return [SampleCard(name=sample.name, title=sample.title, about=sample.about) for sample in read_samples()]


@router.get("/{name}/photo", response_class=Response, responses={200: {"content": {"image/jpeg": {}}}})
def get_thumbnail(name: str) -> Response:
    """Send a small picture of a sample."""
    return Response(_thumbnail(_sample(name)), media_type="image/jpeg")


@router.post("/{name}/checks", status_code=202)
def check_sample(request: Request, name: str) -> Accepted:
    """Measure a sample photograph against its own plan."""
    sample = _sample(name)
    queue: CheckQueue = request.app.state.queue
    asked = CheckRequest(
        photos=(Source(sample.photo.name, sample.photo),),
        plan=sample.plan,
        reference=sample.reference,
        from_phone=not is_local(request.scope),
    )
    check = queue.add(queue.new_folder(), asked)
    return Accepted(id=check.id, state=check.state)


def _sample(name: str) -> Sample:
    for sample in read_samples():
        if sample.name == name:
            return sample
    raise NotThereError("There is no sample of this name.", "Take one of the list at /api/samples.")


@lru_cache(maxsize=64)
def _thumbnail(sample: Sample) -> bytes:
    # For the eye only: decoded at a fraction of its size, which the measuring never does.
    file = Image.open(sample.photo)
    file.draft("RGB", (2 * THUMBNAIL_PX, 2 * THUMBNAIL_PX))
    image = ImageOps.exif_transpose(file)
    image.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.LANCZOS)
    data = io.BytesIO()
    image.save(data, "JPEG", quality=82)
    return data.getvalue()
