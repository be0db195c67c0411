"""Save checks until killed, telling of each that is saved: run by `log/test_crash` in other processes."""

from __future__ import annotations

import itertools
import random
import signal
from multiprocessing.connection import Connection
from pathlib import Path

from lightgap.errors import LogError
from lightgap.log.records import NewPhoto
from lightgap.log.store import Log
from made_ring import faulty_report


def save(
    folder: Path,
    ring_id: int,
    seed: int,
    pipe: Connection,
    photo_bytes: int,
    largest_file_bytes: int | None,
) -> None:
    """Send "ready", then the id of each check as soon as it is saved; at last what the log refused."""
    report = faulty_report().to_dict(budgets=True)
    chance = random.Random(seed)
    with Log(folder) as log:
        if largest_file_bytes is not None:
            _limit_files(largest_file_bytes)
        pipe.send("ready")
        for number in itertools.count():
            photos = [
                NewPhoto(f"{number}{place}.jpg", b"\xff\xd8\xff" + chance.randbytes(photo_bytes))
                for place in "ab"
            ]
            try:
                pipe.send(log.add_check(ring_id, photos, report, notes={"n": "1"}).id)
            except LogError as error:
                pipe.send(error.message)
                return


def _limit_files(largest_bytes: int) -> None:
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest_bytes, largest_bytes))
