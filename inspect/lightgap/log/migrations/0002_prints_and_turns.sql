-- The ring's print of each result, so that a ring is known again without its photo; and what a person
-- said of how a ring lies in a later check as against an earlier one. Joints are numbered by results: a
-- photo that is measured again may count from another joint.

CREATE TABLE prints (
    result_id       INTEGER PRIMARY KEY REFERENCES results ON DELETE CASCADE,
    print           BLOB NOT NULL
) STRICT;

CREATE TABLE turns (
    earlier_id      INTEGER NOT NULL REFERENCES checks ON DELETE CASCADE,
    later_id        INTEGER NOT NULL REFERENCES checks ON DELETE CASCADE,
    earlier_result  INTEGER NOT NULL REFERENCES results ON DELETE CASCADE,
    later_result    INTEGER NOT NULL REFERENCES results ON DELETE CASCADE,
    turn            INTEGER NOT NULL,       -- the earlier joint k is the later joint k + turn
    face_down       INTEGER NOT NULL CHECK (face_down IN (0, 1)),  -- if 1, joint turn - k
    made_at         TEXT NOT NULL,
    PRIMARY KEY (earlier_id, later_id)
) STRICT, WITHOUT ROWID;

CREATE INDEX turns_of_later ON turns (later_id);
CREATE INDEX turns_by_earlier_result ON turns (earlier_result);
CREATE INDEX turns_by_later_result ON turns (later_result);
