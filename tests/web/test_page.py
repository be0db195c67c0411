"""The page in a real browser: the whole way from photo to answer, by touch, by keyboard and by ear."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import drawn_ring
from lightgap_web.network import lan_addresses
from web.conftest import NEEDS_ADDRESS, running

pytestmark = pytest.mark.browser

WIDTHS = [390, 820, 1440]
SIZES = {"across_flats_mm": "220", "width_mm": "38", "thickness_mm": "20"}

Open = Callable[..., Any]


def fill_in(page: Any, name: str = "ring.jpg", photo: bytes | None = None) -> None:
    """Choose a photo and type the drawn ring's sizes."""
    data = photo if photo is not None else drawn_ring.photo_bytes()
    page.set_input_files("#file", {"name": name, "mimeType": "image/jpeg", "buffer": data})
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)


def said(page: Any, part: str) -> str:
    """The text of a part of the page, with plain spaces."""
    text: str = page.inner_text(part)
    return text.replace("\N{NO-BREAK SPACE}", " ")


def measure(page: Any, name: str = "ring.jpg") -> None:
    """Go the whole way to the answer."""
    fill_in(page, name)
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#verdict:visible, #failed:visible")


@pytest.fixture(scope="module")
def checked(browser: Any, served: str) -> str:
    """The address of an answer that the tests only look at."""
    page = browser.new_page()
    page.goto(served)
    measure(page)
    path: str = page.url.removeprefix(served)
    page.close()
    return path


@pytest.fixture
def answer(open_page: Open, checked: str) -> Any:
    """A page that shows the answer for the drawn ring, to be looked at."""
    page = open_page(checked)
    page.wait_for_selector("#verdict:visible")
    return page


@pytest.fixture
def own_answer(open_page: Open) -> Any:
    """The like, of a photo that may be measured again."""
    page = open_page()
    measure(page)
    return page


@pytest.mark.parametrize("width", WIDTHS)
def test_from_photo_to_answer(open_page: Open, width: int) -> None:
    page = open_page(width=width, height=900)
    measure(page)
    heading = said(page, "#verdict h1")
    assert heading.startswith("Segment 7: end face 0.52 ± 0.06° off, joint 8 open 0.36")
    assert page.inner_text("#verdict .word") == "Out of tolerance"
    assert page.get_attribute("#joint-8 .row-button", "aria-expanded") == "true"
    assert page.locator("#photo .joint").count() == 12
    # Nothing sticks out at the side: no page scrolls sideways.
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", ["/", "/guide", "/samples", "/phone"])
def test_no_page_is_wider_than_the_screen(open_page: Open, path: str, width: int) -> None:
    page = open_page(path, width=width)
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_joint_touched_in_the_table_is_shown_in_the_photo(answer: Any) -> None:
    before = answer.get_attribute("#photo", "viewBox")
    answer.click("#joint-3")
    assert answer.locator("#photo .joint.chosen .tag").get_attribute("aria-label").startswith("Joint 3,")
    answer.wait_for_function(
        "before => document.querySelector('#photo').getAttribute('viewBox') !== before", arg=before
    )
    assert answer.locator("tr.row.chosen").get_attribute("id") == "joint-3"
    assert answer.is_visible("#joint-3-more")
    assert not answer.is_visible("#joint-8-more")
    # Touched again, it is let go and the whole ring comes back.
    answer.click("#joint-3")
    assert answer.locator("#photo .joint.chosen").count() == 0


def test_a_joint_touched_in_the_photo_is_shown_in_the_table(answer: Any) -> None:
    answer.locator("#photo .tag[aria-label^='Joint 5,']").click()
    assert answer.locator("tr.row.chosen").get_attribute("id") == "joint-5"
    assert answer.is_visible("#joint-5-more")


def test_wood_touched_in_the_photo_is_its_segment(answer: Any) -> None:
    """The middle of segment 1 lies between joints 1 and 2, at 3 + 15 degrees clockwise from the top."""
    x, y = on_screen(answer, 700 + 353 * 0.309, 600 - 353 * 0.951)
    answer.mouse.click(x, y)
    assert answer.locator("tr.row.chosen").get_attribute("id") == "segment-1"
    assert answer.locator("#photo .segment.chosen").count() == 1
    assert answer.is_checked("[name=figures][value=segments]")


def on_screen(page: Any, x: float, y: float) -> tuple[float, float]:
    """Where a pixel of the photo stands on the screen."""
    place = page.evaluate(
        "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.querySelector('#photo')"
        ".getScreenCTM()); return [p.x, p.y]; }",
        [x, y],
    )
    return place[0], place[1]


def in_photo(page: Any, x: float, y: float) -> tuple[float, float]:
    """Which pixel of the photo stands at a place on the screen."""
    place = page.evaluate(
        "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.querySelector('#photo')"
        ".getScreenCTM().inverse()); return [p.x, p.y]; }",
        [x, y],
    )
    return place[0], place[1]


def view(page: Any) -> list[float]:
    """The part of the photo that is shown: x, y, width, height."""
    return [float(part) for part in page.get_attribute("#photo", "viewBox").split()]


def test_the_wheel_zooms_about_the_pointer(answer: Any) -> None:
    before = view(answer)
    x, y = (round(part) for part in on_screen(answer, 900, 500))
    under = in_photo(answer, x, y)
    answer.mouse.move(x, y)
    answer.mouse.wheel(0, -600)
    answer.wait_for_function(
        "w => document.querySelector('#photo').viewBox.baseVal.width < w", arg=before[2] * 0.8
    )
    assert in_photo(answer, x, y) == pytest.approx(under, abs=0.3)


def test_two_fingers_zoom_and_one_moves(open_page: Open, checked: str) -> None:
    page = open_page(checked, width=390, height=844, has_touch=True)
    page.wait_for_selector("#verdict:visible")
    before = view(page)
    box = page.locator("#photo").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    session = page.context.new_cdp_session(page)

    def touch(kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", (middle[0] - 30, middle[1]), (middle[0] + 30, middle[1]))
    touch("touchMove", (middle[0] - 90, middle[1]), (middle[0] + 90, middle[1]))
    touch("touchEnd")
    zoomed = view(page)
    assert zoomed[2] == pytest.approx(before[2] / 3, rel=0.15)
    touch("touchStart", middle)
    touch("touchMove", (middle[0] - 60, middle[1]))
    touch("touchEnd")
    assert view(page)[0] > zoomed[0] + 10
    assert view(page)[2] == pytest.approx(zoomed[2])


def test_keys_zoom_move_and_go_back(answer: Any) -> None:
    answer.focus("#photo")
    home = view(answer)
    answer.keyboard.press("+")
    assert view(answer)[2] < home[2]
    inner = view(answer)
    answer.keyboard.press("ArrowRight")
    assert view(answer)[0] > inner[0]
    answer.keyboard.press("0")
    answer.wait_for_function(
        "w => Math.abs(document.querySelector('#photo').viewBox.baseVal.width - w) < 0.01", arg=home[2]
    )
    answer.keyboard.press("h")
    assert answer.locator("#photo .overlay").evaluate("e => getComputedStyle(e).visibility") == "hidden"


def test_the_whole_way_by_keyboard_alone(open_page: Open) -> None:
    page = open_page()
    page.set_input_files(
        "#file", {"name": "ring.jpg", "mimeType": "image/jpeg", "buffer": drawn_ring.photo_bytes()}
    )

    def tab_to(selector: str) -> None:
        for _ in range(90):
            if page.evaluate("s => document.activeElement?.matches(s)", selector):
                return
            page.keyboard.press("Tab")
        raise AssertionError(f"the Tab key does not reach {selector}")

    for key, value in SIZES.items():
        tab_to(f"#{key}")
        page.keyboard.type(value)
    tab_to("#send")
    page.keyboard.press("Enter")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#verdict:visible")
    assert page.evaluate("document.activeElement.id") == "verdict"
    tab_to("#photo .tag")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith("Joint 8,")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith("Joint 9,")
    page.keyboard.press("Enter")
    assert page.locator("tr.row.chosen").get_attribute("id") == "joint-9"
    tab_to("#joint-3 .row-button")
    page.keyboard.press("Enter")
    assert page.locator("tr.row.chosen").get_attribute("id") == "joint-3"


def test_inches_everywhere_at_once(answer: Any) -> None:
    answer.locator("#units [value=inch]").check(force=True)
    assert "0.0142 ± 0.0012 in (1/64)" in said(answer, "#verdict h1")
    assert "in" in answer.inner_text("#joint-8-more")
    for part in ("#verdict", "#figures"):
        assert " mm" not in said(answer, part)
    answer.reload()
    answer.wait_for_selector("#verdict:visible")
    assert "in (1/64)" in said(answer, "#verdict h1")


def test_sizes_may_be_typed_in_inches_and_fractions(open_page: Open) -> None:
    page = open_page()
    fill_in(page)
    page.locator("#units [value=inch]").check(force=True)
    assert page.input_value("#across_flats_mm") == "8.6614"
    page.fill("#width_mm", '1 1/2"')
    page.fill("#thickness_mm", "20 mm")
    page.wait_for_function(
        "() => document.querySelector('figcaption strong')?.textContent.includes('1.500 in wide, 0.787 in')"
    )
    page.locator("#units [value=mm]").check(force=True)
    assert [page.input_value(f"#{key}") for key in SIZES] == ["220", "38.1", "20"]


def test_an_impossible_number_is_said_beside_its_field(open_page: Open) -> None:
    page = open_page()
    fill_in(page)
    page.fill("#width_mm", "130")
    page.wait_for_function("() => document.querySelector('#width_mm-wrong').textContent !== ''")
    assert "not less than the ring's radius of 110 mm" in page.inner_text("#width_mm-wrong")
    assert page.get_attribute("#width_mm", "aria-invalid") == "true"
    page.fill("#width_mm", "wide")
    page.wait_for_function(
        "() => document.querySelector('#width_mm-wrong').textContent.includes('not a number')"
    )
    page.click("#send")
    assert page.evaluate("document.activeElement.id") == "width_mm"
    assert page.url.endswith("/")
    page.fill("#width_mm", "38")
    page.wait_for_function("() => document.querySelector('#width_mm-wrong').textContent === ''")


def test_what_is_missing_is_asked_for(open_page: Open) -> None:
    page = open_page()
    page.click("#send")
    assert page.inner_text("#across_flats_mm-wrong") != ""
    assert page.evaluate("document.activeElement.id") == "across_flats_mm"
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    page.click("#send")
    assert "no photo" in page.inner_text("#problem")


def test_the_last_ring_is_remembered(open_page: Open) -> None:
    page = open_page()
    page.locator("[name=joint][value=spaced]").check(force=True)
    page.fill("#gap_mm", "3")
    page.locator("[name=reference][value=sheet]").check()
    page.select_option("#sheet-size", "A3")
    measure(page)
    page.goto(page.url.split("/checks")[0])
    assert page.is_checked("[name=joint][value=spaced]")
    assert [page.input_value(f"#{key}") for key in ("gap_mm", *SIZES)] == ["3", "220", "38", "20"]
    assert page.input_value("#sheet-size") == "A3"
    assert page.locator("#shelf li").count() >= 1


def test_the_drawing_follows_the_numbers(open_page: Open) -> None:
    page = open_page()
    fill_in(page)
    page.wait_for_function("() => document.querySelectorAll('#ring-view .wood').length === 13")
    page.click("[data-step='1']")
    page.wait_for_function("() => document.querySelectorAll('#ring-view .wood').length === 14")
    page.focus("#width_mm")
    assert page.locator("#ring-view .dimension.lit").get_attribute("data-key") == "width_mm"


def test_a_photo_can_be_dropped(open_page: Open) -> None:
    page = open_page()
    data = list(drawn_ring.photo_bytes())
    page.evaluate(
        """data => {
          const files = new DataTransfer();
          files.items.add(new File([new Uint8Array(data)], "dropped.jpg", {type: "image/jpeg"}));
          const drop = {dataTransfer: files, bubbles: true, cancelable: true};
          document.body.dispatchEvent(new DragEvent("drop", drop));
        }""",
        data,
    )
    assert page.inner_text("#chosen span") == "dropped.jpg"


def test_a_failed_check_offers_the_next_step(open_page: Open) -> None:
    page = open_page()
    measure(page, "empty.jpg")
    assert page.inner_text("#failed h1") == "No ring was found in this photo."
    assert "whole ring" in page.inner_text("#failed p")
    page.click("[data-hand-outline]")
    for x, y in ((260, 600), (700, 160), (1140, 600)):
        page.mouse.click(*on_screen(page, x, y))
    assert page.locator("#photo .handle").count() == 3
    page.click("#hand-measure")
    page.wait_for_selector("#verdict:visible")
    assert not page.is_visible("#failed")
    assert page.locator("#photo .joint").count() == 12


def test_a_smeared_photo_leads_to_another(open_page: Open) -> None:
    page = open_page()
    measure(page, "smeared.jpg")
    assert page.is_visible("#another.first")
    assert not page.is_visible("#change")
    assert not page.is_visible("[data-hand-outline]")


def test_the_numbers_can_be_changed_without_the_photo(open_page: Open) -> None:
    page = open_page()
    measure(page, "empty.jpg")
    page.click("#change")
    page.wait_for_function("() => document.querySelector('#across_flats_mm')?.value === '220'")
    page.wait_for_selector("#chosen img:visible")
    page.fill("#width_mm", "37")
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#failed:visible")
    check = page.request.get(f"{page.url.replace('/checks', '/api/checks')}").json()
    assert check["plan"]["width_mm"] == 37


def test_lines_are_dragged_by_hand(own_answer: Any) -> None:
    answer = own_answer
    answer.click("#joint-8")
    answer.click("#joint-8")
    answer.click("#help")
    answer.wait_for_timeout(400)
    assert answer.locator("#photo .handle").count() == 4
    before = answer.evaluate("document.querySelector('[data-name=a1]').getAttribute('transform')")
    knob = answer.locator("[data-name=a1] .knob").bounding_box()
    x, y = knob["x"] + knob["width"] / 2, knob["y"] + knob["height"] / 2
    answer.mouse.move(x, y)
    answer.mouse.down()
    answer.mouse.move(x + 15, y + 5, steps=4)
    answer.mouse.up()
    assert answer.evaluate("document.querySelector('[data-name=a1]').getAttribute('transform')") != before
    assert "The lines of joint 8 are set." in answer.inner_text("#hand-list")
    answer.click("#hand-measure")
    answer.wait_for_function("() => document.querySelector('#joint-8-more').textContent.includes('by hand')")


def test_lines_are_nudged_by_keys(answer: Any) -> None:
    answer.click("#help")
    answer.wait_for_timeout(400)
    answer.focus("[data-name=b0]")

    def place() -> list[float]:
        found = re.findall(r"[-\d.]+", answer.get_attribute("[data-name=b0]", "transform"))
        return [float(part) for part in found[:2]]

    start = place()
    answer.keyboard.press("ArrowRight")
    answer.keyboard.press("Shift+ArrowDown")
    assert place() == pytest.approx([start[0] + 1, start[1] + 10])
    # The view stays: the keys moved the line, not the photo.
    assert answer.evaluate("document.activeElement.dataset.name") == "b0"
    answer.click("#hand-reset")
    assert place() == pytest.approx(start)


def test_joints_are_marked_struck_and_added_by_hand(own_answer: Any) -> None:
    answer = own_answer
    answer.click("#joint-3")
    answer.click("#help")
    answer.click("#hand-first")
    answer.click("#joint-5")
    answer.click("#hand-strike")
    answer.click("#hand-add")
    answer.click("#hand-place")
    given = answer.inner_text("#hand-list")
    # Until it is measured again, joints are called by the numbers that stand in the photo.
    assert "Joint 1 is marked." in given
    assert "Joint 5 is struck out." in given
    assert "A joint is added." in given
    # Taken back, the joints count from 12 o'clock again, and what was said of one follows.
    answer.locator("#hand-list li", has_text="Joint 1 is marked").get_by_role("button").click()
    assert "Joint 5 is struck out." in answer.inner_text("#hand-list")
    answer.click("#joint-3")
    answer.click("#hand-first")
    with answer.expect_request(lambda request: request.method == "PUT") as sent:
        answer.click("#hand-measure")
    help_given = json.loads(sent.value.post_data)["by_hand"]
    # Joint 5 is number 3 once joint 3 is number 1.
    assert help_given["struck"] == [3]
    assert len(help_given["added_px"]) == 1
    answer.wait_for_selector("#verdict:visible")


def test_progress_is_told_once_for_each_step(open_page: Open) -> None:
    page = open_page()
    fill_in(page, "slow.jpg")
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_function("() => document.querySelector('#step').textContent.startsWith('Step')")
    assert page.get_attribute("#step", "role") == "status"
    assert 0 < page.evaluate("document.querySelector('#progress progress').value") < 1
    # The photo can be looked at while it is measured.
    page.wait_for_selector("#photo:visible")
    page.wait_for_selector("#verdict:visible")
    assert not page.is_visible("#progress")


def test_a_lost_connection_loses_nothing(open_page: Open) -> None:
    page = open_page()
    fill_in(page)
    page.route("**/api/checks", lambda route: route.abort())
    page.context.set_offline(True)
    page.click("#send")
    page.wait_for_function("() => document.querySelector('#send-note').textContent.includes('kept here')")
    assert "connection" in page.inner_text("#send-note")
    # It goes by itself as soon as the server is reached again.
    page.unroute("**/api/checks")
    page.context.set_offline(False)
    page.wait_for_url("**/checks/*")


def listed(page: Any) -> list[dict[str, Any]]:
    """The server's list of checks."""
    checks: list[dict[str, Any]] = page.request.get(page.url + "api/checks").json()
    return checks


def test_a_photo_outlives_its_page(open_page: Open) -> None:
    page = open_page()
    fill_in(page, "left behind.jpg")

    def lost(route: Any) -> None:
        route.abort() if route.request.method == "POST" else route.continue_()

    page.route("**/api/checks", lost)
    page.click("#send")
    page.wait_for_function("() => document.querySelector('#send-note').textContent.includes('kept here')")
    page.reload()
    page.wait_for_function("() => document.querySelector('#send-note').textContent.includes('kept here')")
    page.unroute("**/api/checks")
    page.wait_for_function("() => document.querySelector('#send-note').textContent === ''")
    assert [check["name"] for check in listed(page)].count("left behind.jpg") == 1


def test_several_photos_in_a_row(open_page: Open) -> None:
    page = open_page()
    fill_in(page)
    names = ["one.jpg", "two.jpg", "three-empty.jpg"]
    data = drawn_ring.photo_bytes()
    page.set_input_files(
        "#file", [{"name": name, "mimeType": "image/jpeg", "buffer": data} for name in names]
    )
    assert page.inner_text("#chosen span").startswith("3 photos: one.jpg, two.jpg")
    page.click("#send")
    page.wait_for_selector("#drop:visible")
    # The note is empty too before the first has set off: the server's own list tells that all have come.
    for _ in range(200):
        came = [check["name"] for check in listed(page)[:3]]
        if came[:1] == names[-1:]:
            break
        page.wait_for_timeout(100)
    assert came == names[::-1]
    # Their answers come to the shelf by themselves.
    page.wait_for_function(
        "() => { const [last, , first] = [...document.querySelectorAll('#shelf a')].map(e => e.textContent);"
        " return last?.includes('No ring was found') && first?.includes('Segment 7'); }"
    )


def test_a_photo_that_is_refused_is_not_tried_for_ever(open_page: Open) -> None:
    page = open_page()
    fill_in(page, "words.jpg", b"no picture")
    page.click("#send")
    page.wait_for_selector("#problem:visible")
    assert "not a picture" in page.inner_text("#problem")
    page.wait_for_function("() => !document.querySelector('#send').disabled")
    page.reload()
    page.wait_for_timeout(300)
    assert page.inner_text("#send-note") == ""


def test_the_budget_of_each_value_can_be_opened(answer: Any) -> None:
    answer.locator("#joint-8-more .budget summary").click()
    text = answer.inner_text("#joint-8-more .budget")
    assert "edge fit" in text
    assert "tone curve" in text


def serious(page: Any, *schemes: str) -> list[str]:
    """What axe-core finds serious or critical on the page as it stands, in the colours given."""
    from axe_playwright_python.sync_playwright import Axe

    found = []
    for scheme in schemes:
        page.emulate_media(color_scheme=scheme)
        page.wait_for_timeout(50)
        for one in Axe().run(page).response["violations"]:
            if one["impact"] in ("serious", "critical"):
                found.append(f"{scheme}: {one['id']}: {[node['html'][:150] for node in one['nodes'][:3]]}")
    return found


@pytest.mark.parametrize("path", ["/", "/guide", "/samples", "/phone"])
def test_axe_finds_nothing_serious(open_page: Open, path: str) -> None:
    page = open_page(path)
    page.wait_for_timeout(300)
    assert serious(page, "light", "dark") == []


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1440, "light")])
def test_axe_finds_nothing_serious_in_an_answer(
    open_page: Open, checked: str, width: int, scheme: str
) -> None:
    page = open_page(checked, width=width)
    page.wait_for_selector("#verdict:visible")
    assert serious(page, scheme) == []
    for figures in ("segments", "ring", "plot"):
        page.locator(f"[name=figures][value={figures}]").check(force=True)
        assert serious(page, scheme) == []
    page.click("#help")
    assert serious(page, scheme) == []


def test_axe_finds_nothing_serious_in_a_failure(open_page: Open) -> None:
    page = open_page()
    measure(page, "empty.jpg")
    assert serious(page, "light", "dark") == []
    page.click("[data-hand-outline]")
    assert serious(page, "light") == []


def test_nothing_is_fetched_from_elsewhere(open_page: Open, served: str) -> None:
    page = open_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    measure(page)
    page.goto(f"{served}/guide")
    assert asked
    assert all(url.startswith((served, "blob:")) for url in asked)


def test_a_server_that_ends_is_said(open_page: Open, tmp_path: Path) -> None:
    server = running(tmp_path, check=drawn_ring.check)
    with server as root:
        page = open_page(root=root)
        fill_in(page)
    page.click("#send")
    page.wait_for_function("() => document.querySelector('#send-note').textContent.includes('kept here')")
    assert "still running" in page.inner_text("#send-note")


def test_a_sample_by_the_real_engine(open_page: Open, tmp_path: Path) -> None:
    """Ring 2 of the fruit bowl: its maker's faults are named first (samples' truth)."""
    with running(tmp_path, demo=True) as root:
        page = open_page("/samples", root=root)
        page.get_by_role("button", name="Fruit bowl Orchard, ring 2").click()
        page.wait_for_url("**/checks/*")
        page.wait_for_selector("#verdict:visible", timeout=60_000)
        assert page.inner_text("#verdict .word") == "Out of tolerance"
        assert "joint 9 open" in said(page, "#verdict h1").lower()
        assert page.locator("#photo .joint .face").count() == 24
        assert page.locator("#advice li").count() >= 1
        # The photo is shown as it is: the image fills the pixels that the overlay is drawn in.
        image = page.locator("#photo image")
        size = [float(image.get_attribute(side)) for side in ("width", "height")]
        check = page.request.get(page.url.replace("/checks", "/api/checks")).json()
        assert size == check["report"]["photo"]["size_px"]


def test_the_phone_page_shows_a_code_and_what_comes(open_page: Open, tmp_path: Path) -> None:
    with running(tmp_path, lan=("127.0.0.2",), check=drawn_ring.check) as root:
        page = open_page("/phone", root=root)
        page.wait_for_selector("#code:visible")
        first = page.inner_text("#link")
        assert first.startswith("http://127.0.0.2:")
        page.click("#fresh")
        page.wait_for_function("first => document.querySelector('#link').textContent !== first", arg=first)
        assert page.inner_text("#hello").endswith("/hello")
        # The code is a picture of the link: its size is a QR code's, its content the server's own test.
        assert page.evaluate("() => document.querySelector('#code').naturalWidth") > 100


@NEEDS_ADDRESS
def test_a_phone_is_paired_and_its_answer_appears_on_both(open_page: Open, tmp_path: Path) -> None:
    """Over the machine's own network address: a plain-http origin, as a phone meets it."""
    addresses = lan_addresses()
    with running(tmp_path, lan=addresses[:1], check=drawn_ring.check) as root:
        computer = open_page("/phone", root=root)
        computer.wait_for_function("() => document.querySelector('#link').textContent !== ''")
        link = computer.inner_text("#link")
        outside = link.split("/pair/")[0]
        phone = open_page("/", root=outside, width=390, height=844, has_touch=True)
        assert "not paired" in phone.inner_text("h1")
        phone.goto(link)
        phone.get_by_role("button", name="Pair this phone").click()
        phone.wait_for_url(f"{outside}/")
        assert not phone.evaluate("() => isSecureContext")
        computer.wait_for_function(
            "() => document.querySelector('#paired').textContent === 'One phone is paired.'"
        )
        # The code was used up, so another stands there.
        computer.wait_for_function("link => document.querySelector('#link').textContent !== link", arg=link)
        measure(phone)
        assert "joint 8 open" in said(phone, "#verdict h1")
        computer.wait_for_function(
            "() => document.querySelector('#shelf a')?.textContent.includes('joint 8 open')"
        )
        assert computer.locator("#shelf li").count() == 1
