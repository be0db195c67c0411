"""The pixels across a joint made from a formula: what a perfect sensor would see straight from above."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.faces.joint import FaceLine
from lightgap.faces.site import Site
from lightgap.faces.strip import JointFrame, Strip
from lightgap.ring.comb import Tooth

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MadeJoint:
    """A joint of known faces: wood, slot and wood, each of one level, through a Gaussian blur.

    ``centre_mm``, ``skew`` (tangent), ``gap_mm`` and ``taper`` (mm per mm, of the whole gap) are at the
    middle of the length and in the joint frame; ``figure`` is the scatter of the wood from row to row.
    """

    gap_mm: float
    centre_mm: float = 0.0
    skew: float = 0.0
    taper: float = 0.0
    woods: tuple[float, float] = (0.35, 0.35)
    slot: float = 0.02
    blur_px: float = 0.9
    px_per_mm: float = 8.0
    length_mm: float = 24.0
    figure: float = 0.0
    noise: float = 0.0
    grid_deg: float = 17.0

    @property
    def face_a(self) -> FaceLine:
        return FaceLine(self.centre_mm - 0.5 * self.gap_mm, self.skew - 0.5 * self.taper)

    @property
    def face_b(self) -> FaceLine:
        return FaceLine(self.centre_mm + 0.5 * self.gap_mm, self.skew + 0.5 * self.taper)

    def strip(self, seed: int = 0, also: Callable[[Array, Array], Array] | None = None) -> Strip:
        """Cut the strip; ``also`` adds light at distances (px) below face a and below face b."""
        rng = np.random.default_rng(seed)
        u, v = self._pixels(rng)
        below_a, below_b = self._below(u, v)
        row = np.round((u + self.length_mm) * self.px_per_mm / 3.0).astype(int)
        left, right = (
            wood * (1.0 + self.figure * rng.standard_normal(row.max() + 1)[row]) for wood in self.woods
        )
        to_slot, to_wood = ndtr(below_a / self.blur_px), ndtr(-below_b / self.blur_px)
        light = left + (self.slot - left) * to_slot + (right - self.slot) * to_wood
        if also is not None:
            light = light + also(below_a, below_b)
        light = light + self.noise * rng.standard_normal(u.size)
        colours = np.repeat(light[:, None], 3, axis=1).astype(np.float32)
        return Strip(u, v, np.full(u.size, self.px_per_mm), colours, self.px_per_mm)

    def site(self, lean: float = 0.0, height_mm: float = 18.0) -> Site:
        """What the fit of this joint is told of its surroundings; the camera stands ``lean`` aside."""
        above = 400.0
        half = 0.5 * self.length_mm
        middle = np.array([0.0, 80.0])
        tooth = Tooth(1, middle, 90.0, self.gap_mm, True, 10.0)
        frame = JointFrame(middle, 90.0, height_mm)
        ends = (-half, half)
        return Site(tooth, frame, ends, lean, lean * above, above, self.blur_px, self.px_per_mm)

    @property
    def u_range(self) -> tuple[float, float]:
        return self.site().u_range

    def _pixels(self, rng: np.random.Generator) -> tuple[Array, Array]:
        """A square grid of pixel centres, turned against the joint."""
        reach_u, reach_v = 0.5 * self.length_mm + 0.5, 0.5 * self.gap_mm + max(2.2, 14.0 / self.px_per_mm)
        far = int(np.hypot(reach_u, reach_v) * self.px_per_mm) + 2
        x, y = np.mgrid[-far : far + 1, -far : far + 1].reshape(2, -1) + rng.uniform(-0.5, 0.5, (2, 1))
        turn = np.radians(self.grid_deg)
        u = (x * np.cos(turn) - y * np.sin(turn)) / self.px_per_mm
        v = (x * np.sin(turn) + y * np.cos(turn)) / self.px_per_mm
        keep = (np.abs(u) < reach_u) & (np.abs(v) < reach_v)
        return u[keep], v[keep]

    def _below(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Distance into the gap from each face, px."""
        faces = ((self.face_a, 1.0), (self.face_b, -1.0))
        a, b = (
            sign * (v - face.offset_mm - face.slope * u) * np.cos(np.arctan(face.slope)) * self.px_per_mm
            for face, sign in faces
        )
        return a, b
