"""How a ring lies in one kept check as against another: as a person said, or as its wood tells."""

from __future__ import annotations

import math

from lightgap.again.matching import Match, match
from lightgap.again.ring_print import RingPrint, fingerprint, read_print
from lightgap.errors import LightgapError, LogError
from lightgap.log.records import Check, KeptPhoto, Result, Turn
from lightgap.log.store import Log
from lightgap.log.stored import read_report
from lightgap.photo import read_photo
from lightgap.report import Report


def base_photo(check: Check, report: Report) -> KeptPhoto:
    """Return the photo whose pixels a report of the check is in."""
    return check.photos[report.base]


def said_turn(log: Log, before: Check, after: Check) -> Turn | None:
    """Return what the person said of two checks, in the numbers of their latest results.

    What was said of both and a check between them holds for the two as well. None when nothing was said, or
    when a newer result is based on another photo, whose numbers say nothing.
    """
    between = [check for check in log.history(before.ring_id) if check.id not in (before.id, after.id)]
    reached: list[tuple[Check, Turn | None]] = [(before, None)]
    for check, there in reached:
        onward = _said(log, check, after)
        if onward is not None:
            return onward if there is None else there.followed_by(onward)
        for other in list(between):
            step = _said(log, check, other)
            if step is not None:
                between.remove(other)
                reached.append((other, step if there is None else there.followed_by(step)))
    return None


def _said(log: Log, before: Check, after: Check) -> Turn | None:
    """Return what was said of just these two."""
    turn = log.turn(before.id, after.id)
    if turn is None:
        return None
    earlier = _shift(_result(before, turn.earlier_result), before.latest)
    later = _shift(_result(after, turn.later_result), after.latest)
    return None if earlier is None or later is None else turn.counted_anew(earlier, later)


def wood_match(log: Log, before: Check, after: Check) -> Match:
    """Find by the wood how the ring of one check lies in another, by their latest results.

    Raises
    ------
    LogError
        If one of them is not measured, or its photo is missing.
    """
    return match(ring_print(log, before), ring_print(log, after))


def ring_print(log: Log, check: Check) -> RingPrint:
    """Return the ring's print of a check's latest result, taken from its photo if none is kept."""
    result = check.latest
    if result is None or result.report is None:
        raise LogError(f"Check {check.id} is not measured.", f"lightgap log again {check.id}")
    kept = log.ring_print(result.id)
    if kept is not None:
        try:
            return read_print(kept)
        except LightgapError:
            pass  # Written by another version, or damaged: the photo is there.
    report = read_report(result.report)
    photo = base_photo(check, report)
    pixels = read_photo(log.photos.read(photo.stored), photo.name)
    taken = fingerprint(pixels, report.measurement, report.plan)
    log.keep_print(result.id, taken.to_bytes())
    return taken


def _result(check: Check, result_id: int) -> Result | None:
    return next((result for result in check.results if result.id == result_id), None)


def _shift(old: Result | None, new: Result | None) -> int | None:
    """By how much a newer result counts the joints of the same photo on; None if it cannot be told."""
    if old is None or new is None or old.report is None or new.report is None:
        return None
    if old.id == new.id:
        return 0
    was, now = read_report(old.report), read_report(new.report)
    if was.base != now.base or was.plan.segments != now.plan.segments:
        return None
    first = was.measurement.joints[0].place_px[1]
    ends = [joint.place_px[1] for joint in now.measurement.joints]
    return min(range(len(ends)), key=lambda place: math.dist(first, ends[place]))
