"""What a reference gives: the camera over the bench, and how sure its scale and pose are."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Literal

from lightgap.camera import Camera

THICKNESS = "thickness as typed"
CARDS_LIE = "how flat the cards lie"
SHEET_LIES = "how flat the sheet lies"
"""Names of contributions, in a budget."""

ReferenceKind = Literal["cards", "sheet", "across-flats"]


@dataclass(frozen=True)
class PoseUncertainty:
    """Standard uncertainties (k = 1) at the ring's top face that come from the reference alone.

    Attributes
    ----------
    scale : float
        Relative: multiplies every length.
    pitch_deg, skew_deg, mitre_deg, included_deg, taper_deg : float
    radial_mm : float
        Of a segment's radial offset, and of out-of-round.
    """

    scale: float
    pitch_deg: float
    skew_deg: float
    mitre_deg: float
    included_deg: float
    taper_deg: float
    radial_mm: float

    def times(self, factor: float) -> PoseUncertainty:
        """Return all of it, larger by a factor."""
        return PoseUncertainty(**{name: factor * standard for name, standard in asdict(self).items()})

    def plus(self, other: PoseUncertainty) -> PoseUncertainty:
        """Return both together: root sums of squares."""
        pairs = zip(asdict(self).items(), asdict(other).values(), strict=True)
        return PoseUncertainty(**{name: math.hypot(one, two) for (name, one), two in pairs})

    def less(self, other: PoseUncertainty) -> PoseUncertainty:
        """Return what is left without the other: the opposite of `plus`."""
        pairs = zip(asdict(self).items(), asdict(other).values(), strict=True)
        return PoseUncertainty(**{name: math.sqrt(max(one**2 - two**2, 0.0)) for (name, one), two in pairs})


@dataclass(frozen=True)
class CardFound:
    """One printed card: whether it was used, and if not, why.

    Attributes
    ----------
    number : int
        0 to 11, as printed on it.
    used : bool
    reason : str or None
        Why it was left out.
    corners_px : tuple of 4 (x, y)
        The white square's corners in the photo: as printed, top left first, then clockwise.
    corners_mm : tuple of 4 (x, y)
        The same in the reference's world frame; empty for a card left out.
    residual_px : float or None
        Rms of this card's corners in the adjustment; None for a card left out.
    """

    number: int
    used: bool
    reason: str | None
    corners_px: tuple[tuple[float, float], ...]
    corners_mm: tuple[tuple[float, float], ...] = ()
    residual_px: float | None = None


@dataclass(frozen=True)
class Reference:
    """The camera in a world frame on the bench, from what the photo shows.

    Attributes
    ----------
    kind : str
    camera : Camera
        World frame of the reference: z = 0 on the bench, origin and turn arbitrary.
    uncertainty : PoseUncertainty
    residual_px : float
        Rms of the adjustment.
    name : str
        In words: "4 cards", "A4 sheet", "across flats 240.6 mm".
    cards : tuple of CardFound
    untold : frozenset of str
        Quantities this reference cannot tell: report keys such as "across_flats_mm",
        "out_of_round_mm", "radial_offset_mm", "inner_offset_mm".
    notes : tuple of str
        Sentences for the person (a bent card left out, paper that seems off size).
    focal_standard : float
        Relative standard uncertainty of the focal length after the adjustment.
    named : tuple of (str, PoseUncertainty)
        Parts of ``uncertainty`` that a budget tells by a name of their own.
    """

    kind: ReferenceKind
    camera: Camera
    uncertainty: PoseUncertainty
    residual_px: float
    name: str
    cards: tuple[CardFound, ...] = ()
    untold: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()
    focal_standard: float = 0.03
    named: tuple[tuple[str, PoseUncertainty], ...] = ()

    def parts(self, quantity: str) -> dict[str, float]:
        """Standard uncertainties by name that together are ``uncertainty`` of a quantity.

        Examples
        --------
        >>> reference.parts("pitch_deg")
        {"reference": 0.03, "how flat the cards lie": 0.01}
        """
        named = {name: float(getattr(part, quantity)) for name, part in self.named}
        squares = sum(standard**2 for standard in named.values())
        rest = math.sqrt(max(getattr(self.uncertainty, quantity) ** 2 - squares, 0.0))
        told = {name: standard for name, standard in named.items() if standard > 0.0}
        return {"scale" if quantity == "scale" else "reference": rest, **told}

    def noting(self, sentence: str) -> Reference:
        """Return the same with one more note."""
        return replace(self, notes=(*self.notes, sentence))

    def doubted(self, factor: float) -> Reference:
        """Return the same, less sure by a factor."""
        return replace(
            self,
            uncertainty=self.uncertainty.times(factor),
            focal_standard=factor * self.focal_standard,
            named=tuple((name, part.times(factor)) for name, part in self.named),
        )
