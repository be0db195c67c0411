"""The report of one check: what was measured, what it means, what to do; and its JSON form."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from lightgap import __version__
from lightgap.advise import Advice, advise
from lightgap.camera import Camera
from lightgap.judge import Finding, Judged, Verdict, Verdicts, judge
from lightgap.measure import JointMeasure, LinePx, Measurement, PointPx, RingMeasure, SegmentMeasure
from lightgap.plan import Plan
from lightgap.reference.found import Reference
from lightgap.show import words
from lightgap.show.figures import Units
from lightgap.values import Measured, Unknown, budget_rows

FORMAT = "lightgap-check/1"

_EXIT_STATUS = {Verdict.IN: 0, Verdict.OUT: 1, Verdict.CLOSE: 3, Verdict.UNMEASURED: 3}


@dataclass(frozen=True)
class PhotoPart:
    """What one photo of several has put into their report.

    Attributes
    ----------
    name : str
        The file's own name; with its place, if others bear the same.
    part : "base", "joined", "left out" or "not measured"
        The numbers and pixels in the report are those of the base.
    why : str or None
        A sentence: where a photo that was joined contradicts the others, or why it was not joined.
    """

    name: str
    part: Literal["base", "joined", "left out", "not measured"]
    why: str | None = None


@dataclass(frozen=True)
class Report:
    """One photo, or several of one ring, measured against one plan.

    Attributes
    ----------
    photo_name : str
    photo_size : (int, int)
        Width and height of the upright photo, pixels.
    plan : Plan
        With the tolerances that were applied.
    reference : Reference
    measurement : Measurement
    verdicts : Verdicts
        Of the joints and segments, in the order of the measurement, and of the ring.
    advice : tuple of Advice
        The most urgent first, lengths in mm.
    seconds : float
        How long the check took.
    photos : tuple of PhotoPart
        All photos in the order in which they were given, if there were several.
    """

    photo_name: str
    photo_size: tuple[int, int]
    plan: Plan
    reference: Reference
    measurement: Measurement
    verdicts: Verdicts
    advice: tuple[Advice, ...]
    seconds: float
    photos: tuple[PhotoPart, ...] = ()

    @property
    def base(self) -> int:
        """Place of the photo, among those that were given, whose pixels the report is in."""
        return next((place for place, photo in enumerate(self.photos) if photo.part == "base"), 0)

    @property
    def joined(self) -> tuple[str, ...]:
        """Names of the photos that the values come from."""
        names = tuple(photo.name for photo in self.photos if photo.part in ("base", "joined"))
        return names or (self.photo_name,)

    @property
    def verdict(self) -> Verdict:
        """The worst of all verdicts."""
        return self.verdicts.overall

    @property
    def exit_status(self) -> int:
        """0 all in tolerance, 1 something out, 3 nothing out but not everything surely in."""
        return _EXIT_STATUS[self.verdict]

    @property
    def headline(self) -> str:
        """The one sentence of what is wrong first, in mm."""
        return words.headline(self.verdicts)

    def advice_in(self, units: Units) -> tuple[Advice, ...]:
        """Return the advice with its lengths in the units that the person chose."""
        if units == "mm":
            return self.advice
        return advise(self.measurement, self.plan, self.verdicts, units)

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences about the photo and its reference that the person should know."""
        return (*self.reference.notes, *self.measurement.notes)

    def to_dict(self, *, budgets: bool = False) -> dict[str, Any]:
        """Return the JSON form, ``"format": "lightgap-check/1"``.

        Parameters
        ----------
        budgets : bool
            Give every value its uncertainty budget too, as ``"budget": [{"name", "standard"}]``.
        """
        measurement, verdicts = self.measurement, self.verdicts
        return {
            "format": FORMAT,
            "program": {"name": "lightgap", "version": __version__},
            "photo": {"name": self.photo_name, "size_px": list(self.photo_size)},
            "photos": [asdict(photo) for photo in self.photos],
            "plan": _plan(self.plan),
            "tolerance": self.plan.tolerance.to_dict(),
            "reference": _reference(self.reference, measurement.mm_per_px),
            "ring": _ring(measurement.ring, self.plan, verdicts.ring, budgets),
            "joints": [
                _joint(*pair, budgets) for pair in zip(measurement.joints, verdicts.joints, strict=True)
            ],
            "segments": [
                _segment(*pair, budgets) for pair in zip(measurement.segments, verdicts.segments, strict=True)
            ],
            "verdict": str(self.verdict),
            "headline": self.headline,
            "advice": [item.to_dict() for item in self.advice],
            "notes": list(self.notes),
            "seconds": round(self.seconds, 3),
        }


def make_report(
    photo_name: str,
    photo_size: tuple[int, int],
    plan: Plan,
    reference: Reference,
    measurement: Measurement,
    seconds: float,
) -> Report:
    """Judge a measurement against the plan's tolerances and add the advice.

    Parameters
    ----------
    photo_size : (int, int)
        Width and height of the upright photo, pixels.
    """
    verdicts = judge(measurement, plan, reference.untold)
    advice = advise(measurement, plan, verdicts)
    return Report(photo_name, photo_size, plan, reference, measurement, verdicts, advice, seconds)


def _plan(plan: Plan) -> dict[str, Any]:
    return {item.name: getattr(plan, item.name) for item in fields(plan) if item.name != "tolerance"}


def _reference(reference: Reference, mm_per_px: float) -> dict[str, Any]:
    return {
        "kind": reference.kind,
        "name": reference.name,
        "mm_per_px": round(mm_per_px, 6),
        "residual_px": round(reference.residual_px, 4),
        "tilt_deg": round(reference.camera.tilt_deg, 2),
        "cards": [
            {
                "number": card.number,
                "used": card.used,
                "reason": card.reason,
                "corners_px": [_point(corner) for corner in card.corners_px],
                "corners_mm": [_point(corner) for corner in card.corners_mm],
                "residual_px": None if card.residual_px is None else round(card.residual_px, 4),
            }
            for card in reference.cards
        ],
        "cannot_tell": sorted(reference.untold),
        "camera": _camera(reference.camera),
        "focal_standard": reference.focal_standard,
        "standard_uncertainty": asdict(reference.uncertainty),
        "notes": list(reference.notes),
    }


def _camera(camera: Camera) -> dict[str, Any]:
    """Give the camera in full, so that what is stored can be measured on."""
    return {
        "focal_px": camera.focal_px,
        "centre_px": camera.centre_px.tolist(),
        "rotation": camera.rotation.tolist(),
        "translation_mm": camera.translation.tolist(),
        "k1": camera.k1,
        "k2": camera.k2,
    }


def _ring(ring: RingMeasure, plan: Plan, judged: Judged, budgets: bool) -> dict[str, Any]:
    size = "across_flats_mm" if plan.outline == "polygon" else "diameter_mm"
    values = {
        size: ring.size_mm,
        "out_of_round_mm": ring.out_of_round_mm,
        "out_of_round_minimum_zone_mm": ring.out_of_round_minimum_zone_mm,
        "inner_offset_mm": ring.inner_offset_mm,
        "closure_deg": ring.closure_deg,
        "mean_gap_mm": ring.mean_gap_mm,
    }
    return {**_values(values, budgets), "centre_px": _point(ring.centre_px), **_judged(judged)}


def _joint(joint: JointMeasure, judged: Judged, budgets: bool) -> dict[str, Any]:
    gaps = {
        "inside": joint.gap_inside_mm,
        "middle": joint.gap_middle_mm,
        "outside": joint.gap_outside_mm,
    }
    angles = {
        "taper_deg": joint.taper_deg,
        "pitch_error_deg": joint.pitch_error_deg,
        "skew_deg": joint.skew_deg,
    }
    faces = joint.faces_px
    return {
        "number": joint.number,
        "angle_deg": round(joint.angle_deg, 3),
        "kind": joint.kind,
        "found": joint.found,
        "gap_mm": _values(gaps, budgets),
        **_values(angles, budgets),
        "blocked_mm": None if joint.blocked_mm is None else [round(radius, 2) for radius in joint.blocked_mm],
        "filled": joint.kind if joint.kind in ("resin", "glue") else None,
        "faces_px": None if faces is None else {"a": _line(faces[0]), "b": _line(faces[1])},
        "place_px": _line(joint.place_px),
        "doubts": list(joint.doubts),
        "reason": joint.reason,
        "by_hand": joint.by_hand,
        **_judged(judged),
    }


def _segment(segment: SegmentMeasure, judged: Judged, budgets: bool) -> dict[str, Any]:
    mitres = (segment.mitre_start_deg, segment.mitre_end_deg)
    values = {
        "included_angle_deg": segment.included_angle_deg,
        "outer_length_mm": segment.outer_length_mm,
        "radial_offset_mm": segment.radial_offset_mm,
        "twist_deg": segment.twist_deg,
    }
    edge = segment.outer_edge_px
    result = {
        "number": segment.number,
        "present": segment.present,
        "mitre_deg": [_value(mitre, budgets) for mitre in mitres],
        **_values(values, budgets),
        "outer_edge_px": None if edge is None else _line(edge),
        **_judged(judged),
    }
    if any(isinstance(mitre, Unknown) for mitre in mitres):
        result["mitre_deg_reason"] = [
            mitre.reason if isinstance(mitre, Unknown) else None for mitre in mitres
        ]
    return result


def _judged(judged: Judged) -> dict[str, Any]:
    return {
        "verdict": str(judged.verdict),
        "reasons": list(words.reasons(judged)),
        "not_measured": judged.reason,
        "findings": [_finding(item) for item in judged.findings],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "quantity": finding.quantity,
        "place": finding.place,
        "nominal": round(finding.nominal, 5),
        "limit": round(finding.limit, 5),
        "verdict": str(finding.verdict),
    }


def _values(values: Mapping[str, Measured], budgets: bool) -> dict[str, Any]:
    """Give each value its JSON form, and each that is null the reason beside it."""
    result: dict[str, Any] = {}
    for key, value in values.items():
        result[key] = _value(value, budgets)
        if isinstance(value, Unknown):
            result[f"{key}_reason"] = value.reason
    return result


def _value(value: Measured, budgets: bool) -> dict[str, Any] | None:
    shown = value.to_dict()
    if shown is None or not budgets:
        return shown
    return {**shown, "budget": budget_rows(value)}


def _point(point: PointPx) -> list[float]:
    return [round(float(point[0]), 3), round(float(point[1]), 3)]


def _line(line: LinePx) -> list[list[float]]:
    return [_point(line[0]), _point(line[1])]
