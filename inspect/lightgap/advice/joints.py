"""Advice about joints: open, uneven, filled, blocked, not measured, too close to call.

Figures of the trade that the sentences rest on:

- PVA (white or yellow glue) needs a line of 0.05 to 0.15 mm for its full strength: G. Wengert,
  "Thick glue lines", woodworkingnetwork.com;
- epoxy fills and bonds gaps up to 1.6 mm: American Woodworker, Questions and Answers, December 2001.
"""

from __future__ import annotations

from collections.abc import Iterator

from lightgap.advice.case import Case, OffFace
from lightgap.advice.pattern import moisture_deg, wedge_mm
from lightgap.advice.words import LATHE, Advice, out_by, sentence
from lightgap.judge import Judged, Verdict
from lightgap.measure import JointMeasure
from lightgap.show.figures import figure
from lightgap.show.words import joined, named
from lightgap.values import Value

PVA_MM, EPOXY_MM = 0.15, 1.6
"""The thickest glue line that holds: see the module's sources."""

_MOISTURE_PERCENT = 4.0


def saw(case: Case) -> Iterator[Advice]:
    """All joints wider at the same end: every cut is off by the same angle."""
    if case.cut is None:
        return
    plan, error = case.plan, case.cut.error_deg
    nominal = (plan.pitch_deg - plan.gap_deg) / 2.0
    large = error.value > 0.0
    end = "inside" if large else "outside"
    size = Value(abs(error.value), error.budget)
    least, most = moisture_deg(plan.mitre_deg, _MOISTURE_PERCENT)
    cuts = 2 * plan.segments
    yield Advice(
        f"Joints wider at the {end} all round: the saw is off by {figure(size, '_deg')}",
        f"{len(case.cut.joints)} of {plan.segments} joints are wider at the {end}, so every cut is too "
        f"{'large' if large else 'small'} by about the same: the mitres measure {nominal + error.value:.2f}° "
        f"instead of {nominal:.2f}°. Over {cuts} cuts that adds up to a gap of "
        f"{case.length(wedge_mm(case.cut, plan))}. Wood that changed its moisture by {_MOISTURE_PERCENT:.0f} "
        f"% after it was cut does the same: {least:.2f} to {most:.2f}° at each mitre.",
        f"Set the saw {'smaller' if large else 'larger'} by {figure(size, '_deg', alone=True)}, cut a "
        "test ring from scrap, and check it dry. In this ring true the faces on a disc sander with its "
        f"fence at {nominal:.2f}°, or cut new segments; if it is still two halves, dress their ends flat "
        "before they are glued. Let the wood rest where it will be glued, and do all this before the "
        "ring goes into the stack.",
        LATHE if case.out else None,
        joints=case.cut.joints,
    )


def faces(case: Case) -> Iterator[Advice]:
    """Faces that are off their angle by themselves."""
    faces = case.faces
    if not faces:
        return
    first = faces[0]
    title = (
        f"Segment {first.segment}: {first.place} face off its angle"
        if len(faces) == 1
        else f"{len(faces)} faces are off their angle"
    )
    trimmed = [f"the {_trim_at(face)} end of segment {face.segment}'s {face.place} face" for face in faces]
    nominal = (case.plan.pitch_deg - case.plan.gap_deg) / 2.0
    joints = sorted({face.joint for face in faces})
    yield Advice(
        title,
        f"{sentence('; '.join(map(_face, faces)))}. A single face is off when a chip lay at the fence or "
        "the segment moved in the cut; the saw's setting shows at every joint.",
        f"Still dry: take wood off at {joined(trimmed)} until its mitre measures {nominal:.2f}°, "
        "or cut a new segment. Already glued: saw the ring apart at "
        f"{named('joint', joints)}, true the faces and glue again. Do it before the ring goes into the "
        "stack.",
        LATHE if any(judged.number in joints for judged in case.out) else None,
        joints=tuple(joints),
        segments=tuple(sorted({face.segment for face in faces})),
    )


def _face(face: OffFace) -> str:
    off = Value(abs(face.off_deg.value), face.off_deg.budget)
    return (
        f"segment {face.segment}'s {face.place} face is {figure(off, '_deg')} too "
        f"{'small' if face.off_deg.value < 0.0 else 'large'}, which opens joint {face.joint} at the "
        f"{face.open_at}"
    )


def _trim_at(face: OffFace) -> str:
    """A joint that is open at one end is closed by taking wood from the other."""
    return "inner" if face.open_at == "outside" else "outer"


def open_joints(case: Case) -> Iterator[Advice]:
    """Joints of a closed ring that are open for a reason of their own."""
    if case.plan.joint != "closed":
        return
    opened = [judged for judged in case.unexplained if out_by(judged, ("gap_mm", "taper_deg"))]
    along = [judged for judged in opened if _is_parallel(case.joint(judged))]
    for judged, cause in (
        (
            along,
            "The faces agree with each other but did not come together: the clamp pulled too little or "
            "unevenly, the glue had skinned over, or a chip lay between them.",
        ),
        (
            [item for item in opened if item not in along],
            "The faces do not agree, by less on each side than could be told apart: both may be a little "
            "off, or the joint was pulled open while its neighbours were clamped.",
        ),
    ):
        if judged:
            numbers = tuple(sorted(item.number or 0 for item in judged))
            where = "along the whole length" if judged is along else "at one end"
            yield Advice(
                sentence(f"{named('joint', numbers)} open {where}"),
                f"{sentence(case.worst_of(judged))}. {cause}",
                "Still dry: clean both faces and clamp again with an even pull all round. Already glued: "
                "saw the ring apart there, true both faces and glue again, before the ring goes into the "
                f"stack. White and yellow glue hold little over more than {case.length(PVA_MM)}; epoxy "
                f"bridges up to {case.length(EPOXY_MM)}, but the line will show.",
                LATHE,
                joints=numbers,
            )


def _is_parallel(joint: JointMeasure) -> bool:
    gaps = (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)
    known = [gap.value for gap in gaps if isinstance(gap, Value)]
    return len(known) == len(gaps) and min(known) > 0.5 * max(known)


def uneven_gaps(case: Case) -> Iterator[Advice]:
    """Gaps of a spaced or tapered ring that are off for a reason of their own."""
    off = [judged for judged in case.unexplained if out_by(judged, ("gap_mm", "taper_deg"))]
    if case.plan.joint == "closed" or not off:
        return
    numbers = tuple(sorted(judged.number or 0 for judged in off))
    yield Advice(
        sentence(f"{named('joint', numbers)} not spaced as planned"),
        f"{sentence(case.worst_of(off))}. The spacer had slipped or did not lie along the whole face, or a "
        "face there is a little off its angle.",
        "Put the spacer back with both faces held against it, or true the face, before the ring goes "
        "into the stack: a gap that is off shows in every ring above it.",
        joints=numbers,
    )


def spacers(case: Case) -> Iterator[Advice]:
    """All gaps off by the same."""
    gap = case.common_gap
    if gap is None or not case.out:
        return
    wide = gap.value > 0.0
    size = Value(abs(gap.value), gap.budget)
    mean = case.length(case.measurement.ring.mean_gap_mm)
    yield Advice(
        f"All gaps too {'wide' if wide else 'narrow'} by about {case.length(size)}",
        f"The mean gap is {mean}, planned {case.length(case.plan.gap_mm)}: "
        "the spacers are not of the planned thickness, or all segments are a little too "
        f"{'short' if wide else 'long'}.",
        "Measure a spacer with callipers. If the gap is right as it is, correct the plan; if not, plane "
        "or replace the spacers, or set the stop block. Settle it before the ring goes into the stack: "
        "the rings above have to match it.",
        joints=tuple(judged.number or 0 for judged in case.out),
    )


def glue_lines(case: Case) -> Iterator[Advice]:
    """Joints of a closed ring that are filled instead of closed."""
    if case.plan.joint != "closed":
        return
    filled = [
        judged
        for judged in case.verdicts.joints
        if judged.verdict is not Verdict.IN and case.joint(judged).kind == "glue"
    ]
    if filled:
        numbers = tuple(judged.number or 0 for judged in filled)
        yield Advice(
            sentence(f"{named('joint', numbers)} filled with glue"),
            "Glue fills the gap there, and a filled gap is still a gap: white and yellow glue keep their "
            f"strength only up to {case.length(PVA_MM)}.",
            "Saw the joint out and glue it again on true faces before the ring goes into the stack. If "
            f"the filling is epoxy, up to {case.length(EPOXY_MM)} holds, and what is left is how it looks.",
            LATHE,
            joints=numbers,
        )


def blocked(case: Case) -> Iterator[Advice]:
    """Gaps that cannot be seen through along their whole length."""
    for joint in case.measurement.joints:
        if joint.blocked_mm is None:
            continue
        low, high = (case.length(float(round(radius))) for radius in joint.blocked_mm)
        yield Advice(
            f"Joint {joint.number} blocked",
            f"Something fills the gap between {low} and {high} from the ring's centre: a "
            "spacer that was left in, or squeezed-out glue. Only the open part was judged.",
            "Clear it with a thin blade or a strip of abrasive before the ring goes into the stack: "
            "later neither blade nor finish reaches it.",
            joints=(joint.number,),
        )


def close(case: Case) -> Iterator[Advice]:
    """Joints that this photo cannot call in or out."""
    close = [judged for judged in case.verdicts.joints if judged.verdict is Verdict.CLOSE]
    if not close:
        return
    numbers = tuple(judged.number or 0 for judged in close)
    limit = case.plan.tolerance.gap_mm
    gauge = (
        f"Try a feeler gauge of {case.length(limit)} at the end that looks open: where it goes in, mend "
        "the joint. "
        if case.plan.joint == "closed" and limit is not None
        else "Measure there with callipers or a slip of known thickness. "
    )
    yield Advice(
        sentence(f"{named('joint', numbers)} too close to call"),
        f"{sentence(case.worst_of(close))}. This photo is not sure enough to say on which side of the limit "
        "it lies.",
        f"{gauge}Or photograph the ring again from nearer, the camera over its middle, in even light. "
        "Settle it before the ring goes into the stack.",
        joints=numbers,
    )


def unmeasured(case: Case) -> Iterator[Advice]:
    """Joints of which nothing is known, but for those beside a missing segment."""
    unseen = [judged for judged in case.verdicts.joints if judged.verdict is Verdict.UNMEASURED]
    beside = {number for judged in case.verdicts.segments if judged.absent for number in _ends(case, judged)}
    unseen = [judged for judged in unseen if judged.number not in beside]
    if not unseen:
        return
    numbers = tuple(judged.number or 0 for judged in unseen)
    why = sorted({judged.reason for judged in unseen if judged.reason is not None})
    yield Advice(
        sentence(f"{named('joint', numbers)} not measured"),
        f"{sentence('; '.join(why))}. Nothing is known of such a joint: it may be sound or open."
        if why
        else "Nothing is known of such a joint: it may be sound or open.",
        "Scrape glue off flush, brush the dust away, and photograph the ring again with the camera over "
        "its middle, in even light. Before the ring goes into the stack, look at the joint against a "
        "lamp and try it with a feeler gauge.",
        joints=numbers,
    )


def _ends(case: Case, judged: Judged) -> tuple[int, int]:
    number = judged.number or 0
    return number, case.after(number)
