"""A log in a folder of its own, and things to put into it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from lightgap.log.store import Log


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log(tmp_path / "log") as opened:
        yield opened
