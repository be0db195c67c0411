"""The values of the whole ring."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lightgap.camera import Camera
from lightgap.measure import JointMeasure, RingMeasure, SegmentMeasure
from lightgap.measure.place import Place, centre_of, distance_mm, foot_mm
from lightgap.plan import Plan
from lightgap.reference.found import CARDS_LIE, THICKNESS, Reference
from lightgap.ring.edges import SegmentEdges
from lightgap.roundness import round_of
from lightgap.values import Measured, Unknown, Value, measured


def measure_ring(
    edges: tuple[SegmentEdges, ...],
    joints: tuple[JointMeasure, ...],
    segments: tuple[SegmentMeasure, ...],
    camera: Camera,
    place: Place,
    plan: Plan,
    reference: Reference,
) -> RingMeasure:
    """Size, roundness, centre of the hole, closure and mean gap, each with its budget."""
    untold = Unknown(f"cannot be told with {reference.name} as the reference")
    outer = [item.outer for item in edges if item.outer is not None]
    inner = [item.inner for item in edges if item.inner is not None]
    few = Unknown("too few of its outer edges could be fitted")
    size_key = "across_flats_mm" if plan.outline == "polygon" else "diameter_mm"
    size: Measured = untold if size_key in reference.untold or "across_flats_mm" in reference.untold else few
    if size is few and len(outer) >= 4:
        distances = np.array([distance_mm(edge, place.centre_mm, plan) for edge in outer])
        mean = 2.0 * float(np.mean(distances))
        noise = 2.0 * float(np.sqrt(np.mean([edge.offset_standard_mm**2 for edge in outer]) / len(outer)))
        scale = {name: mean * part for name, part in reference.parts("scale").items()}
        size = measured(mean, {"edge fit": noise, **scale})
    least: Measured = untold if "out_of_round_mm" in reference.untold else few
    zone = least
    if least is few and len(outer) >= 6:
        circle = round_of(np.array([foot_mm(edge, place.centre_mm, plan) for edge in outer]))
        noise = float(np.sqrt(np.mean([edge.offset_standard_mm**2 for edge in outer])))
        radial = {name: 2.0 * part for name, part in reference.parts("radial_mm").items()}
        parts = {"edge fit": 1.5 * noise, **radial}
        least = measured(circle.out_of_round_mm, parts)
        zone = measured(circle.minimum_zone_mm, parts)
    offset: Measured = (
        untold if "inner_offset_mm" in reference.untold else Unknown("too few inner edges were fitted")
    )
    if offset is not untold and len(inner) >= 6 and len(outer) >= 6:
        inner_centre, inner_standard, _ = centre_of(inner, plan)
        offset = measured(
            float(np.hypot(*(inner_centre - place.centre_mm))),
            {
                "inner edges": inner_standard,
                "outer edges": place.centre_standard_mm,
                **reference.parts("radial_mm"),
            },
        )
    centre = camera.project_plane(place.centre_mm, plan.thickness_mm)
    return RingMeasure(
        size, least, zone, offset, _closure(segments), _mean_gap(joints), (float(centre[0]), float(centre[1]))
    )


def _closure(segments: tuple[SegmentMeasure, ...]) -> Measured:
    """Sum of the segments' included angles; with the tapers it makes 360 degrees."""
    included = [segment.included_angle_deg for segment in segments]
    values = [value for value in included if isinstance(value, Value)]
    if len(values) < len(segments):
        return Unknown("not every segment's angle could be measured")
    fits = float(np.sqrt(sum(_part(value, "edge fit") ** 2 for value in values)))
    # What the reference adds is shared: turned one way at one segment, the other way across the ring.
    names = {part.name: None for value in values for part in value.budget if part.name != "edge fit"}
    shared = {name: float(np.mean([_part(value, name) for value in values])) for name in names}
    return measured(sum(value.value for value in values), {"edge fit": fits, **shared})


def _part(value: Value, name: str) -> float:
    return sum(part.standard for part in value.budget if part.name == name)


def _mean_gap(joints: tuple[JointMeasure, ...]) -> Measured:
    values = [joint.gap_middle_mm for joint in joints if isinstance(joint.gap_middle_mm, Value)]
    if not values:
        return Unknown("no joint is wide enough to be measured")
    names: Mapping[str, list[float]] = {
        part.name: [_part(value, part.name) for value in values]
        for value in values[:1]
        for part in value.budget
    }
    shared = ("scale", CARDS_LIE, THICKNESS, "phone's processing", "slot darkness", "blur", "rounded edges")
    parts = {
        name: float(np.mean(each))
        if name in shared
        else float(np.sqrt(np.sum(np.square(each)))) / len(values)
        for name, each in names.items()
    }
    return measured(float(np.mean([value.value for value in values])), parts)
