"""The API of checks: taking in, following, sending what came of it, measuring again, and every refusal."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from typing import Any

import pytest
from PIL import Image
from pillow_heif import register_heif_opener
from starlette.testclient import TestClient

import drawn_ring
from lightgap.check import check as measure
from lightgap.errors import LightgapError
from lightgap.photo import read_photo
from lightgap.plan import plan_from_mapping, to_mapping
from lightgap.samples import read_samples
from lightgap_web.api import LARGEST_CHECK_BYTES
from lightgap_web.app import create_app
from lightgap_web.pages import LARGEST_PHOTO_BYTES
from lightgap_web.static_files import STATIC
from web.conftest import ADDRESS, LOCAL, ask, wait


def test_a_check_from_photo_to_report(client: TestClient) -> None:
    taken = ask(client)
    assert taken.status_code == 202
    assert taken.json()["state"] == "waiting"
    check = wait(client, taken.json()["id"])
    assert check["state"] == "done"
    assert check["photo"] == {"width_px": 1400, "height_px": 1200}
    report = check["report"]
    assert report["format"] == "lightgap-check/1"
    assert report["verdict"] == "out of tolerance"
    assert check["shown"]["mm"]["headline"] == report["headline"]
    assert "in" in check["shown"]["inch"]["joints"][7]["values"]["outside"]["full"]


def test_the_files_of_a_check(client: TestClient, measured: dict[str, Any]) -> None:
    path = f"/api/checks/{measured['id']}"
    report = client.get(f"{path}/report")
    assert report.json()["joints"][7]["verdict"] == "out of tolerance"
    assert report.json()["joints"][7]["gap_mm"]["outside"]["budget"][0]["name"] == "edge fit"
    assert 'filename="ring-report.json"' in report.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(client.get(f"{path}/csv").text)))
    assert len(rows) == 24
    pictures = [client.get(f"{path}/picture?units={units}").content for units in ("mm", "inch")]
    assert [Image.open(io.BytesIO(data)).format for data in pictures] == ["JPEG", "JPEG"]
    assert pictures[0] != pictures[1]
    photo = Image.open(io.BytesIO(client.get(f"{path}/photo").content))
    assert photo.size == (1400, 1200)
    small = Image.open(io.BytesIO(client.get(f"{path}/photo?size=small").content))
    assert max(small.size) == 360


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_every_kind_of_photo_is_shown_as_jpeg(client: TestClient, kind: str) -> None:
    register_heif_opener()
    check = wait(client, ask(client, f"ring.{kind.lower()}", drawn_ring.photo_bytes(kind)).json()["id"])
    photo = Image.open(io.BytesIO(client.get(f"/api/checks/{check['id']}/photo").content))
    assert (photo.format, photo.size) == ("JPEG", (1400, 1200))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_photo_is_shown_upright(client: TestClient, orientation: int) -> None:
    """The overlay's pixels are those of the upright photo, so the photo sent must be upright too."""
    upright = Image.open(io.BytesIO(drawn_ring.photo_bytes()))
    undo = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    stored = upright.transpose(undo[orientation]) if orientation in undo else upright
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = io.BytesIO()
    stored.save(data, "JPEG", exif=exif, quality=95)
    check = wait(client, ask(client, "turned.jpg", data.getvalue()).json()["id"])
    assert check["photo"] == {"width_px": 1400, "height_px": 1200}
    shown = Image.open(io.BytesIO(client.get(f"/api/checks/{check['id']}/photo").content))
    assert shown.getexif().get(0x0112, 1) == 1
    # Joint 1 leans to the right of 12 o'clock: wood there, cloth at its mirrored place.
    outer = upright.getpixel((720, 170)), upright.getpixel((680, 1040))
    turned = shown.getpixel((720, 170)), shown.getpixel((680, 1040))
    for expected, found in zip(outer, turned, strict=True):
        assert found == pytest.approx(expected, abs=12)


def test_a_large_photo_is_shown_smaller_but_measured_whole(client: TestClient) -> None:
    data = io.BytesIO()
    Image.new("RGB", (5000, 1000), (90, 90, 90)).save(data, "JPEG")
    check = wait(client, ask(client, "wide.jpg", data.getvalue()).json()["id"])
    assert check["photo"] == {"width_px": 5000, "height_px": 1000}
    assert Image.open(io.BytesIO(client.get(f"/api/checks/{check['id']}/photo").content)).size == (4096, 819)


def test_the_list_is_newest_first(fresh_client: TestClient) -> None:
    older = wait(fresh_client, ask(fresh_client).json()["id"])
    newer = wait(fresh_client, ask(fresh_client, "empty.jpg").json()["id"])
    listed = fresh_client.get("/api/checks").json()
    assert [check["id"] for check in listed] == [newer["id"], older["id"]]
    assert listed[0]["state"] == "failed"
    assert listed[0]["headline"]["mm"] == "No ring was found in this photo."
    assert listed[1]["verdict"] == "out of tolerance"


def test_what_was_asked_reaches_the_engine(client: TestClient) -> None:
    asked = {"reference": "cards", "printed_bar": "99.6 99.8"}
    check = wait(client, ask(client, **asked).json()["id"])
    assert check["reference"] == "cards"
    assert check["printed_bar"] == [99.6, 99.8]
    assert check["report"]["notes"] == ["printed bars (99.6, 99.8)"]


def test_unmeasured_bars_stay_unmeasured(measured: dict[str, Any]) -> None:
    assert measured["printed_bar"] is None
    assert measured["report"]["notes"] == []


def test_measuring_again_with_help_by_hand(client: TestClient, measured: dict[str, Any]) -> None:
    faces = {"a": [[650.5, 900.0], [640.0, 1010.0]], "b": [[652.0, 901.0], [644.0, 1011.5]]}
    help_given = {"faces": {"8": faces}, "struck": [3]}
    answer = client.put(f"/api/checks/{measured['id']}", json={"by_hand": help_given})
    assert answer.status_code == 202
    check = wait(client, measured["id"])
    assert check["report"]["joints"][7]["faces_px"] == faces
    assert check["report"]["joints"][7]["by_hand"] is True
    assert check["report"]["joints"][2]["found"] is False
    assert check["by_hand"]["faces"] == {"8": faces}
    assert check["plan"] == measured["plan"]

    client.put(f"/api/checks/{measured['id']}", json={"by_hand": None})
    check = wait(client, measured["id"])
    assert check["by_hand"] is None
    assert check["report"]["joints"][2]["found"] is True


def test_measuring_again_with_other_numbers(client: TestClient, measured: dict[str, Any]) -> None:
    plan = {**drawn_ring.PLAN, "width_mm": 30.0}
    client.put(f"/api/checks/{measured['id']}", json={"plan": plan, "printed_bar": [99.0, 99.0]})
    check = wait(client, measured["id"])
    assert check["plan"]["width_mm"] == 30.0
    assert check["printed_bar"] == [99.0, 99.0]
    client.put(f"/api/checks/{measured['id']}", json={"reference": "cards"})
    check = wait(client, measured["id"])
    assert check["plan"]["width_mm"] == 30.0
    assert check["reference"] == "cards"


def test_a_failed_check_can_be_helped(client: TestClient) -> None:
    check = wait(client, ask(client, "empty.jpg").json()["id"])
    assert (check["state"], check["report"]) == ("failed", None)
    assert check["error"] == {
        "message": "No ring was found in this photo.",
        "hint": "Let the whole ring fill most of the picture.",
    }
    assert check["photo"] is not None
    assert not check["needs_another_photo"]
    assert client.get(f"/api/checks/{check['id']}/photo").status_code == 200
    client.put(
        f"/api/checks/{check['id']}", json={"by_hand": {"outline_px": [[260, 600], [700, 160], [1140, 600]]}}
    )
    assert wait(client, check["id"])["state"] == "done"


def test_a_smeared_photo_needs_another(client: TestClient) -> None:
    check = wait(client, ask(client, "smeared.jpg").json()["id"])
    assert (check["state"], check["needs_another_photo"]) == ("failed", True)


def test_a_report_of_a_failed_check_is_its_error(client: TestClient) -> None:
    check = wait(client, ask(client, "empty.jpg").json()["id"])
    for part in ("report", "csv", "picture"):
        answer = client.get(f"/api/checks/{check['id']}/{part}")
        assert answer.status_code == 422
        assert answer.json() == {"error": check["error"]}


def test_a_fault_in_the_engine_shows_no_trace(client: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    check = wait(client, ask(client, "fault.jpg").json()["id"])
    assert check["state"] == "failed"
    assert "went wrong" in check["error"]["message"]
    assert "ZeroDivisionError" not in json.dumps(check)
    assert "ZeroDivisionError" in caplog.text


def refused(answer: Any, status: int) -> dict[str, str]:
    """The one error shape, with both sentences."""
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert set(body) == {"error"}
    assert set(body["error"]) == {"message", "hint"}
    assert all(body["error"].values())
    assert "Traceback" not in answer.text
    error: dict[str, str] = body["error"]
    return error


def test_no_photo_and_no_plan_are_named(client: TestClient) -> None:
    plan = {"plan": json.dumps(drawn_ring.PLAN)}
    assert "photo" in refused(client.post("/api/checks", data=plan), 422)["message"]
    photo = {"photo": ("a.jpg", drawn_ring.photo_bytes())}
    assert "plan" in refused(client.post("/api/checks", files=photo), 422)["message"]


@pytest.mark.parametrize("plan", ["", "{", "[]", "3", "null", '{"segments": 12}', '{"segments": "many"}'])
def test_a_plan_that_cannot_be_read(client: TestClient, plan: str) -> None:
    answer = client.post(
        "/api/checks", data={"plan": plan}, files={"photo": ("a.jpg", drawn_ring.photo_bytes())}
    )
    assert answer.status_code in (400, 422)
    refused(answer, answer.status_code)


@pytest.mark.parametrize("bar", ["x", "99.6", "99 99 99", "99,6 99,8 x"])
def test_bars_that_cannot_be_read(client: TestClient, bar: str) -> None:
    refused(ask(client, printed_bar=bar), 400)


@pytest.mark.parametrize(
    "help_given",
    [
        "{",
        "[1]",
        '{"faces": {"x": {}}}',
        '{"outline_px": [[1, 2]]}',
        '{"first_joint_px": [NaN, 1]}',
        '{"first_joint_px": [Infinity, 1]}',
        '{"unknown": 1}',
    ],
)
def test_help_that_cannot_be_read(client: TestClient, help_given: str) -> None:
    assert "by_hand" in refused(ask(client, by_hand=help_given), 400)["message"]


def picture(width: int, height: int) -> bytes:
    """A blank PNG of so many pixels."""
    data = io.BytesIO()
    Image.new("1", (width, height)).save(data, "PNG")
    return data.getvalue()


@pytest.mark.parametrize(
    ("photo", "says"),
    [
        (b"", "empty"),
        (b"no picture at all, only words", "not a picture"),
        (picture(300, 300), "only 300 x 300 pixels"),
        (picture(20000, 15000), "more than 50 megapixels"),
        (b"%PDF-1.7 something", "not a picture"),
    ],
)
def test_a_file_that_is_no_photo_is_refused_at_once(
    client: TestClient, page_app: Any, photo: bytes, says: str
) -> None:
    folder = page_app.app.state.queue.folder
    before = set(folder.iterdir())
    assert says in refused(ask(client, "thing.jpg", photo), 422)["message"]
    assert set(folder.iterdir()) == before


def test_a_truncated_photo_fails_with_the_commands_sentence(client: TestClient) -> None:
    check = wait(client, ask(client, "cut.jpg", drawn_ring.photo_bytes()[:9000]).json()["id"])
    assert check["state"] == "failed"
    assert "cut short" in check["error"]["message"]
    assert check["photo"] is None
    refused(client.get(f"/api/checks/{check['id']}/photo"), 404)


def test_a_body_over_the_limit(client: TestClient) -> None:
    declared = client.post("/api/checks", content=b"x" * (LARGEST_CHECK_BYTES + 1))
    assert "too large" in refused(declared, 413)["message"]

    def pieces() -> Iterator[bytes]:
        for _ in range(LARGEST_CHECK_BYTES // 1_000_000 + 2):
            yield b"x" * 1_000_000

    headers = {"content-type": "multipart/form-data; boundary=x"}
    refused(client.post("/api/checks", content=pieces(), headers=headers), 413)


def test_a_photo_over_the_limit(client: TestClient) -> None:
    """Several may be larger together; one may not."""
    large = drawn_ring.photo_bytes() + bytes(LARGEST_PHOTO_BYTES)
    assert "too large" in refused(ask(client, photo=large), 413)["message"]


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/nothing", 404),
        ("GET", "/api/checks/none", 404),
        ("GET", "/api/checks/none/photo", 404),
        ("GET", "/api/checks/..%2f..%2fetc%2fpasswd", 404),
        ("PUT", "/api/checks/none", 404),
        ("DELETE", "/api/checks", 405),
        ("POST", "/", 405),
        ("GET", "/nothing", 404),
        ("GET", "/checks/none", 404),
        ("GET", f"{STATIC}/../app.py", 404),
        ("GET", f"{STATIC}/%2e%2e/app.py", 404),
        ("POST", "/api/plan", 422),
        ("GET", "/pair/none", 403),
    ],
)
def test_every_refusal_has_the_one_shape(client: TestClient, method: str, path: str, status: int) -> None:
    body = {"json": {}} if method == "PUT" else {}
    refused(client.request(method, path, **body), status)  # type: ignore[arg-type]


def test_a_person_gets_a_page_to_read(client: TestClient) -> None:
    answer = client.get("/checks/none", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "There is no check with this number." in answer.text
    assert 'href="/"' in answer.text


def test_the_photos_file_name_is_only_words(client: TestClient) -> None:
    check = wait(client, ask(client, "../../<b>ring</b>.jpg").json()["id"])
    assert check["name"] == "b>.jpg"
    answer = client.get(f"/api/checks/{check['id']}/report")
    assert "/" not in answer.headers["content-disposition"].split("filename")[1].replace("''", "")


def test_too_little_room_on_the_disk(fresh_client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lightgap_web.api.ROOM_BYTES", 10**18)
    assert "disk" in refused(ask(fresh_client), 503)["message"]
    assert fresh_client.get("/api/checks").json() == []


def test_the_openapi_document_describes_it(client: TestClient) -> None:
    document = client.get("/api/openapi.json").json()
    assert {"/api/checks", "/api/checks/{check_id}", "/api/plan"} <= set(document["paths"])
    refusals = document["paths"]["/api/checks"]["post"]["responses"]["422"]["content"]["application/json"]
    assert refusals["schema"]["$ref"].endswith("/FailureAnswer")
    assert client.get("/docs").status_code == 404


def test_a_photo_is_no_longer_there_after_the_end(tmp_path: Any) -> None:
    """Nothing runs on when the server ends, not even in the middle of a check."""
    app = create_app(tmp_path, ADDRESS, check=drawn_ring.check)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        ask(client, "endless.jpg")
        assert client.get("/api/checks").json()[0]["state"] in ("waiting", "measuring")
    queue = app.app.state.queue  # type: ignore[attr-defined]
    assert not queue.is_running


def test_the_page_says_what_the_engine_says(tmp_path: Any) -> None:
    """The real engine, in its own process: the same two sentences as in this one."""
    sample = read_samples()[0]
    wrong = {**to_mapping(sample.plan), "segments": 17}
    with pytest.raises(LightgapError) as told:
        measure(read_photo(sample.photo), plan_from_mapping(wrong), sample.reference)
    app = create_app(tmp_path, ADDRESS)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        taken = client.post(
            "/api/checks",
            files={"photo": (sample.photo.name, sample.photo.read_bytes())},
            data={"plan": json.dumps(wrong), "reference": sample.reference},
        )
        check = wait(client, taken.json()["id"], seconds=60.0)
        assert {"error": check["error"]} == told.value.to_dict()
        report = client.get(f"/api/checks/{check['id']}/report")
    assert (report.status_code, report.json()) == (told.value.http_status, told.value.to_dict())


def test_samples_are_listed_and_checked(client: TestClient) -> None:
    samples = client.get("/api/samples").json()
    assert len(samples) >= 10
    name = samples[0]["name"]
    picture = Image.open(io.BytesIO(client.get(f"/api/samples/{name}/photo").content))
    assert max(picture.size) == 360
    taken = client.post(f"/api/samples/{name}/checks")
    assert taken.status_code == 202
    check = wait(client, taken.json()["id"])
    assert check["name"] == f"{name}.jpg"
    assert check["plan"]["segments"] == 12


@pytest.mark.parametrize("name", ["none", "..%2f..%2fpyproject", "samples.toml"])
def test_a_sample_that_there_is_none_of(client: TestClient, name: str) -> None:
    refused(client.get(f"/api/samples/{name}/photo"), 404)
    refused(client.post(f"/api/samples/{name}/checks"), 404)
