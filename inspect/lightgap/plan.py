"""What the ring should be: the plan, and the tolerances it is judged against."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal, TypeGuard, get_args

from lightgap.errors import PlanError

JointStyle = Literal["closed", "spaced", "tapered"]
OutlineShape = Literal["polygon", "round"]

LEAST_SEGMENTS, MOST_SEGMENTS = 3, 100
_SIZES_MM = (10.0, 3000.0)
_HEIGHTS_MM = (0.5, 300.0)
_LARGEST_PLAN_BYTES = 100_000
_NO_MEASURE = 1e9  # no number from here on, and none that is not a number, is below it


@dataclass(frozen=True)
class Tolerance:
    """Limits as plus or minus about nominal; None is not judged.

    Lengths in mm, angles in degrees. For a closed joint the gap's limit is one-sided: 0 to ``gap_mm``.
    """

    gap_mm: float | None = None
    taper_deg: float | None = None
    pitch_error_deg: float | None = None
    skew_deg: float | None = None
    included_angle_deg: float | None = None
    mitre_deg: float | None = None
    outer_length_mm: float | None = None
    radial_offset_mm: float | None = None
    twist_deg: float | None = None
    across_flats_mm: float | None = None
    out_of_round_mm: float | None = None
    inner_offset_mm: float | None = None

    def to_dict(self) -> dict[str, float | None]:
        return {item.name: getattr(self, item.name) for item in fields(self)}


@dataclass(frozen=True)
class Plan:
    """What the ring should be; the fields are the keys of ring.toml.

    Attributes
    ----------
    segments : int
        N, 3 or more.
    joint : "closed", "spaced" or "tapered"
    across_flats_mm : float
        Outer size across flats; for a round outline the diameter.
    width_mm, thickness_mm : float
        Radial width of the wood, and its height from the bench.
    gap_mm : float
        Nominal gap at the middle of a spaced or tapered joint; 0 when closed.
    gap_deg : float
        Nominal taper of a tapered joint, positive when wider outside.
    outline : "polygon" or "round"
    reference_height_mm : float
        Height of the cards above the bench: 0, or the ring's thickness when they lie on blocks.
    tolerance : Tolerance
    """

    segments: int
    joint: JointStyle
    across_flats_mm: float
    width_mm: float
    thickness_mm: float
    gap_mm: float = 0.0
    gap_deg: float = 0.0
    outline: OutlineShape = "polygon"
    reference_height_mm: float = 0.0
    tolerance: Tolerance = field(default_factory=Tolerance)

    @property
    def mitre_deg(self) -> float:
        """Mitre angle 180/N."""
        return 180.0 / self.segments

    @property
    def pitch_deg(self) -> float:
        """Joint pitch 360/N."""
        return 360.0 / self.segments

    @property
    def outer_mm(self) -> float:
        """Distance from the centre to a flat (polygon), or the outer radius (round)."""
        return self.across_flats_mm / 2.0

    @property
    def inner_mm(self) -> float:
        """The same for the inner edge."""
        return self.outer_mm - self.width_mm

    @property
    def joint_radii_mm(self) -> tuple[float, float]:
        """Distance from the centre to the inner and to the outer end of a joint's centre line."""
        stretch = 1.0 / math.cos(math.radians(self.mitre_deg)) if self.outline == "polygon" else 1.0
        return self.inner_mm * stretch, self.outer_mm * stretch

    @property
    def middle_radius_mm(self) -> float:
        """Distance from the centre to a joint's middle."""
        return sum(self.joint_radii_mm) / 2.0

    def edge_length_mm(self, distance_mm: float) -> float:
        """Nominal length of a segment's edge at ``distance_mm`` from the centre, between its two faces.

        A face stands half the gap from its joint's centre line at mid-length and turns from it by half
        the taper; its end is where it meets the edge. For a closed polygon ring that is
        2 x distance x tan(180/N); a parallel gap g takes g / cos(180/N) from it; for a round outline it
        is the chord.
        """
        mitre = math.radians(self.mitre_deg)
        turn = math.tan(math.radians(self.gap_deg) / 2.0)
        # In the joint frame (u outward, v across): v = start + turn * u.
        start = self.gap_mm / 2.0 - turn * self.middle_radius_mm
        if self.outline == "polygon":
            u = (distance_mm - start * math.sin(mitre)) / (math.cos(mitre) + turn * math.sin(mitre))
        else:
            root = math.sqrt(max(distance_mm**2 * (1.0 + turn**2) - start**2, 0.0))
            u = (root - turn * start) / (1.0 + turn**2)
        return 2.0 * (u * math.sin(mitre) - (start + turn * u) * math.cos(mitre))


_CLOSED = Tolerance(
    gap_mm=0.15,
    taper_deg=0.30,
    pitch_error_deg=0.30,
    included_angle_deg=0.35,
    mitre_deg=0.35,
    radial_offset_mm=0.50,
)
_OPEN = Tolerance(
    gap_mm=0.30,
    taper_deg=0.25,
    pitch_error_deg=0.30,
    included_angle_deg=0.40,
    mitre_deg=0.40,
    radial_offset_mm=0.50,
)


def default_tolerance(joint: JointStyle) -> Tolerance:
    """Return the limits that apply where a plan sets none; README.md has the sources.

    A closed joint's 0.15 mm is the thickest PVA bond line of full strength; 0.30 degrees of taper open a
    joint of 29 mm by as much. The limits of spaced and tapered joints, of place, of a segment's own
    angles (which its joints show more finely) and of what the lathe takes off are common practice,
    without a source. Ring size, roundness, skew, twist and edge lengths are measured but not judged.
    """
    return _CLOSED if joint == "closed" else _OPEN


def read_plan(path: Path) -> Plan:
    """Read a plan from a TOML file.

    Raises
    ------
    PlanError
        If there is no such file, if it is no TOML, or if no ring can have its numbers.
    """
    return plan_from_mapping(read_toml(path))


def read_toml(path: Path) -> dict[str, Any]:
    """Read the keys of a plan's file, unchecked.

    Raises
    ------
    PlanError
        If there is no such file, or if it is no TOML.
    """
    try:
        if path.stat().st_size > _LARGEST_PLAN_BYTES:
            raise PlanError(
                f"{path} is far too large for a plan.", "Name the plan's own file, not the photo."
            )
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError(
            f"The plan {path} cannot be read: {error.strerror or error}.", "Check its name and folder."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        why = error if isinstance(error, tomllib.TOMLDecodeError) else "it is no text"
        raise PlanError(
            f"{path} is not written as a plan: {why}.",
            "Write one key on each line, numbers with a point and words in quotes: width_mm = 32.5, "
            'joint = "closed".',
        ) from error


def plan_from_mapping(values: Mapping[str, Any]) -> Plan:
    """Make a plan from the keys of ring.toml, checked.

    ``gap_mm`` of a tapered joint is by default that of a wedge that points at the ring's centre. A
    limit that ``tolerance`` leaves out is the default; false (null in JSON) means not judged.

    Raises
    ------
    PlanError
        Whose message names the key that is wrong.

    Examples
    --------
    >>> plan = plan_from_mapping({"segments": 8, "joint": "tapered", "gap_deg": 2.0, "across_flats_mm": 240,
    ...                           "width_mm": 44, "thickness_mm": 24, "tolerance": {"taper_deg": 0.2}})
    >>> round(plan.gap_mm, 2), plan.tolerance.taper_deg, plan.tolerance.gap_mm
    (3.7, 0.2, 0.3)
    """
    _known(values, [item.name for item in fields(Plan)], "a plan")
    needed = ("segments", "joint", "across_flats_mm", "width_mm", "thickness_mm")
    missing = [key for key in needed if values.get(key) is None]
    if missing:
        raise PlanError(
            f"{_listed(missing)} {'is' if len(missing) == 1 else 'are'} missing from the plan.",
            "Give them in the plan's file or as options, lengths in mm.",
        )
    joint = _choice(values, "joint", get_args(JointStyle))
    plan = Plan(
        segments=_whole(values, "segments"),
        joint=joint,
        across_flats_mm=_number(values, "across_flats_mm", _SIZES_MM),
        width_mm=_number(values, "width_mm", (0.5, math.inf)),
        thickness_mm=_number(values, "thickness_mm", _HEIGHTS_MM),
        outline=_choice(values, "outline", get_args(OutlineShape), "polygon"),
        reference_height_mm=_number(values, "reference_height_mm", (0.0, _HEIGHTS_MM[1]), 0.0),
        tolerance=_tolerance(values.get("tolerance"), joint),
    )
    if plan.width_mm >= plan.outer_mm:
        raise PlanError(
            f"width_mm {plan.width_mm:g} is not less than the ring's radius of {plan.outer_mm:g} mm.",
            "Measure the width of the wood from the outer to the inner edge.",
        )
    return _with_gap(plan, values)


def to_mapping(plan: Plan) -> dict[str, Any]:
    """Return the keys of ring.toml, all of them; `plan_from_mapping` makes the same plan of them."""
    keys = {item.name: getattr(plan, item.name) for item in fields(plan)}
    limits = plan.tolerance.to_dict()
    keys["tolerance"] = {key: False if limit is None else limit for key, limit in limits.items()}
    return keys


def _with_gap(plan: Plan, values: Mapping[str, Any]) -> Plan:
    """Add the gap and the taper that go with the style of joint, checked against the segments' size."""
    gap = _number(values, "gap_mm", (0.0, math.inf), 0.0)
    taper = _number(values, "gap_deg", (-45.0, 45.0), 0.0)
    if plan.joint == "closed" and (gap or taper):
        key = "gap_mm" if gap else "gap_deg"
        raise PlanError(
            f"{key} {gap or taper:g} does not go with closed joints.",
            'Leave it out, or write joint = "spaced" or "tapered"; how far a closed joint may stand open is '
            "the tolerance's gap_mm.",
        )
    if plan.joint == "spaced" and (taper or not gap):
        key, what = ("gap_deg", "must be left out") if taper else ("gap_mm", "must be above 0")
        raise PlanError(f"{key} {what} for spaced joints.", "Give gap_mm, the thickness of the spacers.")
    if plan.joint == "tapered":
        if not taper:
            raise PlanError("gap_deg is missing for tapered joints.", "Give the angle between the two faces.")
        if values.get("gap_mm") is None:
            gap = 2.0 * plan.middle_radius_mm * math.tan(math.radians(taper) / 2.0)
            if gap < 0.0:
                raise PlanError(
                    "gap_mm is missing for joints that are wider inside.", "Give the gap at mid-length."
                )
    plan = replace(plan, gap_mm=gap, gap_deg=taper)
    inner, outer = plan.joint_radii_mm
    if gap < abs(math.tan(math.radians(taper) / 2.0)) * (outer - inner):
        raise PlanError(
            f"gap_mm {gap:g} is too narrow for gap_deg {taper:g}: the faces would cross.",
            "Give the gap at mid-length, or leave gap_mm out for joints that point at the centre.",
        )
    if min(plan.edge_length_mm(plan.inner_mm), plan.edge_length_mm(plan.outer_mm)) <= 0.0:
        key = "gap_deg" if values.get("gap_mm") is None else "gap_mm"
        raise PlanError(
            f"{key} {values[key]:g} leaves no wood for {plan.segments} segments of this size.",
            f"Check {key}, width_mm and segments.",
        )
    return plan


def _tolerance(values: Any, joint: JointStyle) -> Tolerance:
    if values is None:
        return default_tolerance(joint)
    if not isinstance(values, Mapping):
        raise PlanError(
            "tolerance is not a table of limits.", "Write [tolerance], and one limit on each line."
        )
    _known(values, [item.name for item in fields(Tolerance)], "the tolerances")
    limits = {key: _limit(values, key) for key in values}
    return replace(default_tolerance(joint), **limits)


def _limit(values: Mapping[str, Any], key: str) -> float | None:
    limit = values[key]
    if limit is None or limit is False:
        return None
    if limit == 0.0 or not _is_number(limit) or limit < 0.0:
        raise PlanError(
            f"{key} {_shown(limit)} is no tolerance.", "Give a number above 0, or false to leave it unjudged."
        )
    return float(limit)


def _known(values: Mapping[str, Any], keys: Iterable[str], what: str) -> None:
    keys = list(keys)
    for key in values:
        if key in keys:
            continue
        near = difflib.get_close_matches(str(key), keys, 1)
        hint = f"Did you mean {near[0]}?" if near else f"The keys are {_listed(keys)}."
        raise PlanError(f"{_shown(key)} is no key of {what}.", hint)


def _choice(values: Mapping[str, Any], key: str, choices: tuple[Any, ...], default: Any = None) -> Any:
    choice = values.get(key)
    if choice is None:
        choice = default
    if not isinstance(choice, str) or choice not in choices:
        raise PlanError(f"{key} cannot be {_shown(choice)}.", f"It is one of {_listed(choices)}.")
    return choice


def _whole(values: Mapping[str, Any], key: str) -> int:
    number = values[key]
    if not _is_number(number) or number != int(number):
        raise PlanError(f"{key} {_shown(number)} is no whole number.", "Count the segments of the ring.")
    if not LEAST_SEGMENTS <= number <= MOST_SEGMENTS:
        raise PlanError(
            f"{key} {_shown(number)} is not possible: a ring here has {LEAST_SEGMENTS} to {MOST_SEGMENTS}.",
            "Count the segments of the ring.",
        )
    return int(number)


def _number(
    values: Mapping[str, Any], key: str, limits: tuple[float, float], default: float | None = None
) -> float:
    number = values.get(key)
    if number is None and default is not None:
        return default
    if not _is_number(number):
        raise PlanError(f"{key} {_shown(number)} is not a number.", f"Give {key} as a number such as 32.5.")
    if not limits[0] <= number <= limits[1]:
        unit = "mm" if key.endswith("_mm") else "degrees"
        least, most = limits
        span = f"{least:g} to {most:g} {unit}" if math.isfinite(most) else f"at least {least:g} {unit}"
        raise PlanError(f"{key} {_shown(number)} is not possible: it must be {span}.", "Measure it again.")
    return float(number)


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _NO_MEASURE


def _shown(value: Any) -> str:
    text = str(value) if not isinstance(value, str) else f"'{value}'"
    return text if len(text) <= 40 else f"{text[:37]}..."


def _listed(words: Iterable[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last
