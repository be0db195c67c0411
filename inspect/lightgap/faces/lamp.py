"""The lamp that lights the walls of open slots, found from all of them together.

A lamp lights the wall of a slot from its edge down to the shadow of the opposite edge: seen from the
camera's side, a strip beside the edge. One strip alone can be as bright as the wood and then hide
where the edge is; but all strips of a ring follow from one lamp. The shadow of an edge a gap g away
falls g tan(elevation) / cos(azimuth from the wall's normal) below the edge, and the view's lateral
slope makes that depth a width in the photo. The lamp that explains the profiles of all visible
walls best tells each strip's width, also where the strip itself cannot be seen. `lightgap.faces.which`
then weighs the lines that each edge could be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightgap.faces.levels import blurred_step

Array = NDArray[np.float64]

BIN_PX = 0.25
WOOD_PX, GAP_PX = 17.0, 8.0
PLACES = np.arange(-WOOD_PX, GAP_PX, BIN_PX) + 0.5 * BIN_PX
"""Bin centres of a wall's profile: distance from the plain edge, px, positive into the gap."""

_NEAR = PLACES > -10.0
_NARROW = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0])
_WIDE = np.array([8.0, 9.5, 11.0, 12.5])
_WIDTHS = np.concatenate([_NARROW, _WIDE])
_AGAINST_WIDE = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 7.0])
_SHIFTS = np.arange(-13.0, 1.75, 0.125)
_FAR_SIDE_PX = 1.5
"""The plain edge lies anywhere about a narrow strip; it is the far side of one that is wide."""
_AZIMUTHS_DEG = np.arange(0.0, 360.0, 5.0)
_SLOPES = np.geomspace(0.2, 3.0, 16)
_PENUMBRA_SHARE = 0.12
_INDEPENDENT_BINS = 60.0
_WORST_CHI2 = 40.0
_MODEL_SHARE = 0.008
"""What tone curve and lens leave of a profile unexplained, as a share of its contrast."""
_LEAST_GAIN = 60.0
_LEAST_SHARE = 0.7
"""One lamp must explain this share of what free strips would explain."""
_OVER_CHANCE = 2.0
_HELPED = 5.0
_RESOLVED_PX = 1.0
"""Narrower strips than this look like what the phone does to every edge."""
_GRAZING = 0.2
"""Least cosine between lamp and normal: a wall lit at less is as good as dark."""
_LEAST_WALLS = 4
_LEAST_WALL_PX = 0.5
_LEAST_STRIP_PX = 0.2
_LEVEL_RANGE = (0.05, 1.5)
_PROFILE_WEIGHT = 0.3
"""Grain and processing are alike from bin to bin: a profile says less than its scatter makes of it."""
_STRIP_COST = 7.0
"""Where no lamp is known, each width of a strip that hides its edge is as likely as 3 in 100."""
_WIDTH_STANDARD_SHARE, _WIDTH_STANDARD_PX = 0.25, 0.35
_MOST_AGAINST_LAMP = 9.0


@dataclass(frozen=True, eq=False)
class WallSight:
    """The wall below one edge.

    Attributes
    ----------
    profile : ndarray, shape (len(PLACES),)
        Mean light along the joint at each of `PLACES`.
    reach_px : float
        Width of strip per unit of tan(elevation) / cos(azimuth from the normal): view's slope x gap.
    wall_px : float
        Width of the whole visible wall.
        0 for a wall that the camera cannot see.
    normal_deg : float
        Direction of the wall's normal in the ring frame, out of the wood.
    """

    profile: Array
    reach_px: float
    wall_px: float
    normal_deg: float


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines that an edge could be, the plain one first.

    Attributes
    ----------
    shift : ndarray, shape (n,)
        Where each lies from the plain edge, positive into the gap.
    cost : ndarray, shape (n,)
        Minus twice the logarithm of its likelihood and prior, but for a constant.
    unexplained : float
        How much of the light that the plain edge leaves unexplained the best strip leaves too, 0 to 1.
    """

    shift: Array
    cost: Array
    unexplained: float = 1.0


def possible_lines(walls: list[WallSight], blur_px: float) -> list[Lines]:
    """Tell for every wall the lines that its edge could be, in px, a lit strip of some width below it.

    The walls that the camera cannot see have one line, and are the control: what a strip seems to
    explain there is the phone's processing, and is taken off what it explains at the others.
    """
    if not walls:
        return []
    plain = Lines(np.zeros(1), np.zeros(1))
    seen = np.array([wall.wall_px > _LEAST_WALL_PX for wall in walls])
    chi2, shift, unexplained = _strip_costs(np.array([wall.profile for wall in walls]), blur_px)
    if np.any(~seen):
        # No processing looks like a wide strip.
        control = np.median(chi2[~seen, : _NARROW.size], axis=0)
        chi2[:, : _NARROW.size] = np.maximum(chi2[:, : _NARROW.size] - control, 0.0)
    lit = np.zeros(len(walls))
    if np.sum(seen) >= _LEAST_WALLS:
        lit[seen] = _lit_widths(
            chi2[seen], [wall for wall, is_seen in zip(walls, seen, strict=True) if is_seen], chi2[~seen]
        )
    return [
        _lines(chi2[index], shift[index], wall, float(lit[index]), float(unexplained[index]))
        if seen[index]
        else plain
        for index, wall in enumerate(walls)
    ]


def _lines(chi2: Array, shift: Array, wall: WallSight, lit_px: float, unexplained: float) -> Lines:
    """One line for every width that the wall has room for, weighed by the lamp's width if there is a lamp."""
    cost = _PROFILE_WEIGHT * chi2
    if lit_px > _LEAST_STRIP_PX:
        standard = _WIDTH_STANDARD_SHARE * lit_px + _WIDTH_STANDARD_PX
        cost = cost + np.minimum(((_WIDTHS - lit_px) / standard) ** 2, _MOST_AGAINST_LAMP)
    else:
        cost = cost + np.where(_WIDTHS > 0.0, _STRIP_COST, 0.0)
    keep = wall.wall_px + _LEAST_WALL_PX >= _WIDTHS
    # Without a strip, the plain edge is the edge.
    return Lines(np.where(_WIDTHS > 0.0, shift, 0.0)[keep], cost[keep], unexplained)


def _lit_widths(chi2: Array, walls: list[WallSight], hidden: Array) -> Array:
    """The strips' widths by the one lamp, 0 if there is none.

    Lines of grain along a joint look like strips too. As often as beside walls that nobody sees (their costs:
    ``hidden``) they do so by chance.
    """
    width, gain = _lamp(chi2, walls)
    each = chi2[:, 0] - _at(chi2, width)
    possible = float(np.sum(_explained(chi2)))
    chance = len(walls) * float(np.mean(_explained(hidden))) if len(hidden) else 0.0
    helped = each > _HELPED
    is_seen = np.sum(helped) >= _LEAST_WALLS and np.median(width[helped]) > _RESOLVED_PX
    is_lamp = gain > max(_LEAST_GAIN, _LEAST_SHARE * possible, _OVER_CHANCE * chance) and is_seen
    return width if is_lamp else np.zeros(len(walls))


def _explained(chi2: Array) -> Array:
    """What each wall's best strip explains."""
    return np.asarray(chi2[:, 0] - np.min(chi2, axis=1))


def _lamp(chi2: Array, walls: list[WallSight]) -> tuple[Array, float]:
    """The widths of the strips by the lamp that explains them best, and what it gains over none."""
    normals = np.radians([wall.normal_deg for wall in walls])
    reach = np.array([wall.reach_px for wall in walls])
    limit = np.array([wall.wall_px for wall in walls])
    azimuth, slope = (grid.reshape(-1, 1) for grid in np.meshgrid(np.radians(_AZIMUTHS_DEG), _SLOPES))
    facing = np.cos(normals - azimuth)
    width = np.where(facing > _GRAZING, reach * slope / np.maximum(facing, _GRAZING), 0.0)
    width = np.minimum(width, limit)
    total = _at(chi2, width).sum(axis=1)
    best = int(np.argmin(total))
    return width[best], float(np.sum(chi2[:, 0]) - total[best])


def _at(costs: Array, widths: Array) -> Array:
    """Each wall's cost (walls, widths tried) at its width (..., walls); beyond the window as if none."""
    place = np.interp(widths, _WIDTHS, np.arange(_WIDTHS.size))
    below = np.minimum(place.astype(np.intp), _WIDTHS.size - 2)
    walls, share = np.arange(len(costs)), place - below
    inside = (1.0 - share) * costs[walls, below] + share * costs[walls, below + 1]
    return np.where(widths > _WIDTHS[-1] + 1.0, costs[:, 0], inside)


def _strip_costs(profiles: Array, blur_px: float) -> tuple[Array, Array, Array]:
    """Cost and shift (walls, widths) of each wall's best strip of every width, and `Lines.unexplained`.

    Narrow strips are weighed by what lies near the edge. Whether there is a wide one, farther into what then
    only looks like wood, the whole profile tells.
    """
    near, shift, unexplained = _weighed(profiles[:, _NEAR], PLACES[_NEAR], _NARROW, blur_px)
    far, far_shift, _ = _weighed(profiles, PLACES, np.concatenate([_AGAINST_WIDE, _WIDE]), blur_px)
    narrow, wide = np.split(far, [_AGAINST_WIDE.size], axis=1)
    cost = np.concatenate([near, wide - narrow.min(axis=1, keepdims=True)], axis=1)
    return cost, np.concatenate([shift, far_shift[:, _AGAINST_WIDE.size :]], axis=1), unexplained


def _weighed(profiles: Array, places: Array, widths: Array, blur_px: float) -> tuple[Array, Array, Array]:
    """The same by the light at these places: costs over the best of these widths."""
    shape = (len(profiles), widths.size)
    cost, shift = np.full(shape, np.inf), np.zeros(shape)
    for column, width in enumerate(widths):
        most = _SHIFTS[-1] if width <= _NARROW[-1] else _FAR_SIDE_PX - width
        shifts = _SHIFTS[(-width - 1.0 < _SHIFTS) & (most >= _SHIFTS)]
        spread = float(np.hypot(blur_px, _PENUMBRA_SHARE * width))
        distance = places[None, :] - shifts[:, None]
        near, _ = blurred_step(distance, blur_px)
        far, _ = blurred_step(distance - width, spread)
        wood, gap = np.minimum(distance, 0.0), np.maximum(distance, 0.0)
        columns = [1.0 - near, far, wood, gap, gap**2]
        if width > 0.0:
            columns.insert(1, near - far)
        design = np.stack(columns, axis=-1)
        q, r = np.linalg.qr(design)
        moments = np.einsum("sbk,wb->swk", q, profiles)
        rest = np.sum(profiles**2, axis=1)[None, :] - np.sum(moments**2, axis=-1)
        if width > 0.0:
            levels = np.einsum("skj,swj->swk", np.linalg.inv(r), moments)
            share = levels[..., 1] / np.maximum(levels[..., 0], 1e-6)
            possible = (share > _LEVEL_RANGE[0]) & (share < _LEVEL_RANGE[1])
            rest = np.where(possible, rest, np.inf)
        index = np.argmin(rest, axis=0)
        walls = np.arange(len(profiles))
        cost[:, column], shift[:, column] = rest[index, walls], shifts[index]
    least = np.min(cost, axis=1, keepdims=True)
    contrast = np.ptp(profiles, axis=1)[:, None]
    variance = least / _INDEPENDENT_BINS + (_MODEL_SHARE * contrast) ** 2
    chi2 = (cost - least) / variance
    return np.minimum(chi2, _WORST_CHI2), shift, np.sqrt(least[:, 0] / np.maximum(cost[:, 0], 1e-12))
