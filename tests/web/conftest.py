"""The page in a test: its API without a socket, and in a real browser against a real server."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from starlette.testclient import TestClient

import drawn_ring
import made_ring
import sample_ring
from lightgap.log.store import Log
from lightgap_web.app import create_app, listening
from lightgap_web.guard import Address, Guard
from lightgap_web.network import lan_addresses
from log_filling import fill
from system_browser import system_browser

LOCAL = ("127.0.0.1", 50000)
PHONE = ("192.168.1.7", 50001)
ADDRESS = Address(8010, ("192.168.1.5",))

BROWSER_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="session")
def page_app(tmp_path_factory: pytest.TempPathFactory) -> Guard:
    """The whole application, with an engine that knows the answer."""
    folder = tmp_path_factory.mktemp("page")
    return create_app(folder, ADDRESS, lan=True, demo=True, log=folder / "log", check=drawn_ring.check)


@pytest.fixture(scope="session")
def client(page_app: Guard) -> Iterator[TestClient]:
    """A program on this machine."""
    with TestClient(page_app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        yield client


@pytest.fixture
def fresh_client(tmp_path: Path) -> Iterator[TestClient]:
    """The like, of an application that has done nothing yet."""
    app = create_app(tmp_path, ADDRESS, log=tmp_path / "log", check=drawn_ring.check)
    with TestClient(app, base_url="http://127.0.0.1:8010", client=LOCAL) as client:
        yield client


@pytest.fixture
def phone(page_app: Guard, client: TestClient) -> Iterator[TestClient]:
    """A device on the network, not paired; ``client`` keeps the application running."""
    del client
    yield TestClient(page_app, base_url="http://192.168.1.5:8010", client=PHONE, follow_redirects=False)


def ask(client: TestClient, name: str = "ring.jpg", photo: bytes | None = None, **form: str) -> Any:
    """Post a photo with the drawn ring's plan."""
    import json

    files = {"photo": (name, photo if photo is not None else drawn_ring.photo_bytes())}
    return client.post("/api/checks", files=files, data={"plan": json.dumps(drawn_ring.PLAN), **form})


def wait(client: TestClient, check_id: str, seconds: float = 30.0) -> dict[str, Any]:
    """Follow a check to its end."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        check: dict[str, Any] = client.get(f"/api/checks/{check_id}").json()
        if check["state"] in ("done", "failed"):
            return check
        time.sleep(0.03)
    raise TimeoutError(f"check {check_id} did not end")


@pytest.fixture
def measured(client: TestClient) -> dict[str, Any]:
    """One check that is done."""
    return wait(client, ask(client).json()["id"])


CHECKS = 10_000


@pytest.fixture(scope="session")
def full_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a log of 10,000 checks with three of the sample photographs.

    The lists never read a report: one joint stands for it, and the tests stay quick.
    """
    folder = tmp_path_factory.mktemp("full") / "log"
    plan = made_ring.make_plan()
    good = made_ring.make_report_of(plan, made_ring.make_measurement(plan))
    reports = [report.to_dict() for report in (made_ring.faulty_report(), good)]
    small = tuple({**report, "joints": report["joints"][7:8], "segments": []} for report in reports)
    photos = [sample_ring.photo_of(name) for name in ("oak12_closed", "walnut16_spaced", "ash16_resin")]
    with Log(folder) as log:
        fill(log, CHECKS, small, photos)
    return folder


NEEDS_ADDRESS = pytest.mark.skipif(
    not lan_addresses(),
    reason="comes in as another device does, over a network address of this machine: offline it has none",
)
"""The bench is often offline, and the tests must pass there too; who may come in is also tested without a
network, in test_guard.py."""


# ---- a real browser ----


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The system's Chromium, ready to open pages."""
    found = system_browser()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=BROWSER_ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a running page whose engine knows the answer."""
    with running(tmp_path_factory.mktemp("served"), check=drawn_ring.check, demo=True) as root:
        yield root


class running:  # noqa: N801 - used as a context manager, like a function
    """Serve the page on a free port in a thread."""

    def __init__(self, folder: Path, lan: tuple[str, ...] = (), **options: Any) -> None:
        self.sockets = [listening("127.0.0.1", 0)]
        port = self.sockets[0].getsockname()[1]
        self.sockets += [listening(address, port) for address in lan]
        options.setdefault("log", folder / "log")
        app = create_app(folder, Address(port, lan), lan=bool(lan), **options)
        self.root = f"http://127.0.0.1:{port}"
        self.server = uvicorn.Server(uvicorn.Config(app, log_level="error", access_log=False))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": self.sockets})

    def __enter__(self) -> str:
        self.thread.start()
        while not self.server.started:
            time.sleep(0.02)
        return self.root

    def __exit__(self, *_failure: object) -> None:
        self.server.should_exit = True
        self.thread.join()
        for one in self.sockets:
            one.close()


@pytest.fixture
def open_page(browser: Any, served: str) -> Iterator[Callable[..., Any]]:
    """Open a page of the served application.

    Any error in its scripts, anything that its Content-Security-Policy blocks and any request to
    elsewhere fails the test.
    """
    contexts = []
    errors: list[str] = []

    def is_fault(said: Any) -> bool:
        # That an answer was 4xx, or did not come, is for the page to tell; its own errors are not.
        return said.type == "error" and not said.text.startswith("Failed to load resource")

    def opened(
        path: str = "/", width: int = 1440, height: int = 900, root: str = served, **options: Any
    ) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)

        def is_elsewhere(url: str) -> bool:
            return not url.startswith((root, f"blob:{root}"))

        page = context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda said: errors.append(said.text) if is_fault(said) else None)
        page.on("request", lambda sent: errors.append(sent.url) if is_elsewhere(sent.url) else None)
        page.goto(f"{root}{path}")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert errors == []
