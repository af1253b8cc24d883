-- What of an exposure is collected and not given back, and what is open. Rows of before have neither until they
-- are rebuilt.
ALTER TABLE exposure ADD COLUMN owed_minor INTEGER NOT NULL DEFAULT 0;
ALTER TABLE exposure ADD COLUMN open_minor INTEGER NOT NULL DEFAULT 0;
