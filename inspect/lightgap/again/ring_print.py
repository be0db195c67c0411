"""A ring's print: the grain and tone of each segment, small enough to be kept with every check."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightgap.errors import LightgapError
from lightgap.measure import Measurement
from lightgap.photo import LINEAR_OF_CODE, LUMA, Photo
from lightgap.plan import Plan
from lightgap.ring.plane import reduced

Array = NDArray[np.float64]
Float32 = NDArray[np.float32]

_FINEST_MM = 0.6
"""Finer grain changes from photo to photo: by blur, by the phone's noise reduction, by sanding."""
_MOST_SAMPLES = 40_000
_FEWEST = 8
_MARGIN_MM = 1.5
"""Left out along the edges and faces: rounded, chipped, smeared with glue, and shaded."""
_MARGIN_SHARE = 0.15
_LIGHT_MM = 8.0
"""What changes over more than this may be the lamp's doing."""
LEVELS = 32.0
"""Steps per robust standard deviation in what is kept."""
_MARK, _MARK_ROUNDS = 3.0, 2
"""Robust standard deviations beyond which a sample is a mark on the wood (pencil, glue), not grain."""
_DARKEST = 0.01
_FORM = 1
"""Raised whenever a print is taken in another way, so that no two are compared that do not compare."""


@dataclass(frozen=True, eq=False)
class RingPrint:
    """What tells one ring from another, and one turn of it from the others.

    Attributes
    ----------
    grain : ndarray of int8, shape (N, rows, columns)
        Log brightness of each segment's top face without its slow changes, 0 where it bears a mark,
        unrolled from face to face: rows from the inner to the outer edge, columns clockwise, segment 1
        first.
    tone : ndarray of float32, shape (N, 3)
        Log of each segment's median linear red, green and blue.
    pitch_mm : ndarray of float32, shape (N,)
        Distance round the ring from each segment's first joint to its second, at half its width.
    step_mm : float
        Distance between two samples of the grain.
    """

    grain: NDArray[np.int8]
    tone: Float32
    pitch_mm: Float32
    step_mm: float

    @property
    def segments(self) -> int:
        return int(self.grain.shape[0])

    def turned_over(self) -> RingPrint:
        """The same as if seen in a mirror: what the ring would show if its wood were alike on both faces.

        Joint 1 stays joint 1 and the numbers run the other way, so segment k becomes segment N + 1 - k.
        """
        return RingPrint(self.grain[::-1, :, ::-1], self.tone[::-1], self.pitch_mm[::-1], self.step_mm)

    def to_bytes(self) -> bytes:
        """What `read_print` reads: a NumPy archive of about 30 kB."""
        file = io.BytesIO()
        np.savez_compressed(
            file,
            form=_FORM,
            grain=self.grain,
            tone=self.tone,
            pitch_mm=self.pitch_mm,
            step_mm=self.step_mm,
        )
        return file.getvalue()


def read_print(data: bytes) -> RingPrint:
    """Make a print again from `RingPrint.to_bytes`.

    Raises
    ------
    LightgapError
        If ``data`` is no print, or one of another version.
    """
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            grain, tone, pitch = (np.asarray(kept[name]) for name in ("grain", "tone", "pitch_mm"))
            step, form = float(kept["step_mm"]), int(kept["form"])
        count = grain.shape[0]
        if form != _FORM:
            raise ValueError("it is of another form")
        if grain.ndim != 3 or grain.dtype != np.int8 or tone.shape != (count, 3) or pitch.shape != (count,):
            raise ValueError("its parts do not belong together")
    except Exception as error:  # What an archive's reader may raise for any bytes is not told.
        raise LightgapError(
            "The kept print of a ring's grain cannot be read.", "Measure its photo again."
        ) from error
    return RingPrint(grain, tone.astype(np.float32), pitch.astype(np.float32), step)


def fingerprint(photo: Photo, measurement: Measurement, plan: Plan) -> RingPrint:
    """Take a ring's print from a photo that was measured.

    Each segment's own four corners say where it lies, so a mended segment brings its wood with it.
    """
    step, x, y, quad = _grid(plan)
    codes, factor = reduced(photo, int(step / measurement.mm_per_px))
    grain, tone = [], []
    for corners, segment in zip(_corners_px(measurement), measurement.segments, strict=True):
        place = cv2.perspectiveTransform(
            np.stack([x, y], axis=-1), cv2.getPerspectiveTransform(quad, corners)
        )
        across, down = cv2.split(((place + 0.5) / factor - 0.5).astype(np.float32))
        seen = cv2.remap(codes, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        light = LINEAR_OF_CODE[seen]
        tone.append(np.log(np.median(light.reshape(-1, 3), axis=0) + _DARKEST))
        grain.append(_flattened(np.log(light @ LUMA + _DARKEST), step) * segment.present)
    return RingPrint(np.array(grain, dtype=np.int8), np.array(tone), _pitch_mm(measurement, plan), step)


def _grid(plan: Plan) -> tuple[float, Float32, Float32, Float32]:
    """Where a segment is sampled: step, x and y in the segment's own mm, and its four corners there."""
    height = float(np.ptp(plan.joint_radii_mm)) * np.cos(np.radians(plan.mitre_deg))
    inner, outer = (plan.edge_length_mm(edge) for edge in (plan.inner_mm, plan.outer_mm))
    margin = min(_MARGIN_MM, _MARGIN_SHARE * inner, _MARGIN_SHARE * height)
    across, along = height - 2.0 * margin, (inner + outer) / 2.0 - 2.0 * margin
    step = max(_FINEST_MM, float(np.sqrt(plan.segments * across * along / _MOST_SAMPLES)))
    rows, columns = (max(_FEWEST, round(size / step)) for size in (across, along))
    y = np.broadcast_to(margin + (np.arange(rows)[:, None] + 0.5) * across / rows, (rows, columns))
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * (inner + (outer - inner) * y / height - 2.0 * margin)
    quad = [[-inner / 2, 0.0], [-outer / 2, height], [outer / 2, height], [inner / 2, 0.0]]
    return step, x.astype(np.float32), y.astype(np.float32), np.array(quad, dtype=np.float32)


def _corners_px(measurement: Measurement) -> Float32:
    """Each segment's inner and outer corner where it begins, outer and inner where it ends: (N, 4, 2)."""
    faces = [joint.faces_px or (joint.place_px, joint.place_px) for joint in measurement.joints]
    return np.array(
        [
            [start[0], start[1], end[1], end[0]]
            for (_, start), (end, _) in zip(faces, faces[1:] + faces[:1], strict=True)
        ],
        dtype=np.float32,
    )


def _flattened(brightness: Float32, step_mm: float) -> Float32:
    """Take away slow changes and marks, and count what is left in robust standard deviations.

    Marks are left out of the slow changes too, or their halo would stay: two rings numbered in pencil
    would look alike by it.
    """
    keep = np.ones_like(brightness)
    for _ in range(_MARK_ROUNDS):
        rest, spread = _without_slow(brightness, keep, step_mm)
        marks = (np.abs(rest) > _MARK * spread).astype(np.uint8)
        keep = 1.0 - cv2.dilate(marks, np.ones((3, 3), np.uint8)).astype(np.float32)
    rest, spread = _without_slow(brightness, keep, step_mm)
    return np.asarray(np.rint(np.clip(LEVELS * keep * rest / spread, -127, 127)))


def _without_slow(brightness: Float32, keep: Float32, step_mm: float) -> tuple[Float32, float]:
    """Brightness less its mean over the kept samples within `_LIGHT_MM`, and the robust spread of that."""

    def blurred(picture: Float32) -> Float32:
        return np.asarray(
            cv2.GaussianBlur(picture, (0, 0), _LIGHT_MM / step_mm, borderType=cv2.BORDER_REFLECT)
        )

    slow = blurred(brightness * keep) / np.maximum(blurred(keep), np.float32(1e-3))
    rest = (brightness - slow).astype(np.float32)
    kept = rest[keep > 0.0]
    spread = 1.4826 * float(np.median(np.abs(kept - np.median(kept)))) if kept.size else 0.0
    return rest, max(spread, 1e-6)


def _pitch_mm(measurement: Measurement, plan: Plan) -> Float32:
    angles = np.array([joint.angle_deg for joint in measurement.joints])
    steps = (np.roll(angles, -1) - angles) % 360.0
    return np.asarray(np.radians(steps) * plan.middle_radius_mm, dtype=np.float32)
