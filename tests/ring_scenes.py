"""Drawn rings that the tests of the search share, and how far a find is from the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from accuracy.look import Bench, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from accuracy.shape import Faults
from accuracy.truth import Truth
from lightgap.camera import Camera
from lightgap.plan import Plan
from lightgap.ring.comb import Tooth
from lightgap.ring.outline import Outline

Array = NDArray[np.float64]

CLOSED = Plan(12, "closed", 220.0, 36.0, 19.0)
SPACED = Plan(16, "spaced", 240.0, 34.0, 20.0, gap_mm=3.0)
TURNED = Plan(18, "closed", 230.0, 30.0, 18.0, outline="round")


@lru_cache(maxsize=12)
def _drawn(
    plan: Plan,
    seed: int,
    woods: tuple[str, ...],
    bench: str,
    view: View,
    figure: float,
    grain_turn_deg: float,
) -> Drawn:
    look = Look(wood=Wood(woods, figure, grain_turn_deg), bench=Bench(bench))
    return draw_ring(plan, seed, look=look, view=view, reference="none")


def ring(
    plan: Plan,
    *,
    seed: int = 3,
    woods: tuple[str, ...] = ("oak",),
    bench: str = "grey",
    view: View | None = None,
    faults: Faults | None = None,
    figure: float = 0.12,
    grain_turn_deg: float = 0.0,
) -> Drawn:
    """A ring alone on a bench, about 2 megapixels; drawn once for all tests if it has the usual faults."""
    view = view or View(mm_per_px=0.18, tilt_deg=7.0, margin_mm=20.0)
    if faults is None:
        return _drawn(plan, seed, woods, bench, view, figure, grain_turn_deg)
    wood = Wood(woods, figure, grain_turn_deg, uneven=0.05 if figure else 0.0)
    look = Look(wood=wood, bench=Bench(bench))
    return draw_ring(plan, seed, faults=faults, look=look, view=view, reference="none")


def rough_camera(truth: Truth, scale: float = 1.01, tilt_deg: float = 0.5) -> Camera:
    """The true camera as a poor reference gives it, in a frame that lies anywhere on the bench."""
    lean, _ = cv2.Rodrigues(np.radians(tilt_deg) * np.array([0.6, -0.8, 0.0]))
    camera = truth.camera
    wrong = replace(
        camera,
        rotation=camera.rotation @ np.asarray(lean, dtype=float),
        translation=camera.translation * scale,
    )
    return wrong.moved([37.0, -61.0], 143.0)


def centre_error_mm(outline: Outline, truth: Truth) -> float:
    """How far the ring's centre was found from where it is."""
    height = truth.plan.thickness_mm
    seen_px = outline.camera.project_plane([0.0, 0.0], height)
    return float(np.hypot(*truth.camera.to_plane(seen_px, height)))


def turn_error_deg(outline: Outline, truth: Truth) -> float:
    """How far the polygon's sides were found turned, at most half a pitch."""
    height, pitch = truth.plan.thickness_mm, truth.plan.pitch_deg
    true = truth.outline()
    side = np.radians(true.phase_deg)
    side_mm = true.outer_mm * np.array([np.cos(side), np.sin(side)])
    seen = outline.camera.to_plane(true.camera.project_plane(side_mm, height), height)
    turn = np.degrees(np.arctan2(seen[1], seen[0])) - outline.phase_deg
    return float(abs((turn + pitch / 2) % pitch - pitch / 2))


def joint_errors(tooth: Tooth, outline: Outline, truth: Truth) -> tuple[float, float]:
    """How far a joint was found from the nearest true one: mm square to it at mid-length, and degrees."""
    height = truth.plan.thickness_mm
    angle = np.radians(tooth.direction_deg)
    along = 10.0 * np.array([np.cos(angle), np.sin(angle)])
    ends_px = outline.camera.project_plane(
        np.stack([tooth.middle_mm - along, tooth.middle_mm + along]), height
    )
    ends = truth.camera.to_plane(ends_px, height)
    lines = np.array([truth.camera.to_plane((j.face_a_px + j.face_b_px) / 2, height) for j in truth.joints])
    nearest = int(np.argmin(np.hypot(*(lines.mean(axis=1) - ends.mean(axis=0)).T)))
    true, seen = lines[nearest, 1] - lines[nearest, 0], ends[1] - ends[0]
    normal = np.array([-true[1], true[0]]) / np.hypot(*true)
    turn = np.degrees(np.arctan2(true[0] * seen[1] - true[1] * seen[0], true @ seen))
    return abs(float((ends.mean(axis=0) - lines[nearest].mean(axis=0)) @ normal)), abs(float(turn))
