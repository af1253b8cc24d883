-- Scans and letters that were uploaded. Their content lies sealed outside the database, under the name
-- here, which is a keyed hash and tells nothing; the events know them by the hash of their content.
-- A row is written after the blob it tells of, so that a row without one says that a blob is lost.
-- Erasing a person deletes the person's rows.
CREATE TABLE evidence (
    firm        BLOB    NOT NULL CHECK (length(firm) = 16),
    person      BLOB    NOT NULL CHECK (length(person) = 16),
    name        BLOB    NOT NULL CHECK (length(name) = 32),
    bytes       INTEGER NOT NULL CHECK (bytes > 0),
    media_type  TEXT    NOT NULL,
    uploaded_at INTEGER NOT NULL,
    PRIMARY KEY (firm, person, name)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER evidence_is_never_changed BEFORE UPDATE ON evidence
BEGIN SELECT RAISE(ABORT, 'evidence is never changed'); END;
