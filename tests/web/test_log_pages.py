"""The log on the page, without a browser: what is kept, shown, changed, deleted, sent and taken in."""

from __future__ import annotations

import hashlib
import io
import statistics
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

import drawn_ring
from lightgap.log.store import Log
from lightgap.values import Below, Unknown, Value, measured
from lightgap_web.app import create_app
from lightgap_web.log_pages import BUILDS
from lightgap_web.turning import Turning, say_change
from made_ring import make_measurement, make_plan, make_report_of
from web.conftest import ADDRESS, CHECKS, LOCAL, ask, wait

HTML = {"accept": "text/html"}


def kept(
    client: TestClient, name: str = "ring.jpg", photo: bytes | None = None, **where: Any
) -> dict[str, Any]:
    """Measure a photo and keep its check; a new build unless told otherwise."""
    check = wait(client, ask(client, name, photo).json()["id"])
    body = {"check": check["id"], **(where or {"new_build": "Oak bowl"})}
    answer = client.post("/api/log/checks", json=body)
    assert answer.status_code == 201, answer.text
    return {**answer.json(), "sitting": check["id"]}


def page(client: TestClient, path: str) -> str:
    """A page as a person opens it, with plain spaces."""
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 200, answer.text
    return answer.text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """A log with one build: a foot, out of tolerance and then repaired, and a wall. Only looked at."""
    folder = tmp_path_factory.mktemp("kept")
    app = create_app(folder, ADDRESS, log=folder / "log", check=drawn_ring.check)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        first = kept(
            client,
            new_build="Oak bowl <b>",
            ring_name="foot",
            build_notes={"wood": "oak"},
            notes={"glue": "hide glue", "note": ""},
        )
        kept(client, "good.jpg", ring_id=first["ring_id"])
        kept(client, "good.jpg", build_id=first["build_id"])
        yield client


@pytest.fixture
def own(tmp_path: Path) -> Iterator[TestClient]:
    """A page with an empty log of its own."""
    app = create_app(tmp_path, ADDRESS, log=tmp_path / "log", check=drawn_ring.check)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        yield client


def test_an_empty_log_says_what_to_do_next(own: TestClient) -> None:
    text = page(own, "/log")
    assert "Nothing is kept yet" in text
    assert "Keep in the log" in text


def test_a_kept_check_holds_the_photo_whole_and_the_report_with_budgets(own: TestClient) -> None:
    made = kept(own, notes={"glue": "hide glue", "note": "  "}, new_build="Bowl", build_notes={"wood": "oak"})
    photo = drawn_ring.photo_bytes()
    assert own.get(f"/api/log/checks/{made['check_id']}/original").content == photo
    check = own.get(f"/api/log/checks/{made['check_id']}").json()
    assert check["notes"] == {"glue": "hide glue"}
    assert check["results"][0]["report"]["verdict"] == "out of tolerance"
    assert check["results"][0]["report"]["joints"][7]["gap_mm"]["outside"]["budget"]
    assert own.get(f"/api/log/kept/{made['sitting']}").json() == {"check_id": 1, "said": "Bowl, ring 1"}


def test_a_photo_that_could_not_be_measured_is_kept_with_the_reason(own: TestClient) -> None:
    made = kept(own, "empty.jpg", new_build="Bowl")
    text = page(own, f"/log/checks/{made['check_id']}")
    assert "No ring was found in this photo." in text
    assert "Take another photo" in text


def test_a_check_is_not_kept_under_a_ring_of_another_count(own: TestClient) -> None:
    build = own.post("/api/log/builds", json={"name": "Bowl"}).json()["build_id"]
    plan = {**drawn_ring.PLAN, "segments": 16}
    ring = own.post(f"/api/log/builds/{build}/rings", json={"plan": plan}).json()["ring_id"]
    check = wait(own, ask(own).json()["id"])
    answer = own.post("/api/log/checks", json={"check": check["id"], "ring_id": ring})
    assert answer.status_code == 409
    assert answer.json()["error"]["message"] == "Ring 1 has 16 segments, this check 12."
    assert own.get("/api/log/checks").json()["items"] == []


def test_a_build_without_a_name_is_not_made(own: TestClient) -> None:
    check = wait(own, ask(own).json()["id"])
    answer = own.post("/api/log/checks", json={"check": check["id"], "new_build": " "})
    assert answer.json()["error"]["message"] == "A build needs a name."
    assert own.get("/api/log/builds").json()["items"] == []


def test_the_list_shows_each_build_with_picture_wood_verdict_and_date(shared: TestClient) -> None:
    text = page(shared, "/log")
    assert "Oak bowl &lt;b&gt;" in text
    assert "oak, 2 rings, 3 checks" in text
    assert "In tolerance" in text
    picture = text.split('<img src="')[1].split('"')[0]
    assert shared.get(picture).content.startswith(b"\xff\xd8\xff")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("text=bowl", 3),
        ("text=hide", 1),
        ("wood=OA", 3),
        ("wood=ash", 0),
        ("verdict=out", 1),
        ("verdict=in", 2),
        ("from=2020-01-01&to=2020-12-31", 0),
        ("from=2020-01-01&wood=&verdict=&text=", 3),
    ],
)
def test_search_and_filters(shared: TestClient, query: str, found: int) -> None:
    text = page(shared, f"/log?{query}")
    assert text.count('<a href="/log/checks/') == found
    assert ("No check is like that" in text) == (found == 0)


def test_a_filter_that_is_none_is_refused_in_words(shared: TestClient) -> None:
    assert "is no verdict" in shared.get("/log?verdict=perhaps", headers=HTML).text
    assert (
        shared.get("/api/log/checks?from=yesterday").json()["error"]["message"] == "'yesterday' is no date."
    )


def test_a_build_is_drawn_as_its_stack_and_each_ring_leads_on(shared: TestClient) -> None:
    text = page(shared, "/log/builds/1")
    assert 'data-ring="1"' in text
    assert text.count('href="/log/rings/1"') == 2
    assert "All 12 joints and 12 segments are in tolerance" in text
    assert text.index("2. Ring 2") < text.index("1. Foot")


def test_spaced_rings_are_told_how_consistent_their_gaps_are(own: TestClient) -> None:
    plan = make_plan(joint="spaced", gap_mm=3.0)
    report = make_report_of(plan, make_measurement(plan))
    folder = own.app.app.state.log_folder  # type: ignore[attr-defined]
    with Log(folder) as log:
        ring = log.add_ring(log.add_build("Vase").id, plan)
        from lightgap.log.records import NewPhoto

        log.add_check(ring.id, [NewPhoto("a.jpg", drawn_ring.photo_bytes())], report.to_dict(budgets=True))
    assert "the spacer of 3 mm" in page(own, "/log/builds/1")


def test_a_ring_is_compared_with_itself_before_the_repair(shared: TestClient) -> None:
    assert shared.put("/api/log/checks/2/same-as/1", json={"turn": 0}).status_code == 200
    text = page(shared, "/log/rings/1")
    assert "You said that the pairs are right." in text
    assert text.count('<a href="/log/checks/') == 2
    assert "-0.36" in text
    assert "/api/log/checks/1/above" in text
    for path in ("/api/log/checks/1/above", "/api/log/checks/2/above?turn=3&face_down=true"):
        assert shared.get(path).headers["content-type"] == "image/jpeg"


def test_joints_are_not_compared_before_their_pairs_are_known(own: TestClient) -> None:
    """Two photos without any grain: nothing tells how the ring lies, and nothing is made up."""
    check = kept(own, "first.png", photo=drawn_ring.photo_bytes("PNG"))
    kept(own, "good.jpg", ring_id=check["ring_id"])
    found = own.get("/api/log/checks/2/same-as/1").json()
    assert found["sureness"] == "not recognised"
    for path in ("/log/rings/1", f"/log/rings/1?turn={found['turn']}", "/log/rings/1?turn=4"):
        text = page(own, path)
        assert "The pairs are right" in text
        assert "<table" not in text
    assert "does not tell" in page(own, "/log/rings/1")
    own.put("/api/log/checks/2/same-as/1", json={"turn": 4})
    for path in ("/log/rings/1", "/log/rings/1?before=2&after=1"):
        assert "<table" in page(own, path), "what was said holds from now on, in either order"
    assert "<table" not in page(own, "/log/rings/1?turn=5")
    own.delete("/api/log/checks/2/same-as/1")
    assert "<table" not in page(own, "/log/rings/1")


def test_checks_that_were_kept_without_their_prints_are_looked_at_first(
    own: TestClient, tmp_path: Path
) -> None:
    check = kept(own)
    kept(own, "good.jpg", ring_id=check["ring_id"])
    with Log(tmp_path / "log") as log:
        log.connection.execute("DELETE FROM prints")
    assert "Looking at the wood" in page(own, "/log/rings/1")
    assert own.get("/api/log/checks/2/same-as/1").json()["sureness"] == "sure"
    assert "Looking at the wood" not in page(own, "/log/rings/1")


def test_the_prints_are_kept_so_that_no_photo_is_needed(own: TestClient, tmp_path: Path) -> None:
    check = kept(own)
    kept(own, "good.jpg", ring_id=check["ring_id"])
    for photo in (tmp_path / "log" / "photos").iterdir():
        photo.unlink()
    assert own.get("/api/log/checks/2/same-as/1").json()["sureness"] == "sure"


def test_a_turn_that_is_none_is_refused(own: TestClient) -> None:
    check = kept(own)
    kept(own, "good.jpg", ring_id=check["ring_id"])
    assert own.put("/api/log/checks/2/same-as/1", json={"turn": "left"}).status_code == 422
    assert own.put("/api/log/checks/2/same-as/9", json={"turn": 1}).status_code == 404


def test_a_ring_known_by_its_wood_is_compared_without_asking(own: TestClient) -> None:
    """The very same photo twice: what its compression left in the wood is grain enough."""
    check = kept(own)
    kept(own, "good.jpg", ring_id=check["ring_id"])
    found = own.get("/api/log/checks/2/same-as/1").json()
    assert (found["sureness"], found["turn"], found["face_down"]) == ("sure", 0, False)
    text = page(own, "/log/rings/1?turn=0")
    assert found["said"] in text
    assert "<table" in text


def test_a_turned_ring_is_compared_joint_by_joint_as_the_person_says(shared: TestClient) -> None:
    shared.put("/api/log/checks/2/same-as/1", json={"turn": 5, "face_down": True})
    text = page(shared, "/log/rings/1?before=1&after=2")
    # Joint 8 of before lies at 5 - 8 = -3, that is joint 9.
    assert "(after: 9)" in text.split('<th scope="row">8')[1][:60]


def test_one_check_cannot_be_compared_with_itself(shared: TestClient) -> None:
    assert "cannot be compared" in page(shared, "/log/rings/1?before=1&after=1")


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (measured(0.36, {"edge": 0.02}), measured(0.06, {"edge": 0.02}), ("-0.30±0.06", True)),
        (measured(0.10, {"edge": 0.02}), measured(0.06, {"edge": 0.02}), ("-0.04±0.06", False)),
        (measured(0.36, {"edge": 0.02}), Below(0.08), ("−0.24 or more", True)),
        (Below(0.08), measured(0.36, {"edge": 0.02}), ("+0.24 or more", True)),
        (measured(0.10, {"edge": 0.02}), Below(0.08), ("too small to tell", False)),
        (Below(0.08), Below(0.05), ("too small to tell", False)),
        (Unknown("glare"), measured(0.06, {"edge": 0.02}), ("not measured", False)),
    ],
)
def test_a_change_is_said_with_its_uncertainty(
    before: Value | Below | Unknown, after: Value | Below | Unknown, said: tuple[str, bool]
) -> None:
    assert say_change(before, after, "gap_mm", "mm") == said


@pytest.mark.parametrize("face_down", [False, True])
@pytest.mark.parametrize("joints", [0, 1, 5])
def test_a_turn_pairs_every_joint_once(joints: int, face_down: bool) -> None:
    turning = Turning(joints, face_down)
    assert sorted(turning.later(number, 12) for number in range(1, 13)) == list(range(1, 13))


def test_a_kept_check_is_told_as_a_new_one_is(shared: TestClient) -> None:
    told = shared.get("/api/log/checks/1/told").json()
    assert told["shown"]["mm"]["joint_order"][0] == 8
    assert told["shown"]["inch"]["headline"].startswith("Segment 7")
    assert told["shown"]["mm"]["joints"][7]["values"]["outside"]["budget"]
    assert shared.get("/api/log/checks/1/picture?units=inch").content.startswith(b"\xff\xd8\xff")


def test_measuring_again_keeps_both_results(own: TestClient) -> None:
    made = kept(own)
    again = own.post(f"/api/log/checks/{made['check_id']}/again").json()["id"]
    wait(own, again)
    answer = own.post(f"/api/log/checks/{made['check_id']}/results", json={"check": again})
    assert answer.status_code == 201
    results = own.get(f"/api/log/checks/{made['check_id']}").json()["results"]
    assert len(results) == 2
    assert "Show the result of" in page(own, f"/log/checks/{made['check_id']}")
    assert "shown" in page(own, f"/log/checks/{made['check_id']}?result={results[0]['id']}")


def test_rings_are_renamed_moved_and_planned_anew(own: TestClient) -> None:
    first, second = kept(own), kept(own, build_id=1)
    assert (
        own.put(f"/api/log/rings/{second['ring_id']}", json={"position": 1, "name": "foot"}).status_code
        == 200
    )
    rings = own.get("/api/log/builds/1").json()["rings"]
    assert [(ring["id"], ring["title"]) for ring in rings] == [(2, "foot"), (1, "ring 2")]
    plan = {**first_plan(own), "thickness_mm": 25}
    assert own.put(f"/api/log/rings/{first['ring_id']}", json={"plan": plan}).status_code == 200
    assert own.get("/api/log/rings/1").json()["plan"]["thickness_mm"] == 25
    # The check keeps the plan that it was made with.
    assert own.get("/api/log/checks/1").json()["plan"]["thickness_mm"] == 20
    bad = own.put("/api/log/rings/1", json={"plan": {**plan, "segments": 2}})
    assert bad.status_code == 400
    assert own.put("/api/log/builds/1", json={"name": "Vase"}).status_code == 200
    assert own.get("/api/log/builds/1").json()["name"] == "Vase"


def test_a_check_filed_under_the_wrong_ring_is_moved(own: TestClient) -> None:
    kept(own)
    kept(own, build_id=1)
    assert "Move it there" in page(own, "/log/checks/1")
    assert own.put("/api/log/checks/1", json={"ring_id": 2}).status_code == 200
    assert own.get("/api/log/checks/1").json()["ring_id"] == 2
    assert own.post("/api/log/builds/1/rings", json={"plan": {**first_plan(own), "segments": 16}}).is_success
    assert own.put("/api/log/checks/1", json={"ring_id": 3}).status_code == 409


def first_plan(client: TestClient) -> dict[str, Any]:
    plan: dict[str, Any] = client.get("/api/log/rings/1").json()["plan"]
    return plan


def test_notes_are_written_changed_and_taken_away(own: TestClient) -> None:
    kept(own)
    for kinds in ("builds", "rings", "checks"):
        path = f"/api/log/{kinds}/1/note"
        assert own.put(path, json={"key": "who", "text": "Ann"}).json() == {"before": None}
        assert own.put(path, json={"key": "who", "text": "Bo"}).json() == {"before": "Ann"}
        assert own.put(path, json={"key": "who", "text": None}).json() == {"before": "Bo"}
        assert own.get(f"/api/log/{kinds}/1").json()["notes"] == {}


@pytest.mark.parametrize("kinds", ["builds", "rings", "checks"])
def test_what_is_deleted_can_come_back(own: TestClient, kinds: str) -> None:
    kept(own)
    assert own.delete(f"/api/log/{kinds}/1").json() == {"deleted": True}
    assert own.get("/api/log/checks").json()["items"] == []
    assert f"/api/log/{kinds}/1/restore" in page(own, "/log/deleted")
    assert own.post(f"/api/log/{kinds}/1/restore").json() == {"deleted": False}
    assert len(own.get("/api/log/checks").json()["items"]) == 1
    assert "Nothing is deleted" in page(own, "/log/deleted")


def test_a_build_goes_out_as_a_zip_and_comes_in_again(own: TestClient, tmp_path: Path) -> None:
    kept(own)
    sent = own.get("/api/log/builds/1/export")
    assert "Oak%20bowl.zip" in sent.headers["content-disposition"]
    names = zipfile.ZipFile(io.BytesIO(sent.content)).namelist()
    assert f"photos/{hashlib.sha256(drawn_ring.photo_bytes()).hexdigest()}.jpg" in names
    files = {"build": ("bowl.zip", sent.content, "application/zip")}
    assert own.post("/api/log/import", files=files).status_code == 409
    copy = own.post("/api/log/import", files=files, data={"as_copy": "true"})
    assert copy.json()["build_id"] == 2

    app = create_app(tmp_path / "b", ADDRESS, log=tmp_path / "other", check=drawn_ring.check)
    (tmp_path / "b").mkdir()
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as other:
        assert other.post("/api/log/import", files=files).status_code == 201
        there = other.get("/api/log/checks/1").json()
        assert there["results"][0]["report"] == own.get("/api/log/checks/1").json()["results"][0]["report"]
        # What goes with an answer or came with a request is not left lying about.
        assert not list((tmp_path / "b").glob("*.zip"))
    refused = own.post("/api/log/import", files={"build": ("x.zip", b"no zip", "application/zip")})
    assert refused.status_code == 409
    assert "no whole zip file" in refused.json()["error"]["message"]


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("kinds", ["builds", "checks"])
def test_builds_and_checks_are_printed(shared: TestClient, kinds: str, paper: str) -> None:
    answer = shared.get(f"/api/log/{kinds}/1/paper?paper={paper}&units=inch")
    assert answer.content.startswith(b"%PDF")


def test_inches_where_the_person_chose_them(shared: TestClient) -> None:
    shared.cookies.set("lightgap-units", "inch")
    try:
        assert "8.661 in across flats" in page(shared, "/log/rings/1")
        assert "open 0.0142 ± 0.0012 in" in page(shared, "/log?verdict=out")
    finally:
        shared.cookies.clear()


@pytest.mark.parametrize(
    "path", ["/log/builds/99", "/log/rings/99", "/log/checks/99", "/log/checks/1?result=9"]
)
def test_what_is_not_there_is_said_on_a_page(shared: TestClient, path: str) -> None:
    answer = shared.get(path, headers=HTML)
    assert answer.status_code == 404
    assert "<h1>" in answer.text


ALLOWED_MS = 200.0
ALLOWED_BYTES = 500_000


@pytest.fixture(scope="module")
def full(full_log: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The pages of a log of 10,000 checks."""
    app = create_app(tmp_path_factory.mktemp("page"), ADDRESS, log=full_log)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        yield client


@pytest.mark.parametrize(
    ("path", "lines"),
    [
        ("/log", BUILDS),
        ("/log?wood=oak", 20),
        ("/log?verdict=out", 20),
        ("/log?text=img_77", 20),
        ("/log?from=2026-03-01", 20),
    ],
)
def test_a_log_of_10000_checks_opens_at_once(full: TestClient, path: str, lines: int) -> None:
    spans = []
    for _ in range(20):
        begin = time.perf_counter()
        answer = full.get(path, headers=HTML)
        spans.append((time.perf_counter() - begin) * 1e3)
    assert answer.text.count("<li>") == lines
    assert statistics.median(spans) < ALLOWED_MS
    assert len(answer.content) < ALLOWED_BYTES


def test_every_build_is_on_exactly_one_page(full: TestClient) -> None:
    path, seen = "/log", []
    while path:
        text = page(full, path)
        seen += [part.split('"')[0] for part in text.split('href="/log/builds/')[1:]]
        path = text.split('class="button" href="/log?')[1].split('"')[0] if "Earlier builds" in text else ""
        path = f"/log?{path}".replace("&amp;", "&") if path else ""
    assert len(seen) == len(set(seen)) == CHECKS // 40
