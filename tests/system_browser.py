"""The browser that the page is tested with: one that is there already, none is ever fetched."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

PLACES = ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome")


def system_browser() -> str:
    """Return the path of the system's Chromium; without one the test is skipped.

    The README's test command must pass on a machine that has Python alone. Where a browser is needed,
    conftest.py fails what was skipped.
    """
    found = next((path for path in PLACES if Path(path).exists()), shutil.which("chromium"))
    if found is None:
        pytest.skip("no Chromium here (Debian: apt-get install chromium); .ci/run fails without one")
    return found
