-- What a row of evidence says, and the hash of the content, sealed under the client's key: by it the row is
-- held to what was uploaded, and a document is opened that no event names. Rows from before have none.
ALTER TABLE evidence ADD COLUMN sealed_hash BLOB CHECK (length(sealed_hash) = 48);

-- A row goes with its client, and not before.
CREATE TRIGGER evidence_goes_with_its_client BEFORE DELETE ON evidence
WHEN EXISTS (SELECT 1 FROM person p WHERE p.firm = OLD.firm AND p.person = OLD.person)
BEGIN SELECT RAISE(ABORT, 'evidence goes with its client'); END;

CREATE TRIGGER log_head_is_never_deleted BEFORE DELETE ON log_head
BEGIN SELECT RAISE(ABORT, 'a head is never deleted'); END;
