"""Who may come in: the rules for Host, Origin and pairing, as a table of requests and verdicts."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from lightgap_web.guard import SECURITY_HEADERS, Address, Guard
from lightgap_web.pairing import LINK_SECONDS, SESSION_SECONDS, Pairing
from lightgap_web.static_files import STATIC, digest

PLAN = {"segments": 12, "joint": "closed", "across_flats_mm": 220, "width_mm": 38, "thickness_mm": 19}


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8010", 200),
        ("localhost:8010", 200),
        ("LOCALHOST:8010", 200),
        ("[::1]:8010", 200),
        ("192.168.1.5:8010", 200),
        ("127.0.0.1", 400),
        ("127.0.0.1:9999", 400),
        ("evil.example", 400),
        ("evil.example:8010", 400),
        ("127.0.0.1:8010.evil.example", 400),
        ("evil@127.0.0.1:8010", 400),
        ("127.0.0.1:8010@evil", 400),
        ("::1:8010", 400),
        ("", 400),
    ],
)
@pytest.mark.parametrize("path", ["/", "/api/checks", f"{STATIC}/page.css", "/hello", "/nothing"])
def test_only_own_hosts_are_answered(client: TestClient, host: str, status: int, path: str) -> None:
    answer = client.get(path, headers={"host": host})
    assert (answer.status_code == 400) == (status == 400)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"sec-fetch-site": "same-origin"}, 200),
        ({"sec-fetch-site": "none"}, 200),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": "nonsense"}, 403),
        ({"sec-fetch-site": "same-origin", "origin": "http://127.0.0.1:8010"}, 200),
        ({"origin": "http://127.0.0.1:8010"}, 200),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"origin": "https://127.0.0.1:8010"}, 403),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "http://localhost:8010"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": ""}, 403),
    ],
)
def test_only_own_pages_change_anything(client: TestClient, headers: dict[str, str], status: int) -> None:
    assert client.post("/api/plan", json=PLAN, headers=headers).status_code == status


def every_path(app: Guard) -> list[str]:
    """All addresses of the application, with something put in for their parameters."""
    inner: Any = app.app
    routes = [one for route in inner.routes for one in getattr(route, "original_router", inner).routes]
    routes += inner.routes
    paths = []
    for route in routes:
        if isinstance(route, Route):
            paths.append(route.path.format(**dict.fromkeys(route.param_convertors, "x")))
        elif isinstance(route, Mount):
            paths.append(f"{route.path}/page.css")
    return sorted(set(paths))


def test_an_unpaired_device_gets_nowhere(page_app: Guard, phone: TestClient) -> None:
    paths = every_path(page_app)
    assert len(paths) > 12
    for path in (*paths, f"{STATIC}/check.js"):
        if path in ("/hello", f"{STATIC}/page.css"):
            assert phone.get(path).status_code == 200
            continue
        for method in ("GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS"):
            answer = phone.request(method, path)
            refused = {403, 405} if path.startswith("/pair/") else {403}
            assert answer.status_code in refused, (method, path)
            assert "set-cookie" not in answer.headers


def test_pairing_lets_a_phone_in_once(client: TestClient, phone: TestClient) -> None:
    link = client.post("/api/phone/links", json={"address": "192.168.1.5"}).json()
    assert link["url"].startswith("http://192.168.1.5:8010/pair/")
    assert "<svg" in link["svg"]
    path = link["url"].removeprefix("http://192.168.1.5:8010")

    # Only looked at, as a code scanner may do, the link is not used up.
    assert "Pair this phone" in phone.get(path).text
    assert phone.get("/api/checks").status_code == 403
    assert phone.post(path, headers={"origin": "http://evil.example"}).status_code == 403

    answer = phone.post(path, headers={"origin": "http://192.168.1.5:8010"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("lightgap-8010=")
    assert "HttpOnly" in cookie
    assert "samesite=lax" in cookie.lower()
    assert phone.get("/api/checks").status_code == 200
    assert client.get("/api/phone").json()["paired"] >= 1

    phone.cookies.clear()
    assert phone.get(path).status_code == 403
    assert phone.post(path).status_code == 403
    assert phone.get("/api/checks").status_code == 403


def test_a_paired_phone_cannot_pair_others(client: TestClient, phone: TestClient) -> None:
    link = client.post("/api/phone/links", json={"address": "192.168.1.5"}).json()
    assert phone.post(link["url"].removeprefix("http://192.168.1.5:8010")).status_code == 303
    assert phone.post("/api/phone/links", json={"address": "192.168.1.5"}).status_code == 403
    assert phone.get("/phone").status_code == 403


def test_a_link_is_made_only_for_an_address_of_this_machine(client: TestClient) -> None:
    answer = client.post("/api/phone/links", json={"address": "evil.example"})
    assert answer.status_code == 404


@pytest.mark.parametrize(
    "cookie", ["", "lightgap-8010=", "lightgap-8010=guess", 'lightgap-8010="\xff"', ";;=;"]
)
def test_a_guessed_cookie_is_no_session(phone: TestClient, cookie: str) -> None:
    answer = phone.get("/api/checks", headers={"cookie": cookie.encode("latin-1")})  # type: ignore[dict-item]
    assert answer.status_code == 403


def test_links_and_sessions_end() -> None:
    now = [0.0]
    pairing = Pairing(lambda: now[0])
    late, good = pairing.new_link(), pairing.new_link()
    session = pairing.open_session(good)
    assert pairing.is_open(session)
    now[0] = LINK_SECONDS + 1.0
    assert pairing.open_session(late) is None
    assert pairing.is_open(session)
    now[0] = SESSION_SECONDS + 1.0
    assert not pairing.is_open(session)
    assert not pairing.is_open(None)
    assert pairing.sessions == 0


def test_a_token_has_128_bits() -> None:
    tokens = {Pairing().new_link() for _ in range(50)}
    assert len(tokens) == 50
    assert all(len(token) == 22 for token in tokens)


@pytest.mark.parametrize(
    "path", ["/", "/guide", "/api/checks", f"{STATIC}/check.js", "/nothing", "/api/nothing"]
)
def test_every_answer_carries_the_headers(client: TestClient, phone: TestClient, path: str) -> None:
    for answer in (client.get(path), phone.get(path), client.get(path, headers={"host": "evil"})):
        for name, value in SECURITY_HEADERS.items():
            assert answer.headers[name] == value
        assert "unsafe" not in answer.headers["content-security-policy"]


def test_scripts_and_styles_are_kept_by_the_browser(client: TestClient) -> None:
    """Their address changes with what is in them; a page's own address never does."""
    start = client.get("/")
    assert start.headers["cache-control"] == "no-store"
    named = re.findall(r'(?:src|href)="(/static/[^"]+)"', start.text)
    assert len(named) > 3
    for path in named:
        answer = client.get(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    assert client.get(f"{STATIC}/nothing.js").headers["cache-control"] == "no-store"


def test_the_address_of_scripts_changes_with_them(tmp_path: Path) -> None:
    (tmp_path / "a.js").write_text("1")
    before = digest(tmp_path)
    (tmp_path / "a.js").write_text("2")
    assert digest(tmp_path) != before
    (tmp_path / "a.js").rename(tmp_path / "b.js")
    (tmp_path / "b.js").write_text("1")
    assert digest(tmp_path) != before


def test_photos_are_not_kept_by_the_browser(client: TestClient, measured: dict[str, Any]) -> None:
    for part in ("photo", "picture", "report", "csv"):
        answer = client.get(f"/api/checks/{measured['id']}/{part}")
        assert answer.headers["cache-control"] == "no-store"


def test_an_unreadable_client_address_is_not_local(page_app: Guard, client: TestClient) -> None:
    del client
    odd = TestClient(page_app, base_url="http://127.0.0.1:8010", client=("unix", 0))
    assert odd.get("/api/checks").status_code == 403


def test_hosts_on_the_plain_port_may_leave_it_out() -> None:
    assert "localhost" in Address(80).hosts
    assert "localhost" not in Address(8010).hosts
