-- Times are seconds since 1970 (`_s`), tempi quarter notes a minute, lateness milliseconds (late is positive).
CREATE TABLE settings (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO settings VALUES ('keep_sound_days', '60');

CREATE TABLE classes (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE pupils (
    id INTEGER PRIMARY KEY,
    class INTEGER NOT NULL REFERENCES classes ON DELETE CASCADE,
    nickname TEXT NOT NULL UNIQUE
) STRICT;
CREATE INDEX pupils_of_class ON pupils (class);

-- Every text of a part that was ever assigned; versions share a title and differ in the hash.
CREATE TABLE parts (
    id INTEGER PRIMARY KEY,
    title TEXT NOT NULL,
    sha256 BLOB NOT NULL UNIQUE,
    text TEXT NOT NULL,
    added_s INTEGER NOT NULL
) STRICT;

CREATE TABLE assignments (
    id INTEGER PRIMARY KEY,
    class INTEGER NOT NULL REFERENCES classes ON DELETE CASCADE,
    part INTEGER NOT NULL REFERENCES parts,
    form TEXT NOT NULL,
    bpm REAL NOT NULL,
    given_s INTEGER NOT NULL,
    due_s INTEGER
) STRICT;
CREATE INDEX assignments_of_class ON assignments (class, given_s);

CREATE TABLE takes (
    id INTEGER PRIMARY KEY,
    pupil INTEGER NOT NULL REFERENCES pupils ON DELETE CASCADE,
    assignment INTEGER NOT NULL REFERENCES assignments ON DELETE CASCADE,
    sha256 BLOB NOT NULL UNIQUE,
    print BLOB NOT NULL,
    n_onsets INTEGER NOT NULL,
    file TEXT NOT NULL,
    taken_s INTEGER NOT NULL,
    length_s REAL NOT NULL,
    sound TEXT
) STRICT;
CREATE INDEX takes_of_pupil ON takes (pupil, taken_s);
CREATE INDEX takes_by_sound ON takes (n_onsets, length_s);
CREATE INDEX takes_of_assignment ON takes (assignment);

-- The same sound under other bytes: another container, another coder.
CREATE TABLE copies (
    sha256 BLOB PRIMARY KEY,
    take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    file TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX copies_of_take ON copies (take);

CREATE TABLE assessments (
    id INTEGER PRIMARY KEY,
    take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    ear TEXT NOT NULL,
    made_s INTEGER NOT NULL,
    bpm REAL,
    jitter_ms REAL,
    rests INTEGER NOT NULL,
    rests_kept INTEGER NOT NULL,
    praise TEXT NOT NULL,
    fix TEXT NOT NULL,
    next_bpm REAL NOT NULL,
    practise TEXT NOT NULL,
    marks BLOB NOT NULL,
    UNIQUE (take, ear)
) STRICT;

CREATE TABLE findings (
    assessment INTEGER NOT NULL REFERENCES assessments ON DELETE CASCADE,
    kind TEXT NOT NULL,
    section TEXT,
    pass INTEGER,
    bar INTEGER,
    beat REAL,
    size REAL NOT NULL,
    unit TEXT NOT NULL,
    confidence REAL NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX findings_of_assessment ON findings (assessment);

-- What holds now for each section (`A`) and join (`A>B`) of a take: the newest ear, corrections over it. 0 has it,
-- 1 slower first.
CREATE TABLE results (
    take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    unit TEXT NOT NULL,
    state INTEGER NOT NULL,
    PRIMARY KEY (take, unit)
) STRICT, WITHOUT ROWID;

-- The teacher disagrees: `fine` (no fault here), `surface` (it was this surface), `whose` (not this pupil's).
CREATE TABLE corrections (
    id INTEGER PRIMARY KEY,
    take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    what TEXT NOT NULL,
    finding TEXT,
    section TEXT,
    pass INTEGER,
    bar INTEGER,
    beat REAL,
    surface TEXT,
    who TEXT NOT NULL,
    at_s INTEGER NOT NULL,
    note TEXT NOT NULL
) STRICT;
CREATE INDEX corrections_of_take ON corrections (take);

CREATE TABLE words (
    id INTEGER PRIMARY KEY,
    pupil INTEGER NOT NULL REFERENCES pupils ON DELETE CASCADE,
    at_s INTEGER NOT NULL,
    text TEXT NOT NULL
) STRICT;
CREATE INDEX words_of_pupil ON words (pupil, at_s);

-- The timing chart of a pupil's newest take.
CREATE TABLE charts (
    pupil INTEGER PRIMARY KEY REFERENCES pupils ON DELETE CASCADE,
    take INTEGER NOT NULL REFERENCES takes ON DELETE CASCADE,
    svg TEXT NOT NULL
) STRICT;
CREATE INDEX charts_of_take ON charts (take);

-- Recordings that only the teacher can settle.
CREATE TABLE waiting (
    id INTEGER PRIMARY KEY,
    sha256 BLOB NOT NULL UNIQUE,
    file TEXT NOT NULL,
    sound TEXT NOT NULL,
    sender TEXT NOT NULL,
    why TEXT NOT NULL,
    pupil INTEGER REFERENCES pupils ON DELETE CASCADE,
    taken_s INTEGER NOT NULL
) STRICT;

-- Whose recordings come from this sender or folder, as the teacher has answered.
CREATE TABLE senders (
    sender TEXT PRIMARY KEY,
    pupil INTEGER NOT NULL REFERENCES pupils ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

-- Recordings the teacher does not want in the book.
CREATE TABLE set_aside (sha256 BLOB PRIMARY KEY) STRICT, WITHOUT ROWID;
