"""How many segments the joints of a ring that was found make."""

from __future__ import annotations

from dataclasses import dataclass, replace

from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.ring.phase import comb_fit, evenness, find_phase, likely_segments
from lightgap.ring.place import Outline
from lightgap.ring.plane import px_per_mm, sampler
from lightgap.ring.unroll import Unrolled, column_mm, unroll

_CLEAR, _FIT = 0.3, 0.5
"""What the joints must reach to make a number at all: rings have 0.6 and 0.74 and more."""
_AGREES = 1.9
"""What ``clear`` and twice ``fit`` must reach to vouch for an outline that is faint itself: joints in the
right pose reach 2.09 and more, chance in a wrong one up to 1.68."""
_SURELY = 2.5
"""The same for an outline that is very faint."""
_EVEN = 0.5
"""How high every second joint must be, over the others, for twice as many joints."""


@dataclass(frozen=True)
class JointCount:
    """A number of segments, how clear the joints are that make it, and how well their comb fits.

    ``clear`` is 1 when every joint is, ``fit`` lies in 0 to 1.
    """

    segments: int
    clear: float
    fit: float

    @property
    def is_clear(self) -> bool:
        """Whether the joints tell a number at all."""
        return self.clear >= _CLEAR and self.fit >= _FIT

    def vouches_for(self, plan: Plan, surely: bool = False) -> bool:
        """Whether the joints clearly, or beyond all doubt, make the plan's number."""
        least = _SURELY if surely else _AGREES
        return self.segments == plan.segments and self.clear + 2.0 * self.fit >= least


def unrolled_ring(photo: Photo, plan: Plan, outline: Outline) -> Unrolled:
    """Unroll the ring that an outline shows, in columns as fine as the photo allows."""
    width_mm = column_mm(px_per_mm(photo, outline.camera, plan.thickness_mm))
    return unroll(sampler(photo, outline.camera, plan.thickness_mm, width_mm), outline, plan, width_mm)


def count_joints(photo: Photo, plan: Plan, outline: Outline) -> JointCount:
    """Count the joints that an outline shows, whatever number of segments the plan has."""
    unrolled = unrolled_ring(photo, plan, outline)
    segments, clear = likely_segments(unrolled, plan)
    likely, double = (replace(plan, segments=count) for count in (segments, 2 * segments))
    fit = comb_fit(unrolled, likely, find_phase(unrolled, likely))
    # Woods in turn make every second joint the clearer one.
    first = find_phase(unrolled, double)
    double_fit = comb_fit(unrolled, double, first)
    if double_fit > fit and evenness(unrolled, double, first) > _EVEN:
        return JointCount(2 * segments, clear, double_fit)
    return JointCount(segments, clear, fit)
