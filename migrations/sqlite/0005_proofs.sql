-- What proves the log to a stranger: tiles of its tree, signed checkpoints, and the keys that sign.
-- Tiles are derived from the log and can be made again; the rest is kept for ever.

-- Full tiles of the tree (C2SP tlog-tiles): 256 hashes. The root over them is one hash of the tile above,
-- so that the right edge of a level is a range of roots.
CREATE TABLE tile (
    firm       BLOB    NOT NULL CHECK (length(firm) = 16),
    level      INTEGER NOT NULL CHECK (level BETWEEN 0 AND 7),
    tile_index INTEGER NOT NULL CHECK (tile_index >= 0),
    root       BLOB    NOT NULL CHECK (length(root) = 32),
    hashes     BLOB    NOT NULL CHECK (length(hashes) = 8192),
    PRIMARY KEY (firm, level, tile_index)
) STRICT;

-- Signed notes about the log (C2SP tlog-checkpoint), one for a size. Each names the one before it that
-- its tree was proved to continue; since no two may name the same, they are one chain.
CREATE TABLE checkpoint (
    firm          BLOB    NOT NULL CHECK (length(firm) = 16),
    size          INTEGER NOT NULL,
    previous_size INTEGER NOT NULL CHECK (previous_size >= 0),
    made_at       INTEGER NOT NULL,
    note_text     TEXT    NOT NULL,
    PRIMARY KEY (firm, size),
    UNIQUE (firm, previous_size),
    CHECK (size > previous_size)
) STRICT;

-- Keys that sign checkpoints. The private seed is sealed, and gone once the key signs no more; what was
-- signed with it stays checkable with the public key.
CREATE TABLE signing_key (
    firm           BLOB    NOT NULL CHECK (length(firm) = 16),
    key_id         TEXT    NOT NULL,
    name           TEXT    NOT NULL,
    public_key     BLOB    NOT NULL CHECK (length(public_key) = 32),
    sealed_private BLOB    NOT NULL,
    created_at     INTEGER NOT NULL,
    retired_at     INTEGER,
    revoked_at     INTEGER,
    PRIMARY KEY (firm, key_id),
    CHECK (revoked_at IS NULL OR retired_at IS NOT NULL)
) STRICT;

CREATE UNIQUE INDEX signing_key_in_force ON signing_key (firm) WHERE retired_at IS NULL;

-- Keys of others that may sign checkpoints beside ours.
CREATE TABLE witness_key (
    firm         BLOB    NOT NULL CHECK (length(firm) = 16),
    verifier_key TEXT    NOT NULL,
    added_at     INTEGER NOT NULL,
    PRIMARY KEY (firm, verifier_key)
) STRICT;

-- Their signature lines.
CREATE TABLE cosignature (
    firm      BLOB    NOT NULL CHECK (length(firm) = 16),
    size      INTEGER NOT NULL,
    signature TEXT    NOT NULL,
    added_at  INTEGER NOT NULL,
    PRIMARY KEY (firm, size, signature)
) STRICT;

CREATE TRIGGER tile_is_never_changed BEFORE UPDATE ON tile
BEGIN SELECT RAISE(ABORT, 'a tile is never changed'); END;
CREATE TRIGGER tile_is_never_deleted BEFORE DELETE ON tile
BEGIN SELECT RAISE(ABORT, 'a tile is never deleted'); END;
CREATE TRIGGER checkpoint_is_never_changed BEFORE UPDATE ON checkpoint
BEGIN SELECT RAISE(ABORT, 'a checkpoint is never changed'); END;
CREATE TRIGGER checkpoint_is_never_deleted BEFORE DELETE ON checkpoint
BEGIN SELECT RAISE(ABORT, 'a checkpoint is never deleted'); END;
CREATE TRIGGER witness_key_is_never_changed BEFORE UPDATE ON witness_key
BEGIN SELECT RAISE(ABORT, 'a witness is never changed'); END;
CREATE TRIGGER witness_key_is_never_deleted BEFORE DELETE ON witness_key
BEGIN SELECT RAISE(ABORT, 'a witness is never deleted'); END;
CREATE TRIGGER cosignature_is_never_changed BEFORE UPDATE ON cosignature
BEGIN SELECT RAISE(ABORT, 'a signature is never changed'); END;
CREATE TRIGGER cosignature_is_never_deleted BEFORE DELETE ON cosignature
BEGIN SELECT RAISE(ABORT, 'a signature is never deleted'); END;
CREATE TRIGGER signing_key_is_never_deleted BEFORE DELETE ON signing_key
BEGIN SELECT RAISE(ABORT, 'a key is never deleted'); END;

-- A key may only be retired or revoked, once each, and lose its seed by that; until then the seed may be
-- sealed anew.
CREATE TRIGGER signing_key_only_ends BEFORE UPDATE ON signing_key
WHEN NEW.firm <> OLD.firm OR NEW.key_id <> OLD.key_id OR NEW.name <> OLD.name
    OR NEW.public_key <> OLD.public_key OR NEW.created_at <> OLD.created_at
    OR (OLD.retired_at IS NOT NULL AND NEW.retired_at IS NOT OLD.retired_at)
    OR (OLD.revoked_at IS NOT NULL AND NEW.revoked_at IS NOT OLD.revoked_at)
    OR (NEW.retired_at IS NOT NULL AND length(NEW.sealed_private) > 0)
BEGIN SELECT RAISE(ABORT, 'a key is only retired or revoked'); END;
