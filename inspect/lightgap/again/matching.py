"""Was this ring seen before, and how has it been turned? Told by the wood alone.

Each segment's grain is laid over that of each segment of the other photo. Of the 2N ways in which the ring
may lie (N turns, this face or the other up) the right one pairs every segment with itself, the wrong ones
pair it with strangers: so every comparison brings its own measure of how alike strangers are, and neighbours
cut from one board raise the bar by themselves. What is not wood can be alike too: a number in the middle of
each segment, a shadow's edge across some of them. So a pair is as alike as its quarters are in the median,
and a way is as good as its pairs are in the median.

Of a ring that lies face down grain tells nothing, unless it runs straight through the wood: there the
segments' tones and the joints' spacing may hint at the turn. That is never sure, nor asked of a ring whose
same face should show its grain: neighbours on a board have like tones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.again.ring_print import LEVELS, Float32, RingPrint

Array = NDArray[np.float64]
Sureness = Literal["sure", "likely", "not recognised"]
Evidence = Literal["grain", "tone"]

_CLIP = 2.5
"""Robust standard deviations: a scratch says no more than that."""
_SHORT_MM = 4.0
"""Grain that runs on straight for longer than this may run on in the next piece of the board."""
_REACH_MM = 2.0
"""How far grain may have moved: by sanding through slanting growth rings, by a segment set anew."""

_SURE_SCORE, _SURE_LEAD, _SURE_SHARE = 9.0, 5.0, 0.5
_LIKELY_SCORE, _LIKELY_LEAD = 6.0, 3.0
"""Of 240 pairs of drawn strangers the best had 6.3 and led by 5; of 120 pairs of one ring, sanded by up to
0.3 mm, 116 had 9 and more (tests/accuracy/again.py)."""

_BRIGHTNESS, _HUE, _SPACING_MM = 0.02, 0.01, 0.15
"""How well two photos agree on a segment's tone (logs) and length, where lamp and phone are others."""
_MOST_TONE_STEPS = 3.0
_TONE_LEAD, _TONE_MISFIT = 6.0, 1.0
_SECOND_HARMONIC = 16
"""With so many segments a lamp's uneven light is taken for one that varies twice round the ring too."""


@dataclass(frozen=True)
class Match:
    """How the ring of one print lies in another.

    Attributes
    ----------
    sureness : "sure", "likely" or "not recognised"
        Only what is sure is carried over without asking.
    turn : int
        Joint k of the first print is joint k + turn of the second (counted 1..N, clockwise); with
        ``face_down`` it is joint turn - k.
    face_down : bool
        The second print shows the ring's other face.
    told_by : "grain" or "tone"
    score, second : float
        Of the best of the 2N ways, and of the next. By grain: median likeness of the paired segments over
        that of strangers, in robust standard deviations over the root of N (rings that are strangers reach
        2 to 5). By tone: log likelihood.
    agreeing, segments : int
        How many of the N segments, each asked alone by its grain, say the same.
    """

    sureness: Sureness
    turn: int
    face_down: bool
    told_by: Evidence
    score: float
    second: float
    agreeing: int
    segments: int

    def number_after(self, number: int) -> int:
        """Return the number in the second print of the joint with this number in the first."""
        after = self.turn - number if self.face_down else number + self.turn
        return (after - 1) % self.segments + 1


def match(before: RingPrint, after: RingPrint) -> Match:
    """Find how the ring of ``before`` lies in ``after``, if it is there at all."""
    count = before.segments
    if before.grain.shape != after.grain.shape:
        return Match("not recognised", 0, False, "grain", 0.0, 0.0, 0, count)
    partners = _partners(count)
    likeness = _likeness(before, after)
    scores = np.median(likeness[np.arange(count), partners], axis=1) * np.sqrt(count)
    agreeing = np.sum(np.argmax(likeness, axis=1) == partners, axis=1)
    way, best, second = _best_of(scores)
    sureness = _sureness(best, second, float(agreeing[way]) / count)
    if sureness == "not recognised":
        tones = _tone_scores(before, after, partners)
        hint, best_tone, second_tone = _best_of(tones)
        turned = _turned(hint, count)
        leads = best_tone - second_tone >= _TONE_LEAD and -best_tone <= _TONE_MISFIT * count
        if leads and turned[1]:
            return Match("likely", *turned, "tone", best_tone, second_tone, int(agreeing[hint]), count)
    return Match(sureness, *_turned(way, count), "grain", best, second, int(agreeing[way]), count)


def _best_of(scores: Array) -> tuple[int, float, float]:
    order = np.argsort(-scores)
    return int(order[0]), float(scores[order[0]]), float(scores[order[1]])


def _turned(way: int, count: int) -> tuple[int, bool]:
    """Turn and face of one of the 2N ways; turned over, joint k has become joint 2 - k."""
    return ((2 - way) % count, True) if way >= count else (way, False)


def _sureness(best: float, second: float, share: float) -> Sureness:
    if best >= _SURE_SCORE and best - second >= _SURE_LEAD and share >= _SURE_SHARE:
        return "sure"
    return "likely" if best >= _LIKELY_SCORE and best - second >= _LIKELY_LEAD else "not recognised"


def _partners(count: int) -> NDArray[np.intp]:
    """For each of the 2N ways, which column of the likenesses each segment is paired with: (2N, N)."""
    turn, segment = np.arange(count)[:, None], np.arange(count)
    return np.concatenate([(segment + turn) % count, (segment + turn) % count + count])


def _likeness(before: RingPrint, after: RingPrint) -> Array:
    """How alike each segment is to each one of the other print, as it is and turned over: (N, 2N).

    Correlation in robust standard deviations of all N x 2N, nearly all of which are of strangers.
    """
    over = after.turned_over()
    total = np.zeros((before.segments, 2 * before.segments))
    for texture in (_whole, _short):
        first = texture(before)
        alike = np.concatenate(
            [_correlation(first, texture(second), before.step_mm) for second in (after, over)], axis=1
        )
        middle = np.median(alike)
        total += (alike - middle) / max(1.4826 * float(np.median(np.abs(alike - middle))), 1e-6)
    return np.asarray(total / np.sqrt(2.0))


def _whole(ring: RingPrint) -> Float32:
    """All the grain there is."""
    return np.clip(ring.grain / np.float32(LEVELS), -_CLIP, _CLIP)


def _short(ring: RingPrint) -> Float32:
    """Only what is short along the grain of a segment: pores, figure, the ends of growth rings."""
    grain, sigma = _whole(ring), _SHORT_MM / ring.step_mm
    size = 2 * int(np.ceil(3.0 * sigma)) + 1
    along = [
        cv2.GaussianBlur(piece, (size, 1), sigmaX=sigma, borderType=cv2.BORDER_REFLECT) for piece in grain
    ]
    return np.asarray(grain - np.array(along))


def _correlation(first: Float32, second: Float32, step_mm: float) -> Array:
    """Correlation of every segment with every other, the median of their quarters: shape (N, N)."""
    quarters = [
        _moved_correlation(_normalised(a), _normalised(b), step_mm)
        for a, b in zip(_quarters(first), _quarters(second), strict=True)
    ]
    return np.asarray(np.median(quarters, axis=0))


def _quarters(grain: Float32) -> list[Float32]:
    # The middle line of an odd number belongs to both, so that a print turned over has the same quarters.
    rows, columns = grain.shape[1], grain.shape[2]
    return [
        grain[:, high : high + (rows + 1) // 2, left : left + (columns + 1) // 2]
        for high in (0, rows // 2)
        for left in (0, columns // 2)
    ]


def _normalised(grain: Float32) -> Float32:
    """Take away what all segments share (shade along the edges), and give each length 1."""
    grain = grain - grain.mean(axis=(1, 2), keepdims=True)
    grain = grain - grain.mean(axis=0)
    length = np.sqrt(np.sum(grain**2, axis=(1, 2), keepdims=True))
    return np.asarray(grain / np.maximum(length, 1e-6), dtype=np.float32)


def _moved_correlation(first: Float32, second: Float32, step_mm: float) -> Array:
    """Best correlation of every piece with every other, moved by up to `_REACH_MM` each way: (N, N)."""
    count, rows, columns = first.shape
    reach = int(np.ceil(_REACH_MM / step_mm))
    size = [cv2.getOptimalDFTSize(length + reach) for length in (rows, columns)]
    spectrum, other = (np.fft.rfft2(grain, size) for grain in (first, second))
    near = np.r_[-reach : reach + 1]
    best = np.empty((count, count))
    for piece in range(count):
        moved = np.fft.irfft2(spectrum[piece].conj() * other, size)
        best[piece] = moved[:, near[:, None], near].max(axis=(1, 2))
    return best


def _tone_scores(before: RingPrint, after: RingPrint, partners: NDArray[np.intp]) -> Array:
    """Log likelihood of each of the 2N ways by brightness, hue and spacing, each difference capped: (2N,)."""
    first = _tones(before)
    second = np.concatenate([_tones(after), _tones(after.turned_over())])
    apart = np.minimum(np.abs(first - second[partners]), _MOST_TONE_STEPS)
    return np.asarray(-np.sum(apart**2, axis=(1, 2)) / 4.0)


def _tones(ring: RingPrint) -> Array:
    """What is left of the tones without the lamp's slow change round the ring, and the spacing: (N, 5)."""
    angle = 2.0 * np.pi * np.arange(ring.segments) / ring.segments
    waves = [np.ones_like(angle), np.cos(angle), np.sin(angle)]
    if ring.segments >= _SECOND_HARMONIC:
        waves += [np.cos(2.0 * angle), np.sin(2.0 * angle)]
    lamp = np.stack(waves, axis=1)
    tone = ring.tone - lamp @ np.linalg.lstsq(lamp, ring.tone, rcond=None)[0]
    brightness = tone.mean(axis=1, keepdims=True)
    spacing = (ring.pitch_mm - np.median(ring.pitch_mm))[:, None]
    return np.concatenate(
        [brightness / _BRIGHTNESS, (tone - brightness) / _HUE, spacing / _SPACING_MM], axis=1
    )
