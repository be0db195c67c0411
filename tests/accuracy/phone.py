"""What a phone does to the light: lens blur, colour fringes, noise, and the processing to a JPEG."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import fft

Picture = NDArray[np.float32]

_EXIF_IFD = 0x8769
_FOCAL_35MM = 41989
_CURVE_STEPS = 1 << 16


@dataclass(frozen=True)
class Phone:
    """One phone; the defaults are a plain, honest one.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the lens's Gaussian blur in the middle, the pixel's own square not counted.
    corner_blur : float
        Blur in the corners over that in the middle; its square grows with the square of the distance.
    moved_px, moved_deg : float
        How far the picture ran over the sensor while the shutter was open, evenly, and in which direction
        (clockwise from the picture's right).
    red_scale, blue_scale : float
        Size of the red and blue pictures about the middle over that of the green one.
    vignette : float
        Loss of light in the corners.
    exposure : float
        White paper (0.8) times this is what reaches the sensor; 1 saturates.
    full_well, read : float
        Electrons at saturation (shot noise), and read noise over saturation.
    denoise : float
        Range of the noise reduction (bilateral filter), in codes / 255; 0 for none.
    sharpen, sharpen_sigma_px : float
        Unsharp mask in codes.
    contrast : float
        Strength of an S-shaped tone curve (smoothstep) in codes.
    quality : int or None
        JPEG quality; None writes a PNG.
    subsample : bool
        Chroma at half size each way (4:2:0).
    """

    blur_px: float = 0.8
    corner_blur: float = 1.0
    moved_px: float = 0.0
    moved_deg: float = 0.0
    red_scale: float = 1.0
    blue_scale: float = 1.0
    vignette: float = 0.0
    exposure: float = 1.0
    full_well: float = 8000.0
    read: float = 0.001
    denoise: float = 0.0
    sharpen: float = 0.0
    sharpen_sigma_px: float = 1.0
    contrast: float = 0.0
    quality: int | None = 92
    subsample: bool = True


PERFECT = Phone(blur_px=0.0, full_well=np.inf, read=0.0, quality=None)
"""Only the pixels' own square and the rounding to codes."""


def develop(light: Picture, phone: Phone, rng: np.random.Generator, f35: int | None = None) -> bytes:
    """Take linear light, shape (height, width, 3), to the bytes of an image file.

    ``f35`` is the focal length (35 mm equivalent) written to EXIF.
    """
    picture = moved(_blurred(light, phone), phone.moved_px, phone.moved_deg)
    _fringe(picture, phone)
    if phone.vignette or phone.exposure != 1.0:
        gain = np.float32(phone.exposure) * (1.0 - np.float32(phone.vignette) * _radius2(*picture.shape[:2]))
        picture *= cv2.merge((gain,) * 3)
    _add_noise(picture, phone, rng)
    codes = _coded(picture)
    if phone.denoise > 0.0:
        codes = np.asarray(cv2.bilateralFilter(codes, 5, phone.denoise, 1.5), dtype=np.float32)
    if phone.contrast > 0.0:
        bounded = np.clip(codes, 0.0, 1.0)
        codes = codes + np.float32(phone.contrast) * (bounded * bounded * (3.0 - 2.0 * bounded) - bounded)
    if phone.sharpen > 0.0:
        codes = codes + np.float32(phone.sharpen) * (
            codes - cv2.GaussianBlur(codes, (0, 0), phone.sharpen_sigma_px)
        )
    return _file(np.clip(np.rint(codes * 255.0), 0, 255).astype(np.uint8), phone, f35)


def _radius2(height: int, width: int) -> Picture:
    """Squared distance from the middle, 1 in the corners."""
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2.0) / np.float32(np.hypot(width, height) / 2.0)
    y = (np.arange(height, dtype=np.float32) - (height - 1) / 2.0) / np.float32(np.hypot(width, height) / 2.0)
    return np.asarray(x[None, :] ** 2 + y[:, None] ** 2, dtype=np.float32)


def _blurred(light: Picture, phone: Phone) -> Picture:
    """Blur whose variance grows linearly with the squared radius: a blend of three, exact in variance."""
    if phone.blur_px <= 0.0:
        return light.copy()

    def blur(variance: float) -> Picture:
        return np.asarray(
            cv2.GaussianBlur(light, (0, 0), float(np.sqrt(variance)), borderType=cv2.BORDER_REPLICATE)
        )

    middle = phone.blur_px**2
    growth = middle * (phone.corner_blur**2 - 1.0)
    if growth == 0.0:
        return blur(middle)
    place = 2.0 * _radius2(*light.shape[:2])
    picture = np.zeros(light.shape, np.float32)
    for share, weight in (
        (0.0, np.maximum(1.0 - place, 0.0)),
        (0.5, 1.0 - np.abs(place - 1.0)),
        (1.0, np.maximum(place - 1.0, 0.0)),
    ):
        cv2.accumulateProduct(blur(middle + growth * share), cv2.merge((weight,) * 3), picture)
    return picture


def moved(picture: Picture, length_px: float, direction_deg: float) -> Picture:
    """Average a picture, shape (height, width, ...), over a straight way of so many px: exact by Fourier."""
    if length_px <= 0.0:
        return picture
    margin = int(np.ceil(length_px)) + 8
    height, width = picture.shape[0] + 2 * margin, picture.shape[1] + 2 * margin
    turn = np.radians(direction_deg)
    along = np.fft.rfftfreq(width) * np.cos(turn) + np.fft.fftfreq(height)[:, None] * np.sin(turn)
    passed = np.sinc(length_px * along).astype(np.float32)
    smeared = np.empty_like(picture)
    # One colour at a time: a transform of all three at once takes gigabytes.
    for channel in np.ndindex(picture.shape[2:]):
        padded = np.pad(picture[(..., *channel)], margin, mode="edge")
        whole = fft.irfft2(fft.rfft2(padded) * passed, padded.shape)
        smeared[(..., *channel)] = whole[margin:-margin, margin:-margin]
    return smeared


def _fringe(picture: Picture, phone: Phone) -> None:
    """Enlarge red and blue about the middle, in place."""
    for channel, scale in ((0, phone.red_scale), (2, phone.blue_scale)):
        if scale != 1.0:
            wide = _stretched(picture[..., channel], scale)
            picture[..., channel] = _stretched(wide.T, scale).T


def _stretched(picture: Picture, scale: float) -> Picture:
    """Enlarge along the second axis about the middle: Lagrange's cubic, which keeps edges in place.

    (OpenCV's own resampling rounds places to 1/32 px.)
    """
    count = picture.shape[1]
    middle = (count - 1) / 2.0
    place = middle + (np.arange(count) - middle) / scale
    first = np.floor(place).astype(int)
    t = (place - first).astype(np.float32)
    weights = (
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    )
    total = np.zeros(picture.shape, np.float32)
    for step, weight in enumerate(weights, -1):
        total += picture.take(np.clip(first + step, 0, count - 1), axis=1) * weight
    return total


def _add_noise(picture: Picture, phone: Phone, rng: np.random.Generator) -> None:
    """Shot noise (Poisson, taken as normal) and read noise, in place."""
    if np.isinf(phone.full_well) and phone.read == 0.0:
        return
    noise = rng.standard_normal(picture.shape, dtype=np.float32)
    variance = np.maximum(picture, 0.0)
    variance *= np.float32(1.0 / phone.full_well)
    variance += np.float32(phone.read**2)
    cv2.accumulateProduct(noise, cv2.sqrt(variance), picture)


def _coded(picture: Picture) -> Picture:
    """Linear light to sRGB codes / 255 (IEC 61966-2-1), clipped at both ends, by a fine table."""
    linear = np.arange(_CURVE_STEPS) / (_CURVE_STEPS - 1.0)
    table = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055)
    index = (np.clip(picture, 0.0, 1.0) * np.float32(_CURVE_STEPS - 1) + np.float32(0.5)).astype(np.uint16)
    return np.asarray(table.astype(np.float32)[index])


def _file(codes: NDArray[np.uint8], phone: Phone, f35: int | None) -> bytes:
    exif = Image.Exif()
    if f35 is not None:
        exif.get_ifd(_EXIF_IFD)[_FOCAL_35MM] = f35
    stream = io.BytesIO()
    image = Image.fromarray(codes)
    if phone.quality is None:
        image.save(stream, "PNG", compress_level=1, exif=exif)
    else:
        image.save(stream, "JPEG", quality=phone.quality, subsampling=2 if phone.subsample else 0, exif=exif)
    return stream.getvalue()
