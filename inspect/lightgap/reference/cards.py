"""Scale and pose from printed cards: which can be used, and the camera that they give together."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.errors import ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.adjust import (
    WORST_STRAIN,
    camera_of,
    picture_centre,
    pose_uncertainty,
    thickness_uncertainty,
)
from lightgap.reference.card_adjustment import CORNER_STANDARD_PX, PAPER_MM, CardFit, fit_cards, rms_px
from lightgap.reference.card_corners import (
    CARD_MM,
    FEWEST_CORNERS,
    INNER_MM,
    OUTLINE_MM,
    SQUARE_MM,
    SQUARES,
    Sighting,
    homography,
    own_miss_px,
    own_scatter_px,
    see_cards,
    through,
)
from lightgap.reference.found import CARDS_LIE, THICKNESS, CardFound, PoseUncertainty, Reference

Array = NDArray[np.float64]

_BENT_PX = 0.2
_REJECTED_SHARE = 0.25
_STRAY_PX, _STRAY_SCATTERS, _MOST_STRAYS = 0.15, 5.0, 3  # at most so many of a card's nine corners
_SUSPICIOUS = 1.15  # residual over the corners' own scatter
_FALL_OF_COST = 2.5
_WORST_RESIDUAL_PX = 0.25  # for a photo of 4000 px, in proportion for larger ones
_GATE_WIDTH_PX = 4000.0
_PRINT_STANDARD = 0.002  # office printers at "100 %", and the paper's humidity: a judgement
_PRINT_STANDARD_MEASURED = 0.0006  # a rule read to 0.1 mm over 100 mm, as limits
_ONE_CARD = PoseUncertainty(
    scale=0.0025,
    pitch_deg=0.125,
    skew_deg=0.125,
    mitre_deg=0.2,
    included_deg=0.125,
    taper_deg=0.005,
    radial_mm=0.0,
)
"""What one card alone was found to be good for at best, whatever its corners promise."""


def find_cards(photo: Photo, plan: Plan, printed_bar_mm: tuple[float, float] | None = None) -> Reference:
    """Find the printed cards and solve for the camera.

    Parameters
    ----------
    photo : Photo
    plan : Plan
        The cards lie at z = ``plan.reference_height_mm``; the uncertainty is that of its top face.
    printed_bar_mm : (float, float), optional
        What the printed 100 mm bars really measure, along the print's x and y. None if nobody
        measured them: then they count as 100 mm, less surely.

    Returns
    -------
    Reference
        Of kind "cards"; the world's x and y are those of one of the cards.

    Raises
    ------
    ScaleError
        If no card can be used, or the only two contradict each other.
    """
    fit, left_out = agreeing_cards(photo, plan.reference_height_mm, printed_bar_mm)
    return _reference(photo, plan, fit, left_out, printed_bar_mm)


def agreeing_cards(
    photo: Photo, height_mm: float, printed_bar_mm: tuple[float, float] | None
) -> tuple[CardFit, list[Sighting]]:
    """Find the cards and adjust those that agree; return also the others, each with its reason.

    Raises
    ------
    ScaleError
        As `find_cards`.
    """
    sightings = see_cards(photo)
    usable = sorted(
        (card for card in sightings if card.reason is None), key=lambda card: -int(card.seen.sum())
    )
    left_out = [card for card in sightings if card.reason is not None]
    while usable:
        fit = fit_cards(photo, height_mm, usable, printed_bar_mm, one_plane=True)
        if len(usable) == 2 and _many_rejected(fit):
            usable = _without_strays(fit)
            fit = fit_cards(photo, height_mm, usable, printed_bar_mm, one_plane=True)
        odd = _odd_card(photo, height_mm, fit, printed_bar_mm)
        if odd is None:
            break
        left_out.append(odd)
        usable = [card for card in usable if card.number != odd.number]
    if not usable:
        raise _nothing_usable(left_out)
    kept = [card for card in fit.kept_only() if card.seen.sum() >= FEWEST_CORNERS]
    if not kept:
        raise _disagreement(usable)
    left_out += [
        replace(card, reason="is bent or partly covered")
        for card in usable
        if card.number not in {other.number for other in kept}
    ]
    fit = fit_cards(photo, height_mm, kept, printed_bar_mm)
    if rms_px(fit.residual_px) > _WORST_RESIDUAL_PX * max(
        1.0, max(photo.width, photo.height) / _GATE_WIDTH_PX
    ):
        raise _disagreement(usable)
    return fit, left_out


def square_edges(reference: Reference, height_mm: float = 0.0) -> Array:
    """Return where the used cards' black squares border on white, for a measure of the photo's blur.

    Each edge is a straight transition over its whole length, at least 2.5 mm clear of any marker.

    Parameters
    ----------
    reference : Reference
        Of kind "cards".
    height_mm : float
        What the cards lie on: ``plan.reference_height_mm``.

    Returns
    -------
    ndarray, shape (n, 2, 2)
        First and second end, px; as seen in the photo, going from the first to the second, the dark
        side is on the left.
    """
    columns, rows = np.meshgrid(np.arange(SQUARES), np.arange(SQUARES))
    dark = (columns + rows) % 2 == 0
    middles = (np.stack([columns[dark], rows[dark]], axis=-1) - (SQUARES - 1) / 2.0) * SQUARE_MM * [1.0, -1.0]
    # Anticlockwise round a square its inside is on the left; the ends keep clear of the next square.
    reach, half = 0.35 * SQUARE_MM, 0.5 * SQUARE_MM
    sides = np.array(
        [
            [[-reach, -half], [reach, -half]],
            [[half, -reach], [half, reach]],
            [[reach, half], [-reach, half]],
            [[-half, reach], [-half, -reach]],
        ]
    )
    edges = (middles[:, None, None] + sides).reshape(-1, 2)
    found = []
    for card in reference.cards:
        if card.used:
            top_left, top_right, _, bottom_left = np.array(card.corners_mm)
            middle = (top_right + bottom_left) / 2.0
            right, up = top_right - top_left, top_left - bottom_left
            placed = middle + edges[:, :1] / CARD_MM * right + edges[:, 1:] / CARD_MM * up
            found.append(reference.camera.project_plane(placed, height_mm + PAPER_MM).reshape(-1, 2, 2))
    return np.concatenate(found) if found else np.empty((0, 2, 2))


def _many_rejected(fit: CardFit) -> bool:
    return bool(fit.rejected.max() > _REJECTED_SHARE)


def _without_strays(fit: CardFit) -> list[Sighting]:
    """Take from each flat card the few corners that are not its own: a shadow's edge runs over them.

    They disagree with the cards' common camera, and with their own card's other corners too; those of a
    card that lies higher, or is of another size, agree among themselves.
    """
    cards = []
    for card, kept in zip(fit.layout.cards, fit.kept_only(), strict=True):
        seen = card.seen.copy()
        if rms_px(own_miss_px(card)) < _BENT_PX and kept.seen.sum() >= len(seen) - _MOST_STRAYS:
            view = homography(INNER_MM[kept.seen], card.corners_px[kept.seen])
            off_px = np.hypot(*(through(view, INNER_MM) - card.corners_px).T)
            seen &= kept.seen | (off_px < max(_STRAY_PX, _STRAY_SCATTERS * own_scatter_px([kept])))
        cards.append(replace(card, seen=seen))
    return cards


def _odd_card(
    photo: Photo, height_mm: float, fit: CardFit, printed_bar_mm: tuple[float, float] | None
) -> Sighting | None:
    """The card to leave out, with the reason, if one is not like the others.

    Raises
    ------
    ScaleError
        If there are two, and nobody can tell which of them is wrong.
    """
    cards = fit.layout.cards
    own = [rms_px(own_miss_px(card)) for card in cards]
    bent = int(np.argmax(own))
    many = _many_rejected(fit)
    if many and own[bent] > _BENT_PX:
        reason = f"is bent or partly covered: its corners miss a flat card's by {own[bent]:.1f} px"
        return replace(cards[bent], reason=reason)
    if len(cards) == 2 and many:
        raise _disagreement(cards)
    kept = fit.residual_px[fit.kept]
    strange = not kept.size or rms_px(kept) > _SUSPICIOUS * own_scatter_px(fit.kept_only())
    if len(cards) > 2 and (many or strange or fit.strain > WORST_STRAIN):
        # Each is flat by itself: the one without which the others agree lies higher, or is of another size.
        others = [[other for other in cards if other is not card] for card in cards]
        costs = [fit_cards(photo, height_mm, rest, printed_bar_mm, one_plane=True).cost for rest in others]
        odd = int(np.argmin(costs))
        if many or costs[odd] * _FALL_OF_COST < fit.cost:
            reason = "does not agree with the others: it lies higher, or was printed at another size"
            return replace(cards[odd], reason=reason)
    return None


def _nothing_usable(left_out: list[Sighting]) -> ScaleError:
    if not left_out:
        return ScaleError(
            "no printed card can be seen in this photo",
            "lay printed cards flat beside the ring, wholly in the picture and in good light, "
            "or choose another reference",
        )
    reasons = "; ".join(f"card {card.number} {card.reason}" for card in left_out)
    return ScaleError(
        f"no printed card in this photo can be used: {reasons}",
        "lay the cards flat, clear of the ring and of chips, wholly in the picture, and take it again",
    )


def _disagreement(cards: list[Sighting]) -> ScaleError:
    if len(cards) == 1:
        return _nothing_usable([replace(cards[0], reason="is bent or partly covered")])
    *first, last = [str(number) for number in sorted(card.number for card in cards)]
    return ScaleError(
        f"cards {', '.join(first)} and {last} do not agree about the scale",
        "lay them flat and all at the same height, print them at the same size, or take away the bad one",
    )


def _reference(
    photo: Photo,
    plan: Plan,
    fit: CardFit,
    left_out: list[Sighting],
    printed_bar_mm: tuple[float, float] | None,
) -> Reference:
    camera = camera_of(fit.adjusted.vector, fit.start)
    used = [_used_card(fit, camera, index) for index in range(len(fit.layout.cards))]
    unused = [CardFound(card.number, False, card.reason, _pairs(card.outline_px)) for card in left_out]
    doubts = [1.0, rms_px(fit.residual_px) / CORNER_STANDARD_PX]
    notes = [f"card {card.number} was left out: it {card.reason}" for card in left_out]
    if printed_bar_mm is None:
        notes.append("the cards count as printed to size: measure their 100 mm bars for a surer scale")
    if fit.strain > WORST_STRAIN:
        doubts.append(fit.strain)
        notes.append(
            "the lens does not look like a whole photo's: use the photo as taken, not cropped, and lay all "
            "cards flat at one height"
        )
    told, lie = _uncertainty(photo, plan, fit, max(doubts), printed_bar_mm)
    thickness = thickness_uncertainty(camera, plan)
    return Reference(
        kind="cards",
        camera=camera,
        uncertainty=told.plus(thickness),
        residual_px=rms_px(fit.residual_px),
        name="1 card" if len(used) == 1 else f"{len(used)} cards",
        cards=tuple(sorted([*used, *unused], key=lambda card: card.number)),
        notes=tuple(notes),
        focal_standard=max(doubts) * float(np.sqrt(fit.covariance[0, 0])),
        named=((CARDS_LIE, lie), (THICKNESS, thickness)),
    )


def _used_card(fit: CardFit, camera: Camera, index: int) -> CardFound:
    card = fit.layout.cards[index]
    outline, _ = fit.layout.place(fit.adjusted.vector, index, OUTLINE_MM)
    return CardFound(
        card.number,
        True,
        None,
        _pairs(camera.project(outline)),
        _pairs(outline[:, :2]),
        fit.card_rms_px(index),
    )


def _pairs(points: Array) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _uncertainty(
    photo: Photo,
    plan: Plan,
    fit: CardFit,
    doubt: float,
    printed_bar_mm: tuple[float, float] | None,
) -> tuple[PoseUncertainty, PoseUncertainty]:
    """Propagate, add the print's own size, and keep to what one card was found to be good for.

    Returns
    -------
    told, lie : PoseUncertainty
        All of it, and the part of it that comes from cards that do not lie at their height.
    """
    told, flat = (
        pose_uncertainty(fit.adjusted.vector, doubt**2 * covariance, fit.start, plan, picture_centre(photo))
        for covariance in (fit.covariance, fit.flat_covariance)
    )
    lie = told.less(flat)
    printed = _PRINT_STANDARD if printed_bar_mm is None else _PRINT_STANDARD_MEASURED
    told = replace(told, scale=float(np.hypot(told.scale, printed)))
    if len(fit.layout.cards) > 1:
        return told, lie
    floor = replace(_ONE_CARD, radial_mm=float(np.radians(_ONE_CARD.pitch_deg)) * plan.outer_mm)
    least = {name: max(value, getattr(told, name)) for name, value in asdict(floor).items()}
    return PoseUncertainty(**least), lie
