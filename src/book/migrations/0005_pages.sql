-- Which pages there are in the folder of pages, and whom each names: so that they go with the pupil.
CREATE TABLE pages (
    file TEXT PRIMARY KEY,
    class INTEGER REFERENCES classes ON DELETE CASCADE,
    pupil INTEGER REFERENCES pupils ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE TABLE page_names (
    file TEXT NOT NULL REFERENCES pages ON DELETE CASCADE,
    pupil INTEGER NOT NULL REFERENCES pupils ON DELETE CASCADE,
    PRIMARY KEY (file, pupil)
) STRICT, WITHOUT ROWID;
CREATE INDEX pages_naming ON page_names (pupil);
-- The number in the head of the file that says whose it is: `pail`.
PRAGMA application_id = 1885432172;
