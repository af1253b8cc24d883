-- What was matched without a person, and how often one said no. What lies here was matched by persons
-- and refused by none, as far as rows tell: a rebuild says it of matches that were taken back.
ALTER TABLE deposit ADD COLUMN automatic boolean NOT NULL DEFAULT false;
ALTER TABLE deposit ADD COLUMN refusals bigint NOT NULL DEFAULT 0;
