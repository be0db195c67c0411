"""Nothing half-written survives: a process killed while it saves, and a disk that is full.

A kill shows what a crash of the program leaves; that the disk itself keeps what was flushed when the
power goes is SQLite's promise with ``synchronous = FULL`` and fsync's for the photos, not tested here.
"""

from __future__ import annotations

import errno
import hashlib
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Iterator
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from lightgap.errors import LogError
from lightgap.log import photos as photos_module
from lightgap.log.database import transaction
from lightgap.log.records import NewPhoto
from lightgap.log.store import Log
from log_saver import save
from made_ring import faulty_report, make_plan

KILLS = 20
LONGEST_SECONDS = 0.15
PHONE_PHOTO_BYTES = 2_000_000

_PROCESSES = multiprocessing.get_context("spawn" if sys.platform == "win32" else "forkserver")


@pytest.fixture(scope="module", autouse=True)
def _import_once() -> Iterator[None]:
    """Let each saver start from a process that has imported everything."""
    _PROCESSES.set_forkserver_preload(["log_saver"])
    with pytest.MonkeyPatch.context() as patch:
        # Python 3.11's fork server does not get this process's own sys.path.
        patch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
        yield


def _start(
    log: Log, ring_id: int, seed: int, photo_bytes: int, largest: int | None = None
) -> tuple[BaseProcess, Connection]:
    """Start a saver and wait until it has opened the log."""
    here, there = multiprocessing.Pipe(duplex=False)
    saver = _PROCESSES.Process(target=save, args=(log.folder, ring_id, seed, there, photo_bytes, largest))
    saver.start()
    there.close()
    assert here.recv() == "ready"
    return saver, here


def _said(pipe: Connection) -> list[int | str]:
    """Read all that a saver has said, to the last whole word."""
    said = []
    while True:
        try:
            said.append(pipe.recv())
        except (EOFError, OSError):
            pipe.close()
            return said


def _check_all(log: Log, printed: list[int]) -> int:
    """See that the log holds all that was said to be saved, each check whole; return how many."""
    assert log.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert log.connection.execute("PRAGMA foreign_key_check").fetchall() == []
    ids = [row[0] for row in log.connection.execute("SELECT id FROM checks")]
    assert set(printed) <= set(ids)
    for number in ids:
        check = log.check(number)
        assert len(check.results) == 1 and check.summary.verdict is not None and check.notes == {"n": "1"}
        for photo in check.photos:
            assert hashlib.sha256(log.photos.read(photo.stored)).hexdigest() == photo.stored.sha256
        assert len(check.photos) == 2
    for path in (log.folder / "photos").glob("*.jpg"):
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.stem
    return len(ids)


def test_a_process_killed_while_it_saves_leaves_only_whole_checks(log: Log) -> None:
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id
    moments = random.Random(7)
    printed: list[int] = []
    for kill in range(KILLS):
        saver, pipe = _start(log, ring_id, kill, PHONE_PHOTO_BYTES)
        if kill % 2:
            printed.append(pipe.recv())
        time.sleep(moments.uniform(0.0, LONGEST_SECONDS))
        saver.kill()
        saver.join()
        assert saver.exitcode != 0
        printed += [word for word in _said(pipe) if isinstance(word, int)]
    assert _check_all(log, printed) >= KILLS // 2


def test_a_photo_for_which_there_is_no_room_is_not_kept(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id

    def full_halfway(path: Path, data: bytes) -> None:
        path.write_bytes(data[: len(data) // 2])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(photos_module, "_write", full_halfway)
    with pytest.raises(LogError, match="The disk is full: nothing was saved"):
        log.add_check(ring_id, [NewPhoto("a.jpg", b"\xff\xd8\xff" * 99)])
    assert list((log.folder / "photos").iterdir()) == []
    assert log.checks().items == ()


def test_a_database_for_which_there_is_no_room_keeps_what_it_had(log: Log) -> None:
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id
    report = faulty_report().to_dict(budgets=True)
    first = log.add_check(ring_id, [NewPhoto("a.jpg", b"\xff\xd8\xff1")], report)
    pages = log.connection.execute("PRAGMA page_count").fetchone()[0]
    log.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(LogError, match="The disk is full: nothing was saved"):
        for number in range(9):
            log.add_check(ring_id, [NewPhoto("b.jpg", b"\xff\xd8\xff%d" % number)], report)
    named = {row[0] for row in log.connection.execute("SELECT sha256 FROM photos")}
    assert {path.stem for path in (log.folder / "photos").iterdir()} == named
    log.connection.execute("PRAGMA max_page_count = 1000000")
    assert log.check(first.id).results[0].report == report
    assert log.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    log.add_check(ring_id, [NewPhoto("c.jpg", b"\xff\xd8\xffc")], report)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on a file's size")
@pytest.mark.parametrize("limit_kb", [0, 100, 300, 600])
def test_a_disk_that_fills_while_saving_leaves_only_whole_checks(log: Log, limit_kb: int) -> None:
    """The system itself refuses to let any file grow beyond a limit, at whichever write that falls."""
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id
    saver, pipe = _start(log, ring_id, 0, 50_000, limit_kb * 1024)
    saver.join()
    *printed, refused = _said(pipe)
    assert "The disk is full" in str(refused) or "disk I/O error" in str(refused)
    assert _check_all(log, [int(word) for word in printed]) == len(printed)
    assert list((log.folder / "photos").glob("*.part")) == []


def test_what_a_crash_left_behind_is_swept_once_it_has_settled(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id
    kept = log.add_check(ring_id, [NewPhoto("a.jpg", b"\xff\xd8\xff1")])
    left = log.photos.add(b"\xff\xd8\xffsaved, but its check never was")
    part = log.folder / "photos" / "0123.part"
    part.write_bytes(b"half a photo")
    log.purge()
    assert log.photos.holds(left) and part.exists()
    monkeypatch.setattr(photos_module, "SETTLING_SECONDS", -1.0)
    log.purge()
    assert not log.photos.holds(left) and not part.exists()
    assert log.photos.holds(kept.photos[0].stored)


def test_a_photo_purged_between_storing_and_saving_is_stored_again(
    log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    ring_id = log.add_ring(log.add_build("Bowl").id, make_plan()).id
    photo = NewPhoto("a.jpg", b"\xff\xd8\xff1")
    stored = log.photos.add(photo.data)

    def purged_just_before(connection: object) -> object:
        log.photos.remove(stored)
        return transaction(connection)  # type: ignore[arg-type]

    monkeypatch.setattr("lightgap.log.store.transaction", purged_just_before)
    check = log.add_check(ring_id, [photo])
    assert log.photos.read(check.photos[0].stored) == photo.data
