-- Where a waiting recording came from (JSON), and a stamp of all that was known when it was last looked at: when roster,
-- assignments, rules, senders or the ear have changed since, it is looked at anew.
ALTER TABLE waiting ADD COLUMN origin TEXT NOT NULL DEFAULT '';
ALTER TABLE waiting ADD COLUMN looked TEXT NOT NULL DEFAULT '';
