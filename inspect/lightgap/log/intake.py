"""A build's zip file taken into a log; `exchange` describes the file and writes it.

The file may come from anywhere. It is read in two steps: everything in it is looked at first, then
the photos are stored, and at last all records are written in one transaction.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import uuid
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightgap.errors import LightgapError, LogError
from lightgap.log import writing
from lightgap.log.clock import read, written
from lightgap.log.database import told, transaction
from lightgap.log.exchange import BUILD, CHECKS, FORMAT, JOINTS, README
from lightgap.log.photos import StoredPhoto
from lightgap.log.records import Build, KeptPhoto, Turn
from lightgap.log.store import Log
from lightgap.log.stored import read_report
from lightgap.plan import Plan, plan_from_mapping

MOST_FILES = 20_000
LARGEST_PHOTO_BYTES = 300_000_000
LARGEST_BUILD_BYTES = 500_000_000
MOST_SQUEEZED = 100
"""Numbers written as JSON shrink to a tenth; a file made to fill a disk shrinks to a thousandth."""
_MOST_TURN = 1000
"""More joints than any ring has."""
SPARE_BYTES = 200_000_000
"""Room that must stay free on the disk when a build comes in."""

_PHOTO = re.compile(r"photos/([0-9a-f]{64})\.(jpg|png|webp|tif|heic|bin)")

Json = Mapping[str, Any]


@dataclass(frozen=True)
class _Result:
    made_at: str
    program: str
    report: Json | None
    error: Json | None


@dataclass(frozen=True)
class _Check:
    made_at: str
    plan: Plan
    reference: str
    settings: Json
    notes: dict[str, str]
    photos: tuple[tuple[str, str], ...]
    """Each photo's own name, and its file in the zip."""
    results: tuple[_Result, ...]


@dataclass(frozen=True)
class _Turn:
    """Each side as (place of its check, place of its result there), counted from 0."""

    earlier: tuple[int, int]
    later: tuple[int, int]
    turn: int
    face_down: bool
    made_at: str


@dataclass(frozen=True)
class _Ring:
    name: str
    made_at: str
    plan: Plan
    notes: dict[str, str]
    checks: tuple[_Check, ...]
    turns: tuple[_Turn, ...]


@dataclass(frozen=True)
class _Build:
    uid: str
    name: str
    made_at: str
    notes: dict[str, str]
    rings: tuple[_Ring, ...]

    @property
    def files(self) -> set[str]:
        """The photos that it names, as files of the zip."""
        return {file for ring in self.rings for check in ring.checks for _, file in check.photos}


def import_build(log: Log, path: Path, *, as_copy: bool = False) -> Build:
    """Take a build from a zip file into the log.

    Parameters
    ----------
    as_copy : bool
        Take it in although the log holds it already, as another build.

    Raises
    ------
    LogError
        If the file is not such a zip, is damaged or made to do harm, or is in the log already.
        The log is as it was then.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            sizes = _look_at(archive, path)
            build = _read_build(archive, path)
            _match(build, set(sizes), path)
            _see_room(log, sum(sizes.values()))
            if not as_copy:
                _refuse_known(log, build)
            return _take_in(log, archive, build, path, as_copy)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
        raise LogError(
            f"{path.name} is no whole zip file: {error}.", "Get it again from where it was exported."
        ) from error
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as error:
        raise _refused(path, f"what is in it does not fit together ({error})") from error
    except OSError as error:
        raise told(error, str(path)) from error


def _refused(path: Path, why: str) -> LogError:
    return LogError(
        f"{path.name} is not a build that this program can take in: {why}.",
        "Export it again with 'lightgap log export', and bring the file over unchanged.",
    )


def _look_at(archive: zipfile.ZipFile, path: Path) -> dict[str, int]:
    """Look at every name and size before anything is unpacked; return the photos' sizes by name."""
    entries = archive.infolist()
    if len(entries) > MOST_FILES:
        raise _refused(path, f"it holds more than {MOST_FILES} files")
    names = [entry.filename for entry in entries]
    if len(set(names)) < len(names):
        raise _refused(path, "it holds two files of the same name")
    sizes = {}
    for entry in entries:
        photo = _PHOTO.fullmatch(entry.filename)
        if photo is None and entry.filename not in (BUILD, CHECKS, JOINTS, README):
            raise _refused(path, f"it holds a file that does not belong, '{entry.filename[:60]}'")
        if entry.flag_bits & 1:
            raise _refused(path, "it is locked with a password")
        if entry.file_size > (LARGEST_PHOTO_BYTES if photo else LARGEST_BUILD_BYTES):
            raise _refused(path, f"'{entry.filename}' is too large")
        if entry.file_size > MOST_SQUEEZED * max(entry.compress_size, 1000):
            raise _refused(path, f"'{entry.filename}' would swell more than {MOST_SQUEEZED} times")
        if photo:
            sizes[entry.filename] = entry.file_size
    if BUILD not in names:
        raise _refused(path, f"there is no {BUILD} in it")
    return sizes


def _match(build: _Build, there: set[str], path: Path) -> None:
    if missing := build.files - there:
        raise _refused(path, f"the photo '{min(missing)}' is missing")
    if more := there - build.files:
        raise _refused(path, f"no check names the photo '{min(more)}'")


def _see_room(log: Log, size_bytes: int) -> None:
    if shutil.disk_usage(log.folder).free < size_bytes + SPARE_BYTES:
        raise LogError(
            f"There is no room for the {size_bytes / 1e6:.0f} MB of photos in this build.",
            "Free some space, then import it again.",
        )


def _refuse_known(log: Log, build: _Build) -> None:
    row = log.connection.execute(
        "SELECT id, name, deleted_at FROM builds WHERE uid = ?", (build.uid,)
    ).fetchone()
    if row is None:
        return
    if row["deleted_at"] is not None:
        raise LogError(
            f"The build '{row['name']}' is in the log, deleted.",
            f"Bring it back with 'lightgap log restore build {row['id']}', or import it as a copy.",
        )
    raise LogError(
        f"The build '{row['name']}' is in the log already.", "Import it as a copy to have it twice."
    )


def _take_in(log: Log, archive: zipfile.ZipFile, build: _Build, path: Path, as_copy: bool) -> Build:
    with log.storing() as store:
        stored = {name: store(_photo(archive, name, path)) for name in sorted(build.files)}
        with transaction(log.connection):
            build_id = _write(log, build, stored, uuid.uuid4().hex if as_copy else build.uid)
    return log.build(build_id)


def _photo(archive: zipfile.ZipFile, name: str, path: Path) -> bytes:
    data = archive.read(name)
    if hashlib.sha256(data).hexdigest() != Path(name).stem:
        raise _refused(path, f"the photo '{name}' is not what was exported: its SHA-256 differs")
    return data


def _write(log: Log, build: _Build, stored: Mapping[str, StoredPhoto], uid: str) -> int:
    connection = log.connection
    build_id = writing.insert_build(connection, uid, build.name, build.made_at, build.notes)
    for position, ring in enumerate(build.rings, 1):
        ring_id = writing.insert_ring(
            connection, build_id, position, ring.name, ring.plan, ring.made_at, ring.notes
        )
        ids: list[tuple[int, list[int]]] = []
        for check in ring.checks:
            check_id = writing.insert_check(
                connection,
                ring_id,
                [KeptPhoto(name, stored[file]) for name, file in check.photos],
                check.plan,
                check.reference,
                check.settings,
                check.made_at,
                check.notes,
            )
            results = [
                writing.insert_result(
                    connection, check_id, result.made_at, result.program, result.report, result.error
                )
                for result in check.results
            ]
            ids.append((check_id, results))
        for turn in ring.turns:
            (earlier, earlier_results), (later, later_results) = ids[turn.earlier[0]], ids[turn.later[0]]
            said = Turn(
                earlier,
                later,
                earlier_results[turn.earlier[1]],
                later_results[turn.later[1]],
                turn.turn,
                turn.face_down,
                turn.made_at,
            )
            writing.put_turn(connection, said)
    return build_id


# Reading build.json: every field is of its kind, or the file is refused


def _read_build(archive: zipfile.ZipFile, path: Path) -> _Build:
    try:
        whole = _table(json.loads(archive.read(BUILD), parse_constant=_no_number), "it")
        if whole.get("format") != FORMAT:
            raise ValueError(f"its form is '{whole.get('format')}', not '{FORMAT}'")
        return _build(_table(whole.get("build"), "build"))
    except (ValueError, RecursionError, LightgapError) as error:
        raise _refused(path, str(error).removesuffix(".")) from error


def _build(form: Json) -> _Build:
    return _Build(
        uid=_text(form, "uid"),
        name=_text(form, "name"),
        made_at=_moment(form),
        notes=_notes(form),
        rings=tuple(_ring(ring) for ring in _tables(form, "rings")),
    )


def _ring(form: Json) -> _Ring:
    checks = tuple(_check(check) for check in _tables(form, "checks"))
    # Files that were written before turns were kept have none.
    turns = _tables(form, "turns") if "turns" in form else []
    return _Ring(
        name=_text(form, "name"),
        made_at=_moment(form),
        plan=plan_from_mapping(_table(form.get("plan"), "plan")),
        notes=_notes(form),
        checks=checks,
        turns=tuple(_turn(turn, checks) for turn in turns),
    )


def _turn(form: Json, checks: tuple[_Check, ...]) -> _Turn:
    sides = []
    for side in ("earlier", "later"):
        place = _number(form, f"{side}_check", 1, len(checks)) - 1
        result = _number(form, f"{side}_result", 1, len(checks[place].results)) - 1
        sides.append((place, result))
    if sides[0][0] == sides[1][0]:
        raise ValueError("a check is turned against itself")
    if not isinstance(form.get("face_down"), bool):
        raise ValueError("its 'face_down' is neither true nor false")
    turn = _number(form, "turn", -_MOST_TURN, _MOST_TURN)
    return _Turn(sides[0], sides[1], turn, form["face_down"], _moment(form))


def _check(form: Json) -> _Check:
    photos = tuple((_text(photo, "name"), _text(photo, "file")) for photo in _tables(form, "photos"))
    if not photos:
        raise ValueError("a check has no photo")
    results = tuple(_result(result) for result in _tables(form, "results"))
    for result in results:
        if result.report is not None and len(result.report.get("photos", ())) not in (0, len(photos)):
            raise ValueError("a report tells of other photos than its check has")
    return _Check(
        made_at=_moment(form),
        plan=plan_from_mapping(_table(form.get("plan"), "plan")),
        reference=_text(form, "reference"),
        settings=_table(form.get("settings"), "settings"),
        notes=_notes(form),
        photos=photos,
        results=results,
    )


def _result(form: Json) -> _Result:
    report, error = form.get("report"), form.get("error")
    if (report is None) == (error is None):
        raise ValueError("a result has neither a report nor an error, or both")
    if report is not None:
        # Writing it out again looks at every number in it.
        read_report(_table(report, "report")).to_dict()
        _text(report, "headline")
    else:
        error = {key: _text(_table(error, "error"), key) for key in ("message", "hint")}
    return _Result(_moment(form), _text(form, "program"), report, error)


def _notes(form: Json) -> dict[str, str]:
    notes = _table(form.get("notes"), "notes")
    folded = {str(key).strip().casefold() for key in notes}
    if len(folded) < len(notes) or "" in folded:
        raise ValueError("two notes bear the same name, or one has none")
    return {key: _text(notes, key) for key in notes}


def _no_number(name: str) -> float:
    raise ValueError(f"it holds {name}, which is no number")


def _moment(form: Json) -> str:
    return written(read(_text(form, "made_at")))


def _text(form: Json, key: str) -> str:
    value = form.get(key)
    if not isinstance(value, str):
        raise ValueError(f"its '{key}' is no text")
    value.encode()  # half of a surrogate pair cannot be written
    return value


def _number(form: Json, key: str, least: int, most: int) -> int:
    value = form.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ValueError(f"its '{key}' is no whole number from {least} to {most}")
    return value


def _table(value: Any, name: str) -> Json:
    if not isinstance(value, dict):
        raise ValueError(f"'{name}' is no table of fields")
    return value


def _tables(form: Json, key: str) -> list[Json]:
    value = form.get(key)
    if not isinstance(value, list):
        raise ValueError(f"its '{key}' is no list")
    return [_table(item, key) for item in value]
