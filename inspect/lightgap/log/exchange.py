"""A build as one file: a zip that another program can read, and that comes back without loss.

In the zip:

``README.txt``
    This description, for whoever opens the file.
``build.json``
    All of it, UTF-8, ``"format": "lightgap-build/1"``: the build with its notes; its rings from the
    lowest up, each with plan and notes; each ring's checks in the order of their making, with plan,
    reference, settings, notes, photos and results; each result with the program's version and either
    its report (``"lightgap-check/1"``) or the error that says why there is none. ``"turns"`` is what a
    person said of how the ring lies in a later check as against an earlier one: the earlier joint k is
    the later joint k + turn, or, face down, turn - k, in the numbers of the two results. Checks and
    results are counted from 1.
``checks.csv``
    One row for each result: ring, check, time, version, verdict, what is wrong first, widest gap.
``joints.csv``
    Every joint and segment of every result, with U beside each value.
``photos/<sha256><suffix>``
    The original photos, untouched, named by the SHA-256 of their bytes.

What was deleted is left out. So are the rings' prints, by which a ring is known again: they are taken
anew from the photos. A file that comes from elsewhere is trusted in nothing: names, sizes,
hashes and every field are looked at before anything is written into the log.
"""

from __future__ import annotations

import csv
import io
import json
import secrets
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from lightgap import __version__
from lightgap.log.clock import now
from lightgap.log.database import told
from lightgap.log.records import Build, Check, KeptPhoto, Result, Ring, Turn
from lightgap.log.store import Log
from lightgap.log.stored import read_report
from lightgap.log.summary import summarise
from lightgap.plan import to_mapping
from lightgap.show.csv_table import csv_table
from lightgap.values import Below, Value

FORMAT = "lightgap-build/1"
BUILD = "build.json"
CHECKS = "checks.csv"
JOINTS = "joints.csv"
README = "README.txt"
PHOTOS = "photos/"

_HEAD = """A build of segmented rings, as the program lightgap keeps it.

"""

Json = dict[str, Any]


def export_build(log: Log, build_id: int, path: Path) -> None:
    """Write a build with all that belongs to it to one zip file.

    Raises
    ------
    LogError
        If a photo is missing or damaged, or the file cannot be written; no file is left then.
    """
    with log.snapshot():
        build = log.build(build_id)
        rings = [(ring, log.history(ring.id)) for ring in build.rings]
        turns = {ring.id: log.turns(ring.id) for ring in build.rings}
    form = build_form(build, rings, turns)
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        try:
            with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr(README, _HEAD + (__doc__ or ""))
                archive.writestr(BUILD, json.dumps(form, ensure_ascii=False, indent=1))
                archive.writestr(CHECKS, _csv(_check_rows(rings)))
                archive.writestr(JOINTS, _csv(_joint_rows(rings)))
                photos = {photo.stored for _, checks in rings for check in checks for photo in check.photos}
                for photo in sorted(photos, key=lambda photo: photo.sha256):
                    # A photo is compressed already.
                    archive.writestr(PHOTOS + photo.filename, log.photos.read(photo), zipfile.ZIP_STORED)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise told(error, str(path)) from error


def build_form(
    build: Build, rings: Iterable[tuple[Ring, tuple[Check, ...]]], turns: Mapping[int, Iterable[Turn]]
) -> Json:
    """Return the form of build.json; ``turns`` by the id of their ring."""
    return {
        "format": FORMAT,
        "program": {"name": "lightgap", "version": __version__},
        "exported_at": now(),
        "build": {
            "uid": build.uid,
            "name": build.name,
            "made_at": build.made_at,
            "notes": dict(build.notes),
            "rings": [
                {
                    "name": ring.name,
                    "made_at": ring.made_at,
                    "plan": to_mapping(ring.plan),
                    "notes": dict(ring.notes),
                    "checks": [_check_form(check) for check in checks],
                    "turns": [_turn_form(turn, checks) for turn in turns.get(ring.id, ())],
                }
                for ring, checks in rings
            ],
        },
    }


def _check_form(check: Check) -> Json:
    return {
        "made_at": check.made_at,
        "plan": to_mapping(check.plan),
        "reference": check.reference,
        "settings": dict(check.settings),
        "notes": dict(check.notes),
        "photos": [_photo_form(photo) for photo in check.photos],
        "results": [
            {
                "made_at": result.made_at,
                "program": result.program,
                "report": result.report,
                "error": result.error,
            }
            for result in check.results
        ],
    }


def _turn_form(turn: Turn, checks: tuple[Check, ...]) -> Json:
    checks_by_id = {check.id: number for number, check in enumerate(checks, 1)}
    results = {result.id: number for check in checks for number, result in enumerate(check.results, 1)}
    return {
        "earlier_check": checks_by_id[turn.earlier_id],
        "earlier_result": results[turn.earlier_result],
        "later_check": checks_by_id[turn.later_id],
        "later_result": results[turn.later_result],
        "turn": turn.turn,
        "face_down": turn.face_down,
        "made_at": turn.made_at,
    }


def _photo_form(photo: KeptPhoto) -> Json:
    return {
        "name": photo.name,
        "file": PHOTOS + photo.stored.filename,
        "sha256": photo.stored.sha256,
        "size_bytes": photo.stored.size_bytes,
    }


Row = Mapping[str, Any]


def _check_rows(rings: Iterable[tuple[Ring, tuple[Check, ...]]]) -> Iterator[Row]:
    for ring, number, check, result in _results(rings):
        summary = summarise(result.report, result.error)
        gap = summary.worst_gap
        yield {
            "ring": ring.position,
            "ring_name": ring.name,
            "check": number,
            "made_at": check.made_at,
            "photos": "; ".join(photo.stored.filename for photo in check.photos),
            "measured_at": result.made_at,
            "program": result.program,
            "verdict": str(summary.verdict),
            "headline": summary.headline,
            "worst_gap_mm": gap.to_dict()["value"] if isinstance(gap, Value) else "",
            "worst_gap_u95_mm": gap.to_dict()["u95"] if isinstance(gap, Value) else "",
            "worst_gap_below_mm": gap.to_dict()["below"] if isinstance(gap, Below) else "",
            "worst_gap_joint": summary.worst_gap_joint or "",
            "notes": "; ".join(f"{key}: {value}" for key, value in check.notes.items()),
        }


def _joint_rows(rings: Iterable[tuple[Ring, tuple[Check, ...]]]) -> Iterator[Row]:
    for ring, number, _, result in _results(rings):
        if result.report is None:
            continue
        place = {"ring": ring.position, "check": number, "measured_at": result.made_at}
        for row in csv.DictReader(io.StringIO(csv_table([read_report(result.report)]))):
            yield {**place, **row}


def _results(rings: Iterable[tuple[Ring, tuple[Check, ...]]]) -> Iterator[tuple[Ring, int, Check, Result]]:
    for ring, checks in rings:
        for number, check in enumerate(checks, 1):
            for result in check.results:
                yield ring, number, check, result


def _csv(rows: Iterable[Row]) -> str:
    """Write rows under one header (RFC 4180); no rows, no header."""
    text = io.StringIO()
    writer: csv.DictWriter[str] | None = None
    for row in rows:
        if writer is None:
            writer = csv.DictWriter(text, list(row))
            writer.writeheader()
        writer.writerow({key: _harmless(value) for key, value in row.items()})
    return text.getvalue()


def _harmless(value: Any) -> Any:
    """Keep a spreadsheet from taking a person's text for a formula; numbers stay as they are."""
    if not isinstance(value, str) or not value.startswith(tuple("=+-@\t\r")):
        return value
    try:
        float(value)
    except ValueError:
        return f"'{value}"
    return value
