-- The log: append-only, one dense order of positions per firm. Every key begins with the firm.
--
-- It runs as the role counterfoil_owner, which owns everything here. The program works as
-- counterfoil_service, which may insert and read the log and nothing else.
--
-- Text is compared by its bytes (COLLATE "C"): the order is the same on every machine and on the
-- embedded engine. Whole numbers are all bigint, since that is what the program binds and reads.

-- A body is the canonical bytes that were hashed; the columns beside it are indexes of it.
--
-- Partitioned by hash of the firm. Every key begins with the firm and no statement crosses firms, so
-- each goes to one partition, whose indexes are an eighth as large and whose vacuum and index builds
-- run beside those of the others. Partitions by time would be useless to every statement there is,
-- since streams and request ids are looked up whatever their age, and they would break the keys: a
-- unique key of a partitioned table has to contain the partition's column, so that (firm, position)
-- could be taken once in each month.
CREATE TABLE event (
    firm           uuid             NOT NULL,
    event_id       uuid             NOT NULL,
    request_id     uuid             NOT NULL,
    position       bigint           NOT NULL CHECK (position > 0),
    stream_version bigint           NOT NULL CHECK (stream_version > 0),
    recorded_at    timestamptz      NOT NULL,
    occurred_on    date             NOT NULL,
    stream         text COLLATE "C" NOT NULL,
    type           text COLLATE "C" NOT NULL,
    leaf           bytea            NOT NULL CHECK (octet_length(leaf) = 32),
    body           bytea            NOT NULL,
    PRIMARY KEY (firm, position),
    UNIQUE (firm, stream, stream_version),
    UNIQUE (firm, event_id)
) PARTITION BY HASH (firm);

-- What every request was answered, refusals included: the same id gets the first answer again.
CREATE TABLE request (
    firm        uuid        NOT NULL,
    request_id  uuid        NOT NULL,
    recorded_at timestamptz NOT NULL,
    fingerprint bytea       NOT NULL CHECK (octet_length(fingerprint) = 32),
    outcome     bytea       NOT NULL,
    PRIMARY KEY (firm, request_id)
) PARTITION BY HASH (firm);

CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'what is recorded is never changed or deleted' USING ERRCODE = 'restrict_violation';
END
$$;

-- Triggers of rows reach the partitions by themselves, those of statements have to be made for each.
DO $$
DECLARE
    kept text;
BEGIN
    FOREACH kept IN ARRAY ARRAY['event', 'request'] LOOP
        EXECUTE format('CREATE TRIGGER is_never_changed BEFORE UPDATE OR DELETE ON %I '
            'FOR EACH ROW EXECUTE FUNCTION refuse_change()', kept);
        EXECUTE format('CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON %I '
            'FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()', kept);
        FOR part IN 0..7 LOOP
            EXECUTE format('CREATE TABLE %I PARTITION OF %I FOR VALUES WITH (MODULUS 8, REMAINDER %s)',
                kept || '_' || part, kept, part);
            EXECUTE format('CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON %I '
                'FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()', kept || '_' || part);
        END LOOP;
    END LOOP;
END
$$;

-- The end of each firm's log, its Merkle frontier and root (RFC 9162). A writer holds the row from
-- before it decides until it has committed. The room left on each page keeps updates on the page.
CREATE TABLE log_head (
    firm     uuid   NOT NULL PRIMARY KEY,
    position bigint NOT NULL,
    invoices bigint NOT NULL,
    frontier bytea  NOT NULL,
    root     bytea  NOT NULL CHECK (octet_length(root) = 32)
) WITH (fillfactor = 10);

-- Disposable folds of long streams: one per stream, dropped unread when the code folds otherwise.
CREATE TABLE snapshot (
    firm          uuid             NOT NULL,
    version       bigint           NOT NULL,
    position      bigint           NOT NULL,
    state_version bigint           NOT NULL,
    stream        text COLLATE "C" NOT NULL,
    body          bytea            NOT NULL,
    PRIMARY KEY (firm, stream)
);

-- What is kept of people beside the log: the key of a person's values, wrapped by a firm key, and keyed
-- hashes by which couples are found. The firm has a row under its own id, whose key makes the hashes.
-- Erasing a person deletes the row, and with it everything personal in every copy of the log.
CREATE TABLE person (
    firm        uuid  NOT NULL,
    person      uuid  NOT NULL,
    wrapped_key bytea NOT NULL,
    phone_key   bytea CHECK (octet_length(phone_key) = 32),
    address_key bytea CHECK (octet_length(address_key) = 32),
    PRIMARY KEY (firm, person)
);

CREATE INDEX person_phone ON person (firm, phone_key) WHERE phone_key IS NOT NULL;
CREATE INDEX person_address ON person (firm, address_key) WHERE address_key IS NOT NULL;

-- How far each generation of the read model is. Queries read the active one.
CREATE TABLE projection (
    firm       uuid    NOT NULL,
    generation bigint  NOT NULL,
    position   bigint  NOT NULL,
    active     boolean NOT NULL,
    PRIMARY KEY (firm, generation)
) WITH (fillfactor = 10);

CREATE UNIQUE INDEX projection_active ON projection (firm) WHERE active;

-- A second fence between firms. The program names the firm whenever it takes a connection, and the
-- service sees and writes rows of that firm alone, whatever a statement asks for; with no firm named
-- it sees nothing. log_head has no such fence, since the program lists the firms by it; it says
-- nothing of a client.
CREATE FUNCTION named_firm() RETURNS uuid LANGUAGE sql STABLE PARALLEL SAFE
    RETURN NULLIF(current_setting('counterfoil.firm', true), '')::uuid;

DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['event', 'request', 'snapshot', 'person', 'projection'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service '
            'USING (firm = named_firm())', fenced);
    END LOOP;
END
$$;

GRANT INSERT, SELECT ON event, request TO counterfoil_service;
GRANT INSERT, SELECT, UPDATE ON log_head TO counterfoil_service;
GRANT INSERT, SELECT, UPDATE, DELETE ON snapshot, person, projection TO counterfoil_service;
