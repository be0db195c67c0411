"""What is told when the fault is the program's or the system's."""

from __future__ import annotations

from pathlib import Path

import pytest

from lightgap import faults
from lightgap.errors import ScaleError


def test_a_missing_system_library_is_explained() -> None:
    # The words of the dynamic loader, as in many bug reports of programs that use OpenCV.
    missing = ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
    told = faults.told(missing)
    assert told.message == "OpenCV cannot start: this system lacks libGL.so.1."
    assert "apt install libgl1" in told.hint
    assert "opencv-python-headless" in told.hint


def test_too_little_memory_is_explained() -> None:
    assert "not enough memory" in faults.told(MemoryError()).message


def test_what_a_person_can_put_right_is_told_as_it_is() -> None:
    error = ScaleError("No card was found.", "Lay a card beside the ring.")
    assert faults.told(error) is error


def test_anything_else_is_kept_in_a_file_with_its_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    try:
        raise KeyError("joint 13")
    except KeyError as error:
        told = faults.told(error)
    (log,) = tmp_path.iterdir()
    assert str(log) in told.hint
    assert "KeyError: 'joint 13'" in log.read_text(encoding="utf-8")
    assert "joint 13" not in told.message


def test_a_full_disk_does_not_hide_the_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "none"))
    assert "no file" in faults.told(KeyError()).hint
