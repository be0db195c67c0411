"""Where a browser is needed, a test that was skipped for want of one fails.

The skips here are the text of test files that are written and run to try this; none of this project's own
tests is skipped by them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

NO_BROWSER = (
    'pytest.skip("stands in for a machine without Chromium, where the page cannot be clicked through")'
)
SKIPPED = f"@pytest.mark.browser\ndef test_page():\n    {NO_BROWSER}\n"
SKIPPED_IN_FIXTURE = (
    f"@pytest.fixture\ndef page():\n    {NO_BROWSER}\n@pytest.mark.browser\ndef test_page(page):\n    pass\n"
)
RUN = "@pytest.mark.browser\ndef test_page():\n    pass\n"
NONE = "def test_other():\n    pass\n"


@pytest.mark.parametrize(
    ("content", "needed", "passes"),
    [
        (SKIPPED, "", True),
        (SKIPPED, "1", False),
        (SKIPPED_IN_FIXTURE, "", True),
        (SKIPPED_IN_FIXTURE, "1", False),
        (NONE, "", True),
        (NONE, "1", False),
        (RUN, "1", True),
    ],
)
def test_a_skipped_browser_test(tmp_path: Path, content: str, needed: str, passes: bool) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_it.py").write_text(f"import pytest\n{content}")
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "-o",
        "markers=browser",
        str(tmp_path),
    ]
    environment = {**os.environ, "LIGHTGAP_NEEDS_BROWSER": needed}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) is passes, done.stdout
