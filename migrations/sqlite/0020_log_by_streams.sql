-- The log keeps beside an event what its bytes do not say, or what it is looked for by, and nothing else. A stream is
-- no index of all events any more, which wrote a page of its own for nearly each: every event names the one
-- before it in its stream, and a stream's row where it ends. An answer is kept whole only where no event says
-- it. The program copies the rows of before, some at a time, and drops these tables then.
DROP TRIGGER event_is_never_changed;
DROP TRIGGER event_is_never_deleted;
DROP TRIGGER request_is_never_changed;
DROP TRIGGER request_is_never_deleted;
ALTER TABLE event RENAME TO event_before;
ALTER TABLE request RENAME TO request_before;

-- A body is the canonical bytes that were hashed.
CREATE TABLE event (
    firm        BLOB    NOT NULL CHECK (length(firm) = 16),
    position    INTEGER NOT NULL CHECK (position > 0),
    previous    INTEGER NOT NULL CHECK (previous >= 0 AND previous < position),
    type        TEXT    NOT NULL,
    occurred_on TEXT    NOT NULL,
    leaf        BLOB    NOT NULL CHECK (length(leaf) = 32),
    body        TEXT    NOT NULL,
    PRIMARY KEY (firm, position)
) STRICT;

CREATE TRIGGER event_is_never_changed BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;

CREATE TRIGGER event_is_never_deleted BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;

-- Where each stream ends: its last event, and how many there are. Named by its id and a byte for its kind.
CREATE TABLE stream (
    firm          BLOB    NOT NULL CHECK (length(firm) = 16),
    stream        BLOB    NOT NULL CHECK (length(stream) = 17),
    last_position INTEGER NOT NULL CHECK (last_position > 0),
    version       INTEGER NOT NULL CHECK (version > 0),
    PRIMARY KEY (firm, stream)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER stream_is_never_deleted BEFORE DELETE ON stream
BEGIN SELECT RAISE(ABORT, 'a stream is never deleted'); END;

-- Every request that was answered, with a keyed hash of what was asked: which events it recorded, from which its
-- answer follows, or the answer itself. The same id gets the first answer again. A plain rowid table: ids come in
-- no order, so that each writes a page of the key alone.
CREATE TABLE request (
    firm           BLOB    NOT NULL CHECK (length(firm) = 16),
    request_id     BLOB    NOT NULL CHECK (length(request_id) = 16),
    fingerprint    BLOB    NOT NULL CHECK (length(fingerprint) = 32),
    checked        INTEGER NOT NULL,
    first_position INTEGER NOT NULL,
    events         INTEGER NOT NULL,
    answer         BLOB,
    PRIMARY KEY (firm, request_id)
) STRICT;

CREATE TRIGGER request_is_never_changed BEFORE UPDATE ON request
BEGIN SELECT RAISE(ABORT, 'an answer is never changed'); END;

CREATE TRIGGER request_is_never_deleted BEFORE DELETE ON request
BEGIN SELECT RAISE(ABORT, 'an answer is never deleted'); END;

-- Snapshots are kept deflated from here on; they come again by themselves.
DELETE FROM snapshot;
