"""Change photographs whose truth is known, as light, phones and people do, and check them again.

    python tests/accuracy/changed.py sample_images --changes moved_3.5 tone_curve turned

A change leaves the ring as it is, so its truth holds; what turns or resizes the picture turns the truth's
camera too. The files are coded anew (JPEG 92, 4:2:0), "as_is" shows what that alone does. Changes come after
the phone's own processing, where real ones often come before it: the answers have to stay true all the
same, more than they have to stay as exact.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

# So that the script runs from anywhere, without being installed.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from accuracy.phone import moved
from accuracy.photos import reference_of, run
from accuracy.scoring import Row, Score
from accuracy.truth import Truth, read_truth
from lightgap.faces.blur import tone_curve
from lightgap.judge import Verdict
from lightgap.photo import LINEAR_OF_CODE, LUMA

Codes = NDArray[np.uint8]
Light = NDArray[np.float32]
Raw = dict[str, Any]
Rng = np.random.Generator


@dataclass(frozen=True)
class Change:
    """One change: of the linear light (height, width, 3), of the codes, of the whole picture, or of the plan.

    ``geometry`` maps the codes and gives the map of pixels, shape (2, 3); ``quality`` is the JPEG's;
    ``focal`` multiplies EXIF's focal length, None takes all EXIF away; ``plan`` is added to what was typed.
    """

    light: Callable[[Light, Rng], Light] | None = None
    codes: Callable[[Codes, Rng], Any] | None = None
    geometry: Callable[[Codes], tuple[Codes, NDArray[np.float64]]] | None = None
    quality: int = 92
    focal: float | None = 1.0
    plan: tuple[str, float] | None = None


def _quarter(codes: Codes) -> tuple[Codes, NDArray[np.float64]]:
    return np.rot90(codes, -1), np.array([[0.0, -1.0, codes.shape[0] - 1.0], [1.0, 0.0, 0.0]])


def _half(codes: Codes) -> tuple[Codes, NDArray[np.float64]]:
    height, width = codes.shape[:2]
    return codes[::-1, ::-1], np.array([[-1.0, 0.0, width - 1.0], [0.0, -1.0, height - 1.0]])


def _smaller(codes: Codes, share: float) -> tuple[Codes, NDArray[np.float64]]:
    size = round(share * codes.shape[1]), round(share * codes.shape[0])
    light = cv2.resize(LINEAR_OF_CODE[codes], size, interpolation=cv2.INTER_AREA)
    scale = size[0] / codes.shape[1]
    shift = 0.5 * (scale - 1.0)
    return coded(light), np.array([[scale, 0.0, shift], [0.0, scale, shift]])


def _slope(light: Light, _: Rng) -> Light:
    down, along = (
        np.linspace(*ends, size) for ends, size in zip(((1.1, 0.8), (0.5, 1.25)), light.shape, strict=False)
    )
    return np.asarray(light * (down[:, None] * along)[..., None], dtype=np.float32)


def tones_by_place(light: Light, reach_px: float) -> Light:
    """Lift what is darker than the picture, and lower what is brighter, by its mean over a reach."""
    near = cv2.GaussianBlur(light @ LUMA, (0, 0), reach_px)
    return np.asarray(light * ((np.mean(near) / near) ** 0.4)[..., None], dtype=np.float32)


def _glare(light: Light, rng: Rng) -> Light:
    height, width = light.shape[:2]
    y, x = np.mgrid[:height, :width]
    for _ in range(2):
        place = rng.uniform(0.3, 0.7, 2) * (width, height)
        reach = 0.04 * np.hypot(width, height)
        spot = np.exp(-((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2.0 * reach**2))
        light = np.asarray(light + 0.4 * spot[..., None], dtype=np.float32)
    return light


def _fringes(codes: Codes, _: Rng) -> Codes:
    height, width = codes.shape[:2]
    fringed = codes.copy()
    for channel, scale in ((0, 1.0008), (2, 0.9992)):
        stretch = cv2.getRotationMatrix2D(((width - 1) / 2.0, (height - 1) / 2.0), 0.0, scale)
        fringed[..., channel] = cv2.warpAffine(
            codes[..., channel],
            stretch,
            (width, height),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return fringed


def _dust(codes: Codes, rng: Rng) -> Codes:
    """Specks of pale wood all over, most of them a pixel or two large."""
    dusty = codes.copy()
    places = np.round(16.0 * rng.uniform(0.0, codes.shape[1::-1], (3000, 2))).astype(int)
    radii = np.round(16.0 * (rng.exponential(1.5, 3000) + 0.4)).astype(int)
    for place, radius, share in zip(
        places.tolist(), radii.tolist(), rng.uniform(0.8, 1.1, 3000), strict=True
    ):
        colour = (share * np.array([214.0, 196.0, 164.0])).tolist()
        cv2.circle(dusty, place, radius, colour, -1, cv2.LINE_AA, 4)
    return dusty


def _brighter(share: float) -> Change:
    return Change(light=lambda light, _: np.float32(share) * light)


def _tinted(*shares: float) -> Change:
    return Change(light=lambda light, _: light * np.float32(shares))


def _moved(length_px: float) -> Change:
    return Change(light=lambda light, rng: moved(light, length_px, float(rng.uniform(0.0, 180.0))))


CHANGES: dict[str, Change] = {
    "as_is": Change(),
    "turned": Change(geometry=_quarter),
    "upside_down": Change(geometry=_half),
    "smaller_0.7": Change(geometry=partial(_smaller, share=0.7)),
    "smaller_0.5": Change(geometry=partial(_smaller, share=0.5)),
    "darker": _brighter(0.4),
    "brighter": _brighter(1.5),
    "warm": _tinted(1.25, 1.0, 0.6),
    "cool": _tinted(0.7, 1.0, 1.3),
    "light_from_aside": Change(light=_slope),
    "glare": Change(light=_glare),
    "grey": Change(codes=lambda codes, _: np.repeat((codes @ LUMA)[..., None], 3, axis=2)),
    "tone_curve": Change(codes=lambda codes, _: 255.0 * tone_curve(codes / 255.0, 0.8)),
    "flatter_tones": Change(codes=lambda codes, _: 255.0 * (codes / 255.0) ** 0.75),
    "tones_by_place": Change(light=lambda light, _: tones_by_place(light, 25.0)),
    "noise": Change(codes=lambda codes, rng: codes + rng.normal(0.0, 6.0, codes.shape)),
    "smoothed": Change(codes=lambda codes, _: cv2.bilateralFilter(codes, 5, 18, 1.5)),
    "sharpened": Change(
        codes=lambda codes, _: 1.8 * codes - 0.8 * cv2.GaussianBlur(codes.astype(np.float32), (0, 0), 1.2)
    ),
    "fringes": Change(codes=_fringes),
    "jpeg_60": Change(quality=60),
    "blurred_1.3": Change(light=lambda light, _: cv2.GaussianBlur(light, (0, 0), 1.3)),
    "blurred_2": Change(light=lambda light, _: cv2.GaussianBlur(light, (0, 0), 2.0)),
    "moved_2": _moved(2.0),
    "moved_3.5": _moved(3.5),
    "moved_5": _moved(5.0),
    "moved_9": _moved(9.0),
    "dust": Change(codes=_dust),
    "no_exif": Change(focal=None),
    "focal_5_%_short": Change(focal=0.95),
    "thickness_1_mm_over": Change(plan=("thickness_mm", 1.0)),
    "width_2_mm_under": Change(plan=("width_mm", -2.0)),
    "size_2_mm_over": Change(plan=("outer_across_flats_mm", 2.0)),
}
"""By name; the light's and the phone's first, then the bench's, then what a person types."""


def changed(source: Path, name: str, folder: Path) -> Truth:
    """Write a changed photograph and its truth into a folder.

    Parameters
    ----------
    source : Path
        The truth file; its photograph lies beside it.
    name : str
        One of `CHANGES`.
    """
    change, raw = CHANGES[name], json.loads(source.read_text())
    rng = np.random.default_rng(list(f"{source.stem} {name}".encode()))
    image = ImageOps.exif_transpose(Image.open(source.parent / raw["photo"]))
    exif = image.getexif()
    codes = np.asarray(image.convert("RGB"))
    if change.geometry is not None:
        codes, pixels = change.geometry(codes)
        raw = _seen_through(raw, pixels)
    if change.light is not None:
        codes = coded(change.light(LINEAR_OF_CODE[codes], rng))
    if change.codes is not None:
        codes = np.clip(np.rint(change.codes(codes, rng)), 0, 255).astype(np.uint8)
    if change.plan is not None:
        key, more = change.plan
        raw["user_enters"][key] += more
    raw["photo"] = f"{source.stem} {name}.jpg"
    keywords = {} if change.focal is None else {"exif": _with_focal(exif, change.focal)}
    data = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(codes)).save(
        data, "JPEG", quality=change.quality, subsampling=2, **keywords
    )
    (folder / raw["photo"]).write_bytes(data.getvalue())
    truth = folder / f"{source.stem} {name}.json"
    truth.write_text(json.dumps(raw))
    return read_truth(truth)


def coded(light: Light) -> Codes:
    """The nearest sRGB codes of linear light."""
    middles = 0.5 * (LINEAR_OF_CODE[1:] + LINEAR_OF_CODE[:-1])
    return np.searchsorted(middles, light).astype(np.uint8)


def _seen_through(raw: Raw, pixels: NDArray[np.float64]) -> Raw:
    """The truth where pixel p is seen at ``pixels @ (p, 1)``: a turn, and one scale for both axes."""
    raw = deepcopy(raw)
    lens, turn = raw["camera"], pixels[:, :2]
    scale = float(np.sqrt(abs(np.linalg.det(turn))))
    matrix = np.array(lens["K"], dtype=float)
    about = np.eye(3)
    about[:2, :2] = turn / scale
    centre = turn @ matrix[:2, 2] + pixels[:, 2]
    focal = scale * matrix[0, 0]
    lens["K"] = [[focal, 0.0, centre[0]], [0.0, focal, centre[1]], [0.0, 0.0, 1.0]]
    lens["R"], lens["t"] = ((about @ np.array(lens[key], dtype=float)).tolist() for key in ("R", "t"))
    for joint in raw["joint_px"]:
        for end in ("A_inner", "A_outer", "B_inner", "B_outer"):
            joint[end] = (turn @ np.array(joint[end]) + pixels[:, 2]).tolist()
    return raw


def _with_focal(exif: Image.Exif, share: float) -> Image.Exif:
    """The 35 mm equivalent and the focal length, EXIF 2.32 tags A405 and 920A, times a share."""
    told = exif.get_ifd(0x8769)
    if 0xA405 in told:
        told[0xA405] = round(share * told[0xA405])
    if 0x920A in told:
        told[0x920A] = share * float(told[0x920A])
    return exif


def summary(name: str, scores: list[Score]) -> str:
    """One line: found of those there, refused, wrong verdicts, and gaps' errors where nothing is flagged."""
    rows = [row for score in scores for row in score.rows]
    judged = [row for row in rows if row.verdict is not None and np.isfinite(row.truth)]
    wrong_in = sum(row.verdict is Verdict.IN and not row.inside for row in judged)
    wrong_out = sum(row.verdict is Verdict.OUT and row.inside for row in judged)
    gaps = [row for row in rows if row.quantity == "gap_mm" and row.told]
    text = (
        f"{name:<20}{sum(item.found for item in scores):>5} of{sum(item.joints for item in scores):>4}"
        f"{sum(item.failure is not None for item in scores):>8}{wrong_in:>10}"
        f"{wrong_out:>11} of{len(judged):>6}"
    )
    for kinds in (("open", "tapered"), ("closed one wood", "closed two woods"), ("resin", "glue")):
        text += _of_kinds([row for row in gaps if row.kind in kinds])
    return text


HEAD = (
    f"{'change':<20}{'joints found':>12}{'refused':>8}{'wrong in':>10}{'wrong out':>11} of values"
    + "".join(f"{kind + ' rms':>14}{'in U':>7}" for kind in ("open", "closed", "filled"))
)


def _of_kinds(rows: list[Row]) -> str:
    if not rows:
        return f"{'-':>14}{'-':>7}"
    errors = np.array([row.error for row in rows if np.isfinite(row.value) and not row.flagged])
    rms = f"{np.sqrt(np.mean(errors**2)):.3f}" if errors.size else "-"
    return f"{rms:>14}{100.0 * np.mean([row.covered for row in rows]):>5.0f} %"


def _one(source: Path, name: str) -> Score:
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        truth = changed(source, name, Path(folder))
        return run(truth, reference_of(truth))[0]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--pattern", default="*", help="names of photos, such as 'dev*'")
    parser.add_argument("--changes", nargs="+", choices=CHANGES, default=list(CHANGES), metavar="CHANGE")
    arguments = parser.parse_args()
    sources = sorted(arguments.folder.glob(arguments.pattern + ".json"))
    if not sources:
        sys.exit(f"no truth file matches {arguments.pattern}.json in {arguments.folder}")
    print(HEAD)
    with ProcessPoolExecutor(os.cpu_count(), get_context("spawn")) as pool:
        for name in arguments.changes:
            scores = list(pool.map(partial(_one, name=name), sources))
            print(summary(name, scores), flush=True)
            for failed in (score for score in scores if score.failure):
                print(f"    {failed.photo}: {failed.failure}")


if __name__ == "__main__":
    main()
