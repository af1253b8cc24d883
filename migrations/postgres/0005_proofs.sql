-- What proves the log to a stranger: tiles of its tree, signed checkpoints, and the keys that sign.
-- Tiles are derived from the log and can be made again; the rest is kept for ever.

-- Full tiles of the tree (C2SP tlog-tiles): 256 hashes. The root over them is one hash of the tile above,
-- so that the right edge of a level is a range of roots. They take some 33 bytes an event, so that
-- they are not partitioned; hashes do not compress, and are not tried.
CREATE TABLE tile (
    firm       uuid   NOT NULL,
    level      bigint NOT NULL CHECK (level BETWEEN 0 AND 7),
    tile_index bigint NOT NULL CHECK (tile_index >= 0),
    root       bytea  NOT NULL CHECK (octet_length(root) = 32),
    hashes     bytea  NOT NULL CHECK (octet_length(hashes) = 8192),
    PRIMARY KEY (firm, level, tile_index)
);

ALTER TABLE tile ALTER COLUMN hashes SET STORAGE EXTERNAL;

-- Signed notes about the log (C2SP tlog-checkpoint), one for a size. Each names the one before it that
-- its tree was proved to continue; since no two may name the same, they are one chain.
CREATE TABLE checkpoint (
    firm          uuid             NOT NULL,
    size          bigint           NOT NULL,
    previous_size bigint           NOT NULL CHECK (previous_size >= 0),
    made_at       timestamptz      NOT NULL,
    note_text     text COLLATE "C" NOT NULL,
    PRIMARY KEY (firm, size),
    UNIQUE (firm, previous_size),
    CHECK (size > previous_size)
);

-- Keys that sign checkpoints. The private seed is sealed, and gone once the key signs no more; what was
-- signed with it stays checkable with the public key.
CREATE TABLE signing_key (
    firm           uuid             NOT NULL,
    created_at     timestamptz      NOT NULL,
    retired_at     timestamptz,
    revoked_at     timestamptz,
    key_id         text COLLATE "C" NOT NULL,
    name           text COLLATE "C" NOT NULL,
    public_key     bytea            NOT NULL CHECK (octet_length(public_key) = 32),
    sealed_private bytea            NOT NULL,
    PRIMARY KEY (firm, key_id),
    CHECK (revoked_at IS NULL OR retired_at IS NOT NULL)
);

CREATE UNIQUE INDEX signing_key_in_force ON signing_key (firm) WHERE retired_at IS NULL;

-- Keys of others that may sign checkpoints beside ours.
CREATE TABLE witness_key (
    firm         uuid             NOT NULL,
    added_at     timestamptz      NOT NULL,
    verifier_key text COLLATE "C" NOT NULL,
    PRIMARY KEY (firm, verifier_key)
);

-- Their signature lines.
CREATE TABLE cosignature (
    firm      uuid             NOT NULL,
    size      bigint           NOT NULL,
    added_at  timestamptz      NOT NULL,
    signature text COLLATE "C" NOT NULL,
    PRIMARY KEY (firm, size, signature)
);

-- A key may only be retired or revoked, once each, and lose its seed by that; until then the seed may be
-- sealed anew.
CREATE FUNCTION refuse_other_key() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (NEW.firm, NEW.key_id, NEW.name, NEW.public_key, NEW.created_at)
            IS DISTINCT FROM (OLD.firm, OLD.key_id, OLD.name, OLD.public_key, OLD.created_at)
        OR (OLD.retired_at IS NOT NULL AND NEW.retired_at IS DISTINCT FROM OLD.retired_at)
        OR (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS DISTINCT FROM OLD.revoked_at)
        OR (NEW.retired_at IS NOT NULL AND octet_length(NEW.sealed_private) > 0)
    THEN
        RAISE EXCEPTION 'a key is only retired or revoked' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN NEW;
END
$$;

CREATE TRIGGER only_ends BEFORE UPDATE ON signing_key
    FOR EACH ROW EXECUTE FUNCTION refuse_other_key();
CREATE TRIGGER is_never_deleted BEFORE DELETE ON signing_key
    FOR EACH ROW EXECUTE FUNCTION refuse_change();

-- Grants, and the fence between firms, as the log has them.
DO $$
DECLARE
    kept text;
BEGIN
    FOREACH kept IN ARRAY ARRAY['tile', 'checkpoint', 'witness_key', 'cosignature', 'signing_key'] LOOP
        IF kept <> 'signing_key' THEN
            EXECUTE format('CREATE TRIGGER is_never_changed BEFORE UPDATE OR DELETE ON %I '
                'FOR EACH ROW EXECUTE FUNCTION refuse_change()', kept);
        END IF;
        EXECUTE format('CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON %I '
            'FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()', kept);
        EXECUTE format('GRANT INSERT, SELECT ON %I TO counterfoil_service', kept);
        EXECUTE format('GRANT SELECT ON %I TO counterfoil_reader', kept);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', kept);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service, counterfoil_reader '
            'USING (firm = named_firm())', kept);
    END LOOP;
END
$$;

GRANT UPDATE (sealed_private, retired_at, revoked_at) ON signing_key TO counterfoil_service;
