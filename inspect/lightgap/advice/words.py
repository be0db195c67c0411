"""One piece of advice, and what its sentences are made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from lightgap.judge import Judged, Verdict
from lightgap.show.figures import figure, plain
from lightgap.show.words import say, worst_first
from lightgap.values import Measured, Value

LATHE = (
    "An open joint may come apart on the lathe and throw its segments. Do not mount or turn this ring "
    "before it is mended."
)


@dataclass(frozen=True)
class Advice:
    """One cause and its repair, in the trade's words; lengths in mm and in inches.

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


def worst_of(judged: Sequence[Judged]) -> str:
    """Say what is wrong with the worst of some joints."""
    worst = worst_first(judged)[0]
    return f"joint {worst.number} {say(worst.deciding[0])}"


def length(value: Measured) -> str:
    """Write a length with its uncertainty, and in inches beside it."""
    shown = figure(value, "_mm")
    return f"{shown} ({plain(value.value, '_mm', 'inch')})" if isinstance(value, Value) else shown


def sentence(text: str) -> str:
    """Begin with a capital."""
    return text[:1].upper() + text[1:]
