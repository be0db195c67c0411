"""The cards' PDF: rendered by a general library, measured, and read back by the card finder."""

from __future__ import annotations

import io
from itertools import product

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from lightgap.errors import PlanError
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.card_corners import INNER_MM, see_cards
from lightgap.reference.cards import find_cards
from lightgap.show.card_pdf import PAPERS_MM, Paper, card_middle_mm, write_card_pdf

PAPERS: tuple[Paper, ...] = ("a4", "letter")
PX_PER_MM = 20.0


def pages_of(paper: Paper, count: int, px_per_mm: float) -> list[NDArray[np.uint8]]:
    """Render every page, white paper."""
    file = io.BytesIO()
    write_card_pdf(file, paper, count)
    document = pypdfium2.PdfDocument(file.getvalue())
    scale = px_per_mm * 25.4 / 72.0
    return [np.asarray(page.render(scale=scale).to_numpy()[..., :3]) for page in document]


def dark_runs(line: NDArray[np.uint8]) -> list[float]:
    """Lengths of the dark stretches of a line of pixels, to a fraction of a pixel by their shade."""
    dark = 1.0 - line.astype(float) / 255.0
    inside = np.concatenate([[False], dark > 0.0, [False]])
    starts, ends = np.flatnonzero(inside[1:] & ~inside[:-1]), np.flatnonzero(~inside[1:] & inside[:-1])
    return [float(dark[start:end].sum()) for start, end in zip(starts, ends, strict=True)]


@pytest.mark.parametrize("paper", PAPERS)
def test_page_has_the_papers_size(paper: Paper) -> None:
    file = io.BytesIO()
    write_card_pdf(file, paper)
    size_mm = np.array(pypdfium2.PdfDocument(file.getvalue())[0].get_size()) / 72.0 * 25.4
    np.testing.assert_allclose(size_mm, PAPERS_MM[paper], atol=0.001)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("place", [0, 1])
def test_bars_and_squares_measure_what_they_say(paper: Paper, place: int) -> None:
    page = pages_of(paper, 2, PX_PER_MM)[0][..., 1]
    x, y = card_middle_mm(paper, place)
    column = x * PX_PER_MM
    row = page.shape[0] - y * PX_PER_MM
    below, beside = round(row + 56.0 * PX_PER_MM), round(column + 56.0 * PX_PER_MM)
    lying = max(dark_runs(page[below, : round(column + 55.0 * PX_PER_MM)]))
    standing = max(dark_runs(page[round(row - 55.0 * PX_PER_MM) : round(row + 55.0 * PX_PER_MM), beside]))
    assert lying / PX_PER_MM == pytest.approx(100.0, rel=0.001)
    assert standing / PX_PER_MM == pytest.approx(100.0, rel=0.001)
    # A line through the top row of squares, and one through the left column, above the markers.
    left, right = round(column - 39.5 * PX_PER_MM), round(column + 39.5 * PX_PER_MM)
    inner = page[round(row - 21.0 * PX_PER_MM), left - 40 : right + 40]
    np.testing.assert_allclose(np.array(dark_runs(inner)) / PX_PER_MM, [20.0, 20.0], rtol=0.001)
    upright = page[
        round(row - 45.0 * PX_PER_MM) : round(row + 40.5 * PX_PER_MM), round(column - 21.0 * PX_PER_MM)
    ]
    np.testing.assert_allclose(np.array(dark_runs(upright)) / PX_PER_MM, [20.0, 20.0], rtol=0.001)


@pytest.mark.parametrize("paper", PAPERS)
def test_every_card_is_read_back_in_its_place(paper: Paper) -> None:
    px_per_mm = 8.0
    found = {}
    for index, page in enumerate(pages_of(paper, 12, px_per_mm)):
        # The page is stretched to whole pixels; its edge lies half a pixel before the first one's centre.
        scale = np.array(page.shape[1::-1]) / PAPERS_MM[paper]
        for card in see_cards(Photo(cv2.GaussianBlur(page, (0, 0), 0.7))):
            x, y = card_middle_mm(paper, card.number - 2 * index)
            expected = np.column_stack([INNER_MM[:, 0] + x, PAPERS_MM[paper][1] - y - INNER_MM[:, 1]])
            found[card.number] = np.abs(card.corners_px - (expected * scale - 0.5)).max()
            assert card.seen.all()
    assert sorted(found) == list(range(12))
    assert max(found.values()) < 0.1


def test_a_page_serves_as_reference_as_it_is() -> None:
    px_per_mm = 8.0
    page = pages_of("a4", 2, px_per_mm)[0]
    plan = Plan(segments=12, joint="closed", across_flats_mm=100.0, width_mm=20.0, thickness_mm=10.0)
    camera = find_cards(Photo(cv2.GaussianBlur(page, (0, 0), 0.7)), plan).camera
    assert camera.px_per_mm([0.0, 0.0], 0.1) == pytest.approx(px_per_mm, rel=0.0005)


def test_viewers_are_asked_not_to_scale() -> None:
    file = io.BytesIO()
    write_card_pdf(file)
    assert b"/PrintScaling /None" in file.getvalue()


def test_the_same_cards_make_the_same_file() -> None:
    first, second = io.BytesIO(), io.BytesIO()
    write_card_pdf(first, "letter", 3)
    write_card_pdf(second, "letter", 3)
    assert first.getvalue() == second.getvalue()


def test_each_page_tells_how_to_use_the_cards() -> None:
    file = io.BytesIO()
    write_card_pdf(file, "a4", 3)
    for page in pypdfium2.PdfDocument(file.getvalue()):
        text = page.get_textpage().get_text_range()
        assert "100 %" in text
        assert "--printed-bar" in text


@pytest.mark.parametrize(("count", "pages"), [(1, 1), (2, 1), (3, 2), (12, 6)])
def test_two_cards_to_a_page(count: int, pages: int) -> None:
    file = io.BytesIO()
    write_card_pdf(file, "a4", count)
    assert len(pypdfium2.PdfDocument(file.getvalue())) == pages


@pytest.mark.parametrize(("paper", "count"), [("a4", 0), ("a4", 13), ("a0", 4)])
def test_what_cannot_be_printed_is_refused(paper: Paper, count: int) -> None:
    with pytest.raises(PlanError):
        write_card_pdf(io.BytesIO(), paper, count)


@pytest.mark.parametrize("paper", PAPERS)
def test_everything_stands_on_the_page(paper: Paper) -> None:
    """Printers leave a border of about 5 mm blank."""
    page = pages_of(paper, 2, 4.0)[0].min(axis=-1)
    border = round(5.0 * 4.0)
    for axis, end in product((0, 1), (slice(None, border), slice(-border, None))):
        strip = page[end] if axis == 0 else page[:, end]
        assert strip.min() == 255
