"""The plot of gap and taper round the ring."""

import xml.etree.ElementTree as ET

import pytest

from lightgap.judge import Verdict
from lightgap.report import Report
from lightgap.show.plot import HEIGHT, WIDTH, Band, Line, Mark, Marker, Plot, Text, plot, svg
from lightgap.values import Below, Unknown
from made_ring import U_GAP_MM, deg, faulty_report, make_measurement, make_plan, make_report_of, mm

SVG = "{http://www.w3.org/2000/svg}"


def joint_of(drawing: Plot, number: int) -> tuple[Mark, ...]:
    return next(marks for found, _, marks in drawing.joints if found == number)


def markers(drawing: Plot, number: int) -> list[Marker]:
    return [mark for mark in joint_of(drawing, number) if isinstance(mark, Marker)]


def bars(drawing: Plot, number: int) -> list[Line]:
    lines = (mark for mark in joint_of(drawing, number) if isinstance(mark, Line))
    return [line for line in lines if line.role == "uncertainty"]


def spaced(**joint: object) -> Report:
    plan = make_plan(joint="spaced")
    return make_report_of(plan, make_measurement(plan, joints={5: joint}))


def test_each_joint_has_three_gaps_and_a_taper_from_left_to_right() -> None:
    drawing = plot(faulty_report())
    assert [number for number, _, _ in drawing.joints] == list(range(1, 13))
    inside, middle, outside, taper = markers(drawing, 8)
    assert inside.place[0] < middle.place[0] < outside.place[0]
    assert inside.place[1] > middle.place[1] > outside.place[1]  # wider is higher
    assert taper.place[0] == middle.place[0]
    assert taper.place[1] > inside.place[1]  # in its own plot, below


def test_a_bar_shows_the_uncertainty_to_the_scale_of_the_axis() -> None:
    drawing = plot(spaced(gap_inside_mm=mm(3.1, 0.1)))
    ticks = [mark for mark in drawing.ground if isinstance(mark, Text) and mark.anchor == "end"]
    upper = [(float(tick.text), tick.place[1]) for tick in ticks if tick.place[1] < HEIGHT / 2]
    per_mm = (upper[0][1] - upper[-1][1]) / (upper[-1][0] - upper[0][0])
    first, second = bars(drawing, 5)[:2]
    assert first.start[1] - first.end[1] == pytest.approx(0.2 * per_mm, rel=1e-3)
    assert second.start[1] - second.end[1] == pytest.approx(2.0 * U_GAP_MM * per_mm, rel=1e-3)


def test_the_band_is_the_tolerance() -> None:
    closed = [mark for mark in plot(faulty_report()).ground if isinstance(mark, Band)]
    assert len(closed) == 2  # gap and taper
    drawing = plot(spaced(gap_middle_mm=mm(3.2)))
    band = next(mark for mark in drawing.ground if isinstance(mark, Band))
    assert markers(drawing, 5)[1].place[1] == pytest.approx(band.corner[1])


def test_a_tapered_ring_has_a_band_for_each_station() -> None:
    plan = make_plan(joint="tapered", gap_mm=5.0, gap_deg=2.0, segments=8)
    drawing = plot(make_report_of(plan, make_measurement(plan)))
    assert len([mark for mark in drawing.ground if isinstance(mark, Band)]) == 3 * 8 + 1


def test_a_value_carries_its_own_verdict() -> None:
    drawing = plot(spaced(gap_inside_mm=mm(3.21), gap_middle_mm=mm(3.5), taper_deg=deg(0.0)))
    verdicts = [marker.verdict for marker in markers(drawing, 5)]
    assert verdicts == [Verdict.CLOSE, Verdict.OUT, Verdict.IN, Verdict.IN]


def test_a_bound_reaches_down_to_nothing_and_a_missing_value_is_not_overlooked() -> None:
    plan = make_plan()
    joint = {"gap_inside_mm": Below(0.1), "gap_middle_mm": Unknown("a chip lies there")}
    drawing = plot(make_report_of(plan, make_measurement(plan, joints={5: joint})))
    nominal = next(mark for mark in drawing.ground if isinstance(mark, Line) and mark.role == "nominal")
    assert bars(drawing, 5)[0].start[1] == nominal.start[1]
    assert markers(drawing, 5)[1].verdict is Verdict.UNMEASURED


def test_inches_change_the_axis_not_the_picture() -> None:
    in_mm, in_inches = (plot(faulty_report(), units) for units in ("mm", "inch"))
    for first, second in zip(markers(in_mm, 8), markers(in_inches, 8), strict=True):
        assert first.place == pytest.approx(second.place)
    assert any("Gap, in" in mark.text for mark in in_inches.ground if isinstance(mark, Text))


@pytest.mark.parametrize("segments", [8, 48])
def test_nothing_leaves_the_drawing(segments: int) -> None:
    drawing = plot(faulty_report(segments=segments))
    for mark in (*drawing.ground, *(mark for _, _, marks in drawing.joints for mark in marks)):
        places = {
            Line: lambda m: (m.start, m.end),
            Band: lambda m: (m.corner, m.opposite),
            Marker: lambda m: (m.place,),
            Text: lambda m: (m.place,),
        }[type(mark)](mark)
        assert all(0.0 <= x <= WIDTH and 0.0 <= y <= HEIGHT for x, y in places)


def test_the_svg_is_well_formed_and_names_itself_for_a_screen_reader() -> None:
    root = ET.fromstring(svg(plot(faulty_report()), "check-7"))
    assert (root.tag, root.get("role")) == (f"{SVG}svg", "img")
    names = [root.find(f"{SVG}title"), root.find(f"{SVG}desc")]
    assert root.get("aria-labelledby") == " ".join(str(name.get("id")) for name in names if name is not None)
    assert names[1] is not None
    assert "Segment 7: end face 0.52 ± 0.06° off" in str(names[1].text)


def test_each_joint_is_a_group_that_says_what_is_wrong_with_it() -> None:
    root = ET.fromstring(svg(plot(faulty_report())))
    groups = {group.get("data-joint"): group.findtext(f"{SVG}title") for group in root.findall(f"{SVG}g")}
    assert groups["8"] == "joint 8 open 0.360 ± 0.030 mm at the outside"
    assert groups["1"] == "joint 1 in tolerance"


def test_it_takes_its_ink_from_the_page_and_needs_nothing_from_outside() -> None:
    text = svg(plot(faulty_report()))
    assert 'fill="currentColor"' in text
    assert all(name not in text for name in ("<style", "href", "url(", "#000", "black", "white"))
