"""Several photos of one ring on the page: one answer, what each photo put in, and the log."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

import drawn_ring
from web.conftest import ask, wait

Open = Callable[..., Any]


def wood(seed: int = 1, mark: int = 0) -> bytes:
    """The drawn ring with wood grain of its own; the mark makes another file of it."""
    with Image.open(io.BytesIO(drawn_ring.photo_bytes("PNG"))) as image:
        codes = np.asarray(image).astype(int)
    shape = codes.shape[0] // 5, codes.shape[1] // 5
    grain = np.random.default_rng(seed).integers(-40, 40, shape)
    codes = np.clip(codes + np.kron(grain, np.ones((5, 5), int))[..., None], 0, 255).astype(np.uint8)
    codes[0, 0] = mark
    data = io.BytesIO()
    Image.fromarray(codes).save(data, "PNG")
    return data.getvalue()


def ask_together(client: TestClient, **photos: bytes) -> Any:
    """Post photos as one check, by their names without the ending."""
    files = [("photo", (f"{name}.png", data)) for name, data in photos.items()]
    return client.post("/api/checks", files=files, data={"plan": json.dumps(drawn_ring.PLAN)})


@pytest.fixture
def together(client: TestClient) -> dict[str, Any]:
    """A check of three photos: one without a ring in it, and two that agree."""
    asked = ask_together(client, empty=wood(1, 1), a=wood(1, 2), b=wood(1, 3))
    return wait(client, asked.json()["id"])


def parts(check: dict[str, Any]) -> list[str | None]:
    return [photo["part"] for photo in check["photos"]]


def test_photos_sent_together_give_one_answer(client: TestClient, together: dict[str, Any]) -> None:
    assert together["state"] == "done"
    assert together["name"] == "empty.png and 2 more"
    assert parts(together) == ["not measured", "base", "joined"]
    assert "No ring was found in this photo." in together["photos"][0]["why"]
    assert (together["base"], together["photo"]["width_px"]) == (1, 1400)
    assert "Combined from a.png and b.png." in together["report"]["notes"]
    path = f"/api/checks/{together['id']}"
    for place in range(3):
        assert client.get(f"{path}/photo?size=small&place={place}").headers["content-type"] == "image/jpeg"
    assert client.get(f"{path}/picture").status_code == 200
    assert client.get(f"{path}/photo?place=3").status_code == 404
    (line,) = (one for one in client.get("/api/checks").json() if one["id"] == together["id"])
    assert line["photos"] == 3


def test_a_photo_is_left_out_and_taken_in_again(client: TestClient, together: dict[str, Any]) -> None:
    path = f"/api/checks/{together['id']}"
    assert client.put(path, json={"left_out": [1]}).status_code == 202
    without = wait(client, together["id"])
    assert parts(without) == ["not measured", "left out", "base"]
    assert [photo["left_out"] for photo in without["photos"]] == [False, True, False]
    client.put(path, json={"left_out": []})
    assert parts(wait(client, together["id"])) == parts(together)
    refused = client.put(path, json={"left_out": [0, 1, 2]})
    assert (refused.status_code, refused.json()["error"]["message"]) == (400, "No photo would be left.")


def test_help_by_hand_goes_to_the_photo_that_is_shown(client: TestClient, together: dict[str, Any]) -> None:
    path = f"/api/checks/{together['id']}"
    client.put(path, json={"by_hand": {"struck": [5]}})
    helped = wait(client, together["id"])
    assert helped["by_hand"]["struck"] == [5]
    # The other photo still shows it.
    assert helped["report"]["joints"][4]["found"] is True
    client.put(path, json={"left_out": [2]})
    assert wait(client, together["id"])["report"]["joints"][4]["found"] is False


def test_photos_of_two_rings_are_refused_and_can_be_taken_apart(client: TestClient) -> None:
    check = wait(client, ask_together(client, a=wood(1), b=wood(2)).json()["id"])
    assert check["state"] == "failed"
    assert "No two of these photos surely show the same face" in check["error"]["message"]
    apart = client.post(f"/api/checks/{check['id']}/apart")
    assert apart.status_code == 202
    ids = [one["id"] for one in apart.json()]
    assert [wait(client, one)["name"] for one in ids] == ["a.png", "b.png"]


def test_checks_are_joined_afterwards(client: TestClient) -> None:
    """As when a phone has sent the photos one by one."""
    ids = [ask(client, f"{name}.png", wood(1, mark)).json()["id"] for mark, name in enumerate("ab")]
    joined = client.post("/api/together", json={"checks": ids})
    assert joined.status_code == 202
    check = wait(client, joined.json()["id"])
    assert parts(check) == ["base", "joined"]
    assert wait(client, ids[0])["state"] == "done", "the checks that it came from stay"


def test_what_cannot_be_joined_is_told(client: TestClient) -> None:
    one = ask(client, "a.png", wood()).json()["id"]
    other = ask(client, "b.png", wood()).json()["id"]
    wait(client, other)
    client.put(f"/api/checks/{other}", json={"plan": {**drawn_ring.PLAN, "width_mm": 36}})
    for checks, status, says in (
        ([one], 400, "nothing to go with"),
        ([one, one], 400, "nothing to go with"),
        ([one, other], 400, "different plans"),
        ([one, "none"], 404, "no check"),
    ):
        answer = client.post("/api/together", json={"checks": checks})
        assert answer.status_code == status
        assert says in answer.json()["error"]["message"]
    many = [("photo", ("a.png", b""))] * 11
    answer = client.post("/api/checks", files=many, data={"plan": json.dumps(drawn_ring.PLAN)})
    assert "11 photos of one ring are more" in answer.json()["error"]["message"]


def test_one_file_of_several_that_is_no_photo_keeps_nothing(client: TestClient, page_app: Any) -> None:
    folder = page_app.app.state.queue.folder
    before = set(folder.iterdir())
    answer = ask_together(client, a=wood(), b=b"no photo")
    assert answer.status_code == 422
    assert "b.png" in answer.json()["error"]["message"]
    assert set(folder.iterdir()) == before


def test_a_check_of_several_is_kept_whole_and_measured_again(
    client: TestClient, together: dict[str, Any]
) -> None:
    client.put(f"/api/checks/{together['id']}", json={"left_out": [0]})
    wait(client, together["id"])
    made = client.post("/api/log/checks", json={"check": together["id"], "new_build": "Bowl"}).json()
    path = f"/api/log/checks/{made['check_id']}"
    kept = client.get(path).json()
    assert kept["photos"] == ["empty.png", "a.png", "b.png"]
    assert kept["settings"] == {"left_out": [0]}
    for place, photo in enumerate((wood(1, 1), wood(1, 2), wood(1, 3))):
        assert client.get(f"{path}/original?place={place}").content == photo

    again = client.post(f"{path}/again").json()
    assert parts(wait(client, again["id"])) == ["left out", "base", "joined"]
    client.post(f"{path}/results", json={"check": again["id"]})
    kept = client.get(path).json()
    assert [result["report"]["photos"][1]["part"] for result in kept["results"]] == ["base", "base"]
    for part in ("picture", "above", "paper"):
        assert client.get(f"{path}/{part}").status_code == 200
    page = client.get(f"/log/checks/{made['check_id']}", headers={"accept": "text/html"}).text
    assert page.count("Original of") == 3
    assert "From 2 of 3 photos." in page
    assert "Joined; the joints are shown in it" in page and "Measure these photos again" in page


# ---- in a browser ----

pytest_browser = pytest.mark.browser
SIZES = {"across_flats_mm": "220", "width_mm": "38", "thickness_mm": "20"}


def files(*names: str, seeds: dict[str, int] | None = None) -> list[dict[str, Any]]:
    seeds = seeds or {}
    return [
        {"name": name, "mimeType": "image/png", "buffer": wood(seeds.get(name, 1), mark)}
        for mark, name in enumerate(names)
    ]


@pytest_browser
@pytest.mark.parametrize("width", [390, 1440])
def test_same_ring_one_answer_by_one_touch(open_page: Open, width: int) -> None:
    page = open_page(width=width)
    page.set_input_files("#file", files("a.png", "b.png", "empty.png"))
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    assert page.inner_text("#send") == "Measure 3 rings"
    page.click("text=All the same ring: one answer")
    assert page.inner_text("#send") == "Measure this ring"
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.click("#send")
    page.wait_for_url("**/checks/*")
    page.wait_for_selector("#verdict:visible")
    assert "From 2 of 3 photos." in page.inner_text("#verdict")
    rows = page.locator("#photos .parts li")
    assert rows.count() == 3
    assert "Not measured" in rows.nth(2).inner_text()
    assert "No ring was found" in rows.nth(2).inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    rows.nth(0).locator("button").click()
    page.wait_for_selector("#photos li:first-child:has-text('Left out by you')")
    page.wait_for_selector("#verdict:visible")
    rows.nth(0).locator("button", has_text="Take it in").click()
    page.wait_for_selector("#photos li:first-child:has-text('are shown in it')")


@pytest_browser
def test_photos_are_added_one_after_another(open_page: Open) -> None:
    """As with a phone's camera, which takes one at a time."""
    page = open_page(width=390)
    page.set_input_files("#camera", files("a.png"))
    page.set_input_files("#more", files("0.png", "b.png")[1:])
    assert page.is_checked("[name=together][value=yes]")
    assert "2 photos: a.png, b.png" in page.inner_text("#chosen")


@pytest_browser
def test_checks_on_the_shelf_are_picked_and_joined(open_page: Open, tmp_path: Path) -> None:
    from web.conftest import running

    with running(tmp_path, check=drawn_ring.check) as root:
        page = open_page(root=root, width=390)
        page.set_input_files("#file", files("a.png", "b.png"))
        for key, value in SIZES.items():
            page.fill(f"#{key}", value)
        page.click("#send")
        page.wait_for_selector("#shelf li:nth-child(2)")
        page.click("text=Several show the same ring: one answer")
        assert page.is_disabled("#pick-done")
        for card in (0, 1):
            page.locator("#shelf button").nth(card).click()
        assert page.inner_text("#pick-say") == "2 picked."
        page.click("#pick-done")
        page.wait_for_selector("#verdict:visible")
        assert page.locator("#photos .parts li").count() == 2
        page.click("text=Measure each on its own")
        page.wait_for_url("**/#earlier")
        page.wait_for_selector("#shelf li:nth-child(5)")


@pytest_browser
def test_two_rings_are_refused_with_a_way_on(open_page: Open) -> None:
    page = open_page()
    page.set_input_files("#file", files("a.png", "b.png", seeds={"b.png": 2}))
    for key, value in SIZES.items():
        page.fill(f"#{key}", value)
    page.click("text=All the same ring: one answer")
    page.click("#send")
    page.wait_for_selector("#failed:visible")
    assert "No two of these photos" in page.inner_text("#failed h1")
    page.click("#failed >> text=Measure each photo on its own")
    page.wait_for_url("**/#earlier")
