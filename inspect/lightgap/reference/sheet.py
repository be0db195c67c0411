"""Scale and pose from one sheet of paper of a known size that the ring lies on."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.errors import PlanError, ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.adjust import (
    CAMERA_PARAMETERS,
    LENS_PARAMETERS,
    WORST_STRAIN,
    Adjusted,
    CameraPrior,
    adjust,
    camera_of,
    camera_prior,
    picture_centre,
    plane_poses,
    pose_uncertainty,
    project_with_jacobian,
    thickness_uncertainty,
    vector_of,
)
from lightgap.reference.found import SHEET_LIES, THICKNESS, PoseUncertainty, Reference
from lightgap.reference.sheet_edges import SheetEdges, find_quadrilateral

Array = NDArray[np.float64]

SHEET_SIZES_MM = {
    "A5": (148.0, 210.0),
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "A2": (420.0, 594.0),
    "Letter": (215.9, 279.4),
    "Tabloid": (279.4, 431.8),
}
"""Short and long side: A sizes by ISO 216, Letter and Tabloid by ANSI Y14.1 (sizes A and B)."""

# Errors along a side are common to many blocks: a side counts as so many independent places.
_PLACES = 8
_PLACE_STANDARD_PX = 0.14
_CAUCHY = (100.0, 3.0)

# Paper, relative, k = 1: each side by itself (as bought, or measured with a rule), both alike (humidity).
_SIDE_STANDARD = 0.0015
_SIDE_STANDARD_MEASURED = 0.0007
_COMMON_STANDARD = 0.001

_SHEET_LIES = PoseUncertainty(
    scale=0.0006,
    pitch_deg=0.015,
    skew_deg=0.015,
    mitre_deg=0.03,
    included_deg=0.015,
    taper_deg=0.001,
    radial_mm=0.0,
)
"""Of a sheet that is 0.3 mm off flat, from sheets drawn with an edge or a corner raised."""

# What a right sheet keeps to; px for a photo of 4000 px, in proportion for larger ones.
_LEAST_SCORE = 0.1
_LEAST_KEPT = 0.5
_WORST_RESIDUAL_PX = 0.25
_WORST_BEND_PX = 0.5
_GATE_WIDTH_PX = 4000.0
_WORST_K1 = 0.06
_WORST_TILT_DEG = 30.0


@dataclass(frozen=True)
class SheetSize:
    """A sheet's two sides.

    Attributes
    ----------
    name : str
        "A4", or the sides as given.
    short_mm, long_mm : float
    measured : bool
        Whether somebody measured this very sheet.
    """

    name: str
    short_mm: float
    long_mm: float
    measured: bool = False


def sheet_size(text: str) -> SheetSize:
    """Read a sheet's size: a standard name, or both sides in mm as measured.

    Raises
    ------
    PlanError
        If it is neither.

    Examples
    --------
    >>> sheet_size("a4").long_mm
    297.0
    >>> sheet_size("209.5x297").measured
    True
    """
    for name, (short, long) in SHEET_SIZES_MM.items():
        if text.strip().lower() == name.lower():
            return SheetSize(name, short, long)
    sides = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[xX×]\s*(\d+(?:\.\d+)?)\s*", text)
    if sides:
        short, long = sorted(float(side) for side in sides.groups())
        if short >= 50.0 and long <= 2000.0:
            return SheetSize(f"{short:g} x {long:g} mm", short, long, measured=True)
    raise PlanError(
        f"'{text}' is no size of sheet",
        f"name one of {', '.join(SHEET_SIZES_MM)}, or both sides in mm as measured, such as 209.5x297",
    )


def find_sheet(
    photo: Photo,
    plan: Plan,
    size: str | None = None,
    score: Callable[[Reference], float] | None = None,
) -> Reference:
    """Find the sheet that the ring lies on and solve for the camera.

    Parameters
    ----------
    photo : Photo
    plan : Plan
    size : str, optional
        As `sheet_size` reads it. None tries every standard size.
    score : callable, optional
        How well the ring fits a candidate, larger is better. Sizes of one shape (all the A sizes)
        cannot be told apart without it.

    Raises
    ------
    ScaleError
        If there is no sheet, it is not of this size, not flat, or its size cannot be told.
    """
    edges = find_quadrilateral(photo)
    if size is not None:
        return adjust_sheet(edges, sheet_size(size), photo, plan)
    candidates = sheet_candidates(edges, photo, plan)
    if score is not None:
        return max(candidates, key=score)
    if len(candidates) > 1:
        raise ScaleError(
            "the sheet could be " + " or ".join(candidate.name for candidate in candidates),
            "say which size of sheet the ring lies on",
        )
    return candidates[0]


def sheet_candidates(edges: SheetEdges, photo: Photo, plan: Plan) -> list[Reference]:
    """Return the camera for every standard size whose shape the edges have, in the order of the table.

    Raises
    ------
    ScaleError
        If they have the shape of none: what is told of A4.
    """
    found = []
    for name in SHEET_SIZES_MM:
        try:
            found.append(adjust_sheet(edges, sheet_size(name), photo, plan))
        except ScaleError as error:
            refused = error
    if not found:
        raise refused
    return found


def adjust_sheet(edges: SheetEdges, size: SheetSize, photo: Photo, plan: Plan) -> Reference:
    """Solve for the camera that sees a sheet of this size so.

    The world's origin is the sheet's middle, z = 0 its surface. Both ways of laying the long side are
    tried on the four corners; the wrong one misses them by a hundred times more.

    Raises
    ------
    ScaleError
        If the sheet's edges cannot be trusted, or do not fit this size.
    """
    sides = (size.long_mm, size.short_mm)
    starts = [start for laid in (sides, sides[::-1]) for start in _starts(edges, laid, photo)]
    if not starts:
        raise _wrong_shape(size)
    fit = _fit(edges, min(starts, key=lambda start: start.miss_px), photo)
    _accept(edges, size, fit, photo)
    notes = []
    if not size.measured:
        notes.append(
            f"the sheet counts as true {size.name}; paper is often 0.15 % off in one side: measure both "
            f"sides and give them (such as {size.short_mm:g}x{size.long_mm:g}) for surer angles and sizes"
        )
    name = size.name if size.measured else f"{size.name} sheet"
    thickness = thickness_uncertainty(fit.camera, plan)
    lies = replace(_SHEET_LIES, radial_mm=plan.outer_mm * math.radians(_SHEET_LIES.pitch_deg))
    return Reference(
        kind="sheet",
        camera=fit.camera,
        uncertainty=_uncertainty(fit, size, photo, plan).plus(thickness).plus(lies),
        residual_px=fit.residual_px,
        name=f"sheet of {name}" if size.measured else name,
        notes=tuple(notes),
        focal_standard=float(np.sqrt(fit.adjusted.covariance[0, 0])),
        named=((SHEET_LIES, lies), (THICKNESS, thickness)),
    )


@dataclass(frozen=True, eq=False)
class _Fit:
    """One adjustment; ``miss_px`` holds each side's residuals along it."""

    start: Camera
    prior: CameraPrior
    adjusted: Adjusted
    miss_px: list[Array]

    @property
    def camera(self) -> Camera:
        return camera_of(self.adjusted.vector, self.start)

    @property
    def residual_px(self) -> float:
        return float(np.sqrt(np.mean(np.concatenate(self.miss_px) ** 2)))

    @property
    def uneven_px(self) -> float:
        """The residuals' rms without what scatters from place to place: a faint edge's noise is no bend."""
        noise2 = 0.5 * float(np.mean(np.concatenate([np.diff(miss) for miss in self.miss_px]) ** 2))
        return float(np.sqrt(max(self.residual_px**2 - noise2, 0.0)))

    @property
    def bend_px(self) -> float:
        """The largest smooth departure of a side from straight, as a cubic of its residuals."""
        bends = []
        for miss in self.miss_px:
            t = np.linspace(-1.0, 1.0, len(miss))
            polynomial = np.polynomial.polynomial.polyfit(t, miss, 3)
            bends.append(np.abs(np.polynomial.polynomial.polyval(t, polynomial)).max())
        return float(max(bends))


@dataclass(frozen=True, eq=False)
class _Start:
    """One way to see the sheet's corners, (4, 2) in mm: the camera, and by how much it misses."""

    corners_mm: Array
    camera: Camera
    miss_px: float


def _starts(edges: SheetEdges, laid_mm: tuple[float, float], photo: Photo) -> list[_Start]:
    """The poses of the four corners that stand over a sheet laid so."""
    corners = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * laid_mm / 2.0
    poses = plane_poses(corners, edges.corners_px, photo.default_focal_px, picture_centre(photo))
    return [
        _Start(corners, pose, float(np.abs(pose.project_plane(corners, 0.0) - edges.corners_px).max()))
        for pose in poses
    ]


def _fit(edges: SheetEdges, begin: _Start, photo: Photo) -> _Fit:
    """Adjust the camera to all edge points of the four sides."""
    corners, start = begin.corners_mm, begin.camera
    prior = camera_prior(photo, start.foot_mm[2])
    pixels = np.concatenate([side.points_px for side in edges.sides])
    owner = np.repeat(np.arange(4), [len(side.points_px) for side in edges.sides])
    standard = _PLACE_STANDARD_PX * np.sqrt(np.maximum(1.0, np.bincount(owner) / _PLACES))[owner]
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.hypot(*along.T)[:, None]

    def model(vector: Array) -> tuple[Array, Array]:
        # Each edge point against the nearest point of its side: only the miss across the side counts.
        seen = camera_of(vector, start).to_plane(pixels, 0.0)
        reach = np.sum((seen - corners[owner]) * along[owner], axis=1, keepdims=True)
        foot = np.column_stack([corners[owner] + reach * along[owner], np.zeros(len(pixels))])
        places, by_camera, by_point = project_with_jacobian(vector, start, foot)
        tangent = np.einsum("nij,nj->ni", by_point[:, :, :2], along[owner])
        normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=-1)
        normal /= (np.hypot(*normal.T) * standard)[:, None]
        residuals = np.sum(normal * (places - pixels), axis=1)
        jacobian = np.einsum("ni,nij->nj", normal, by_camera)
        return (
            np.concatenate([residuals, prior.residuals(vector)]),
            np.concatenate([jacobian, prior.jacobian(CAMERA_PARAMETERS)]),
        )

    vector = np.concatenate([prior.mean, vector_of(start)[LENS_PARAMETERS:]])
    adjusted = adjust(model, vector, len(pixels), _CAUCHY)
    miss = adjusted.residuals * standard
    return _Fit(start, prior, adjusted, [miss[owner == side] for side in range(4)])


def _accept(edges: SheetEdges, size: SheetSize, fit: _Fit, photo: Photo) -> None:
    """Refuse a sheet that cannot be trusted, and say why."""
    kept = min(side.kept for side in edges.sides)
    if edges.score < _LEAST_SCORE or kept < _LEAST_KEPT:
        raise ScaleError(
            "the edges of the sheet of paper cannot be followed: one is covered, cut off, or hardly stands "
            "out from the bench",
            "lay the sheet on a darker bench, all four edges in the picture and mostly clear",
        )
    strain = fit.prior.strain(fit.adjusted.vector)
    unit = max(1.0, max(photo.width, photo.height) / _GATE_WIDTH_PX)
    camera = fit.camera
    if strain > WORST_STRAIN or abs(camera.k1) > _WORST_K1:
        raise _wrong_shape(size)
    if fit.uneven_px > _WORST_RESIDUAL_PX * unit or fit.bend_px > _WORST_BEND_PX * unit:
        raise ScaleError(
            f"the sheet does not lie flat, or is no {size.name}: its edges miss straight ones by "
            f"{max(fit.uneven_px, fit.bend_px):.1f} px",
            "press the sheet flat (tape its corners down) and check its size",
        )
    if camera.tilt_deg > _WORST_TILT_DEG:
        raise ScaleError(
            f"the photo was taken too much from the side ({camera.tilt_deg:.0f} degrees)",
            "hold the phone over the ring's middle, level with the bench",
        )


def _wrong_shape(size: SheetSize) -> ScaleError:
    return ScaleError(
        f"what looks like the sheet has not the shape of {size.name}, or the photo was cropped",
        "check the size of the sheet, and use the photo as taken, not cropped",
    )


def _uncertainty(fit: _Fit, size: SheetSize, photo: Photo, plan: Plan) -> PoseUncertainty:
    """Propagate the camera's, and add the paper's.

    One side longer than the other by a share e turns a direction theta by (e / 2) sin 2 theta and moves a
    flat at radius a by (a e / 2) cos 2 theta: a joint's place and its line alike (so no skew), the mitre
    twice as much, an included angle by the change over one pitch.
    """
    told = pose_uncertainty(
        fit.adjusted.vector, fit.adjusted.covariance, fit.start, plan, picture_centre(photo)
    )
    side = _SIDE_STANDARD_MEASURED if size.measured else _SIDE_STANDARD
    aspect = side * math.sqrt(2.0)
    common = math.hypot(side / math.sqrt(2.0), _COMMON_STANDARD)
    turn = math.degrees(aspect / 2.0)
    return replace(
        told,
        scale=math.hypot(told.scale, common),
        pitch_deg=math.hypot(told.pitch_deg, turn),
        mitre_deg=math.hypot(told.mitre_deg, 2.0 * turn),
        included_deg=math.hypot(told.included_deg, 2.0 * turn * math.sin(math.radians(plan.pitch_deg))),
        radial_mm=math.hypot(told.radial_mm, plan.outer_mm * aspect / 2.0),
    )
