"""Many photos on all cores: in their order, and none lost when something goes wrong with one."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from lightgap import batch
from lightgap.batch import Job, check_all, check_one, cores, writing
from lightgap.errors import LightgapError, PhotoError
from made_ring import make_plan


def jobs_for(folder: Path, count: int) -> list[Job]:
    """Photos that cannot be read, each for its own reason: the outcome is known without the engine."""
    jobs = []
    for number in range(count):
        path = folder / f"ring{number}.jpg"
        if number % 2:
            path.write_bytes(b"")
        jobs.append(Job(path, make_plan()))
    return jobs


@pytest.mark.parametrize("workers", [1, 2])
def test_outcomes_come_in_the_photos_order_with_their_reasons(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    monkeypatch.setattr(batch, "cores", lambda: workers)
    jobs = jobs_for(tmp_path, 4)
    counts: list[int] = []
    outcomes = list(check_all(jobs, counts.append))
    assert [outcome.photo for outcome in outcomes] == [job.photo for job in jobs]
    assert all(isinstance(outcome.failure, PhotoError) for outcome in outcomes)
    told = [outcome.failure.message if outcome.failure else "" for outcome in outcomes]
    assert told[0] == f"There is no file {jobs[0].photo}."
    assert told[3] == "ring3.jpg is empty."
    assert counts[-1] == 4
    assert counts == sorted(counts)


def test_a_fault_in_one_photo_becomes_its_outcome(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("lightgap.photo.read_photo", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    outcome = check_one(jobs_for(tmp_path, 1)[0])
    assert outcome.exit_status == 2
    assert outcome.failure is not None
    assert "ZeroDivisionError" in outcome.failure.message


def test_there_is_a_core_to_work_on() -> None:
    assert 1 <= cores() <= (os.cpu_count() or 1)


def test_what_cannot_be_written_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none" / "picture.jpg"
    with pytest.raises(LightgapError) as raised, writing(path):
        path.write_bytes(b"")
    assert raised.value.message == f"{path} cannot be written: No such file or directory."
