"""The way of a photo through every step: the only module that knows them all."""

from __future__ import annotations

from collections.abc import Callable

from lightgap.hand import ByHand
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.report import Report

Progress = Callable[[float, str], None]
"""Called with the share done, 0..1, and what is being done now, in a person's words."""


def _silent(_share: float, _step: str) -> None:
    pass


def check(
    photo: Photo,
    plan: Plan,
    reference: str = "auto",
    *,
    printed_bar_mm: tuple[float, float] = (100.0, 100.0),
    by_hand: ByHand | None = None,
    progress: Progress = _silent,
) -> Report:
    """Measure one photo against its plan.

    Parameters
    ----------
    reference : str
        "auto", "cards", "sheet" or "sheet:A3", or "across-flats:240.6" (mm).
    printed_bar_mm : (float, float)
        What the cards' 100 mm bars really measure, along x and y of the print.

    Raises
    ------
    LightgapError
        If the photo cannot be measured against this plan.
    """
    raise NotImplementedError
