"""Photos of one ring taken through the engine, one after another, each with the ring's print."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from lightgap.again.ring_print import fingerprint
from lightgap.asked import Asked, Source
from lightgap.errors import LightgapError
from lightgap.hand import ByHand
from lightgap.photo import Photo, read_photo
from lightgap.profiles import with_profile
from lightgap.report import Report
from lightgap.together import Missed, Shot, combine

Progress = Callable[[float, str], None]
Engine = Callable[..., Report]
"""`lightgap.check.check`, or what stands in for it."""


def _silent(_share: float, _step: str) -> None:
    pass


def take(
    photo: Photo,
    asked: Asked,
    by_hand: ByHand | None = None,
    progress: Progress = _silent,
    engine: Engine | None = None,
) -> Shot:
    """Measure one photo and take the ring's print from it.

    Raises
    ------
    LightgapError
        If the photo cannot be measured against this plan.
    """
    if engine is None:
        from lightgap import check

        engine = check.check
    report = engine(
        photo,
        asked.plan,
        asked.reference,
        printed_bar_mm=asked.printed_bar_mm,
        by_hand=by_hand,
        progress=progress,
    )
    return Shot(report, fingerprint(photo, report.measurement, asked.plan), photo.sha256)


def take_all(
    sources: Sequence[Source],
    asked: Asked,
    progress: Progress = _silent,
    engine: Engine | None = None,
    seen: Callable[[int, Photo], None] = lambda _place, _photo: None,
) -> Shot:
    """Measure photos of one ring and combine them; what goes wrong with one does not stop the others.

    Parameters
    ----------
    seen : callable
        Given each photo with its place as soon as it is read.

    Raises
    ------
    LightgapError
        The photo's own if there is but one; `RingError` if there is nothing to combine.
    """
    taken: list[Shot | Missed] = []
    for place, source in enumerate(sources):
        if source.left_out:
            taken.append(Missed(source.name, "you said so.", "left out"))
            continue
        try:
            photo = with_profile(read_photo(source.data, source.name))
            seen(place, photo)
            step = progress if len(sources) == 1 else _part_of(progress, place, len(sources))
            taken.append(take(photo, asked, source.by_hand, step, engine))
        except LightgapError as error:
            if len(sources) == 1:
                raise
            taken.append(missed(source.name, error))
    return combine(taken)


def missed(name: str, error: LightgapError) -> Missed:
    """Say of one photo of several why it could not be measured."""
    return Missed(name, f"{error.message} {error.hint}")


def _part_of(progress: Progress, place: int, count: int) -> Progress:
    def told(share: float, step: str) -> None:
        progress((place + share) / count, f"photo {place + 1} of {count}: {step}")

    return told
