"""Pictures of kept checks for the page, made when they are first asked for and kept for this sitting.

The log itself holds original photos only; whatever is drawn from them can be drawn again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from PIL import Image, ImageDraw

from lightgap.again.matching import Match
from lightgap.log.records import Check, KeptPhoto
from lightgap.log.same_ring import wood_match
from lightgap.log.store import Log
from lightgap.photo import Photo, read_photo
from lightgap.report import Report
from lightgap.show.figures import Units
from lightgap.show.ink import font, sign
from lightgap.show.picture import draw
from lightgap_web.turning import Turning

Size = Literal["small", "large"]
LONGEST_PX: dict[Size, int] = {"small": 360, "large": 4096}
ABOVE_PX = 1200
"""Side of a picture from straight above."""
ROUND_IT = 1.28
"""How far such a picture reaches, in outer radii of the ring: its joints' numbers stand outside."""


@dataclass(frozen=True)
class Taken:
    """A kept photo with what one measuring made of it."""

    photo: KeptPhoto
    report: Report
    result_id: int


class Pictures:
    """Makes pictures one at a time: a decoded photo of 50 megapixels needs 150 MB.

    Parameters
    ----------
    folder : Path
        Where they are kept, until lightgap ends.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._drawing = threading.Lock()
        self._matches: dict[tuple[int, int], Match] = {}

    def photo(self, log: Log, kept: KeptPhoto, size: Size) -> Path:
        """Return the photo upright as a JPEG, which every browser shows."""

        def make() -> Image.Image:
            image = Image.fromarray(_read(log, kept).codes)
            image.thumbnail((LONGEST_PX[size],) * 2, Image.Resampling.LANCZOS)
            return image

        return self._made(f"{kept.stored.sha256}-{size}", make)

    def annotated(self, log: Log, taken: Taken, units: Units = "mm") -> Path:
        """Return the annotated picture that `lightgap check` writes too."""
        return self._made(
            f"result-{taken.result_id}-{units}",
            lambda: Image.fromarray(draw(_read(log, taken.photo), taken.report, units)),
        )

    def above(self, log: Log, taken: Taken, turning: Turning) -> Path:
        """Return the ring from straight above, turned so that two photos of it lie upon one another."""
        return self._made(
            f"result-{taken.result_id}-above-{turning.turn}-{int(turning.face_down)}",
            lambda: from_above(_read(log, taken.photo), taken.report, turning),
        )

    def match(self, log: Log, before: Check, after: Check) -> Match:
        """Find by the wood how the ring of an earlier check lies in a later one, by their latest results."""
        results = _latest(before), _latest(after)
        with self._drawing:
            if results not in self._matches:
                self._matches[results] = wood_match(log, before, after)
        return self._matches[results]

    def known_match(self, log: Log, before: Check, after: Check) -> Match | None:
        """Return the same at once; None if the ring's prints must be taken from the photos first."""
        results = _latest(before), _latest(after)
        if results in self._matches or all(log.ring_print(result) is not None for result in results):
            return self.match(log, before, after)
        return None

    def _made(self, name: str, make: Callable[[], Image.Image]) -> Path:
        path = self.folder / f"{name}.jpg"
        with self._drawing:
            if not path.exists():
                self.folder.mkdir(parents=True, exist_ok=True)
                part = path.with_suffix(".part")
                make().save(part, "JPEG", quality=85)
                part.replace(path)
        return path


def _read(log: Log, kept: KeptPhoto) -> Photo:
    return read_photo(log.photos.read(kept.stored), kept.name)


def _latest(check: Check) -> int:
    return check.latest.id if check.latest is not None else 0


def from_above(photo: Photo, report: Report, turning: Turning) -> Image.Image:
    """Draw the ring's top face as seen from straight above, to a fixed scale for its plan.

    The middle of the segment after the earlier joint 1 lies at the top, and the joints bear the earlier
    numbers. For the eye only: nothing is measured on it.
    """
    plan, camera = report.plan, report.reference.camera
    count = plan.segments
    joints = report.measurement.joints
    centre = camera.to_plane(report.measurement.ring.centre_px, plan.thickness_mm)
    beside = [joints[turning.later(number, count) - 1].place_px[1] for number in (1, 2)]
    up = np.sum(camera.to_plane(beside, plan.thickness_mm) - centre, axis=0)
    up /= np.linalg.norm(up)
    right = np.array([up[1], -up[0]]) * (-1.0 if turning.face_down else 1.0)
    reach = ROUND_IT * float(plan.joint_radii_mm[1])
    steps = (np.arange(ABOVE_PX) + 0.5) / ABOVE_PX * 2.0 * reach - reach
    across, down = np.meshgrid(steps, steps)
    points = centre + across[..., None] * right - down[..., None] * up
    places = camera.project_plane(points, plan.thickness_mm).astype(np.float32)
    codes = cv2.remap(
        photo.codes, places[..., 0], places[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    image = Image.fromarray(codes)
    brush = ImageDraw.Draw(image)
    for earlier in range(1, count + 1):
        number = turning.later(earlier, count)
        joint, judged = joints[number - 1], report.verdicts.joints[number - 1]
        outward = camera.to_plane(joint.place_px[1], plan.thickness_mm) - centre
        outward *= plan.joint_radii_mm[1] / np.linalg.norm(outward)
        seen = np.array([outward @ right, -(outward @ up)]) / reach
        near, beyond = ((ABOVE_PX / 2.0) * (1.0 + radii * seen) for radii in (1.08, 1.2))
        sign(brush, (float(near[0]), float(near[1])), 36.0, judged.verdict)
        brush.text(
            (float(beyond[0]), float(beyond[1])),
            str(earlier),
            font=font(52),
            fill="white",
            stroke_width=4,
            stroke_fill="black",
            anchor="mm",
        )
    return image
