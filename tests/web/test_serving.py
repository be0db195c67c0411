"""`serve` as the command runs it: a process of its own, its sockets, its end."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from lightgap.errors import LightgapError
from lightgap_web.app import listening, serve
from lightgap_web.network import lan_addresses
from lightgap_web.static_files import STATIC
from web.conftest import NEEDS_ADDRESS, running


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`lightgap serve` running, and the address that it printed."""
    command = [sys.executable, "-m", "lightgap", "serve", "--port", "0", "--no-browser", "--demo"]
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        link = process.stdout.readline().split()[-1]
        until = time.monotonic() + 30
        while time.monotonic() < until:
            try:
                urllib.request.urlopen(link).close()
                break
            except OSError:
                time.sleep(0.05)
        yield process, link
        process.kill()


def test_it_prints_where_it_is_and_ends_cleanly(
    served: tuple[subprocess.Popen[str], str], tmp_path: Path
) -> None:
    process, link = served
    assert re.fullmatch(r"http://127\.0\.0\.1:\d+/samples", link)
    ask = urllib.request.Request(link.replace("/samples", "/api/samples/oak12_closed/checks"), method="POST")
    with urllib.request.urlopen(ask) as answer:
        assert json.load(answer)["state"] == "waiting"
    # Ended in the middle of a check: no trace of the program's own, no photo left behind.
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=20)
    assert "Traceback" not in said
    assert process.returncode in (0, 130)
    assert list(tmp_path.iterdir()) == []


def test_it_listens_on_this_machine_only(served: tuple[subprocess.Popen[str], str]) -> None:
    port = int(served[1].split(":")[2].split("/")[0])
    for address in lan_addresses():
        with socket.socket() as outside, pytest.raises(OSError):
            outside.settimeout(2.0)
            outside.connect((address, port))


def test_a_taken_port_is_said() -> None:
    with listening("127.0.0.1", 0) as taken, pytest.raises(LightgapError, match="taken") as told:
        serve(taken.getsockname()[1], open_browser=False)
    assert "--port 0" in told.value.hint


def test_addresses_of_the_home_network_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "bench")
    found = ["127.0.1.1", "8.8.8.8", "169.254.3.4", "192.168.1.5", "10.8.0.2"]
    monkeypatch.setattr("socket.gethostbyname_ex", lambda name: (name, [], found))
    monkeypatch.setattr("lightgap_web.network._used_towards", lambda _target: "10.8.0.2")
    assert lan_addresses() == ("10.8.0.2", "192.168.1.5")


def test_no_network_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> None:
        raise OSError

    monkeypatch.setattr("socket.gethostbyname_ex", none)
    monkeypatch.setattr("socket.socket.connect", none)
    assert lan_addresses() == ()


@NEEDS_ADDRESS
def test_a_phone_on_the_network_is_let_in_by_its_code_alone(tmp_path: Path) -> None:
    """Over real sockets: this machine's own network address counts as another device."""
    addresses = lan_addresses()
    with running(tmp_path, lan=addresses[:1]) as root:
        port = root.rsplit(":", 1)[1]
        outside = f"http://{addresses[0]}:{port}"
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with opener.open(f"{outside}/hello") as hello:
            assert b"Hello" in hello.read()
        for path in ("/", "/api/checks", f"{STATIC}/start.js", "/phone"):
            with pytest.raises(urllib.error.HTTPError) as refused:
                opener.open(outside + path)
            assert refused.value.code == 403
            refused.value.close()
        ask = urllib.request.Request(
            f"{root}/api/phone/links",
            data=json.dumps({"address": addresses[0]}).encode(),
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(ask) as answer:
            link = json.load(answer)["url"]
        assert link.startswith(outside)
        with opener.open(urllib.request.Request(link, method="POST")) as page:
            assert page.url == f"{outside}/"
        with opener.open(f"{outside}/api/checks") as checks:
            assert json.load(checks) == []
