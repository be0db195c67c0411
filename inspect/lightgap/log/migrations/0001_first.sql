-- Builds, their rings in stacking order, each ring's checks, each check's photos and results.
-- Times are UTC, ISO 8601 with microseconds, so that their order as text is their order in time.
-- What a person deletes is marked with deleted_at and comes back when that is cleared.

CREATE TABLE builds (
    id          INTEGER PRIMARY KEY,
    uid         TEXT NOT NULL UNIQUE,       -- the same in every log that it is imported into
    name        TEXT NOT NULL,
    made_at     TEXT NOT NULL,
    changed_at  TEXT NOT NULL,
    deleted_at  TEXT
) STRICT;

CREATE INDEX builds_by_change ON builds (changed_at DESC, id DESC) WHERE deleted_at IS NULL;

CREATE TABLE rings (
    id          INTEGER PRIMARY KEY,
    build_id    INTEGER NOT NULL REFERENCES builds ON DELETE CASCADE,
    position    INTEGER NOT NULL,           -- 1 is the lowest of the stack
    name        TEXT NOT NULL,
    plan        TEXT NOT NULL CHECK (json_valid(plan)),
    made_at     TEXT NOT NULL,
    deleted_at  TEXT
) STRICT;

CREATE INDEX rings_in_stack ON rings (build_id, position);

-- The columns after settings repeat the latest result, so that a long list is read from here alone.
CREATE TABLE checks (
    id               INTEGER PRIMARY KEY,
    ring_id          INTEGER NOT NULL REFERENCES rings ON DELETE CASCADE,
    made_at          TEXT NOT NULL,
    plan             TEXT NOT NULL CHECK (json_valid(plan)),
    reference        TEXT NOT NULL,
    settings         TEXT NOT NULL CHECK (json_valid(settings)),
    verdict          TEXT,
    headline         TEXT NOT NULL DEFAULT '',
    worst_gap_mm     REAL,
    worst_gap_u95    REAL,                  -- null: the gap is below worst_gap_mm
    worst_gap_joint  INTEGER,
    deleted_at       TEXT
) STRICT;

CREATE INDEX checks_by_date ON checks (made_at DESC, id DESC) WHERE deleted_at IS NULL;
CREATE INDEX checks_by_verdict ON checks (verdict, made_at DESC, id DESC) WHERE deleted_at IS NULL;
CREATE INDEX checks_of_ring ON checks (ring_id, made_at DESC, id DESC);

CREATE TABLE results (
    id          INTEGER PRIMARY KEY,
    check_id    INTEGER NOT NULL REFERENCES checks ON DELETE CASCADE,
    made_at     TEXT NOT NULL,
    program     TEXT NOT NULL,              -- the version that measured
    report      TEXT CHECK (report IS NULL OR json_valid(report)),
    error       TEXT CHECK (error IS NULL OR json_valid(error)),
    CHECK ((report IS NULL) <> (error IS NULL))
) STRICT;

CREATE INDEX results_of_check ON results (check_id, id);

CREATE TABLE photos (
    sha256      TEXT PRIMARY KEY,
    suffix      TEXT NOT NULL,              -- ".jpg"; the file is photos/<sha256><suffix>
    size_bytes  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE check_photos (
    check_id    INTEGER NOT NULL REFERENCES checks ON DELETE CASCADE,
    place       INTEGER NOT NULL,           -- 0 is the first photo of the check
    sha256      TEXT NOT NULL REFERENCES photos,
    name        TEXT NOT NULL,              -- the file's own name
    PRIMARY KEY (check_id, place)
) STRICT, WITHOUT ROWID;

CREATE INDEX checks_of_photo ON check_photos (sha256);

CREATE TABLE notes (
    id          INTEGER PRIMARY KEY,
    build_id    INTEGER REFERENCES builds ON DELETE CASCADE,
    ring_id     INTEGER REFERENCES rings ON DELETE CASCADE,
    check_id    INTEGER REFERENCES checks ON DELETE CASCADE,
    key         TEXT NOT NULL COLLATE NOCASE,
    value       TEXT NOT NULL,
    CHECK ((build_id IS NOT NULL) + (ring_id IS NOT NULL) + (check_id IS NOT NULL) = 1)
) STRICT;

CREATE UNIQUE INDEX notes_of_build ON notes (build_id, key);
CREATE UNIQUE INDEX notes_of_ring ON notes (ring_id, key);
CREATE UNIQUE INDEX notes_of_check ON notes (check_id, key);
