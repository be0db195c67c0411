"""Brightness and tint as a JPEG holds them: what dried glue, resin and sawdust are told from wood by.

A phone stores colour coarser than brightness, so an edge of brightness is the sharper of the two;
but where a filling is as bright as the wood, only the tint shows it. A shadow or a dark slot takes
brightness and tint away together and leaves the hue; glue changes the hue.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from lightgap.photo import LINEAR_OF_CODE, LUMA

Array = NDArray[np.float64]

_BLUE_SHARE, _RED_SHARE = 0.564, 0.713
_CODES = np.arange(256) / 255.0


def brightness_and_tint(light: NDArray[Any]) -> Array:
    """Luma and the two colour differences of the stored codes, ITU-R BT.601-7, section 2.5.

    Parameters
    ----------
    light : ndarray, shape (n, 3)
        Linear red, green, blue, 0..1.

    Returns
    -------
    ndarray, shape (n, 3)
        Brightness 0..1, and tint towards blue and towards red, about -0.5..0.5.
    """
    return _tint_of(np.interp(light, LINEAR_OF_CODE, _CODES))


def light_of(tints: Array) -> Array:
    """Linear light of brightness and tint: the inverse of `brightness_and_tint`, shape (n, 3)."""
    return np.asarray(np.interp(_code_of(tints), _CODES, LINEAR_OF_CODE))


def _tint_of(code: Array) -> Array:
    luma = code @ LUMA
    return np.stack([luma, _BLUE_SHARE * (code[:, 2] - luma), _RED_SHARE * (code[:, 0] - luma)], axis=1)


def _code_of(tints: Array) -> Array:
    red, blue = tints[:, 0] + tints[:, 2] / _RED_SHARE, tints[:, 0] + tints[:, 1] / _BLUE_SHARE
    green = (tints[:, 0] - LUMA[0] * red - LUMA[2] * blue) / LUMA[1]
    return np.stack([red, green, blue], axis=1)


def mixed_step(woods: Array, blur_px: float) -> Array:
    """What a blurred step between two colours sums to, over a sharp one: codes times px, shape (3,).

    The lens mixes light, the phone stores codes: half way in light is not half way in codes.

    Parameters
    ----------
    woods : ndarray, shape (2, 3)
        Brightness and tint on both sides.
    """
    place = np.linspace(-6.0, 6.0, 121) * blur_px
    share = ndtr(place / blur_px)[:, None]
    light = light_of(woods)
    codes = brightness_and_tint(light[0] * (1.0 - share) + light[1] * share)
    sharp = np.where(place[:, None] < 0.0, woods[0], woods[1])
    return np.asarray(np.sum(codes - sharp, axis=0) * (place[1] - place[0]))


def deepened(wood: Array) -> Array:
    """What a phone's S-shaped tone curve of strength 1 adds to a shade of a wood, over the shade, shape (3,).

    A shade takes each code c down by a share of it, and the curve c + s (c^2 (3 - 2 c) - c) changes steps of
    code by its slope.

    Parameters
    ----------
    wood : ndarray, shape (3,)
        Brightness and tint.
    """
    code = _code_of(wood[None])[0]
    change = code * (6.0 * code * (1.0 - code) - 1.0)
    return np.asarray(_tint_of(change[None])[0])


def beyond_shade(difference: Array, wood: Array) -> Array:
    """Take off a difference of tint what goes with its difference of brightness in wood of this hue.

    Parameters
    ----------
    difference : ndarray, shape (..., 3)
        Brightness and tint less those of the wood.
    wood : ndarray, shape (..., 3)
        Brightness and tint of the wood.
    """
    hue = wood[..., 1:] / np.maximum(wood[..., :1], 1e-3)
    tint = difference[..., 1:] - hue * difference[..., :1]
    return np.concatenate([difference[..., :1], tint], axis=-1)
