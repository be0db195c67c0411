"""One check looked at as a whole: which faults explain which joints, so that each is told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from lightgap.advice.pattern import CutError, Slid, common_gap_error, cut_error, slid_segments
from lightgap.judge import Finding, Judged, Verdict, Verdicts
from lightgap.measure import JointMeasure, Measurement
from lightgap.plan import Plan
from lightgap.show.figures import Units, figure, plain
from lightgap.show.words import say, worst_first
from lightgap.values import Measured, Value


@dataclass(frozen=True)
class OffFace:
    """A face that is off its angle by itself.

    Attributes
    ----------
    segment : int
    place : str
        "start" or "end".
    joint : int
        The joint that it spoils.
    off_deg : Value
        Its mitre less the planned one, less what all cuts are off by.
    """

    segment: int
    place: str
    joint: int
    off_deg: Value

    @property
    def open_at(self) -> str:
        """Too small a mitre leaves the joint open at the outside, too large a one at the inside."""
        return "outside" if self.off_deg.value < 0.0 else "inside"


@dataclass(frozen=True)
class Case:
    """One check, what explains what in it, and the units in which the person wants to be told."""

    measurement: Measurement
    plan: Plan
    verdicts: Verdicts
    units: Units = "mm"

    @cached_property
    def cut(self) -> CutError | None:
        """The error that all cuts share."""
        return cut_error(self.measurement, self.plan)

    @cached_property
    def common_gap(self) -> Value | None:
        """What all gaps are off by together."""
        return common_gap_error(self.measurement, self.plan)

    @cached_property
    def faces(self) -> tuple[OffFace, ...]:
        """Faces out of tolerance that the saw's common error does not explain, the worst first."""
        found = [
            face
            for judged in self.verdicts.segments
            for item in judged.findings
            if item.quantity == "mitre_deg" and item.verdict is Verdict.OUT
            if (face := self._off_face(judged, item)) is not None
        ]
        return tuple(sorted(found, key=lambda face: -abs(face.off_deg.value)))

    def _off_face(self, judged: Judged, finding: Finding) -> OffFace | None:
        if judged.number is None or finding.place is None or not isinstance(finding.measured, Value):
            return None
        common = self.cut.error_deg.value if self.cut is not None else 0.0
        off = Value(finding.deviation - common, finding.measured.budget)
        if abs(off.value) - off.u95 <= finding.limit:
            return None
        joint = judged.number if finding.place == "start" else self.after(judged.number)
        return OffFace(judged.number, finding.place, joint, off)

    @cached_property
    def slid(self) -> tuple[Slid, ...]:
        """Segments that slid, where that put a joint out of tolerance."""
        out = {judged.number for judged in self.out}
        slid = slid_segments(self.measurement, self.plan)
        return tuple(item for item in slid if out & {item.segment, self.after(item.segment)})

    @cached_property
    def turned(self) -> set[int]:
        """Segments that are turned in their place, out of tolerance."""
        return {
            judged.number or 0
            for judged in self.verdicts.segments
            for item in judged.findings
            if item.quantity == "twist_deg" and item.verdict is Verdict.OUT
        }

    @cached_property
    def out(self) -> tuple[Judged, ...]:
        """Joints that are out of tolerance, the worst first."""
        return tuple(worst_first(item for item in self.verdicts.joints if item.verdict is Verdict.OUT))

    @cached_property
    def unexplained(self) -> tuple[Judged, ...]:
        """Joints that are out for no face, saw, spacer, slid or turned segment, the worst first."""
        if self.common_gap is not None:
            return ()
        explained = {face.joint for face in self.faces}
        explained |= set(self.cut.joints if self.cut is not None else ())
        moved = {item.segment for item in self.slid} | self.turned
        explained |= moved | {self.after(segment) for segment in moved}
        return tuple(judged for judged in self.out if judged.number not in explained)

    def after(self, segment: int) -> int:
        """Return the number of the joint at a segment's end."""
        return segment % self.plan.segments + 1

    def joint(self, judged: Judged) -> JointMeasure:
        return next(item for item in self.measurement.joints if item.number == judged.number)

    def length(self, length_mm: Measured | float) -> str:
        """Write a measured length with its uncertainty, or one that was set."""
        if isinstance(length_mm, float):
            return plain(length_mm, "_mm", self.units)
        return figure(length_mm, "_mm", self.units)

    def say(self, finding: Finding) -> str:
        """Say one finding, to follow "joint 8" or "segment 7:"."""
        return say(finding, self.units)

    def worst_of(self, judged: Sequence[Judged]) -> str:
        """Say what is wrong with the worst of some joints."""
        worst = worst_first(judged)[0]
        return f"joint {worst.number} {self.say(worst.deciding[0])}"
