"""The log's file: earlier logs open, newer ones and strangers are refused, a full disk does no harm."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from lightgap.errors import LogError
from lightgap.log.database import APPLICATION_ID, open_database, transaction
from lightgap.log.records import NewPhoto
from lightgap.log.same_ring import base_photo
from lightgap.log.store import DATABASE, Log
from lightgap.log.stored import read_report
from made_ring import make_plan

HERE = Path(__file__).parent
PHOTO = NewPhoto("IMG_0003.JPG", b"\xff\xd8\xff a third")
FIRST = "CREATE TABLE things (id INTEGER PRIMARY KEY, name TEXT NOT NULL) STRICT;"
SECOND = """
-- A trigger holds semicolons of its own; so does a string: 'a;b'.
ALTER TABLE things ADD COLUMN size REAL;
CREATE TRIGGER named AFTER INSERT ON things BEGIN
    UPDATE things SET size = 1.0 WHERE id = new.id;
    UPDATE things SET name = 'a;b' WHERE name = '';
END;
"""


def _migrations(folder: Path, *scripts: str) -> Path:
    folder.mkdir(exist_ok=True)
    for number, script in enumerate(scripts, 1):
        (folder / f"{number:04}_step.sql").write_text(script)
    return folder


def _version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def test_a_new_log_is_kept_as_it_must_be(log: Log) -> None:
    pragmas = {
        name: log.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "foreign_keys", "synchronous", "busy_timeout", "application_id")
    }
    assert pragmas == {
        "journal_mode": "wal",
        "foreign_keys": 1,
        "synchronous": 2,
        "busy_timeout": 10000,
        "application_id": APPLICATION_ID,
    }
    tables = log.connection.execute("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'")
    assert all(strict for name, strict in tables if not name.startswith("sqlite_"))


@pytest.mark.parametrize("dump", sorted(HERE.glob("log_v*.sql")), ids=lambda path: path.stem)
def test_a_log_written_by_an_earlier_version_opens_with_all_it_holds(dump: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / DATABASE)) as connection:
        connection.executescript(dump.read_text(encoding="utf-8"))
    with Log(tmp_path) as log:
        *_, line = log.checks().items
        assert (line.build_name, line.wood, line.ring_title) == ("Bowl", "oak", "foot")
        check = log.check(line.id)
        assert (check.plan.segments, check.reference, check.notes) == (12, "cards", {"who": "Zoë"})
        assert [result.program for result in check.results] == ["0.1.0", "0.1.0"]
        log.add_ring(line.build_id, make_plan())
        # What came later can be written into it.
        twice = log.add_check(line.ring_id, [PHOTO], check.results[-1].report, ring_print=b"print")
        log.say_turn(check.results[-1], twice.results[-1], 2, face_down=True)
        assert log.ring_print(twice.results[-1].id) == b"print"


def test_what_version_2_brought_comes_back(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / DATABASE)) as connection:
        connection.executescript((HERE / "log_v2.sql").read_text(encoding="utf-8"))
    with Log(tmp_path) as log:
        check = log.check(2)
        assert [photo.name for photo in check.photos] == ["IMG_0001.JPG", "IMG_0002.JPG"]
        (result,) = check.results
        assert base_photo(check, read_report(result.report or {})).name == "IMG_0002.JPG"
        assert log.ring_print(result.id) == b"a ring's print"
        turn = log.turn(1, 2)
        assert turn is not None and (turn.turn, turn.face_down) == (3, False)


def test_an_update_keeps_a_copy_of_what_was_before(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite3"
    with closing(open_database(path, _migrations(tmp_path / "steps", FIRST))) as connection:
        connection.execute("INSERT INTO things (name) VALUES ('kept')")
    assert [item.name for item in tmp_path.glob("*.before-*")] == []
    with closing(open_database(path, _migrations(tmp_path / "steps", FIRST, SECOND))) as connection:
        connection.execute("INSERT INTO things (name) VALUES ('')")
        rows = [tuple(row) for row in connection.execute("SELECT name, size FROM things")]
    assert rows == [("kept", None), ("a;b", 1.0)]
    (copy,) = tmp_path.glob("log.before-2.*.sqlite3")
    assert _version(copy) == 1
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("SELECT * FROM things").fetchall() == [(1, "kept")]


def test_an_update_that_fails_leaves_the_log_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite3"
    open_database(path, _migrations(tmp_path / "steps", FIRST)).close()
    broken = f"{SECOND}\nINSERT INTO nowhere VALUES (1);"
    with pytest.raises(LogError, match="no such table"):
        open_database(path, _migrations(tmp_path / "steps", FIRST, broken))
    assert _version(path) == 1
    with closing(sqlite3.connect(path)) as connection:
        columns = [row[1] for row in connection.execute("PRAGMA table_info(things)")]
    assert columns == ["id", "name"]


def test_a_newer_log_is_refused_and_left_alone(tmp_path: Path) -> None:
    Log(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / DATABASE)) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = (tmp_path / DATABASE).read_bytes()
    with pytest.raises(LogError, match="newer version of this program") as caught:
        Log(tmp_path)
    assert "Update this program" in caught.value.hint
    assert (tmp_path / DATABASE).read_bytes() == before


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / DATABASE)) as connection:
        connection.execute("CREATE TABLE bookmarks (url TEXT)")
    with pytest.raises(LogError, match="another program"):
        Log(tmp_path)


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / DATABASE).write_bytes(b"my diary " * 400)
    with pytest.raises(LogError, match="damaged, or is no log"):
        Log(tmp_path)


def test_a_place_that_is_no_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match="cannot be read or written"):
        Log(tmp_path / "file")


def test_a_log_that_another_program_holds_is_said_to_be_held(log: Log) -> None:
    log.connection.execute("PRAGMA busy_timeout = 20")
    with closing(open_database(log.folder / DATABASE)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogError, match="held by another program"):
            log.add_build("Bowl")
        other.execute("ROLLBACK")
    assert log.add_build("Bowl").name == "Bowl"


def test_nothing_of_a_failed_transaction_stays(log: Log) -> None:
    with pytest.raises(RuntimeError), transaction(log.connection):
        log.connection.execute("INSERT INTO builds VALUES (1, 'u', 'Bowl', '', '', NULL)")
        raise RuntimeError
    assert log.builds().items == ()
