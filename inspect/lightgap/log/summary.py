"""A result in a few columns, so that a long list is read without opening a single report."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from lightgap.judge import Verdict
from lightgap.log.forms import read_value, stored_plan
from lightgap.log.records import Summary
from lightgap.values import Below, Unknown, Value

Json = Mapping[str, Any]


def summarise(report: Json | None, error: Json | None) -> Summary:
    """Take from a result what a list shows.

    A photo that could not be measured is "not measured", whatever an earlier result said of it: the
    latest word counts.
    """
    if report is None:
        return Summary(Verdict.UNMEASURED, (error or {}).get("message", ""))
    gap, joint = worst_gap(report)
    return Summary(Verdict(report["verdict"]), report["headline"], gap, joint)


def worst_gap(report: Json) -> tuple[Value | Below | None, int | None]:
    """Return the gap furthest from its plan, mm, with its joint: the widest, where joints are closed.

    Of closed joints that are all too narrow to be measured, the one with the highest bound.
    """
    ranked = ((*_rank(gap, nominal, closed), gap, joint) for gap, nominal, closed, joint in _gaps(report))
    worst = max(ranked, key=lambda item: item[:2], default=None)
    return (None, None) if worst is None else (worst[2], worst[3])


def _rank(gap: Value | Below, nominal_mm: float, closed: bool) -> tuple[int, float]:
    if isinstance(gap, Value):
        return 1, gap.value if closed else abs(gap.value - nominal_mm)
    return (0, gap.below) if closed else (1, nominal_mm - gap.below)


def _gaps(report: Json) -> Iterator[tuple[Value | Below, float, bool, int]]:
    """Yield every measured gap, what it should be, whether its joint is closed, and its number."""
    plan = stored_plan(report["plan"], report["tolerance"])
    inner, outer = plan.joint_radii_mm
    half = math.tan(math.radians(plan.gap_deg) / 2.0) * (outer - inner)
    for joint in report["joints"]:
        for place, off in (("inside", -half), ("middle", 0.0), ("outside", half)):
            gap = read_value(joint["gap_mm"][place])
            if not isinstance(gap, Unknown):
                yield gap, plan.gap_mm + off, plan.joint == "closed", joint["number"]
