"""The way of a photo through every step: the only module that knows them all."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from lightgap.errors import PlanError, ScaleError
from lightgap.faces.blur import CARDS, Response, measure_response, typical_response
from lightgap.faces.fit import fit_joints
from lightgap.hand import ByHand
from lightgap.measure.measuring import measure
from lightgap.photo import Photo
from lightgap.picture_notes import check_blur, picture_notes, wide_gaps_note
from lightgap.plan import Plan
from lightgap.reference.across_flats import find_across_flats
from lightgap.reference.adjust import WORST_STRAIN, lens_strain
from lightgap.reference.cards import find_cards, square_edges
from lightgap.reference.found import Reference
from lightgap.reference.sheet import find_sheet
from lightgap.report import Report, make_report
from lightgap.ring.by_hand import help_comb
from lightgap.ring.comb import find_comb
from lightgap.ring.edges import SegmentEdges, fit_edges, outer_edges_px
from lightgap.ring.outline import Outline, find_outline, ring_score

Progress = Callable[[float, str], None]
"""Called with the share done, 0..1, and what is being done now, in a person's words."""


def _silent(_share: float, _step: str) -> None:
    pass


def check(
    photo: Photo,
    plan: Plan,
    reference: str = "auto",
    *,
    printed_bar_mm: tuple[float, float] | None = None,
    by_hand: ByHand | None = None,
    progress: Progress = _silent,
) -> Report:
    """Measure one photo against its plan.

    Parameters
    ----------
    reference : str
        "auto", "cards", "sheet" or "sheet:A3", or "across-flats:240.6" (mm).
    printed_bar_mm : (float, float), optional
        What the cards' 100 mm bars really measure, along x and y of the print; None if nobody
        measured them.

    Raises
    ------
    LightgapError
        If the photo cannot be measured against this plan.
    """
    started = time.perf_counter()
    hand = by_hand or ByHand()
    progress(0.05, "looking for what gives the scale")
    found = find_reference(photo, plan, reference, printed_bar_mm, hand)
    progress(0.30, "looking for the ring")
    outline = find_outline(photo, found.camera, plan, hand.outline_px)
    progress(0.45, "looking for its joints")
    comb = help_comb(photo, find_comb(photo, outline, plan, hand.first_joint_px), hand, outline, plan)
    progress(0.60, "following its edges")
    edges = fit_edges(photo, outline, comb, plan)
    response = _response(photo, found, outline, edges, plan)
    check_blur(response)
    progress(0.70, "measuring the joints")
    joints = fit_joints(photo, response, outline, comb, edges, plan, hand.faces)
    measurement = measure(outline, comb, edges, joints, plan, found)
    notes = picture_notes(photo, outline, response, plan) + wide_gaps_note(measurement, plan)
    measurement = replace(measurement, notes=notes)
    progress(1.0, "done")
    seconds = time.perf_counter() - started
    return make_report(photo.name, (photo.width, photo.height), plan, found, measurement, seconds)


def find_reference(
    photo: Photo,
    plan: Plan,
    reference: str,
    printed_bar_mm: tuple[float, float] | None = None,
    by_hand: ByHand | None = None,
) -> Reference:
    """Find what gives the scale; "auto" takes cards, else a sheet, else the plan's own size.

    A photo that contradicts its camera's profile is measured without it, less surely, and told of.

    Raises
    ------
    ScaleError
        If the photo does not show it.
    PlanError
        If ``reference`` cannot be read.
    """
    hand = by_hand or ByHand()
    if photo.profile is None:
        return _find_reference(photo, plan, reference, printed_bar_mm, hand)
    try:
        found = _find_reference(photo, plan, reference, printed_bar_mm, hand)
        strain = lens_strain(photo, found.camera)
    except ScaleError:  # It may be for the profile's sake.
        found, strain = None, 0.0
    if found is not None and strain <= WORST_STRAIN:
        return found.noting(f"Measured with the stored profile of this camera: {photo.profile}.")
    plain = _find_reference(replace(photo, profile=None), plan, reference, printed_bar_mm, hand)
    return plain.noting(
        "This photo does not agree with the stored profile of its camera, and was measured without it, less "
        "surely: a card may lie higher than the others, or the picture was cropped or zoomed."
    ).doubted(max(strain, WORST_STRAIN))


def _find_reference(
    photo: Photo, plan: Plan, reference: str, printed_bar_mm: tuple[float, float] | None, hand: ByHand
) -> Reference:
    kind, _, size = reference.partition(":")
    if kind == "cards" and not size:
        return find_cards(photo, plan, printed_bar_mm)
    if kind == "sheet":
        return find_sheet(
            photo, plan, size or None, lambda candidate: ring_score(photo, candidate.camera, plan)
        )
    if kind == "across-flats":
        return find_across_flats(photo, plan, _size_mm(size, plan), hand.outline_px)
    if kind != "auto" or size:
        raise PlanError(
            f"'{reference}' is no reference that can be used",
            "give auto, cards, sheet:A4 (or A5, A3, A2, Letter, Tabloid) or across-flats:240.6",
        )
    try:
        return find_cards(photo, plan, printed_bar_mm)
    except ScaleError:
        pass
    try:
        return find_sheet(photo, plan, None, lambda candidate: ring_score(photo, candidate.camera, plan))
    except ScaleError:
        return find_across_flats(photo, plan, plan.across_flats_mm, hand.outline_px)


def _size_mm(text: str, plan: Plan) -> float:
    if not text:
        return plan.across_flats_mm
    try:
        size = float(text)
    except ValueError:
        size = float("nan")
    if not 10.0 <= size <= 3000.0:
        raise PlanError(
            f"'{text}' is no size across flats", "give it in mm as measured, such as across-flats:240.6"
        )
    return size


def _response(
    photo: Photo, reference: Reference, outline: Outline, edges: tuple[SegmentEdges, ...], plan: Plan
) -> Response:
    """The photo's blur and halo: from the cards' squares, else from the ring's own outer edges."""
    response = None
    if reference.kind == "cards":
        response = measure_response(photo, square_edges(reference, plan.reference_height_mm), CARDS)
    if response is None:
        response = measure_response(
            photo, outer_edges_px(outline, edges, plan), "the ring's outer edges", plan.outline == "polygon"
        )
    return response or typical_response(photo)
