"""Whether the joints of a ring that was entered as closed are gaps."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d

from lightgap.errors import RingError
from lightgap.plan import Plan
from lightgap.ring.features import RunningMeans, t_squared, usual_scatter
from lightgap.ring.plane import Array
from lightgap.ring.unroll import Unrolled

_GAPS_MM = np.arange(1.0, 8.1, 0.5)
_GLANCE_MM = (1.5, 3.0, 6.0)
"""Gaps of any width show something at one of these."""
_LEAST_GAP_MM = 1.5
"""Narrower gaps are joints that should be closed and are open."""
_SHARE = 0.8
_FLANK_MM = (0.2, 1.5)
_REACH_MM = 2.5
"""How far a joint may stand from its even place."""
_PITCH_SHARE = 0.4
_CLEAR = 4.6
"""What three joints of four must reach to be gaps: photographs of gaps have 5.3 and more, of closed joints
3.9 at most, those with glue lines among them."""
_WIDER = 0.2
"""By so much a gap of its own width must be clearer than a thin line there: lines that a rough pose smears
reach 0.17 more, and joints that are just some 1.5 mm open can be measured as closed ones too."""
_WORTH_A_LOOK = 3.5
_LEAST_RATIO = 0.22
"""Of the band's difference on its fainter side, over the clearest step thereabouts. Where two woods meet
without a gap, a phone that maps tones by place darkens one and brightens the other towards their joint: bands
of any width differ from both sides, but never by more than 0.2 of the step between the woods (drawn)."""


def check_closed(unrolled: Unrolled, plan: Plan) -> None:
    """Raise if joints that were entered as closed are gaps: one of a gap's edges passes for a closed joint.

    Raises
    ------
    RingError
        It says how wide the gaps are, roughly.
    """
    if plan.joint != "closed":
        return
    pitch_mm = len(unrolled.evidence) * unrolled.step_mm / plan.segments
    widest = _PITCH_SHARE * pitch_mm
    glances = [_seen_as_gaps(unrolled, plan.segments, gap) for gap in _GLANCE_MM if gap < widest]
    if max(glances, default=0.0) < _WORTH_A_LOOK:
        return
    seen = {
        float(gap): _seen_as_gaps(unrolled, plan.segments, float(gap)) for gap in _GAPS_MM if gap < widest
    }
    gap_mm = max(seen, key=lambda gap: seen[gap])
    thin = seen[float(_GAPS_MM[0])]
    wide = [gap for gap in seen if gap >= _LEAST_GAP_MM]
    if gap_mm not in wide or seen[gap_mm] < max(_CLEAR, thin + _WIDER):
        return
    # Where a gap is nearly as bright as one of two woods, only some of its width stands out.
    if max(_seen_as_gaps(unrolled, plan.segments, gap, _LEAST_RATIO) for gap in wide) >= _CLEAR:
        raise RingError(
            f"The joints look like gaps of about {gap_mm:g} mm ({gap_mm / 25.4:.2f} in), but closed joints "
            "were entered.",
            "Choose spaced or tapered joints and give the gap. Joints that should be closed are far out: "
            "bring them together first.",
        )


def _seen_as_gaps(unrolled: Unrolled, segments: int, gap_mm: float, least_ratio: float = 0.0) -> float:
    """Return what three joints of four reach as gaps of a width, log(1 + T^2) on their poorer side."""
    evidence = _gap_evidence(unrolled, gap_mm, least_ratio)
    columns, half = len(evidence), round(_REACH_MM / unrolled.step_mm)
    near = np.max([np.roll(evidence, shift) for shift in range(-half, half + 1)], axis=0)
    starts = np.arange(int(np.ceil(columns / segments)))
    teeth = np.rint(starts[:, None] + np.arange(segments) * (columns / segments)).astype(int) % columns
    heights = near[teeth[int(np.argmax(near[teeth].sum(axis=1)))]]
    return float(np.percentile(heights, 25))


def _gap_evidence(unrolled: Unrolled, gap_mm: float, least_ratio: float) -> Array:
    """Weigh a band at every column that differs from the wood on both its sides, and in the same way.

    Where two woods meet, a band differs from both too, but to opposite sides.
    """
    half = 0.5 * gap_mm
    near, far = _FLANK_MM
    means = RunningMeans(unrolled.blocks[None], unrolled.step_mm, half + far, wrap=True)
    band = means.beside(-_SHARE * half, _SHARE * half)
    sides = [
        band - means.beside(-half - far, -half - near),
        band - means.beside(half + near, half + far),
    ]
    log_t2 = [np.log1p(t_squared(side, usual_scatter(side))[0]) for side in sides]
    left, right = (side.mean(axis=1)[0] for side in sides)
    lengths = np.linalg.norm(left, axis=-1), np.linalg.norm(right, axis=-1)
    alike = np.sum(left * right, axis=-1) / (lengths[0] * lengths[1] + 1e-6)
    # Beside a joint of two woods a flank holds some of either: what counts is the clearest step thereabouts.
    reach = round((half + far) / unrolled.step_mm)
    clearest = maximum_filter1d(np.maximum(*lengths), 2 * reach + 1, mode="wrap")
    both = np.minimum(*lengths) >= least_ratio * clearest
    return np.asarray(np.minimum(*log_t2) * np.maximum(alike, 0.0) * both)
