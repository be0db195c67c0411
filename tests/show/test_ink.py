"""The signs are told apart by shape alone, and by colour with any colour vision."""

from itertools import combinations

import numpy as np
import pytest
from PIL import Image, ImageColor, ImageDraw
from skimage.color import deltaE_ciede2000, rgb2lab

from lightgap.judge import Verdict
from lightgap.show.figures import figure
from lightgap.show.ink import PAPER, sign, stroke, text_width, wrap
from lightgap.show.words import SIGNS
from lightgap.values import Value

# Simulation of full colour-vision deficiency on linear sRGB: Machado, Oliveira, Fernandes, "A
# physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15(6), 2009, table 1.
COLOUR_VISION = {
    "usual": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def seen(colour: str, vision: str) -> np.ndarray:
    code = np.array(ImageColor.getrgb(colour)) / 255.0
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(COLOUR_VISION[vision]) @ linear, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize("vision", COLOUR_VISION)
def test_the_verdicts_colours_differ_for_every_colour_vision(vision: str) -> None:
    """A CIEDE2000 difference of 20 is told at a glance."""
    colours = [rgb2lab(seen(look.colour, vision)) for look in SIGNS.values()]
    assert min(float(deltaE_ciede2000(*pair)) for pair in combinations(colours, 2)) > 20.0


def silhouette(verdict: Verdict) -> np.ndarray:
    image = Image.new("RGB", (80, 80), PAPER)
    sign(ImageDraw.Draw(image), (40, 40), 60, verdict)
    return np.asarray(image.convert("L")) > 60


def test_the_signs_differ_without_colour() -> None:
    for first, second in combinations(Verdict, 2):
        a, b = silhouette(first), silhouette(second)
        assert (a ^ b).sum() > 0.12 * a.sum(), (first, second)


def test_a_figure_is_never_parted_from_its_uncertainty() -> None:
    shown = figure(Value(0.36), "gap_mm").removesuffix(" mm") + " ± 0.03 mm"
    for width in range(60, 600, 20):
        lines = wrap(f"joint 8 open {shown} at the outside", 40, width)
        assert any("0.36 ± 0.03" in line for line in lines)
        assert all(text_width(line, 40) <= width or " " not in line.replace(" ± ", "") for line in lines)


def test_a_line_is_drawn_where_its_ends_say_to_a_fraction_of_a_pixel() -> None:
    pixels = np.zeros((40, 60, 3), np.uint8)
    stroke(pixels, [(5.0, 20.25), (55.0, 20.25)], "#FFFFFF", 3)
    weight = pixels[:, 30, 0].astype(float)
    assert np.average(np.arange(40), weights=weight) == pytest.approx(20.25, abs=0.1)


def test_a_broken_line_leaves_half_of_what_is_under_it() -> None:
    pixels = np.zeros((40, 200, 3), np.uint8)
    stroke(pixels, [(10.0, 20.0), (190.0, 20.0)], "#FFFFFF", 1, dash=10.0)
    covered = (pixels[20, 10:190, 0] > 128).mean()
    assert 0.45 < covered < 0.65
