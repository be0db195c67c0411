"""A bench with cards or a sheet on it, drawn by exact area coverage through a known camera.

Unlike the picture maker it draws no ring, but things that go wrong with a reference: a card that is
bent, lifted, covered or printed at another size, a sheet that curls, a shadow, a pencil over an edge.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from accuracy.coverage import coverage
from accuracy.maker import card_ink
from lightgap.camera import Camera
from lightgap.photo import Photo
from lightgap.plan import Plan

Array = NDArray[np.float64]

WIDTH, HEIGHT = 1600, 1200
FOCAL_PX = 1202.0
"""26 mm of 43.27 mm diagonal."""

PAPER = (0.72, 0.72, 0.70)
INK = (0.03, 0.03, 0.03)
BENCH = (0.20, 0.14, 0.09)
SQUARE = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
_PIECES = 60  # of an edge, so that a chord follows the lens to 0.003 px


def look_down(
    tilt_deg: float = 5.0,
    towards_deg: float = 40.0,
    turn_deg: float = 0.0,
    distance_mm: float = 400.0,
    focal_px: float = FOCAL_PX,
    off_centre_px: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
) -> Camera:
    """A camera that looks at the origin, standing ``tilt_deg`` off the upright towards a direction."""
    tilt, towards, turn = np.radians([tilt_deg, towards_deg, turn_deg])
    stand = np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)])
    right = np.cross(-stand, [-np.sin(turn), np.cos(turn), 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(-stand, right), -stand])
    centre = np.array([WIDTH - 1.0, HEIGHT - 1.0]) / 2.0 + off_centre_px
    return Camera(focal_px, centre, rotation, -rotation @ (stand * distance_mm), k1)


class FlatScene:
    """What lies on the bench, in linear light; things laid later cover those before."""

    def __init__(self, camera: Camera, bench: tuple[float, float, float] = BENCH) -> None:
        self.camera = camera
        grain = np.random.default_rng(1).normal(0.0, 1.0, (HEIGHT // 8, WIDTH // 8)).astype(np.float32)
        shade = 1.0 + 0.06 * cv2.resize(grain, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
        self.light = shade[..., None] * np.array(bench, dtype=np.float32)

    def card(
        self,
        number: int,
        x: float,
        y: float,
        turn_deg: float = 0.0,
        z: float = 0.1,
        bar_mm: tuple[float, float] = (100.0, 100.0),
        sag_mm: float = 0.0,
    ) -> None:
        """Lay a card; ``sag_mm`` is how far its left and right edges stand up over its middle line."""
        angle = np.radians(turn_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        for outline, colour in [(50.0 * SQUARE, PAPER), *((ink, INK) for ink in card_ink(number))]:
            own = _pieces(outline)
            height = z + sag_mm * (own[:, 0] / 50.0) ** 2
            placed = (own * np.array(bar_mm) / 100.0) @ turn + [x, y]
            self.polygon(self.camera.project(np.column_stack([placed, height])), colour)

    def sheet(self, size_mm: tuple[float, float], turn_deg: float = 0.0, curl_mm: float = 0.0) -> None:
        """Lay a sheet about the origin; ``curl_mm`` lifts its first corner, falling off over 100 mm."""
        corners = SQUARE * size_mm / 2.0
        own = _pieces(corners)
        away = np.hypot(*(own - corners[0]).T)
        height = curl_mm * np.maximum(0.0, 1.0 - away / 100.0) ** 2
        angle = np.radians(turn_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        self.polygon(self.camera.project(np.column_stack([own @ turn, height])), PAPER)

    def polygon(self, outline_px: ArrayLike, colour: ArrayLike) -> None:
        """Cover a polygon of the picture, (n, 2) in px, with a colour."""
        self._lay(outline_px, np.asarray(colour, dtype=np.float32))

    def shadow(self, outline_px: ArrayLike, share: float) -> None:
        """Leave only a share of the light in a polygon of the picture."""
        self._lay(outline_px, None, share)

    def _lay(self, outline_px: ArrayLike, colour: NDArray[np.float32] | None, share: float = 1.0) -> None:
        patch = coverage([np.asarray(outline_px, dtype=float)], WIDTH, HEIGHT)
        if patch is not None:
            under = self.light[patch.window]
            over = under * np.float32(share) if colour is None else colour
            self.light[patch.window] = under + patch.share[..., None] * (over - under)

    def photo(self, focal_px: float | None = FOCAL_PX, blur_px: float = 0.7, noise: float = 0.003) -> Photo:
        """Take the photo: lens blur, noise (share of full light), sRGB codes."""
        light = cv2.GaussianBlur(self.light, (0, 0), blur_px)
        light += np.random.default_rng(2).normal(0.0, noise, light.shape).astype(np.float32)
        light = np.clip(light, 0.0, 1.0)
        codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
        return Photo(np.rint(255.0 * codes).astype(np.uint8), focal_px)


def _pieces(corners: Array) -> Array:
    """A polygon's outline cut into many pieces."""
    share = (np.arange(_PIECES) / _PIECES)[:, None]
    after = np.roll(corners, -1, axis=0)
    return np.concatenate([start + share * (end - start) for start, end in zip(corners, after, strict=True)])


def ring_errors(found: Camera, true: Camera, plan: Plan) -> tuple[float, float]:
    """What a found camera does to a ring about the true camera's origin.

    Returns
    -------
    scale : float
        Relative error of lengths on the top face.
    angle_deg : float
        Worst error of the direction from the centre to a joint, place and turn of the ring aside.
    """
    ring = plan.middle_radius_mm * np.exp(2j * np.pi * np.arange(plan.segments) / plan.segments)
    points = np.column_stack([ring.real, ring.imag])
    seen = true.project_plane(points, plan.thickness_mm)
    mapped = found.to_plane(seen, plan.thickness_mm) @ [1.0, 1.0j]
    mapped -= mapped.mean()
    similar = np.sum(mapped * np.conj(ring)) / np.sum(np.abs(ring) ** 2)
    angles = np.degrees(np.angle(mapped / (similar * ring)))
    return float(abs(similar) - 1.0), float(np.abs(angles).max())
