"""The photo's own response to an edge: its blur by place, and the halo that a phone's sharpening adds.

Edges whose form is known (the cards' squares, a sheet's sides, the ring's own edges) are stacked
along their length to a profile finer than a pixel, the slanted-edge idea of ISO 12233. The stacks
are fitted as a step of linear light, blurred by a Gaussian, coded as sRGB, taken through a phone's
S-shaped tone curve, and sharpened in codes: ``code + gain * (code - blurred code)``. Halo and curve
are undone before anything is measured; the filter that undoes the halo, ``1 / (1 + gain (1 - G))``,
never amplifies, so it adds no noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

from lightgap.faces.edge_blur import across_edges, by_direction, fit_blur, radius2, twofold
from lightgap.photo import LINEAR_OF_CODE, LUMA, Photo

Array = NDArray[np.float64]

CARDS = "the cards"
"""As the source of a response: printed edges, which are sharp themselves."""
_REACH_PX = 7.0
_BIN_PX = 0.25
_END_SHARE = 0.12
_MAXIMUM_EDGES = 48
_SHORT_STANDARD = 0.15
"""A turned ring's edge is often broken by sandpaper, and its wall lit: either makes it look softer."""
_MINIMUM_CONTRAST = 0.05
_FARTHEST_PX, _SHARPEST_PX, _BLURREST_PX = 4.0, 0.3, 4.0
_MOVED_PX, _LEAST_MOVED = 0.4, 1.0 / 3.0
"""Movement from which halo and curve are measured on a part of the edges: on those that it blurs least."""
_GROUPS = 3
_CLEAN_RESIDUAL = 0.005
"""Rms, in codes 0..1, below which sharpening alone explains the edges."""
_SETTLED = 1e-5
"""Relative change below which the search for halo and curve ends: far below what they are sure to."""
_EXPLAINED_RESIDUAL = 0.0015
"""Rms, in codes 0..1, below which no other start finds better."""
_OVERSHOOT = 0.015
"""Share of an edge's height beyond its plateaus that only a phone's processing makes."""
_LEAST_GAIN = 0.12
_PROCESSED_GAIN, _PROCESSED_HALO_PX = 0.65, 1.25
"""What is undone where a phone did more than sharpen (halos limited, tones mapped by place): the
effective gain on edges of middling contrast; its uncertainty is carried in every gap."""
_UNDO_ROUNDS = 10
_MARGIN_PX = 8
_USUAL_CONTRAST = 0.1
"""Phones deepen shadows and lift lights by an S-shaped curve: its usual strength (common practice, no
source). Left alone, it shifts every edge of a dark slot by some 0.05 px into the wood."""
_CURVE_STEPS = np.linspace(0.0, 1.0, 1025)


@dataclass(frozen=True, eq=False)
class Response:
    """Blur and halo of one photo.

    Attributes
    ----------
    middle_px : float
        Gaussian sigma in the picture's middle, pixel box included, px.
    growth_px2 : float
        Growth of sigma^2 from the middle to the corner, px^2.
    size_px : (int, int)
        The photo's width and height.
    standard : float
        Relative standard uncertainty of sigma.
    halo_gain, halo_px : float
        Sharpening to undo: gain and radius; gain 0 for none.
    halo_standard : float
        Standard uncertainty of the gain.
    source : str
        What it was measured on, in words.
    is_sure : bool
        False where the phone did more than sharpen, or nothing could be measured: then thin joints
        tell the blur better.
    contrast : float
        Strength of the S-shaped tone curve to undo.
    along_px2, aslant_px2 : float
        What a phone that moved adds to sigma^2 across the direction (cos a, sin a) in the picture:
        along cos 2a + aslant sin 2a; over all directions it adds nothing, the mean is in `middle_px`.
    radial_px2 : float
        What the lens and its coloured fringes add to sigma^2 in the corner, across a direction away from
        the picture's middle, and take off across one square to it.
    """

    middle_px: float
    growth_px2: float
    size_px: tuple[int, int]
    standard: float
    halo_gain: float
    halo_px: float
    halo_standard: float
    source: str
    is_sure: bool = True
    contrast: float = 0.0
    along_px2: float = 0.0
    aslant_px2: float = 0.0
    radial_px2: float = 0.0

    def blur_at(self, point_px: Array, across_px: Array | None = None) -> float:
        """Sigma at a point, px: across a direction in the picture, or without one the mean of all."""
        mean2 = self.middle_px**2 + self.growth_px2 * float(radius2(point_px, self.size_px))
        if across_px is None:
            return float(np.sqrt(mean2))
        terms = [self.along_px2, self.aslant_px2, self.radial_px2]
        more2 = float(by_direction(point_px, across_px, self.size_px) @ terms)
        return float(np.sqrt(max(mean2 + more2, _SHARPEST_PX**2)))

    @property
    def moved_px(self) -> float:
        """Sigma that the phone's movement adds along its direction, px."""
        return float(np.sqrt(2.0 * np.hypot(self.along_px2, self.aslant_px2)))

    def light(
        self, photo: Photo, rows: slice, columns: slice, keep: NDArray[np.bool_] | None = None
    ) -> NDArray[np.float32]:
        """Return linear light with halo and tone curve undone: a window's, (rows, columns, 3).

        With ``keep``, shape (rows, columns): that of its pixels alone, (n, 3).
        """
        kept = ... if keep is None else keep
        if self.halo_gain == 0.0:
            return self._light_of_code[photo.codes[rows, columns][kept]]
        top, left = max(rows.start - _MARGIN_PX, 0), max(columns.start - _MARGIN_PX, 0)
        codes = photo.codes[top : rows.stop + _MARGIN_PX, left : columns.stop + _MARGIN_PX]
        sharpened = np.asarray(codes @ LUMA, dtype=np.float32)
        plain = sharpened
        for _ in range(_UNDO_ROUNDS):
            soft = cv2.GaussianBlur(plain, (0, 0), self.halo_px)
            plain = np.asarray((sharpened + self.halo_gain * soft) / (1.0 + self.halo_gain), dtype=np.float32)
        inner = (
            slice(rows.start - top, rows.stop - top),
            slice(columns.start - left, columns.stop - left),
        )
        plain_codes = codes[inner][kept] + (plain - sharpened)[inner][kept][..., None]
        return np.interp(plain_codes, np.arange(256), self._light_of_code).astype(np.float32)

    @cached_property
    def _light_of_code(self) -> NDArray[np.float32]:
        """Linear light of every code, the tone curve undone, shape (256,)."""
        flat = _flattened(np.arange(256) / 255.0, self.contrast)
        return np.asarray(_decode_unit(flat), dtype=np.float32)


def measure_response(photo: Photo, edges_px: Array, source: str, is_long: bool = True) -> Response | None:
    """Measure blur and halo on straight edges; None when fewer than four can be used.

    Parameters
    ----------
    edges_px : ndarray, shape (n, 2, 2)
        Both ends of each edge, pixels.
    is_long : bool
        Whether they are long enough to show a halo; of short ones, grain and the wall below show as one.
    """
    if len(edges_px) > _MAXIMUM_EDGES:
        edges_px = edges_px[np.linspace(0, len(edges_px) - 1, _MAXIMUM_EDGES).astype(int)]
    size_px = (photo.width, photo.height)
    plain = Response(1.0, 0.0, size_px, 0.02, 0.0, 1.0, 0.0, source, contrast=_USUAL_CONTRAST)
    if not is_long:
        blurred = _with_blur(photo, edges_px, replace(plain, is_sure=False))
        return blurred and replace(blurred, standard=float(np.hypot(blurred.standard, _SHORT_STANDARD)))
    response = _with_blur(photo, edges_px, _processed(photo, edges_px, plain))
    if response is not None and response.moved_px > _MOVED_PX:
        # Beside edges that a movement has blurred, those that it has not pass for sharpened.
        crisp = _least_moved(edges_px, response)
        response = _with_blur(photo, edges_px, _processed(photo, crisp, plain))
    return response


def _processed(photo: Photo, edges_px: Array, plain: Response) -> Response:
    """Measure halo and tone curve on long straight edges."""
    gain, halo_px, contrast, rest, overshoot = _halo(photo, edges_px)
    if rest < _CLEAN_RESIDUAL:
        # What the edges' form tells of the curve is about as sure as what phones usually do.
        plain = replace(plain, contrast=0.5 * (contrast + _USUAL_CONTRAST))
    if rest < _CLEAN_RESIDUAL and gain >= _LEAST_GAIN:
        plain = replace(plain, halo_gain=gain, halo_px=halo_px, halo_standard=0.15 * gain)
    elif rest >= _CLEAN_RESIDUAL and overshoot >= _OVERSHOOT:
        plain = replace(
            plain,
            halo_gain=_PROCESSED_GAIN,
            halo_px=_PROCESSED_HALO_PX,
            halo_standard=0.4 * _PROCESSED_GAIN,
            is_sure=False,
        )
    return plain


def _least_moved(edges_px: Array, response: Response) -> Array:
    """The third of the edges that a movement blurs least."""
    across = across_edges(edges_px)
    moved2 = twofold(across) @ [response.along_px2, response.aslant_px2]
    return edges_px[moved2 <= np.quantile(moved2, _LEAST_MOVED)]


def typical_response(photo: Photo) -> Response:
    """What a phone's photo usually has, with the uncertainty of not having measured it."""
    size_px = (photo.width, photo.height)
    return Response(0.9, 0.0, size_px, 0.25, 0.0, 1.0, 0.25, "not measured", False, _USUAL_CONTRAST)


def _with_blur(photo: Photo, edges_px: Array, response: Response) -> Response | None:
    found = [(edge, sigma) for edge in edges_px if (sigma := edge_sigma(photo, response, edge)) is not None]
    if len(found) < 4:
        return None
    blur = fit_blur(
        np.array([edge for edge, _ in found]), np.array([sigma for _, sigma in found]), response.size_px
    )
    sharpened = 0.012 if response.halo_gain == 0.0 else 0.03
    return replace(
        response,
        middle_px=blur.middle_px,
        growth_px2=blur.growth_px2,
        standard=float(np.hypot(sharpened, blur.standard)),
        along_px2=blur.along_px2,
        aslant_px2=blur.aslant_px2,
        radial_px2=blur.radial_px2,
    )


def edge_sigma(photo: Photo, response: Response, edge_px: Array) -> float | None:
    """Blur of one straight edge, px; None if it is too weak or no clean step."""
    profile = _stack(edge_px, photo, lambda *pixels: response.light(photo, *pixels) @ LUMA)
    if profile is None:
        return None
    place, light = profile
    low, high = float(np.mean(light[:8])), float(np.mean(light[-8:]))
    contrast = high - low
    if abs(contrast) < _MINIMUM_CONTRAST:
        return None

    def residuals(p: Array) -> Array:
        step = ndtr((place - p[0]) / p[1])
        return np.asarray(p[2] + p[3] * place + (p[4] + p[5] * place) * step - light) / abs(contrast)

    def jacobian(p: Array) -> Array:
        z = (place - p[0]) / p[1]
        step, bell = ndtr(z), np.exp(-0.5 * z * z) / (np.sqrt(2.0 * np.pi) * p[1])
        by_centre = -(p[4] + p[5] * place) * bell
        columns = [by_centre, by_centre * z, np.ones_like(place), place, step, step * place]
        return np.stack(columns, axis=1) / abs(contrast)

    start = np.array([0.0, 1.0, low, 0.0, contrast, 0.0])
    fit = least_squares(residuals, start, jacobian, method="lm")
    if not (abs(fit.x[0]) < _FARTHEST_PX and _SHARPEST_PX < fit.x[1] < _BLURREST_PX):
        return None
    if float(np.sqrt(np.mean(fit.fun**2))) >= 0.03:
        return None
    # The bins of the stack have blurred it by their own width.
    return float(np.sqrt(fit.x[1] ** 2 - _BIN_PX**2 / 12.0))


_FINE = np.arange(-12.0, 12.001, _BIN_PX)
_COMMON_IN_FINE = slice(24, 73)
_COMMON = _FINE[_COMMON_IN_FINE]


def _halo(photo: Photo, edges_px: Array) -> tuple[float, float, float, float, float]:
    """Gain and radius of the sharpening, the tone curve, the rms in codes left unexplained, the overshoot."""
    profiles = []
    for edge in edges_px:
        stacked = _stack(
            edge, photo, lambda rows, columns, keep: photo.codes[rows, columns][keep] @ LUMA / 255.0
        )
        centred = None if stacked is None else _centred(*stacked)
        if centred is not None:
            profiles.append((float(radius2(edge.mean(axis=0), (photo.width, photo.height))), *centred))
    if len(profiles) < _GROUPS:
        return 0.0, 1.0, _USUAL_CONTRAST, 0.0, 0.0
    profiles.sort(key=lambda profile: profile[0])
    groups = [
        [profiles[index] for index in part] for part in np.array_split(np.arange(len(profiles)), _GROUPS)
    ]
    away2 = np.array([np.mean([item[0] for item in group]) for group in groups])
    stacks = np.array([np.median([item[1] for item in group], axis=0) for group in groups])
    ends = np.array([np.mean([item[2] for item in group], axis=0) for group in groups])
    low, height = ends[:, :1], np.diff(ends)

    def residuals(p: Array) -> Array:
        sigma = np.sqrt(np.maximum(p[2] + p[3] * away2, 0.04))
        step = ndtr((_FINE - p[5:, None]) / sigma[:, None])
        dark, bright = _decode_unit(_flattened(ends, p[4])).T[..., None]
        code = (tone_curve(_encode(dark + (bright - dark) * step), p[4]) - low) / height
        code = code + p[0] * (code - gaussian_filter1d(code, p[1] / _BIN_PX, mode="nearest"))
        return np.ravel((code[:, _COMMON_IN_FINE] - stacks) * height)

    shifts = [0.0] * _GROUPS
    low_bounds, high_bounds = (
        [0.0, 0.7, 0.08, -0.5, 0.0] + [-1.0] * _GROUPS,
        [3.0, 2.5, 6.0, 8.0, 0.4] + [1.0] * _GROUPS,
    )
    fits = []
    for gain, radius in ((0.2, 1.2), (1.0, 1.5)):
        start = [gain, radius, 0.6, 0.2, _USUAL_CONTRAST, *shifts]
        fits.append(
            least_squares(residuals, start, bounds=(low_bounds, high_bounds), ftol=_SETTLED, xtol=_SETTLED)
        )
        if np.sqrt(np.mean(fits[-1].fun ** 2)) < _EXPLAINED_RESIDUAL:
            break
    best = min(fits, key=lambda fit: fit.cost)
    overshoot = float(np.max(np.abs(stacks - 0.5))) - 0.5
    rest = float(np.sqrt(np.mean(best.fun**2)))
    return float(best.x[0]), float(best.x[1]), float(best.x[4]), rest, overshoot


def _centred(place: Array, code: Array) -> tuple[Array, Array] | None:
    """Rising profile 0..1 about its half of linear light on the common grid, and its end codes."""
    low, high = float(np.median(code[:8])), float(np.median(code[-8:]))
    if high < low:
        place, code, low, high = -place[::-1], code[::-1], high, low
    if high - low < 0.25:
        return None
    half = _encode((_decode_unit(low) + _decode_unit(high)) / 2.0)
    crossing = np.flatnonzero((code[:-1] < half) & (code[1:] >= half))
    if crossing.size != 1:
        return None
    first = crossing[0]
    share = (half - code[first]) / (code[first + 1] - code[first])
    centre = place[first] + share * (place[first + 1] - place[first])
    unit = np.interp(_COMMON, place - centre, (code - low) / (high - low))
    return unit, np.array([low, high])


def _stack(
    edge_px: Array, photo: Photo, values_of: Callable[[slice, slice, NDArray[np.bool_]], Any]
) -> tuple[Array, Array] | None:
    """Stack an edge along its length: distance (px, positive to the right of its direction) and value."""
    along = edge_px[1] - edge_px[0]
    length = float(np.hypot(*along))
    along = along / length
    start, end = edge_px[0] + _END_SHARE * length * along, edge_px[1] - _END_SHARE * length * along
    low = np.floor(np.minimum(start, end) - _REACH_PX - 1).astype(int)
    high = np.ceil(np.maximum(start, end) + _REACH_PX + 2).astype(int)
    if np.any(low < 0) or high[0] > photo.width or high[1] > photo.height:
        return None
    rows, columns = np.mgrid[low[1] : high[1], low[0] : high[0]]
    x, y = columns - start[0], rows - start[1]
    distance = x * -along[1] + y * along[0]
    reach = x * along[0] + y * along[1]
    keep = (np.abs(distance) < _REACH_PX) & (reach > 0) & (reach < length * (1 - 2 * _END_SHARE))
    values = values_of(slice(low[1], high[1]), slice(low[0], high[0]), keep)
    bins = ((distance[keep] + _REACH_PX) / _BIN_PX).astype(np.intp)
    count = int(2 * _REACH_PX / _BIN_PX)
    weight = np.bincount(bins, minlength=count)[:count]
    if np.any(weight < 2):
        return None
    place = np.bincount(bins, distance[keep], minlength=count)[:count] / weight
    return place, np.bincount(bins, values, minlength=count)[:count] / weight


def tone_curve(code: Array, contrast: float) -> Array:
    """A phone's S-shaped tone curve, codes 0..1: shadows deeper, lights brighter (smoothstep)."""
    return code + contrast * (code * code * (3.0 - 2.0 * code) - code)


def _flattened(code: Array, contrast: float) -> Array:
    """The codes before `tone_curve`."""
    return np.interp(code, tone_curve(_CURVE_STEPS, contrast), _CURVE_STEPS)


def _decode_unit(code: Array | float) -> Any:
    return np.interp(255.0 * np.asarray(code), np.arange(256), LINEAR_OF_CODE)


def _encode(light: Array) -> Array:
    bright = 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, bright)
