"""A report read back from its JSON form, so that what is kept is told in the same way as what is new.

The verdicts are those that were given then: nothing is judged again. Figures come back with the five
decimals of the JSON form; a value without its budget gets one contribution that makes up its U.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from lightgap.advise import Advice
from lightgap.camera import Camera
from lightgap.errors import LogError
from lightgap.judge import Finding, Judged, Verdict, Verdicts
from lightgap.log.forms import read_value, stored_plan
from lightgap.measure import JointMeasure, LinePx, Measurement, PointPx, RingMeasure, SegmentMeasure
from lightgap.plan import Plan
from lightgap.reference.found import CardFound, PoseUncertainty, Reference
from lightgap.report import FORMAT, PhotoPart, Report
from lightgap.values import Measured

Json = Mapping[str, Any]


def read_report(stored: Json) -> Report:
    """Make a report again from `Report.to_dict`.

    Raises
    ------
    LogError
        If ``stored`` is no report of this form, or lacks a part.
    """
    if stored.get("format") != FORMAT:
        raise LogError(
            f"This result is kept in the form '{stored.get('format')}', which this version cannot read.",
            "Update this program, or measure the photo again.",
        )
    try:
        return _report(stored)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise LogError(
            f"This result is damaged: {type(error).__name__} {error}.", "Measure the photo again."
        ) from error


def _report(stored: Json) -> Report:
    plan = stored_plan(stored["plan"], stored["tolerance"])
    reference = _reference(stored["reference"])
    measurement = Measurement(
        ring=_ring(stored["ring"], plan),
        joints=tuple(_joint(joint) for joint in stored["joints"]),
        segments=tuple(_segment(segment) for segment in stored["segments"]),
        mm_per_px=stored["reference"]["mm_per_px"],
        notes=tuple(stored["notes"][len(reference.notes) :]),
    )
    verdicts = Verdicts(
        tuple(_judged(joint, plan) for joint in stored["joints"]),
        tuple(_judged(segment, plan) for segment in stored["segments"]),
        _judged(stored["ring"], plan),
    )
    width, height = stored["photo"]["size_px"]
    return Report(
        photo_name=stored["photo"]["name"],
        photo_size=(width, height),
        plan=plan,
        reference=reference,
        measurement=measurement,
        verdicts=verdicts,
        advice=tuple(_advice(item) for item in stored["advice"]),
        seconds=stored["seconds"],
        # Reports written before several photos could be joined have no such list.
        photos=tuple(PhotoPart(**photo) for photo in stored.get("photos", ())),
    )


def _reference(stored: Json) -> Reference:
    camera = stored["camera"]
    return Reference(
        kind=stored["kind"],
        camera=Camera(
            camera["focal_px"],
            np.array(camera["centre_px"]),
            np.array(camera["rotation"]),
            np.array(camera["translation_mm"]),
            camera["k1"],
            camera["k2"],
        ),
        uncertainty=PoseUncertainty(**stored["standard_uncertainty"]),
        residual_px=stored["residual_px"],
        name=stored["name"],
        cards=tuple(_card(card) for card in stored["cards"]),
        untold=frozenset(stored["cannot_tell"]),
        notes=tuple(stored["notes"]),
        focal_standard=stored["focal_standard"],
    )


def _card(stored: Json) -> CardFound:
    return CardFound(
        number=stored["number"],
        used=stored["used"],
        reason=stored["reason"],
        corners_px=tuple(_point(corner) for corner in stored["corners_px"]),
        corners_mm=tuple(_point(corner) for corner in stored["corners_mm"]),
        residual_px=stored["residual_px"],
    )


def _named(stored: Json, name: str) -> Measured:
    return read_value(stored[name], stored.get(f"{name}_reason"))


def _ring(stored: Json, plan: Plan) -> RingMeasure:
    return RingMeasure(
        size_mm=_named(stored, "across_flats_mm" if plan.outline == "polygon" else "diameter_mm"),
        out_of_round_mm=_named(stored, "out_of_round_mm"),
        out_of_round_minimum_zone_mm=_named(stored, "out_of_round_minimum_zone_mm"),
        inner_offset_mm=_named(stored, "inner_offset_mm"),
        closure_deg=_named(stored, "closure_deg"),
        mean_gap_mm=_named(stored, "mean_gap_mm"),
        centre_px=_point(stored["centre_px"]),
    )


def _joint(stored: Json) -> JointMeasure:
    faces, blocked = stored["faces_px"], stored["blocked_mm"]
    return JointMeasure(
        number=stored["number"],
        angle_deg=stored["angle_deg"],
        kind=stored["kind"],
        found=stored["found"],
        gap_inside_mm=_named(stored["gap_mm"], "inside"),
        gap_middle_mm=_named(stored["gap_mm"], "middle"),
        gap_outside_mm=_named(stored["gap_mm"], "outside"),
        taper_deg=_named(stored, "taper_deg"),
        pitch_error_deg=_named(stored, "pitch_error_deg"),
        skew_deg=_named(stored, "skew_deg"),
        blocked_mm=None if blocked is None else (blocked[0], blocked[1]),
        faces_px=None if faces is None else (_line(faces["a"]), _line(faces["b"])),
        place_px=_line(stored["place_px"]),
        doubts=tuple(stored["doubts"]),
        reason=stored["reason"],
        by_hand=stored["by_hand"],
    )


def _segment(stored: Json) -> SegmentMeasure:
    reasons = stored.get("mitre_deg_reason", (None, None))
    start, end = (read_value(*pair) for pair in zip(stored["mitre_deg"], reasons, strict=True))
    edge = stored["outer_edge_px"]
    return SegmentMeasure(
        number=stored["number"],
        present=stored["present"],
        included_angle_deg=_named(stored, "included_angle_deg"),
        mitre_start_deg=start,
        mitre_end_deg=end,
        outer_length_mm=_named(stored, "outer_length_mm"),
        radial_offset_mm=_named(stored, "radial_offset_mm"),
        twist_deg=_named(stored, "twist_deg"),
        outer_edge_px=None if edge is None else _line(edge),
    )


def _judged(stored: Json, plan: Plan) -> Judged:
    return Judged(
        number=stored.get("number"),
        verdict=Verdict(stored["verdict"]),
        findings=tuple(_finding(item, stored, plan) for item in stored["findings"]),
        reason=stored["not_measured"],
        absent=not stored.get("present", True),
    )


def _finding(stored: Json, owner: Json, plan: Plan) -> Finding:
    quantity, place, nominal, limit = (stored[key] for key in ("quantity", "place", "nominal", "limit"))
    one_sided = quantity == "gap_mm" and plan.joint == "closed"
    return Finding(
        quantity=quantity,
        place=place,
        measured=_measured(owner, quantity, place),
        nominal=nominal,
        lower=-math.inf if one_sided else nominal - limit,
        upper=nominal + limit,
        verdict=Verdict(stored["verdict"]),
    )


def _measured(owner: Json, quantity: str, place: str | None) -> Measured:
    if quantity == "mitre_deg":
        end = ("start", "end").index(place or "start")
        return read_value(owner["mitre_deg"][end], owner.get("mitre_deg_reason", (None, None))[end])
    if place is not None:
        return _named(owner[quantity], place)
    if quantity == "across_flats_mm" and quantity not in owner:
        return _named(owner, "diameter_mm")
    return _named(owner, quantity)


def _advice(stored: Json) -> Advice:
    return Advice(
        stored["title"],
        stored["cause"],
        stored["action"],
        stored["caution"],
        tuple(stored["joints"]),
        tuple(stored["segments"]),
    )


def _point(stored: Any) -> PointPx:
    return float(stored[0]), float(stored[1])


def _line(stored: Any) -> LinePx:
    return _point(stored[0]), _point(stored[1])
