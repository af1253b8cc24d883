-- What the last verification of a firm's log found: either the root of everything it read, or what does not agree.
-- A note for people and no proof, so it is written over; whoever has to know verifies anew.
CREATE TABLE verification (
    firm     BLOB    NOT NULL PRIMARY KEY CHECK (length(firm) = 16),
    ended_at INTEGER NOT NULL,
    position INTEGER NOT NULL CHECK (position >= 0),
    root     BLOB    CHECK (length(root) = 32),
    finding  TEXT,
    CHECK ((root IS NULL) <> (finding IS NULL))
) STRICT, WITHOUT ROWID;
