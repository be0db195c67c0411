"""What the log holds, made ready for printing."""

from __future__ import annotations

from lightgap.log.clock import shown
from lightgap.log.records import Check, Ring
from lightgap.log.same_ring import base_photo
from lightgap.log.spacers import say_build
from lightgap.log.store import Log
from lightgap.log.stored import read_report
from lightgap.photo import Photo, read_photo
from lightgap.report import Report
from lightgap.show.elevation import Storey
from lightgap.show.figures import Units
from lightgap.show.report_pdf import BuildSheet, CheckSheet, RingSheet


def check_sheet(log: Log, check_id: int) -> CheckSheet:
    """Return a check with its latest result, to be printed."""
    with log.snapshot():
        check = log.check(check_id)
        ring = log.ring(check.ring_id)
        build = log.build(ring.build_id)
    return _sheet(log, check, f"{build.name}, {ring.title}")


def build_sheet(log: Log, build_id: int, units: Units = "mm") -> BuildSheet:
    """Return a build with the last check of each ring, to be printed."""
    with log.snapshot():
        build = log.build(build_id)
        histories = [(ring, log.history(ring.id)) for ring in build.rings]
    rings = tuple(_ring(log, build.name, ring, checks) for ring, checks in histories)
    reports = [
        (ring.storey.name, ring.latest.report)
        for ring in rings
        if ring.latest is not None and ring.latest.report is not None
    ]
    return BuildSheet(build.name, rings, say_build(reports, units), build.notes)


def storey(ring: Ring) -> Storey:
    """Return a ring as the drawing of its stack has it."""
    return Storey(ring.id, ring.title, ring.plan, ring.latest.summary.verdict if ring.latest else None)


def _ring(log: Log, build: str, ring: Ring, checks: tuple[Check, ...]) -> RingSheet:
    earlier = tuple(
        f"{shown(check.made_at)}: {check.summary.verdict or 'not measured yet'}. {check.summary.headline}"
        for check in checks[:-1]
    )
    latest = _sheet(log, checks[-1], f"{build}, {ring.title}") if checks else None
    return RingSheet(storey(ring), latest, earlier, ring.notes)


def _sheet(log: Log, check: Check, title: str) -> CheckSheet:
    result = check.latest
    report: Report | None = None
    refusal = "It is not measured yet."
    if result is not None and result.report is not None:
        report = read_report(result.report)
    elif result is not None and result.error is not None:
        refusal = f"{result.error['message']} {result.error['hint']}"

    def photo() -> Photo:
        kept = check.photos[0] if report is None else base_photo(check, report)
        return read_photo(log.photos.read(kept.stored), kept.name)

    program = result.program if result else "-"
    return CheckSheet(title, shown(check.made_at), program, report, refusal, photo, check.notes)
