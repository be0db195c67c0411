"""A check and a build on paper: read back with another library, page by page."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from lightgap.judge import Verdict
from lightgap.photo import Photo
from lightgap.report import Report
from lightgap.show.card_pdf import PAPERS_MM, Paper
from lightgap.show.elevation import Storey
from lightgap.show.figures import Units
from lightgap.show.paper_ink import writable
from lightgap.show.report_pdf import BuildSheet, CheckSheet, RingSheet, write_build_pdf, write_check_pdf
from lightgap.values import Unknown
from made_ring import PHOTO_SIZE, faulty_report, make_measurement, make_plan, make_report_of

POINTS_PER_MM = 72.0 / 25.4


def _photo() -> Photo:
    """A picture whose colour is found again on the page: plain teal."""
    width, height = PHOTO_SIZE
    return Photo(np.full((height, width, 3), (0, 128, 128), dtype=np.uint8))


def _sheet(report: Report | None, **changes: object) -> CheckSheet:
    sheet = CheckSheet(
        title="Bowl, ring 3",
        made="1 March 2026, 9:30",
        program="0.1.0",
        report=report,
        photo=_photo,
        notes={"glue": "hide glue, 45 min", "who": "Zoë"},
    )
    return replace(sheet, **changes)  # type: ignore[arg-type]


def _pages(data: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(data)
    texts = []
    for page in document:
        text = page.get_textpage()
        # The text of a page, its lines joined: where they are broken does not matter.
        texts.append(re.sub(r"\s+", " ", text.get_text_range()))
        text.close()
    document.close()
    return texts


def _check(report: Report | None, paper: Paper = "a4", units: Units = "mm", **changes: object) -> bytes:
    data = io.BytesIO()
    write_check_pdf(data, _sheet(report, **changes), paper, units)
    return data.getvalue()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_page_has_the_size_of_its_paper(paper: Paper) -> None:
    document = pypdfium2.PdfDocument(_check(faulty_report(), paper))
    sizes = [document.get_page_size(number) for number in range(len(document))]
    document.close()
    assert len(sizes) >= 2
    for size in sizes:
        assert size == pytest.approx([side * POINTS_PER_MM for side in PAPERS_MM[paper]], abs=0.01)


def test_the_first_page_says_what_is_wrong_and_shows_the_photo() -> None:
    data = _check(faulty_report())
    first = _pages(data)[0]
    assert "Bowl, ring 3" in first and "1 March 2026, 9:30. Measured by lightgap 0.1.0." in first
    assert "Out of tolerance" in first
    assert f"{faulty_report().headline}." in first
    assert "12 segments, closed joints, 220 mm across flats, 38 mm wide, 20 mm thick" in first
    assert "gap up to 0.15 mm, taper ±0.30°" in first
    assert "4 cards" in first
    document = pypdfium2.PdfDocument(data)
    picture = np.asarray(document[0].render(scale=1.0).to_pil().convert("RGB")).astype(int)
    document.close()
    teal = np.abs(picture - np.array([0, 128, 128])).max(axis=2) < 12
    assert teal.mean() > 0.15


def test_every_value_stands_in_the_tables_with_its_uncertainty() -> None:
    rest = " ".join(_pages(_check(faulty_report()))[1:])
    assert "8 0.020±0.030 0.190±0.030 x 0.360±0.030 x" in rest
    assert "joint 8 open 0.360 ± 0.030 mm at the outside" in rest
    for number in range(1, 13):
        assert len(re.findall(rf"(?<![\d.]){number} -?\d+\.\d+±", rest)) == 2
    assert "Across flats: 220.00 ± 0.30 mm" in rest
    assert "glue: hide glue, 45 min who: Zoë" in rest


def test_inches() -> None:
    text = " ".join(_pages(_check(faulty_report(), units="inch")))
    assert "8.661 in across flats" in text and "Joints (lengths in inches)" in text


def test_what_could_not_be_measured_is_said_with_its_reason() -> None:
    plan = make_plan()
    unseen = Unknown("a hand lies over it")
    measurement = make_measurement(
        plan,
        joints={2: {"gap_inside_mm": unseen, "gap_middle_mm": unseen, "gap_outside_mm": unseen}},
        segments={5: {"present": False}},
        ring={"out_of_round_mm": unseen},
    )
    text = " ".join(_pages(_check(make_report_of(plan, measurement))))
    assert "2 - - -" in text
    assert "5 missing" in text
    assert "Out of round: not measured (a hand lies over it)" in text


def test_a_photo_that_could_not_be_measured_prints_the_reason() -> None:
    refusal = "The ring is cut off. Take the photo from higher up."
    (text,) = _pages(_check(None, refusal=refusal))
    assert "Not measured" in text and refusal in text


def test_a_ring_of_48_goes_on_over_as_many_pages_as_it_needs() -> None:
    plan = make_plan(segments=48, across_flats_mm=400.0)
    pages = _pages(_check(make_report_of(plan, make_measurement(plan)), "letter"))
    heads = [page.count("gap inside gap middle gap outside") for page in pages]
    assert sum(heads) >= 2, "a table that goes on repeats its head"
    assert [f"page {number}" in page for number, page in enumerate(pages, 1)] == [True] * len(pages)


def test_a_build_begins_with_its_stack_and_goes_on_with_each_ring() -> None:
    faulty = faulty_report()
    plan = make_plan()
    good = make_report_of(plan, make_measurement(plan))
    rings = (
        RingSheet(
            Storey(1, "foot", plan, Verdict.IN),
            _sheet(good, title="Bowl, foot"),
            ("1 February 2026: out of tolerance. Joint 4 open 0.30 mm.",),
            {"wood": "oak"},
        ),
        RingSheet(Storey(2, "ring 2", plan, Verdict.OUT), _sheet(faulty, title="Bowl, ring 2")),
        RingSheet(Storey(3, "rim", plan, None), None),
    )
    data = io.BytesIO()
    write_build_pdf(data, BuildSheet("Bowl", rings, ("Mean of 12 gaps: 3.00 mm.",), {"resin mix": "2:1"}))
    pages = _pages(data.getvalue())
    cover = pages[0]
    assert "3 rings, 2 of them checked." in cover
    for said in ("rim not checked yet", "ring 2 out of tolerance", "foot in tolerance"):
        assert said in cover
    assert "220 mm across, 60 mm high" in cover
    assert faulty.headline in cover and good.headline not in cover
    assert "Mean of 12 gaps: 3.00 mm." in cover and "resin mix: 2:1" in cover and "wood: oak" in cover
    starts = [number for number, page in enumerate(pages) if "Measured by lightgap" in page]
    assert "Bowl, foot" in pages[starts[0]] and "Bowl, ring 2" in pages[starts[1]]
    earlier = next(number for number, page in enumerate(pages) if "Earlier checks of this ring" in page)
    assert starts[0] < earlier < starts[1]


def test_a_build_without_rings_still_prints() -> None:
    data = io.BytesIO()
    write_build_pdf(data, BuildSheet("Empty", ()))
    assert "0 rings" in _pages(data.getvalue())[0]


@pytest.mark.parametrize(
    "nasty",
    ["<b>bold", "a & b", "</para>", "\x00\x07", "木 ok", "a\nb", "\ud800", "<img src='x'/>", "x" * 400],
)
def test_whatever_a_person_writes_prints(nasty: str) -> None:
    text = " ".join(_pages(_check(faulty_report(), title=nasty, notes={nasty: nasty}, photo=None)))
    shown = re.sub(r"\s+", " ", writable(nasty)).strip()
    assert shown.replace(" ", "") in text.replace(" ", "").replace("\ufffe", "")


def test_the_same_check_gives_the_same_file() -> None:
    assert _check(faulty_report()) == _check(faulty_report())
