"""Advice: what the pattern of the errors says of its cause, and what to do before the ring is glued in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lightgap.judge import Verdicts
from lightgap.measure import Measurement
from lightgap.plan import Plan


@dataclass(frozen=True)
class Advice:
    """One cause and its repair, in the trade's words.

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


def advise(measurement: Measurement, plan: Plan, verdicts: Verdicts) -> tuple[Advice, ...]:
    """Return the advice for one check, the most urgent first."""
    return ()
