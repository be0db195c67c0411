"""What a printed card is, and where its inner corners are in a photo.

A card is a white square of 100 mm with a ChArUco board of 4 x 4 squares centred on it. Card frame: mm,
origin in the card's middle, x to the print's right, y up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.photo import Photo

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

CARD_COUNT = 12
CARD_MM = 100.0
SQUARE_MM = 20.0
MARKER_MM = 15.0
SQUARES = 4
MARKERS = 8
DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)

_DETECTION_WIDTH_PX = 2000
_WINDOW_SQUARES = 0.1  # half-window of a corner; the nearest marker begins 0.125 squares away
FEWEST_CORNERS = 4


def card_board(number: int) -> cv2.aruco.CharucoBoard:
    """Return the board of card ``number``, 0 to 11: marker ids 8c to 8c + 7."""
    ids = np.arange(MARKERS * number, MARKERS * (number + 1))
    return cv2.aruco.CharucoBoard((SQUARES, SQUARES), SQUARE_MM, MARKER_MM, DICTIONARY, ids)


def _centred(points: Array) -> Array:
    """Turn board points (x right, y down from its top left) into card points."""
    half = SQUARES * SQUARE_MM / 2.0
    return np.column_stack([points[:, 0] - half, half - points[:, 1]])


_BOARD = card_board(0)
INNER_MM = _centred(np.asarray(_BOARD.getChessboardCorners(), dtype=float).reshape(-1, 3))
"""The nine inner corners of the board, card frame, shape (9, 2)."""
OUTLINE_MM = CARD_MM / 2.0 * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
"""The white square's corners, top left first, then clockwise, shape (4, 2)."""
MARKERS_MM = np.stack(
    [_centred(np.asarray(marker, dtype=float).reshape(-1, 3)) for marker in _BOARD.getObjPoints()]
)
"""The markers' corners in OpenCV's order, shape (8, 4, 2)."""

_STEPS = np.linspace(0.8, 2.2, 5)
_PATCH_MM = np.stack(np.meshgrid(_STEPS, _STEPS), axis=-1).reshape(-1, 2)
_QUARTERS = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
_DARK_FIRST = (INNER_MM / SQUARE_MM).sum(axis=-1) % 2.0 == 0.0  # is the quarter up and left of it dark?


@dataclass(frozen=True, eq=False)
class Sighting:
    """One card in the picture.

    Attributes
    ----------
    number : int
    corners_px : ndarray, shape (9, 2)
    seen : ndarray of bool, shape (9,)
        Which corners can be trusted.
    outline_px : ndarray, shape (4, 2)
        The white square's corners, from a homography.
    reason : str or None
        Why the card cannot be used.
    """

    number: int
    corners_px: Array
    seen: NDArray[np.bool_]
    outline_px: Array
    reason: str | None = None


def see_cards(photo: Photo) -> list[Sighting]:
    """Find the markers on a reduced picture, then set each card's corners on the original."""
    grey = np.asarray(cv2.cvtColor(photo.codes, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    step = max(1, round(max(grey.shape) / _DETECTION_WIDTH_PX))
    size = (grey.shape[1] // step, grey.shape[0] // step)
    small = cv2.resize(grey[: size[1] * step, : size[0] * step], size, interpolation=cv2.INTER_AREA)
    corners, ids, _ = cv2.aruco.ArucoDetector(DICTIONARY).detectMarkers(small)
    if ids is None or len(corners) == 0:
        return []
    numbers = np.asarray(ids).reshape(-1)
    places = np.asarray(corners, dtype=float).reshape(-1, 4, 2) * step + (step - 1) / 2.0
    cards = [number for number in np.unique(numbers // MARKERS) if number < CARD_COUNT]
    return [
        _see(
            grey, int(card), numbers[numbers // MARKERS == card] % MARKERS, places[numbers // MARKERS == card]
        )
        for card in cards
    ]


def _see(grey: Grey, number: int, markers: NDArray[np.int32], places: Array) -> Sighting:
    """Set one card's inner corners, starting from the markers that could be read."""
    nothing = np.zeros(len(INNER_MM), dtype=bool)
    if len(np.unique(markers)) < len(markers):
        reason = "is in the picture more than once: each number may lie there only once"
        return Sighting(number, np.zeros((len(INNER_MM), 2)), nothing, places[0], reason)
    if len(markers) < 2:
        reason = f"is covered or cut off: only {len(markers)} of its {MARKERS} markers can be read"
        return Sighting(number, np.zeros((len(INNER_MM), 2)), nothing, places[0], reason)
    view = homography(MARKERS_MM[markers].reshape(-1, 2), places.reshape(-1, 2))
    corners, seen = _set_corners(grey, view)
    if seen.sum() > FEWEST_CORNERS:
        # Corners far from any marker that could be read get a second, better start.
        view = homography(INNER_MM[seen], corners[seen])
        corners, seen = _set_corners(grey, view)
    few = f"is covered or blurred: only {seen.sum()} of its {len(INNER_MM)} inner corners can be seen"
    outline = through(view, OUTLINE_MM)
    return Sighting(number, corners, seen, outline, few if seen.sum() < FEWEST_CORNERS else None)


def own_miss_px(card: Sighting) -> Array:
    """How far each seen corner of a card lies from a plane's perspective image of it, by itself alone."""
    if card.seen.sum() <= FEWEST_CORNERS:
        return np.zeros(int(card.seen.sum()))
    points, pixels = INNER_MM[card.seen], card.corners_px[card.seen]
    return np.asarray(np.hypot(*(through(homography(points, pixels), points) - pixels).T))


def own_scatter_px(cards: list[Sighting]) -> float:
    """Scatter per axis of the corners about each card's own perspective image (8 numbers)."""
    misses = [own_miss_px(card) for card in cards]
    freedom = sum(max(0, 2 * len(miss) - 8) for miss in misses)
    return float(np.sqrt(sum(np.sum(miss**2) for miss in misses) / max(freedom, 1)))


def homography(points: Array, pixels: Array) -> Array:
    """Return the homography (3, 3) that takes points (n, 2) to pixels (n, 2), by least squares."""
    return np.asarray(cv2.findHomography(points, pixels)[0], dtype=float)


def through(view: Array, points: Array) -> Array:
    """Map points (n, 2) through a homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ view.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def _set_corners(grey: Grey, view: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Set the nine corners to sub-pixel and tell which of them show a clean crossing."""
    start = through(view, INNER_MM)
    square_px = float(np.sqrt(abs(np.linalg.det(_local_scale(view, np.zeros(2)))))) * SQUARE_MM
    half = max(3, round(_WINDOW_SQUARES * square_px))
    margin = 2 * half + 2
    inside = np.all((start > margin) & (start < np.array(grey.shape[::-1]) - margin), axis=-1)
    corners = start.copy()
    if inside.any():
        points = np.ascontiguousarray(start[inside], dtype=np.float32).reshape(-1, 1, 2)
        corners[inside] = cv2.cornerSubPix(
            grey, points, (half, half), (-1, -1), (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 0.005)
        ).reshape(-1, 2)
    near = np.hypot(*(corners - start).T) < half
    return corners, inside & near & _is_crossing(grey, corners, view)


def _local_scale(view: Array, point: Array) -> Array:
    """Derivative (2, 2) of a homography at a point: px per mm."""
    steps = point + np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    right, left, up, down = through(view, steps)
    return np.stack([right - left, up - down], axis=-1)


def _is_crossing(grey: Grey, corners: Array, view: Array) -> NDArray[np.bool_]:
    """Tell whether each corner's four quarters are dark and light as printed, and clean."""
    samples = np.array(
        [
            [corner + (quarter * _PATCH_MM) @ _local_scale(view, place).T for quarter in _QUARTERS]
            for corner, place in zip(corners, INNER_MM, strict=True)
        ]
    )
    whole = np.rint(samples).astype(int)
    columns = np.clip(whole[..., 0], 0, grey.shape[1] - 1)
    rows = np.clip(whole[..., 1], 0, grey.shape[0] - 1)
    light = grey[rows, columns].astype(float)
    dark_first = _DARK_FIRST[:, None]
    first, second = light[:, ::2].reshape(len(corners), -1), light[:, 1::2].reshape(len(corners), -1)
    dark, bright = np.where(dark_first, first, second), np.where(dark_first, second, first)
    contrast = np.median(bright, axis=1) - np.median(dark, axis=1)
    middle = (np.median(bright, axis=1) + np.median(dark, axis=1))[:, None] / 2.0
    wrong = np.concatenate([dark > middle, bright < middle], axis=1).mean(axis=1)
    return np.asarray((contrast > 0.4 * np.median(contrast)) & (contrast > 20.0) & (wrong < 0.04))
