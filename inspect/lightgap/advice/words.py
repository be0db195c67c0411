"""One piece of advice, and what its sentences are made of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from lightgap.judge import Judged, Verdict

LATHE = (
    "An open joint may come apart on the lathe and throw its segments. Do not mount or turn this ring "
    "before it is mended."
)


@dataclass(frozen=True)
class Advice:
    """One cause and its repair, in the trade's words, lengths in the units that were asked for.

    Attributes
    ----------
    title : str
        What was seen, in a few words.
    cause : str
        What makes such a pattern, and how sure that is.
    action : str
        What to do, before the ring goes into the stack.
    caution : str or None
        What may hurt: the person, or the ring.
    joints, segments : tuple of int
        The joints and segments that it is about.
    """

    title: str
    cause: str
    action: str
    caution: str | None = None
    joints: tuple[int, ...] = ()
    segments: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {
            "title": self.title,
            "cause": self.cause,
            "action": self.action,
            "caution": self.caution,
            "joints": list(self.joints),
            "segments": list(self.segments),
        }


def out_by(judged: Judged, quantities: Iterable[str]) -> bool:
    """Whether one of these quantities put it out of tolerance."""
    return any(item.quantity in quantities and item.verdict is Verdict.OUT for item in judged.findings)


def sentence(text: str) -> str:
    """Begin with a capital."""
    return text[:1].upper() + text[1:]
