"""What is written into the log's tables; each function belongs inside a transaction of its caller."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from lightgap import __version__
from lightgap.errors import LightgapError, NotInLog
from lightgap.log.clock import now
from lightgap.log.reading import TABLES, record
from lightgap.log.records import KeptPhoto, Kind, Notes, Turn
from lightgap.log.summary import summarise
from lightgap.plan import Plan
from lightgap.values import Value

Outcome = Mapping[str, Any] | LightgapError
"""What came of measuring: `Report.to_dict(budgets=True)`, or the error that says why it failed."""


def insert_build(connection: sqlite3.Connection, uid: str, name: str, made_at: str, notes: Notes) -> int:
    """Write a build; return its id."""
    build_id = _insert(connection, "builds", uid=uid, name=name, made_at=made_at, changed_at=now())
    insert_notes(connection, "build", build_id, notes)
    return build_id


def insert_ring(
    connection: sqlite3.Connection,
    build_id: int,
    position: int,
    name: str,
    plan: Plan,
    made_at: str,
    notes: Notes,
) -> int:
    """Write a ring; return its id."""
    ring_id = _insert(
        connection,
        "rings",
        build_id=build_id,
        position=position,
        name=name,
        plan=plan_text(plan),
        made_at=made_at,
    )
    insert_notes(connection, "ring", ring_id, notes)
    return ring_id


def insert_check(
    connection: sqlite3.Connection,
    ring_id: int,
    photos: Sequence[KeptPhoto],
    plan: Plan,
    reference: str,
    settings: Mapping[str, Any],
    made_at: str,
    notes: Notes,
) -> int:
    """Write a check and the names of its photos, whose files are there already; return its id."""
    check_id = _insert(
        connection,
        "checks",
        ring_id=ring_id,
        made_at=made_at,
        plan=plan_text(plan),
        reference=reference,
        settings=_json(settings),
    )
    for place, photo in enumerate(photos):
        connection.execute(
            "INSERT INTO photos VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (photo.stored.sha256, photo.stored.suffix, photo.stored.size_bytes),
        )
        _insert(
            connection,
            "check_photos",
            check_id=check_id,
            place=place,
            sha256=photo.stored.sha256,
            name=photo.name,
        )
    insert_notes(connection, "check", check_id, notes)
    return check_id


def insert_outcome(
    connection: sqlite3.Connection, check_id: int, outcome: Outcome, ring_print: bytes | None = None
) -> None:
    """Write what this program has just made of a check, and the ring's print that it has taken."""
    if isinstance(outcome, LightgapError):
        insert_result(connection, check_id, now(), __version__, None, outcome.to_dict()["error"])
        return
    result_id = insert_result(connection, check_id, now(), outcome["program"]["version"], outcome, None)
    if ring_print is not None:
        put_print(connection, result_id, ring_print)


def put_print(connection: sqlite3.Connection, result_id: int, ring_print: bytes) -> None:
    """Write the ring's print of a result, in the place of another if need be."""
    connection.execute("INSERT OR REPLACE INTO prints VALUES (?, ?)", (result_id, ring_print))


def put_turn(connection: sqlite3.Connection, turn: Turn) -> None:
    """Write how the ring lies in two checks, in the place of what was said before."""
    remove_turn(connection, turn.earlier_id, turn.later_id)
    _insert(connection, "turns", **{**asdict(turn), "face_down": int(turn.face_down)})


def remove_turn(connection: sqlite3.Connection, one_id: int, other_id: int) -> None:
    """Take back what was said of two checks, in whichever order."""
    connection.execute(
        "DELETE FROM turns WHERE (earlier_id, later_id) IN (VALUES (?1, ?2), (?2, ?1))", (one_id, other_id)
    )


def insert_result(
    connection: sqlite3.Connection,
    check_id: int,
    made_at: str,
    program: str,
    report: Mapping[str, Any] | None,
    error: Mapping[str, Any] | None,
) -> int:
    """Write a result, and its summary beside its check; it is the check's latest from now on."""
    result_id = _insert(
        connection,
        "results",
        check_id=check_id,
        made_at=made_at,
        program=program,
        report=None if report is None else _json(report),
        error=None if error is None else _json(error),
    )
    summary = summarise(report, error)
    gap = summary.worst_gap
    value, u95 = (gap.value, gap.u95) if isinstance(gap, Value) else (gap and gap.below, None)
    connection.execute(
        "UPDATE checks SET verdict = ?, headline = ?, worst_gap_mm = ?, worst_gap_u95 = ?,"
        " worst_gap_joint = ? WHERE id = ?",
        (str(summary.verdict), summary.headline, value, u95, summary.worst_gap_joint, check_id),
    )
    return result_id


def insert_notes(connection: sqlite3.Connection, kind: Kind, owner_id: int, notes: Notes) -> None:
    """Write notes that are not there yet."""
    for key, value in notes.items():
        _insert(connection, "notes", **{f"{kind}_id": owner_id, "key": key.strip(), "value": value})


def owners(connection: sqlite3.Connection, kind: Kind, record_id: int) -> list[tuple[Kind, sqlite3.Row]]:
    """Return the record itself and what it belongs to, up to its build."""
    row = record(connection, kind, record_id)
    match kind:
        case "build":
            return [(kind, row)]
        case "ring":
            return [(kind, row), *owners(connection, "build", row["build_id"])]
        case _:
            return [(kind, row), *owners(connection, "ring", row["ring_id"])]


def living(connection: sqlite3.Connection, kind: Kind, record_id: int) -> sqlite3.Row:
    """Return a record that is not deleted, nor anything that it belongs to.

    Raises
    ------
    NotInLog
        If it is, or was never there.
    """
    above = owners(connection, kind, record_id)
    for owner, row in above:
        if row["deleted_at"] is not None:
            raise NotInLog(
                f"The {owner} {row['id']} was deleted.",
                f"Bring it back first, with 'lightgap log restore {owner} {row['id']}'.",
            )
    return above[0][1]


def mark_deleted(connection: sqlite3.Connection, kind: Kind, record_id: int, moment: str | None) -> None:
    """Mark a record deleted, or with None alive again."""
    connection.execute(f"UPDATE {TABLES[kind]} SET deleted_at = ? WHERE id = ?", (moment, record_id))


def touch(connection: sqlite3.Connection, kind: Kind, record_id: int) -> None:
    """Note that the build to which a record belongs has changed."""
    build = owners(connection, kind, record_id)[-1][1]
    connection.execute("UPDATE builds SET changed_at = ? WHERE id = ?", (now(), build["id"]))


def plan_text(plan: Plan) -> str:
    """Write a plan as `reading.plan_of` reads it."""
    return _json(asdict(plan))


def _json(value: Mapping[str, Any]) -> str:
    """Write JSON as the standard has it, without NaN."""
    return json.dumps(value, allow_nan=False)


def _insert(connection: sqlite3.Connection, table: str, **values: Any) -> int:
    columns, marks = ", ".join(values), ", ".join("?" * len(values))
    cursor = connection.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(values.values()))
    return int(cursor.lastrowid or 0)
