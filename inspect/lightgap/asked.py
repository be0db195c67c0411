"""What is asked of a check: its photos, and what they are measured by."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lightgap.hand import ByHand
from lightgap.plan import Plan


@dataclass(frozen=True)
class Source:
    """A photo to be measured.

    Attributes
    ----------
    name : str
        The file's own name.
    data : Path or bytes
    by_hand : ByHand or None
        In pixels of this photo.
    left_out : bool
        The person has left it out of several.
    """

    name: str
    data: Path | bytes
    by_hand: ByHand | None = None
    left_out: bool = False


@dataclass(frozen=True)
class Asked:
    """What all photos of one check are measured by; as `lightgap.check.check` takes it."""

    plan: Plan
    reference: str = "auto"
    printed_bar_mm: tuple[float, float] | None = None
