"""Photos of the log measured: a new one on its way in, and a kept one again by a newer program."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from lightgap.asked import Asked, Source
from lightgap.errors import LightgapError
from lightgap.log.records import Check, NewPhoto, Notes
from lightgap.log.settings import Settings, read_settings
from lightgap.log.store import Log
from lightgap.log.writing import Outcome
from lightgap.plan import Plan

Progress = Callable[[float, str], None]


def _silent(_share: float, _step: str) -> None:
    pass


def add_photos(
    log: Log,
    ring_id: int,
    photos: Sequence[NewPhoto],
    reference: str = "auto",
    settings: Settings = Settings(),  # noqa: B008 - frozen
    *,
    notes: Notes | None = None,
    made_at: datetime | None = None,
    progress: Progress = _silent,
) -> Check:
    """Measure a photo, or several of one ring together, against the ring's plan; keep them as one check.

    Photos that cannot be measured are kept too, with the reason.

    Raises
    ------
    PhotoError
        If one of them is no photo at all; none is kept.
    """
    from lightgap.photo import look_at_photo

    for photo in photos:
        look_at_photo(photo.data, photo.name)
    plan = log.ring(ring_id).plan
    outcome, ring_print = _measure(photos, plan, reference, settings, progress)
    return log.add_check(
        ring_id,
        photos,
        outcome,
        plan=plan,
        reference=reference,
        settings=settings.to_dict(),
        notes=notes,
        made_at=made_at,
        ring_print=ring_print,
    )


def measure_again(log: Log, check_id: int, progress: Progress = _silent) -> Check:
    """Measure a check's photos again, against its ring's plan as it is now; both results are kept.

    Raises
    ------
    LogError
        If a photo is missing.
    """
    check = log.check(check_id)
    photos = [NewPhoto(kept.name, log.photos.read(kept.stored)) for kept in check.photos]
    plan = log.ring(check.ring_id).plan
    settings = read_settings(check.settings)
    outcome, ring_print = _measure(photos, plan, check.reference, settings, progress)
    return log.add_result(check_id, outcome, ring_print)


def _measure(
    photos: Sequence[NewPhoto], plan: Plan, reference: str, settings: Settings, progress: Progress
) -> tuple[Outcome, bytes | None]:
    from lightgap.shots import take_all

    sources = [
        Source(photo.name, photo.data, settings.help_for(place), place in settings.left_out)
        for place, photo in enumerate(photos)
    ]
    try:
        shot = take_all(sources, Asked(plan, reference, settings.printed_bar_mm), progress)
    except LightgapError as error:
        return error, None
    return shot.report.to_dict(budgets=True), shot.ring_print.to_bytes()
