-- Scans and letters that were uploaded. Their content lies sealed outside the database, under the name
-- here, which is a keyed hash and tells nothing; the events know them by the hash of their content.
-- A row is written after the blob it tells of, so that a row without one says that a blob is lost.
-- Erasing a person deletes the person's rows.
CREATE TABLE evidence (
    firm        uuid             NOT NULL,
    person      uuid             NOT NULL,
    bytes       bigint           NOT NULL CHECK (bytes > 0),
    uploaded_at timestamptz      NOT NULL,
    media_type  text COLLATE "C" NOT NULL,
    name        bytea            NOT NULL CHECK (octet_length(name) = 32),
    PRIMARY KEY (firm, person, name)
);

CREATE TRIGGER is_never_changed BEFORE UPDATE ON evidence
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON evidence
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();

GRANT INSERT, SELECT, DELETE ON evidence TO counterfoil_service;
GRANT SELECT ON evidence TO counterfoil_reader;
ALTER TABLE evidence ENABLE ROW LEVEL SECURITY;
CREATE POLICY of_named_firm ON evidence TO counterfoil_service, counterfoil_reader
    USING (firm = named_firm());
