"""Photos of the log measured: a new one on its way in, and a kept one again by a newer program."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from lightgap.errors import LightgapError, LogError
from lightgap.log.records import Check, NewPhoto, Notes
from lightgap.log.settings import Settings, read_settings
from lightgap.log.store import Log
from lightgap.log.writing import Outcome
from lightgap.plan import Plan

Progress = Callable[[float, str], None]


def _silent(_share: float, _step: str) -> None:
    pass


def add_photo(
    log: Log,
    ring_id: int,
    photo: NewPhoto,
    reference: str = "auto",
    settings: Settings = Settings(),  # noqa: B008 - frozen
    *,
    notes: Notes | None = None,
    made_at: datetime | None = None,
    progress: Progress = _silent,
) -> Check:
    """Measure a photo against its ring's plan and keep it with what came of it.

    A photo that cannot be measured is kept too, with the reason.

    Raises
    ------
    PhotoError
        If it is no photo at all; it is not kept.
    """
    plan = log.ring(ring_id).plan
    outcome = _measure(photo, plan, reference, settings, progress)
    return log.add_check(
        ring_id,
        [photo],
        outcome,
        plan=plan,
        reference=reference,
        settings=settings.to_dict(),
        notes=notes,
        made_at=made_at,
    )


def measure_again(log: Log, check_id: int, progress: Progress = _silent) -> Check:
    """Measure a check's photo again, against its ring's plan as it is now; both results are kept.

    Raises
    ------
    LogError
        If the check has several photos, or its photo is missing.
    """
    check = log.check(check_id)
    if len(check.photos) != 1:
        raise LogError(
            f"Check {check_id} has {len(check.photos)} photos taken together.",
            "Add each of them as a check of its own to measure it again.",
        )
    kept = check.photos[0]
    photo = NewPhoto(kept.name, log.photos.read(kept.stored))
    plan = log.ring(check.ring_id).plan
    outcome = _measure(photo, plan, check.reference, read_settings(check.settings), progress)
    return log.add_result(check_id, outcome)


def _measure(photo: NewPhoto, plan: Plan, reference: str, settings: Settings, progress: Progress) -> Outcome:
    from lightgap.check import check
    from lightgap.photo import read_photo

    pixels = read_photo(photo.data, photo.name)
    try:
        report = check(
            pixels,
            plan,
            reference,
            printed_bar_mm=settings.printed_bar_mm,
            by_hand=settings.by_hand,
            progress=progress,
        )
    except LightgapError as error:
        return error
    return report.to_dict(budgets=True)
