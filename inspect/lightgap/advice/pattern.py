"""Patterns in the errors round a ring: what they say together that no joint says alone.

All rest on the closure of a ring: the segments' included angles and the joints' tapers (+ when wider
outside) add up to 360 degrees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from lightgap.measure import JointMeasure, Measurement
from lightgap.plan import Plan
from lightgap.values import COVERAGE_FACTOR, Measured, Value, measured

Array = NDArray[np.float64]

_SURE = 1.5
"""A pattern is told when it is this many times larger than its U: 3 standard uncertainties."""
_OUTLYING = 5.0
"""Robust standard deviations beyond which a segment is off by itself: fewer would trim good ones too."""
_MOST = 0.75
"""Share of the joints that must show a pattern that is said of all of them."""
_EXPLAINED = 0.8
"""Share of the angles' variance that the two dressed joints must explain."""


@dataclass(frozen=True)
class CutError:
    """Every cut is off by the same angle, and the joints show it.

    Attributes
    ----------
    error_deg : Value
        Of one mitre cut, + when the saw stands at too large a mitre.
    joints : tuple of int
        The joints that are open at the same end.
    """

    error_deg: Value
    joints: tuple[int, ...]


@dataclass(frozen=True)
class DressedHalves:
    """The ring was glued as two halves whose ends were dressed flat until they met.

    Attributes
    ----------
    error_deg : Value
        Of one mitre cut, which the dressing hid.
    joints : (int, int)
        The two joints, opposite each other, that were dressed.
    segments : tuple of int
        The four segments beside them, which lost or kept the angle.
    """

    error_deg: Value
    joints: tuple[int, int]
    segments: tuple[int, int, int, int]


@dataclass(frozen=True)
class Slid:
    """A segment that stands nearer to one neighbour than to the other; its gaps add up to what was planned.

    ``towards`` is the joint that became narrower, by ``moved_mm``.
    """

    segment: int
    towards: int
    moved_mm: Value


def cut_error(measurement: Measurement, plan: Plan) -> CutError | None:
    """Read the saw's error from the mean included angle: e = (mean - nominal) / 2.

    A face that is off by itself is left out (5 robust standard deviations). The uncertainty is the
    larger of the segments' own spread and their stated uncertainties, over the root of their number.
    """
    angles = [item.included_angle_deg for item in measurement.segments if item.present]
    known = [angle for angle in angles if isinstance(angle, Value)]
    if len(known) < max(4, _MOST * plan.segments):
        return None
    away = np.array([angle.value for angle in known]) - (plan.pitch_deg - plan.gap_deg)
    stated = np.array([angle.standard for angle in known])
    kept = _agreeing(away, stated)
    error = _half_mean(away[kept], stated[kept])
    if abs(error.value) < _SURE * error.u95:
        return None
    # A segment that is too wide outside leaves its joints open inside, and the other way round.
    alike = _open_at(measurement.joints, plan, -math.copysign(1.0, error.value))
    if len(alike) < _MOST * plan.segments:
        return None
    return CutError(error, alike)


def _agreeing(values: Array, stated: Array) -> NDArray[np.bool_]:
    middle = float(np.median(values))
    spread = max(1.4826 * float(np.median(np.abs(values - middle))), float(np.median(stated)))
    return np.asarray(np.abs(values - middle) <= _OUTLYING * spread)


def _half_mean(values: Array, stated: Array) -> Value:
    count = len(values)
    spread = _few(count - 1) * float(np.std(values, ddof=1)) / math.sqrt(count)
    given = float(np.sqrt(np.sum(stated**2))) / count
    return measured(float(np.mean(values)) / 2.0, {"spread of the segments": max(spread, given) / 2.0})


def _few(freedom: int) -> float:
    """Return the factor by which a spread from few values is less sure (JCGM 100:2008, G.3): t95 / 2."""
    return float(student.ppf(0.9772, freedom)) / COVERAGE_FACTOR


def _open_at(joints: Sequence[JointMeasure], plan: Plan, side: float) -> tuple[int, ...]:
    """Return the joints whose taper, less the planned one, has the sign ``side``."""
    return tuple(
        joint.number
        for joint in joints
        if isinstance(joint.taper_deg, Value) and side * (joint.taper_deg.value - plan.gap_deg) > 0.0
    )


def dressed_halves(measurement: Measurement, plan: Plan) -> DressedHalves | None:
    """Find the signature of two dressed halves in the included angles.

    With an error e per cut all segments measure 360/N + 2e, except the four beside the two dressed
    joints, which measure 360/N + 2e - N e / 2, so that the sum stays 360. Fitted by least squares for
    each pair of opposite joints; the best pair must explain most of the angles' variance. With eight
    segments half of them lie beside dressed joints, so that the sign cannot be told.
    """
    count = plan.segments
    angles = [item.included_angle_deg for item in measurement.segments]
    if count < 10 or count % 2 or not all(isinstance(angle, Value) for angle in angles):
        return None
    known = [angle for angle in angles if isinstance(angle, Value)]
    away = np.array([angle.value for angle in known]) - (plan.pitch_deg - plan.gap_deg)
    stated = float(np.sqrt(np.mean([angle.standard**2 for angle in known])))
    signatures = np.stack([_signature(count, first) for first in range(count // 2)])
    power = float(signatures[0] @ signatures[0])
    errors = signatures @ away / power
    rest = away - errors[:, None] * signatures
    first = int(np.argmin(np.sum(rest**2, axis=1)))
    left = float(np.sum(rest[first] ** 2))
    spread = max(_few(count - 2) * math.sqrt(left / (count - 2)), stated)
    error = measured(float(errors[first]), {"spread of the segments": spread / math.sqrt(power)})
    if left > (1.0 - _EXPLAINED) * float(np.sum(away**2)) or abs(error.value) < _SURE * error.u95:
        return None
    joints = first + 1, first + 1 + count // 2
    beside = sorted({(joint - 2) % count + 1 for joint in joints} | set(joints))
    return DressedHalves(error, joints, (beside[0], beside[1], beside[2], beside[3]))


def _signature(count: int, first: int) -> Array:
    """Return each segment's deviation for e = 1 with dressed joints ``first`` + 1 and the opposite one."""
    signature = np.full(count, 2.0)
    for joint in (first, first + count // 2):
        signature[[joint - 1, joint]] -= count / 2.0
    return signature


def slid_segments(measurement: Measurement, plan: Plan) -> tuple[Slid, ...]:
    """Find segments of a spaced ring with one gap wider and the other narrower by about the same.

    Both must be surely off, and by more than half of the gap's tolerance; a joint is explained by one
    segment only, the one that slid farthest.
    """
    if plan.joint == "closed":
        return ()
    joints = measurement.joints
    pairs = ((joint, joints[joint.number % plan.segments]) for joint in joints)
    moved = [slid for pair in pairs if (slid := _slid(*pair, plan)) is not None]
    found: dict[int, Slid] = {}
    for slid in sorted(moved, key=lambda item: -item.moved_mm.value):
        beside = slid.segment, slid.segment % plan.segments + 1
        if not found.keys() & set(beside):
            found |= dict.fromkeys(beside, slid)
    return tuple(sorted(set(found.values()), key=lambda item: item.segment))


def _slid(before: JointMeasure, after: JointMeasure, plan: Plan) -> Slid | None:
    first, second = _beyond(before.gap_middle_mm, plan), _beyond(after.gap_middle_mm, plan)
    if first is None or second is None:
        return None
    apart, together = first.value - second.value, first.value + second.value
    least = 0.5 * (plan.tolerance.gap_mm or 0.0)
    sure = all(abs(away.value) > max(_SURE * away.u95, least) for away in (first, second))
    if not sure or abs(together) > 0.5 * abs(apart):
        return None
    standard = math.hypot(first.standard, second.standard) / 2.0
    towards = after.number if apart > 0.0 else before.number
    return Slid(before.number, towards, measured(abs(apart) / 2.0, {"both gaps": standard}))


def _beyond(gap: Measured, plan: Plan) -> Value | None:
    return Value(gap.value - plan.gap_mm, gap.budget) if isinstance(gap, Value) else None


def common_gap_error(measurement: Measurement, plan: Plan) -> Value | None:
    """Return by how much all gaps of a spaced ring differ from the plan, when they do so together."""
    mean = _beyond(measurement.ring.mean_gap_mm, plan)
    if plan.joint == "closed" or mean is None or abs(mean.value) < _SURE * mean.u95:
        return None
    gaps = [_beyond(joint.gap_middle_mm, plan) for joint in measurement.joints]
    alike = [gap for gap in gaps if gap is not None and gap.value * mean.value > 0.0]
    return mean if len(alike) >= _MOST * plan.segments else None


def moisture_deg(mitre_deg: float, change_percent: float) -> tuple[float, float]:
    """Return how far wood that gained or lost moisture after the cut has turned its mitres, least and most.

    Width changes and length does not: d(mitre) = 0.5 sin(2 mitre) C dMC, with the tangential
    coefficients of black cherry (0.00248 per percent) and American beech (0.00431), the ends of the
    range of common turning woods; USDA Wood Handbook, FPL-GTR-190, table 13-5.

    Examples
    --------
    >>> tuple(round(angle, 2) for angle in moisture_deg(15.0, 4.0))
    (0.14, 0.25)
    """
    turn = 0.5 * math.sin(math.radians(2.0 * mitre_deg)) * change_percent
    least, most = (math.degrees(turn * coefficient) for coefficient in (0.00248, 0.00431))
    return least, most


def wedge_mm(error: CutError, plan: Plan) -> Value:
    """Return the one gap that the errors of all 2 N cuts make together, over a joint's length."""
    inner, outer = plan.joint_radii_mm
    size = abs(math.radians(2.0 * plan.segments)) * (outer - inner)
    return Value(
        size * abs(error.error_deg.value),
        measured(0.0, {"cut": size * error.error_deg.u95 / COVERAGE_FACTOR}).budget,
    )
