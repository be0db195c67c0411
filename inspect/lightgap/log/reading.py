"""What is read from the log's tables: single records, lists by the page, and the search."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from lightgap.errors import LogError, NotInLog
from lightgap.judge import Verdict, worst
from lightgap.log.clock import start_of
from lightgap.log.database import told
from lightgap.log.forms import stored_plan
from lightgap.log.photos import StoredPhoto
from lightgap.log.records import (
    WOOD,
    Build,
    BuildLine,
    Check,
    CheckLine,
    Deleted,
    Filters,
    KeptPhoto,
    Kind,
    Notes,
    Page,
    Result,
    Ring,
    Summary,
    Turn,
)
from lightgap.plan import Plan
from lightgap.values import COVERAGE_FACTOR, Below, Contribution, Value

Row = sqlite3.Row
Parameters = tuple[Any, ...]

TABLES: dict[Kind, str] = {"build": "builds", "ring": "rings", "check": "checks"}

_WOOD_OF_BUILD = f"(SELECT value FROM notes WHERE build_id = b.id AND key = '{WOOD}')"
_WOOD_OF_RING = (
    f"coalesce((SELECT value FROM notes WHERE ring_id = r.id AND key = '{WOOD}'), {_WOOD_OF_BUILD})"
)

# CROSS JOIN keeps SQLite to this order: the checks along their index, then one look-up for each.
_LINES = f"""
SELECT c.id, c.made_at, c.verdict, c.headline, c.worst_gap_mm, c.worst_gap_u95, c.worst_gap_joint,
       r.id AS ring_id, r.name AS ring_name, r.position AS ring_position,
       b.id AS build_id, b.name AS build_name, {_WOOD_OF_RING} AS wood,
       p.sha256, p.suffix, p.size_bytes
FROM checks c CROSS JOIN rings r ON r.id = c.ring_id CROSS JOIN builds b ON b.id = r.build_id
LEFT JOIN check_photos k ON k.check_id = c.id AND k.place = 0 LEFT JOIN photos p ON p.sha256 = k.sha256
WHERE c.deleted_at IS NULL AND r.deleted_at IS NULL AND b.deleted_at IS NULL
"""
_NEWEST_FIRST = " ORDER BY c.made_at DESC, c.id DESC LIMIT ?"


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """See the log as it is at one moment, whoever writes meanwhile; may be nested.

    Raises
    ------
    LogError
        If the log is locked or damaged.
    """
    if connection.in_transaction:
        yield
        return
    try:
        connection.execute("BEGIN")
        try:
            yield
        finally:
            connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        raise told(error) from error


def read_build(connection: sqlite3.Connection, build_id: int) -> Build:
    """Return a build with its rings that are not deleted, the lowest first."""
    row = record(connection, "build", build_id)
    rings = connection.execute(
        "SELECT * FROM rings WHERE build_id = ? AND deleted_at IS NULL ORDER BY position, id", (build_id,)
    )
    return Build(
        id=row["id"],
        uid=row["uid"],
        name=row["name"],
        made_at=row["made_at"],
        changed_at=row["changed_at"],
        notes=read_notes(connection, "build", build_id),
        rings=tuple(_ring(connection, ring) for ring in rings.fetchall()),
        deleted_at=row["deleted_at"],
    )


def read_ring(connection: sqlite3.Connection, ring_id: int) -> Ring:
    """Return a ring with its last check."""
    return _ring(connection, record(connection, "ring", ring_id))


def read_check(connection: sqlite3.Connection, check_id: int) -> Check:
    """Return a check with its photos and all of its results."""
    row = record(connection, "check", check_id)
    photos = connection.execute(
        "SELECT name, sha256, suffix, size_bytes FROM check_photos JOIN photos USING (sha256)"
        " WHERE check_id = ? ORDER BY place",
        (check_id,),
    )
    results = connection.execute("SELECT * FROM results WHERE check_id = ? ORDER BY id", (check_id,))
    return Check(
        id=row["id"],
        ring_id=row["ring_id"],
        made_at=row["made_at"],
        photos=tuple(KeptPhoto(photo["name"], _stored(photo)) for photo in photos),
        plan=plan_of(row["plan"]),
        reference=row["reference"],
        settings=json.loads(row["settings"]),
        summary=_summary(row),
        notes=read_notes(connection, "check", check_id),
        results=tuple(_result(result) for result in results),
        deleted_at=row["deleted_at"],
    )


def read_history(connection: sqlite3.Connection, ring_id: int) -> tuple[Check, ...]:
    """Return all checks of a ring that are not deleted, the first made first."""
    record(connection, "ring", ring_id)
    rows = connection.execute(
        "SELECT id FROM checks WHERE ring_id = ? AND deleted_at IS NULL ORDER BY made_at, id", (ring_id,)
    ).fetchall()
    return tuple(read_check(connection, row["id"]) for row in rows)


def read_print(connection: sqlite3.Connection, result_id: int) -> bytes | None:
    """Return the ring's print that is kept with a result."""
    row = connection.execute("SELECT print FROM prints WHERE result_id = ?", (result_id,)).fetchone()
    return None if row is None else bytes(row["print"])


def read_turn(connection: sqlite3.Connection, earlier_id: int, later_id: int) -> Turn | None:
    """Return what a person said of how the ring lies in two checks, whichever they called the earlier."""
    row = connection.execute(
        "SELECT * FROM turns WHERE (earlier_id, later_id) IN (VALUES (?1, ?2), (?2, ?1))",
        (earlier_id, later_id),
    ).fetchone()
    if row is None:
        return None
    turn = _turn(row)
    return turn if turn.earlier_id == earlier_id else turn.reversed()


def read_turns(connection: sqlite3.Connection, ring_id: int) -> tuple[Turn, ...]:
    """Return what was said of the checks of one ring, those that are deleted apart."""
    ids = "SELECT id FROM checks WHERE ring_id = ?1 AND deleted_at IS NULL"
    rows = connection.execute(
        f"SELECT * FROM turns WHERE earlier_id IN ({ids}) AND later_id IN ({ids})"
        " ORDER BY earlier_id, later_id",
        (ring_id,),
    )
    return tuple(_turn(row) for row in rows)


def read_notes(connection: sqlite3.Connection, kind: Kind, owner_id: int) -> Notes:
    """Return the notes on a build, a ring or a check, by key."""
    rows = connection.execute(f"SELECT key, value FROM notes WHERE {kind}_id = ? ORDER BY key", (owner_id,))
    return {row["key"]: row["value"] for row in rows}


def list_builds(connection: sqlite3.Connection, after: str | None, size: int) -> Page[BuildLine]:
    """Return a page of builds, the last changed first."""
    where, values = "b.deleted_at IS NULL", (size + 1,)
    for condition, given in _beyond("b.changed_at", "b.id", after):
        where, values = f"{where} AND {condition}", (*given, *values)
    rows = connection.execute(
        f"SELECT b.id, b.name, b.changed_at, {_WOOD_OF_BUILD} AS wood FROM builds b"
        f" WHERE {where} ORDER BY b.changed_at DESC, b.id DESC LIMIT ?",
        values,
    ).fetchall()
    return Page(_build_lines(connection, rows[:size]), _token(rows, size, "changed_at"))


def find_builds(connection: sqlite3.Connection, name: str) -> tuple[int, ...]:
    """Return the builds of exactly that name, the last changed first."""
    rows = connection.execute(
        "SELECT id FROM builds WHERE name = ? AND deleted_at IS NULL ORDER BY changed_at DESC", (name,)
    )
    return tuple(row["id"] for row in rows)


def list_checks(
    connection: sqlite3.Connection, filters: Filters, after: str | None, size: int
) -> Page[CheckLine]:
    """Return a page of the checks that pass the filters, the last made first."""
    statement, values = checks_query(filters, after)
    rows = connection.execute(statement, (*values, size + 1)).fetchall()
    return Page(tuple(_line(row) for row in rows[:size]), _token(rows, size, "made_at"))


def checks_query(filters: Filters, after: str | None = None) -> tuple[str, Parameters]:
    """Return the statement that lists checks, and its parameters but the last, the page's size."""
    conditions = [*_conditions(filters), *_beyond("c.made_at", "c.id", after)]
    where = "".join(f" AND {condition}" for condition, _ in conditions)
    values = tuple(value for _, given in conditions for value in given)
    return f"{_LINES}{where}{_NEWEST_FIRST}", values


def list_deleted(connection: sqlite3.Connection) -> tuple[Deleted, ...]:
    """Return what was deleted and can come back, the last deleted first."""
    ring = "CASE r.name WHEN '' THEN 'ring ' || r.position ELSE r.name END"
    rows = connection.execute(
        f"""
        SELECT 'build' AS kind, id, name, deleted_at FROM builds WHERE deleted_at IS NOT NULL
        UNION ALL
        SELECT 'ring', r.id, b.name || ', ' || {ring}, r.deleted_at
        FROM rings r JOIN builds b ON b.id = r.build_id WHERE r.deleted_at IS NOT NULL
        UNION ALL
        SELECT 'check', c.id, b.name || ', ' || {ring} || ', ' || coalesce(c.verdict, 'not measured yet'),
               c.deleted_at
        FROM checks c JOIN rings r ON r.id = c.ring_id JOIN builds b ON b.id = r.build_id
        WHERE c.deleted_at IS NOT NULL
        ORDER BY deleted_at DESC
        """
    )
    return tuple(Deleted(row["kind"], row["id"], row["name"], row["deleted_at"]) for row in rows)


def record(connection: sqlite3.Connection, kind: Kind, record_id: int) -> Row:
    """Return one row as it stands, deleted or not.

    Raises
    ------
    NotInLog
        If there is none.
    """
    row: Row | None = connection.execute(
        f"SELECT * FROM {TABLES[kind]} WHERE id = ?", (record_id,)
    ).fetchone()
    if row is None:
        raise NotInLog(
            f"There is no {kind} {record_id} in the log.", "See 'lightgap log list' for what there is."
        )
    return row


def read_photo_record(connection: sqlite3.Connection, sha256: str) -> StoredPhoto:
    """Return what is known of a photo.

    Raises
    ------
    NotInLog
        If the log names no such photo.
    """
    row = connection.execute("SELECT * FROM photos WHERE sha256 = ?", (sha256,)).fetchone()
    if row is None:
        raise NotInLog("There is no such photo in the log.", "See 'lightgap log show' for a check's photos.")
    return _stored(row)


def plan_of(text: str) -> Plan:
    """Read a plan as the log writes it: its keys, the tolerances among them."""
    stored = json.loads(text)
    return stored_plan(
        {key: value for key, value in stored.items() if key != "tolerance"}, stored["tolerance"]
    )


def _ring(connection: sqlite3.Connection, row: Row) -> Ring:
    statement, values = checks_query(Filters(ring_id=row["id"]))
    latest = connection.execute(statement, (*values, 1)).fetchone()
    return Ring(
        id=row["id"],
        build_id=row["build_id"],
        position=row["position"],
        name=row["name"],
        plan=plan_of(row["plan"]),
        made_at=row["made_at"],
        notes=read_notes(connection, "ring", row["id"]),
        checks=_count(connection, "checks c WHERE c.ring_id = ? AND c.deleted_at IS NULL", row["id"]),
        latest=None if latest is None else _line(latest),
        deleted_at=row["deleted_at"],
    )


_RINGS_OF_BUILDS = """
SELECT r.build_id, c.verdict, p.sha256, p.suffix, p.size_bytes,
       (SELECT count(*) FROM checks WHERE ring_id = r.id AND deleted_at IS NULL) AS checks
FROM rings r LEFT JOIN checks c ON c.id = (
    SELECT id FROM checks WHERE ring_id = r.id AND deleted_at IS NULL ORDER BY made_at DESC, id DESC LIMIT 1)
LEFT JOIN check_photos k ON k.check_id = c.id AND k.place = 0
LEFT JOIN photos p ON p.sha256 = k.sha256
WHERE r.build_id IN (SELECT value FROM json_each(?)) AND r.deleted_at IS NULL ORDER BY c.made_at DESC
"""


def _build_lines(connection: sqlite3.Connection, builds: list[Row]) -> tuple[BuildLine, ...]:
    """Sum up builds by their rings' latest checks, all in one question."""
    rings: dict[int, list[Row]] = {row["id"]: [] for row in builds}
    for ring in connection.execute(_RINGS_OF_BUILDS, (json.dumps(list(rings)),)):
        rings[ring["build_id"]].append(ring)
    return tuple(_build_line(row, rings[row["id"]]) for row in builds)


def _build_line(row: Row, rings: list[Row]) -> BuildLine:
    verdicts = [Verdict(ring["verdict"]) for ring in rings if ring["verdict"] is not None]
    return BuildLine(
        id=row["id"],
        name=row["name"],
        changed_at=row["changed_at"],
        wood=row["wood"],
        rings=len(rings),
        checks=sum(ring["checks"] for ring in rings),
        verdict=worst(verdicts) if verdicts else None,
        photo=next((_stored(ring) for ring in rings if ring["sha256"] is not None), None),
    )


def _count(connection: sqlite3.Connection, rest: str, owner_id: int) -> int:
    return int(connection.execute(f"SELECT count(*) FROM {rest}", (owner_id,)).fetchone()[0])


def _conditions(filters: Filters) -> Iterator[tuple[str, Parameters]]:
    if filters.verdict is not None:
        yield "c.verdict = ?", (str(filters.verdict),)
    if filters.first_day is not None:
        yield "c.made_at >= ?", (start_of(filters.first_day),)
    if filters.last_day is not None:
        yield "c.made_at < ?", (start_of(filters.last_day + timedelta(days=1)),)
    if filters.ring_id is not None:
        yield "c.ring_id = ?", (filters.ring_id,)
    if filters.build_id is not None:
        yield "c.ring_id IN (SELECT id FROM rings WHERE build_id = ?)", (filters.build_id,)
    if filters.wood:
        yield _WOOD, (filters.wood.casefold(),)
    if filters.text:
        yield _TEXT, (filters.text.casefold(),) * _TEXT.count("?")


# The plus sign keeps SQLite on the index by date: most rings of a wood have some check on the first page.
_WOOD = f"""+c.ring_id IN (
    SELECT r.id FROM rings r JOIN builds b ON b.id = r.build_id WHERE instr(folded({_WOOD_OF_RING}), ?)
)"""

_TEXT = """(
    instr(folded(c.headline), ?)
    OR c.ring_id IN (
        SELECT r.id FROM rings r JOIN builds b ON b.id = r.build_id
        WHERE instr(folded(r.name), ?) OR instr(folded(b.name), ?))
    OR c.ring_id IN (SELECT ring_id FROM notes WHERE ring_id IS NOT NULL AND instr(folded(value), ?))
    OR c.ring_id IN (
        SELECT r.id FROM rings r JOIN notes n ON n.build_id = r.build_id WHERE instr(folded(n.value), ?))
    OR c.id IN (SELECT check_id FROM notes WHERE check_id IS NOT NULL AND instr(folded(value), ?))
    OR c.id IN (SELECT check_id FROM check_photos WHERE instr(folded(name), ?))
)"""


def _beyond(time: str, number: str, after: str | None) -> Iterator[tuple[str, Parameters]]:
    """Say where the page begins, by the place of the last line of the page before."""
    if after is None:
        return
    moment, separator, last = after.partition("~")
    if not separator or not last.isdigit():
        raise LogError(f"'{after}' is no place in a list.", "Open the list from its beginning.")
    yield f"({time}, {number}) < (?, ?)", (moment, int(last))


def _token(rows: list[Row], size: int, time: str) -> str | None:
    return f"{rows[size - 1][time]}~{rows[size - 1]['id']}" if len(rows) > size else None


def _line(row: Row) -> CheckLine:
    return CheckLine(
        id=row["id"],
        made_at=row["made_at"],
        ring_id=row["ring_id"],
        ring_name=row["ring_name"],
        ring_position=row["ring_position"],
        build_id=row["build_id"],
        build_name=row["build_name"],
        wood=row["wood"],
        summary=_summary(row),
        photo=None if row["sha256"] is None else _stored(row),
    )


def _summary(row: Row) -> Summary:
    gap: Value | Below | None = None
    if row["worst_gap_mm"] is not None:
        u95 = row["worst_gap_u95"]
        gap = (
            Below(row["worst_gap_mm"])
            if u95 is None
            else Value(row["worst_gap_mm"], (Contribution("measuring", u95 / COVERAGE_FACTOR),))
        )
    verdict = None if row["verdict"] is None else Verdict(row["verdict"])
    return Summary(verdict, row["headline"], gap, row["worst_gap_joint"])


def _result(row: Row) -> Result:
    return Result(
        id=row["id"],
        check_id=row["check_id"],
        made_at=row["made_at"],
        program=row["program"],
        report=None if row["report"] is None else json.loads(row["report"]),
        error=None if row["error"] is None else json.loads(row["error"]),
    )


def _turn(row: Row) -> Turn:
    return Turn(
        earlier_id=row["earlier_id"],
        later_id=row["later_id"],
        earlier_result=row["earlier_result"],
        later_result=row["later_result"],
        turn=row["turn"],
        face_down=bool(row["face_down"]),
        made_at=row["made_at"],
    )


def _stored(row: Row) -> StoredPhoto:
    return StoredPhoto(row["sha256"], row["suffix"], row["size_bytes"])
