-- The log keeps beside an event what its bytes do not say, or what it is looked for by, and nothing else. A stream is
-- no index of all events any more, which wrote a page of its own for nearly each: every event names the one
-- before it in its stream, and a stream's row where it ends. An answer is kept whole only where no event says
-- it. The program copies the rows of before, some at a time, and drops these tables then.
DO $$
DECLARE
    kept text;
BEGIN
    FOREACH kept IN ARRAY ARRAY['event', 'request'] LOOP
        EXECUTE format('ALTER TABLE %I RENAME TO %I', kept, kept || '_before');
        EXECUTE format('ALTER INDEX %I RENAME TO %I', kept || '_pkey', kept || '_before_pkey');
        EXECUTE format('REVOKE ALL ON %I FROM counterfoil_service', kept || '_before');
        FOR part IN 0..7 LOOP
            EXECUTE format('ALTER TABLE %I RENAME TO %I', kept || '_' || part, kept || '_before_' || part);
            EXECUTE format('ALTER INDEX %I RENAME TO %I', kept || '_' || part || '_pkey',
                kept || '_before_' || part || '_pkey');
        END LOOP;
    END LOOP;
END
$$;

-- A body is the canonical bytes that were hashed.
CREATE TABLE event (
    firm        uuid             NOT NULL,
    position    bigint           NOT NULL CHECK (position > 0),
    previous    bigint           NOT NULL CHECK (previous >= 0 AND previous < position),
    occurred_on date             NOT NULL,
    type        text COLLATE "C" NOT NULL,
    leaf        bytea            NOT NULL CHECK (octet_length(leaf) = 32),
    body        bytea            NOT NULL,
    PRIMARY KEY (firm, position)
) PARTITION BY HASH (firm);

-- Where each stream ends: its last event, and how many there are. Named by its id and a byte for its kind. The
-- room left on each page keeps updates on the page.
CREATE TABLE stream (
    firm          uuid   NOT NULL,
    last_position bigint NOT NULL CHECK (last_position > 0),
    version       bigint NOT NULL CHECK (version > 0),
    stream        bytea  NOT NULL CHECK (octet_length(stream) = 17),
    PRIMARY KEY (firm, stream)
) WITH (fillfactor = 70);

-- Every request that was answered, with a keyed hash of what was asked: which events it recorded, from which its
-- answer follows, or the answer itself. The same id gets the first answer again.
CREATE TABLE request (
    firm           uuid   NOT NULL,
    request_id     uuid   NOT NULL,
    checked        bigint NOT NULL,
    first_position bigint NOT NULL,
    events         bigint NOT NULL,
    fingerprint    bytea  NOT NULL CHECK (octet_length(fingerprint) = 32),
    answer         bytea,
    PRIMARY KEY (firm, request_id)
) PARTITION BY HASH (firm);

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
    FOREACH kept IN ARRAY ARRAY['event', 'request', 'stream'] LOOP
        EXECUTE format('GRANT INSERT, SELECT ON %I TO counterfoil_service', kept);
        EXECUTE format('GRANT SELECT ON %I TO counterfoil_reader', kept);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', kept);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service, counterfoil_reader '
            'USING (firm = named_firm())', kept);
    END LOOP;
END
$$;

CREATE TRIGGER is_never_deleted BEFORE DELETE ON stream
    FOR EACH ROW EXECUTE FUNCTION refuse_change();
CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON stream
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
GRANT UPDATE (last_position, version) ON stream TO counterfoil_service;

-- Rows of cases are written again and again.
ALTER TABLE case_status SET (fillfactor = 60);
