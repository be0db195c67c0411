"""What `lightgap log` does and prints; the options come from `lightgap.log_cli`.

The engine is loaded only by what reads a report or a photo, so that a list appears at once.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from lightgap.batch import writing
from lightgap.checking import STATUS_ORDER, photos_of, printed_bar
from lightgap.errors import LogError
from lightgap.judge import Verdict
from lightgap.log.clock import shown
from lightgap.log.measuring import add_photos, measure_again
from lightgap.log.records import EVERY, BuildLine, Check, CheckLine, Filters, NewPhoto, Notes, Ring
from lightgap.log.settings import Settings
from lightgap.log.store import Log
from lightgap.plan import read_plan
from lightgap.show.bar import Bar
from lightgap.show.figures import Units, figure
from lightgap.show.words import SIGNS, counted, describe_plan, joined

_VERDICTS = {
    "in": Verdict.IN,
    "out": Verdict.OUT,
    "close": Verdict.CLOSE,
    "unmeasured": Verdict.UNMEASURED,
}


def run(name: str, options: argparse.Namespace) -> int:
    """Carry out one sub-command; return the exit status."""
    with Log(options.log) as log:
        return _ACTIONS[name](log, options)


def _list(log: Log, options: argparse.Namespace) -> int:
    filters = Filters(
        wood=options.wood,
        verdict=_VERDICTS.get(options.verdict),
        first_day=options.first_day,
        last_day=options.last_day,
        text=options.text,
        build_id=options.build,
        ring_id=options.ring,
    )
    if options.deleted:
        for item in log.deleted():
            print(f"{item.kind} {item.id}  {item.name}, deleted {shown(item.deleted_at)}")
        return 0
    if options.checks or filters != EVERY:
        checks = log.checks(filters, options.after, options.most)
        _print_lines([_check_line(line) for line in checks.items], "No check is like that.")
        after = checks.after
    else:
        builds = log.builds(options.after, options.most)
        empty = "The log is empty. Begin with: lightgap log add NAME --plan ring.toml PHOTO"
        _print_lines([_build_line(line) for line in builds.items], empty)
        after = builds.after
    if after is not None:
        print(f"There are more: add --after {after}")
    return 0


def _print_lines(lines: list[str], empty: str) -> None:
    for line in lines or [empty]:
        print(line)


def _build_line(line: BuildLine) -> str:
    wood = f", {line.wood}" if line.wood else ""
    rings, checks = counted(line.rings, "ring"), counted(line.checks, "check")
    named = f"{_mark(line.verdict)} build {line.id}  {line.name}{wood}"
    return f"{named}: {rings}, {checks}. {shown(line.changed_at)}"


def _check_line(line: CheckLine) -> str:
    summary = line.summary
    gap = "" if summary.worst_gap is None else f" (gap {figure(summary.worst_gap, 'gap_mm')})"
    return (
        f"{_mark(summary.verdict)} check {line.id}  {shown(line.made_at)}  {line.build_name}, "
        f"{line.ring_title}: {_said(summary.verdict, summary.headline)}{gap}"
    )


def _mark(verdict: Verdict | None) -> str:
    return " " if verdict is None else SIGNS[verdict].mark


def _said(verdict: Verdict | None, headline: str) -> str:
    return "not measured yet" if verdict is None else f"{verdict}. {headline}"


def _show(log: Log, options: argparse.Namespace) -> int:
    units: Units = "inch" if options.units == "in" else "mm"
    lines = {"build": _build, "ring": _ring, "check": _check}[options.kind](log, options.id, units)
    for line in lines:
        print(line)
    return 0


def _build(log: Log, build_id: int, units: Units) -> Iterator[str]:
    from lightgap.log.spacers import say_build
    from lightgap.log.stored import read_report

    build = log.build(build_id)
    yield f"{build.name} (build {build.id}), begun {shown(build.made_at)}"
    yield from _notes(build.notes)
    yield ""
    yield "Rings, the highest first:"
    for ring in reversed(build.rings):
        yield from _ring_lines(ring, units)
    reports = [
        (ring.title, read_report(result.report))
        for ring in build.rings
        if ring.latest is not None
        if (result := log.check(ring.latest.id).latest) is not None and result.report is not None
    ]
    if spacers := say_build(reports, units):
        yield ""
        yield "Spacers:"
        yield from spacers


def _ring(log: Log, ring_id: int, units: Units) -> Iterator[str]:
    ring = log.ring(ring_id)
    yield f"{log.build(ring.build_id).name} (build {ring.build_id})"
    yield from _ring_lines(ring, units)
    yield ""
    yield "Checks, the first made first:"
    for check in log.history(ring_id):
        summary = check.summary
        said = _said(summary.verdict, summary.headline)
        yield f"{_mark(summary.verdict)} check {check.id}  {shown(check.made_at)}: {said}"


def _ring_lines(ring: Ring, units: Units) -> Iterator[str]:
    verdict = ring.latest.summary.verdict if ring.latest else None
    headline = ring.latest.summary.headline if ring.latest else ""
    said = "not checked yet" if ring.latest is None else _said(verdict, headline)
    yield f"{_mark(verdict)} {ring.position:>2}  {ring.title} (ring {ring.id}): {said}"
    yield f"      {describe_plan(ring.plan, units)}"
    yield from _notes(ring.notes, "      ")


def _check(log: Log, check_id: int, units: Units) -> Iterator[str]:
    from lightgap.log.stored import read_report
    from lightgap.show.table import table

    check = log.check(check_id)
    ring = log.ring(check.ring_id)
    yield f"{log.build(ring.build_id).name}, {ring.title} (check {check.id}), {shown(check.made_at)}"
    yield from _notes(check.notes)
    parts = _parts(check)
    for photo, part in zip(check.photos, parts, strict=True):
        yield f"photo: {photo.name}{part}, kept as {log.photos.path(photo.stored)}"
    for result in check.results:
        verdict = result.report["verdict"] if result.report is not None else "not measured"
        yield f"measured {shown(result.made_at)} by lightgap {result.program}: {verdict}"
    yield ""
    latest = check.latest
    if latest is None:
        yield f"Not measured yet: lightgap log again {check.id}"
    elif latest.report is not None:
        yield table(read_report(latest.report), units)
    elif latest.error is not None:
        yield f"{latest.error['message']}\n  {latest.error['hint']}"


def _parts(check: Check) -> list[str]:
    """Say of each photo of several what it put into the latest result."""
    report = check.latest.report if check.latest is not None else None
    parts = [f" ({photo['part']})" for photo in (report or {}).get("photos", ())]
    return parts or [""] * len(check.photos)


def _notes(notes: Notes, indent: str = "") -> Iterator[str]:
    for key, text in notes.items():
        yield f"{indent}{key}: {text}"


def _add(log: Log, options: argparse.Namespace) -> int:
    # All that can be wrong is looked at before anything is written.
    plan = None if options.plan is None else read_plan(options.plan)
    notes = dict(_note_of(text) for text in options.note)
    settings = Settings(printed_bar(options.printed_bar))
    photos = [_read_photo(path) for path in photos_of(options.photos)]
    build_id = _find_build(log, options.build)
    ring = None if build_id is None else _find_ring(log, build_id, options.ring, plan is None)
    if ring is None and plan is None:
        raise LogError("A new ring needs its plan.", "Name the plan's file: --plan ring.toml.")
    if build_id is None:
        build_id = log.add_build(options.build).id
        print(f"build {build_id}  {options.build}")
    if ring is None and plan is not None:
        ring = log.add_ring(build_id, plan, "" if (options.ring or "").isdigit() else options.ring or "")
        print(f"ring {ring.id}  {ring.title}: {describe_plan(ring.plan)}")
    elif ring is not None and plan is not None:
        ring = log.set_plan(ring.id, plan)
    assert ring is not None
    statuses = set()
    for taken in [photos] if options.together else [[photo] for photo in photos]:
        with _bar() as show:
            check = add_photos(log, ring.id, taken, options.reference, settings, notes=notes, progress=show)
        statuses.add(_print_check(check, joined([photo.name for photo in taken])))
    return next(status for status in STATUS_ORDER if status in statuses)


def _find_build(log: Log, named: str) -> int | None:
    """Return the build of that number or name; None when there is none of that name."""
    if named.isdigit():
        return log.build(int(named)).id
    found = log.builds_named(named)
    if len(found) > 1:
        raise LogError(
            f"{len(found)} builds are called '{named}'.", f"Give the number of one: {joined(found)}."
        )
    return found[0] if found else None


def _find_ring(log: Log, build_id: int, named: str | None, must_be: bool) -> Ring | None:
    """Return the ring of that place or name; the only one when none is named; None for a new one."""
    rings = log.build(build_id).rings
    if named is None:
        if must_be and len(rings) != 1:
            raise LogError(
                f"The build has {counted(len(rings), 'ring')}: which one is it?",
                "Give its place or name, --ring 1; or its plan, for a new one on top.",
            )
        return rings[0] if must_be else None
    found = next((ring for ring in rings if named in (str(ring.position), ring.name)), None)
    if found is None and named.isdigit() and int(named) != len(rings) + 1:
        raise LogError(
            f"The build has {counted(len(rings), 'ring')}, and no ring {named}.",
            f"A new one on top is --ring {len(rings) + 1}.",
        )
    return found


def _read_photo(path: Path) -> NewPhoto:
    from lightgap.photo import read_photo

    try:
        photo = NewPhoto(path.name, path.read_bytes())
    except OSError as error:
        raise LogError(f"{path} cannot be read: {error.strerror}.", "Check its name and folder.") from error
    read_photo(photo.data, photo.name)
    return photo


def _note_of(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise LogError(f"'{text}' is no note.", 'Write it as KEY=TEXT, such as glue="hide glue".')
    return key, value


@contextmanager
def _bar() -> Iterator[Callable[[float, str], None]]:
    bar = Bar()
    try:
        yield bar.show
    finally:
        bar.clear()


def _print_check(check: Check, name: str) -> int:
    """Say what came of a check; return its exit status."""
    from lightgap.log.stored import read_report

    summary, result = check.summary, check.latest
    print(f"{_mark(summary.verdict)} check {check.id}  {name}: {_said(summary.verdict, summary.headline)}")
    if result is None or result.report is None:
        print(f"  {result.error['hint']}" if result is not None and result.error is not None else "")
        return 2
    return read_report(result.report).exit_status


def _again(log: Log, options: argparse.Namespace) -> int:
    statuses = set()
    for check_id in options.checks:
        before = log.check(check_id).summary
        with _bar() as show:
            check = measure_again(log, check_id, show)
        print(f"  before: {_said(before.verdict, before.headline)}")
        statuses.add(_print_check(check, "now"))
    return next(status for status in STATUS_ORDER if status in statuses)


def _note(log: Log, options: argparse.Namespace) -> int:
    if (options.text is None) is not options.remove:
        raise LogError("A note is either written or removed.", "Give its text, or --remove.")
    before = log.note(options.kind, options.id, options.key, options.text)
    if before is not None:
        print(f"before: {before}")
    return 0


def _delete(log: Log, options: argparse.Namespace) -> int:
    log.delete(options.kind, options.id)
    print(f"{options.kind} {options.id} is deleted. Undo: lightgap log restore {options.kind} {options.id}")
    return 0


def _restore(log: Log, options: argparse.Namespace) -> int:
    if options.kind is None:
        undone = log.undo()
        print(
            "Nothing is deleted." if undone is None else f"{undone.kind} {undone.id}  {undone.name} is back."
        )
        return 0
    if options.id is None:
        raise LogError(f"Which {options.kind}?", "See 'lightgap log list --deleted'.")
    log.restore(options.kind, options.id)
    print(f"{options.kind} {options.id} is back.")
    return 0


def _purge(log: Log, options: argparse.Namespace) -> int:
    print(f"{counted(log.purge(options.days), 'record')} taken away for good.")
    return 0


def _export(log: Log, options: argparse.Namespace) -> int:
    from lightgap.log.exchange import export_build

    export_build(log, options.build, options.file)
    print(f"{options.file}: {log.build(options.build).name}")
    return 0


def _import(log: Log, options: argparse.Namespace) -> int:
    from lightgap.log.intake import import_build

    build = import_build(log, options.file, as_copy=options.copy)
    print(f"build {build.id}  {build.name}: {counted(len(build.rings), 'ring')}")
    return 0


def _print(log: Log, options: argparse.Namespace) -> int:
    from lightgap.log.paper import build_sheet, check_sheet
    from lightgap.show.report_pdf import write_build_pdf, write_check_pdf

    units: Units = "inch" if options.units == "in" else "mm"
    with writing(options.file):
        if options.kind == "build":
            write_build_pdf(options.file, build_sheet(log, options.id, units), options.paper, units)
        else:
            write_check_pdf(options.file, check_sheet(log, options.id), options.paper, units)
    print(options.file)
    return 0


_ACTIONS: dict[str, Callable[[Log, argparse.Namespace], int]] = {
    "list": _list,
    "show": _show,
    "add": _add,
    "again": _again,
    "note": _note,
    "delete": _delete,
    "restore": _restore,
    "purge": _purge,
    "export": _export,
    "import": _import,
    "print": _print,
}
