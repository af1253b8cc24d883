-- What the last verification of a firm's log found: either the root of everything it read, or what does not agree.
-- A note for people and no proof, so it is written over; whoever has to know verifies anew.
CREATE TABLE verification (
    firm     uuid        NOT NULL PRIMARY KEY,
    ended_at timestamptz NOT NULL,
    position bigint      NOT NULL CHECK (position >= 0),
    root     bytea       CHECK (octet_length(root) = 32),
    finding  text COLLATE "C",
    CHECK ((root IS NULL) <> (finding IS NULL))
);

GRANT INSERT, SELECT, UPDATE ON verification TO counterfoil_service;
GRANT SELECT ON verification TO counterfoil_reader;
ALTER TABLE verification ENABLE ROW LEVEL SECURITY;
CREATE POLICY of_named_firm ON verification TO counterfoil_service, counterfoil_reader
    USING (firm = named_firm());
