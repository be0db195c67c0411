"""Checks one at a time, in a process of their own that may die or be killed."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from lightgap.asked import Source
from lightgap.errors import RingError
from lightgap.plan import Plan
from lightgap_web import queue as queue_module
from lightgap_web.failures import BusyError, NotThereError, StoppedError
from lightgap_web.queue import Check, CheckQueue, CheckRequest, Engine, OwnProcess

Make = Callable[..., CheckQueue]


def engine(request: CheckRequest, _folder: Path, progress: Callable[[float, str], None]) -> dict[str, Any]:
    """Do what the photo's name says; imported by the other process."""
    progress(0.5, "half way")
    match request.name:
        case "die":
            os._exit(9)
        case "sleep":
            time.sleep(60)
        case "no ring":
            raise RingError("No ring.", "Another photo.")
        case "fault":
            raise ZeroDivisionError("inside")
    return {"name": request.name, "process": os.getpid()}


def request(name: str) -> CheckRequest:
    return CheckRequest((Source(name, Path("none")),), Plan(12, "closed", 220.0, 38.0, 19.0))


@pytest.fixture
def make_queue(tmp_path: Path) -> Iterator[Make]:
    """Make queues that are closed after the test."""
    queues = []

    def make(engine: Engine) -> CheckQueue:
        queues.append(CheckQueue(tmp_path, engine))
        return queues[-1]

    yield make
    for one in queues:
        one.close()


def ended(queue: CheckQueue, check: Check) -> Check:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        now = queue.get(check.id)
        if now.state in ("done", "failed"):
            return now
        time.sleep(0.005)
    raise TimeoutError


def test_one_after_the_other_in_the_order_of_asking(make_queue: Make) -> None:
    together, most, order = 0, 0, []

    def count(request: CheckRequest, *_rest: Any) -> dict[str, Any]:
        nonlocal together, most
        together += 1
        most = max(most, together)
        order.append(request.name)
        time.sleep(0.01)
        together -= 1
        return {}

    queue = make_queue(count)
    checks = [queue.add(queue.new_folder(), request(str(number))) for number in range(5)]
    assert [ended(queue, check).state for check in checks] == ["done"] * 5
    assert (most, order) == (1, ["0", "1", "2", "3", "4"])
    assert [check.id for check in queue.all()] == [check.id for check in reversed(checks)]


def test_progress_is_seen_while_it_works(make_queue: Make) -> None:
    go_on = threading.Event()

    def slow(_request: CheckRequest, _folder: Path, progress: Callable[[float, str], None]) -> dict[str, Any]:
        progress(0.4, "looking for the ring")
        go_on.wait(10)
        return {}

    queue = make_queue(slow)
    check = queue.add(queue.new_folder(), request("slow"))
    until = time.monotonic() + 5
    while queue.get(check.id).share != 0.4 and time.monotonic() < until:
        time.sleep(0.005)
    now = queue.get(check.id)
    assert (now.state, now.share, now.step) == ("measuring", 0.4, "looking for the ring")
    with pytest.raises(BusyError):
        queue.again(check.id, request("slow"))
    go_on.set()
    assert ended(queue, check).state == "done"


def test_an_error_keeps_its_two_sentences_across_the_process(make_queue: Make) -> None:
    queue = make_queue(OwnProcess(engine))
    failed = ended(queue, queue.add(queue.new_folder(), request("no ring")))
    assert isinstance(failed.error, RingError)
    assert (failed.error.message, failed.error.hint) == ("No ring.", "Another photo.")


def test_the_process_is_kept_warm(make_queue: Make) -> None:
    queue = make_queue(OwnProcess(engine))
    results = [ended(queue, queue.add(queue.new_folder(), request(name))).result for name in "ab"]
    assert results[0] is not None and results[1] is not None
    assert results[0]["process"] == results[1]["process"] != os.getpid()


@pytest.mark.parametrize(
    ("name", "limit", "says"), [("sleep", 1.5, "took more than"), ("die", 60.0, "want of memory")]
)
def test_a_check_that_is_stopped_costs_only_itself(
    make_queue: Make, name: str, limit: float, says: str
) -> None:
    queue = make_queue(OwnProcess(engine, limit_seconds=limit))
    ended(queue, queue.add(queue.new_folder(), request("warm")))
    stopped = queue.add(queue.new_folder(), request(name))
    after = queue.add(queue.new_folder(), request("next"))
    error = ended(queue, stopped).error
    assert isinstance(error, StoppedError)
    assert says in error.message
    assert ended(queue, after).state == "done"


def test_a_fault_is_told_without_its_trace(make_queue: Make, caplog: pytest.LogCaptureFixture) -> None:
    queue = make_queue(OwnProcess(engine))
    failed = ended(queue, queue.add(queue.new_folder(), request("fault")))
    assert failed.error is not None
    assert "ZeroDivisionError" not in failed.error.message + failed.error.hint
    assert "ZeroDivisionError" in caplog.text


def test_measuring_again_keeps_the_old_result_when_it_fails(make_queue: Make) -> None:
    queue = make_queue(OwnProcess(engine))
    done = ended(queue, queue.add(queue.new_folder(), request("good")))
    queue.again(done.id, request("no ring"))
    again = ended(queue, done)
    assert again.state == "failed"
    assert again.result == done.result


def test_too_many_waiting_are_refused(make_queue: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queue_module, "MOST_WAITING", 2)
    go_on = threading.Event()
    queue = make_queue(lambda *_: (go_on.wait(10) and {}) or {})
    with pytest.raises(BusyError):
        for _ in range(5):
            queue.add(queue.new_folder(), request("x"))
    go_on.set()


def test_the_oldest_checks_are_forgotten_with_their_files(
    make_queue: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queue_module, "MOST_KEPT", 2)
    queue = make_queue(lambda *_: {})
    checks = []
    for number in range(4):
        checks.append(queue.add(queue.new_folder(), request(str(number))))
        ended(queue, checks[-1])
    assert [check.id for check in queue.all()] == [checks[3].id, checks[2].id]
    assert not checks[0].folder.exists()
    assert checks[3].folder.exists()
    with pytest.raises(NotThereError):
        queue.get(checks[0].id)
