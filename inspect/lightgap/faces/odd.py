"""What the segments' lengths say of the faces: all are cut to one length, against one stop.

A lit wall's foot, a shadow line or a grain line taken for a top edge looks as sure as the edge itself. But
where a segment comes out longer and the gap beside it narrower by the same length, or shorter and wider,
one of the two faces may be another line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.which import JointPlaces, segment_lengths

Array = NDArray[np.float64]

_LEAST_MM = 0.35
"""A segment's length may well be off by less."""
_SCATTERS = 5.0
_SHARES = (0.6, 1.6)
"""How much of the segment's excess is missing from the gap, where one line was taken for another."""
_FEWEST = 5


def odd_faces(joints: list[JointPlaces], segments: int) -> Array:
    """Standard uncertainty of each face for being perhaps another line, mm.

    Returns
    -------
    ndarray, shape (len(joints), 2)
        Of faces a and b; 0 where nothing speaks against the face. Either of two lines, as likely as the
        other: their distance over the root of two.
    """
    either = np.zeros((len(joints), 2))
    ends, lengths = segment_lengths(joints, segments)
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
