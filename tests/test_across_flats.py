"""The camera from the ring's own size: drawn rings, and rings that cannot give it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from accuracy.look import Bench, Look, Wood
from accuracy.maker import Drawn, View, draw_ring
from lightgap.camera import Camera
from lightgap.errors import ScaleError
from lightgap.plan import Plan
from lightgap.reference import across_flats
from lightgap.reference.across_flats import find_across_flats
from lightgap.ring.comb import Comb

Array = NDArray[np.float64]


@cache
def drawn_ring(outline: str) -> Drawn:
    """A drawn ring with a careful maker's errors, photographed from somewhat aslant."""
    plan = Plan(12, "closed", 180.0, 30.0, 18.0, outline=outline)
    look = Look(Wood(("maple",)), bench=Bench("green"))
    return draw_ring(plan, seed=4, look=look, view=View(mm_per_px=0.15, tilt_deg=9.0), reference="none")


def joint_angles_deg(camera: Camera, drawn: Drawn) -> Array:
    """Where the true joints stand round the ring as this camera has it, less an even spacing, shape (N,)."""
    plan = drawn.truth.plan
    middles = camera.to_plane([joint.middle_px for joint in drawn.truth.joints], plan.thickness_mm)
    outer = camera.to_plane([joint.face_a_px[1] for joint in drawn.truth.joints], plan.thickness_mm)
    away = middles - outer.mean(axis=0)
    angles = np.unwrap(np.arctan2(away[:, 1], away[:, 0])) + np.arange(plan.segments) * np.radians(
        plan.pitch_deg
    )
    return np.asarray(np.degrees(angles - angles.mean()))


@pytest.mark.parametrize("outline", ["polygon", "round"])
def test_a_drawn_ring_gives_scale_and_pose(outline: str) -> None:
    drawn = drawn_ring(outline)
    truth = drawn.truth
    found = find_across_flats(drawn.photo, truth.plan, truth.plan.across_flats_mm)
    true = truth.outline().camera
    scale = found.camera.px_per_mm([0.0, 0.0], 18.0) / true.px_per_mm([0.0, 0.0], 18.0)
    assert abs(scale - 1.0) < 2.0 * found.uncertainty.scale
    pitch = joint_angles_deg(found.camera, drawn) - joint_angles_deg(true, drawn)
    assert np.abs(pitch).max() < 2.0 * found.uncertainty.pitch_deg
    assert 2.0 * found.uncertainty.pitch_deg < 0.15
    assert found.kind == "across-flats"
    assert found.name == ("across flats 180 mm" if outline == "polygon" else "diameter 180 mm")


def test_it_says_what_it_cannot_tell() -> None:
    drawn = drawn_ring("polygon")
    found = find_across_flats(drawn.photo, drawn.truth.plan, 180.0)
    assert {"across_flats_mm", "out_of_round_mm", "radial_offset_mm", "inner_offset_mm"} <= found.untold
    assert not {"gap_mm", "taper_deg", "pitch_error_deg", "mitre_deg"} & found.untold
    assert len(found.notes) == 1
    assert "oval" in found.notes[0]


def test_a_size_off_the_plan_scales_the_camera_and_is_noted() -> None:
    drawn = drawn_ring("polygon")
    plan = drawn.truth.plan
    right = find_across_flats(drawn.photo, plan, 180.0)
    wrong = find_across_flats(drawn.photo, plan, 183.6)
    ratio = right.camera.px_per_mm([0.0, 0.0], 18.0) / wrong.camera.px_per_mm([0.0, 0.0], 18.0)
    assert ratio == pytest.approx(1.02, abs=0.001)
    assert any("2.0% over the plan's 180 mm" in note for note in wrong.notes)


def test_a_wrong_thickness_changes_nothing() -> None:
    """Size and measuring plane are one and the same plane, wherever the bench is."""
    drawn = drawn_ring("polygon")
    plan = drawn.truth.plan
    thinner = find_across_flats(drawn.photo, replace(plan, thickness_mm=15.0), 180.0).camera
    right = find_across_flats(drawn.photo, plan, 180.0).camera
    pixels = [joint.middle_px for joint in drawn.truth.joints]
    one, other = right.to_plane(pixels, 18.0), thinner.to_plane(pixels, 15.0)
    distances = [np.hypot(*(points - points[0]).T) for points in (one, other)]
    np.testing.assert_allclose(distances[0], distances[1], atol=0.05)


def test_few_segments_are_refused() -> None:
    with pytest.raises(ScaleError, match="5 segments") as refusal:
        find_across_flats(drawn_ring("polygon").photo, Plan(5, "closed", 180.0, 30.0, 18.0), 180.0)
    assert "cards" in refusal.value.hint


def test_a_round_ring_without_its_joints_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = drawn_ring("round")
    find_comb = across_flats.find_comb

    def unseen(*arguments: object, rough: bool) -> Comb:
        comb = find_comb(*arguments, rough=rough)  # type: ignore[arg-type]
        return Comb(tuple(replace(tooth, found=tooth.number <= 5) for tooth in comb.teeth))

    monkeypatch.setattr(across_flats, "find_comb", unseen)
    with pytest.raises(ScaleError, match="only 5 joints"):
        find_across_flats(drawn.photo, drawn.truth.plan, 180.0)
