"""What holds for every test: where a browser is needed, none may be skipped for want of one."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

# Machines differ in speed; what a test asserts does not.
settings.register_profile("lightgap", deadline=None)
settings.load_profile("lightgap")

# A camera profile stored on this machine must not change what the tests measure.
os.environ["LIGHTGAP_CAMERAS"] = str(Path(__file__).with_name("no-cameras"))

NEEDS_BROWSER = "LIGHTGAP_NEEDS_BROWSER"
_browser_tests_run = pytest.StashKey[int]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Fail a browser test that was skipped, when LIGHTGAP_NEEDS_BROWSER=1 says that there is a browser."""
    report = yield
    if os.environ.get(NEEDS_BROWSER) == "1" and item.get_closest_marker("browser"):
        if report.skipped:
            report.outcome = "failed"
            report.longrepr = f"skipped, though {NEEDS_BROWSER}=1: {report.longrepr}"
        if call.when == "call":
            stash = item.session.stash
            stash[_browser_tests_run] = stash.get(_browser_tests_run, 0) + 1
    return report


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Fail the run in which no browser test ran at all, when they are needed."""
    needed = os.environ.get(NEEDS_BROWSER) == "1"
    if needed and exitstatus == pytest.ExitCode.OK and not session.stash.get(_browser_tests_run, 0):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        print(f"\nno browser test ran, though {NEEDS_BROWSER}=1")
