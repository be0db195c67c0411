"""Every sentence about a verdict that a person reads, and the sign that stands for it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lightgap.judge import Finding, Judged, Verdict, Verdicts, badness
from lightgap.plan import Plan
from lightgap.show.figures import Units, figure, plain
from lightgap.values import Unknown, Value


@dataclass(frozen=True)
class Sign:
    """How a verdict is shown: never by colour alone.

    Attributes
    ----------
    mark : str
        One ASCII character for a terminal.
    short : str
        The verdict in one short word, for a label.
    shape : str
        "circle", "square", "triangle" or "diamond".
    colour : str
        "#rrggbb", from the palette of Okabe and Ito, told apart with any colour vision.
    """

    mark: str
    short: str
    shape: str
    colour: str


SIGNS = {
    Verdict.IN: Sign("o", "in", "circle", "#0072B2"),
    Verdict.OUT: Sign("x", "out", "square", "#D55E00"),
    Verdict.CLOSE: Sign("?", "close", "triangle", "#F0E442"),
    Verdict.UNMEASURED: Sign("-", "unseen", "diamond", "#999999"),
}


_LEAST_RUN = 4
"""Fewer numbers are sooner read one by one."""


def joined(items: Sequence[object]) -> str:
    """Write a list as said aloud.

    Examples
    --------
    >>> joined([3]), joined([3, 8]), joined([3, 8, 11])
    ('3', '3 and 8', '3, 8 and 11')
    """
    shown = [str(item) for item in items]
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def named(noun: str, numbers: Sequence[int]) -> str:
    """Name one or several by number; of a longer run, its ends.

    Examples
    --------
    >>> named("joint", [3]), named("joint", [3, 8, 9]), named("joint", [1, 2, 3, 4, 5, 8])
    ('joint 3', 'joints 3, 8 and 9', 'joints 1 to 5 and 8')
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = [part for run in runs for part in (run if len(run) < _LEAST_RUN else [f"{run[0]} to {run[-1]}"])]
    return f"{noun}{'' if len(numbers) == 1 else 's'} {joined(told)}"


def counted(count: int, noun: str) -> str:
    """Write a count with its noun.

    Examples
    --------
    >>> counted(1, "joint"), counted(3, "joint")
    ('1 joint', '3 joints')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


_UNMEASURED_NAME = {
    "gap_mm": "gap",
    "taper_deg": "taper",
    "pitch_error_deg": "place round the ring",
    "skew_deg": "direction",
    "included_angle_deg": "angle between its faces",
    "mitre_deg": "face",
    "outer_length_mm": "outer length",
    "radial_offset_mm": "place in or out",
    "twist_deg": "twist",
    "across_flats_mm": "size",
    "out_of_round_mm": "roundness",
    "inner_offset_mm": "centre of the hole",
}


def say(finding: Finding, units: Units = "mm") -> str:
    """Say one finding that has a value in a few words, to follow "joint 8" or "segment 7:"."""
    said = _said(finding, units)
    if finding.verdict is Verdict.CLOSE:
        limit = plain(finding.limit, finding.quantity, units)
        return f"{said}, too close to the limit of {limit} to call"
    return said


def _name(finding: Finding) -> str:
    name = _UNMEASURED_NAME[finding.quantity]
    if finding.place is None:
        return name
    return f"{finding.place} {name}" if name == "face" else f"{name} at the {finding.place}"


def _unmeasured(judged: Judged) -> tuple[str, ...]:
    """Name together all that could not be measured for the same reason."""
    names: dict[str, list[str]] = {}
    for item in judged.deciding:
        reason = item.measured.reason if isinstance(item.measured, Unknown) else "no figure came of it"
        names.setdefault(reason, []).append(_name(item))
    return tuple(f"{joined(group)} not measured: {reason}" for reason, group in names.items())


def _said(finding: Finding, units: Units) -> str:
    quantity = finding.quantity
    shown = figure(finding.measured, quantity, units)
    more = not finding.deviation < 0.0
    off, just_off = _size(finding, units), _size(finding, units, alone=True)
    match quantity:
        case "gap_mm" if not finding.two_sided:
            return f"open {shown} at the {finding.place}"
        case "gap_mm":
            beyond = (
                f", {just_off} too {'wide' if more else 'narrow'}" if finding.verdict is Verdict.OUT else ""
            )
            return f"gap {shown} at the {finding.place}{beyond}"
        case "taper_deg" if finding.nominal == 0.0:
            return f"wider {'outside' if more else 'inside'} by {off}"
        case "taper_deg":
            return f"tapers by {shown}, {just_off} too {'much' if more else 'little'}"
        case "pitch_error_deg":
            return f"stands {off} too far {'clockwise' if more else 'anticlockwise'}"
        case "skew_deg":
            return f"leans {off} from the line to the centre"
        case "included_angle_deg":
            return f"angle between its faces {off} too {'large' if more else 'small'}"
        case "mitre_deg":
            return f"{finding.place} face {off} off"
        case "outer_length_mm":
            return f"{off} too {'long' if more else 'short'} at its outer edge"
        case "radial_offset_mm":
            return f"stands {off} too far {'out' if more else 'in'}"
        case "twist_deg":
            return f"turned {off} in its place"
        case "across_flats_mm":
            return f"{off} too {'large' if more else 'small'}"
        case "out_of_round_mm":
            return f"{shown} out of round"
        case _:
            return f"hole {shown} off centre"


def _size(finding: Finding, units: Units, *, alone: bool = False) -> str:
    """Write how far off it is, without a sign, with the value's own uncertainty."""
    if not isinstance(finding.measured, Value):
        return figure(finding.measured, finding.quantity, units)
    size = Value(abs(finding.deviation), finding.measured.budget)
    return figure(size, finding.quantity, units, alone=alone)


def reasons(judged: Judged, units: Units = "mm") -> tuple[str, ...]:
    """Say why a joint, a segment or the ring is not in tolerance, the worst first; () when it is.

    One sentence for each quantity: of a gap only the station that is worst.
    """
    if judged.absent:
        return ("missing",)
    if judged.reason is not None:
        return (f"not measured: {judged.reason}",)
    if judged.verdict is Verdict.UNMEASURED:
        return _unmeasured(judged)
    first: dict[tuple[str, str | None], Finding] = {}
    for finding in judged.deciding:
        place = None if finding.quantity == "gap_mm" else finding.place
        first.setdefault((finding.quantity, place), finding)
    return tuple(say(finding, units) for finding in first.values())


def called(judged: Judged, noun: str, units: Units = "mm") -> str:
    """Say the first thing about one joint or segment, by its name: "joint 8 open 0.36 mm at the outside"."""
    name = f"{noun} {judged.number}"
    if judged.absent:
        return f"{name} is missing"
    if judged.reason is not None:
        return f"{name} could not be measured: {judged.reason}"
    if judged.verdict is Verdict.IN:
        gap = _widest_gap([judged])
        return f"{name} {judged.verdict}{f', {say(gap, units)}' if gap is not None else ''}"
    colon = ":" if noun == "segment" else ""
    return f"{name}{colon} {reasons(judged, units)[0]}"


def headline(verdicts: Verdicts, units: Units = "mm") -> str:
    """Say in one sentence what is wrong first, or that nothing is."""
    match verdicts.overall:
        case Verdict.OUT:
            said = _wrong_first(verdicts, units)
        case Verdict.CLOSE:
            said = f"nothing is out of tolerance; {_undecided(verdicts, Verdict.CLOSE, units)}"
        case Verdict.UNMEASURED:
            unseen = _undecided(verdicts, Verdict.UNMEASURED, units)
            said = f"nothing measured is out of tolerance; {unseen}"
        case _:
            joints, segments = len(verdicts.joints), len(verdicts.segments)
            said = f"all {joints} joints and {segments} segments are in tolerance{_widest(verdicts, units)}"
    return said[0].upper() + said[1:]


def _wrong_first(verdicts: Verdicts, units: Units) -> str:
    """Name the worst joint and the worst segment that are out, neighbours if there are such."""
    joints, segments = _out(verdicts.joints), _out(verdicts.segments)
    if not joints and not segments:
        return f"the ring: {reasons(verdicts.ring, units)[0]}"
    segment, joint = _first_pair(joints, segments, len(verdicts.joints))
    neighbours = segment and joint and _beside(segment, joint, len(verdicts.joints))
    pair = [(noun, item) for noun, item in (("segment", segment), ("joint", joint)) if item is not None]
    if not neighbours:
        pair.sort(key=lambda named: -named[1].severity)
    said = [called(item, noun, units) for noun, item in pair]
    more = [
        counted(len(group) - 1, f"more {noun}")
        for noun, group in (("joint", joints), ("segment", segments))
        if len(group) > 1
    ]
    rest = f"; {' and '.join(more)} out of tolerance" if more else ""
    return f"{(', ' if neighbours else '; ').join(said)}{rest}"


def _out(judged: Iterable[Judged]) -> list[Judged]:
    """Those that are out of tolerance, the worst first."""
    return worst_first(item for item in judged if item.verdict is Verdict.OUT)


def _first_pair(
    joints: Sequence[Judged], segments: Sequence[Judged], count: int
) -> tuple[Judged | None, Judged | None]:
    """Choose the worst of all, and of the other kind its neighbour; without one, the worst."""
    if not joints or not segments:
        return next(iter(segments), None), next(iter(joints), None)
    segment, joint = segments[0], joints[0]
    if segment.severity >= joint.severity:
        return segment, next((item for item in joints if _beside(segment, item, count)), joint)
    return next((item for item in segments if _beside(item, joint, count)), segment), joint


def _beside(segment: Judged, joint: Judged, count: int) -> bool:
    """Segment k lies between joints k and k + 1."""
    return joint.number in (segment.number, (segment.number or 0) % count + 1)


def _undecided(verdicts: Verdicts, verdict: Verdict, units: Units) -> str:
    """Name the joints and segments that could not be judged; of a single one, why."""
    plural = "are too close to call" if verdict is Verdict.CLOSE else "could not be measured"
    said = []
    for noun, group in (("joint", verdicts.joints), ("segment", verdicts.segments)):
        alike = [item for item in group if item.verdict is verdict]
        if len(alike) > 1:
            said.append(f"{named(noun, [item.number or 0 for item in alike])} {plural}")
        elif alike:
            said.append(called(alike[0], noun, units))
    return ", and ".join(said) or f"the ring: {reasons(verdicts.ring, units)[0]}"


def _widest(verdicts: Verdicts, units: Units) -> str:
    """Say how wide the widest closed joint is; of other joints the plan's own figure says enough."""
    gap = _widest_gap(verdicts.joints)
    if gap is None:
        return ""
    number = next(judged.number for judged in verdicts.joints if gap in judged.findings)
    return f"; the widest is joint {number}, {say(gap, units)}"


def _widest_gap(joints: Iterable[Judged]) -> Finding | None:
    """Return the finding of the widest gap among closed joints, if any has a width."""
    gaps = [
        item
        for judged in joints
        for item in judged.findings
        if item.quantity == "gap_mm" and not item.two_sided and isinstance(item.measured, Value)
    ]
    widest = max(gaps, key=lambda item: item.deviation, default=None)
    return widest if widest is not None and widest.deviation > 0.0 else None


def describe_plan(plan: Plan, units: Units = "mm") -> str:
    """Say a plan in one line.

    Examples
    --------
    >>> describe_plan(Plan(12, "spaced", 240.0, 32.0, 19.0, gap_mm=3.0))
    '12 segments, joints spaced 3 mm, 240 mm across flats, 32 mm wide, 19 mm thick'
    """
    gap = plain(plan.gap_mm, "gap_mm", units)
    joints = {
        "closed": "closed joints",
        "spaced": f"joints spaced {gap}",
        "tapered": f"joints tapered by {plain(plan.gap_deg, 'gap_deg')}, {gap} at the middle",
    }[plan.joint]
    size = plain(plan.across_flats_mm, "across_flats_mm", units)
    across = f"{size} across flats" if plan.outline == "polygon" else f"round, {size} in diameter"
    width, thickness = (plain(length, "_mm", units) for length in (plan.width_mm, plan.thickness_mm))
    return f"{plan.segments} segments, {joints}, {across}, {width} wide, {thickness} thick"


def worst_first(judged: Iterable[Judged]) -> list[Judged]:
    """Sort by verdict, then by how many times its limit the worst value is off."""
    return sorted(judged, key=lambda item: (-badness(item.verdict), -item.severity, item.number or 0))
