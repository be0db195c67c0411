"""Regular polygons and mitres against published tables.

The ratios are those of Machinery's Handbook, 31st edition, page 82, "Area, Length of Side, and Inscribed
and Circumscribed Radii of Regular Polygons": S side, R circumscribed radius, r inscribed radius, four
decimals. The hexagons are those of "Woodworking Math Tables, Formulas & Calculators, Part III",
rockler.com: bevel, side-to-side width, tip-to-tip width and side length.
"""

from __future__ import annotations

import math

import pytest

from lightgap.plan import Plan

#      N    S / R    S / r   r / R
TABLE = [
    (6, 1.0000, 1.1547, 0.8660),
    (7, 0.8678, 0.9631, 0.9010),
    (8, 0.7654, 0.8284, 0.9239),
    (9, 0.6840, 0.7279, 0.9397),
    (10, 0.6180, 0.6498, 0.9511),
    (12, 0.5176, 0.5359, 0.9659),
    (16, 0.3902, 0.3978, 0.9808),
    (20, 0.3129, 0.3168, 0.9877),
    (24, 0.2611, 0.2633, 0.9914),
    (32, 0.1960, 0.1970, 0.9952),
    (48, 0.1308, 0.1311, 0.9979),
]
HEXAGONS = [(5.1962, 6.0, 3.0), (6.0, 6.9282, 3.4641), (6.9282, 8.0, 4.0), (8.0, 9.2376, 4.6188)]
ROUNDING = 0.5e-4


def ring(segments: int, across_flats: float = 2000.0, gap: float = 0.0, outline: str = "polygon") -> Plan:
    style = "spaced" if gap else "closed"
    return Plan(segments, style, across_flats, 0.2 * across_flats, 20.0, gap_mm=gap, outline=outline)  # type: ignore[arg-type]


@pytest.mark.parametrize(("segments", "side_to_tip", "side_to_flat", "flat_to_tip"), TABLE)
def test_a_closed_ring_is_the_tables_polygon(
    segments: int, side_to_tip: float, side_to_flat: float, flat_to_tip: float
) -> None:
    plan = ring(segments)
    tip = plan.joint_radii_mm[1]
    side = plan.edge_length_mm(plan.outer_mm)
    assert side / tip == pytest.approx(side_to_tip, abs=ROUNDING)
    assert side / plan.outer_mm == pytest.approx(side_to_flat, abs=ROUNDING)
    assert plan.outer_mm / tip == pytest.approx(flat_to_tip, abs=ROUNDING)
    # The inner edge is the same polygon, smaller.
    assert plan.edge_length_mm(plan.inner_mm) / plan.inner_mm == pytest.approx(side_to_flat, abs=ROUNDING)


@pytest.mark.parametrize(("segments", "side_to_tip"), [row[:2] for row in TABLE])
def test_a_turned_rings_segment_has_the_tables_chord(segments: int, side_to_tip: float) -> None:
    plan = ring(segments, outline="round")
    assert plan.edge_length_mm(plan.outer_mm) / plan.outer_mm == pytest.approx(side_to_tip, abs=ROUNDING)


@pytest.mark.parametrize(("flats", "tips", "side"), HEXAGONS)
def test_hexagons_of_the_workshop_table(flats: float, tips: float, side: float) -> None:
    plan = ring(6, flats)
    assert plan.mitre_deg == 30.0
    assert 2.0 * plan.joint_radii_mm[1] == pytest.approx(tips, abs=2 * ROUNDING)
    assert plan.edge_length_mm(plan.outer_mm) == pytest.approx(side, abs=2 * ROUNDING)


@pytest.mark.parametrize(("segments", "side_to_flat"), [(row[0], row[2]) for row in TABLE])
def test_a_spacer_takes_its_own_length_along_the_edge(segments: int, side_to_flat: float) -> None:
    # A spacer of width g stands square to the joint line, which meets the edge at 90 - 180/N degrees.
    spaced = ring(segments, gap=3.0)
    shorter = 3.0 / math.cos(math.radians(180.0 / segments))
    table = side_to_flat * spaced.outer_mm
    assert spaced.edge_length_mm(spaced.outer_mm) == pytest.approx(table - shorter, abs=ROUNDING * 1000.0)
