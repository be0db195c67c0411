"""Scale and pose from printed cards: one adjustment for the camera and for where every card lies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.errors import ScaleError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.adjust import (
    CAMERA_PARAMETERS,
    Adjusted,
    CameraPrior,
    adjust,
    camera_of,
    camera_prior,
    covariance_of,
    picture_centre,
    plane_poses,
    pose_uncertainty,
    project_with_jacobian,
    vector_of,
)
from lightgap.reference.card_corners import (
    CARD_MM,
    INNER_MM,
    OUTLINE_MM,
    SQUARE_MM,
    SQUARES,
    Sighting,
    homography,
    see_cards,
    through,
)
from lightgap.reference.found import CardFound, PoseUncertainty, Reference

Array = NDArray[np.float64]

PAPER_MM = 0.1
"""Thickness of the paper, which lifts the print over what it lies on."""

_CORNER_STANDARD_PX = 0.05
_CAUCHY = (1000.0, 20.0, 2.0)
_GATE_PX = 0.2
_GATE_WORST_PX = 0.5
_REJECTED_SHARE = 0.25
_FEWEST_CORNERS = 4  # a homography takes them all
_SUSPICIOUS = 1.15  # residual over the corners' own scatter
_FALL_OF_COST = 2.5
_WORST_RESIDUAL_PX = 0.25  # for a photo of 4000 px, in proportion for larger ones
_GATE_WIDTH_PX = 4000.0
_WORST_STRAIN = 2.5
_TURNED_DEG = 20.0
_ASPECT_STANDARD = 0.003
_ASPECT_STANDARD_MEASURED = 0.001
_HEIGHT_STANDARD_MM = 0.2  # paper on a bench
_HELD = 1e-6
_PRINT_STANDARD = 0.0015
_PRINT_STANDARD_MEASURED = 0.0006  # a rule read to 0.1 mm over 100 mm, as limits
_STRETCH = np.array([0.5, -0.5])  # what one unit of aspect does to the print's x and y


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
    sightings = see_cards(photo)
    usable = sorted(
        (card for card in sightings if card.reason is None), key=lambda card: -int(card.seen.sum())
    )
    left_out = [card for card in sightings if card.reason is not None]
    while usable:
        fit = _fit(photo, plan, usable, printed_bar_mm)
        odd = _odd_card(photo, plan, fit, printed_bar_mm)
        if odd is None:
            break
        left_out.append(odd)
        usable = [card for card in usable if card.number != odd.number]
    if not usable:
        raise _nothing_usable(left_out)
    if not np.all(fit.kept):
        fit = _fit(photo, plan, fit.kept_only(), printed_bar_mm)
    if _rms(fit.residual_px) > _WORST_RESIDUAL_PX * max(1.0, max(photo.width, photo.height) / _GATE_WIDTH_PX):
        raise _disagreement(usable)
    return _reference(photo, plan, fit, left_out, printed_bar_mm)


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


@dataclass(frozen=True, eq=False)
class _Layout:
    """Turns the vector of unknowns into the corners' places.

    The vector: the camera (10), the print's aspect (1), every card's height over its place (n), then x, y
    and turn of every card but the first (3 (n - 1)), whose frame is the world's.
    """

    cards: list[Sighting]
    scale: Array  # printed over nominal, along the print's x and y
    z_mm: float

    @property
    def held(self) -> slice:
        """Aspect and heights: what a few cards cannot tell, and only the uncertainty may have to carry."""
        return slice(CAMERA_PARAMETERS, CAMERA_PARAMETERS + 1 + len(self.cards))

    @property
    def size(self) -> int:
        return int(self.held.stop) + 3 * (len(self.cards) - 1)

    def place(self, vector: Array, index: int, points: Array) -> tuple[Array, Array]:
        """World points (n, 3) of one card's points (n, 2), and their derivative by the vector (n, 3, p)."""
        first = self.held.stop + 3 * (index - 1)
        x, y, turn = vector[first : first + 3] if index else np.zeros(3)
        lift = CAMERA_PARAMETERS + 1 + index
        cosine, sine = np.cos(turn), np.sin(turn)
        rotation = np.array([[cosine, -sine], [sine, cosine]])
        printed = points * self.scale * (1.0 + _STRETCH * vector[CAMERA_PARAMETERS])
        world = np.column_stack(
            [printed @ rotation.T + [x, y], np.full(len(points), self.z_mm + vector[lift])]
        )
        change = np.zeros((len(points), 3, self.size))
        change[:, :2, CAMERA_PARAMETERS] = (points * self.scale * _STRETCH) @ rotation.T
        change[:, 2, lift] = 1.0
        if index:
            change[:, 0, first] = change[:, 1, first + 1] = 1.0
            change[:, :2, first + 2] = printed @ np.array([[-sine, -cosine], [cosine, -sine]]).T
        return world, change


@dataclass(frozen=True, eq=False)
class _Fit:
    """One adjustment of all cards."""

    layout: _Layout
    start: Camera
    prior: CameraPrior
    adjusted: Adjusted
    covariance: Array
    residual_px: Array  # (observed corners,), length of each corner's residual
    owner: NDArray[np.intp]  # (observed corners,), index of its card

    @property
    def kept(self) -> NDArray[np.bool_]:
        """Which corners lie within the gate: 4 medians, but neither under nor over what is believable."""
        gate = np.clip(4.0 * np.median(self.residual_px), _GATE_PX, _GATE_WORST_PX)
        return np.asarray(self.residual_px < gate)

    def kept_only(self) -> list[Sighting]:
        """The cards with only the kept corners seen."""
        cards = []
        for index, card in enumerate(self.layout.cards):
            seen = card.seen.copy()
            seen[card.seen] = self.kept[self.owner == index]
            cards.append(replace(card, seen=seen))
        return cards

    def card_rms_px(self, index: int) -> float:
        """Rms per axis of one card's residuals."""
        return _rms(self.residual_px[self.owner == index])

    @property
    def strain(self) -> float:
        """How far focal length and principal point had to go from what is known of them, in sigma."""
        return float(np.abs(self.prior.residuals(self.adjusted.vector)[:3]).max())

    @property
    def cost(self) -> float:
        """Robust cost per corner."""
        return self.adjusted.cost / len(self.owner)

    @property
    def rejected(self) -> Array:
        """Share of each card's corners beyond the gate."""
        return np.array(
            [1.0 - self.kept[self.owner == index].mean() for index in range(len(self.layout.cards))]
        )


def _rms(lengths: Array) -> float:
    return float(np.sqrt(np.mean(lengths**2) / 2.0))


def _fit(photo: Photo, plan: Plan, cards: list[Sighting], printed_bar_mm: tuple[float, float] | None) -> _Fit:
    """Adjust the camera and all cards' places."""
    bars = np.array(printed_bar_mm or (100.0, 100.0)) / 100.0
    layout = _Layout(cards, bars, plan.reference_height_mm + PAPER_MM)
    start, vector = _start(photo, layout)
    prior = camera_prior(photo, start.foot_mm[2] - layout.z_mm)
    aspect = _ASPECT_STANDARD if printed_bar_mm is None else _ASPECT_STANDARD_MEASURED
    observed = np.concatenate([card.corners_px[card.seen] for card in cards])

    def model(vector: Array, held_standard: Array) -> tuple[Array, Array]:
        placed = [layout.place(vector, index, INNER_MM[card.seen]) for index, card in enumerate(cards)]
        points = np.concatenate([points for points, _ in placed])
        pixels, by_camera, by_point = project_with_jacobian(vector, start, points)
        jacobian = by_point @ np.concatenate([change for _, change in placed])
        jacobian[:, :, :CAMERA_PARAMETERS] += by_camera
        residuals = [
            (pixels - observed).reshape(-1) / _CORNER_STANDARD_PX,
            prior.residuals(vector),
            vector[layout.held] / held_standard,
        ]
        jacobians = [
            jacobian.reshape(-1, layout.size) / _CORNER_STANDARD_PX,
            prior.jacobian(layout.size),
            np.eye(layout.size)[layout.held] / held_standard[:, None],
        ]
        return np.concatenate(residuals), np.concatenate(jacobians)

    # What the cards cannot tell is held while adjusting, and let loose for the uncertainty: the heights,
    # and with one card, or cards that all lie the same way, the aspect, which looks like a tilt.
    loose = np.array([aspect, *[_HEIGHT_STANDARD_MM] * len(cards)])
    held = np.array([aspect if _lie_turned(layout, vector) else _HELD, *[_HELD] * len(cards)])
    adjusted = adjust(lambda vector: model(vector, held), vector, observed.size, _CAUCHY)
    lengths = np.hypot(*(adjusted.residuals.reshape(-1, 2) * _CORNER_STANDARD_PX).T)
    owner = np.concatenate([np.full(card.seen.sum(), index) for index, card in enumerate(cards)])
    covariance = covariance_of(model(adjusted.vector, loose)[1])
    return _Fit(layout, start, prior, adjusted, covariance, lengths, owner)


def _start(photo: Photo, layout: _Layout) -> tuple[Camera, Array]:
    """Begin with the first card's own two poses, lay the others by them, and keep the better."""
    first = layout.cards[0]
    points, pixels = (INNER_MM * layout.scale)[first.seen], first.corners_px[first.seen]
    candidates = []
    for pose in plane_poses(points, pixels, photo.default_focal_px, picture_centre(photo)):
        camera = replace(pose, translation=pose.translation - pose.rotation[:, 2] * layout.z_mm)
        laid = [_lay(camera, layout, card) for card in layout.cards]
        miss = sum(square for _, square in laid)
        candidates.append((miss, camera, [place for place, _ in laid[1:]]))
    if not candidates:
        raise _nothing_usable([replace(first, reason="shows too little of itself")])
    _, camera, places = min(candidates, key=lambda candidate: candidate[0])
    return camera, np.concatenate([vector_of(camera), np.zeros(1 + len(layout.cards)), *places])


def _lay(camera: Camera, layout: _Layout, card: Sighting) -> tuple[Array, float]:
    """Lay a card where the camera sees it: its (x, y, turn) and the sum of squares, mm^2, left over."""
    seen = camera.to_plane(card.corners_px[card.seen], layout.z_mm) @ [1.0, 1.0j]
    own = (INNER_MM * layout.scale)[card.seen] @ [1.0, 1.0j]
    turn = np.angle(np.sum((seen - seen.mean()) * np.conj(own - own.mean())))
    shift = seen.mean() - own.mean() * np.exp(1j * turn)
    left = np.sum(np.abs(own * np.exp(1j * turn) + shift - seen) ** 2)
    return np.array([shift.real, shift.imag, turn]), float(left)


def _lie_turned(layout: _Layout, vector: Array) -> bool:
    """Whether two cards lie turned against each other by more than 20 degrees (half turns aside)."""
    turns = np.concatenate([[0.0], vector[layout.held.stop :].reshape(-1, 3)[:, 2]])
    apart = np.abs(np.sin(turns[:, None] - turns))
    return bool(apart.max() > np.sin(np.radians(_TURNED_DEG)))


def _odd_card(
    photo: Photo, plan: Plan, fit: _Fit, printed_bar_mm: tuple[float, float] | None
) -> Sighting | None:
    """The card to leave out, with the reason, if one is not like the others.

    Raises
    ------
    ScaleError
        If there are two, and nobody can tell which of them is wrong.
    """
    cards = fit.layout.cards
    own = [_rms(_own_miss_px(card)) for card in cards]
    bent = int(np.argmax(own))
    many = fit.rejected.max() > _REJECTED_SHARE
    if many and own[bent] > _GATE_PX:
        reason = f"is bent or partly covered: its corners miss a flat card's by {own[bent]:.1f} px"
        return replace(cards[bent], reason=reason)
    if len(cards) == 2 and many:
        raise _disagreement(cards)
    strange = _rms(fit.residual_px[fit.kept]) > _SUSPICIOUS * _own_scatter_px(fit.kept_only())
    if len(cards) > 2 and (many or strange or fit.strain > _WORST_STRAIN):
        # Each is flat by itself: the one without which the others agree lies higher, or is of another size.
        others = [[other for other in cards if other is not card] for card in cards]
        costs = [_fit(photo, plan, rest, printed_bar_mm).cost for rest in others]
        odd = int(np.argmin(costs))
        if many or costs[odd] * _FALL_OF_COST < fit.cost:
            reason = "does not agree with the others: it lies higher, or was printed at another size"
            return replace(cards[odd], reason=reason)
    return None


def _own_miss_px(card: Sighting) -> Array:
    """How far each seen corner of a card lies from a plane's perspective image of it, by itself alone."""
    if card.seen.sum() <= _FEWEST_CORNERS:
        return np.zeros(int(card.seen.sum()))
    points, pixels = INNER_MM[card.seen], card.corners_px[card.seen]
    return np.asarray(np.hypot(*(through(homography(points, pixels), points) - pixels).T))


def _own_scatter_px(cards: list[Sighting]) -> float:
    """Scatter per axis of the corners about each card's own perspective image (8 numbers)."""
    misses = [_own_miss_px(card) for card in cards]
    freedom = sum(max(0, 2 * len(miss) - 8) for miss in misses)
    return float(np.sqrt(sum(np.sum(miss**2) for miss in misses) / max(freedom, 1)))


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
    fit: _Fit,
    left_out: list[Sighting],
    printed_bar_mm: tuple[float, float] | None,
) -> Reference:
    camera = camera_of(fit.adjusted.vector, fit.start)
    used = [_used_card(fit, camera, index) for index in range(len(fit.layout.cards))]
    unused = [CardFound(card.number, False, card.reason, _pairs(card.outline_px)) for card in left_out]
    doubts = [1.0, _rms(fit.residual_px) / _CORNER_STANDARD_PX]
    notes = [f"card {card.number} was left out: it {card.reason}" for card in left_out]
    if fit.strain > _WORST_STRAIN:
        doubts.append(fit.strain)
        notes.append(
            "the lens does not look like a whole photo's: use the photo as taken, not cropped, and lay all "
            "cards flat at one height"
        )
    covariance = fit.covariance * max(doubts) ** 2
    return Reference(
        kind="cards",
        camera=camera,
        uncertainty=_uncertainty(photo, plan, fit, covariance, printed_bar_mm),
        residual_px=_rms(fit.residual_px),
        name="1 card" if len(used) == 1 else f"{len(used)} cards",
        cards=tuple(sorted([*used, *unused], key=lambda card: card.number)),
        notes=tuple(notes),
        focal_standard=float(np.sqrt(covariance[0, 0])),
    )


def _used_card(fit: _Fit, camera: Camera, index: int) -> CardFound:
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
    fit: _Fit,
    covariance: Array,
    printed_bar_mm: tuple[float, float] | None,
) -> PoseUncertainty:
    """Propagate, add the print's own size, and keep to what one card was found to be good for."""
    told = pose_uncertainty(fit.adjusted.vector, covariance, fit.start, plan, picture_centre(photo))
    printed = _PRINT_STANDARD if printed_bar_mm is None else _PRINT_STANDARD_MEASURED
    told = replace(told, scale=float(np.hypot(told.scale, printed)))
    if len(fit.layout.cards) > 1:
        return told
    return PoseUncertainty(
        scale=max(told.scale, 0.0025),
        pitch_deg=max(told.pitch_deg, 0.125),
        skew_deg=max(told.skew_deg, 0.125),
        mitre_deg=max(told.mitre_deg, 0.2),
        included_deg=max(told.included_deg, 0.125),
        taper_deg=max(told.taper_deg, 0.005),
        radial_mm=max(told.radial_mm, float(np.radians(0.125)) * plan.outer_mm),
    )
