-- What is known of a take beside its sound, for hearing it again as it was heard at first: the take card (JSON, without
-- what it says of the machine), and what the strikes of the pupil's sound check sounded like.
ALTER TABLE takes ADD COLUMN card TEXT;
ALTER TABLE takes ADD COLUMN known BLOB;
ALTER TABLE waiting ADD COLUMN known BLOB;
-- The bars a child is to practise, as drawn for the newest take.
ALTER TABLE charts ADD COLUMN bars TEXT NOT NULL DEFAULT '';
-- The last bar of a finding that is of several bars, or may be of any of them.
ALTER TABLE findings ADD COLUMN to_bar INTEGER;
