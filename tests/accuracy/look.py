"""How a drawn ring looks: woods, bench and light, and the tiles of texture that they are made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
Colour = tuple[float, float, float]

WOODS: dict[str, Colour] = {
    "ash": (0.60, 0.46, 0.29),
    "beech": (0.50, 0.33, 0.21),
    "cherry": (0.38, 0.20, 0.11),
    "maple": (0.66, 0.52, 0.35),
    "oak": (0.45, 0.31, 0.18),
    "padauk": (0.34, 0.09, 0.04),
    "walnut": (0.15, 0.085, 0.05),
    "wenge": (0.070, 0.046, 0.032),
    "yellowheart": (0.62, 0.42, 0.12),
}
"""Reflectance in linear light, about as these woods look when freshly planed."""

BENCHES: dict[str, Colour] = {
    "black": (0.025, 0.025, 0.028),
    "blue": (0.05, 0.10, 0.22),
    "green": (0.06, 0.16, 0.07),
    "grey": (0.22, 0.22, 0.22),
    "kraft": (0.40, 0.28, 0.17),
    "tan": (0.50, 0.39, 0.26),
    "white": (0.72, 0.72, 0.70),
}

_TILE = 1024
_BOARD = (512, 6144)
BOARD_TEXEL_MM = 0.2
_GROWTH_MM = 3.0
_GROWTH_SLOPE = 2.0
"""How far a growth ring moves across the top for each mm that is sanded off."""
_FIBRE_DEPTH_MM = 0.3
"""Depth below which fibres and pores are others."""


@dataclass(frozen=True)
class Wood:
    """The ring's wood.

    Attributes
    ----------
    kinds : tuple of str
        Names in `WOODS`, taken in turn from segment to segment.
    figure : float
        Contrast of grain and growth rings, as a share of the wood's brightness.
    grain_turn_deg : float
        0: grain along each segment, as usual (about square to the joint); 90: parallel to the joints.
    uneven : float
        Standard deviation of brightness from segment to segment.
    arris_mm : float
        Radius of the rounded edges at the joints.
    seed : int or None
        Names the very wood: pictures with the same seed show the same pieces, or pieces of one board.
        None: wood of the picture's own.
    cut_mm : tuple of float
        Where along one board (1200 mm) the middle of each segment was cut; empty: each from anywhere.
        Needs ``seed``.
    sanded_mm : float
        How much was sanded off since the wood was as ``seed`` says. An invention, not a measurement:
        growth rings wander sideways, fibres and pores change into others over 0.3 mm. Needs ``seed``.
    """

    kinds: tuple[str, ...] = ("oak",)
    figure: float = 0.12
    grain_turn_deg: float = 0.0
    uneven: float = 0.05
    arris_mm: float = 0.0
    seed: int | None = None
    cut_mm: tuple[float, ...] = ()
    sanded_mm: float = 0.0


@dataclass(frozen=True)
class Light:
    """One lamp and the light of the room.

    Attributes
    ----------
    from_deg : float
        Direction that the lamp stands in, anticlockwise from +x of the ring frame.
    slope : float
        Tangent of its angle from overhead: 0.3 is high, 2 is a low lamp with long shadows.
    share : float
        Share of the top face's light that comes from it; the rest comes from all sides.
    softness : float
        Width of its half shadows, as a share of the shadow's length.
    uneven : float
        How much brighter the side towards the lamp is, over the whole picture.
    shadow_edge_mm : float or None
        If set, a shadow covers all that lies further than this from the centre, away from the lamp.
    """

    from_deg: float = 110.0
    slope: float = 0.6
    share: float = 0.6
    softness: float = 0.25
    uneven: float = 0.1
    shadow_edge_mm: float | None = None

    @property
    def towards(self) -> Array:
        """Horizontal part of the direction to the lamp, over its vertical part."""
        angle = np.radians(self.from_deg)
        return self.slope * np.array([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True)
class Stroke:
    """A pencil line on the wood, from one point to another, mm in the ring frame."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    width_mm: float = 0.5
    dark: float = 0.6


@dataclass(frozen=True)
class Bench:
    """What the ring lies on, and how strong its weave is."""

    kind: str = "grey"
    weave: float = 0.06


@dataclass(frozen=True)
class Look:
    """All that is seen besides shape."""

    wood: Wood = field(default_factory=Wood)
    light: Light = field(default_factory=Light)
    bench: Bench = field(default_factory=Bench)
    pencil: tuple[Stroke, ...] = ()


def _noise(
    rng: np.random.Generator, sigma_along: float, sigma_across: float, shape: tuple[int, int] = (_TILE, _TILE)
) -> Picture:
    """Periodic Gaussian noise of unit variance, blurred along x and across (texels)."""
    field_ = rng.standard_normal(shape).astype(np.float32)
    along = np.exp(-2.0 * (np.pi * sigma_along * np.fft.rfftfreq(shape[1])) ** 2)
    across = np.exp(-2.0 * (np.pi * sigma_across * np.fft.fftfreq(shape[0])) ** 2)
    blurred = np.fft.irfft2(np.fft.rfft2(field_) * across[:, None] * along[None, :], s=shape)
    return np.asarray((blurred - blurred.mean()) / blurred.std(), dtype=np.float32)


@lru_cache(maxsize=8)
def grain(seed: int, texel_mm: float) -> Picture:
    """A periodic tile of wood with its grain along x: mean 0, about unit variance.

    Growth rings of uneven spacing, fibres, and short dark pores.
    """
    rng = np.random.default_rng(seed)
    rows = np.arange(_TILE, dtype=np.float32)[:, None] / _TILE
    rings = max(int(_TILE * texel_mm / _GROWTH_MM), 2)
    phase = rings * rows + 1.2 * _noise(rng, 25.0 / texel_mm, 4.0 / texel_mm)
    return _figure(
        phase, _noise(rng, 3.0 / texel_mm, 0.15 / texel_mm), _noise(rng, 1.2 / texel_mm, 0.08 / texel_mm)
    )


@lru_cache(maxsize=4)
def board(seed: int, sanded_mm: float) -> Picture:
    """The same for a whole board, in texels of `BOARD_TEXEL_MM`: growth rings run on from piece to piece."""
    texel_mm, shape = BOARD_TEXEL_MM, _BOARD
    rng = np.random.default_rng(seed)
    rings = int(shape[0] * texel_mm / _GROWTH_MM)
    phase = rings * np.arange(shape[0], dtype=np.float32)[:, None] / shape[0]
    phase = phase + 2.0 * _noise(rng, 120.0 / texel_mm, 4.0 / texel_mm, shape)
    phase += 0.3 * _noise(rng, 12.0 / texel_mm, 3.0 / texel_mm, shape)
    left = float(np.exp(-sanded_mm / _FIBRE_DEPTH_MM))
    sizes = ((3.0, 0.15), (1.2, 0.08))
    fibres, pores = (_noise(rng, along / texel_mm, across / texel_mm, shape) for along, across in sizes)
    if sanded_mm > 0.0:
        phase += sanded_mm * _GROWTH_SLOPE / _GROWTH_MM
        others = [_noise(rng, along / texel_mm, across / texel_mm, shape) for along, across in sizes]
        fibres, pores = (
            np.float32(left) * old + np.float32(np.sqrt(1.0 - left**2)) * other
            for old, other in zip((fibres, pores), others, strict=True)
        )
    return _figure(phase, fibres, pores)


def _figure(phase: Picture, fibres: Picture, pores: Picture) -> Picture:
    late = (0.5 + 0.5 * np.cos(2.0 * np.pi * phase)) ** 3
    tile = -1.5 * late + 0.5 * fibres - 1.6 * np.maximum(pores - 2.2, 0.0)
    return np.asarray((tile - tile.mean()) / tile.std(), dtype=np.float32)


@lru_cache(maxsize=8)
def weave(seed: int, texel_mm: float) -> Picture:
    """A periodic tile of cloth or paper: blotches and fine grain, mean 0, unit variance."""
    rng = np.random.default_rng(seed)
    tile = 0.6 * _noise(rng, 4.0 / texel_mm, 4.0 / texel_mm) + 0.8 * _noise(
        rng, 0.15 / texel_mm, 0.15 / texel_mm
    )
    return np.asarray(tile / tile.std(), dtype=np.float32)


def sample(tile: Picture, x: Picture, y: Picture) -> Picture:
    """Read a periodic tile at places given in texels, bilinear."""
    return np.asarray(
        cv2.remap(
            tile,
            np.mod(x, tile.shape[1]).astype(np.float32),
            np.mod(y, tile.shape[0]).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )
    )
