"""A log of 10,000 checks is read by its indexes, so that its pages open at once.

``python tests/log_filling.py`` prints the times with reports of full size.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pytest

from lightgap.judge import Verdict
from lightgap.log.reading import checks_query
from lightgap.log.records import Filters
from lightgap.log.store import Log
from log_filling import fill, median_ms, pages
from made_ring import faulty_report, make_measurement, make_plan, make_report_of

CHECKS = 10_000
ALLOWED_MS = 100.0
"""Ten to fifty times what it takes on an idle machine; half of what the page has for opening the list."""


@pytest.fixture(scope="module")
def full_log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Log]:
    plan = make_plan()
    reports = [faulty_report().to_dict(), make_report_of(plan, make_measurement(plan)).to_dict()]
    # The lists never read a report: its joints alone stand for it, and the test stays quick.
    small = tuple({**report, "joints": report["joints"][7:8], "segments": []} for report in reports)
    with Log(tmp_path_factory.mktemp("full")) as log:
        fill(log, CHECKS, small)
        yield log


@pytest.mark.parametrize("name", ["builds", "checks", "checks out of tolerance", "checks of oak"])
def test_the_first_page_opens_at_once(full_log: Log, name: str) -> None:
    assert median_ms(pages(full_log)[name]) < ALLOWED_MS


@pytest.mark.parametrize(
    ("filters", "index"),
    [
        (Filters(), "checks_by_date"),
        (Filters(verdict=Verdict.OUT), "checks_by_verdict"),
        (Filters(first_day=date(2026, 3, 1)), "checks_by_date"),
        (Filters(ring_id=3), "checks_of_ring"),
    ],
)
@pytest.mark.parametrize("after", [None, "2026-03-01T09:30:00.000000Z~7"])
def test_a_page_is_read_along_an_index_without_sorting(
    full_log: Log, filters: Filters, index: str, after: str | None
) -> None:
    statement, values = checks_query(filters, after)
    plan = full_log.connection.execute(f"EXPLAIN QUERY PLAN {statement}", (*values, 50)).fetchall()
    steps = [row["detail"] for row in plan]
    assert index in steps[0]
    assert not any("SCAN" in step and "INDEX" not in step for step in steps)
    assert not any("TEMP B-TREE" in step for step in steps)


def test_every_check_is_on_exactly_one_page(full_log: Log) -> None:
    seen: list[int] = []
    after: str | None = None
    while True:
        page = full_log.checks(after=after, size=500)
        seen += [line.id for line in page.items]
        if page.after is None:
            break
        after = page.after
    assert seen == list(range(CHECKS, 0, -1))
