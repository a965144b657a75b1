-- When a correction was taken back; whose take it was before one said that it is another's. How long a waiting recording is.
ALTER TABLE corrections ADD COLUMN undone_s INTEGER;
ALTER TABLE corrections ADD COLUMN was INTEGER REFERENCES pupils ON DELETE SET NULL;
ALTER TABLE waiting ADD COLUMN length_s REAL;
