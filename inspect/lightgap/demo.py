"""`lightgap demo`: every sample photograph checked, each in one line, with its picture."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path

from lightgap.batch import Job, cores
from lightgap.checking import several
from lightgap.samples import read_samples

_INTRODUCTION = """\
{count} rings of an invented workshop, photographed before they go into the stack. The pictures are
computer-rendered, so that what is wrong with each ring is known exactly.
"""


def demo(folder: Path) -> int:
    """Check the sample photographs, write their pictures into ``folder``, say what to look at next."""
    samples = read_samples()
    jobs = [
        Job(sample.photo, sample.plan, sample.reference, picture=folder / f"{sample.name}-checked.jpg")
        for sample in samples
    ]
    print(_INTRODUCTION.format(count=len(samples)), flush=True)
    started = time.perf_counter()
    outcomes = several(jobs, partial(print, flush=True), [sample.title for sample in samples])
    seconds = time.perf_counter() - started
    print(f"{seconds:.0f} s on {min(cores(), len(jobs))} cores.")
    print(f"The annotated pictures are in {folder.resolve()}.")
    print("See the same rings on the page, where each joint can be looked at: lightgap serve --demo")
    return 2 if any(outcome.report is None for outcome in outcomes) else 0
