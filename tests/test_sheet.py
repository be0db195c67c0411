"""A sheet of paper as reference: the camera it gives, and the sheets that are refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from flat_scene import FOCAL_PX, PAPER, FlatScene, look_down, ring_errors
from lightgap.errors import PlanError, ScaleError
from lightgap.plan import Plan
from lightgap.reference.sheet import adjust_sheet, find_sheet, sheet_candidates, sheet_size
from lightgap.reference.sheet_edges import find_quadrilateral

PLAN = Plan(segments=12, joint="closed", across_flats_mm=160.0, width_mm=28.0, thickness_mm=16.0)
A4 = (297.0, 210.0)


def scene_of(size_mm: tuple[float, float] = A4, turn_deg: float = 8.0, **lens: float) -> FlatScene:
    scene = FlatScene(look_down(**lens))
    scene.sheet(size_mm, turn_deg)
    lay_ring(scene)
    return scene


def lay_ring(
    scene: FlatScene, x: float = 0.0, y: float = 0.0, colour: tuple[float, ...] = (0.3, 0.15, 0.08)
) -> None:
    angle = 2.0 * np.pi * np.arange(12) / 12
    for radius, fill in ((PLAN.joint_radii_mm[1], colour), (PLAN.joint_radii_mm[0], PAPER)):
        corners = radius * np.column_stack([np.cos(angle), np.sin(angle)]) + [x, y]
        scene.polygon(scene.camera.project_plane(corners, PLAN.thickness_mm), fill)


def strip(
    scene: FlatScene, start: tuple[float, float], end: tuple[float, float], width_mm: float
) -> NDArray[np.float64]:
    first, last = np.array(start), np.array(end)
    along = (last - first) / np.hypot(*(last - first))
    across = np.array([-along[1], along[0]]) * width_mm / 2.0
    corners = np.array([first - across, last - across, last + across, first + across])
    return scene.camera.project_plane(corners, 0.0)


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 20.0])
@pytest.mark.parametrize("turn_deg", [3.0, 70.0, 90.0])
def test_an_a4_sheet_gives_scale_and_angles_whichever_way_it_lies(tilt_deg: float, turn_deg: float) -> None:
    scene = scene_of(turn_deg=turn_deg, tilt_deg=tilt_deg, k1=0.02)
    reference = find_sheet(scene.photo(), PLAN, "A4")
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert reference.name == "A4 sheet"
    assert reference.residual_px < 0.1
    assert abs(scale) < 0.001
    assert angle_deg < 0.01


@pytest.mark.parametrize("name", ["A5", "A3", "Letter", "Tabloid"])
def test_every_size_is_told_from_those_of_another_shape(name: str) -> None:
    size = sheet_size(name)
    distance = 1.9 * size.long_mm
    scene = FlatScene(look_down(distance_mm=distance, tilt_deg=6.0))
    scene.sheet((size.long_mm, size.short_mm), 10.0)
    photo = scene.photo()
    edges = find_quadrilateral(photo)
    names = {reference.name for reference in sheet_candidates(edges, photo, PLAN)}
    alike = {"A5 sheet", "A4 sheet", "A3 sheet", "A2 sheet"}
    assert names == (alike if name.startswith("A") else {f"{name} sheet"})


def test_the_ring_tells_which_of_the_sizes_of_one_shape_it_is() -> None:
    photo = scene_of().photo()
    with pytest.raises(ScaleError, match="could be A5 sheet or A4 sheet or A3 sheet or A2 sheet"):
        find_sheet(photo, PLAN)
    # As good a score as any here: the camera was held at arm's length.
    by_distance = find_sheet(photo, PLAN, score=lambda found: -abs(found.camera.foot_mm[2] - 400.0))
    assert by_distance.name == "A4 sheet"


def test_a_measured_sheet_is_surer_than_one_as_bought() -> None:
    photo = scene_of((297.0, 209.4)).photo()
    bought, measured = find_sheet(photo, PLAN, "A4"), find_sheet(photo, PLAN, "209.4x297")
    assert measured.uncertainty.pitch_deg < bought.uncertainty.pitch_deg
    assert measured.uncertainty.scale < bought.uncertainty.scale
    assert any("measure both sides" in note for note in bought.notes)
    assert not measured.notes


def test_paper_off_in_one_side_stays_within_what_is_stated() -> None:
    scene = scene_of((297.0, 209.4))  # 0.3 % short: two standard deviations
    reference = find_sheet(scene.photo(), PLAN, "A4")
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert 0.02 < angle_deg < 2.0 * reference.uncertainty.pitch_deg
    assert abs(scale) < 2.0 * reference.uncertainty.scale


def test_a_wrong_focal_length_stays_within_what_is_stated() -> None:
    scene = scene_of()
    reference = find_sheet(scene.photo(1.02 * FOCAL_PX), PLAN, "A4")
    scale, _ = ring_errors(reference.camera, scene.camera, PLAN)
    # (thickness / distance) x 2 %: the sheet cannot tell a focal length better than EXIF does.
    assert abs(scale) == pytest.approx(16.0 / 400.0 * 0.02, rel=0.2)
    assert abs(scale) < 2.0 * reference.uncertainty.scale


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(
            lambda s: s.polygon(strip(s, (90.0, 130.0), (130.0, -20.0), 8.0), (0.6, 0.4, 0.0)), id="pencil"
        ),
        pytest.param(
            lambda s: s.shadow(strip(s, (-300.0, -150.0), (100.0, 250.0), 150.0), 0.35), id="shadow"
        ),
        pytest.param(lambda s: lay_ring(s, 30.0, -40.0), id="ring over an edge"),
        pytest.param(
            lambda s: s.polygon(strip(s, (-170.0, -110.0), (-120.0, -80.0), 30.0), (0.2, 0.2, 0.25)),
            id="corner",
        ),
    ],
)
def test_a_partly_hidden_or_shadowed_sheet_still_serves(spoil: Callable[[FlatScene], None]) -> None:
    scene = FlatScene(look_down())
    scene.sheet(A4, 0.0)
    spoil(scene)
    reference = find_sheet(scene.photo(), PLAN, "A4")
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert abs(scale) < 0.001
    assert angle_deg < 0.02


def test_a_sheet_of_another_shape_is_refused() -> None:
    with pytest.raises(ScaleError, match="not the shape of Letter"):
        find_sheet(scene_of().photo(), PLAN, "Letter")


def test_a_curled_corner_is_refused() -> None:
    scene = FlatScene(look_down())
    scene.sheet(A4, 8.0, curl_mm=5.0)
    lay_ring(scene)
    with pytest.raises(ScaleError, match="does not lie flat") as caught:
        find_sheet(scene.photo(), PLAN, "A4")
    assert "press the sheet flat" in caught.value.hint


@pytest.mark.parametrize(("darker", "tilt_deg"), [(0.86, 0.0), (0.88, 8.0), (0.9, 18.0)])
def test_a_bench_nearly_as_white_as_the_paper_and_mottled_still_serves(
    darker: float, tilt_deg: float
) -> None:
    scene = FlatScene(
        look_down(tilt_deg=tilt_deg), bench=(darker * PAPER[0], darker * PAPER[1], darker * PAPER[2])
    )
    scene.sheet(A4, 8.0)
    lay_ring(scene)
    photo = scene.photo()
    reference = find_sheet(photo, PLAN, "A4")
    scale, angle_deg = ring_errors(reference.camera, scene.camera, PLAN)
    assert abs(scale) < 0.001
    assert angle_deg < 0.02


def test_a_white_bench_has_no_sheet() -> None:
    scene = FlatScene(look_down(), bench=PAPER)
    scene.sheet(A4)
    lay_ring(scene)
    with pytest.raises(ScaleError):
        find_sheet(scene.photo(), PLAN, "A4")


def test_a_sheet_that_runs_out_of_the_picture_is_refused() -> None:
    scene = FlatScene(look_down())
    scene.sheet((420.0, 594.0))
    lay_ring(scene)
    with pytest.raises(ScaleError):
        find_sheet(scene.photo(), PLAN, "A2")


# The last two bend a side by 10 px, as a usual phone's lens does where the sheet fills 12 megapixels.
@pytest.mark.parametrize(("k1", "distance_mm"), [(0.03, 400.0), (0.15, 330.0), (-0.15, 330.0)])
def test_edges_lie_where_they_were_drawn(k1: float, distance_mm: float) -> None:
    scene = scene_of(tilt_deg=10.0, k1=k1, distance_mm=distance_mm)
    edges = find_quadrilateral(scene.photo())
    assert [side.kept > 0.9 for side in edges.sides] == [True] * 4
    for side in edges.sides:
        on_sheet = scene.camera.to_plane(side.points_px, 0.0) @ [1.0, 1.0j] * np.exp(-1j * np.radians(8.0))
        far = np.maximum(np.abs(on_sheet.real) - A4[0] / 2.0, np.abs(on_sheet.imag) - A4[1] / 2.0)
        miss_px = far * scene.camera.px_per_mm([0.0, 0.0], 0.0)
        assert abs(miss_px.mean()) < 0.03
        assert miss_px.std() < 0.06


@given(st.floats(50.0, 2000.0), st.floats(50.0, 2000.0))
def test_sides_in_mm_are_read_in_any_order(one: float, other: float) -> None:
    size = sheet_size(f"{one:.3f} x {other:.3f}")
    assert (size.short_mm, size.long_mm) == pytest.approx(sorted((one, other)), abs=0.0006)
    assert size.measured


@pytest.mark.parametrize("text", ["", "A7", "210", "210x", "0x297", "-210x297", "nanx297", "3x4", "1e9x297"])
def test_what_is_no_size_is_refused_with_the_names(text: str) -> None:
    with pytest.raises(PlanError, match="no size of sheet") as caught:
        sheet_size(text)
    assert "Tabloid" in caught.value.hint


def test_edges_once_found_serve_every_size() -> None:
    photo = scene_of().photo()
    edges = find_quadrilateral(photo)
    small, large = (adjust_sheet(edges, sheet_size(name), photo, PLAN) for name in ("A5", "A3"))
    assert large.camera.foot_mm[2] == pytest.approx(2.0 * small.camera.foot_mm[2], rel=0.05)
