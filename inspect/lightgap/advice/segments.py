"""Advice about segments and the ring as a whole: missing, out of place, cut wrong and dressed right."""

from __future__ import annotations

from collections.abc import Iterator

from lightgap.advice.case import Case
from lightgap.advice.pattern import dressed_halves
from lightgap.advice.words import Advice, sentence
from lightgap.judge import Finding, Verdict
from lightgap.show.figures import figure
from lightgap.show.words import named, worst_first
from lightgap.values import Value


def missing(case: Case) -> Iterator[Advice]:
    """Segments that are not there."""
    gone = [judged.number for judged in case.verdicts.segments if judged.absent and judged.number]
    if gone:
        yield Advice(
            sentence(f"{named('segment', gone)} missing"),
            "There is no wood there, so the joints beside it cannot be judged.",
            "Glue the missing segment in, then photograph the ring again before it goes into the stack.",
            "Never turn a ring that lacks a segment.",
            segments=tuple(gone),
        )


def slid(case: Case) -> Iterator[Advice]:
    """Segments that stand nearer to one neighbour than to the other."""
    if not case.slid:
        return
    segments = tuple(item.segment for item in case.slid)
    ways = [
        f"segment {item.segment} by {case.length(item.moved_mm)} towards joint {item.towards}"
        for item in case.slid
    ]
    yield Advice(
        sentence(f"{named('segment', segments)} slid sideways"),
        f"One gap beside it is wide and the other narrow: {'; '.join(ways)}. It slid on the wet glue, or "
        "its spacers were not alike.",
        "Glue still wet: push it back against the spacer. Set: free its joints, clean them and glue it "
        "again with both spacers in, before the ring goes into the stack.",
        joints=tuple(sorted({joint for number in segments for joint in (number, case.after(number))})),
        segments=segments,
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


def placed(case: Case) -> Iterator[Advice]:
    """Segments that are too long or short, or stand out of the ring."""
    for quantity, (cause, action) in _PLACED.items():
        for judged in case.verdicts.segments:
            for item in judged.findings:
                if item.quantity == quantity and item.verdict is Verdict.OUT:
                    yield Advice(
                        f"Segment {judged.number} {_title(item)}",
                        f"Segment {judged.number} {case.say(item)}. {cause}",
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


def angled(case: Case) -> Iterator[Advice]:
    """Segments whose two faces make the wrong angle, though neither face alone is surely off."""
    if case.cut is not None:
        return
    halves = dressed_halves(case.measurement, case.plan)
    explained = {face.segment for face in case.faces} | set(halves.segments if halves is not None else ())
    found = {
        judged.number: item
        for judged in case.verdicts.segments
        for item in judged.findings
        if item.quantity == "included_angle_deg"
        and item.verdict is Verdict.OUT
        and judged.number is not None
        and judged.number not in explained
    }
    if not found:
        return
    joints = tuple(sorted({joint for number in found for joint in (number, case.after(number))}))
    told = "; ".join(f"segment {number}: {case.say(item)}" for number, item in found.items())
    yield Advice(
        sentence(f"{named('segment', tuple(found))} cut to another angle"),
        f"{sentence(told)}. Each of its faces can be within its limit and both together not. A chip at the "
        "fence or a segment that moved in one of the two cuts does that.",
        f"Look at {named('joint', joints)}: where they are in tolerance, the neighbours make up for it and "
        "nothing needs mending. Where one is open, try the segment with a bevel gauge and true the face "
        "that is off, or cut a new one, before the ring goes into the stack.",
        joints=joints,
        segments=tuple(found),
    )


def whole(case: Case) -> Iterator[Advice]:
    """Size, roundness and centre."""
    for item in case.verdicts.ring.findings:
        if item.verdict is Verdict.OUT:
            yield Advice(
                "The ring as a whole",
                f"The ring: {case.say(item)}.",
                "Compare it with the rings above and below it in the plan: what is not round or not "
                "centred is turned away and takes as much from the wall, so see that there is enough "
                "before it goes into the stack.",
            )


def halves(case: Case) -> Iterator[Advice]:
    """Two halves that were dressed until they met: good to know before the next ring is cut."""
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


def close(case: Case) -> Iterator[Advice]:
    """Segments that this photo cannot call in or out."""
    close = [judged for judged in case.verdicts.segments if judged.verdict is Verdict.CLOSE]
    if not close:
        return
    numbers = tuple(judged.number or 0 for judged in close)
    worst = worst_first(close)[0]
    yield Advice(
        sentence(f"{named('segment', numbers)} too close to call"),
        f"Segment {worst.number}: {case.say(worst.deciding[0])}. A mitre is measured from the segment's "
        "outer edge, which a photo often shows less surely than a joint.",
        "Where the joints beside it are in tolerance, its faces fit their neighbours. If you want to be "
        "sure of its mitres, try them with a bevel gauge, or photograph the ring again from nearer, with "
        "its outer edge clear against the bench, before the ring goes into the stack.",
        segments=numbers,
    )
