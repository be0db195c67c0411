"""Annotated crops of joints: the true faces and the measured ones over the enlarged pixels."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from accuracy.scoring import Row
from accuracy.tables import describe
from accuracy.truth import Truth
from lightgap.measure import JointMeasure
from lightgap.photo import Photo
from lightgap.report import Report

_SIDE_PX = 760
_TRUE = (0, 200, 0)
_MEASURED = (255, 0, 255)


def save_crop(path: Path, photo: Photo, truth: Truth, report: Report, row: Row) -> None:
    """Write one joint as PNG: its pixels, and beside them true faces green and measured ones magenta."""
    joint = truth.joints[row.number - 1]
    ends = np.concatenate([joint.face_a_px, joint.face_b_px])
    middle = ends.mean(axis=0)
    half = float(np.abs(ends - middle).max()) * 1.15 + 6.0
    scale = _SIDE_PX / (2.0 * half)
    low = middle - half

    # Pixel (x, y) of the photo covers a square about its centre: nearest-neighbour enlargement.
    shift = np.array([[scale, 0.0, -low[0] * scale], [0.0, scale, -low[1] * scale]])
    image = cv2.warpAffine(
        np.ascontiguousarray(photo.codes[..., ::-1]), shift, (_SIDE_PX, _SIDE_PX), flags=cv2.INTER_NEAREST
    )
    plain = image.copy()
    nearest = _nearest(report, middle)
    faces = [(joint.face_a_px, _TRUE), (joint.face_b_px, _TRUE)]
    faces += [(np.array(face), _MEASURED) for face in nearest.faces_px or ()]
    for face, colour in faces:
        inner, outer = np.round((face - low) * scale * 16.0).astype(int).tolist()
        cv2.line(image, inner, outer, colour, 1, cv2.LINE_AA, 4)
    caption = np.full((56, 2 * _SIDE_PX, 3), 255, np.uint8)
    lines = (describe(row), "; ".join(nearest.doubts) or "no doubt was raised")
    for line, text in enumerate(lines):
        cv2.putText(
            caption,
            text[:220],
            (6, 20 + 24 * line),
            cv2.FONT_HERSHEY_SIMPLEX,
            0.42,
            (0, 0, 0),
            1,
            cv2.LINE_AA,
        )
    cv2.imwrite(str(path), np.vstack([np.hstack([plain, image]), caption]))


def _nearest(report: Report, place_px: NDArray[np.float64]) -> JointMeasure:
    return min(
        report.measurement.joints,
        key=lambda joint: float(np.hypot(*(np.mean(joint.place_px, axis=0) - place_px))),
    )
