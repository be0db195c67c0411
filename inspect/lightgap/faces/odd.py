"""What the segments' lengths say of the faces: all are cut to one length, against one stop.

A lit wall's foot, a shadow line or a grain line taken for a top edge looks as sure as the edge itself. But
where a segment comes out longer and the gap beside it narrower by the same length, or shorter and wider,
one of the two faces may be another line; and a lamp whose strips make the lengths differ more is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LEAST_MM = 0.35
"""A segment's length may well be off by less."""
_SCATTERS = 5.0
_SHARES = (0.6, 1.6)
"""How much of the segment's excess is missing from the gap, where one line was taken for another."""
_FEWEST = 5
_CLIPPED_MM = 0.4
"""One badly cut segment says nothing of the lamp."""


@dataclass(frozen=True, eq=False)
class JointPlaces:
    """Where both faces of a joint were found: their middles, ring frame, mm."""

    number: int
    a_mm: Array
    b_mm: Array

    @property
    def gap_mm(self) -> float:
        """Between the two middles."""
        return float(np.hypot(*(self.b_mm - self.a_mm)))


def length_scatter_mm(joints: list[JointPlaces], segments: int) -> float:
    """How far the segments' lengths lie from their median: root mean square, single ones clipped."""
    _, lengths = _lengths(joints, segments)
    if not lengths.size:
        return 0.0
    return float(np.sqrt(np.mean(np.minimum((lengths - np.median(lengths)) ** 2, _CLIPPED_MM**2))))


def _lengths(joints: list[JointPlaces], segments: int) -> tuple[list[tuple[int, int]], Array]:
    """The two joints (indices) of each segment that has both, and its length at their middles, mm."""
    by_number = {joint.number: index for index, joint in enumerate(joints)}
    ends = [
        (index, by_number[joint.number % segments + 1])
        for index, joint in enumerate(joints)
        if joint.number % segments + 1 in by_number
    ]
    return ends, np.array([np.hypot(*(joints[after].a_mm - joints[before].b_mm)) for before, after in ends])


def odd_faces(joints: list[JointPlaces], segments: int) -> Array:
    """Standard uncertainty of each face for being perhaps another line, mm.

    Returns
    -------
    ndarray, shape (len(joints), 2)
        Of faces a and b; 0 where nothing speaks against the face. Either of two lines, as likely as the
        other: their distance over the root of two.
    """
    either = np.zeros((len(joints), 2))
    ends, lengths = _lengths(joints, segments)
    if len(ends) < _FEWEST:
        return either
    gaps = np.array([joint.gap_mm for joint in joints])
    missing = np.median(gaps) - gaps
    excess = lengths - np.median(lengths)
    limit = max(_LEAST_MM, _SCATTERS * 1.4826 * float(np.median(np.abs(excess))))
    for (before, after), much in zip(ends, excess, strict=True):
        if abs(much) < limit:
            continue
        for index, face in ((before, 1), (after, 0)):
            if _SHARES[0] < missing[index] / much < _SHARES[1]:
                either[index, face] = abs(much) / np.sqrt(2.0)
    return either
