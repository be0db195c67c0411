"""Which of several lines each edge is: what its wall shows, and that segments and gaps are alike.

A face belongs to one gap and to one segment: taken for another line, it makes the one too narrow and
the other too long. Round the ring the faces make a chain, so that the probability of every line of every
face follows exactly, by sums and products along it (J. Pearl, Probabilistic Reasoning in Intelligent
Systems, 1988, chapter 4).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.lamp import Lines

Array = NDArray[np.float64]

_LEAST_SCATTER_MM = 0.05
_FREEDOM = 4.0
"""Of Student's distribution: a segment that was cut wrong is no reason to distrust its faces."""
_ROUNDS = 3
_FEWEST = 3
_SAME_LINE_MM = 0.13
"""Lines so near to the likeliest are one line, seen with strips of other widths below it."""


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


@dataclass(frozen=True)
class Choice:
    """The line that a face is: how far it lies clockwise of the plain edge, and its standard uncertainty."""

    shift_mm: float
    standard_mm: float


def segment_lengths(joints: list[JointPlaces], segments: int) -> tuple[list[tuple[int, int]], Array]:
    """The two joints (indices) of each segment that has both, and its length at their middles, mm."""
    by_number = {joint.number: index for index, joint in enumerate(joints)}
    ends = [
        (index, by_number[joint.number % segments + 1])
        for index, joint in enumerate(joints)
        if joint.number % segments + 1 in by_number
    ]
    return ends, np.array([np.hypot(*(joints[after].a_mm - joints[before].b_mm)) for before, after in ends])


def choose_lines(joints: list[JointPlaces], lines: list[Lines], segments: int) -> list[Choice]:
    """Choose the line of each face.

    Parameters
    ----------
    joints : list of JointPlaces
        By the plain edges, in the order of their numbers.
    lines : list of Lines, two a joint
        Of its faces a and b; shifts in mm, positive clockwise.
    """
    ends, lengths = segment_lengths(joints, segments)
    before, after = np.array(ends, dtype=np.intp).reshape(-1, 2).T
    gaps = np.array([joint.gap_mm for joint in joints])
    length_at = dict(zip(before.tolist(), lengths.tolist(), strict=True))
    weights = [np.exp(0.5 * (line.cost.min() - line.cost)) for line in lines]
    shifts = np.zeros(len(lines))
    shares = weights
    for _ in range(_ROUNDS):
        of_gap = _Alike.to(gaps + shifts[1::2] - shifts[::2])
        of_length = _Alike.to(lengths + shifts[2 * after] - shifts[2 * before + 1])
        links = []
        for index, gap in enumerate(gaps):
            a, b, following = (lines[(2 * index + more) % len(lines)].shift for more in range(3))
            links.append(of_gap.weight(gap + b - a[:, None]))
            links.append(of_length.weight(length_at.get(index, np.nan) + following - b[:, None]))
        shares = _shares(weights, links)
        shifts = np.array([line.shift[np.argmax(share)] for line, share in zip(lines, shares, strict=True)])
    return [_choice(line.shift, share) for line, share in zip(lines, shares, strict=True)]


@dataclass(frozen=True)
class _Alike:
    """Gaps, or lengths, that were meant to be one: their middle and scatter, single bad ones aside."""

    middle: float
    scatter: float

    @classmethod
    def to(cls, values: Array) -> _Alike:
        if values.size < _FEWEST:
            return cls(0.0, np.inf)
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        return cls(middle, float(np.hypot(_LEAST_SCATTER_MM, spread)))

    def weight(self, value: Array) -> Array:
        """How likely such a value is, relative to the middle's; 1 where it is not known (nan)."""
        away = np.nan_to_num((value - self.middle) / self.scatter)
        return np.asarray((1.0 + away**2 / _FREEDOM) ** (-0.5 * (_FREEDOM + 1.0)))


def _shares(weights: list[Array], links: list[Array]) -> list[Array]:
    """Probability of each line of each face in a closed chain; ``links[i]`` joins face i to the next."""
    steps = [weight[:, None] * link for weight, link in zip(weights, links, strict=True)]
    first = np.eye(len(weights[0])) if weights else np.eye(1)
    upto = list(accumulate(steps, _product, initial=first))
    onward = list(accumulate(reversed(steps), lambda done, step: _product(step, done), initial=first))[::-1]
    shares = [np.einsum("ij,ji->i", onward[index], upto[index]) for index in range(len(steps))]
    return [share / share.sum() for share in shares]


def _product(left: Array, right: Array) -> Array:
    product = left @ right
    return np.asarray(product / product.max())


def _choice(shift: Array, share: Array) -> Choice:
    """The likeliest line: the plain edge as fitted, or what strips of like widths agree on."""
    best = int(np.argmax(share))
    near = np.abs(shift - shift[best]) < (_SAME_LINE_MM if best else 0.0)
    near[best] = True
    chosen = float(np.average(shift[near], weights=share[near]))
    return Choice(chosen, float(np.sqrt(np.sum(share * (shift - chosen) ** 2))))
