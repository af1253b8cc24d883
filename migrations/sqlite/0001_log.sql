-- The log: append-only, one dense order of positions per firm. Every key begins with the firm.
-- A body is the canonical bytes that were hashed; the columns beside it are indexes of it.
-- A plain rowid table: measured against WITHOUT ROWID it is as large and loads streams faster.
CREATE TABLE event (
    firm           BLOB    NOT NULL CHECK (length(firm) = 16),
    position       INTEGER NOT NULL CHECK (position > 0),
    stream         TEXT    NOT NULL,
    stream_version INTEGER NOT NULL CHECK (stream_version > 0),
    event_id       BLOB    NOT NULL CHECK (length(event_id) = 16),
    type           TEXT    NOT NULL,
    recorded_at    INTEGER NOT NULL,
    occurred_on    TEXT    NOT NULL,
    request_id     BLOB    NOT NULL CHECK (length(request_id) = 16),
    leaf           BLOB    NOT NULL CHECK (length(leaf) = 32),
    body           TEXT    NOT NULL,
    PRIMARY KEY (firm, position),
    UNIQUE (firm, stream, stream_version),
    UNIQUE (firm, event_id)
) STRICT;

CREATE TRIGGER event_is_never_changed BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;

CREATE TRIGGER event_is_never_deleted BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;

-- What every request was answered, refusals included: the same id gets the first answer again.
CREATE TABLE request (
    firm        BLOB    NOT NULL CHECK (length(firm) = 16),
    request_id  BLOB    NOT NULL CHECK (length(request_id) = 16),
    fingerprint BLOB    NOT NULL CHECK (length(fingerprint) = 32),
    outcome     BLOB    NOT NULL,
    recorded_at INTEGER NOT NULL,
    PRIMARY KEY (firm, request_id)
) STRICT;

CREATE TRIGGER request_is_never_changed BEFORE UPDATE ON request
BEGIN SELECT RAISE(ABORT, 'an answer is never changed'); END;

CREATE TRIGGER request_is_never_deleted BEFORE DELETE ON request
BEGIN SELECT RAISE(ABORT, 'an answer is never deleted'); END;

-- The end of each firm's log, its Merkle frontier and root (RFC 9162).
CREATE TABLE log_head (
    firm     BLOB    NOT NULL PRIMARY KEY CHECK (length(firm) = 16),
    position INTEGER NOT NULL,
    invoices INTEGER NOT NULL,
    frontier BLOB    NOT NULL,
    root     BLOB    NOT NULL CHECK (length(root) = 32)
) STRICT, WITHOUT ROWID;

-- Disposable folds of long streams: one per stream, dropped unread when the code folds otherwise.
CREATE TABLE snapshot (
    firm          BLOB    NOT NULL,
    stream        TEXT    NOT NULL,
    version       INTEGER NOT NULL,
    position      INTEGER NOT NULL,
    state_version INTEGER NOT NULL,
    body          BLOB    NOT NULL,
    PRIMARY KEY (firm, stream)
) STRICT;

-- What is kept of people beside the log: the key of a person's values, wrapped by a firm key, and keyed
-- hashes by which couples are found. The firm has a row under its own id, whose key makes the hashes.
-- Erasing a person deletes the row, and with it everything personal in every copy of the log.
CREATE TABLE person (
    firm        BLOB NOT NULL CHECK (length(firm) = 16),
    person      BLOB NOT NULL CHECK (length(person) = 16),
    wrapped_key BLOB NOT NULL,
    phone_key   BLOB CHECK (length(phone_key) = 32),
    address_key BLOB CHECK (length(address_key) = 32),
    PRIMARY KEY (firm, person)
) STRICT, WITHOUT ROWID;

CREATE INDEX person_phone ON person (firm, phone_key) WHERE phone_key IS NOT NULL;
CREATE INDEX person_address ON person (firm, address_key) WHERE address_key IS NOT NULL;

-- How far each generation of the read model is. Queries read the active one.
CREATE TABLE projection (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    position   INTEGER NOT NULL,
    active     INTEGER NOT NULL CHECK (active IN (0, 1)),
    PRIMARY KEY (firm, generation)
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX projection_active ON projection (firm) WHERE active = 1;
