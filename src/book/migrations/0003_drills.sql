-- Echo drills beside takes. `text` is the drill file as it was played; `taken_s` seconds since 1970.
CREATE TABLE drills (
    id INTEGER PRIMARY KEY,
    pupil INTEGER NOT NULL REFERENCES pupils ON DELETE CASCADE,
    sha256 BLOB NOT NULL UNIQUE,
    file TEXT NOT NULL,
    taken_s INTEGER NOT NULL,
    title TEXT NOT NULL,
    text TEXT NOT NULL,
    ear TEXT NOT NULL,
    points INTEGER NOT NULL,
    rounds INTEGER NOT NULL,
    rounds_right INTEGER NOT NULL
) STRICT;
CREATE INDEX drills_of_pupil ON drills (pupil, taken_s);

-- `call` is what was asked, `instead` the call of the bank that was played in its place.
CREATE TABLE drill_answers (
    drill INTEGER NOT NULL REFERENCES drills ON DELETE CASCADE,
    round INTEGER NOT NULL,
    call TEXT NOT NULL,
    verdict TEXT NOT NULL,
    instead TEXT,
    confidence REAL NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (drill, round)
) STRICT, WITHOUT ROWID;
