"""`lightgap check`: photos and plan from the options, one table or one line per photo, and the files."""

from __future__ import annotations

import argparse
import glob
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from lightgap.batch import Job, Outcome, check_all, check_one, write_picture, writing
from lightgap.errors import LightgapError, PlanError
from lightgap.plan import Plan, plan_from_mapping, read_toml
from lightgap.show.bar import Bar
from lightgap.show.figures import Units

STATUS_ORDER = (2, 1, 3, 0)
"""Of several photos, the first of these exit statuses that occurs is the command's."""
_PICTURES = (".jpg", ".jpeg", ".png")
_BARS_MM = (50.0, 200.0)
_NOT_JUDGED = ("off", "false", "none")


def check(options: argparse.Namespace) -> int:
    """Check the photos that the options name; return the exit status."""
    plan = plan_of(options)
    photos = photos_of(options.photos)
    _outputs_differ(options, photos)
    units: Units = "inch" if options.units == "in" else "mm"
    jobs = [
        Job(
            photo,
            plan,
            options.reference,
            printed_bar(options.printed_bar),
            _picture(options, photo, photos),
            units,
            options.camera,
        )
        for photo in photos
    ]
    if options.together and len(jobs) > 1:
        return _together(jobs, options)
    outcomes = [_single(jobs[0], options)] if len(jobs) == 1 else several(jobs, _text_to(options))
    _write_files(options, outcomes)
    if len(outcomes) == 1 and outcomes[0].failure is not None:
        raise outcomes[0].failure
    statuses = {outcome.exit_status for outcome in outcomes}
    return next(status for status in STATUS_ORDER if status in statuses)


def plan_of(options: argparse.Namespace) -> Plan:
    """Make the plan from its file and from the options, which stand above it.

    Raises
    ------
    PlanError
    """
    keys: dict[str, Any] = {} if options.plan is None else read_toml(options.plan)
    for item in fields(Plan):
        if item.name != "tolerance" and getattr(options, item.name) is not None:
            keys[item.name] = getattr(options, item.name)
    if options.tolerance:
        given = keys.get("tolerance", {})
        limits = dict(_limit(text) for text in options.tolerance)
        keys["tolerance"] = {**given, **limits} if isinstance(given, dict) else given
    return plan_from_mapping(keys)


def _limit(text: str) -> tuple[str, float | bool]:
    key, equals, limit = text.partition("=")
    if equals and limit.lower() in _NOT_JUDGED:
        return key, False
    try:
        return key, float(limit)
    except ValueError:
        raise PlanError(
            f"--tolerance cannot be read at '{text}'.",
            "Write it as gap_mm=0.2, or gap_mm=off; photos stand before the options.",
        ) from None


def photos_of(names: Iterable[str]) -> list[Path]:
    """Return the photos' paths; a pattern is looked up where the shell has not done so.

    Raises
    ------
    LightgapError
        If a pattern fits no file.
    """
    photos: list[Path] = []
    for name in names:
        if Path(name).exists() or not glob.has_magic(name):
            photos.append(Path(name))
            continue
        found = sorted(glob.glob(name))  # noqa: PTH207 - Path.glob takes no absolute patterns
        if not found:
            raise LightgapError(f"No file is called {name}.", "Check the photos' folder and ending.")
        photos += map(Path, found)
    return photos


def printed_bar(lengths: Sequence[float] | None) -> tuple[float, float] | None:
    """Check what the cards' two bars are said to measure, mm.

    Raises
    ------
    PlanError
        If they cannot be 100 mm bars.
    """
    if lengths is None:
        return None
    along_x, along_y = lengths
    for length in lengths:
        if not _BARS_MM[0] <= length <= _BARS_MM[1]:
            raise PlanError(
                f"A printed bar of {length:g} mm cannot be one of the cards' 100 mm bars.",
                "Give what a rule shows for both, in mm: --printed-bar 99.6 99.8.",
            )
    return along_x, along_y


def _picture(options: argparse.Namespace, photo: Path, photos: Sequence[Path]) -> Path | None:
    """Return where the photo's picture goes: the file named, or for several a file in that folder."""
    path: Path | None = options.picture
    if path is None:
        return None
    if len(photos) == 1 or options.together:
        if path.suffix.lower() not in _PICTURES:
            raise LightgapError(f"{path} is no name for a picture.", "End it in .jpg or .png.")
        return path
    if path.suffix.lower() in _PICTURES:
        raise LightgapError(
            f"{path} is one picture, for {len(photos)} photos.", "Name a folder for the pictures."
        )
    # Two folders may hold photos of the same name.
    number = f"{photos.index(photo) + 1}-" if [other.stem for other in photos].count(photo.stem) > 1 else ""
    return path / f"{number}{photo.stem}-checked.jpg"


def _outputs_differ(options: argparse.Namespace, photos: Sequence[Path]) -> None:
    """Refuse to write over what is read, or to write twice to one place."""
    outputs = [name for name in (options.json, options.csv, options.picture) if name is not None]
    kept = {path.resolve() for path in (*photos, options.plan) if path is not None}
    for name in outputs:
        if name != "-" and Path(name).resolve() in kept:
            raise LightgapError(f"{name} would be written over.", "Name another file for what comes out.")
    if len(outputs) != len({str(name) for name in outputs}):
        raise LightgapError("Two outputs have the same name.", "Name a file for each.")


def _text_to(options: argparse.Namespace) -> Callable[[str], None]:
    """Where tables and lines go: nowhere, when the standard output carries JSON or CSV."""
    if "-" in (options.json, options.csv):
        return lambda _text: None
    return lambda text: print(text, flush=True)


def _single(job: Job, options: argparse.Namespace) -> Outcome:
    from lightgap.show.table import table

    bar = Bar()
    try:
        outcome = check_one(job, bar.show)
    finally:
        bar.clear()
    if outcome.report is not None:
        _text_to(options)(table(outcome.report, job.units, budget=options.budget))
    return outcome


def _together(jobs: Sequence[Job], options: argparse.Namespace) -> int:
    """Check photos of one ring and tell one answer; its picture is drawn on the photo that it is based on.

    Raises
    ------
    LightgapError
        If no photo could be measured, or no two of several show the same ring.
    """
    from lightgap.photo import read_photo
    from lightgap.shots import missed
    from lightgap.show.table import table
    from lightgap.together import combine

    taken = [
        outcome.shot if outcome.shot is not None else missed(outcome.photo.name, _failure(outcome))
        for outcome in _counted(jobs)
    ]
    try:
        shot = combine(taken)
    except LightgapError as error:
        _write_files(options, [Outcome(jobs[0].photo, failure=error)])
        raise
    base = jobs[shot.report.base]
    if base.picture is not None:
        write_picture(read_photo(base.photo), shot.report, base.picture, base.units)
    _write_files(options, [Outcome(base.photo, shot)])
    _text_to(options)(table(shot.report, base.units, budget=options.budget))
    return shot.report.exit_status


def _counted(jobs: Sequence[Job]) -> list[Outcome]:
    """Check photos under a progress bar, without pictures."""
    bar = Bar()

    def finished(count: int) -> None:
        bar.show(count / len(jobs), f"{count} of {len(jobs)} photos")

    finished(0)
    try:
        return list(check_all([replace(job, picture=None) for job in jobs], finished))
    finally:
        bar.clear()


def _failure(outcome: Outcome) -> LightgapError:
    assert outcome.failure is not None
    return outcome.failure


def several(
    jobs: Sequence[Job], say: Callable[[str], None], titles: Sequence[str] | None = None
) -> list[Outcome]:
    """Check photos under a progress bar; say one line for each as soon as it and those before it are done."""
    titles = titles or [job.photo.name for job in jobs]
    bar = Bar()
    done = 0

    def finished(count: int) -> None:
        nonlocal done
        done = count
        bar.show(count / len(jobs), f"{count} of {len(jobs)} photos")

    outcomes = []
    finished(0)
    try:
        for title, outcome in zip(titles, check_all(jobs, finished), strict=True):
            bar.clear()
            say(line_of(outcome, title))
            outcomes.append(outcome)
            finished(done)
    finally:
        bar.clear()
    say("")
    say(summary_of(outcomes))
    return outcomes


def line_of(outcome: Outcome, title: str) -> str:
    """Say in one line what became of a photo, behind its verdict's mark."""
    from lightgap.show.words import SIGNS

    if outcome.report is not None:
        return f"{SIGNS[outcome.report.verdict].mark} {title}: {outcome.report.headline}"
    failure = _failure(outcome)
    return f"! {title}: {failure.message} {failure.hint}"


def summary_of(outcomes: Sequence[Outcome]) -> str:
    """Count the verdicts: "7 photos: 2 in tolerance, 4 out of tolerance, 1 not measured"."""
    counts: dict[str, int] = {}
    for outcome in outcomes:
        verdict = str(outcome.report.verdict) if outcome.report else "could not be measured"
        counts[verdict] = counts.get(verdict, 0) + 1
    told = ", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items()))
    return f"{len(outcomes)} photos: {told}."


def _write_files(options: argparse.Namespace, outcomes: Sequence[Outcome]) -> None:
    if options.json is not None:
        forms = [_json_form(outcome, options.budget) for outcome in outcomes]
        _write(options.json, json.dumps(forms[0] if len(forms) == 1 else forms, indent=1) + "\n")
    if options.csv is not None:
        from lightgap.show.csv_table import csv_table

        _write(options.csv, csv_table(outcome.report for outcome in outcomes if outcome.report is not None))


def _json_form(outcome: Outcome, budgets: bool) -> dict[str, Any]:
    if outcome.report is not None:
        return outcome.report.to_dict(budgets=budgets)
    return {"photo": {"name": outcome.photo.name}, **_failure(outcome).to_dict()}


def _write(name: str, text: str) -> None:
    if name == "-":
        sys.stdout.write(text)
        return
    with writing(Path(name)):
        Path(name).write_text(text, encoding="utf-8", newline="")
