"""Where a browser is needed, a test that was skipped for want of one fails."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

WITHOUT_BROWSER = "import system_browser\nsystem_browser.PLACES = ()\n"
IN_FIXTURE = (
    f"{WITHOUT_BROWSER}@pytest.fixture\ndef page():\n    system_browser.system_browser()\n"
    "@pytest.mark.browser\ndef test_page(page):\n    pass\n"
)
IN_TEST = f"{WITHOUT_BROWSER}@pytest.mark.browser\ndef test_page():\n    system_browser.system_browser()\n"
RUN = "@pytest.mark.browser\ndef test_page():\n    pass\n"
NONE = "def test_other():\n    pass\n"


@pytest.mark.parametrize(
    ("content", "needed", "passes"),
    [
        (IN_TEST, "", True),
        (IN_TEST, "1", False),
        (IN_FIXTURE, "", True),
        (IN_FIXTURE, "1", False),
        (NONE, "", True),
        (NONE, "1", False),
        (RUN, "1", True),
    ],
)
def test_a_browser_test_where_there_is_no_browser(
    tmp_path: Path, content: str, needed: str, passes: bool
) -> None:
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
    here = {"PATH": "", "PYTHONPATH": str(Path(__file__).parent), "LIGHTGAP_NEEDS_BROWSER": needed}
    environment = {**os.environ, **here}
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) is passes, done.stdout
