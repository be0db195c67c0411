"""The log in a real browser: from the first kept check to the build found again in another log."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import drawn_ring
import sample_ring
from lightgap.samples import read_samples
from web.conftest import running

pytestmark = pytest.mark.browser

WIDTHS = [390, 820, 1440]
SIZES = {"across_flats_mm": "220", "width_mm": "38", "thickness_mm": "20"}

Open = Callable[..., Any]


def measure(page: Any, name: str) -> None:
    """From the start page, where the page stands already, to the answer."""
    photo = {"name": name, "mimeType": "image/jpeg", "buffer": drawn_ring.photo_bytes()}
    page.set_input_files("#file", photo)
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#log-form:visible")
    page.wait_for_function("() => document.querySelector('#log-build').options.length > 0")


def measure_sample(page: Any, name: str, photo: bytes | None = None) -> None:
    """The like with a sample photograph, or another of its ring, and the numbers that its maker enters."""
    sample = next(one for one in read_samples() if one.name == name)
    sent = sample_ring.photo_of(name) if photo is None else photo
    page.set_input_files("#file", {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": sent})
    how, _, size = sample.reference.partition(":")
    page.check(f"[name=reference][value={how}]")
    if size:
        page.fill("#measured-size", size)
    page.check(f"[name=joint][value={sample.plan.joint}]", force=True)
    for key in ("segments", "across_flats_mm", "width_mm", "thickness_mm", "gap_mm"):
        if page.is_visible(f"#{key}"):
            page.fill(f"#{key}", f"{getattr(sample.plan, key):g}")
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#log-form:visible", timeout=60_000)
    page.wait_for_function("() => document.querySelector('#log-build').options.length > 0")


def verdict_of(page: Any, ring: str) -> str:
    """What the page of a build says of one of its rings."""
    said: str = page.locator(f".rings li:has-text('{ring}') .line").first.inner_text()
    return said.strip()


def keep(page: Any, build: str | None = None, ring: str | None = None) -> None:
    """Keep the answer on the page: in a new build if one is named, as a new ring if one is named."""
    if build is not None:
        page.select_option("#log-build", "new")
        page.fill("#log-new-build", build)
    if ring is not None:
        page.fill("#log-ring-name", ring)
    page.click("#log-form button.first")
    page.wait_for_selector("#log-kept:visible")


def serious(page: Any) -> list[str]:
    """What axe-core finds serious or critical on the page as it stands, in light and in dark."""
    from axe_playwright_python.sync_playwright import Axe

    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        page.wait_for_timeout(50)
        for one in Axe().run(page).response["violations"]:
            if one["impact"] in ("serious", "critical"):
                found.append(f"{scheme}: {one['id']}: {[node['html'][:150] for node in one['nodes'][:3]]}")
    return found


def fits(page: Any, width: int) -> bool:
    """Nothing sticks out at the side."""
    return bool(page.evaluate("document.documentElement.scrollWidth") <= width)


def follow(page: Any, selector: str) -> None:
    """Touch what leads to another page, and wait until that is whole."""
    with page.expect_navigation():
        page.click(selector)


@pytest.fixture(scope="module")
def memory(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What the engine measures at the first width it remembers at the others."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(sample_ring.MEMORY, str(tmp_path_factory.mktemp("memory")))
        yield


@pytest.mark.parametrize("width", WIDTHS)
def test_the_whole_way(open_page: Open, memory: None, tmp_path: Path, width: int) -> None:
    del memory
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
    with running(tmp_path / "here", check=sample_ring.check) as root:
        page = open_page("/log", width=width, root=root)
        assert "Nothing is kept yet" in page.inner_text("main")
        assert serious(page) == []

        # A new build of three rings; the second one's joint 3 is open.
        follow(page, "#empty a.first")
        page.wait_for_url(f"{root}/")
        measure_sample(page, "oak12_closed")
        page.click("#log-keep summary")
        page.fill("#log-wood", "oak")
        page.fill("#log-glue", "hide glue")
        keep(page, "Jewel box", "foot")
        assert page.inner_text("#log-kept strong") == "Kept: Jewel box, foot."
        assert fits(page, width)
        assert serious(page) == []
        for name, ring, photo in (
            ("walnut12_closed_measured", "wall", sample_ring.glued_badly("walnut12_closed_measured")),
            ("walnut16_spaced", "rim", None),
        ):
            page.goto(root)
            measure_sample(page, name, photo)
            assert page.locator("#log-build option:checked").inner_text() == "Jewel box"
            assert page.locator("#log-ring option:checked").inner_text() == "A new ring on top"
            keep(page, ring=ring)
        follow(page, "#log-kept a")
        page.wait_for_selector("#table tr")
        assert fits(page, width)
        assert serious(page) == []

        # Its stack, each ring by its verdict; the ring that is out is glued anew and checked again.
        follow(page, ".crumbs a:has-text('Jewel box')")
        page.wait_for_selector(".stack svg")
        assert page.locator(".stack .storey").count() == 3
        assert verdict_of(page, "wall") == "Out of tolerance"
        assert fits(page, width)
        assert serious(page) == []
        follow(page, ".stack a[href='/log/rings/2']")
        follow(page, "text=Check this ring again")
        page.wait_for_url(f"{root}/")
        page.wait_for_function("() => document.querySelector('#across_flats_mm').value === '200'")
        measure_sample(page, "walnut12_closed_measured")
        assert page.locator("#log-ring option:checked").inner_text() == "2. wall"
        keep(page)
        page.goto(f"{root}/log/rings/2")
        page.wait_for_selector("#match")
        assert "The wood is the same" in page.inner_text("#match")
        # It lay turned by half a round before: what was joint 3 is joint 9 now.
        row = page.locator("[data-quantity=outside] tbody tr").nth(2)
        assert "(after: 9)" in row.inner_text()
        assert "out of tolerance" in row.locator("td").nth(0).inner_text()
        assert "in tolerance" in row.locator("td").nth(1).inner_text()
        # By half a millimetre, or by at least as much where the joint is now too narrow to be measured.
        assert re.match(r"[-\N{MINUS SIGN}]0\.[45]", row.locator("td").nth(2).inner_text())
        assert fits(page, width)
        assert serious(page) == []

        # On paper, and out as one file.
        page.goto(f"{root}/log/builds/1")
        assert verdict_of(page, "wall") == "In tolerance"
        paper = page.request.get(f"{root}{page.get_attribute('text=PDF, A4', 'href')}")
        assert paper.body().startswith(b"%PDF")
        page.emulate_media(media="print")
        assert not page.locator(".top").is_visible()
        assert page.locator(".stack svg").is_visible()
        page.emulate_media(media="screen")
        with page.expect_download() as sent:
            page.click("text=Export with photos")
        sent.value.save_as(tmp_path / "box.zip")

    with running(tmp_path / "there", check=sample_ring.check) as root:
        page = open_page("/log", width=width, root=root)
        page.click("#import summary")
        page.set_input_files("#zip", tmp_path / "box.zip")
        follow(page, "#import button")
        page.wait_for_url("**/log/builds/1")
        assert page.inner_text("h1") == "Jewel box"
        follow(page, ".crumbs a")
        assert page.locator(".shelf.builds li").count() == 1
        page.wait_for_function("() => document.querySelector('.shelf.builds img').naturalWidth > 0")
        assert fits(page, width)
        assert serious(page) == []
        page.click("#filters summary")
        page.fill("#wood", "oak")
        page.select_option("#verdict", "out")
        page.fill("#text", "joint 3 open")
        follow(page, "#search button")
        page.wait_for_selector(".shelf.found li")
        assert page.locator(".shelf.found li").count() == 1
        assert "Jewel box, wall" in page.inner_text(".shelf.found li")
        assert serious(page) == []
        follow(page, ".shelf.found a")
        page.wait_for_selector("#table tr")
        assert page.inner_text("#verdict .word").strip() == "Out of tolerance"


@pytest.fixture(scope="module")
def kept_root(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A page whose log holds a bowl of two rings, the first one checked twice."""
    with running(tmp_path_factory.mktemp("kept"), check=drawn_ring.check, demo=True) as root:
        page = browser.new_page()
        page.goto(root)
        measure(page, "ring.jpg")
        keep(page, "Oak bowl", "foot")
        page.goto(root)
        measure(page, "good.jpg")
        page.select_option("#log-ring", "1")
        keep(page)
        page.goto(root)
        measure(page, "good.jpg")
        keep(page, ring="wall")
        page.close()
        yield root


def tab_to(page: Any, selector: str, most: int = 80) -> None:
    """Go by the tabulator until a part has the focus, as a person without a mouse does."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"{selector} cannot be reached by the keyboard")


def test_by_keyboard_alone(open_page: Open, kept_root: str) -> None:
    page = open_page("/log", root=kept_root)
    tab_to(page, ".shelf.builds a")
    page.keyboard.press("Enter")
    page.wait_for_url("**/log/builds/*")
    tab_to(page, ".stack a[href='/log/rings/1']")
    page.keyboard.press("Enter")
    page.wait_for_url("**/log/rings/1*")
    page.wait_for_selector("#match")
    before = page.evaluate("getComputedStyle(document.querySelector('.slider .after')).clipPath")
    tab_to(page, "#cut")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    assert page.input_value("#cut") == "55"
    assert page.evaluate("getComputedStyle(document.querySelector('.slider .after')).clipPath") != before
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")
    assert page.is_visible("[data-quantity=middle]")
    assert not page.is_visible("[data-quantity=outside]")
    tab_to(page, "#note-key")
    page.keyboard.type("clamp time")
    page.keyboard.press("Tab")
    page.keyboard.type("40 min")
    tab_to(page, ".note button.first")
    page.keyboard.press("Enter")
    page.wait_for_selector("#note-1")
    page.wait_for_load_state()
    tab_to(page, "[data-delete]")
    page.keyboard.press("Enter")
    page.wait_for_selector("#undo:visible")
    tab_to(page, "#undo button")
    page.keyboard.press("Enter")
    page.wait_for_url("**/log/rings/1*")
    assert page.input_value("[id^=note-1]") == "40 min"


def press(page: Any, selector: str, key: str = "Enter") -> None:
    """Go to a part by the tabulator and press it."""
    tab_to(page, selector)
    page.keyboard.press(key)


def typed(page: Any, selector: str, text: str) -> None:
    """Go to a field by the tabulator and write in it, in the place of what stands there."""
    tab_to(page, selector)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def test_the_whole_way_by_keyboard_alone(open_page: Open, tmp_path: Path) -> None:
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
    with running(tmp_path / "here", check=drawn_ring.check) as root:
        page = open_page("/log", root=root)
        press(page, "#empty a.first")
        page.wait_for_url(f"{root}/")
        page.wait_for_load_state()
        for turn, name in enumerate(("ring.jpg", "good.jpg")):
            photo = {"name": name, "mimeType": "image/jpeg", "buffer": drawn_ring.photo_bytes()}
            with page.expect_file_chooser() as chosen:
                press(page, "#file")
            chosen.value.set_files(photo)
            page.wait_for_selector("#chosen:visible")
            if turn == 0:
                for key, value in SIZES.items():
                    typed(page, f"#{key}", value)
            press(page, "#send")
            page.wait_for_url("**/checks/*")
            page.wait_for_selector("#log-form:visible")
            page.wait_for_function("() => document.querySelector('#log-build').options.length > 0")
            if turn == 0:
                typed(page, "#log-new-build", "Oak bowl")
            press(page, "#log-form button.first")
            page.wait_for_selector("#log-kept:visible")
            press(page, "#log-kept a")
            page.wait_for_url("**/log/checks/*")
            press(page, ".crumbs a[href^='/log/rings']")
            page.wait_for_url("**/log/rings/*")
            if turn == 0:
                press(page, "[data-into]")
                page.wait_for_function("() => document.querySelector('#across_flats_mm')?.value === '220'")
        page.wait_for_selector("table.changes")
        press(page, ".crumbs a[href^='/log/builds']")
        page.wait_for_url("**/log/builds/1")
        with page.expect_download() as sent:
            press(page, "a[href$='/export']")
        sent.value.save_as(tmp_path / "bowl.zip")
    with running(tmp_path / "there", check=drawn_ring.check) as root:
        page = open_page("/log", root=root)
        press(page, "#import summary")
        with page.expect_file_chooser() as chosen:
            press(page, "#zip")
        chosen.value.set_files(tmp_path / "bowl.zip")
        press(page, "#import button")
        page.wait_for_url("**/log/builds/1")
        press(page, ".crumbs a")
        page.wait_for_url("**/log")
        press(page, "#filters summary")
        tab_to(page, "#verdict")
        page.keyboard.type("In")
        page.keyboard.press("Tab")
        typed(page, "#text", "bowl")
        page.keyboard.press("Enter")
        page.wait_for_selector(".shelf.found li")
        assert page.locator(".shelf.found li").count() == 1
        press(page, ".shelf.found a")
        page.wait_for_url("**/log/checks/*")


def test_what_is_deleted_comes_back_by_one_touch(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/builds/1", root=kept_root)
    follow(page, "text=Delete this build")
    page.wait_for_url("**/log")
    assert page.inner_text("#undo p") == "Deleted: Oak bowl."
    assert serious(page) == []
    assert page.locator(".shelf.builds li").count() == 0
    follow(page, "#undo button")
    page.wait_for_url("**/log/builds/1")
    assert page.locator(".rings li").count() == 2


def test_rings_are_moved_and_renamed(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/builds/1", root=kept_root)
    assert "Wall" in page.locator(".rings li").first.inner_text()
    follow(page, "[aria-label='Move foot up']")
    page.wait_for_selector(".rings li:first-child:has-text('2. Foot')")
    follow(page, "[aria-label='Move foot down']")
    page.wait_for_selector(".rings li:first-child:has-text('2. Wall')")
    page.goto(f"{kept_root}/log/rings/2")
    page.fill("#name", "upper wall")
    follow(page, "text=Rename")
    page.wait_for_selector("h1:has-text('Upper wall')")


def test_a_ring_is_added_by_its_plan(open_page: Open, kept_root: str) -> None:
    page = open_page("/log", root=kept_root)
    page.click("#begin summary")
    page.fill("#name", "Vase")
    follow(page, "#begin button")
    page.wait_for_url(re.compile(r"/log/builds/\d+$"))
    assert "No ring yet" in page.inner_text("main")
    follow(page, "text=Add a ring")
    page.wait_for_url("**/rings/new")
    assert serious(page) == []
    page.click("button:has-text('Add this ring')")
    assert "needed" in page.inner_text("#ask")
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    page.click("button:has-text('Add this ring')")
    page.wait_for_selector(".rings li")
    assert "Not checked yet" in page.inner_text(".rings li")


def test_a_turned_ring_is_paired_by_touch(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/rings/1?before=1&after=2&turn=4", root=kept_root, width=390)
    assert page.locator("table.changes").count() == 0
    follow(page, "text=Turn it by one joint")
    page.wait_for_url("**turn=5**")
    follow(page, "button:has-text('The pairs are right')")
    page.wait_for_selector("table.changes")
    assert "(after: 6)" in page.inner_text("[data-quantity=outside] tbody tr:first-child")
    page.click("label:has-text('Side by side')")
    assert not page.is_visible("#cut")
    # It is kept, and taken back by one touch.
    page.goto(f"{kept_root}/log/rings/1?before=1&after=2")
    assert "You said that the pairs are right." in page.inner_text("#match")
    follow(page, "button:has-text('I was wrong')")
    assert page.locator("text=You said that the pairs are right.").count() == 0


def test_a_kept_photo_is_measured_again(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/checks/1", root=kept_root)
    before = page.locator("#results li").count()
    page.click("#again")
    page.wait_for_function(
        "before => document.querySelectorAll('#results li').length > before", arg=before, timeout=60_000
    )
    follow(page, "#results a.button")
    page.wait_for_url("**/log/checks/1?result=*")
    page.wait_for_selector("#table tr")


def test_the_kept_check_shows_table_plot_and_budget(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/checks/1", root=kept_root)
    page.wait_for_selector("#joint-8")
    page.click("#joint-8")
    page.locator("#joint-8-more .budget summary").click()
    assert "edge fit" in page.inner_text("#joint-8-more .budget")
    page.locator("[name=figures][value=plot]").check(force=True)
    assert page.locator("#table svg [data-joint]").count() == 12


def test_the_chosen_units_hold_in_the_log(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/checks/1", root=kept_root)
    page.locator("#units [value=inch]").check(force=True)
    page.wait_for_selector("#verdict h1:has-text(' in ')")
    page.goto(f"{kept_root}/log/builds/1")
    assert "in across" in page.text_content(".stack svg")


def test_in_print_the_page_is_bare(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/checks/1", root=kept_root)
    page.wait_for_function("() => document.querySelector('.on-paper').naturalWidth > 0")
    page.emulate_media(media="print")
    for part in (".top", ".buttons", "svg.photo", ".crumbs"):
        assert not page.locator(part).first.is_visible()
    assert page.locator(".on-paper").is_visible()


@pytest.mark.parametrize(
    "path",
    [
        "/log?verdict=out",
        "/log?wood=ebony",
        "/log/builds/1",
        "/log/builds/1/rings/new",
        "/log/rings/1?turn=0",
        "/log/rings/1/plan",
        "/log/checks/1",
    ],
)
def test_axe_finds_nothing_serious_with_all_parts_opened(open_page: Open, kept_root: str, path: str) -> None:
    page = open_page(path, root=kept_root)
    page.wait_for_timeout(500)
    page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    assert serious(page) == []


def test_axe_finds_nothing_serious_among_what_was_deleted(open_page: Open, kept_root: str) -> None:
    page = open_page("/log/deleted", root=kept_root)
    assert "Nothing is deleted" in page.inner_text("main")
    assert serious(page) == []
    page.goto(f"{kept_root}/log/rings/2")
    follow(page, "text=Delete this ring")
    page.wait_for_selector("#undo:visible")
    assert serious(page) == []
    page.goto(f"{kept_root}/log/deleted")
    assert page.locator(".lines li").count() == 1
    assert serious(page) == []
    follow(page, "text=Bring back")
    page.wait_for_url("**/log/rings/2")


def test_a_photo_that_failed_is_kept_with_its_failure(open_page: Open, tmp_path: Path) -> None:
    with running(tmp_path, check=drawn_ring.check) as root:
        page = open_page("/", root=root, width=390)
        measure(page, "empty.jpg")
        assert "No ring was found" in page.inner_text("#failed")
        assert "kept all the same" in page.inner_text("#log-form")
        assert serious(page) == []
        keep(page, "Oak bowl")
        follow(page, "#log-kept a")
        assert "No ring was found" in page.inner_text("#verdict")
        assert fits(page, 390)
        assert serious(page) == []


def test_a_photo_that_cannot_be_read_leads_to_another(open_page: Open, kept_root: str) -> None:
    page = open_page("/", root=kept_root, width=390)
    cut = {"name": "cut.jpg", "mimeType": "image/jpeg", "buffer": drawn_ring.photo_bytes()[:9000]}
    page.set_input_files("#file", cut)
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    page.click("#send")
    page.wait_for_selector("#failed:visible")
    assert page.is_visible("#another.first")
    assert not page.is_visible("#change")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(
    "path",
    [
        "/log",
        "/log/deleted",
        "/log/builds/1",
        "/log/rings/1?turn=0",
        "/log/checks/1",
        "/log/builds/1/rings/new",
    ],
)
def test_touch_targets_are_large_and_nothing_sticks_out(
    open_page: Open, kept_root: str, path: str, width: int
) -> None:
    page = open_page(path, root=kept_root, width=width)
    page.wait_for_timeout(300)
    assert fits(page, width)
    small = page.evaluate(
        "() => [...document.querySelectorAll('main :is(button, a.button, select, summary, input, textarea,"
        " .choice label, .tick, .crumbs a)')]"
        ".filter((one) => one.checkVisibility() && !['hidden', 'radio', 'checkbox'].includes(one.type))"
        ".filter((one) => one.offsetHeight < 44 || one.offsetWidth < 30)"
        ".map((one) => one.outerHTML.slice(0, 80))"
    )
    assert small == []
