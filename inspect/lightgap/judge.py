"""Verdicts: each measured value against its limit, with its own uncertainty as the guard band.

The rule is that of JCGM 106:2012 (clause 8.3, guarded acceptance, and its mirror, guarded
rejection) with a guard band of U on both sides of every limit: in tolerance when the whole interval
value +- U lies within the limits, out when the whole of it lies beyond one, else too close to call.
With U = 2 u, a value that is called in lies within a single limit with at least 97.7 % probability.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from lightgap.plan import Plan
from lightgap.values import Below, Measured, Unknown, Value

if TYPE_CHECKING:  # The log and the lists use verdicts without the engine.
    from lightgap.measure import JointMeasure, Measurement, RingMeasure, SegmentMeasure


class Verdict(StrEnum):
    """What can be said of a value, a joint, a segment or the ring."""

    IN = "in tolerance"
    OUT = "out of tolerance"
    CLOSE = "too close to call"
    UNMEASURED = "not measured"


_NEEDS_A_FLAT = frozenset({"mitre_deg", "outer_length_mm", "twist_deg"})

_BADNESS = {Verdict.IN: 0, Verdict.UNMEASURED: 1, Verdict.CLOSE: 2, Verdict.OUT: 3}


def badness(verdict: Verdict) -> int:
    """Rank a verdict for sorting: 0 in, 1 not measured, 2 too close to call, 3 out."""
    return _BADNESS[verdict]


@dataclass(frozen=True)
class Finding:
    """One quantity judged.

    Attributes
    ----------
    quantity : str
        Its key in the report and in the tolerances: "gap_mm", "taper_deg", ...
    place : str or None
        "inside", "middle" or "outside" of a joint; "start" or "end" of a segment.
    measured : Measured
    nominal, lower, upper : float
        What the plan asks for and the limits about it; ``lower`` is -inf for a closed joint's gap.
    verdict : Verdict
    """

    quantity: str
    place: str | None
    measured: Measured
    nominal: float
    lower: float
    upper: float
    verdict: Verdict

    @property
    def two_sided(self) -> bool:
        """Whether there is a lower limit as well: not for a closed joint's gap."""
        return math.isfinite(self.lower)

    @property
    def limit(self) -> float:
        """The limit as plus or minus about nominal."""
        return self.upper - self.nominal

    @property
    def deviation(self) -> float:
        """Value less nominal; not a number when there is no value."""
        return self.measured.value - self.nominal if isinstance(self.measured, Value) else math.nan

    @property
    def severity(self) -> float:
        """Deviation as a multiple of the limit, for "worst first"; 0 when there is no value."""
        if not isinstance(self.measured, Value):
            return 0.0
        beyond = abs(self.deviation) if self.two_sided else max(self.deviation, 0.0)
        return beyond / self.limit if self.limit > 0 else math.inf


@dataclass(frozen=True)
class Judged:
    """The verdict on one joint, one segment or the ring's own figures: the worst of its findings.

    Attributes
    ----------
    number : int or None
        None for the ring.
    verdict : Verdict
    findings : tuple of Finding
    reason : str or None
        Why nothing of it could be measured.
    absent : bool
        A segment that is not there.
    """

    number: int | None
    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    reason: str | None = None
    absent: bool = False

    @property
    def severity(self) -> float:
        """The worst finding's severity; infinite for a segment that is not there."""
        return math.inf if self.absent else max((item.severity for item in self.findings), default=0.0)

    @property
    def deciding(self) -> tuple[Finding, ...]:
        """The findings that made the verdict, the worst first; none when all is in tolerance."""
        if self.verdict is Verdict.IN:
            return ()
        alike = [item for item in self.findings if item.verdict is self.verdict]
        return tuple(sorted(alike, key=lambda item: -item.severity))


@dataclass(frozen=True)
class Verdicts:
    """All verdicts of one check; ``joints`` and ``segments`` in the order of the measurement."""

    joints: tuple[Judged, ...]
    segments: tuple[Judged, ...]
    ring: Judged

    @property
    def overall(self) -> Verdict:
        """The worst of all."""
        return worst(item.verdict for item in (*self.joints, *self.segments, self.ring))


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst verdict; of none at all, in tolerance."""
    return max(verdicts, key=badness, default=Verdict.IN)


def judge_value(value: Measured, lower: float, upper: float) -> Verdict:
    """Judge one value against its limits with a guard band of U.

    Examples
    --------
    >>> from lightgap.values import measured
    >>> str(judge_value(measured(0.20, {"fit": 0.02}), 0.0, 0.25))
    'in tolerance'
    >>> str(judge_value(measured(0.22, {"fit": 0.02}), 0.0, 0.25))
    'too close to call'
    """
    if isinstance(value, Unknown):
        return Verdict.UNMEASURED
    if isinstance(value, Below):
        low, high = 0.0, value.below
    else:
        low, high = value.value - value.u95, value.value + value.u95
    if not (math.isfinite(low) and math.isfinite(high)):
        return Verdict.UNMEASURED
    if lower <= low and high <= upper:
        return Verdict.IN
    return Verdict.OUT if high < lower or low > upper else Verdict.CLOSE


def judge(measurement: Measurement, plan: Plan, untold: frozenset[str] = frozenset()) -> Verdicts:
    """Judge every joint, every segment and the ring.

    Parameters
    ----------
    untold : frozenset of str
        Quantities that the reference cannot tell (`Reference.untold`): they are left unjudged,
        since no other photo with this reference could tell them either. So is what a turned
        outer edge has no flat for.
    """
    if plan.outline == "round":
        untold |= _NEEDS_A_FLAT
    return Verdicts(
        tuple(_judge_joint(joint, plan, untold) for joint in measurement.joints),
        tuple(_judge_segment(segment, plan, untold) for segment in measurement.segments),
        _judge_ring(measurement.ring, plan, untold),
    )


def _judge_joint(joint: JointMeasure, plan: Plan, untold: frozenset[str]) -> Judged:
    half = math.tan(math.radians(plan.gap_deg) / 2.0) * (plan.joint_radii_mm[1] - plan.joint_radii_mm[0])
    rows = (
        ("gap_mm", "inside", joint.gap_inside_mm, plan.gap_mm - half),
        ("gap_mm", "middle", joint.gap_middle_mm, plan.gap_mm),
        ("gap_mm", "outside", joint.gap_outside_mm, plan.gap_mm + half),
        ("taper_deg", None, joint.taper_deg, plan.gap_deg),
        ("pitch_error_deg", None, joint.pitch_error_deg, 0.0),
        ("skew_deg", None, joint.skew_deg, 0.0),
    )
    findings = tuple(_findings(rows, plan, untold))
    if not joint.found:
        reason = joint.reason or "nothing was seen where this joint should be"
        return Judged(joint.number, Verdict.UNMEASURED, findings, reason)
    if not findings:
        # A joint without a limit is no joint in tolerance.
        return Judged(joint.number, Verdict.UNMEASURED, reason="the plan sets no limit for a joint")
    verdict = worst(item.verdict for item in findings)
    return Judged(joint.number, verdict, findings, joint.reason if verdict is Verdict.UNMEASURED else None)


def _judge_segment(segment: SegmentMeasure, plan: Plan, untold: frozenset[str]) -> Judged:
    if not segment.present:
        return Judged(segment.number, Verdict.OUT, absent=True)
    included = plan.pitch_deg - plan.gap_deg
    rows = (
        ("included_angle_deg", None, segment.included_angle_deg, included),
        ("mitre_deg", "start", segment.mitre_start_deg, included / 2.0),
        ("mitre_deg", "end", segment.mitre_end_deg, included / 2.0),
        ("outer_length_mm", None, segment.outer_length_mm, outer_length_mm(plan)),
        ("radial_offset_mm", None, segment.radial_offset_mm, 0.0),
        ("twist_deg", None, segment.twist_deg, 0.0),
    )
    findings = tuple(_findings(rows, plan, untold))
    return Judged(segment.number, worst(item.verdict for item in findings), findings)


def _judge_ring(ring: RingMeasure, plan: Plan, untold: frozenset[str]) -> Judged:
    rows = (
        ("across_flats_mm", None, ring.size_mm, plan.across_flats_mm),
        ("out_of_round_mm", None, ring.out_of_round_mm, 0.0),
        ("inner_offset_mm", None, ring.inner_offset_mm, 0.0),
    )
    findings = tuple(_findings(rows, plan, untold))
    return Judged(None, worst(item.verdict for item in findings), findings)


Row = tuple[str, str | None, Measured, float]


def _findings(rows: Iterable[Row], plan: Plan, untold: frozenset[str]) -> Iterator[Finding]:
    for quantity, place, value, nominal in rows:
        limit = getattr(plan.tolerance, quantity)
        if limit is None or quantity in untold:
            continue
        # A closed joint cannot be too tight: what is measured below zero is measuring error.
        one_sided = quantity == "gap_mm" and plan.joint == "closed"
        lower = -math.inf if one_sided else nominal - limit
        upper = nominal + limit
        yield Finding(quantity, place, value, nominal, lower, upper, judge_value(value, lower, upper))


def outer_length_mm(plan: Plan) -> float:
    """Nominal length of a segment's outer edge, between the outer ends of its two faces."""
    return plan.edge_length_mm(plan.outer_mm)
