"""The browser that the page is tested with: one that is there already, none is ever fetched."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

PLACES = ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome")


def system_browser() -> str:
    """Return the path of the system's Chromium; without one the test is skipped.

    Where a browser is needed, conftest.py fails what was skipped.
    """
    found = next((path for path in PLACES if Path(path).exists()), shutil.which("chromium"))
    if found is None:
        pytest.skip("no Chromium here, which Python alone cannot install; .ci/run installs it, never skips")
    return found
