"""The picture maker against analytic areas: what it draws is where its truth says, to 0.02 px."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from accuracy.coverage import area, convex_hull, coverage, difference
from accuracy.look import BENCHES, WOODS, Bench, Light, Look, Wood
from accuracy.maker import View, card_ink, draw_ring, place_camera
from accuracy.paint import Board, paint
from accuracy.phone import PERFECT, Phone, develop
from accuracy.projection import Projection
from accuracy.scene import BOUNCE, Scene
from accuracy.shape import Faults, Filling, Shape, build, no_faults, read_joint, usual_faults
from accuracy.truth import read_truth
from lightgap.photo import LINEAR_OF_CODE
from lightgap.plan import Plan

PLAN = Plan(12, "spaced", 130.0, 26.0, 18.0, gap_mm=3.0)
PLAIN = Look(
    wood=Wood(kinds=("maple",), figure=0.0, uneven=0.0),
    light=Light(slope=0.0, share=1.0, uneven=0.0),
    bench=Bench("nothing", weave=0.0),
)
"""Light from straight above, wood without figure, nothing below: slots are black, walls nearly so."""

SQUARE = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])

few = settings(max_examples=8, deadline=None, derandomize=True)


@pytest.fixture(autouse=True, scope="module")
def black_bench():
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(BENCHES, "nothing", (0.0, 0.0, 0.0))
        yield


def polygon_of(seed: int, low: float = 2.0, high: float = 28.0, corners: int = 7) -> np.ndarray:
    return convex_hull(np.random.default_rng(seed).uniform(low, high, (corners, 2)))


def drawn_coverage(polygon: np.ndarray, size: int = 30) -> np.ndarray:
    picture = np.zeros((size, size))
    patch = coverage([polygon], size, size)
    if patch is not None:
        picture[patch.window] = patch.share
    return picture


class TestCoverage:
    def test_each_pixel_agrees_with_opencv(self):
        # Outside source: cv2.intersectConvexConvex (O'Rourke's algorithm, single precision), per pixel.
        polygon = polygon_of(3, -4.0, 16.0)
        for (row, column), share in np.ndenumerate(drawn_coverage(polygon, 14)):
            square = SQUARE + np.array([column, row])
            common, _ = cv2.intersectConvexConvex(square.astype(np.float32), polygon.astype(np.float32))
            assert share == pytest.approx(common, abs=1e-4)

    @few
    @given(st.integers(0, 10_000), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(0.0, 360.0))
    def test_sums_to_the_area_wherever_it_lies(self, seed, right, down, turn):
        angle = np.radians(turn)
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        polygon = polygon_of(seed, 6.0, 24.0)
        moved = (polygon - 15.0) @ rotation.T + np.array([15.0 + right, 15.0 + down])
        assert drawn_coverage(moved).sum() == pytest.approx(abs(area(polygon)), abs=1e-4)

    @few
    @given(st.integers(0, 10_000))
    def test_a_whole_pixel_s_shift_moves_the_picture(self, seed):
        polygon = polygon_of(seed)
        assert np.allclose(
            drawn_coverage(polygon + np.array([1.0, 0.0]))[:, 1:], drawn_coverage(polygon)[:, :-1], atol=1e-6
        )

    def test_a_hole_wound_the_other_way_would_count_twice(self):
        square = np.array([[2.0, 2.0], [8.0, 2.0], [8.0, 8.0], [2.0, 8.0]])
        patch = coverage([square, square[::-1] / 2.0 + 2.5], 30, 30)
        assert patch is not None
        assert patch.share.sum() == pytest.approx(36.0 + 9.0)

    @few
    @given(st.integers(0, 10_000), st.integers(0, 10_000))
    def test_a_difference_leaves_what_is_not_common(self, seed, other):
        polygon, hole = polygon_of(seed), polygon_of(other, corners=5)
        # Outside source: cv2.intersectConvexConvex.
        common, _ = cv2.intersectConvexConvex(polygon.astype(np.float32), hole.astype(np.float32))
        left = sum(abs(area(piece)) for piece in difference([polygon], hole))
        assert left == pytest.approx(abs(area(polygon)) - common, abs=1e-2)


def painted(
    plan: Plan, faults: Faults, view: View, look: Look = PLAIN
) -> tuple[Shape, Projection, np.ndarray]:
    shape = build(plan, faults, 17.0)
    projection, _ = place_camera(plan, view, [])
    return shape, projection, paint(shape, look, projection, [], np.random.default_rng(0))


def inside_of_edge(distance: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Share of a unit square on the negative side of a line at a distance from its middle, exactly."""
    wide, narrow = sorted(np.abs(normal))[::-1]
    reach, flat = (wide + narrow) / 2.0, (wide - narrow) / 2.0
    d = np.abs(distance)
    corner = (reach - d) ** 2 / (2.0 * wide * max(narrow, 1e-12))
    part = np.where(d >= reach, 0.0, np.where(d <= flat, 0.5 - d / wide, corner))
    return np.where(distance < 0.0, 1.0 - part, part)


def expected_light(projection: Projection, shape: Shape, joint: int) -> tuple[np.ndarray, np.ndarray]:
    """Pixels near a joint's middle, and how much of each its two top faces cover, from the truth alone."""
    before, after, face_a, face_b = shape.faces(joint)
    shares = np.linspace(0.15, 0.85, 400)[:, None]
    lines = []
    for segment, face in ((before, face_a), (after, face_b)):
        points = face.inner + shares * (face.outer - face.inner)
        lines.append(projection.camera.project_plane(points, segment.top_mm))
    middle = (lines[0] + lines[1]) / 2.0
    along = (middle[-1] - middle[0]) / np.hypot(*(middle[-1] - middle[0]))
    across = np.array([along[1], -along[0]])
    if (lines[1][200] - lines[0][200]) @ across < 0.0:
        across = -across
    low, high = middle.min(axis=0), middle.max(axis=0)
    x, y = np.meshgrid(np.arange(int(low[0]), int(high[0]) + 1), np.arange(int(low[1]), int(high[1]) + 1))
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    u = (pixels - middle[0]) @ along
    keep = (u > 2.0) & (u < (middle[-1] - middle[0]) @ along - 2.0)
    pixels, u = pixels[keep], u[keep]
    total = np.zeros(len(pixels))
    for line, side in zip(lines, (1.0, -1.0), strict=True):
        # The lens bends the edge: its place and its direction are taken at each pixel.
        at = np.interp(u, (line - middle[0]) @ along, (line - middle[0]) @ across)
        slope = np.polyval(
            np.polyder(np.polyfit((line - middle[0]) @ along, (line - middle[0]) @ across, 3)), u
        )
        distance = side * ((pixels - middle[0]) @ across - at) / np.sqrt(1.0 + slope**2)
        normal = (across - slope.mean() * along) / np.hypot(1.0, slope.mean())
        total += inside_of_edge(distance, normal)
    near = (
        np.abs(
            (pixels - middle[0]) @ across
            - np.interp(u, (middle - middle[0]) @ along, (middle - middle[0]) @ across)
        )
        < 25.0
    )
    return pixels[near], total[near]


class TestEdges:
    @few
    @given(
        gap=st.sampled_from([0.02, 0.3, 3.0]),
        segments=st.sampled_from([6, 12, 17]),
        tilt=st.floats(0.0, 25.0),
        stand=st.floats(0.0, 360.0),
        k1=st.floats(-0.03, 0.03),
        outline=st.sampled_from(["polygon", "round"]),
    )
    def test_top_faces_cover_what_their_truth_says(self, gap, segments, tilt, stand, k1, outline):
        plan = replace(PLAN, segments=segments, gap_mm=gap, outline=outline)
        faults = usual_faults(plan, np.random.default_rng(segments), height_mm=0.0)
        view = View(mm_per_px=0.25, tilt_deg=tilt, tilt_from_deg=stand, k1=k1)
        shape, projection, light = painted(plan, faults, view)
        for joint in range(0, segments, 5):
            pixels, share = expected_light(projection, shape, joint)
            green = light[pixels[:, 1], pixels[:, 0], 1] / WOODS["maple"][1]
            # A difference of 0.02 in a pixel's share is an edge 0.02 px off; the truth is much closer.
            assert np.abs(green - share).max() < 0.01
            assert abs(green.mean() - share.mean()) < 1e-3

    def test_a_higher_neighbour_hides_what_lies_behind_its_arris(self):
        plan = replace(PLAN, gap_mm=0.5)
        heights = np.zeros(12)
        heights[3] = 2.0
        faults = replace(no_faults(plan), height_mm=heights)
        # The camera stands behind segment 3, which is of another wood, and looks over its arris.
        view = View(mm_per_px=0.2, tilt_deg=20.0, tilt_from_deg=17.0 + 90.0 + 90.0)
        look = replace(PLAIN, wood=replace(PLAIN.wood, kinds=("maple", "walnut")))
        shape, projection, light = painted(plan, faults, view, look)
        _, after, _, face_b = shape.faces(3)
        inner, outer = projection.camera.project_plane(np.stack([face_b.inner, face_b.outer]), after.top_mm)
        across = np.array([inner[1] - outer[1], outer[0] - inner[0]]) / np.hypot(*(outer - inner))
        places = np.round((inner + outer) / 2.0 + np.array([[2.0], [-2.0]]) * across).astype(int)
        beyond, before = light[places[:, 1], places[:, 0]]
        assert np.allclose(beyond, WOODS["maple"], rtol=1e-4)
        assert np.allclose(before, WOODS["walnut"], rtol=1e-4)

    def test_a_rounded_arris_darkens_the_edge_and_moves_no_face(self):
        look = replace(PLAIN, wood=replace(PLAIN.wood, arris_mm=0.5))
        shape, projection, light = painted(PLAN, no_faults(PLAN), View(mm_per_px=0.1, tilt_deg=0.0), look)
        before, _, face_a, _ = shape.faces(0)
        middle = (face_a.inner + face_a.outer) / 2.0
        into = -before.normal(-1)
        depths = np.array([0.1, 0.8])
        places = projection.camera.project_plane(middle + depths[:, None] * into, before.top_mm)
        on_round, on_flat = light[..., 1].T[tuple(np.round(places).astype(int).T)]
        assert on_flat == pytest.approx(WOODS["maple"][1], rel=1e-4)
        assert 0.3 * on_flat < on_round < 0.9 * on_flat
        assert read_joint(shape, 0)["gap_mid_mm"] == pytest.approx(3.0)

    def test_the_other_edge_hides_the_sky_from_a_rounded_one_the_more_the_narrower_the_gap(self):
        """An even sky over two quarter circles that touch: what is seen of it follows from the tangents."""
        look = replace(PLAIN, wood=replace(PLAIN.wood, arris_mm=0.2), light=Light(share=0.0, uneven=0.0))
        shape, projection, _ = painted(PLAN, no_faults(PLAN), View(mm_per_px=0.3), look)
        scene = Scene(shape, look, projection, np.random.default_rng(0))
        normal = shape.segments[0].normal(1)
        lean = np.radians(45.0)
        depth = 0.2 * (1.0 - np.cos(lean))
        # Touching: the line to the other circle rises by asin(1 / 1.4736) - atan(0.7071 / 1.2929) = 14.1 deg.
        closed = scene.slot_light(depth, lean, 0.0, normal)
        assert closed == pytest.approx((1.0 + np.cos(np.radians(59.1))) / 2.0 + BOUNCE, abs=1e-3)
        alone = scene.slot_light(depth, lean, 1e3, normal)
        assert alone == pytest.approx((1.0 + np.cos(lean)) / 2.0 + BOUNCE, abs=1e-3)
        sharp = Scene(shape, replace(look, wood=PLAIN.wood), projection, np.random.default_rng(0))
        # A sharp edge, one gap down the wall: (1 - sin 45) / 2.
        assert sharp.slot_light(0.3, np.pi / 2.0, 0.3, normal) == pytest.approx(0.1464 + BOUNCE, abs=1e-4)


class TestSlots:
    def lit_wall(self, depth_in_shadow_lengths: float, softness: float = 0.0) -> float:
        """Green light on the wall of joint 0 that faces both lamp and camera, at mid-length."""
        light = Light(from_deg=17.0 - 90.0, slope=1.0, share=0.8, softness=softness, uneven=0.0)
        view = View(mm_per_px=0.1, tilt_deg=24.0, tilt_from_deg=17.0 - 90.0)
        look = replace(PLAIN, light=light)
        shape, projection, picture = painted(PLAN, no_faults(PLAN), view, look)
        _, after, _, face_b = shape.faces(0)
        depth = depth_in_shadow_lengths * PLAN.gap_mm / light.slope
        middle = np.append((face_b.inner + face_b.outer) / 2.0, after.top_mm - depth)
        x, y = np.round(projection.camera.project(middle)).astype(int)
        return float(picture[y, x, 1])

    def test_the_shadow_of_the_other_arris_falls_where_the_lamp_throws_it(self):
        above, below = self.lit_wall(0.85), self.lit_wall(1.15)
        assert above > 5.0 * below

    def test_a_thin_slot_is_darker_than_a_wide_one_seen_straight(self):
        def floor(gap: float) -> float:
            plan = replace(PLAN, gap_mm=gap)
            look = replace(PLAIN, bench=Bench("white", 0.0), light=Light(share=0.0, uneven=0.0))
            shape, projection, picture = painted(
                plan, no_faults(plan), View(mm_per_px=0.2, tilt_deg=0.0), look
            )
            _, _, face_a, face_b = shape.faces(0)
            x, y = np.round(
                projection.camera.project_plane((face_a.inner + face_b.outer) / 2.0, 18.0)
            ).astype(int)
            return float(picture[y, x, 1])

        # Long slot of depth t and width w under an even sky: (sqrt(t^2 + w^2) - t) / w of the light.
        for gap in (2.0, 4.0):
            sky = (np.hypot(18.0, gap) - 18.0) / gap
            assert floor(gap) == pytest.approx(BENCHES["white"][1] * (sky + 0.02), rel=0.05)

    @pytest.mark.parametrize("radii", [None, (45.0, 55.0)])
    def test_a_filling_shows_its_colour_between_the_faces(self, radii):
        filling = Filling("resin", radii, (0.1, 0.2, 0.3), rim_mm=0.0)
        faults = replace(no_faults(PLAN), fillings={0: filling})
        shape, projection, picture = painted(PLAN, faults, View(mm_per_px=0.2, tilt_deg=15.0))
        _, _, face_a, face_b = shape.faces(0)
        stations = {share: face_a.inner + share * (face_b.outer - face_a.inner) for share in (0.1, 0.5)}
        seen = {
            share: picture[tuple(np.round(projection.camera.project_plane(point, 18.0)).astype(int)[::-1])]
            for share, point in stations.items()
        }
        assert np.allclose(seen[0.5], (0.1, 0.2, 0.3), atol=1e-5)
        assert np.allclose(seen[0.1], (0.1, 0.2, 0.3), atol=1e-5) == (radii is None)

    def test_no_region_is_drawn_twice(self):
        # White everywhere under even light: any overlap would be brighter than the wood, any hole darker.
        plan = replace(PLAN, gap_mm=0.4)
        faults = usual_faults(plan, np.random.default_rng(5))
        look = replace(
            PLAIN, wood=replace(PLAIN.wood, arris_mm=0.1), light=Light(slope=0.0, share=1.0, uneven=0.0)
        )
        _, _, picture = painted(plan, faults, View(mm_per_px=0.2, tilt_deg=25.0), look)
        assert picture[..., 1].max() <= WOODS["maple"][1] * (1.0 + 1e-5)
        assert picture.min() > -1e-6


class TestReferences:
    def test_cards_are_the_boards_that_opencv_prints(self):
        # Outside source: cv2.aruco.CharucoBoard.generateImage; at 14 px/mm every cell is 30 px square.
        board = cv2.aruco.CharucoBoard(
            (4, 4), 20.0, 15.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100), np.arange(24, 32)
        )
        printed = board.generateImage((1120, 1120), marginSize=0)
        pixels = [ink * (14.0, -14.0) + 559.5 for ink in card_ink(3)]
        patch = coverage(pixels, 1120, 1120)
        assert patch is not None
        drawn = np.zeros((1120, 1120))
        drawn[patch.window] = patch.share
        assert np.array_equal(np.round(drawn), (printed == 0).astype(float))
        assert np.abs(drawn - np.round(drawn)).max() < 1e-5

    def test_opencv_finds_the_card_corners_where_the_camera_puts_them(self):
        drawn = draw_ring(PLAN, 5, phone=replace(PERFECT, blur_px=0.7), reference="cards:2")
        # Outside source: cv2.aruco.CharucoDetector on the drawn picture.
        for card in drawn.raw["reference"]["cards"]:
            board = cv2.aruco.CharucoBoard(
                (4, 4),
                20.0,
                15.0,
                cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100),
                8 * card["id"] + np.arange(8),
            )
            grey = cv2.cvtColor(drawn.photo.codes, cv2.COLOR_RGB2GRAY)
            corners, ids = cv2.aruco.CharucoDetector(board).detectBoard(grey)[:2]
            corner_of = board.getChessboardCorners().reshape(-1, 3)[np.ravel(ids)][:, :2] - 40.0
            turn = np.radians(card["rot_deg"])
            right, up = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
            points = (
                np.array(card["centre_mm"]) + np.outer(corner_of[:, 0], right) - np.outer(corner_of[:, 1], up)
            )
            expected = drawn.truth.camera.project_plane(points, card["z_mm"])
            assert len(expected) == 9
            assert np.abs(corners.reshape(-1, 2) - expected).mean() < 0.05

    def test_a_sheet_covers_its_area(self):
        projection, _ = place_camera(
            PLAN, View(mm_per_px=0.5, tilt_deg=0.0, k1=0.0), [np.array([[-60.0, -60.0], [60.0, 60.0]])]
        )
        white = np.array([[-50.0, -40.0], [50.0, -40.0], [50.0, 40.0], [-50.0, 40.0]])
        shape = build(PLAN, replace(no_faults(PLAN), missing=frozenset(range(12))), 0.0)
        picture = paint(shape, PLAIN, projection, [Board(white)], np.random.default_rng(0))
        scale = projection.camera.px_per_mm([0.0, 0.0], 0.0)
        assert picture[..., 1].sum() / 0.8 == pytest.approx(8000.0 * scale**2, rel=1e-5)


class TestPhone:
    def edge(
        self, phone: Phone, contrast: tuple[float, float] = (0.05, 0.5)
    ) -> tuple[np.ndarray, np.ndarray]:
        """Green light along rows across an upright edge at x = 40.3, and x less that."""
        x = np.arange(80)
        share = np.clip(40.3 - x + 0.5, 0.0, 1.0)
        row = contrast[0] + (contrast[1] - contrast[0]) * share
        light = np.broadcast_to(row[None, :, None], (60, 80, 3)).astype(np.float32)
        data = develop(light, phone, np.random.default_rng(0))
        codes = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
        return x - 40.3, LINEAR_OF_CODE[codes[..., 1]].mean(axis=0)

    def test_blur_is_the_gaussian_that_it_says(self):
        x, seen = self.edge(replace(PERFECT, blur_px=1.1))
        expected = 0.05 + 0.45 * (1.0 - ndtr(x / np.sqrt(1.1**2 + 1.0 / 12.0)))
        assert np.abs(seen - expected).max() < 0.004

    def test_noise_and_jpeg_leave_the_edge_in_place(self):
        _, seen = self.edge(Phone(blur_px=0.8, corner_blur=1.8, quality=90))
        place = np.sum((seen - 0.05) / 0.45) - 40.8
        assert abs(place) < 0.1

    def test_sharpening_overshoots_and_noise_reduction_quietens(self):
        _, plain = self.edge(replace(PERFECT, blur_px=0.8))
        _, sharp = self.edge(replace(PERFECT, blur_px=0.8, sharpen=1.0))
        assert sharp.max() > plain.max() + 0.01
        noisy, quiet = (self.grain(replace(Phone(quality=None), denoise=range_)) for range_ in (0.0, 0.1))
        assert quiet < 0.6 * noisy

    def grain(self, phone: Phone) -> float:
        light = np.full((60, 60, 3), 0.3, np.float32)
        codes = cv2.imdecode(
            np.frombuffer(develop(light, phone, np.random.default_rng(1)), np.uint8), cv2.IMREAD_COLOR_RGB
        )
        return float(codes[..., 1].std())

    def test_shot_noise_is_the_root_of_the_electrons(self):
        phone = Phone(blur_px=0.0, full_well=2000.0, read=0.0, quality=None)
        light = np.full((200, 200, 3), 0.3, np.float32)
        codes = cv2.imdecode(
            np.frombuffer(develop(light, phone, np.random.default_rng(1)), np.uint8), cv2.IMREAD_COLOR_RGB
        )
        seen = LINEAR_OF_CODE[codes[..., 1]]
        assert seen.std() == pytest.approx(np.sqrt(0.3 / 2000.0), rel=0.03)

    def test_red_is_larger_by_what_it_says(self):
        light = np.full((101, 401, 3), 0.1, np.float32)
        light[:, 350:] = 0.6
        data = develop(light, replace(PERFECT, blur_px=1.0, red_scale=1.002), np.random.default_rng(0))
        seen = LINEAR_OF_CODE[cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)][50]
        moved = (seen[300:, 1].sum() - seen[300:, 0].sum()) / 0.5
        assert moved == pytest.approx(0.002 * (349.5 - 200.0), abs=0.02)


class TestDrawing:
    def test_the_same_seed_draws_the_same_picture(self):
        view = View(mm_per_px=0.4)
        one, two, three = (draw_ring(PLAN, seed, view=view, reference="none") for seed in (4, 4, 5))
        assert one.data == two.data
        assert one.raw == two.raw
        assert one.data != three.data

    def test_its_truth_reads_back_in_the_program_s_frames(self, tmp_path: Path):
        drawn = draw_ring(PLAN, 4, view=View(mm_per_px=0.2), reference="cards:1")
        path = drawn.save(tmp_path)
        truth = read_truth(path.with_suffix(".json"))
        assert truth.plan == PLAN
        assert truth.photo == path
        assert drawn.photo.focal_px == pytest.approx(truth.camera.focal_px, rel=0.03)
        gaps = [joint["gap_mid_mm"] for joint in drawn.raw["joints"]]
        assert sorted(joint.gap_middle_mm for joint in truth.joints) == pytest.approx(sorted(gaps))
        widest = truth.joints[int(np.argmax([joint.gap_middle_mm for joint in truth.joints]))]
        across = truth.camera.to_plane(widest.face_b_px.mean(axis=0), 18.0) - truth.camera.to_plane(
            widest.face_a_px.mean(axis=0), 18.0
        )
        assert np.hypot(*across) == pytest.approx(widest.gap_middle_mm, abs=0.05)

    def test_the_scale_is_the_one_asked_for(self):
        drawn = draw_ring(PLAN, 4, view=View(mm_per_px=0.3, tilt_deg=3.0), reference="none")
        assert 1.0 / drawn.truth.camera.px_per_mm([0.0, 0.0], 18.0) == pytest.approx(0.3, rel=0.01)

    def test_faults_are_read_as_they_were_set(self):
        plan = replace(PLAN, joint="tapered", gap_deg=1.0)
        shape = build(plan, no_faults(plan), 30.0)
        joint = read_joint(shape, 2)
        assert joint["gap_mid_mm"] == pytest.approx(3.0, abs=0.01)
        assert joint["taper_deg"] == pytest.approx(1.0, abs=1e-9)
        length = plan.joint_radii_mm[1] - plan.joint_radii_mm[0]
        widening = joint["gap_outer_mm"] - joint["gap_inner_mm"]
        assert widening == pytest.approx(2.0 * length * np.tan(np.radians(0.5)), rel=0.05)

    def test_everything_at_once_can_be_drawn(self):
        plan = Plan(8, "closed", 120.0, 25.0, 15.0, outline="round")
        faults = replace(
            usual_faults(plan, np.random.default_rng(1)),
            missing=frozenset({5}),
            squeeze_out=frozenset({2}),
            fillings={1: Filling("glue", sunk_mm=0.1, gloss=0.3)},
        )
        look = Look(Wood(("beech", "walnut"), arris_mm=0.2, grain_turn_deg=90.0), Light(shadow_edge_mm=10.0))
        phone = Phone(
            corner_blur=2.0, red_scale=0.9995, vignette=0.2, denoise=0.05, sharpen=1.0, contrast=0.2
        )
        drawn = draw_ring(
            plan, 9, faults=faults, look=look, view=View(mm_per_px=0.22), phone=phone, reference="sheet:A4"
        )
        assert drawn.photo.codes.std() > 20.0
        missing = [joint for joint in drawn.truth.joints if joint.missing_neighbour]
        assert len(missing) == 2
        assert all(np.isnan(joint.gap_middle_mm) for joint in missing)
        assert sum(not segment.present for segment in drawn.truth.segments) == 1
