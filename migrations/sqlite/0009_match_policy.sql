-- What was matched without a person, and how often one said no. What lies here was matched by persons
-- and refused by none, as far as rows tell: a rebuild says it of matches that were taken back.
ALTER TABLE deposit ADD COLUMN automatic INTEGER NOT NULL DEFAULT 0 CHECK (automatic IN (0, 1));
ALTER TABLE deposit ADD COLUMN refusals INTEGER NOT NULL DEFAULT 0;
