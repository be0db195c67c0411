"""Fill a log with many checks, and time how fast its first pages are read.

``python tests/log_filling.py [CHECKS]`` prints a table (10,000 checks unless told otherwise, each with
a report of full size, about 400 MB in a folder that is removed again).
"""

from __future__ import annotations

import itertools
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from lightgap.judge import Verdict
from lightgap.log import writing
from lightgap.log.clock import written
from lightgap.log.database import transaction
from lightgap.log.records import Filters, KeptPhoto
from lightgap.log.store import Log
from made_ring import faulty_report, make_measurement, make_plan, make_report_of

WOODS = ("oak", "ash", "walnut", "maple", "cherry")
RINGS_PER_BUILD = 10
CHECKS_PER_RING = 4
START = datetime(2026, 1, 1, tzinfo=UTC)


NO_PHOTOS = tuple(b"\xff\xd8\xff%d" % number for number in range(8))
"""What begins like a JPEG: enough to be kept, not to be seen."""


def fill(
    log: Log, checks: int, reports: tuple[Mapping[str, Any], ...], photos: Sequence[bytes] = NO_PHOTOS
) -> None:
    """Write ``checks`` checks, 4 to a ring, 10 rings to a build, one an hour, reports and photos in turn."""
    plan = make_plan()
    turn = itertools.cycle(reports)
    stored = [log.photos.add(photo) for photo in photos]
    with transaction(log.connection):
        for number in range(checks):
            moment = written(START + timedelta(hours=number))
            ring, place = divmod(number, CHECKS_PER_RING)
            if number % (RINGS_PER_BUILD * CHECKS_PER_RING) == 0:
                wood = WOODS[ring // RINGS_PER_BUILD % len(WOODS)]
                notes = {"wood": wood, "glue": "hide glue"}
                build_id = writing.insert_build(log.connection, f"{number}", f"Build {number}", moment, notes)
            if place == 0:
                position = ring % RINGS_PER_BUILD + 1
                ring_id = writing.insert_ring(log.connection, build_id, position, "", plan, moment, {})
            photo = KeptPhoto(f"IMG_{number}.JPG", stored[number % len(stored)])
            check_id = writing.insert_check(
                log.connection, ring_id, [photo], plan, "cards", {}, moment, {"who": "Ann"}
            )
            writing.insert_outcome(log.connection, check_id, next(turn))


def pages(log: Log) -> dict[str, Callable[[], object]]:
    """Return each way of reading a first page, by its name."""
    middle = log.checks(size=1).items[0].made_at.replace("2027", "2026")
    return {
        "builds": log.builds,
        "checks": log.checks,
        "checks from the middle on": lambda: log.checks(after=f"{middle}~1"),
        "checks out of tolerance": lambda: log.checks(Filters(verdict=Verdict.OUT)),
        "checks never close to call": lambda: log.checks(Filters(verdict=Verdict.CLOSE)),
        "checks of oak": lambda: log.checks(Filters(wood="oak")),
        "checks of a wood never used": lambda: log.checks(Filters(wood="ebony")),
        "checks in a week": lambda: log.checks(
            Filters(first_day=START.date(), last_day=START.date() + timedelta(days=7))
        ),
        "checks with a text": lambda: log.checks(Filters(text="img_77")),
        "checks with a text never written": lambda: log.checks(Filters(text="zebrano")),
        "one build": lambda: log.build(1),
        "one check": lambda: log.check(1),
    }


def median_ms(read: Callable[[], object], times: int = 20) -> float:
    """Return the median time of reading, ms."""
    spans = []
    for _ in range(times):
        begin = time.perf_counter()
        read()
        spans.append((time.perf_counter() - begin) * 1e3)
    return statistics.median(spans)


def main(checks: int = 10_000) -> None:
    plan = make_plan()
    good = make_report_of(plan, make_measurement(plan))
    reports = tuple(report.to_dict(budgets=True) for report in (faulty_report(), good, good))
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        with Log(Path(folder)) as log:
            fill(log, checks, reports)
        print(f"{checks} checks written in {time.perf_counter() - begin:.1f} s")
        begin = time.perf_counter()
        with Log(Path(folder)) as log:
            log.builds()
            print(f"opened, with its first page: {(time.perf_counter() - begin) * 1e3:.1f} ms")
            for name, read in pages(log).items():
                print(f"{name:34} {median_ms(read):7.2f} ms (median of 20)")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
