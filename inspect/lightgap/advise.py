"""Advice: what the errors say of their cause, and what to do before the ring is glued in for good."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from lightgap.advice import joints, segments
from lightgap.advice.case import Case
from lightgap.advice.words import Advice
from lightgap.judge import Verdicts
from lightgap.measure import Measurement
from lightgap.plan import Plan
from lightgap.show.figures import Units

__all__ = ["Advice", "advise"]

_LOOKS: tuple[Callable[[Case], Iterator[Advice]], ...] = (
    segments.missing,
    joints.saw,
    joints.faces,
    joints.open_joints,
    joints.glue_lines,
    joints.uneven_gaps,
    joints.spacers,
    segments.slid,
    joints.blocked,
    segments.angled,
    segments.placed,
    segments.whole,
    joints.unmeasured,
    joints.close,
    segments.close,
    segments.halves,
)
"""What is looked for, the most urgent first."""

_OTHER_FACE = Advice(
    "Before this ring goes into the stack",
    "A photo sees one face of a joint, its upper edge: not how the joint looks below, nor how strong the "
    "glue is.",
    "Turn the ring over and check its other face too, and tap each joint: one that sounds dull or moves "
    "is not glued through. What the makers of the glue, the clamps and the lathe say comes before this "
    "advice.",
    "Start the lathe slowly, wear a face shield, and stand out of the ring's line.",
)


def advise(
    measurement: Measurement, plan: Plan, verdicts: Verdicts, units: Units = "mm"
) -> tuple[Advice, ...]:
    """Return the advice for one check, the most urgent first.

    Each fault is explained once: a joint that is open because of a face that is off, or of the saw,
    is not named again among the open joints.
    """
    case = Case(measurement, plan, verdicts, units)
    return (*(advice for look in _LOOKS for advice in look(case)), _OTHER_FACE)
