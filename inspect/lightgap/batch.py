"""Check one photo, or many on all cores; nothing that goes wrong with one stops the others."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lightgap import faults
from lightgap.asked import Asked
from lightgap.errors import LightgapError
from lightgap.plan import Plan

if TYPE_CHECKING:  # The engine is loaded when the first photo is measured, not with the command.
    from lightgap.photo import Photo
    from lightgap.report import Report
    from lightgap.show.figures import Units
    from lightgap.together import Shot

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_QUALITY = 90


def _silent(_share: float, _step: str) -> None:
    pass


@dataclass(frozen=True)
class Job:
    """One photo to check.

    Attributes
    ----------
    photo : Path
    plan : Plan
    reference : str
    printed_bar_mm : (float, float) or None
        As for `lightgap.check.check`.
    picture : Path or None
        Where to write the annotated picture.
    units : "mm" or "inch"
        For the picture.
    camera : str
        As for `lightgap.profiles.with_profile`.
    """

    photo: Path
    plan: Plan
    reference: str = "auto"
    printed_bar_mm: tuple[float, float] | None = None
    picture: Path | None = None
    units: Units = "mm"
    camera: str = "auto"


@dataclass(frozen=True)
class Outcome:
    """What became of one photo: a report with the ring's print, or the reason why there is none."""

    photo: Path
    shot: Shot | None = None
    failure: LightgapError | None = None

    @property
    def report(self) -> Report | None:
        return self.shot.report if self.shot is not None else None

    @property
    def exit_status(self) -> int:
        if self.report is not None:
            return self.report.exit_status
        return self.failure.exit_status if self.failure is not None else 2


def check_one(job: Job, progress: Callable[[float, str], None] = _silent) -> Outcome:
    """Check one photo and write its picture."""
    try:
        from lightgap.photo import read_photo
        from lightgap.profiles import with_profile

        photo = with_profile(read_photo(job.photo), job.camera)
        # After the photo, so that one that cannot be read is refused at once.
        from lightgap.shots import take

        asked = Asked(job.plan, job.reference, job.printed_bar_mm)
        shot = take(photo, asked, progress=progress)
        if job.picture is not None:
            write_picture(photo, shot.report, job.picture, job.units)
    except Exception as error:
        return Outcome(job.photo, failure=faults.told(error))
    return Outcome(job.photo, shot)


def write_picture(photo: Photo, report: Report, path: Path, units: Units = "mm") -> None:
    """Write the annotated picture as JPEG or PNG, as the path's ending says."""
    from PIL import Image

    from lightgap.show.picture import draw

    picture = Image.fromarray(draw(photo, report, units))
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        picture.save(path, quality=_QUALITY)


@contextlib.contextmanager
def writing(path: Path) -> Iterator[None]:
    """Tell what could not be written, and why, instead of raising OSError."""
    try:
        yield
    except OSError as error:
        raise LightgapError(
            f"{path} cannot be written: {error.strerror or error}.", "Name another file or folder."
        ) from error


def check_all(jobs: Sequence[Job], finished: Callable[[int], None]) -> Iterator[Outcome]:
    """Check photos on all cores; yield what became of each, in their order.

    Parameters
    ----------
    finished : callable
        Told the number of photos done, whenever it has grown.
    """
    workers = min(len(jobs), cores())
    if workers < 2:
        for count, job in enumerate(jobs, 1):
            outcome = check_one(job)
            finished(count)
            yield outcome
        return
    # Started afresh, not forked: OpenCV's threads do not survive a fork.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, _use_one_thread) as pool:
        tasks = [pool.submit(check_one, job) for job in jobs]
        waiting = set(tasks)
        try:
            for job, task in zip(jobs, tasks, strict=True):
                while not task.done():
                    _, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    finished(len(tasks) - len(waiting))
                yield _outcome(job, task)
        finally:
            pool.shutdown(cancel_futures=True)


def _outcome(job: Job, task: Future[Outcome]) -> Outcome:
    try:
        return task.result()
    except Exception as error:  # The process died: out of memory, most likely.
        return Outcome(job.photo, failure=faults.told(error))


def cores() -> int:
    """Number of processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _use_one_thread() -> None:
    """Let each process use one core, before any library starts its own threads."""
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    import cv2

    cv2.setNumThreads(1)
