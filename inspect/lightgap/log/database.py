"""The log's SQLite file: opened, brought up to date, and written in whole transactions.

WAL lets a page read while a check is saved; ``synchronous = FULL`` means that what was said to be
saved stays saved when the power goes. WAL needs a local disk: a log on a network drive may be locked.
"""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from lightgap.errors import LogError
from lightgap.log.clock import now

APPLICATION_ID = 0x4C474150
"""Written into the file's header ("LGAP"), so that no other program's file is taken for a log."""

BUSY_SECONDS = 10.0
"""How long a writer waits for another to finish."""

OLDEST_SQLITE = (3, 38, 0)
"""STRICT tables came with 3.37, JSON functions in every build with 3.38."""

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def open_database(path: Path, migrations: Traversable | None = None) -> sqlite3.Connection:
    """Open the log at ``path``, making or updating it as needed.

    Before an existing log is updated, a copy of it is kept beside it as ``NAME.before-N.TIME.sqlite3``,
    N being the number of the first migration that was then applied.

    Parameters
    ----------
    migrations : Traversable, optional
        The folder of numbered ``.sql`` files; the program's own unless a test gives another.

    Raises
    ------
    LogError
        If the file is no log, is newer than this program, or cannot be opened.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise LogError(
            f"This Python carries SQLite {sqlite3.sqlite_version}, which is too old for the log.",
            "Install a newer Python (3.11 or later from python.org carries a newer SQLite).",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None)
    except (OSError, sqlite3.Error) as error:
        raise told(error, f"The log {path}") from error
    try:
        _refuse_foreign(connection, path)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        _update(connection, path, _numbered(migrations or files("lightgap.log") / "migrations"))
        connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error as error:
        connection.close()
        raise told(error, f"The log {path}") from error
    except BaseException:
        connection.close()
        raise
    connection.row_factory = sqlite3.Row
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Write all that happens inside, or nothing of it; no other writer comes between.

    Raises
    ------
    LogError
        If the disk is full, or the log is locked or damaged. Nothing was written then.
    """
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            _roll_back(connection)
            raise
        try:
            connection.execute("COMMIT")
        except sqlite3.Error:
            _roll_back(connection)
            raise
    except (OSError, sqlite3.Error) as error:
        raise told(error) from error


def told(error: OSError | sqlite3.Error, name: str = "The log") -> LogError:
    """Say in plain words what went wrong with a file: the log's own, or another that is ``name``d."""
    text = str(error).lower()
    if (isinstance(error, OSError) and error.errno in _FULL) or "disk is full" in text:
        return LogError("The disk is full: nothing was saved.", "Free some space, then save again.")
    if "locked" in text or "busy" in text:
        return LogError(
            f"{name} has been held by another program for {BUSY_SECONDS:.0f} seconds.",
            "Close other windows of this program, then try again.",
        )
    if "not a database" in text or "malformed" in text:
        return LogError(
            f"{name} is damaged, or is no log at all.",
            "Put back a copy of the log, or name another folder with LIGHTGAP_LOG.",
        )
    why = error.strerror if isinstance(error, OSError) and error.strerror else error
    return LogError(
        f"{name} cannot be read or written: {why}.",
        "See that its folder is there, is yours and has space, or name another.",
    )


def _roll_back(connection: sqlite3.Connection) -> None:
    # SQLite ends the transaction by itself on some errors, a full disk among them.
    if connection.in_transaction:
        connection.execute("ROLLBACK")


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if tables and _pragma(connection, "application_id") != APPLICATION_ID:
        raise LogError(
            f"{path} belongs to another program: it is no log.",
            "Name another folder with LIGHTGAP_LOG.",
        )


def _numbered(folder: Traversable) -> dict[int, str]:
    scripts = (item for item in folder.iterdir() if item.name.endswith(".sql"))
    return {int(item.name[:4]): item.read_text(encoding="utf-8") for item in scripts}


def _update(connection: sqlite3.Connection, path: Path, scripts: dict[int, str]) -> None:
    version, newest = _pragma(connection, "user_version"), max(scripts)
    if version > newest:
        raise LogError(
            f"The log {path} was written by a newer version of this program.",
            "Update this program, or name another log with LIGHTGAP_LOG.",
        )
    if version == newest:
        return
    if version > 0:
        _keep_copy(connection, path, version + 1)
    # Tables are rebuilt by some migrations; their references are checked as a whole at the end.
    connection.execute("PRAGMA foreign_keys = OFF")
    with transaction(connection):
        # Another process may have updated the log since the version was read.
        version = _pragma(connection, "user_version")
        for number in sorted(scripts):
            if number > version:
                for statement in _statements(scripts[number]):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        if connection.execute("PRAGMA foreign_key_check").fetchone():
            raise LogError(
                f"The log {path} could not be updated: some of its records point to nothing.",
                "It was left as it was; keep using the earlier version and send a copy to the makers.",
            )


def _keep_copy(connection: sqlite3.Connection, path: Path, number: int) -> None:
    kept = path.with_name(f"{path.stem}.before-{number}.{now().replace(':', '')}{path.suffix}")
    part = kept.with_suffix(".part")
    with closing(sqlite3.connect(part)) as copy:
        connection.backup(copy)
    part.replace(kept)


def _statements(script: str) -> Iterator[str]:
    """Cut a script at the ends of its statements, minding strings, comments and triggers."""
    start = 0
    for end, character in enumerate(script, 1):
        if character == ";" and sqlite3.complete_statement(script[start:end]):
            yield script[start:end]
            start = end
