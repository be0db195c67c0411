"""Advice: what the errors say of their cause, and what to do before the ring is glued in for good.

Figures of the trade that the sentences rest on:

- PVA (white or yellow glue) needs a line of 0.05 to 0.15 mm for its full strength: G. Wengert,
  "Thick glue lines", woodworkingnetwork.com;
- epoxy fills and bonds gaps up to 1.6 mm: American Woodworker, Questions and Answers, December 2001.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from lightgap.case import Case, OffFace
from lightgap.judge import Finding, Judged, Verdict, Verdicts
from lightgap.measure import JointMeasure, Measurement
from lightgap.pattern import dressed_halves, moisture_deg, wedge_mm
from lightgap.plan import Plan
from lightgap.show.figures import both, figure, plain
from lightgap.show.words import joined, named, say, worst_first
from lightgap.values import Measured, Value

PVA_MM, EPOXY_MM = 0.15, 1.6
"""The thickest glue line that holds: see the module's sources."""

_MOISTURE_PERCENT = 4.0
_LATHE = (
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


def advise(measurement: Measurement, plan: Plan, verdicts: Verdicts) -> tuple[Advice, ...]:
    """Return the advice for one check, the most urgent first.

    Each fault is explained once: a joint that is open because of a face that is off, or of the saw,
    is not named again among the open joints.
    """
    case = Case(measurement, plan, verdicts)
    return (*(advice for look in _LOOKS for advice in look(case)), _OTHER_FACE)


def _missing(case: Case) -> Iterator[Advice]:
    gone = [judged.number for judged in case.verdicts.segments if judged.absent and judged.number]
    if gone:
        yield Advice(
            _sentence(f"{named('segment', gone)} missing"),
            "There is no wood there, so the joints beside it cannot be judged.",
            "Glue the missing segment in, then photograph the ring again before it goes into the stack.",
            "Never turn a ring that lacks a segment.",
            segments=tuple(gone),
        )


def _saw(case: Case) -> Iterator[Advice]:
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
        f"{_length(wedge_mm(case.cut, plan))}. Wood that changed its moisture by {_MOISTURE_PERCENT:.0f} "
        f"% after it was cut does the same: {least:.2f} to {most:.2f}° at each mitre.",
        f"Set the saw {'smaller' if large else 'larger'} by {figure(size, '_deg', alone=True)}, cut a "
        "test ring from scrap, and check it dry. In this ring true the faces on a disc sander with its "
        f"fence at {nominal:.2f}°, or cut new segments; if it is still two halves, dress their ends flat "
        "before they are glued. Let the wood rest where it will be glued, and do all this before the "
        "ring goes into the stack.",
        _LATHE if case.out else None,
        joints=case.cut.joints,
    )


def _faces(case: Case) -> Iterator[Advice]:
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
        f"{_sentence('; '.join(map(_face, faces)))}. A single face is off when a chip lay at the fence or "
        "the segment moved in the cut; the saw's setting shows at every joint.",
        f"Still dry: take wood off at {joined(trimmed)} until its mitre measures {nominal:.2f}°, "
        "or cut a new segment. Already glued: saw the ring apart at "
        f"{named('joint', joints)}, true the faces and glue again. Do it before the ring goes into the "
        "stack.",
        _LATHE if any(judged.number in joints for judged in case.out) else None,
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


def _open_joints(case: Case) -> Iterator[Advice]:
    """Joints of a closed ring that are open for a reason of their own."""
    if case.plan.joint != "closed":
        return
    opened = [judged for judged in case.unexplained if _out_by(judged, ("gap_mm", "taper_deg"))]
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
                _sentence(f"{named('joint', numbers)} open {where}"),
                f"{_sentence(_worst_of(judged))}. {cause}",
                "Still dry: clean both faces and clamp again with an even pull all round. Already glued: "
                "saw the ring apart there, true both faces and glue again, before the ring goes into the "
                f"stack. White and yellow glue hold little over more than {both(PVA_MM)}; epoxy bridges "
                f"up to {both(EPOXY_MM)}, but the line will show.",
                _LATHE,
                joints=numbers,
            )


def _is_parallel(joint: JointMeasure) -> bool:
    gaps = (joint.gap_inside_mm, joint.gap_middle_mm, joint.gap_outside_mm)
    known = [gap.value for gap in gaps if isinstance(gap, Value)]
    return len(known) == len(gaps) and min(known) > 0.5 * max(known)


def _uneven_gaps(case: Case) -> Iterator[Advice]:
    """Gaps of a spaced or tapered ring that are off for a reason of their own."""
    off = [judged for judged in case.unexplained if _out_by(judged, ("gap_mm", "taper_deg"))]
    if case.plan.joint == "closed" or not off:
        return
    numbers = tuple(sorted(judged.number or 0 for judged in off))
    yield Advice(
        _sentence(f"{named('joint', numbers)} not spaced as planned"),
        f"{_sentence(_worst_of(off))}. The spacer had slipped or did not lie along the whole face, or a "
        "face there is a little off its angle.",
        "Put the spacer back with both faces held against it, or true the face, before the ring goes "
        "into the stack: a gap that is off shows in every ring above it.",
        joints=numbers,
    )


def _spacers(case: Case) -> Iterator[Advice]:
    gap = case.common_gap
    if gap is None or not case.out:
        return
    wide = gap.value > 0.0
    size = Value(abs(gap.value), gap.budget)
    yield Advice(
        f"All gaps too {'wide' if wide else 'narrow'} by about {figure(size, '_mm')}",
        f"The mean gap is {_length(case.measurement.ring.mean_gap_mm)}, planned {both(case.plan.gap_mm)}: "
        "the spacers are not of the planned thickness, or all segments are a little too "
        f"{'short' if wide else 'long'}.",
        "Measure a spacer with callipers. If the gap is right as it is, correct the plan; if not, plane "
        "or replace the spacers, or set the stop block. Settle it before the ring goes into the stack: "
        "the rings above have to match it.",
        joints=tuple(judged.number or 0 for judged in case.out),
    )


def _slid(case: Case) -> Iterator[Advice]:
    if not case.slid:
        return
    segments = tuple(item.segment for item in case.slid)
    ways = [
        f"segment {item.segment} by {_length(item.moved_mm)} towards joint {item.towards}"
        for item in case.slid
    ]
    yield Advice(
        _sentence(f"{named('segment', segments)} slid sideways"),
        f"One gap beside it is wide and the other narrow: {'; '.join(ways)}. It slid on the wet glue, or "
        "its spacers were not alike.",
        "Glue still wet: push it back against the spacer. Set: free its joints, clean them and glue it "
        "again with both spacers in, before the ring goes into the stack.",
        joints=tuple(sorted({joint for number in segments for joint in (number, case.after(number))})),
        segments=segments,
    )


def _glue_lines(case: Case) -> Iterator[Advice]:
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
            _sentence(f"{named('joint', numbers)} filled with glue"),
            "Glue fills the gap there, and a filled gap is still a gap: white and yellow glue keep their "
            f"strength only up to {both(PVA_MM)}.",
            "Saw the joint out and glue it again on true faces before the ring goes into the stack. If "
            f"the filling is epoxy, up to {both(EPOXY_MM)} holds, and what is left is how it looks.",
            _LATHE,
            joints=numbers,
        )


def _blocked(case: Case) -> Iterator[Advice]:
    for joint in case.measurement.joints:
        if joint.blocked_mm is None:
            continue
        low, high = (float(round(radius)) for radius in joint.blocked_mm)
        yield Advice(
            f"Joint {joint.number} blocked",
            f"Something fills the gap between {both(low)} and {both(high)} from the ring's centre: a "
            "spacer that was left in, or squeezed-out glue. Only the open part was judged.",
            "Clear it with a thin blade or a strip of abrasive before the ring goes into the stack: "
            "later neither blade nor finish reaches it.",
            joints=(joint.number,),
        )


_PLACED = {
    "radial_offset_mm": (
        "It slid in or out on the wet glue while the clamp was tightened.",
        "Glue still wet: tap it back. Set: what stands out is turned away, so see that the ring's width "
        "has that much to spare before it goes into the stack.",
    ),
    "twist_deg": (
        "The clamp turned it, or its two faces are off to opposite sides.",
        "Glue still wet: press it back against its neighbours. Set: free it and glue it again, before "
        "the ring goes into the stack.",
    ),
    "outer_length_mm": (
        "The stop block moved, or a chip lay against it.",
        "Measure it with callipers and replace it if they agree, before the ring goes into the stack: an "
        "odd length shifts every joint after it, and the bricks of the next ring no longer lie over its "
        "middle.",
    ),
}


def _placed(case: Case) -> Iterator[Advice]:
    """Segments that are too long or short, or stand out of the ring."""
    for quantity, (cause, action) in _PLACED.items():
        for judged in case.verdicts.segments:
            for item in judged.findings:
                if item.quantity == quantity and item.verdict is Verdict.OUT:
                    yield Advice(
                        f"Segment {judged.number} {_title(item)}",
                        f"Segment {judged.number} {say(item)}. {cause}",
                        action,
                        segments=(judged.number or 0,),
                    )


def _title(finding: Finding) -> str:
    more = finding.deviation > 0.0
    match finding.quantity:
        case "radial_offset_mm":
            return f"too far {'out' if more else 'in'}"
        case "twist_deg":
            return "turned in its place"
        case _:
            return f"too {'long' if more else 'short'}"


def _whole(case: Case) -> Iterator[Advice]:
    for item in case.verdicts.ring.findings:
        if item.verdict is Verdict.OUT:
            yield Advice(
                "The ring as a whole",
                f"The ring: {say(item)}.",
                "Compare it with the rings above and below it in the plan: what is not round or not "
                "centred is turned away and takes as much from the wall, so see that there is enough "
                "before it goes into the stack.",
            )


def _halves(case: Case) -> Iterator[Advice]:
    halves = dressed_halves(case.measurement, case.plan)
    if halves is None:
        return
    error = halves.error_deg
    size = Value(abs(error.value), error.budget)
    yield Advice(
        f"Two halves dressed at {named('joint', halves.joints)}",
        f"The segments beside these joints have lost the angle that all others have too "
        f"{'much' if error.value > 0.0 else 'little'}: each cut is off by {figure(size, '_deg')}, and the "
        "ends of the two halves were dressed until they met. The joints can be sound all the same.",
        "Nothing to mend before the ring goes into the stack where the joints are in tolerance. Set the saw "
        f"{'smaller' if error.value > 0.0 else 'larger'} by {figure(size, '_deg', alone=True)} before the "
        "next ring.",
        joints=halves.joints,
        segments=halves.segments,
    )


def _close(case: Case) -> Iterator[Advice]:
    close = [judged for judged in case.verdicts.joints if judged.verdict is Verdict.CLOSE]
    if not close:
        return
    numbers = tuple(judged.number or 0 for judged in close)
    limit = case.plan.tolerance.gap_mm
    gauge = (
        f"Try a feeler gauge of {both(limit)} at the end that looks open: where it goes in, mend the joint. "
        if case.plan.joint == "closed" and limit is not None
        else "Measure there with callipers or a slip of known thickness. "
    )
    yield Advice(
        _sentence(f"{named('joint', numbers)} too close to call"),
        f"{_sentence(_worst_of(close))}. This photo is not sure enough to say on which side of the limit "
        "it lies.",
        f"{gauge}Or photograph the ring again from nearer, the camera over its middle, in even light. "
        "Settle it before the ring goes into the stack.",
        joints=numbers,
    )


def _close_segments(case: Case) -> Iterator[Advice]:
    close = [judged for judged in case.verdicts.segments if judged.verdict is Verdict.CLOSE]
    if not close:
        return
    numbers = tuple(judged.number or 0 for judged in close)
    worst = worst_first(close)[0]
    yield Advice(
        _sentence(f"{named('segment', numbers)} too close to call"),
        f"Segment {worst.number}: {say(worst.deciding[0])}. A mitre is measured from the segment's outer "
        "edge, which a photo often shows less surely than a joint.",
        "Where the joints beside it are in tolerance, its faces fit their neighbours. If you want to be "
        "sure of its mitres, try them with a bevel gauge, or photograph the ring again from nearer, with "
        "its outer edge clear against the bench, before the ring goes into the stack.",
        segments=numbers,
    )


def _unmeasured(case: Case) -> Iterator[Advice]:
    unseen = [judged for judged in case.verdicts.joints if judged.verdict is Verdict.UNMEASURED]
    beside = {number for judged in case.verdicts.segments if judged.absent for number in _ends(case, judged)}
    unseen = [judged for judged in unseen if judged.number not in beside]
    if not unseen:
        return
    numbers = tuple(judged.number or 0 for judged in unseen)
    why = sorted({judged.reason for judged in unseen if judged.reason is not None})
    yield Advice(
        _sentence(f"{named('joint', numbers)} not measured"),
        f"{_sentence('; '.join(why))}. Nothing is known of such a joint: it may be sound or open."
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


_OTHER_FACE = Advice(
    "Before this ring goes into the stack",
    "A photo sees one face of a joint, its upper edge: not how the joint looks below, nor how strong the "
    "glue is.",
    "Turn the ring over and check its other face too, and tap each joint: one that sounds dull or moves "
    "is not glued through. What the makers of the glue, the clamps and the lathe say comes before this "
    "advice.",
    "Start the lathe slowly, wear a face shield, and stand out of the ring's line.",
)


_LOOKS: tuple[Callable[[Case], Iterator[Advice]], ...] = (
    _missing,
    _saw,
    _faces,
    _open_joints,
    _glue_lines,
    _uneven_gaps,
    _spacers,
    _slid,
    _blocked,
    _placed,
    _whole,
    _unmeasured,
    _close,
    _close_segments,
    _halves,
)


def _out_by(judged: Judged, quantities: Iterable[str]) -> bool:
    return any(item.quantity in quantities and item.verdict is Verdict.OUT for item in judged.findings)


def _worst_of(judged: list[Judged]) -> str:
    return f"joint {judged[0].number} {say(judged[0].deciding[0])}"


def _length(value: Measured) -> str:
    """Write a length with its uncertainty, and in inches beside it."""
    shown = figure(value, "_mm")
    return f"{shown} ({plain(value.value, '_mm', 'inch')})" if isinstance(value, Value) else shown


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
