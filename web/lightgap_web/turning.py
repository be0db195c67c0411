"""How a ring lies in a later photo as against an earlier one, and what has changed between the two."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from lightgap.again.matching import Match
from lightgap.judge import Verdict
from lightgap.measure import JointMeasure
from lightgap.report import Report
from lightgap.show.figures import Units, figure, plain
from lightgap.show.words import counted
from lightgap.values import Below, Contribution, Measured, Value

QUANTITIES = (
    ("outside", "Gap outside", "gap_mm"),
    ("middle", "Gap middle", "gap_mm"),
    ("inside", "Gap inside", "gap_mm"),
    ("taper", "Taper", "taper_deg"),
)


@dataclass(frozen=True)
class Turning:
    """Which joint of a later check is which of an earlier one; as `lightgap.again` says it.

    Attributes
    ----------
    turn : int
        The earlier joint k is the later joint k + turn; with ``face_down`` it is joint turn - k.
    face_down : bool
        The ring lies the other way up, so that the numbers run backwards.
    """

    turn: int = 0
    face_down: bool = False

    def later(self, number: int, count: int) -> int:
        """Return the later number of an earlier joint.

        Examples
        --------
        >>> [Turning(2).later(number, 4) for number in (1, 2, 3, 4)]
        [3, 4, 1, 2]
        >>> [Turning(4, face_down=True).later(number, 4) for number in (1, 2, 3, 4)]
        [3, 2, 1, 4]
        """
        return (self.turn - number - 1 if self.face_down else number + self.turn - 1) % count + 1


def say_match(match: Match) -> str:
    """Say how sure it is how the ring lies, and by what.

    Examples
    --------
    >>> say_match(Match("sure", 3, False, "grain", 20.0, 3.0, 11, 12))
    'The wood is the same: 11 of 12 segments know their place by their grain. It is turned by 3 joints.'
    """
    lies = f"It is turned by {counted(match.turn % match.segments, 'joint')}."
    if match.face_down:
        lies = "It lies the other face up."
    if match.sureness == "sure":
        known = f"{match.agreeing} of {match.segments} segments know their place by their grain"
        return f"The wood is the same: {known}. {lies}"
    if match.sureness == "likely":
        by = "the grain" if match.told_by == "grain" else "the segments' tones and lengths alone"
        return f"Most likely, by {by}, but not surely. {lies}"
    return "The wood does not tell how the ring lies, nor whether it is the same ring."


@dataclass(frozen=True)
class Changed:
    """One figure of one joint, before and after, as words; ``sure`` when the change exceeds its U."""

    joint: int
    later_joint: int
    verdict_before: Verdict
    verdict_after: Verdict
    before: str
    after: str
    change: str
    sure: bool


def changes(before: Report, after: Report, turning: Turning, name: str, units: Units) -> list[Changed]:
    """Compare one quantity over all joints, in the earlier check's order."""
    return list(_changes(before, after, turning, name, units))


def _changes(before: Report, after: Report, turning: Turning, name: str, units: Units) -> Iterator[Changed]:
    quantity = "taper_deg" if name == "taper" else "gap_mm"
    signed = name == "taper"
    for joint in before.measurement.joints:
        later = turning.later(joint.number, before.plan.segments)
        was, now = _value(joint, name), _value(after.measurement.joints[later - 1], name)
        change, sure = say_change(was, now, quantity, units)
        yield Changed(
            joint.number,
            later,
            before.verdicts.joints[joint.number - 1].verdict,
            after.verdicts.joints[later - 1].verdict,
            figure(was, quantity, units, bare=True, signed=signed),
            figure(now, quantity, units, bare=True, signed=signed),
            change,
            sure,
        )


def _value(joint: JointMeasure, name: str) -> Measured:
    value: Measured = joint.taper_deg if name == "taper" else getattr(joint, f"gap_{name}_mm")
    return value


def say_change(before: Measured, after: Measured, quantity: str, units: Units) -> tuple[str, bool]:
    """Say how much a value has changed, and whether the change is more than its uncertainty.

    Two photos are taken as independent, which makes U too large rather than too small: what one phone
    does to both alike would cancel. U of a difference is the root of the sum of squares (JCGM 100:2008,
    5.1.2). Where one of the two is only known to lie below a bound, the least possible change is said.
    """
    if isinstance(before, Value) and isinstance(after, Value):
        change = Value(
            after.value - before.value,
            (Contribution("before", before.standard), Contribution("after", after.standard)),
        )
        return figure(change, quantity, units, bare=True, signed=True), abs(change.value) > change.u95
    for bounded, known, narrower in ((after, before, True), (before, after, False)):
        if isinstance(bounded, Below) and isinstance(known, Value):
            least = known.value - known.u95 - bounded.below
            if least > 0.0:
                # Rounded down: a least change must not grow in writing.
                step = 0.0254 if units == "inch" and quantity.endswith("_mm") else 0.01
                shown = plain(math.floor(least / step) * step, quantity, units, bare=True)
                return f"{'−' if narrower else '+'}{shown} or more", True
            return "too small to tell", False
    if isinstance(before, Below) and isinstance(after, Below):
        return "too small to tell", False
    return "not measured", False
