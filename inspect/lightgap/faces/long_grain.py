"""Grain that runs along the joints, which makes a ring's fits less sure than each of them can tell.

A fit's covariance is made of short blocks of rows: light is alike over a few rows where grain crosses a
joint, but over much of its length where grain runs along it. Long sections of the length tell more scatter
then; of one joint they are too few to be told from chance. A ring's wood is cut one way, so its joints tell
together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_FEWEST = 4
_RUNS_ALONG = 1.4
"""Median ratio from which grain runs along: passed by 10 of 13 closed rings whose grain does (drawn, seed
601), by 10 of 72 others, and by none of 17 photographs."""
_OF_SIX = 1.22
"""Student's t of 95 % at the six degrees of freedom that eight sections leave a line's place and turn, over
the 2 of U = 2 u (JCGM 100:2008, table G.2)."""


def widened(covariances: Sequence[Array], by_sections: Sequence[Array]) -> list[Array]:
    """Covariances of the fits of a ring's lines, wider where grain runs along.

    Parameters
    ----------
    covariances : sequence of ndarray, shape (p, p)
    by_sections : sequence of ndarray, shape (p,)
        Each parameter's variance by sections over that by blocks, as `lightgap.faces.levels.LevelFit` has it.
    """
    if len(by_sections) < _FEWEST or np.mean(np.median(by_sections, axis=0)) < _RUNS_ALONG:
        return list(covariances)
    times = np.maximum(_OF_SIX * np.sqrt(by_sections), 1.0)
    return [
        np.asarray(covariance * np.outer(more, more))
        for covariance, more in zip(covariances, times, strict=True)
    ]
