"""What lies on a joint: beads and slivers are cut out, a film hides all, and wood alone is no cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lightgap.faces.squeeze import Beside, Cover, find_cover, look_beside
from lightgap.faces.strip import Strip
from made_strip import Array, MadeJoint

OAK, GLUE = np.array([0.42, 0.30, 0.18]), np.array([0.50, 0.40, 0.20])
JOINT = MadeJoint(0.1, px_per_mm=9.0, length_mm=30.0, noise=0.002)
NOWHERE = 100.0


def strip_of(seed: int, cover: Array | None = None, wood: Array = OAK) -> Strip:
    """A dark line in figured wood, with glue over it: ``cover`` is its share at each pixel."""
    slot = replace(JOINT, woods=(0.0, 0.0), slot=1.0, noise=0.0).strip(seed)
    figure = replace(JOINT, woods=(1.0, 1.0), slot=1.0, figure=0.08, noise=0.004).strip(seed)
    light = figure.light * wood * (1.0 - slot.light)
    if cover is not None:
        light = light + cover[:, None] * (GLUE - light)
    return replace(slot, light=light.astype(np.float32))


def bead(strip: Strip, at_mm: float, radius_mm: float = 0.9) -> Array:
    away = np.hypot((strip.u - at_mm) / 2.0, strip.v)
    return np.asarray(np.clip((radius_mm - away) / 0.2, 0.0, 1.0))


def look(strip: Strip, end_mm: float = NOWHERE) -> Beside:
    return look_beside(strip, (0.0, 0.0), 0.1, JOINT.u_range, 0.0, end_mm)


def covers(odd: Strip | None = None, end_mm: float = NOWHERE) -> list[Cover]:
    """Eight joints of a ring, the first of them the odd one."""
    strips = [strip_of(seed) for seed in range(8)]
    if odd is not None:
        strips[0] = odd
    return find_cover([look(strip, end_mm) for strip in strips])


def test_wood_with_its_figure_covers_nothing() -> None:
    assert covers() == [Cover((), False)] * 8


def test_beads_are_found_where_they_lie() -> None:
    plain = strip_of(0)
    odd = strip_of(0, np.maximum(bead(plain, -8.0), bead(plain, 6.0)))
    found, *others = covers(odd)
    assert not found.is_hidden
    assert len(found.spans_mm) == 2
    for (low, high), at in zip(found.spans_mm, (-8.0, 6.0), strict=True):
        assert low == pytest.approx(at - 1.8, abs=1.0)
        assert high == pytest.approx(at + 1.8, abs=1.0)
    assert others == [Cover((), False)] * 7


def test_pixels_under_a_bead_are_left_out() -> None:
    strip = strip_of(0)
    clear = Cover(((-4.0, 2.0), (5.0, 6.0)), False).clear_of(strip)
    assert not np.any((clear.u > -4.0) & (clear.u < 2.0))
    assert not np.any((clear.u > 5.0) & (clear.u < 6.0))
    assert clear.u.size == np.sum((strip.u < -4.0) | ((strip.u > 2.0) & (strip.u < 5.0)) | (strip.u > 6.0))


def test_a_film_along_all_of_it_hides_a_joint() -> None:
    plain = strip_of(0)
    film = 0.4 * np.clip(1.5 - np.abs(plain.v), 0.0, 1.0)
    assert covers(strip_of(0, film))[0].is_hidden


def test_too_many_beads_hide_a_joint() -> None:
    plain = strip_of(0)
    many = np.max([bead(plain, at) for at in (-12.0, -8.0, -4.0, 0.0, 4.0, 8.0)], axis=0)
    assert covers(strip_of(0, many))[0].is_hidden


def test_what_lies_on_one_side_alone_is_the_wood() -> None:
    """A dark streak, or a scraped smear, that ends at the joint."""
    plain = strip_of(0)
    assert covers(strip_of(0, 0.5 * (plain.v > 0.05)))[0] == Cover((), False)


def test_the_bench_seen_through_the_slots_end_is_no_cover() -> None:
    plain = strip_of(0)
    through = np.where((plain.u > 9.0) & (np.abs(plain.v) < 0.25), 1.0, 0.0)
    odd = strip_of(0, through)
    assert covers(odd)[0].spans_mm
    seen = covers(odd, end_mm=9.5)[0]
    assert seen.spans_mm == ()
    # But what it lights of the slot is not measured.
    assert seen.lit_from_mm == pytest.approx(9.0, abs=0.6)
    assert np.max(seen.clear_of(odd).u) < seen.lit_from_mm


def test_without_pixels_beside_the_joint_there_is_no_cover() -> None:
    plain = strip_of(0)
    nothing = look(plain.part(plain.u > 14.6))
    assert nothing.places_mm.size == 0
    assert find_cover([nothing]) == [Cover((), False)]
    assert find_cover([]) == []
    assert find_cover([nothing, *(look(strip_of(seed)) for seed in range(4))])[0] == Cover((), False)


@pytest.mark.parametrize(("share", "length"), [(0.12, 1.0), (0.15, 1.0), (0.15, 0.5)])
def test_a_smear_too_faint_to_be_told_anywhere_stands_out_of_the_ring(share: float, length: float) -> None:
    """Squeeze-out lies along the joint, on both sides alike: common practice, no source."""
    plain = strip_of(0)
    smeared = plain.u < JOINT.u_range[0] + length * np.ptp(JOINT.u_range)
    found, *others = covers(strip_of(0, share * smeared * np.clip(1.5 - np.abs(plain.v), 0.0, 1.0)))
    assert found == Cover((), False, is_odd=True)
    assert others == [Cover((), False)] * 7
