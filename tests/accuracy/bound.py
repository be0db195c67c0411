"""The least error that any method could reach on a joint: the Cramér-Rao bound of its two edges.

Across a joint the light is A left of face a, S between the faces, B right of face b, blurred by a
Gaussian of standard deviation s px (the pixel's own square counted in), with white noise of standard
deviation n, one sample per px. With g the Gaussian's density,

    dy/da = (A - S) g(x - a),    dy/db = (S - B) g(x - b),

and because the integral of g(x - a) g(x - b) is e / (2 sqrt(pi) s) with e = exp(-w^2 / (4 s^2)),
w = b - a, the Fisher information of (a, b) per row is

    I = k [[P^2, P Q e], [P Q e, Q^2]],    k = 1 / (2 sqrt(pi) s n^2),    P = A - S, Q = S - B.

The variance of w per row is v = (-1, 1) I^-1 (-1, 1)^T = (P^2 + Q^2 + 2 P Q e) / (k P^2 Q^2 (1 - e^2)).
Two straight faces of L rows then leave v / L at the middle of the joint and 4 v / L at its ends (the
variance of a fitted line there), and 12 v / L^3 for the angle between them.

Checks: for a wide gap, e = 0 and A = B, v = 4 sqrt(pi) s n^2 / P^2, that is two edges of
2 sqrt(pi) s (n / P)^2 each; for a thin one, e = 1 and A = B, v = 2 sqrt(pi) s n^2 / P^2, that of a
line whose darkness is known. With two woods v grows without limit as w goes to 0: gap and place
cannot be told apart. Levels and blur are taken as known and the wood as even; grain, shading, the
arris, heights and the phone's processing are what lies between this bound and an honest error.
"""

from __future__ import annotations

import numpy as np

from accuracy.look import WOODS
from accuracy.phone import Phone
from accuracy.scoring import Row
from accuracy.truth import Truth
from lightgap.photo import LUMA

_SLOT = 0.05
"""Light of an empty slot over that of the wood beside it, about."""


def row_variance(levels: tuple[float, float, float], gap_px: float, blur_px: float, noise: float) -> float:
    """Variance of the gap from one row, px^2; ``levels`` are A, S, B in the unit of the noise."""
    left, between, right = levels
    p, q = left - between, between - right
    overlap = float(np.exp(-(gap_px**2) / (4.0 * blur_px**2)))
    information = 1.0 / (2.0 * np.sqrt(np.pi) * blur_px * noise**2)
    top = p * p + q * q + 2.0 * p * q * overlap
    return float(top / (information * p * p * q * q * max(1.0 - overlap**2, 1e-12)))


def gap_bound_mm(truth: Truth, row: Row) -> float:
    """Least standard deviation of one gap or, for a taper, of the angle in degrees; drawn rings only."""
    joint = truth.joints[row.number - 1]
    look, phone = truth.raw["look"], Phone(**truth.raw["phone"])
    kinds = look["wood"]["kinds"]
    woods = [np.array(WOODS[kinds[joint.raw[face]["segment"] % len(kinds)]]) for face in ("face_B", "face_A")]
    filling = np.array(
        truth.raw["filled_colour"].get(str(joint.raw["index"]), _SLOT * np.mean(woods, axis=0))
    )
    levels = [float(LUMA @ colour) * phone.exposure for colour in (woods[0], filling, woods[1])]
    noise = np.sqrt(
        np.sum(LUMA**2 * (np.mean(woods, axis=0) * phone.exposure / phone.full_well + phone.read**2))
    )
    length_px = float(np.hypot(*(joint.face_a_px[1] - joint.face_a_px[0])))
    blur_px = float(np.sqrt(_lens_variance(truth, phone, joint.middle_px) + 1.0 / 12.0))
    variance = row_variance(
        (levels[0], levels[1], levels[2]), joint.gap_middle_mm / row.mm_per_px, blur_px, float(noise)
    )
    if row.quantity == "taper_deg":
        return float(np.degrees(np.sqrt(12.0 * variance / length_px**3)))
    return float(np.sqrt(variance / length_px)) * row.mm_per_px * (1.0 if row.place == "middle" else 2.0)


def _lens_variance(truth: Truth, phone: Phone, place_px: np.ndarray) -> float:
    """Variance of the drawn blur at a place."""
    width, height = truth.raw["camera"]["image_size"]
    away2 = np.sum(
        ((place_px - [(width - 1) / 2.0, (height - 1) / 2.0]) / (np.hypot(width, height) / 2.0)) ** 2
    )
    return phone.blur_px**2 * (1.0 + (phone.corner_blur**2 - 1.0) * float(away2))
