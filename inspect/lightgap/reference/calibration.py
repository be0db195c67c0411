"""One lens from several photos of printed cards: focal length, principal point, one or two terms of bend.

Each photo is adjusted by itself, but for what the others tell: its likelihood of the lens, a normal
distribution about the point of adjustment, is loosened by what differs from photo to photo, all are
multiplied, and every photo is adjusted again about the product, until that stands still. (Gauss-Newton on
all photos at once, with the photos' own unknowns eliminated; for linear models it is the joint adjustment.)

The lens here is (log focal length over the diagonal, principal point x and y off the middle of the stored
picture over the diagonal, k1, k2).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from lightgap.errors import LightgapError, ScaleError
from lightgap.lens import BEND, REFOCUS, SHIFT, CameraProfile, LensName, turned
from lightgap.photo import Photo
from lightgap.reference.adjust import (
    FOCAL_STANDARD,
    FOCAL_STANDARD_UNTOLD,
    HELD,
    K1_STANDARD,
    LENS_PARAMETERS,
    CameraPrior,
    picture_centre,
)
from lightgap.reference.card_adjustment import CORNER_STANDARD_PX, CardFit, fit_cards, rms_px
from lightgap.reference.card_corners import Sighting
from lightgap.reference.cards import agreeing_cards

Array = NDArray[np.float64]

LEAST_PHOTOS = 3
_LEAST_CORNERS = 18
"""Two whole cards: one alone can hardly tell its distance from the focal length."""
_LEAST_KNOWN = 0.02
"""Relative standard uncertainty of the focal length that the photos must reach by themselves, to tell
more than EXIF does, whose 35 mm equivalent is a whole number."""
_ROUNDS = 6
_ANCHOR = np.array([0.01, 0.004, 0.004, 0.01])
"""How tightly each photo is held to the others' answer while it is adjusted; taken out again afterwards."""
_K2_STANDARD = 0.1
_CENTRE_STANDARD = 0.008
_SIGNIFICANT = 3.0
_MOST_STRAIN = 4.0
_BETWEEN = np.diag([REFOCUS, SHIFT, SHIFT, BEND, 0.0]) ** 2
_NO_CARDS = (
    "lay two to four printed cards flat on the bench, wholly in the picture, and take the photos again"
)
LEAN = (
    "take some of the photos with the phone leaned by 20 to 30 degrees, from different sides, and turn it "
    "by a quarter for one or two"
)


@dataclass(frozen=True, eq=False)
class _View:
    """One photo's cards, and how the lens of the stored picture turns into that of the upright photo."""

    photo: Photo
    cards: list[Sighting]
    distance_mm: float

    @property
    def to_photo(self) -> Array:
        """Matrix (5, 5) from the stored picture's lens to the photo's, the constant part aside."""
        matrix = np.eye(LENS_PARAMETERS)
        matrix[1:3, 1:3] = self._diagonal * turned(self.photo.orientation)
        return matrix

    @property
    def _diagonal(self) -> float:
        return math.hypot(self.photo.width, self.photo.height)

    @property
    def base(self) -> Array:
        """The photo's lens, (5,), of a stored picture's lens that is nil."""
        return np.array([math.log(self._diagonal), *picture_centre(self.photo), 0.0, 0.0])

    def likelihood(self, lens: Array, second_term: bool) -> tuple[Array, Array, CardFit]:
        """Information matrix (5, 5) about the lens and its product with the likeliest lens, (5,)."""
        standard = np.append(_ANCHOR, _ANCHOR[3] if second_term else HELD)
        standard[1:3] *= self._diagonal
        mean = self.base + self.to_photo @ lens
        fit = fit_cards(self.photo, 0.0, self.cards, None, CameraPrior(mean, standard))
        noise = max(1.0, rms_px(fit.residual_px) / CORNER_STANDARD_PX)
        covariance = fit.covariance[:LENS_PARAMETERS, :LENS_PARAMETERS]
        anchor = np.diag(standard**-2)
        told = (np.linalg.inv(covariance) - anchor) / noise**2
        answer = fit.adjusted.vector[:LENS_PARAMETERS] - self.base
        weighted = (np.linalg.inv(covariance) @ answer - anchor @ (mean - self.base)) / noise**2
        matrix = self.to_photo
        return matrix.T @ told @ matrix, matrix.T @ weighted, fit


def calibrate(photos: Iterable[Photo], made: date) -> CameraProfile:
    """Make a lens's profile from photos of printed cards.

    Parameters
    ----------
    photos : iterable of Photo
        Three or more of one lens, each with two or more cards, which may lie otherwise in each.
    made : date

    Raises
    ------
    LightgapError
        If there are too few, not of one lens, or they do not tell its focal length.
    ScaleError
        If a photo shows too few cards.
    """
    views = [_view(photo) for photo in photos]
    if len(views) < LEAST_PHOTOS:
        raise LightgapError(
            f"{len(views)} photos are too few to tell how a lens draws.",
            f"Take {LEAST_PHOTOS} or more of the printed cards; {LEAN}.",
        )
    lens = _one_lens([view.photo for view in views])
    found = _adjusted(views, second_term=True)
    second_term = abs(found.lens[4]) > _SIGNIFICANT * math.sqrt(found.covariance[4, 4])
    if not second_term:
        found = _adjusted(views, second_term=False)
    _check(views, found)
    # k2 is taken as known in use: what is left of k1 then is its scatter given k2.
    given_k2 = np.linalg.inv(np.linalg.inv(found.covariance)[:4, :4])
    standard = np.sqrt(np.diag(given_k2))
    return CameraProfile(
        lens=lens,
        aspect=_aspect(views[0].photo),
        focal=float(np.exp(found.lens[0])),
        centre=(float(found.lens[1]), float(found.lens[2])),
        k1=float(found.lens[3]),
        k2=float(found.lens[4]) if second_term else 0.0,
        focal_standard=float(standard[0]),
        centre_standard=float(np.hypot(*standard[1:3]) / math.sqrt(2.0)),
        k1_standard=float(standard[3]),
        distance_mm=float(len(views) / sum(1.0 / view.distance_mm for view in views)),
        photos=len(views),
        made=made.isoformat(),
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """The lens, its covariance, how well the photos alone tell its focal length, and each photo's strain."""

    lens: Array
    covariance: Array
    focal_alone: float
    strains: Array


def _adjusted(views: Sequence[_View], second_term: bool) -> _Found:
    """Adjust all photos about one lens until it stands still."""
    lens, prior = _prior(views, second_term)
    mean = lens
    for _ in range(_ROUNDS):
        told = [view.likelihood(lens, second_term) for view in views]
        parts = [_loosened(information, weighted) for information, weighted, _ in told]
        alone = np.sum([information for information, _ in parts], axis=0)
        covariance = np.asarray(np.linalg.inv(alone + prior), dtype=float)
        before, lens = lens, covariance @ (sum(weighted for _, weighted in parts) + prior @ mean)
        if np.all(np.abs(lens - before) < 0.02 * np.sqrt(np.diag(covariance))):
            break
    # Only the focal length's own prior is left out: that of the principal point is physics, not a guess.
    without = alone + prior
    without[0, 0] -= prior[0, 0]
    size = np.sqrt(np.diag(without))
    focal_alone = float(np.sqrt(np.linalg.pinv(without / np.outer(size, size))[0, 0]) / size[0])
    strains = np.array([_strain(information, weighted, lens) for information, weighted, _ in told])
    return _Found(lens, covariance, focal_alone, strains)


def _prior(views: Sequence[_View], second_term: bool) -> tuple[Array, Array]:
    """What is known before: the lens (5,) and its information matrix (5, 5)."""
    photo = views[0].photo
    focal = math.log(photo.default_focal_px / math.hypot(photo.width, photo.height))
    standard = np.array(
        [
            FOCAL_STANDARD if photo.focal_px is not None else FOCAL_STANDARD_UNTOLD,
            _CENTRE_STANDARD,
            _CENTRE_STANDARD,
            K1_STANDARD,
            _K2_STANDARD if second_term else HELD,
        ]
    )
    return np.array([focal, 0.0, 0.0, 0.0, 0.0]), np.diag(standard**-2)


def _loosened(information: Array, weighted: Array) -> tuple[Array, Array]:
    """A photo's likelihood of the common lens: its own is another by what differs from photo to photo."""
    spread = np.linalg.inv(np.eye(LENS_PARAMETERS) + information @ _BETWEEN)
    return spread @ information, spread @ weighted


def _strain(information: Array, weighted: Array, lens: Array) -> float:
    """How far a photo's own answer lies from the common one, in sigma."""
    loosened, pulled = _loosened(information, weighted)
    pull = pulled - loosened @ lens
    square = float(pull @ np.linalg.pinv(loosened, hermitian=True) @ pull)
    return math.sqrt(max(square, 0.0) / 4.0)


def _view(photo: Photo) -> _View:
    try:
        fit, _ = agreeing_cards(photo, 0.0, None)
    except ScaleError as error:
        raise ScaleError(f"{photo.name}: {error.message}", error.hint) from error
    cards = fit.kept_only()
    if sum(int(card.seen.sum()) for card in cards) < _LEAST_CORNERS:
        raise ScaleError(f"{photo.name} shows too little of the printed cards", _NO_CARDS)
    # Of its pixels only their number is needed from here on.
    bare = replace(photo, codes=np.broadcast_to(np.uint8(0), photo.codes.shape))
    return _View(bare, cards, float(fit.start.foot_mm[2]))


def _one_lens(photos: Sequence[Photo]) -> LensName:
    """Return the lens that took them all."""
    for photo in photos:
        if photo.lens is None:
            raise LightgapError(
                f"{photo.name} does not tell which camera took it, or it was cropped or zoomed.",
                "Use the photos as the camera wrote them: messengers and editors take that away.",
            )
    lenses = [photo.lens for photo in photos if photo.lens is not None]
    usual = Counter(lenses).most_common(1)[0][0]
    for photo, lens in zip(photos, lenses, strict=True):
        if not lens.is_like(usual):
            raise LightgapError(
                f"{photo.name} was taken with another lens ({lens}) than the others ({usual}).",
                "Make a profile for each lens by itself: leave this photo out.",
            )
        if abs(_aspect(photo) / _aspect(photos[0]) - 1.0) > 0.01:
            raise LightgapError(
                f"{photo.name} has another shape than {photos[0].name}.",
                "Take all photos with the same setting of the camera's picture format.",
            )
    return usual


def _aspect(photo: Photo) -> float:
    return max(photo.width, photo.height) / min(photo.width, photo.height)


def _check(views: Sequence[_View], found: _Found) -> None:
    """Refuse photos that do not tell the focal length, or contradict each other."""
    if found.focal_alone > _LEAST_KNOWN:
        raise LightgapError(
            "These photos do not tell the focal length "
            f"(to {200.0 * found.focal_alone:.1f} % only): they look too straight down on the cards.",
            f"{LEAN[0].upper()}{LEAN[1:]}.",
        )
    worst = int(np.argmax(found.strains))
    if found.strains[worst] > _MOST_STRAIN:
        raise LightgapError(
            f"{views[worst].photo.name} does not agree with the others about the lens.",
            "Leave it out, or check that all cards lay flat and that it was neither cropped nor zoomed.",
        )
