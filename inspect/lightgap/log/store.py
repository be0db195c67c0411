"""The log itself: opened on a folder, written in whole transactions, read as frozen records.

>>> import tempfile
>>> from lightgap.plan import Plan
>>> with tempfile.TemporaryDirectory() as folder, Log(Path(folder)) as log:
...     bowl = log.add_build("Bowl", {"wood": "oak"})
...     foot = log.add_ring(bowl.id, Plan(12, "closed", 220.0, 38.0, 20.0))
...     [ring.title for ring in log.build(bowl.id).rings]
['ring 1']
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from lightgap.errors import LogError
from lightgap.log import reading, writing
from lightgap.log.clock import now, written
from lightgap.log.database import open_database, transaction
from lightgap.log.photos import PhotoFolder, StoredPhoto
from lightgap.log.records import (
    EVERY,
    Build,
    BuildLine,
    Check,
    CheckLine,
    Deleted,
    Filters,
    KeptPhoto,
    Kind,
    NewPhoto,
    Notes,
    Page,
    Result,
    Ring,
    Turn,
)
from lightgap.log.writing import Outcome
from lightgap.plan import Plan

DATABASE = "log.sqlite3"
PHOTOS = "photos"
ENVIRONMENT = "LIGHTGAP_LOG"
PAGE_SIZE = 50
KEPT_DAYS = 30.0
"""How long a deleted record can come back before `Log.purge` takes it away for good."""


def default_folder() -> Path:
    """Return the folder named by LIGHTGAP_LOG, else "log" in the platform's folder for a user's data."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("lightgap", appauthor=False) / "log"


class Log:
    """The photo log. One object belongs to one thread; several may be open on one folder at once.

    Parameters
    ----------
    folder : Path, optional
        Holds ``log.sqlite3`` and ``photos/``; made when it is not there.

    Raises
    ------
    LogError
        From every method: when the log cannot be read or written. Nothing is half done then.
    NotInLog
        From every method that is given an id: when there is no such record.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder or default_folder()
        self.photos = PhotoFolder(self.folder / PHOTOS)
        self.connection = open_database(self.folder / DATABASE)
        self.connection.create_function("folded", 1, _folded, deterministic=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    def snapshot(self) -> AbstractContextManager[None]:
        """Let all that is read inside be of one moment."""
        return reading.snapshot(self.connection)

    # Reading

    def builds(self, after: str | None = None, size: int = PAGE_SIZE) -> Page[BuildLine]:
        """Return a page of builds, the last changed first."""
        with self.snapshot():
            return reading.list_builds(self.connection, after, size)

    def checks(
        self, filters: Filters = EVERY, after: str | None = None, size: int = PAGE_SIZE
    ) -> Page[CheckLine]:
        """Return a page of the checks that pass the filters, the last made first."""
        with self.snapshot():
            return reading.list_checks(self.connection, filters, after, size)

    def build(self, build_id: int) -> Build:
        """Return a build with its rings."""
        with self.snapshot():
            return reading.read_build(self.connection, build_id)

    def builds_named(self, name: str) -> tuple[int, ...]:
        """Return the builds of exactly that name, the last changed first."""
        with self.snapshot():
            return reading.find_builds(self.connection, name)

    def ring(self, ring_id: int) -> Ring:
        """Return a ring with its last check; `history` returns them all."""
        with self.snapshot():
            return reading.read_ring(self.connection, ring_id)

    def check(self, check_id: int) -> Check:
        """Return a check with its photos and all of its results."""
        with self.snapshot():
            return reading.read_check(self.connection, check_id)

    def history(self, ring_id: int) -> tuple[Check, ...]:
        """Return all checks of a ring, the first made first."""
        with self.snapshot():
            return reading.read_history(self.connection, ring_id)

    def deleted(self) -> tuple[Deleted, ...]:
        """Return what can come back, the last deleted first."""
        with self.snapshot():
            return reading.list_deleted(self.connection)

    def photo(self, sha256: str) -> StoredPhoto:
        """Return what is known of a photo; ``photos.path`` and ``photos.read`` give the file."""
        with self.snapshot():
            return reading.read_photo_record(self.connection, sha256)

    def ring_print(self, result_id: int) -> bytes | None:
        """Return the ring's print that is kept with a result, for `lightgap.again.ring_print.read_print`."""
        with self.snapshot():
            return reading.read_print(self.connection, result_id)

    def turn(self, earlier_id: int, later_id: int) -> Turn | None:
        """Return what a person said of how the ring lies in two checks, in the numbers of that time."""
        with self.snapshot():
            return reading.read_turn(self.connection, earlier_id, later_id)

    def turns(self, ring_id: int) -> tuple[Turn, ...]:
        """Return all that was said of the checks of one ring."""
        with self.snapshot():
            return reading.read_turns(self.connection, ring_id)

    # Writing

    def add_build(self, name: str, notes: Notes | None = None) -> Build:
        """Begin a build."""
        with transaction(self.connection):
            build_id = writing.insert_build(self.connection, uuid.uuid4().hex, name, now(), notes or {})
        return self.build(build_id)

    def add_ring(self, build_id: int, plan: Plan, name: str = "", notes: Notes | None = None) -> Ring:
        """Put a ring on top of a build's stack."""
        with transaction(self.connection):
            writing.living(self.connection, "build", build_id)
            top = self._one("SELECT coalesce(max(position), 0) FROM rings WHERE build_id = ?", build_id)
            ring_id = writing.insert_ring(self.connection, build_id, top + 1, name, plan, now(), notes or {})
            writing.touch(self.connection, "build", build_id)
        return self.ring(ring_id)

    def add_check(
        self,
        ring_id: int,
        photos: Sequence[NewPhoto],
        outcome: Outcome | None = None,
        *,
        plan: Plan | None = None,
        reference: str = "auto",
        settings: Mapping[str, Any] | None = None,
        notes: Notes | None = None,
        made_at: datetime | None = None,
        ring_print: bytes | None = None,
    ) -> Check:
        """Keep a check: its photos, what was asked, and what came of it, all of it or nothing.

        Parameters
        ----------
        photos : sequence of NewPhoto
            One or more of the same ring, kept whole and untouched.
        outcome : mapping, LightgapError or None
            None when it is yet to be measured.
        plan : Plan, optional
            The ring's own unless given.
        settings : mapping, optional
            What else the measuring was told, as JSON.
        made_at : datetime, optional
            When the photo was taken; now unless given.
        ring_print : bytes, optional
            `RingPrint.to_bytes` of what was measured.
        """
        if not photos:
            raise ValueError("a check needs at least one photo")
        with self.storing() as store:
            kept = [KeptPhoto(photo.name, store(photo.data)) for photo in photos]
            with transaction(self.connection):
                row = writing.living(self.connection, "ring", ring_id)
                for photo, there in zip(photos, kept, strict=True):
                    # A purge may have taken the file away since it was found there.
                    if not self.photos.holds(there.stored):
                        store(photo.data)
                check_id = writing.insert_check(
                    self.connection,
                    ring_id,
                    kept,
                    plan or reading.plan_of(row["plan"]),
                    reference,
                    settings or {},
                    written(made_at) if made_at else now(),
                    notes or {},
                )
                if outcome is not None:
                    writing.insert_outcome(self.connection, check_id, outcome, ring_print)
                writing.touch(self.connection, "ring", ring_id)
        return self.check(check_id)

    @contextmanager
    def storing(self) -> Iterator[Callable[[bytes], StoredPhoto]]:
        """Store photos for what is saved inside; if that fails, take away those that no check names."""
        stored: list[StoredPhoto] = []

        def store(data: bytes) -> StoredPhoto:
            stored.append(self.photos.add(data))
            return stored[-1]

        try:
            yield store
        except BaseException:
            with suppress(LogError):
                self.sweep(*(self.photos.path(photo) for photo in stored))
            raise

    def add_result(self, check_id: int, outcome: Outcome, ring_print: bytes | None = None) -> Check:
        """Keep what a new measuring made of a check; the results before it stay."""
        with transaction(self.connection):
            writing.touch(self.connection, "check", check_id)
            writing.insert_outcome(self.connection, check_id, outcome, ring_print)
        return self.check(check_id)

    def keep_print(self, result_id: int, ring_print: bytes) -> None:
        """Keep the ring's print of a result that was written without one."""
        with transaction(self.connection):
            writing.put_print(self.connection, result_id, ring_print)

    def say_turn(self, earlier: Result, later: Result, turn: int, face_down: bool) -> Turn:
        """Keep what a person said of how the ring lies in two checks, in the numbers of these results."""
        said = Turn(earlier.check_id, later.check_id, earlier.id, later.id, turn, face_down, now())
        with transaction(self.connection):
            for check_id in (earlier.check_id, later.check_id):
                writing.living(self.connection, "check", check_id)
            writing.put_turn(self.connection, said)
            writing.touch(self.connection, "check", later.check_id)
        return said

    def forget_turn(self, earlier_id: int, later_id: int) -> None:
        """Take back what was said of two checks."""
        with transaction(self.connection):
            writing.remove_turn(self.connection, earlier_id, later_id)
            writing.touch(self.connection, "check", later_id)

    def note(self, kind: Kind, record_id: int, key: str, value: str | None) -> str | None:
        """Set or, with None, remove a note on a build, a ring or a check.

        Returns
        -------
        str or None
            What the note said before: setting it again undoes this.
        """
        key = key.strip()
        if not key:
            raise LogError("A note needs a name.", "Name it for what it tells: wood, glue, clamp time.")
        with transaction(self.connection):
            writing.touch(self.connection, kind, record_id)
            row = self.connection.execute(
                f"DELETE FROM notes WHERE {kind}_id = ? AND key = ? RETURNING value", (record_id, key)
            ).fetchone()
            if value is not None:
                writing.insert_notes(self.connection, kind, record_id, {key: value})
        return None if row is None else str(row["value"])

    def rename(self, kind: Literal["build", "ring"], record_id: int, name: str) -> None:
        """Give a build or a ring another name."""
        with transaction(self.connection):
            writing.touch(self.connection, kind, record_id)
            self.connection.execute(
                f"UPDATE {reading.TABLES[kind]} SET name = ? WHERE id = ?", (name, record_id)
            )

    def set_plan(self, ring_id: int, plan: Plan) -> Ring:
        """Say anew what a ring should be; checks made before keep the plan that they were made with."""
        with transaction(self.connection):
            writing.touch(self.connection, "ring", ring_id)
            self.connection.execute(
                "UPDATE rings SET plan = ? WHERE id = ?", (writing.plan_text(plan), ring_id)
            )
        return self.ring(ring_id)

    def move_ring(self, ring_id: int, position: int) -> Build:
        """Put a ring at another place of its stack, 1 the lowest; the others close up."""
        with transaction(self.connection):
            writing.touch(self.connection, "ring", ring_id)
            build_id = reading.record(self.connection, "ring", ring_id)["build_id"]
            others = self.connection.execute(
                "SELECT id FROM rings WHERE build_id = ? AND id <> ? AND deleted_at IS NULL"
                " ORDER BY position, id",
                (build_id, ring_id),
            )
            order = [other["id"] for other in others]
            order.insert(max(position, 1) - 1, ring_id)
            self.connection.executemany(
                "UPDATE rings SET position = ? WHERE id = ?",
                [(place, moved) for place, moved in enumerate(order, 1)],
            )
        return self.build(build_id)

    def move_check(self, check_id: int, ring_id: int) -> Check:
        """Put a check that was filed under the wrong ring where it belongs."""
        with transaction(self.connection):
            writing.living(self.connection, "ring", ring_id)
            writing.touch(self.connection, "check", check_id)
            self.connection.execute("UPDATE checks SET ring_id = ? WHERE id = ?", (ring_id, check_id))
            writing.touch(self.connection, "check", check_id)
        return self.check(check_id)

    # Deleting and undoing

    def delete(self, kind: Kind, record_id: int) -> None:
        """Put a build, a ring or a check away, with all that belongs to it; `restore` brings it back."""
        with transaction(self.connection):
            writing.touch(self.connection, kind, record_id)
            writing.mark_deleted(self.connection, kind, record_id, now())

    def restore(self, kind: Kind, record_id: int) -> None:
        """Bring back what was deleted, and what it belongs to if that was deleted too."""
        with transaction(self.connection):
            for owner, row in writing.owners(self.connection, kind, record_id):
                writing.mark_deleted(self.connection, owner, row["id"], None)
            writing.touch(self.connection, kind, record_id)

    def undo(self) -> Deleted | None:
        """Bring back what was deleted last; return what it was, or None when there is nothing."""
        last = next(iter(self.deleted()), None)
        if last is not None:
            self.restore(last.kind, last.id)
        return last

    def purge(self, days: float = KEPT_DAYS) -> int:
        """Take away for good what was deleted more than ``days`` ago, and photos that nothing names.

        Returns
        -------
        int
            How many builds, rings and checks were taken away.
        """
        before = written(datetime.now(UTC) - timedelta(days=days))
        with transaction(self.connection):
            gone = sum(
                self.connection.execute(f"DELETE FROM {table} WHERE deleted_at <= ?", (before,)).rowcount
                for table in reading.TABLES.values()
            )
            orphans = [
                StoredPhoto(row["sha256"], row["suffix"], row["size_bytes"])
                for row in self.connection.execute(
                    "DELETE FROM photos WHERE sha256 NOT IN (SELECT sha256 FROM check_photos) RETURNING *"
                ).fetchall()
            ]
        self.sweep(*(self.photos.path(photo) for photo in orphans), *self.photos.settled())
        return gone

    def sweep(self, *paths: Path) -> None:
        """Take away those of the photo folder's files that no check names."""
        # Under the writers' lock, so that no check is being saved that has just found its photo there.
        with transaction(self.connection):
            for path in paths:
                if not self._one("SELECT count(*) FROM photos WHERE sha256 = ?", path.stem):
                    path.unlink(missing_ok=True)

    def _one(self, statement: str, *parameters: Any) -> int:
        return int(self.connection.execute(statement, parameters).fetchone()[0])


def _folded(text: str | None) -> str | None:
    """Let SQLite compare text in any case, beyond ASCII too."""
    return None if text is None else text.casefold()
