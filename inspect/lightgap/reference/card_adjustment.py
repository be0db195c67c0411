"""One least-squares adjustment of the camera and of where every printed card lies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lightgap.camera import Camera
from lightgap.errors import ScaleError
from lightgap.photo import Photo
from lightgap.reference.adjust import (
    CAMERA_PARAMETERS,
    HELD,
    LENS_PARAMETERS,
    Adjusted,
    CameraPrior,
    adjust,
    camera_prior,
    covariance_of,
    picture_centre,
    plane_poses,
    project_with_jacobian,
    vector_of,
)
from lightgap.reference.card_corners import INNER_MM, Sighting

Array = NDArray[np.float64]

PAPER_MM = 0.1
"""Thickness of the paper, which lifts the print over what it lies on."""
CORNER_STANDARD_PX = 0.05

_CAUCHY = (1000.0, 20.0, 2.0)
_GATE_PX = 0.2
_GATE_WORST_PX = 0.5
_TURNED_DEG = 20.0
_ASPECT_STANDARD = 0.003
_ASPECT_STANDARD_MEASURED = 0.001
_HEIGHT_STANDARD_MM = 0.3
"""How high a card lies above its place: paper curls, and benches are not flat."""
_CHECKED, _UNCHECKED_HEIGHT_STANDARD_MM = 3, 1.0
"""Of three cards one that lies 3 mm higher does not agree with the others; of two nobody can tell."""
_STRETCH = np.array([0.5, -0.5])  # what one unit of aspect does to the print's x and y


@dataclass(frozen=True, eq=False)
class CardLayout:
    """Turns the vector of unknowns into the corners' places.

    The vector: the camera (11), the print's aspect (1), every card's height over its place (n), then x, y
    and turn of every card but the first (3 (n - 1)), whose frame is the world's.
    """

    cards: list[Sighting]
    scale: Array  # printed over nominal, along the print's x and y
    z_mm: float

    @property
    def held(self) -> slice:
        """Aspect and heights: what a few cards can hardly tell."""
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
class CardFit:
    """One adjustment of all cards.

    Attributes
    ----------
    layout : CardLayout
    start : Camera
    prior : CameraPrior
    adjusted : Adjusted
    covariance, flat_covariance : ndarray, shape (p, p)
        With what was held let loose; and the same as if all cards lay at their height.
    residual_px : ndarray, shape (corners,)
        Length of each seen corner's residual.
    owner : ndarray of int, shape (corners,)
        Index of the corner's card.
    """

    layout: CardLayout
    start: Camera
    prior: CameraPrior
    adjusted: Adjusted
    covariance: Array
    flat_covariance: Array
    residual_px: Array
    owner: NDArray[np.intp]

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
        return rms_px(self.residual_px[self.owner == index])

    @property
    def strain(self) -> float:
        """How far focal length and principal point had to go from what is known of them, in sigma."""
        return self.prior.strain(self.adjusted.vector)

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


def rms_px(lengths: Array) -> float:
    """Rms per axis of residuals' lengths."""
    return float(np.sqrt(np.mean(lengths**2) / 2.0))


def fit_cards(
    photo: Photo,
    height_mm: float,
    cards: list[Sighting],
    printed_bar_mm: tuple[float, float] | None,
    prior: CameraPrior | None = None,
    one_plane: bool = False,
) -> CardFit:
    """Adjust the camera and all cards' places.

    Parameters
    ----------
    photo : Photo
    height_mm : float
        Of what the cards lie on.
    cards : list of Sighting
        The first one's frame becomes the world's, and its own pose the start.
    printed_bar_mm : (float, float) or None
        What the 100 mm bars measure; None if nobody measured them.
    prior : CameraPrior, optional
        By default what the photo itself tells.
    one_plane : bool
        Hold all cards at their height: one that lies otherwise is seen best so, but spoils the camera.

    Raises
    ------
    ScaleError
        If the first card shows too little of itself for a pose.
    """
    bars = np.array(printed_bar_mm or (100.0, 100.0)) / 100.0
    layout = CardLayout(cards, bars, height_mm + PAPER_MM)
    start, vector = _start(photo, layout)
    prior = prior or camera_prior(photo, start.foot_mm[2] - layout.z_mm)
    vector[:LENS_PARAMETERS] = prior.mean
    aspect = _ASPECT_STANDARD if printed_bar_mm is None else _ASPECT_STANDARD_MEASURED
    observed = np.concatenate([card.corners_px[card.seen] for card in cards])

    def model(vector: Array, held_standard: Array) -> tuple[Array, Array]:
        placed = [layout.place(vector, index, INNER_MM[card.seen]) for index, card in enumerate(cards)]
        points = np.concatenate([points for points, _ in placed])
        pixels, by_camera, by_point = project_with_jacobian(vector, start, points)
        jacobian = by_point @ np.concatenate([change for _, change in placed])
        jacobian[:, :, :CAMERA_PARAMETERS] += by_camera
        residuals = [
            (pixels - observed).reshape(-1) / CORNER_STANDARD_PX,
            prior.residuals(vector),
            vector[layout.held] / held_standard,
        ]
        jacobians = [
            jacobian.reshape(-1, layout.size) / CORNER_STANDARD_PX,
            prior.jacobian(layout.size),
            np.eye(layout.size)[layout.held] / held_standard[:, None],
        ]
        return np.concatenate(residuals), np.concatenate(jacobians)

    # With one card, or cards that all lie the same way, the aspect looks like a tilt: it is held while
    # adjusting, and let loose for the uncertainty.
    height = _HEIGHT_STANDARD_MM if len(cards) >= _CHECKED else _UNCHECKED_HEIGHT_STANDARD_MM
    loose = np.array([aspect, *[height] * len(cards)])
    held = np.array(
        [aspect if _lie_turned(layout, vector) else HELD, *[HELD if one_plane else height] * len(cards)]
    )
    adjusted = adjust(lambda vector: model(vector, held), vector, observed.size, _CAUCHY)
    lengths = np.hypot(*(adjusted.residuals.reshape(-1, 2) * CORNER_STANDARD_PX).T)
    owner = np.concatenate([np.full(card.seen.sum(), index) for index, card in enumerate(cards)])
    covariance = covariance_of(model(adjusted.vector, loose)[1])
    flat = covariance_of(model(adjusted.vector, np.array([aspect, *[HELD] * len(cards)]))[1])
    return CardFit(layout, start, prior, adjusted, covariance, flat, lengths, owner)


def _start(photo: Photo, layout: CardLayout) -> tuple[Camera, Array]:
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
        raise ScaleError(
            f"card {first.number}, the clearest in this photo, shows too little of itself",
            "lay the cards flat, clear of the ring and of chips, wholly in the picture, and take it again",
        )
    _, camera, places = min(candidates, key=lambda candidate: candidate[0])
    return camera, np.concatenate([vector_of(camera), np.zeros(1 + len(layout.cards)), *places])


def _lay(camera: Camera, layout: CardLayout, card: Sighting) -> tuple[Array, float]:
    """Lay a card where the camera sees it: its (x, y, turn) and the sum of squares, mm^2, left over."""
    seen = camera.to_plane(card.corners_px[card.seen], layout.z_mm) @ [1.0, 1.0j]
    own = (INNER_MM * layout.scale)[card.seen] @ [1.0, 1.0j]
    turn = np.angle(np.sum((seen - seen.mean()) * np.conj(own - own.mean())))
    shift = seen.mean() - own.mean() * np.exp(1j * turn)
    left = np.sum(np.abs(own * np.exp(1j * turn) + shift - seen) ** 2)
    return np.array([shift.real, shift.imag, turn]), float(left)


def _lie_turned(layout: CardLayout, vector: Array) -> bool:
    """Whether two cards lie turned against each other by more than 20 degrees (half turns aside)."""
    turns = np.concatenate([[0.0], vector[layout.held.stop :].reshape(-1, 3)[:, 2]])
    apart = np.abs(np.sin(turns[:, None] - turns))
    return bool(apart.max() > np.sin(np.radians(_TURNED_DEG)))
