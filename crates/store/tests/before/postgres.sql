
SET statement_timeout = 0;
SET lock_timeout = 0;
SET idle_in_transaction_session_timeout = 0;
SET client_encoding = 'UTF8';
SET standard_conforming_strings = on;
SELECT pg_catalog.set_config('search_path', '', false);
SET check_function_bodies = false;
SET xmloption = content;
SET client_min_messages = warning;
SET row_security = off;

CREATE SCHEMA counterfoil;

ALTER SCHEMA counterfoil OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.keep_words() RETURNS trigger
    LANGUAGE plpgsql
    SET search_path TO 'counterfoil'
    AS $$
BEGIN
    IF TG_OP <> 'INSERT' THEN
        DELETE FROM person_word w WHERE w.firm = OLD.firm AND w.person = OLD.person;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        INSERT INTO person_word (firm, word_key, person)
            SELECT NEW.firm, substring(NEW.word_keys FROM 1 + 32 * n FOR 32), NEW.person
            FROM generate_series(0, octet_length(NEW.word_keys) / 32 - 1) n;
    END IF;
    RETURN NULL;
END
$$;

ALTER FUNCTION counterfoil.keep_words() OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.logged_firms() RETURNS SETOF uuid
    LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path TO 'counterfoil'
    AS $$
    WITH RECURSIVE logged (firm) AS (
        (SELECT e.firm FROM event e ORDER BY e.firm LIMIT 1)
        UNION ALL
        SELECT n.firm FROM logged l CROSS JOIN LATERAL
            (SELECT e.firm FROM event e WHERE e.firm > l.firm ORDER BY e.firm LIMIT 1) n
    )
    SELECT l.firm FROM logged l
$$;

ALTER FUNCTION counterfoil.logged_firms() OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.named_firm() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN (NULLIF(current_setting('counterfoil.firm'::text, true), ''::text))::uuid;

ALTER FUNCTION counterfoil.named_firm() OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.refuse_change() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
BEGIN
    RAISE EXCEPTION 'what is recorded is never changed or deleted' USING ERRCODE = 'restrict_violation';
END
$$;

ALTER FUNCTION counterfoil.refuse_change() OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.refuse_other_key() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
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

ALTER FUNCTION counterfoil.refuse_other_key() OWNER TO counterfoil_owner;

CREATE FUNCTION counterfoil.refuse_while_client_is_kept() RETURNS trigger
    LANGUAGE plpgsql
    SET search_path TO 'counterfoil'
    AS $$
BEGIN
    IF EXISTS (SELECT 1 FROM person p WHERE p.firm = OLD.firm AND p.person = OLD.person) THEN
        RAISE EXCEPTION 'evidence goes with its client' USING ERRCODE = 'restrict_violation';
    END IF;
    RETURN OLD;
END
$$;

ALTER FUNCTION counterfoil.refuse_while_client_is_kept() OWNER TO counterfoil_owner;

SET default_tablespace = '';

SET default_table_access_method = heap;

CREATE TABLE counterfoil._sqlx_migrations (
    version bigint NOT NULL,
    description text NOT NULL,
    installed_on timestamp with time zone DEFAULT now() NOT NULL,
    success boolean NOT NULL,
    checksum bytea NOT NULL,
    execution_time bigint NOT NULL
);

ALTER TABLE counterfoil._sqlx_migrations OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.account (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    member2 uuid,
    moved_to uuid,
    card_on_file boolean NOT NULL,
    open_minor bigint NOT NULL,
    unearned_minor bigint NOT NULL
);

ALTER TABLE counterfoil.account OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.case_status (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL,
    state text NOT NULL COLLATE pg_catalog."C",
    plan text NOT NULL COLLATE pg_catalog."C",
    seat text NOT NULL COLLATE pg_catalog."C",
    name_sealed text COLLATE pg_catalog."C",
    enrolled_on date NOT NULL,
    service_from date,
    steps_done bigint NOT NULL,
    open_period bigint,
    next_period_end date,
    periods_earned bigint NOT NULL,
    exposures bigint NOT NULL,
    listed bigint NOT NULL,
    deleted bigint NOT NULL,
    disputable bigint NOT NULL,
    rounds bigint NOT NULL,
    round_from date,
    next_due_on date,
    version bigint NOT NULL,
    CONSTRAINT case_status_seat_check CHECK ((seat = ANY (ARRAY['individual'::text, 'couple'::text]))),
    CONSTRAINT case_status_state_check CHECK ((state = ANY (ARRAY['enrolled'::text, 'signed'::text, 'open'::text, 'paused'::text, 'ended'::text, 'cancelled'::text])))
);

ALTER TABLE counterfoil.case_status OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.checkpoint (
    firm uuid NOT NULL,
    size bigint NOT NULL,
    previous_size bigint NOT NULL,
    made_at timestamp with time zone NOT NULL,
    note_text text NOT NULL COLLATE pg_catalog."C",
    CONSTRAINT checkpoint_check CHECK ((size > previous_size)),
    CONSTRAINT checkpoint_previous_size_check CHECK ((previous_size >= 0))
);

ALTER TABLE counterfoil.checkpoint OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.clock (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL,
    clock text NOT NULL COLLATE pg_catalog."C",
    bureau text NOT NULL COLLATE pg_catalog."C",
    round bigint NOT NULL,
    item text NOT NULL COLLATE pg_catalog."C",
    nth bigint NOT NULL,
    started_on date NOT NULL,
    due_on date NOT NULL,
    estimated boolean NOT NULL,
    done_on date
);

ALTER TABLE counterfoil.clock OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.cosignature (
    firm uuid NOT NULL,
    size bigint NOT NULL,
    added_at timestamp with time zone NOT NULL,
    signature text NOT NULL COLLATE pg_catalog."C"
);

ALTER TABLE counterfoil.cosignature OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.couple_card (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL
);

ALTER TABLE counterfoil.couple_card OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.couple_contact (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL
);

ALTER TABLE counterfoil.couple_contact OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.deposit (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    deposit_id uuid NOT NULL,
    status text NOT NULL COLLATE pg_catalog."C",
    booked_on date NOT NULL,
    currency text NOT NULL COLLATE pg_catalog."C",
    amount_minor bigint NOT NULL,
    bank text COLLATE pg_catalog."C",
    payout text COLLATE pg_catalog."C",
    gross_minor bigint,
    costs_minor bigint,
    refs text NOT NULL COLLATE pg_catalog."C",
    return_reason text COLLATE pg_catalog."C",
    matched_to uuid,
    match_rule text COLLATE pg_catalog."C",
    movements bigint,
    purpose text COLLATE pg_catalog."C",
    note text COLLATE pg_catalog."C",
    "position" bigint NOT NULL,
    automatic boolean DEFAULT false NOT NULL,
    refusals bigint DEFAULT 0 NOT NULL,
    CONSTRAINT deposit_status_check CHECK ((status = ANY (ARRAY['open'::text, 'matched'::text, 'joined'::text, 'booked'::text, 'payout'::text])))
);

ALTER TABLE counterfoil.deposit OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
)
PARTITION BY HASH (firm);

ALTER TABLE counterfoil.event OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_0 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_0 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_1 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_1 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_2 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_2 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_3 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_3 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_4 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_4 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_5 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_5 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_6 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_6 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.event_7 (
    firm uuid NOT NULL,
    event_id uuid NOT NULL,
    request_id uuid NOT NULL,
    "position" bigint NOT NULL,
    stream_version bigint NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    occurred_on date NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    type text NOT NULL COLLATE pg_catalog."C",
    leaf bytea NOT NULL,
    body bytea NOT NULL,
    CONSTRAINT event_leaf_check CHECK ((octet_length(leaf) = 32)),
    CONSTRAINT event_position_check CHECK (("position" > 0)),
    CONSTRAINT event_stream_version_check CHECK ((stream_version > 0))
);

ALTER TABLE counterfoil.event_7 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.evidence (
    firm uuid NOT NULL,
    person uuid NOT NULL,
    bytes bigint NOT NULL,
    uploaded_at timestamp with time zone NOT NULL,
    media_type text NOT NULL COLLATE pg_catalog."C",
    name bytea NOT NULL,
    sealed_hash bytea,
    CONSTRAINT evidence_bytes_check CHECK ((bytes > 0)),
    CONSTRAINT evidence_name_check CHECK ((octet_length(name) = 32)),
    CONSTRAINT evidence_sealed_hash_check CHECK ((octet_length(sealed_hash) = 48))
);

ALTER TABLE counterfoil.evidence OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.exception (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL,
    source text NOT NULL COLLATE pg_catalog."C",
    kind text NOT NULL COLLATE pg_catalog."C",
    subject text NOT NULL COLLATE pg_catalog."C",
    since_on date NOT NULL,
    "position" bigint NOT NULL,
    other uuid,
    due_on date,
    detail text NOT NULL COLLATE pg_catalog."C",
    CONSTRAINT exception_source_check CHECK ((source = ANY (ARRAY['case'::text, 'account'::text])))
);

ALTER TABLE counterfoil.exception OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.exposure (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL,
    source text NOT NULL COLLATE pg_catalog."C",
    "position" bigint NOT NULL,
    event_id uuid NOT NULL,
    kind text NOT NULL COLLATE pg_catalog."C",
    amount_minor bigint,
    period bigint,
    found_on date NOT NULL,
    cites text NOT NULL COLLATE pg_catalog."C",
    owed_minor bigint DEFAULT 0 NOT NULL,
    open_minor bigint DEFAULT 0 NOT NULL,
    CONSTRAINT exposure_source_check CHECK ((source = ANY (ARRAY['case'::text, 'account'::text])))
);

ALTER TABLE counterfoil.exposure OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.held_fee (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    case_id uuid NOT NULL,
    period bigint NOT NULL,
    end_on date
);

ALTER TABLE counterfoil.held_fee OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.invoice (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    number bigint NOT NULL,
    due_on date NOT NULL,
    open_minor bigint NOT NULL,
    state text NOT NULL COLLATE pg_catalog."C",
    charge_on date,
    charge_asked_on date,
    charge_asked_at bigint,
    CONSTRAINT invoice_state_check CHECK ((state = ANY (ARRAY['open'::text, 'paid'::text, 'closed'::text])))
);

ALTER TABLE counterfoil.invoice OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.journal_entry (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    "position" bigint NOT NULL,
    kind text NOT NULL COLLATE pg_catalog."C",
    event_id uuid NOT NULL,
    posted_on date NOT NULL,
    occurred_on date NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    account_id uuid,
    deposit_id uuid,
    reference text COLLATE pg_catalog."C",
    reverses uuid
);

ALTER TABLE counterfoil.journal_entry OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.journal_line (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    "position" bigint NOT NULL,
    line bigint NOT NULL,
    book_account text NOT NULL COLLATE pg_catalog."C",
    posted_on date NOT NULL,
    amount_minor bigint NOT NULL,
    account_id uuid,
    invoice bigint,
    plan text COLLATE pg_catalog."C",
    CONSTRAINT journal_line_amount_minor_check CHECK ((amount_minor <> 0))
);

ALTER TABLE counterfoil.journal_line OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.log_head (
    firm uuid NOT NULL,
    "position" bigint NOT NULL,
    invoices bigint NOT NULL,
    frontier bytea NOT NULL,
    root bytea NOT NULL,
    recorded_at timestamp with time zone DEFAULT '1970-01-01 00:00:00+00'::timestamp with time zone NOT NULL,
    CONSTRAINT log_head_root_check CHECK ((octet_length(root) = 32))
)
WITH (fillfactor='10');

ALTER TABLE counterfoil.log_head OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.money_back (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    reference text NOT NULL COLLATE pg_catalog."C",
    status text COLLATE pg_catalog."C",
    CONSTRAINT money_back_status_check CHECK ((status = ANY (ARRAY['open'::text, 'won'::text, 'lost'::text])))
);

ALTER TABLE counterfoil.money_back OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.movement (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    kind text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    happened_on date NOT NULL,
    currency text NOT NULL COLLATE pg_catalog."C",
    amount_minor bigint NOT NULL,
    deposit_id uuid,
    "position" bigint NOT NULL,
    CONSTRAINT movement_kind_check CHECK ((kind = ANY (ARRAY['payment'::text, 'refund'::text, 'chargeback'::text, 'chargeback_won'::text])))
);

ALTER TABLE counterfoil.movement OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.payment (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    payment text NOT NULL COLLATE pg_catalog."C",
    "position" bigint NOT NULL
);

ALTER TABLE counterfoil.payment OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.person (
    firm uuid NOT NULL,
    person uuid NOT NULL,
    wrapped_key bytea NOT NULL,
    phone_key bytea,
    address_key bytea,
    card_key bytea,
    word_keys bytea,
    complete boolean DEFAULT true NOT NULL,
    CONSTRAINT person_address_key_check CHECK ((octet_length(address_key) = 32)),
    CONSTRAINT person_card_key_check CHECK ((octet_length(card_key) = 32)),
    CONSTRAINT person_phone_key_check CHECK ((octet_length(phone_key) = 32)),
    CONSTRAINT person_word_keys_check CHECK ((((octet_length(word_keys) % 32) = 0) AND (octet_length(word_keys) <= 384)))
);

ALTER TABLE counterfoil.person OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.person_word (
    firm uuid NOT NULL,
    word_key bytea NOT NULL,
    person uuid NOT NULL,
    CONSTRAINT person_word_word_key_check CHECK ((octet_length(word_key) = 32))
);

ALTER TABLE counterfoil.person_word OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.projection (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    "position" bigint NOT NULL,
    active boolean NOT NULL
)
WITH (fillfactor='10');

ALTER TABLE counterfoil.projection OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.refused_link (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    member uuid NOT NULL
);

ALTER TABLE counterfoil.refused_link OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
)
PARTITION BY HASH (firm);

ALTER TABLE counterfoil.request OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_0 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_0 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_1 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_1 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_2 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_2 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_3 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_3 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_4 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_4 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_5 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_5 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_6 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_6 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.request_7 (
    firm uuid NOT NULL,
    request_id uuid NOT NULL,
    recorded_at timestamp with time zone NOT NULL,
    fingerprint bytea NOT NULL,
    outcome bytea NOT NULL,
    CONSTRAINT request_fingerprint_check CHECK ((octet_length(fingerprint) = 32))
);

ALTER TABLE counterfoil.request_7 OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.signing_key (
    firm uuid NOT NULL,
    created_at timestamp with time zone NOT NULL,
    retired_at timestamp with time zone,
    revoked_at timestamp with time zone,
    key_id text NOT NULL COLLATE pg_catalog."C",
    name text NOT NULL COLLATE pg_catalog."C",
    public_key bytea NOT NULL,
    sealed_private bytea NOT NULL,
    CONSTRAINT signing_key_check CHECK (((revoked_at IS NULL) OR (retired_at IS NOT NULL))),
    CONSTRAINT signing_key_public_key_check CHECK ((octet_length(public_key) = 32))
);

ALTER TABLE counterfoil.signing_key OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.snapshot (
    firm uuid NOT NULL,
    version bigint NOT NULL,
    "position" bigint NOT NULL,
    state_version bigint NOT NULL,
    stream text NOT NULL COLLATE pg_catalog."C",
    body bytea NOT NULL
);

ALTER TABLE counterfoil.snapshot OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.suggested_link (
    firm uuid NOT NULL,
    generation bigint NOT NULL,
    account_id uuid NOT NULL,
    member uuid NOT NULL,
    since_on date NOT NULL,
    phone boolean NOT NULL,
    address boolean NOT NULL,
    card boolean NOT NULL
);

ALTER TABLE counterfoil.suggested_link OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.tile (
    firm uuid NOT NULL,
    level bigint NOT NULL,
    tile_index bigint NOT NULL,
    root bytea NOT NULL,
    hashes bytea NOT NULL,
    CONSTRAINT tile_hashes_check CHECK ((octet_length(hashes) = 8192)),
    CONSTRAINT tile_level_check CHECK (((level >= 0) AND (level <= 7))),
    CONSTRAINT tile_root_check CHECK ((octet_length(root) = 32)),
    CONSTRAINT tile_tile_index_check CHECK ((tile_index >= 0))
);
ALTER TABLE ONLY counterfoil.tile ALTER COLUMN hashes SET STORAGE EXTERNAL;

ALTER TABLE counterfoil.tile OWNER TO counterfoil_owner;

CREATE TABLE counterfoil.witness_key (
    firm uuid NOT NULL,
    added_at timestamp with time zone NOT NULL,
    verifier_key text NOT NULL COLLATE pg_catalog."C"
);

ALTER TABLE counterfoil.witness_key OWNER TO counterfoil_owner;

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_0 FOR VALUES WITH (modulus 8, remainder 0);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_1 FOR VALUES WITH (modulus 8, remainder 1);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_2 FOR VALUES WITH (modulus 8, remainder 2);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_3 FOR VALUES WITH (modulus 8, remainder 3);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_4 FOR VALUES WITH (modulus 8, remainder 4);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_5 FOR VALUES WITH (modulus 8, remainder 5);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_6 FOR VALUES WITH (modulus 8, remainder 6);

ALTER TABLE ONLY counterfoil.event ATTACH PARTITION counterfoil.event_7 FOR VALUES WITH (modulus 8, remainder 7);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_0 FOR VALUES WITH (modulus 8, remainder 0);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_1 FOR VALUES WITH (modulus 8, remainder 1);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_2 FOR VALUES WITH (modulus 8, remainder 2);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_3 FOR VALUES WITH (modulus 8, remainder 3);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_4 FOR VALUES WITH (modulus 8, remainder 4);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_5 FOR VALUES WITH (modulus 8, remainder 5);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_6 FOR VALUES WITH (modulus 8, remainder 6);

ALTER TABLE ONLY counterfoil.request ATTACH PARTITION counterfoil.request_7 FOR VALUES WITH (modulus 8, remainder 7);

INSERT INTO counterfoil._sqlx_migrations VALUES (1, 'log', '2026-11-30 16:08:31.281749+00', true, '\x5912d210be1df932b6eb387c9f659f287a77c1306c52c259417597f71b271de0ecce6b118bb17dc4b4d90255a00d7168', 263138731);
INSERT INTO counterfoil._sqlx_migrations VALUES (2, 'read model', '2026-11-30 16:08:31.551782+00', true, '\x57005a608ad24174eba2553df10899982e012b9cb1db9ca1626244d993f8f3ad8c405828f03cd698aca5948554d80c2e', 195867381);
INSERT INTO counterfoil._sqlx_migrations VALUES (3, 'reader', '2026-11-30 16:08:31.748459+00', true, '\x6ea6e1af4fc8ce253e9ae55d9485772bbe3639c27995a3587390da5994158000f0c45795d8588893cbf0cb7bc9ba2701', 7007972);
INSERT INTO counterfoil._sqlx_migrations VALUES (5, 'proofs', '2026-11-30 16:08:31.755975+00', true, '\x4a90df5032c753caed25ab859787628b1e0e7b52334f152656c502a87beba4005a18d61f54d76e872540fd59c31c5cff', 43523201);
INSERT INTO counterfoil._sqlx_migrations VALUES (6, 'evidence', '2026-11-30 16:08:31.80347+00', true, '\x056c36f135d14ab54f7aab5b1d3b6453140dec63bd423e609e3b851a354b510cece3484272be5bc12efc98e3210fd282', 12033749);
INSERT INTO counterfoil._sqlx_migrations VALUES (7, 'books', '2026-11-30 16:08:31.819508+00', true, '\xd917ca4191e40a108559fe52c0f6a4afd8178d9da612d9c4beee854c9d08b804cade856862114bdc871c2a17f8eca3e5', 71968503);
INSERT INTO counterfoil._sqlx_migrations VALUES (8, 'books lookups', '2026-11-30 16:08:31.895462+00', true, '\x624fd192e812a87502305b06f0a9e377ac04be94e0794e0aba23fdb469e2014d458041ec71b3e0959ab090bbffd040a4', 16086314);
INSERT INTO counterfoil._sqlx_migrations VALUES (9, 'match policy', '2026-11-30 16:08:31.915564+00', true, '\x91db1bda96e286fcce98ab78817712cb96322de5dc7847777ee66f31bb2fdc320e8c485070d7a008753dc549e238601b', 3919516);
INSERT INTO counterfoil._sqlx_migrations VALUES (10, 'aging', '2026-11-30 16:08:31.923471+00', true, '\x13708d331438e8d8451cd2d3135943bf96b4c8a084cd286fd40288ce3bf9b23ed25a740c08648db3177894eb39037f29', 8056016);
INSERT INTO counterfoil._sqlx_migrations VALUES (11, 'recorded at', '2026-11-30 16:08:31.935498+00', true, '\x63df55d994df383c57459c58e25b152c8c1b5d5fac79162545c018f321feb4b2becd3330b39925724efaf3dac722f1fa', 3992855);
INSERT INTO counterfoil._sqlx_migrations VALUES (14, 'found by', '2026-11-30 16:08:31.943557+00', true, '\x8eeaf9861c444e5ad0f72d7f16426baf739a88fb30fd3927a4fc3902d8a1da47ef1fd9dee0c729a20e7031e64bd13be5', 36140225);
INSERT INTO counterfoil._sqlx_migrations VALUES (16, 'held', '2026-11-30 16:08:31.987575+00', true, '\x33d69bcbe5e85eba8cd5ce64616c370add4ae03b09deb1d4ae510518d8d6bda782568ffe96e828212977864ced71a1dc', 3904572);
INSERT INTO counterfoil._sqlx_migrations VALUES (17, 'charges waiting', '2026-11-30 16:08:31.995484+00', true, '\xbb38360b27f1a96d9919bd871ea78f6558a0f509ae627985d771de40c6e0b2068e7fce1c13f5b5185a32397fdc362ff2', 8033813);
INSERT INTO counterfoil._sqlx_migrations VALUES (18, 'exposed', '2026-11-30 16:08:32.007505+00', true, '\xcb330fb366a0c103992955bac2fa29b97c7b89b4e4ef92e0e3a7a1262ed2559d0213c38361d9362d947ba5bacbeaad86', 3967928);
INSERT INTO counterfoil._sqlx_migrations VALUES (19, 'read index', '2026-11-30 16:08:32.015466+00', true, '\xcc07d4e9d85f19d028ecd2f9788a07a1bda93c6e9d0d654ea5fe5c35ec0073053732e17b7d7259fabdf25f716a42a574', 408181413);

INSERT INTO counterfoil.account VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', NULL, NULL, true, 14900, 0);
INSERT INTO counterfoil.account VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c001', NULL, NULL, true, 0, 0);

INSERT INTO counterfoil.case_status VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'open', 'standard', 'individual', 'AZYRMdKAcEi1Kbzp94v0ogAAAAAAAAAGK2Rg-m7Uk-_oRA0mqbeKxKnO4JKA7bJO6t4LehX8cert7Xqw3mtSxZPG-2OAa9P3bX5tnKggG7o', '2025-03-03', '2025-03-07', 6, 2, '2025-05-02', 1, 0, 9, 0, 0, 1, NULL, '2025-04-12', 29);
INSERT INTO counterfoil.case_status VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c001', 'signed', 'standard', 'individual', 'AZYRMdKAcEi1Kb0DnXIXIwAAAAAAAAAGCsN2qNFc_a-Xx1aY2hWVk6qPhsHz-6ofj9igJj_zCp6Pxzcq2qpQJDu4oTsTA8oImHNEn2J01ic', '2025-03-03', '2025-03-07', 6, 1, '2025-04-02', 0, 0, 9, 0, 3, 0, NULL, NULL, 26);

INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'reinvestigation', 'east', 1, '', 0, '2025-03-13', '2025-04-12', true, NULL);
INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'reinvestigation', 'mid', 1, '', 0, '2025-03-13', '2025-04-12', true, NULL);
INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'reinvestigation', 'west', 1, '', 0, '2025-03-13', '2025-04-12', true, NULL);
INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'results_notice', 'east', 1, '', 0, '2025-04-12', '2025-04-18', true, NULL);
INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'results_notice', 'mid', 1, '', 0, '2025-04-12', '2025-04-18', true, NULL);
INSERT INTO counterfoil.clock VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 'results_notice', 'west', 1, '', 0, '2025-04-12', '2025-04-18', true, NULL);

INSERT INTO counterfoil.couple_card VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000');
INSERT INTO counterfoil.couple_card VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c001');

INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd2e2ca650d', '01a22d37-0dbc-73e9-930c-e228bfa4b69a', 1, 1, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'firm_registered', '\x923965aa28e6dea5c72514d0d0f65e2eea86181afd41b3a4d6dae0d7747f47f9', '\x7b226163746f72223a2262756c6b222c226576656e74223a226669726d5f72656769737465726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364326532636136353064222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b2263757272656e6379223a22555344222c22696e766f6963655f6475655f64617973223a322c226e616d65223a224c616e7465726e204c616e6520437265646974205365727669636573222c227472616e7369745f64617973223a332c227a6f6e65223a22416d65726963612f4368696361676f227d2c22706f736974696f6e223a312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306462632d373365392d393330632d653232386266613462363961222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd354643924', '01a22d37-0ddc-77ca-b768-428ff3a7a806', 2, 2, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'bureau_registered', '\xf0abeee24df44d18d4817168097be190612b196f1286d0f10393b204413f563d', '\x7b226163746f72223a2262756c6b222c226576656e74223a226275726561755f72656769737465726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364333534363433393234222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b2261646472657373223a22504f20426f7820372c204578616d706c65746f6e222c22627572656175223a2265617374222c226e616d65223a2265617374227d2c22706f736974696f6e223a322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306464632d373763612d623736382d343238666633613761383036222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd4eef5e9ae', '01a22d37-0def-7489-88d1-0033367f3500', 3, 3, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'bureau_registered', '\x667d0a85efd434109b0a5bae733a4594b0b059583c587d60f2312b673a9540eb', '\x7b226163746f72223a2262756c6b222c226576656e74223a226275726561755f72656769737465726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364346565663565396165222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b2261646472657373223a22504f20426f7820372c204578616d706c65746f6e222c22627572656175223a226d6964222c226e616d65223a226d6964227d2c22706f736974696f6e223a332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306465662d373438392d383864312d303033333336376633353030222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd5ccf73d75', '01a22d37-0df3-7583-b6f1-386c864103e1', 4, 4, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'bureau_registered', '\x9491e8e222cfdf1bc810f984fb3ae1bbf639cdcfb8745d7bae72dbe090d0f662', '\x7b226163746f72223a2262756c6b222c226576656e74223a226275726561755f72656769737465726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364356363663733643735222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b2261646472657373223a22504f20426f7820372c204578616d706c65746f6e222c22627572656175223a2277657374222c226e616d65223a2277657374227d2c22706f736974696f6e223a342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306466332d373538332d623666312d333836633836343130336531222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd66d160a8b', '01a22d37-0df7-72b7-98ea-a20f4cda48c8', 5, 5, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\x337ab9d008686c7e94cfd075a0ea4d07f44ac02efe275e977593d329cca3aa4c', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364363664313630613862222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b2263616e63656c6c6174696f6e223a7b2263616c656e646172223a226665646572616c5f6f6666696365222c226369746573223a2231352055534320313637396528612920616e642031363739642861292832292c20746865206c6174657220656e64206f66207468652074776f20636f756e7473222c2264617973223a337d2c22636f6465223a2275732d6665646572616c222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323030302d30312d3031222c226e6f7465223a224665646572616c2072756c657320666f722063726564697420726570616972206f7267616e697a6174696f6e732c20617320656e67696e656572732072656164207468656d3b206e6f74206c6567616c206164766963652e20436f756e73656c2068617320746f20636f6e6669726d20656163683a20776865746865722061206d6f6e7468277320776f726b20697320612073657276696365206f6620697473206f776e20756e6465722031363739622862292c20776869636820646179732061726520627573696e65737320646179732c20616e64207768696368206368616e6e656c73206c6561766520313620434652203331302e222c22706572666f726d616e6365223a7b226369746573223a22313520555343203136373962286229222c2272656164696e67223a22656163685f706572696f64227d2c2274656c656d61726b6574696e67223a7b226369746573223a22313620434652203331302e342861292832292c203331302e36222c226578656d7074223a5b22696e5f706572736f6e222c226f6e6c696e65222c22706f7374225d7d2c2276657273696f6e223a317d7d2c22706f736974696f6e223a352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306466372d373262372d393865612d613230663463646134386338222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd790af96ba', '01a22d37-0df8-75b6-b46f-a7323c1e11e8', 6, 6, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\x026d233034dd08bb364100f0980c8001f9fa802deba3d27586931cebde362a68', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364373930616639366261222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22626f6e64223a7b22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a223130303030303030227d2c226369746573223a2243616c2e204369762e20436f646520313738392e3138222c227768656e223a22616c77617973227d2c2263616e63656c6c6174696f6e223a7b2263616c656e646172223a226665646572616c5f6f6666696365222c226369746573223a2243616c2e204369762e20436f646520313738392e3136222c2264617973223a357d2c22636f6465223a2275732d6361222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323032332d30312d3031222c226d6f6e74686c795f73746174656d656e74223a7b226369746573223a2243616c2e204369762e20436f646520313738392e3133286329227d2c226e6f7465223a2243616c69666f726e69612c20616e206578616d706c6520666f7220636f756e73656c20746f20636f6e6669726d3a207468652061637420617320616d656e6465642066726f6d20323032332d30312d3031202841422032343234292e20576f726b696e67206461797320617265206e6f7420646566696e656420696e2069743b206665646572616c206f6666696365732720646179732061726520757365642c20616e64206e6f20686f6c6964617973206f66207468652073746174652e204e6f742074616b656e207570207965742c20616e6420736f206e6f7420616d6f6e6720776861742077617320726561643a2074686174206e6f20666565206d61792062652061736b656420666f72206265666f72652066756c6c20616e6420636f6d706c65746520706572666f726d616e6365206f662074686520616772656564207365727669636573202843616c2e204369762e20436f646520313738392e3133286129292c20616e642073616c65732062792074656c6570686f6e652e222c22706572666f726d5f77697468696e223a7b226369746573223a2243616c2e204369762e20436f646520313738392e3133286229222c2264617973223a3138307d2c2272656164223a5b2263616e63656c6c6174696f6e222c226d6f6e74686c795f73746174656d656e74222c22706572666f726d5f77697468696e222c22706572666f726d616e6365222c2270726f68696269746564222c22726567697374726174696f6e222c227365637572697479222c2274656c656d61726b6574696e67225d2c22726567697374726174696f6e223a7b226369746573223a2243616c2e204369762e20436f646520313738392e3235227d2c227374617465223a224341222c2276657273696f6e223a327d7d2c22706f736974696f6e223a362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306466382d373562362d623436662d613733323363316531316538222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd8cebd33c2', '01a22d37-0dfb-778c-8bb0-5c2e08754e57', 7, 7, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_confirmed', '\x3586b3d2752dd945e19259cdfd272c35a869a79f950d63c268a7762ff5fd9cbb', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f636f6e6669726d6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364386365626433336332222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d6361222c22636f756e73656c223a22526f62696e20417368646f776e2c20636f756e73656c222c2268617368223a2230343963363364373036386234646337636537363237623238383332616136366563316338633332366435353032316636353830313239383335323861336535222c2276657273696f6e223a327d2c22706f736974696f6e223a372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306466622d373738632d386262302d356332653038373534653537222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcd979f2cbdb', '01a22d37-0dff-743d-93fa-40a1ee85c00d', 8, 8, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\xad0b2d77a2f6cb23eebd5e7447ba44427eed55a05816ff282274807f7c0f3ba5', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364393739663263626462222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22626f6e64223a7b22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a2231303030303030227d2c226369746573223a225465782e2046696e2e20436f6465203339332e3330322c2031205465782e2041646d696e2e20436f64652037342e33222c227768656e223a2269665f706169645f6265666f72655f616c6c5f646f6e65227d2c22636f6465223a2275732d7478222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323030302d30312d3031222c226e6f7465223a2254657861732c20616e206578616d706c6520666f7220636f756e73656c20746f20636f6e6669726d3a2074686520626f6e642069732061736b656420666f722065616368206c6f636174696f6e2c20616e64206f6e6c7920696620736f6d657468696e672069732063686172676564206265666f726520616c6c206167726565642073657276696365732061726520646f6e653b20746865203138302064617973206172652074686f7365206f662074686520636f6e7472616374277320657374696d61746520616e64206172652074616b656e20666f722074686520776f726b2061732077656c6c2e205468652064617973206f662063616e63656c6c6174696f6e20285465782e2046696e2e20436f6465203339332e323032292077657265206e6f7420726561643a20746865206665646572616c206f6e65732061726520757365642e222c22706572666f726d5f77697468696e223a7b226369746573223a225465782e2046696e2e20436f6465203339332e323031286229283229222c2264617973223a3138307d2c2272656164223a5b2263616e63656c6c6174696f6e222c226d6f6e74686c795f73746174656d656e74222c22706572666f726d5f77697468696e222c22706572666f726d616e6365222c2270726f68696269746564222c22726567697374726174696f6e222c227365637572697479222c2274656c656d61726b6574696e67225d2c22726567697374726174696f6e223a7b226369746573223a225465782e2046696e2e20436f6465203339332e313031227d2c227374617465223a225458222c2276657273696f6e223a327d7d2c22706f736974696f6e223a382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306466662d373433642d393366612d343061316565383563303064222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcda1c460f03', '01a22d37-0e07-75fe-bfa9-0f04f2d6c9b1', 9, 9, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_used_at_own_risk', '\xdac8ba41c1b3dbe4b031d95e269e3701eec1e9e9859fa86e0e9ba281b102f820', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f757365645f61745f6f776e5f7269736b222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364613163343630663033222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d7478222c22726561736f6e223a22636f756e73656c207265616473206974206e657874206d6f6e7468222c2276657273696f6e223a327d2c22706f736974696f6e223a392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306530372d373566652d626661392d306630346632643663396231222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcdb7195480d', '01a22d37-0e0b-774e-a9f4-f6913825c9c7', 10, 10, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\xc1a079bc4ce639512402219d1bc2c36741b7c4b364720b8766cc371956f5170b', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364623731393534383064222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22636f6465223a2275732d6761222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323030302d30312d3031222c226e6f7465223a2247656f726769612c20616e206578616d706c6520666f7220636f756e73656c20746f20636f6e6669726d3a2077686f65766572206f776e732c206f70657261746573206f7220697320616666696c6961746564207769746820612063726564697420726570616972207365727669636573206f7267616e697a6174696f6e20636f6d6d69747320616e206f6666656e63652074686572652c20736f206e6f206665652063616e20626520636c61696d65642066726f6d206120636c69656e742077686f207369676e65642074686572652e204e6f7468696e6720656c73652077617320726561642e222c2270726f68696269746564223a7b226369746573223a224f2e432e472e412e2031362d392d3539227d2c2272656164223a5b2263616e63656c6c6174696f6e222c226d6f6e74686c795f73746174656d656e74222c22706572666f726d5f77697468696e222c22706572666f726d616e6365222c2270726f68696269746564222c22726567697374726174696f6e222c227365637572697479222c2274656c656d61726b6574696e67225d2c227374617465223a224741222c2276657273696f6e223a327d7d2c22706f736974696f6e223a31302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306530622d373734652d613966342d663639313338323563396337222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcdd076a60c0', '01a22d37-0e10-73f3-ba49-7dae9ef512da', 12, 12, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\x86723824063a08ab68af970ed2946d4aa7af4a96b54dcc28432ffd33e1b3435a', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364643037366136306330222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22636f6465223a2275732d696c222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323032302d30312d3031222c226e6f7465223a22696e76656e746564222c226e6f7468696e675f69735f6164646564223a747275652c227374617465223a22494c222c2276657273696f6e223a317d7d2c22706f736974696f6e223a31322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306531302d373366332d626134392d376461653965663531326461222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcdf46e07d60', '01a22d37-0e17-76f2-8bfc-759dbaac1197', 14, 14, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\xca882f400ee76f1a53e714cf5f85fa94ed399c05672c5b37e2215c799fe9e3ed', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364663436653037643630222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22636f6465223a2275732d6d65222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323032302d30312d3031222c22696e5f666f7263655f7468726f756768223a22323032352d30362d3230222c226e6f7465223a22696e76656e746564222c226e6f7468696e675f69735f6164646564223a747275652c227374617465223a224d45222c2276657273696f6e223a317d7d2c22706f736974696f6e223a31342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306531372d373666322d386266632d373539646261616331313937222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce19c42817a', '01a22d37-0e23-7116-b64f-7804e86945e1', 16, 16, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\x7bb7303ae669c07f74686a32c55a4dffb346cddd8a991946a1f82dba6d77640b', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365313963343238313761222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22636f6465223a2275732d6e76222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323032302d30312d3031222c226e6f7465223a22696e76656e746564222c2272656164223a5b2263616e63656c6c6174696f6e222c226d6f6e74686c795f73746174656d656e74222c2270726f68696269746564222c22726567697374726174696f6e222c227365637572697479222c2274656c656d61726b6574696e67225d2c227374617465223a224e56222c2276657273696f6e223a317d7d2c22706f736974696f6e223a31362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306532332d373131362d623634662d373830346538363934356531222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce36ee9968d', '01a22d37-0e2b-779f-a4fd-122f9d888374', 18, 18, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_adopted', '\x857567fb64c2181ca23b94b7140e79e5b412b9d9947342b9c80ff91a82d08255', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f61646f70746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365333665653939363864222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b227061636b223a7b22636f6465223a2275732d6961222c22636f6e6669726d65645f62795f636f756e73656c223a66616c73652c22696e5f666f7263655f66726f6d223a22323032302d30312d3031222c226e6f7465223a22696e76656e746564222c226e6f7468696e675f69735f6164646564223a747275652c227374617465223a224941222c2276657273696f6e223a317d7d2c22706f736974696f6e223a31382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306532622d373739662d613466642d313232663964383838333734222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce5bc160a2e', '01a22d37-0e33-70f7-9774-ad93414b718e', 20, 20, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'standing_recorded', '\xbe378ba2498170fea54032e178081867a9e7ed89f5b4657de1270f6f2ccc6a0d', '\x7b226163746f72223a2262756c6b222c226576656e74223a227374616e64696e675f7265636f72646564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365356263313630613265222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b226b696e64223a22726567697374726174696f6e222c227374617465223a224341222c2276616c69645f66726f6d223a22323032352d30312d3036222c2276616c69645f7468726f756768223a22323032352d30372d3035227d2c22706f736974696f6e223a32302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306533332d373066372d393737342d616439333431346237313865222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a32307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce75d2bdd99', '01a22d37-0e3f-7490-a14e-c51f42b49ae1', 22, 22, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'standing_recorded', '\xbfa7b6d4799cc4e9d790b27a9cfd38f4aa8c0b113d7313c2a5e6e76dcf4a6585', '\x7b226163746f72223a2262756c6b222c226576656e74223a227374616e64696e675f7265636f72646564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365373564326264643939222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a2231303030303030227d2c226b696e64223a22626f6e64222c227374617465223a225458222c2276616c69645f66726f6d223a22323032352d30312d3036222c2276616c69645f7468726f756768223a22323032352d30362d3035227d2c22706f736974696f6e223a32322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306533662d373439302d613134652d633531663432623439616531222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a32327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce9f78bf4a2', '01a22d37-0e4b-77ce-812d-c96234611243', 24, 1, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'enrolled', '\xdeb433672471c9ad6f62d8186b1e9abcc4301f6a84d4cc607d5b756d1f507a5d', '\x7b226163746f72223a2262756c6b222c226576656e74223a22656e726f6c6c6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262696c6c696e67223a7b2265766572795f64617973223a33307d2c2262697274685f64617465223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f67414141414141414141414c4143644c6c375469425464456f64717333655745386e306d544b4a426261413950666e665861483332526b2d4a795766757142645837797a554e6259736257456c6961556c4f636f36324a2d67227d2c22636f6e74616374223a7b2261646472657373223a7b2263697479223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f6741414141414141414142704770614972695a67426a6569714144775f52755171796a6161656966336e494a57734369335a41694547454864696f6a72327539536a47434a364f4f49317865306c73516f564c717665397351227d2c226c696e6531223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f67414141414141414141435f7837344843312d4943324338757531334376714956732d3436582d3349304737733663586277476c6344465874757630395f4a4f7738666e4d4b59304454346e614650703077526c535173716779726e7672515643464568456f76736b5146227d2c226c696e6532223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f6741414141414141414144694d4d414439684e4d4a4b6974784b674a5176583075796f383251454665745f424851776b38756f626f36725f493370776e375f57444d4e34797462706f783850506834634838227d2c227374617465223a22494c222c227a6970223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f674141414141414141414565554c6a4f41755250652d41647a5a38644942764458734a52523857755a4f30337859514e51757153477a307a644c6f6f43547a3232566a4d7530314c4658646f514e2d726230227d7d2c22656d61696c223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f67414141414141414141463734564a7031523469315a55776a3870634d546b44552d506e556464543249384b49516878367563784c3079635f5a71744f39735752385979793049494137736661666d615f496a416a68714b56786a45616f754f4a66736441227d2c226e616d65223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f67414141414141414141474b3252672d6d37556b2d5f6f5241306d7162654b784b6e4f344a4b4137624a4f3674344c656858386365727437587177336d7453785a50472d324f4161395033625835746e4b676747376f227d2c2270686f6e65223a7b227365616c6564223a22415a59524d644b41634569314b627a70393476306f67414141414141414141485f65415a633877586b2d51646643424763316b46684a386f714e347a483456433144614a534351762d4f4852364a3171596f53766d493375595571714272734c655f6264467a76324c42355535677665227d7d2c22706c616e223a227374616e64617264222c22706c616e5f76657273696f6e223a312c2273616c65223a7b226368616e6e656c223a22696e5f706572736f6e222c2265766964656e6365223a2230353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035222c2270726f6d697365645f64617973223a36307d2c2273656174223a22696e646976696475616c222c227a6f6e65223a22416d65726963612f4368696361676f227d2c22706f736974696f6e223a32342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcea28cf04b3', '01a22d37-0e4b-77ce-812d-c96234611243', 25, 1, '2025-04-07 17:00:00+00', '2025-03-03', 'account/00000000-0000-0000-0000-00000000c000', 'account_opened', '\x5e71fb13dcd6e516ab1d0fed6f14baf8fd7f9f74eea966a673afd5fe4977a1cd', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226163636f756e745f6f70656e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365613238636630346233222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226f776e6572223a2230303030303030302d303030302d303030302d303030302d303030303030303063303030227d2c22706f736974696f6e223a32352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcdcd48c9dbe', '01a22d37-0e0f-70d7-bf70-232730495be0', 11, 11, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_confirmed', '\x97a18fbdc61e0798459dfd471c60aeb83f552ed6b67f3ef793da0fdc00d39057', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f636f6e6669726d6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364636434386339646265222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d6761222c22636f756e73656c223a22526f62696e20417368646f776e2c20636f756e73656c222c2268617368223a2233313636653034646663633764646561333534353337613231363838623238326361653731386666646130376632376336663932333739346138353431376531222c2276657273696f6e223a327d2c22706f736974696f6e223a31312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306530662d373064372d626637302d323332373330343935626530222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcdea87fd413', '01a22d37-0e11-73bf-b566-014a67f0f960', 13, 13, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_confirmed', '\xdf3f14a029c034616907876e5c7e8e22fddd25e6ba9a71b117e7d84efb8db840', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f636f6e6669726d6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626364656138376664343133222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d696c222c22636f756e73656c223a22526f62696e20417368646f776e2c20636f756e73656c222c2268617368223a2263343538316632376463333362356162316230613062333737306562636530363263343838626537323761656436626234613438393333346134613932363330222c2276657273696f6e223a317d2c22706f736974696f6e223a31332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306531312d373362662d623536362d303134613637663066393630222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce02d12cac0', '01a22d37-0e1f-7494-b074-158aa93a4237', 15, 15, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_confirmed', '\xfd3a3929389d801ad1c503816527cabf075e9584077335ab09a5f867c4b07c03', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f636f6e6669726d6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365303264313263616330222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d6d65222c22636f756e73656c223a22526f62696e20417368646f776e2c20636f756e73656c222c2268617368223a2236343436653539303965633839643161303431313565623235386166656230336264656232646134333465653234343533666666383061373565383330306531222c2276657273696f6e223a317d2c22706f736974696f6e223a31352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306531662d373439342d623037342d313538616139336134323337222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce2ef198a41', '01a22d37-0e27-7480-a615-f9cb9faacc3f', 17, 17, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'pack_confirmed', '\x9e8d33821f799e291f543b95a852e6b8c9c6fa19d4e34f3066a7c2f765afa4c3', '\x7b226163746f72223a2262756c6b222c226576656e74223a227061636b5f636f6e6669726d6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365326566313938613431222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22636f6465223a2275732d6e76222c22636f756e73656c223a22526f62696e20417368646f776e2c20636f756e73656c222c2268617368223a2264353832393134666531636632336331383238323461363162363134616561353037366630333537386237333132323535303032313262613330636630323035222c2276657273696f6e223a317d2c22706f736974696f6e223a31372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306532372d373438302d613631352d663963623966616163633366222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce40dc93c3e', '01a22d37-0e2f-7506-b9dc-b2bb39943303', 19, 19, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'plan_published', '\x62d97730220bcc2bbe4435d1962b0a97abaff2d425c9909564672c200d0a0fd6', '\x7b226163746f72223a2262756c6b222c226576656e74223a22706c616e5f7075626c6973686564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365343064633933633365222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22706c616e223a7b22636f6465223a227374616e64617264222c22636f75706c65223a7b2266697273745f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a223234393939227d2c226d6f6e74686c795f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393939227d7d2c2266697273745f776f726b223a5b227265706f72745f696d706f7274222c22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c22696e646976696475616c223a7b2266697273745f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d2c226d6f6e74686c795f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a2238393030227d7d2c226d6f6e74686c795f776f726b223a5b22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c226e616d65223a225374616e64617264222c22706572696f6473223a362c2276657273696f6e223a317d7d2c22706f736974696f6e223a31392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306532662d373530362d623964632d623262623339393433333033222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a31397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce67a867212', '01a22d37-0e37-7021-8d52-42c9979241f1', 21, 21, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'standing_recorded', '\x7dcbb8214e328fe0f165e451a3ad07f92d5d915e927d8eca4a6d784bdb4a2ede', '\x7b226163746f72223a2262756c6b222c226576656e74223a227374616e64696e675f7265636f72646564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365363761383637323132222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a223130303030303030227d2c226b696e64223a22626f6e64222c227374617465223a224341222c2276616c69645f66726f6d223a22323032352d30312d3036222c2276616c69645f7468726f756768223a22323032362d30312d3031227d2c22706f736974696f6e223a32312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306533372d373032312d386435322d343263393937393234316631222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a32317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bce856a70b49', '01a22d37-0e43-7377-8d8a-e0a97d721773', 23, 23, '2025-04-07 17:00:00+00', '2025-01-06', 'firm', 'standing_ended', '\x8126eb9a92c4f6ed7556f109c3bc705a92f5209567fbf5277e288a02042ed131', '\x7b226163746f72223a2262756c6b222c226576656e74223a227374616e64696e675f656e646564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365383536613730623439222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a39312c226f636375727265645f6f6e223a22323032352d30312d3036222c227061796c6f6164223a7b226b696e64223a22626f6e64222c226c6173745f646179223a22323032352d31322d3132222c22726561736f6e223a227375726574795f63616e63656c6c6564222c227374617465223a224341222c2276616c69645f66726f6d223a22323032352d30312d3036227d2c22706f736974696f6e223a32332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534332d373337372d386438612d653061393764373231373733222c2273747265616d223a226669726d222c2273747265616d5f76657273696f6e223a32337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd039d721723', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 50, 1, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'enrolled', '\x388d1139645d4dde532f2075310f55bebe53ce33e4c04d476151febef8b7e600', '\x7b226163746f72223a2262756c6b222c226576656e74223a22656e726f6c6c6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262696c6c696e67223a7b2265766572795f64617973223a33307d2c2262697274685f64617465223a7b227365616c6564223a22415a59524d644b41634569314b6230446e584958497741414141414141414141586443525046384a4a6a4e336a72304662717a6c52513255613367365857317973737750476c416d794d564e4e724f706b7363366e422d3348414d7348576d79583555426d4b595f6f77326b4241227d2c22636f6e74616374223a7b2261646472657373223a7b2263697479223a7b227365616c6564223a22415a59524d644b41634569314b6230446e584958497741414141414141414142565753356c306c486766386a32786255306e4c496956394438736f6a506a67516454527a43436f6457784e43586439684c474567676a577967316d6f31502d4235504c666979487a666146456367227d2c226c696e6531223a7b227365616c6564223a22415a59524d644b41634569314b6230446e58495849774141414141414141414341364833654556386a48467a344167457270474550676763762d6b4c6c4d56444b624b70427478376a5f3256735f6f556f4778384a4e56543068425333575f686c3474364b5a5a483866415a6970454743314a47314d43486b41744d6b6d736d227d2c226c696e6532223a7b227365616c6564223a22415a59524d644b41634569314b6230446e5849584977414141414141414141444b395f766d437a6152665a6f723542534d78584753654161645f777530527857557566445032656c366c4570773531624e62684f4737376c694c6377465a3838484f6a53723938227d2c227374617465223a22494c222c227a6970223a7b227365616c6564223a22415a59524d644b41634569314b6230446e58495849774141414141414141414564752d385644594177766a5870596670344f4f396452744c4754655038335449374d6f6d6764644c3641434a464a435a76794d4549614459764254756c72314f484373674b7a4d227d7d2c22656d61696c223a7b227365616c6564223a22415a59524d644b41634569314b6230446e5849584977414141414141414141466869326e7150614169517143703868576842692d6238767362655a735f725f5431476a767472424f45594f456e596c7174476c627a516f4e494a5a6d382d7a6e774f4264504f586834354c754d4f5f627479614e34436f344f67227d2c226e616d65223a7b227365616c6564223a22415a59524d644b41634569314b6230446e58495849774141414141414141414743734e32714e46635f612d5878316159326857566b3671506873487a2d366f666a3969674a6a5f7a43703650787a6371327170514a4475346f54735441386f496d484e456e324a30316963227d2c2270686f6e65223a7b227365616c6564223a22415a59524d644b41634569314b6230446e5849584977414141414141414141485569443872314642364e716e336337435f706e557454376d444575424337794f45476639497277716f67656d347159645f366b67704a4b38317669356d674365484147347656776949644a4261506857227d7d2c22706c616e223a227374616e64617264222c22706c616e5f76657273696f6e223a312c2273616c65223a7b226368616e6e656c223a22696e5f706572736f6e222c2265766964656e6365223a2230353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035303530353035222c2270726f6d697365645f64617973223a36307d2c2273656174223a22696e646976696475616c222c227a6f6e65223a22416d65726963612f4368696361676f227d2c22706f736974696f6e223a35302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0449b6e491', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 51, 1, '2025-04-07 17:00:00+00', '2025-03-03', 'account/00000000-0000-0000-0000-00000000c001', 'account_opened', '\x7982ba6bb8b248d1f18757ceefe76f3010cfd5e9348790f58464819254b1baf4', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226163636f756e745f6f70656e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430343439623665343931222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226f776e6572223a2230303030303030302d303030302d303030302d303030302d303030303030303063303031227d2c22706f736974696f6e223a35312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bceb61c52932', '01a22d37-0e4b-77ce-812d-c96234611243', 26, 2, '2025-04-07 17:00:00+00', '2025-03-03', 'account/00000000-0000-0000-0000-00000000c000', 'card_on_file_changed', '\x319d6635943201763a4b3816fbda37391d95e71b75fa4fed3696b065e8cab62c', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a22636172645f6f6e5f66696c655f6368616e676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365623631633532393332222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2263617264223a7b2265787069726573223a22323032392d3038222c226c61737434223a7b227365616c6564223a22415a59524d644b41634569314b627a72596355704d67414141414141414141416b736b4d48457a5261467843715f4474715859656b576b613871786d4262764b6d46654d4279424a765f525757354c424848583632384b537750394b71685270464b72336167227d2c22746f6b656e223a7b227365616c6564223a22415a59524d644b41634569314b627a72596355704d6741414141414141414142706d6e5f336167316347687261666c554a514b49316e2d4c62556235525f747538794a4944534f6b33484735496731356455395a4a37517a58707641596a543046544b4d314b6868227d7d7d2c22706f736974696f6e223a32362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcecd47dac18', '01a22d37-0e4b-77ce-812d-c96234611243', 27, 2, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'disclosure_delivered', '\xc9c76e70a21b7339386b6a845b830bfc3d1ac1ab39adf9a4139e8623d14ce821', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a22646973636c6f737572655f64656c697665726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365636434376461633138222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b7d2c22706f736974696f6e223a32372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bced13818e21', '01a22d37-0e4b-77ce-812d-c96234611243', 28, 3, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'disclosure_acknowledged', '\x7de8e63d3303177e7f6093dfece96e1b276ec5aa61a9ab02cc21d11fba27ee7e', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a22646973636c6f737572655f61636b6e6f776c6564676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365643133383138653231222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b7d2c22706f736974696f6e223a32382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bceecd6472da', '01a22d37-0e4b-77ce-812d-c96234611243', 29, 4, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'consent_signed', '\x563afbe8077ac0df76f9cf96324d6e5f0ae5236c62f4ac75ae3a05b5b1e66385', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a22636f6e73656e745f7369676e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365656364363437326461222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2263616e63656c5f7468726f756768223a22323032352d30332d3036222c22636f706965735f676976656e223a747275652c22655f7369676e5f636f6e73656e74223a747275652c2272756c6573223a7b2263616e63656c6c6174696f6e223a7b2263616c656e646172223a226665646572616c5f6f6666696365222c226369746573223a2231352055534320313637396528612920616e642031363739642861292832292c20746865206c6174657220656e64206f66207468652074776f20636f756e7473222c2264617973223a337d2c227061636b73223a5b7b22636f6465223a2275732d6665646572616c222c2276657273696f6e223a317d2c7b22636f6465223a2275732d696c222c2276657273696f6e223a317d5d2c22706572666f726d616e6365223a7b226369746573223a22313520555343203136373962286229222c2272656164696e67223a22656163685f706572696f64227d2c2274656c656d61726b6574696e67223a7b226369746573223a22313620434652203331302e342861292832292c203331302e36222c226578656d7074223a5b22696e5f706572736f6e222c226f6e6c696e65222c22706f7374225d7d7d2c22736572766963655f66726f6d223a22323032352d30332d3037222c227374617465223a22494c222c227465726d73223a7b2266697273745f776f726b223a5b227265706f72745f696d706f7274222c22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c226d6f6e74686c795f776f726b223a5b22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c22706572696f6473223a362c22707269636573223a7b2266697273745f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d2c226d6f6e74686c795f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a2238393030227d7d2c2273656174223a22696e646976696475616c227d2c22746f74616c5f6f665f7061796d656e7473223a7b2263757272656e6379223a22555344222c226d696e6f72223a22323030303030227d7d2c22706f736974696f6e223a32392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcef9c0c1d66', '01a22d37-0e4b-77ce-812d-c96234611243', 30, 5, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'identity_paper_received', '\xec36c899870191c8c0bdfb864da23aa8a7c6583cd95921e0944b6c26526aa232', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226964656e746974795f70617065725f7265636569766564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626365663963306331643636222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226b696e64223a2270686f746f5f6964222c227061706572223a2270686f746f227d2c22706f736974696f6e223a33302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf0089bcc72', '01a22d37-0e4b-77ce-812d-c96234611243', 31, 6, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'identity_paper_accepted', '\x8373b6e3c8b517d5b6d519b80ccf257492be2ed9559a24930264967d55c4be27', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226964656e746974795f70617065725f6163636570746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366303038396263633732222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b227061706572223a2270686f746f227d2c22706f736974696f6e223a33312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf1045447a1', '01a22d37-0e4b-77ce-812d-c96234611243', 32, 7, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'identity_paper_received', '\xd4ffaab43fc258670be2c44bef40991540a58eebb9d057020ec55e2f32b113d0', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226964656e746974795f70617065725f7265636569766564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366313034353434376131222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226b696e64223a227265736964656e6365222c227061706572223a22686f6d65227d2c22706f736974696f6e223a33322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf26b3db2cf', '01a22d37-0e4b-77ce-812d-c96234611243', 33, 8, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'identity_paper_accepted', '\x2949fca01c9c8637ac7a9ffbe64f629af53851d2265ba140abb50e0cce6f79a4', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226964656e746974795f70617065725f6163636570746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366323662336462326366222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b227061706572223a22686f6d65227d2c22706f736974696f6e223a33332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf34f9f387f', '01a22d37-0e4b-77ce-812d-c96234611243', 34, 9, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'report_source_connected', '\x4af9795cb637d1cc360f01877fb4ad62ba1efab9ee378d52c668780bd1f0a7ac', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a227265706f72745f736f757263655f636f6e6e6563746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366333466396633383766222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22736f75726365223a22736f75726365227d2c22706f736974696f6e223a33342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcfd4f3f8d74', '01a22d37-0e4b-77ce-812d-c96234611243', 44, 19, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'basis_attested', '\xffdd80d68c632941265c6c3d9e0f3dd2e8da91718e2a30f328f79303b9d5b402', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366643466336638643734222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a226d6964222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b627a39547a2d4e644141414141414141414141366247466743664d674563366477433249634c57735f39504e4472785467434f4b776f53434d49736e744a76767443755f344e59454b375341304e516d462d697473704c6e51506d6635344372524b30756571635f7a776a363551715a35585748394937227d7d2c22706f736974696f6e223a34342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf4e87cba83', '01a22d37-0e4b-77ce-812d-c96234611243', 35, 10, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'report_imported', '\x915c689686bb4221d600cf637228ded643a01248d23802b881ab6dc97422628c', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366346538376362613833222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a2265617374222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a33352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf54d7b0977', '01a22d37-0e4b-77ce-812d-c96234611243', 36, 11, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\x7fce38ec02d58957710028d9572a7b70a126a4a866636979e13eaf8243799c30', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366353464376230393737222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a33362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf68783b405', '01a22d37-0e4b-77ce-812d-c96234611243', 37, 12, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\xf40345e06e1b8e4853a3c0115b93893cb6b181fe26f852a133a5a83c4db2f2f7', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366363837383362343035222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a33372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf70c9be3ea', '01a22d37-0e4b-77ce-812d-c96234611243', 38, 13, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\x18aafbfa27201e44262e0f79c5cc4c9d119a79afa3a1dc6a7fb2f61b060344b1', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366373063396265336561222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a33382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf8379ff5f1', '01a22d37-0e4b-77ce-812d-c96234611243', 39, 14, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'basis_attested', '\x51345b4eb9c574d21b573b4fe76bdad5efb76cfbc8702a7bb5218c47443ec872', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366383337396666356631222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a2265617374222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b627a344e355f313851414141414141414141413065563866484a764574695a516a30495257366f584f7a66327a727077414e6a6a4978695a3872715264616f4c776931304d4e396e5431392d33514b5a457257585f2d72764e4c546648335065486d4548594d725a42455a51477a5047516c736c35746c227d7d2c22706f736974696f6e223a33392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcf90112e496', '01a22d37-0e4b-77ce-812d-c96234611243', 40, 15, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'report_imported', '\x1b5a547705e255f329b47eb271615b9e6aeadfddbd18fcaef34a47c614317757', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366393031313265343936222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a226d6964222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a34302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcfa6c0611af', '01a22d37-0e4b-77ce-812d-c96234611243', 41, 16, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\xcfe265ef75c7ce427d4ba677cfcc18dcdde700470e36d4fab2767f02c67dc736', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366613663303631316166222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a34312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcfb9fe0c26b', '01a22d37-0e4b-77ce-812d-c96234611243', 42, 17, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\x3539c94d2b1e521842643824ec42ac2d461b68185bd86a70d97872460d25e0d3', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366623966653063323662222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a34322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcfc74dd7c6a', '01a22d37-0e4b-77ce-812d-c96234611243', 43, 18, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\xe880a945e88bc8a57e78c929f5ae2e450665be7d6add43c052f768ae91b3c45a', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366633734646437633661222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a34332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a31387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcfec938cf27', '01a22d37-0e4b-77ce-812d-c96234611243', 45, 20, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'report_imported', '\xb1be938c94deb851f3df407fda8b1037cc739d80249af497ec123987b8ede71e', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366656339333863663237222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a2277657374222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a34352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bcffa1e4e484', '01a22d37-0e4b-77ce-812d-c96234611243', 46, 21, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\x17909f8299d4354eeac822b1e3b3d6c3e66f15d098520d526e0653a4341a2b58', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626366666131653465343834222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a34362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd00ef749405', '01a22d37-0e4b-77ce-812d-c96234611243', 47, 22, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\xb3e3a3fb643b21d21925e65547f048e9edef4bb9bd3180ec8f75e83514ff2c78', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430306566373439343035222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a34372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd01a311dc7d', '01a22d37-0e4b-77ce-812d-c96234611243', 48, 23, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'item_listed', '\x59d1e42abff994c0f45997a4519077b64aef9f3fc6d383a4ab06a65bb192d9d2', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430316133313164633764222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a34382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0229abe7ef', '01a22d37-0e4b-77ce-812d-c96234611243', 49, 24, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c000', 'basis_attested', '\x1cfb56cb50a9ded4d65f4bec7a8b356f222f7003f7ba0f8901f4aaaa938395c0', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430323239616265376566222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a2277657374222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b6230434b61766e377741414141414141414141554648582d736f43725a795568625772736d7945784a354a422d3953554d6b3261332d35566d73356a31386d2d526269386b6c7556304c54416c4d4e484b506357645051674d7948535258623235642d66365a667748624c3670345276626677397a6d64227d7d2c22706f736974696f6e223a34392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936323334363131323433222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1d703d3522', '01a22d37-0e5f-7332-beb3-878c5d7283d6', 76, 25, '2025-04-07 17:00:00+00', '2025-03-10', 'case/00000000-0000-0000-0000-00000000c000', 'work_opened', '\x50f3078e3dcf45a2560841b6f5cc54e247e0c6f27c4b9dad172f42d5e6a28790', '\x7b226163746f72223a2262756c6b222c226576656e74223a22776f726b5f6f70656e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431643730336433353232222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a32382c226f636375727265645f6f6e223a22323032352d30332d3130222c227061796c6f6164223a7b7d2c22706f736974696f6e223a37362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306535662d373333322d626562332d383738633564373238336436222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1ec92f692c', '01a22d37-0e5f-7332-beb3-878c5d7283d6', 77, 26, '2025-04-07 17:00:00+00', '2025-03-10', 'case/00000000-0000-0000-0000-00000000c000', 'report_imported', '\x723a209bbf2c6702dd647d8a815f382aacf78a21db2a7c1dee34b31d2ca2ee20', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626431643730336433353232222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431656339326636393263222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a32382c226f636375727265645f6f6e223a22323032352d30332d3130222c227061796c6f6164223a7b22627572656175223a2265617374222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3130222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a37372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306535662d373333322d626562332d383738633564373238336436222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1fbebdad93', '01a22d37-0e5f-7332-beb3-878c5d7283d6', 78, 27, '2025-04-07 17:00:00+00', '2025-03-10', 'case/00000000-0000-0000-0000-00000000c000', 'round_sent', '\xb04fab0300ca1dc48847c6c8b949a17c780d8182ad807456839ac1528b9d85d4', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626431643730336433353232222c226576656e74223a22726f756e645f73656e74222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431666265626461643933222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a32382c226f636375727265645f6f6e223a22323032352d30332d3130222c227061796c6f6164223a7b22636f6e74616374223a7b226964223a2230313936313133312d643238302d373034382d623532392d626365396637386266346132222c22706f736974696f6e223a32347d2c226c657474657273223a5b7b22627572656175223a2265617374222c226974656d73223a5b226974656d2d30225d2c226d61696c5f636c617373223a22636572746966696564227d2c7b22627572656175223a226d6964222c226974656d73223a5b226974656d2d30225d2c226d61696c5f636c617373223a22636572746966696564227d2c7b22627572656175223a2277657374222c226974656d73223a5b226974656d2d30225d2c226d61696c5f636c617373223a22636572746966696564227d5d2c22726f756e64223a317d2c22706f736974696f6e223a37382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306535662d373333322d626562332d383738633564373238336436222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd202abcd046', '01a22d37-0e5f-7332-beb3-878c5d7283d6', 79, 28, '2025-04-07 17:00:00+00', '2025-03-10', 'case/00000000-0000-0000-0000-00000000c000', 'progress_report_sent', '\x41fab63ff087024aae3bfa0b17255d7b08b25cf9d66a9943ea14b44753c0cb61', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626431643730336433353232222c226576656e74223a2270726f67726573735f7265706f72745f73656e74222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626432303261626364303436222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a32382c226f636375727265645f6f6e223a22323032352d30332d3130222c227061796c6f6164223a7b7d2c22706f736974696f6e223a37392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306535662d373333322d626562332d383738633564373238336436222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd05a5eeb611', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 52, 2, '2025-04-07 17:00:00+00', '2025-03-03', 'account/00000000-0000-0000-0000-00000000c001', 'card_on_file_changed', '\x16fd7cb258bdb158f5ae8d0c923a0f384a7e7b187844084cd164661d0bd123ee', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a22636172645f6f6e5f66696c655f6368616e676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430356135656562363131222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2263617264223a7b2265787069726573223a22323032392d3038222c226c61737434223a7b227365616c6564223a22415a59524d644b41634569314b62304670653632455141414141414141414141486d61616c5045653947706733486b7138466b672d4d74555a79355f4166687a33425f4c4b765256446a62377249527a743368796670626e32627646497655786f535a514541227d2c22746f6b656e223a7b227365616c6564223a22415a59524d644b41634569314b623046706536324551414141414141414141426d434c7a6e2d7969774535365a4d35576a506c756d7a72373253425f4d714f665f7536424f576e576c614f6739766f596b424955445631413932436b616377435f6948674330736a227d7d7d2c22706f736974696f6e223a35322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd067c3d3216', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 53, 2, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'disclosure_delivered', '\x140790c78adb1445eb24a7c5544e9057f3e0dc6df6de9271dca4e17ba6c0f927', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a22646973636c6f737572655f64656c697665726564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430363763336433323136222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b7d2c22706f736974696f6e223a35332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0771a4f92b', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 54, 3, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'disclosure_acknowledged', '\x2f160d8cc1ac685483ed1c427c40214315f750b3582a31c875faf11a58390b74', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a22646973636c6f737572655f61636b6e6f776c6564676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430373731613466393262222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b7d2c22706f736974696f6e223a35342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd08d08b8822', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 55, 4, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'consent_signed', '\x348dfc37edb956289dd35d2f908b7164a7cff41e1d3faf9ddae5d3144733dd67', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a22636f6e73656e745f7369676e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430386430386238383232222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2263616e63656c5f7468726f756768223a22323032352d30332d3036222c22636f706965735f676976656e223a747275652c22655f7369676e5f636f6e73656e74223a747275652c2272756c6573223a7b2263616e63656c6c6174696f6e223a7b2263616c656e646172223a226665646572616c5f6f6666696365222c226369746573223a2231352055534320313637396528612920616e642031363739642861292832292c20746865206c6174657220656e64206f66207468652074776f20636f756e7473222c2264617973223a337d2c227061636b73223a5b7b22636f6465223a2275732d6665646572616c222c2276657273696f6e223a317d2c7b22636f6465223a2275732d696c222c2276657273696f6e223a317d5d2c22706572666f726d616e6365223a7b226369746573223a22313520555343203136373962286229222c2272656164696e67223a22656163685f706572696f64227d2c2274656c656d61726b6574696e67223a7b226369746573223a22313620434652203331302e342861292832292c203331302e36222c226578656d7074223a5b22696e5f706572736f6e222c226f6e6c696e65222c22706f7374225d7d7d2c22736572766963655f66726f6d223a22323032352d30332d3037222c227374617465223a22494c222c227465726d73223a7b2266697273745f776f726b223a5b227265706f72745f696d706f7274222c22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c226d6f6e74686c795f776f726b223a5b22646973707574655f726f756e64222c2270726f67726573735f7265706f7274225d2c22706572696f6473223a362c22707269636573223a7b2266697273745f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d2c226d6f6e74686c795f666565223a7b2263757272656e6379223a22555344222c226d696e6f72223a2238393030227d7d2c2273656174223a22696e646976696475616c227d2c22746f74616c5f6f665f7061796d656e7473223a7b2263757272656e6379223a22555344222c226d696e6f72223a22323030303030227d7d2c22706f736974696f6e223a35352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd09d0ce2a85', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 56, 5, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'identity_paper_received', '\x6f88e2da6796ae27b47cedb7101e65404bdc6e587bcb414747988602ee3ed278', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226964656e746974795f70617065725f7265636569766564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430396430636532613835222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226b696e64223a2270686f746f5f6964222c227061706572223a2270686f746f227d2c22706f736974696f6e223a35362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0ae9df771d', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 57, 6, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'identity_paper_accepted', '\x16f083c7903e01b702808f9dad18b8f340cf809c77c5b1ccce30ed5c5e3f38ff', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226964656e746974795f70617065725f6163636570746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430616539646637373164222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b227061706572223a2270686f746f227d2c22706f736974696f6e223a35372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0b9a9bcb25', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 58, 7, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'identity_paper_received', '\xc1c16120be8958e8445efa71889ecfd82af841e93e4d49080c89be8f8bd43dc0', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226964656e746974795f70617065725f7265636569766564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430623961396263623235222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226b696e64223a227265736964656e6365222c227061706572223a22686f6d65227d2c22706f736974696f6e223a35382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0caf724d4a', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 59, 8, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'identity_paper_accepted', '\x7468e6d5790c37fec03408723651501fe0d4359ed04e0d2edb577e624692651f', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226964656e746974795f70617065725f6163636570746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430636166373234643461222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b227061706572223a22686f6d65227d2c22706f736974696f6e223a35392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0d5cd7d05f', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 60, 9, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'report_source_connected', '\x2899fbb120b571ea668d14e04547410c0b961bd52b79b1ce5e169c16f41cbc77', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a227265706f72745f736f757263655f636f6e6e6563746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430643563643764303566222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22736f75726365223a22736f75726365227d2c22706f736974696f6e223a36302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1785c9ec2f', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 70, 19, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'basis_attested', '\x7c0e058697c654f214c86cbf68a9b35391531c38013fca4ea495260b96bf890e', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431373835633965633266222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a226d6964222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b62305868636e734c774141414141414141414151535f4d664b6e434d6a4a46776c706e6256375730334575663477393447486f716530596e59744c6b39725f6c654c704333755a367047495151664e7377594b746b313838365f4e744b4851776c473630476b2d755a737970414b4870676d3539556a44227d7d2c22706f736974696f6e223a37302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0e1a3e033e', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 61, 10, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'report_imported', '\xf536f99c78ce7810a9457f7648c6d6b2e134c8aa806e1d3393a413c7c9df85a8', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430653161336530333365222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a2265617374222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a36312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd0f1b823030', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 62, 11, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x7f4a01e5aa219b3642b3b7960ab8814698805330fce9b1db79a5667cdbdb9071', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626430663162383233303330222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a36322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd108e85bf5e', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 63, 12, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x9dbd82f242b19f39b8542823c4989c2610e533707e38226a723851a61e28a4ee', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431303865383562663565222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a36332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd110a441468', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 64, 13, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x84b6c9e6035286094353c13b395822478b9b94f0b6166769fdd42b8b0f080682', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431313061343431343638222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2265617374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a36342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1288854e03', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 65, 14, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'basis_attested', '\x5dfe60057f895668dbd62dc29b7fa5bbd011512123850beef07787af23e9f914', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431323838383534653033222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a2265617374222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b6230536949564f417741414141414141414141436c35637566684b51312d6659526b546b636a62356169482d714538325638326769617932706c316a704a76464f5976307a48794c5973386c666b61496673384271594758697671796a596f2d71615a68465678323147736f49354b573647624c4f7a51227d7d2c22706f736974696f6e223a36352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd13fd65ef3e', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 66, 15, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'report_imported', '\x681a3867461bfe6522262047a01119fcf38cfa4e86e90e6967d366267bd04db0', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431336664363565663365222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a226d6964222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a36362c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd14a7be4713', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 67, 16, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x435c5ca3516afb4bb77e22c75b8749ad8f2e324062777ece9d9f956d56fcf364', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431346137626534373133222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a36372c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1520f7fa9d', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 68, 17, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\xa1ffa878bdd2c44e74644e09129c8d0d99521d971a734db96dfcf70dd74b02de', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431353230663766613964222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a36382c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31377d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd16e06e9358', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 69, 18, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x9a7b855ff8b48530f11a317e834ba475feaf52a0a082466b7b5073523f3b9890', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431366530366539333538222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a226d6964222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a36392c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a31387d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd18337bbfcb', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 71, 20, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'report_imported', '\x074f85d441707f21b2f72c18d2cbdf052e11e73b651ab71f589a6f934bccac2b', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a227265706f72745f696d706f72746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431383333376262666362222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b22627572656175223a2277657374222c22636172645f62616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a22313030303030227d2c22636172645f6c696d6974223a7b2263757272656e6379223a22555344222c226d696e6f72223a22333030303030227d2c22667265655f616e6e75616c223a66616c73652c22696e71756972696573223a322c226973737565645f6f6e223a22323032352d30332d3033222c226974656d73223a5b7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d5d2c226c697374696e6773223a332c2273636f7265223a7b226d6f64656c223a224d6f64656c2038222c2276616c7565223a3538317d7d2c22706f736974696f6e223a37312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32307d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd19180c9a82', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 72, 21, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\xba626a0d5c3d4d181c1122f7a9ea8c79966f2cd8ed5dedc6b026248f58352ab3', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431393138306339613832222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d30222c226b696e64223a226c6174655f7061796d656e7473227d2c22706f736974696f6e223a37322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32317d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1a387edc73', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 73, 22, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x01d02d99f493c4dae27272bb36c3551acb929e636fec8dcdf8bc2ddec16f3b34', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431613338376564633733222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d31222c226b696e64223a22636f6c6c656374696f6e227d2c22706f736974696f6e223a37332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32327d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1b02fcbd55', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 74, 23, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'item_listed', '\x7bddbc244adbf6ecede1599bc7d334ac3d8bf618a209794de589102ffa607c51', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a226974656d5f6c6973746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431623032666362643535222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b2262616c616e6365223a7b2263757272656e6379223a22555344222c226d696e6f72223a223530303030227d2c22627572656175223a2277657374222c226675726e6973686572223a224578616d706c6520436f6c6c656374696f6e73222c226974656d223a226974656d2d32222c226b696e64223a226368617267655f6f6666227d2c22706f736974696f6e223a37342c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32337d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd1c09d1f3ca', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', 75, 24, '2025-04-07 17:00:00+00', '2025-03-03', 'case/00000000-0000-0000-0000-00000000c001', 'basis_attested', '\x7bd9c430f5b8cb488a2fc95d58a92ab268d8824202ed90df59e79d9676206a9c', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626430333964373231373233222c226576656e74223a2262617369735f6174746573746564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626431633039643166336361222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226c6174655f64617973223a33352c226f636375727265645f6f6e223a22323032352d30332d3033222c227061796c6f6164223a7b226261736973223a226e6f745f6d696e65222c22627572656175223a2277657374222c226974656d223a226974656d2d30222c2273746174656d656e74223a7b227365616c6564223a22415a59524d644b41634569314b6230634364487a7967414141414141414141416936496e305f6e736b75534d58554f45754d5165447131456c7952667a617041705a5562705f6d30577a4c756c2d615a4c576d7a5f5054575439447276643277497a70627542585766495f6436537a42345661596a504b637a56686f714b4c7746626f64227d7d2c22706f736974696f6e223a37352c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306534622d373763652d383132642d633936336339356530633362222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32347d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd219b95f706', '01a22d37-0e67-74e2-ac86-a12970deb5be', 80, 25, '2025-04-07 17:00:00+00', '2025-04-07', 'case/00000000-0000-0000-0000-00000000c001', 'message_logged', '\x3bda7a0036540a5927b35374f193e3e5e8108f48cc7f4dfd81e93db9f692896b', '\x7b226163746f72223a2262756c6b222c226576656e74223a226d6573736167655f6c6f67676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626432313962393566373036222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226f636375727265645f6f6e223a22323032352d30342d3037222c227061796c6f6164223a7b22636f6d706c61696e74223a66616c73652c22646972656374696f6e223a22696e636f6d696e67222c2274657874223a7b227365616c6564223a22415a59524d644b41634569314b6230686d355833426741414141414141414141376242585935575a5861435278355355716c444b39622d69413931695a4d577645785f4e755069694d4c4171627055626e4c37596531412d466e414e36772d45665766547a37566e677477726b6c6e79685947646c4c46566c5f655a4951394636316e3878374e7946494a34772d4a50666e7958624c4e676c795a7265694174356b7656684e45316b485f70596734485051445472424a6a3270444d48684750342d724d3356654764616650382d53444a51553776673557755848336a482d4a6673644151414b555a77782d624e703848315f58426e6557386e683951557339414e394b6e5671694b397770592d3371424f625534576a746839564152544f6c6454616645756e556277227d7d2c22706f736974696f6e223a38302c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306536372d373465322d616338362d613132393730646562356265222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32357d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd228a61f98e', '01a22d37-0e6f-738f-ae1d-eec5d9a66187', 81, 26, '2025-04-07 17:00:00+00', '2025-04-07', 'case/00000000-0000-0000-0000-00000000c001', 'message_logged', '\x9efb05c4cf06b09525ef996b2e095d12cd23e4e3bf0086d46704e90ef1624ccb', '\x7b226163746f72223a2262756c6b222c226576656e74223a226d6573736167655f6c6f67676564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626432323861363166393865222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226f636375727265645f6f6e223a22323032352d30342d3037222c227061796c6f6164223a7b22636f6d706c61696e74223a66616c73652c22646972656374696f6e223a22696e636f6d696e67222c2274657874223a7b227365616c6564223a22415a59524d644b41634569314b623069696d48356a67414141414141414141414a546f47464176474e6e794e6942305a6846666559384645446e572d7178507234546264335155636b61354232636a30685f5f4d75632d6e423743624c5357366b5172416457613871733947434f594345383630336b676b62502d4c32583056345f38774b6e475453766d69617546396a334c644d4845354172434938676a4b5a4852566131566c7162706145314161565f53576a6569736c66654d4c75665a597650446c72363037795948396b6e496669417a6a3936304c4c684d7061564c774141705a7a4b444658415753645976323854435a50723655386275524238715130695635313873686a37306330734d5936675761584675675a5a347a48386966426d72345138746e51227d7d2c22706f736974696f6e223a38312c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306536662d373338662d616531642d656563356439613636313837222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c2273747265616d5f76657273696f6e223a32367d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd23d3deb545', '01a22d37-0e77-76f3-8c7a-cd25d8baf38b', 82, 29, '2025-04-07 17:00:00+00', '2025-04-07', 'case/00000000-0000-0000-0000-00000000c000', 'fee_earned', '\xc85531bf6198062488726b2ade4d73ec9c30800a12e332479c08a5beaf60cc88', '\x7b226163746f72223a2262756c6b222c226576656e74223a226665655f6561726e6564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626432336433646562353435222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226f636375727265645f6f6e223a22323032352d30342d3037222c227061796c6f6164223a7b226163636f756e74223a2230303030303030302d303030302d303030302d303030302d303030303030303063303030222c2261677265656d656e74223a7b226964223a2230313936313133312d643238302d373034382d623532392d626365656364363437326461222c22706f736974696f6e223a32397d2c22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d2c2261735f6f66223a22323032352d30342d3037222c226561726e65645f6f6e223a22323032352d30342d3031222c22656e64223a22323032352d30342d3032222c2265766964656e6365223a5b7b226576656e74223a7b226964223a2230313936313133312d643238302d373034382d623532392d626431656339326636393263222c22706f736974696f6e223a37377d2c226c617465223a747275652c226f6e223a22323032352d30332d3130222c22776f726b223a227265706f72745f696d706f7274227d2c7b226576656e74223a7b226964223a2230313936313133312d643238302d373034382d623532392d626431666265626461643933222c22706f736974696f6e223a37387d2c226c617465223a747275652c226f6e223a22323032352d30332d3130222c22776f726b223a22646973707574655f726f756e64227d2c7b226576656e74223a7b226964223a2230313936313133312d643238302d373034382d623532392d626432303261626364303436222c22706f736974696f6e223a37397d2c226c617465223a747275652c226f6e223a22323032352d30332d3130222c22776f726b223a2270726f67726573735f7265706f7274227d5d2c22706572696f64223a312c22706c616e223a227374616e64617264222c2272756c6573223a5b7b22636f6465223a2275732d6665646572616c222c2276657273696f6e223a317d2c7b22636f6465223a2275732d696c222c2276657273696f6e223a317d5d2c227374617274223a22323032352d30332d3033227d2c22706f736974696f6e223a38322c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306537372d373666332d386337612d636432356438626166333862222c2273747265616d223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a32397d');
INSERT INTO counterfoil.event_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01961131-d280-7048-b529-bd247096ae30', '01a22d37-0e77-76f3-8c7a-cd25d8baf38b', 83, 3, '2025-04-07 17:00:00+00', '2025-04-07', 'account/00000000-0000-0000-0000-00000000c000', 'invoice_issued', '\x9cf24f3651dac6d3d3837ed8cd886a8f9f7166a62bd822822362d862b29c83ca', '\x7b226163746f72223a2262756c6b222c22636175736174696f6e223a2230313936313133312d643238302d373034382d623532392d626432336433646562353435222c226576656e74223a22696e766f6963655f697373756564222c226576656e745f6964223a2230313936313133312d643238302d373034382d623532392d626432343730393661653330222c226576656e745f76657273696f6e223a312c226669726d223a2230303030303030302d303030302d303030302d303030302d303030303030303030306631222c226f636375727265645f6f6e223a22323032352d30342d3037222c227061796c6f6164223a7b226475655f6f6e223a22323032352d30342d3039222c226c696e6573223a5b7b22616d6f756e74223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d2c2263617365223a2230303030303030302d303030302d303030302d303030302d303030303030303063303030222c22656e64223a22323032352d30342d3032222c22706572696f64223a312c227374617274223a22323032352d30332d3033227d5d2c226e756d626572223a312c22746f74616c223a7b2263757272656e6379223a22555344222c226d696e6f72223a223134393030227d7d2c22706f736974696f6e223a38332c227265636f726465645f6174223a313734343034353230303030303030302c22726571756573745f6964223a2230316132326433372d306537372d373666332d386337612d636432356438626166333862222c2273747265616d223a226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c2273747265616d5f76657273696f6e223a337d');

INSERT INTO counterfoil.invoice VALUES ('00000000-0000-0000-0000-0000000000f1', 1, '00000000-0000-0000-0000-00000000c000', 1, '2025-04-09', 14900, 'open', '2025-04-09', NULL, NULL);

INSERT INTO counterfoil.journal_entry VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 82, 'fee_earned', '01961131-d280-7048-b529-bd23d3deb545', '2025-04-01', '2025-04-01', '2025-04-07 17:00:00+00', '00000000-0000-0000-0000-00000000c000', NULL, NULL, NULL);
INSERT INTO counterfoil.journal_entry VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 83, 'invoice_issued', '01961131-d280-7048-b529-bd247096ae30', '2025-04-07', '2025-04-07', '2025-04-07 17:00:00+00', '00000000-0000-0000-0000-00000000c000', NULL, NULL, NULL);

INSERT INTO counterfoil.journal_line VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 82, 1, 'unbilled', '2025-04-01', 14900, '00000000-0000-0000-0000-00000000c000', NULL, NULL);
INSERT INTO counterfoil.journal_line VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 82, 2, 'fee_revenue', '2025-04-01', -14900, '00000000-0000-0000-0000-00000000c000', NULL, 'standard');
INSERT INTO counterfoil.journal_line VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 83, 1, 'receivable', '2025-04-07', 14900, '00000000-0000-0000-0000-00000000c000', 1, NULL);
INSERT INTO counterfoil.journal_line VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 83, 2, 'unbilled', '2025-04-07', -14900, '00000000-0000-0000-0000-00000000c000', NULL, NULL);

INSERT INTO counterfoil.log_head VALUES ('00000000-0000-0000-0000-0000000000f1', 83, 1, '\x00000000000000531dd2683f080b70d3063451f68bf9885ee627806e2d70008b4a7c3e44545a9a8bb9013889def73be0883c5e949d518aa7038ce7cf77fd0ee98ac03fcabf0cc191bf6f3a7bc512d4212666f36044892e16e646b905aaf477b62c0f0030c643046d9cf24f3651dac6d3d3837ed8cd886a8f9f7166a62bd822822362d862b29c83ca', '\x86b763bb42cd09ac3de7c838499ea8dd0f4d149db21b2399e2bbe04866855251', '2025-04-07 17:00:00+00');

INSERT INTO counterfoil.person VALUES ('00000000-0000-0000-0000-0000000000f1', '00000000-0000-0000-0000-0000000000f1', '\x4bb06f8e4e3a7715520d13cf61e805d50b9340ad3b80c10b6d542d5aac2b0adb7c688902cc10a7506acd221c395c258377132b55bc53fd41df741d9237801acd37c19a4e456028751d2dc5c66c9b3149', NULL, NULL, NULL, NULL, true);
INSERT INTO counterfoil.person VALUES ('00000000-0000-0000-0000-0000000000f1', '00000000-0000-0000-0000-00000000c000', '\x4bb06f8e4e3a7715715d03d1f25a960c39e186a461d91bcde83de2d98715da1c268b3f22083f4f85adb85e3bf8ed8f908cc560532b40f86fd16683ca16d4cee41c7e9acf61b91e8bd5baaca358d03dd5', '\x28ef857e80992d0ba2c45e3bb145576516b4c37a9359e9455438bd586d2cf016', '\x14ee487b32c77d2813ef0f5c4ed62dc3675e9b9821371b65daa9afec30729874', '\xa3dd686605f234edcdd1b739487edd4018bad34a817faa0bc720cc58a0422250', '\x6a8bc931356e71d637ce4dd7ae18a8f9cb3c92281c9aa94a6a67135a38bce97dbfbdfdd8f06b1a9c5a1d94d308659b357e9a68ff5e9c2d54885630d67945e4a0', true);
INSERT INTO counterfoil.person VALUES ('00000000-0000-0000-0000-0000000000f1', '00000000-0000-0000-0000-00000000c001', '\x4bb06f8e4e3a7715239b81f678476fe75b4a50c01efaebcb493c246d024fe87b10c4e1f17e371564d51b981b4d3661d80eb4ae55cf6cad0cd7dd499e26980086b1f40df68a0c015f12ede4d543358c8f', '\x69f91a041f6cbf85b3be5f4ec10c535ff92a8c4f28b17a1abf2eb42ea99f0a2c', '\xe0d4a1917571c1f0cd713ae4cdafd4d0d6eb161bbcef64e9476f9f6a18e151c3', '\x68d5899c7cd010f0387df73f54cdc0c3c167b9d3ab3de87be776a8597926478c', '\x19ad06ec26fdabe825c9327f9c95cab89a09e81944a7777bdd460dee8a6b3bc0bfbdfdd8f06b1a9c5a1d94d308659b357e9a68ff5e9c2d54885630d67945e4a0', true);

INSERT INTO counterfoil.person_word VALUES ('00000000-0000-0000-0000-0000000000f1', '\x6a8bc931356e71d637ce4dd7ae18a8f9cb3c92281c9aa94a6a67135a38bce97d', '00000000-0000-0000-0000-00000000c000');
INSERT INTO counterfoil.person_word VALUES ('00000000-0000-0000-0000-0000000000f1', '\xbfbdfdd8f06b1a9c5a1d94d308659b357e9a68ff5e9c2d54885630d67945e4a0', '00000000-0000-0000-0000-00000000c000');
INSERT INTO counterfoil.person_word VALUES ('00000000-0000-0000-0000-0000000000f1', '\x19ad06ec26fdabe825c9327f9c95cab89a09e81944a7777bdd460dee8a6b3bc0', '00000000-0000-0000-0000-00000000c001');
INSERT INTO counterfoil.person_word VALUES ('00000000-0000-0000-0000-0000000000f1', '\xbfbdfdd8f06b1a9c5a1d94d308659b357e9a68ff5e9c2d54885630d67945e4a0', '00000000-0000-0000-0000-00000000c001');

INSERT INTO counterfoil.projection VALUES ('00000000-0000-0000-0000-0000000000f1', 1, 83, true);

INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0dbc-73e9-930c-e228bfa4b69a', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a312c2273747265616d73223a5b5b226669726d222c315d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0ddc-77ca-b768-428ff3a7a806', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a322c2273747265616d73223a5b5b226669726d222c325d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0def-7489-88d1-0033367f3500', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a332c2273747265616d73223a5b5b226669726d222c335d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0df3-7583-b6f1-386c864103e1', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a342c2273747265616d73223a5b5b226669726d222c345d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0df7-72b7-98ea-a20f4cda48c8', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a352c2273747265616d73223a5b5b226669726d222c355d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0df8-75b6-b46f-a7323c1e11e8', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a362c2273747265616d73223a5b5b226669726d222c365d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0dfb-778c-8bb0-5c2e08754e57', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a372c2273747265616d73223a5b5b226669726d222c375d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0dff-743d-93fa-40a1ee85c00d', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a382c2273747265616d73223a5b5b226669726d222c385d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e07-75fe-bfa9-0f04f2d6c9b1', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a392c2273747265616d73223a5b5b226669726d222c395d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e0b-774e-a9f4-f6913825c9c7', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31302c2273747265616d73223a5b5b226669726d222c31305d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e0f-70d7-bf70-232730495be0', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31312c2273747265616d73223a5b5b226669726d222c31315d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e10-73f3-ba49-7dae9ef512da', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31322c2273747265616d73223a5b5b226669726d222c31325d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e11-73bf-b566-014a67f0f960', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31332c2273747265616d73223a5b5b226669726d222c31335d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e17-76f2-8bfc-759dbaac1197', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31342c2273747265616d73223a5b5b226669726d222c31345d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e1f-7494-b074-158aa93a4237', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31352c2273747265616d73223a5b5b226669726d222c31355d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e23-7116-b64f-7804e86945e1', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31362c2273747265616d73223a5b5b226669726d222c31365d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e27-7480-a615-f9cb9faacc3f', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31372c2273747265616d73223a5b5b226669726d222c31375d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e2b-779f-a4fd-122f9d888374', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31382c2273747265616d73223a5b5b226669726d222c31385d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e2f-7506-b9dc-b2bb39943303', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a31392c2273747265616d73223a5b5b226669726d222c31395d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e33-70f7-9774-ad93414b718e', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a32302c2273747265616d73223a5b5b226669726d222c32305d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e37-7021-8d52-42c9979241f1', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a32312c2273747265616d73223a5b5b226669726d222c32315d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e3f-7490-a14e-c51f42b49ae1', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a32322c2273747265616d73223a5b5b226669726d222c32325d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e43-7377-8d8a-e0a97d721773', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a32332c2273747265616d73223a5b5b226669726d222c32335d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e4b-77ce-812d-c96234611243', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a32362c226669727374223a32342c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c32345d2c5b226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c325d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e4b-77ce-812d-c963c95e0c3b', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a32362c226669727374223a35302c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c32345d2c5b226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c325d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e5f-7332-beb3-878c5d7283d6', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a342c226669727374223a37362c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c32385d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e67-74e2-ac86-a12970deb5be', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a38302c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c32355d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e6f-738f-ae1d-eec5d9a66187', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a312c226669727374223a38312c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303031222c32365d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e77-76f3-8c7a-cd25d8baf38b', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b226163636570746564223a7b22636f756e74223a322c226669727374223a38322c2273747265616d73223a5b5b22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c32395d2c5b226163636f756e742f30303030303030302d303030302d303030302d303030302d303030303030303063303030222c335d5d7d2c2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030307d');
INSERT INTO counterfoil.request_5 VALUES ('00000000-0000-0000-0000-0000000000f1', '01a22d37-0e73-70b2-944e-25abc65f3fe9', '2025-04-07 17:00:00+00', '\xe0dc180638ce101a5dd236dc104b7b7982eafa62a750766a57838916d7ab8c69', '\x7b2266696e6765727072696e74223a2265306463313830363338636531303161356464323336646331303462376237393832656166613632613735303736366135373833383931366437616238633639222c227265636f726465645f6174223a313734343034353230303030303030302c2272656675736564223a7b22616374696f6e223a302c22726561736f6e223a22434153455f554e4b4e4f574e222c2276696f6c6174696f6e73223a5b7b226369746573223a22222c2264657461696c223a226e6f626f64792068617320656e726f6c6c656420756e64657220746869732063617365222c2272756c65223a22636173655f756e6b6e6f776e222c227375626a656374223a22636173652f30303030303030302d303030302d303030302d303030302d303030303030303063303464227d5d7d7d');

ALTER TABLE ONLY counterfoil._sqlx_migrations
    ADD CONSTRAINT _sqlx_migrations_pkey PRIMARY KEY (version);

ALTER TABLE ONLY counterfoil.account
    ADD CONSTRAINT account_pkey PRIMARY KEY (firm, generation, account_id);

ALTER TABLE ONLY counterfoil.case_status
    ADD CONSTRAINT case_status_pkey PRIMARY KEY (firm, generation, case_id);

ALTER TABLE ONLY counterfoil.checkpoint
    ADD CONSTRAINT checkpoint_firm_previous_size_key UNIQUE (firm, previous_size);

ALTER TABLE ONLY counterfoil.checkpoint
    ADD CONSTRAINT checkpoint_pkey PRIMARY KEY (firm, size);

ALTER TABLE ONLY counterfoil.clock
    ADD CONSTRAINT clock_pkey PRIMARY KEY (firm, generation, case_id, clock, bureau, round, item, nth);

ALTER TABLE ONLY counterfoil.cosignature
    ADD CONSTRAINT cosignature_pkey PRIMARY KEY (firm, size, signature);

ALTER TABLE ONLY counterfoil.couple_card
    ADD CONSTRAINT couple_card_pkey PRIMARY KEY (firm, generation, account_id);

ALTER TABLE ONLY counterfoil.couple_contact
    ADD CONSTRAINT couple_contact_pkey PRIMARY KEY (firm, generation, case_id);

ALTER TABLE ONLY counterfoil.deposit
    ADD CONSTRAINT deposit_pkey PRIMARY KEY (firm, generation, deposit_id);

ALTER TABLE ONLY counterfoil.event
    ADD CONSTRAINT event_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_0
    ADD CONSTRAINT event_0_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event
    ADD CONSTRAINT event_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_0
    ADD CONSTRAINT event_0_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event
    ADD CONSTRAINT event_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_0
    ADD CONSTRAINT event_0_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_1
    ADD CONSTRAINT event_1_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_1
    ADD CONSTRAINT event_1_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_1
    ADD CONSTRAINT event_1_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_2
    ADD CONSTRAINT event_2_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_2
    ADD CONSTRAINT event_2_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_2
    ADD CONSTRAINT event_2_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_3
    ADD CONSTRAINT event_3_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_3
    ADD CONSTRAINT event_3_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_3
    ADD CONSTRAINT event_3_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_4
    ADD CONSTRAINT event_4_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_4
    ADD CONSTRAINT event_4_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_4
    ADD CONSTRAINT event_4_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_5
    ADD CONSTRAINT event_5_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_5
    ADD CONSTRAINT event_5_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_5
    ADD CONSTRAINT event_5_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_6
    ADD CONSTRAINT event_6_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_6
    ADD CONSTRAINT event_6_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_6
    ADD CONSTRAINT event_6_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.event_7
    ADD CONSTRAINT event_7_firm_event_id_key UNIQUE (firm, event_id);

ALTER TABLE ONLY counterfoil.event_7
    ADD CONSTRAINT event_7_firm_stream_stream_version_key UNIQUE (firm, stream, stream_version);

ALTER TABLE ONLY counterfoil.event_7
    ADD CONSTRAINT event_7_pkey PRIMARY KEY (firm, "position");

ALTER TABLE ONLY counterfoil.evidence
    ADD CONSTRAINT evidence_pkey PRIMARY KEY (firm, person, name);

ALTER TABLE ONLY counterfoil.exception
    ADD CONSTRAINT exception_pkey PRIMARY KEY (firm, generation, case_id, source, kind, subject);

ALTER TABLE ONLY counterfoil.exposure
    ADD CONSTRAINT exposure_pkey PRIMARY KEY (firm, generation, case_id, source, "position");

ALTER TABLE ONLY counterfoil.held_fee
    ADD CONSTRAINT held_fee_pkey PRIMARY KEY (firm, generation, case_id, period);

ALTER TABLE ONLY counterfoil.invoice
    ADD CONSTRAINT invoice_pkey PRIMARY KEY (firm, generation, account_id, number);

ALTER TABLE ONLY counterfoil.journal_entry
    ADD CONSTRAINT journal_entry_pkey PRIMARY KEY (firm, generation, "position");

ALTER TABLE ONLY counterfoil.journal_line
    ADD CONSTRAINT journal_line_pkey PRIMARY KEY (firm, generation, "position", line);

ALTER TABLE ONLY counterfoil.log_head
    ADD CONSTRAINT log_head_pkey PRIMARY KEY (firm);

ALTER TABLE ONLY counterfoil.money_back
    ADD CONSTRAINT money_back_pkey PRIMARY KEY (firm, generation, account_id, reference);

ALTER TABLE ONLY counterfoil.movement
    ADD CONSTRAINT movement_pkey PRIMARY KEY (firm, generation, account_id, kind, name);

ALTER TABLE ONLY counterfoil.payment
    ADD CONSTRAINT payment_pkey PRIMARY KEY (firm, generation, account_id, payment);

ALTER TABLE ONLY counterfoil.person
    ADD CONSTRAINT person_pkey PRIMARY KEY (firm, person);

ALTER TABLE ONLY counterfoil.person_word
    ADD CONSTRAINT person_word_pkey PRIMARY KEY (firm, word_key, person);

ALTER TABLE ONLY counterfoil.projection
    ADD CONSTRAINT projection_pkey PRIMARY KEY (firm, generation);

ALTER TABLE ONLY counterfoil.refused_link
    ADD CONSTRAINT refused_link_pkey PRIMARY KEY (firm, generation, account_id, member);

ALTER TABLE ONLY counterfoil.request
    ADD CONSTRAINT request_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_0
    ADD CONSTRAINT request_0_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_1
    ADD CONSTRAINT request_1_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_2
    ADD CONSTRAINT request_2_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_3
    ADD CONSTRAINT request_3_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_4
    ADD CONSTRAINT request_4_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_5
    ADD CONSTRAINT request_5_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_6
    ADD CONSTRAINT request_6_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.request_7
    ADD CONSTRAINT request_7_pkey PRIMARY KEY (firm, request_id);

ALTER TABLE ONLY counterfoil.signing_key
    ADD CONSTRAINT signing_key_pkey PRIMARY KEY (firm, key_id);

ALTER TABLE ONLY counterfoil.snapshot
    ADD CONSTRAINT snapshot_pkey PRIMARY KEY (firm, stream);

ALTER TABLE ONLY counterfoil.suggested_link
    ADD CONSTRAINT suggested_link_pkey PRIMARY KEY (firm, generation, account_id, member);

ALTER TABLE ONLY counterfoil.tile
    ADD CONSTRAINT tile_pkey PRIMARY KEY (firm, level, tile_index);

ALTER TABLE ONLY counterfoil.witness_key
    ADD CONSTRAINT witness_key_pkey PRIMARY KEY (firm, verifier_key);

CREATE INDEX case_status_due ON counterfoil.case_status USING btree (firm, generation, COALESCE(next_due_on, '9999-12-31'::date), case_id);

CREATE INDEX case_status_enrolled ON counterfoil.case_status USING btree (firm, generation, enrolled_on, case_id);

CREATE INDEX case_status_period_end ON counterfoil.case_status USING btree (firm, generation, next_period_end, case_id) WHERE (next_period_end IS NOT NULL);

CREATE INDEX clock_running ON counterfoil.clock USING btree (firm, generation, due_on) WHERE (done_on IS NULL);

CREATE INDEX deposit_position ON counterfoil.deposit USING btree (firm, generation, "position");

CREATE INDEX exception_position ON counterfoil.exception USING btree (firm, generation, "position");

CREATE INDEX exposure_position ON counterfoil.exposure USING btree (firm, generation, "position");

CREATE INDEX invoice_charge_waiting ON counterfoil.invoice USING btree (firm, generation, number) WHERE (charge_asked_at IS NOT NULL);

CREATE INDEX invoice_number ON counterfoil.invoice USING btree (firm, generation, number);

CREATE INDEX invoice_state ON counterfoil.invoice USING btree (firm, generation, state, number);

CREATE INDEX journal_entry_account ON counterfoil.journal_entry USING btree (firm, generation, account_id, posted_on, "position");

CREATE INDEX journal_entry_posted ON counterfoil.journal_entry USING btree (firm, generation, posted_on, "position");

CREATE INDEX journal_line_receivable ON counterfoil.journal_line USING btree (firm, generation, account_id, invoice, posted_on, amount_minor) WHERE (book_account = 'receivable'::text);

CREATE INDEX money_back_reference ON counterfoil.money_back USING btree (firm, generation, reference);

CREATE INDEX movement_name ON counterfoil.movement USING btree (firm, generation, name, "position");

CREATE INDEX movement_position ON counterfoil.movement USING btree (firm, generation, "position");

CREATE INDEX payment_name ON counterfoil.payment USING btree (firm, generation, payment);

CREATE INDEX payment_position ON counterfoil.payment USING btree (firm, generation, "position");

CREATE INDEX person_address ON counterfoil.person USING btree (firm, address_key) WHERE (address_key IS NOT NULL);

CREATE INDEX person_incomplete ON counterfoil.person USING btree (firm, person) WHERE (NOT complete);

CREATE INDEX person_phone ON counterfoil.person USING btree (firm, phone_key) WHERE (phone_key IS NOT NULL);

CREATE INDEX person_word_person ON counterfoil.person_word USING btree (firm, person);

CREATE UNIQUE INDEX projection_active ON counterfoil.projection USING btree (firm) WHERE active;

CREATE UNIQUE INDEX signing_key_in_force ON counterfoil.signing_key USING btree (firm) WHERE (retired_at IS NULL);

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_0_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_0_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_0_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_1_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_1_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_1_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_2_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_2_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_2_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_3_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_3_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_3_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_4_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_4_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_4_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_5_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_5_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_5_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_6_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_6_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_6_pkey;

ALTER INDEX counterfoil.event_firm_event_id_key ATTACH PARTITION counterfoil.event_7_firm_event_id_key;

ALTER INDEX counterfoil.event_firm_stream_stream_version_key ATTACH PARTITION counterfoil.event_7_firm_stream_stream_version_key;

ALTER INDEX counterfoil.event_pkey ATTACH PARTITION counterfoil.event_7_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_0_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_1_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_2_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_3_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_4_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_5_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_6_pkey;

ALTER INDEX counterfoil.request_pkey ATTACH PARTITION counterfoil.request_7_pkey;

CREATE TRIGGER goes_with_its_client BEFORE DELETE ON counterfoil.evidence FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_while_client_is_kept();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.checkpoint FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.cosignature FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.event FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE UPDATE ON counterfoil.evidence FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.request FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.tile FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_changed BEFORE DELETE OR UPDATE ON counterfoil.witness_key FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_deleted BEFORE DELETE ON counterfoil.log_head FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_deleted BEFORE DELETE ON counterfoil.signing_key FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.checkpoint FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.cosignature FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_0 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_1 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_2 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_3 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_4 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_5 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_6 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.event_7 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.evidence FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.log_head FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_0 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_1 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_2 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_3 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_4 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_5 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_6 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.request_7 FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.signing_key FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.tile FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER is_never_emptied BEFORE TRUNCATE ON counterfoil.witness_key FOR EACH STATEMENT EXECUTE FUNCTION counterfoil.refuse_change();

CREATE TRIGGER only_ends BEFORE UPDATE ON counterfoil.signing_key FOR EACH ROW EXECUTE FUNCTION counterfoil.refuse_other_key();

CREATE TRIGGER words_change AFTER UPDATE OF word_keys ON counterfoil.person FOR EACH ROW WHEN ((new.word_keys IS DISTINCT FROM old.word_keys)) EXECUTE FUNCTION counterfoil.keep_words();

CREATE TRIGGER words_come_and_go AFTER INSERT OR DELETE ON counterfoil.person FOR EACH ROW EXECUTE FUNCTION counterfoil.keep_words();

ALTER TABLE counterfoil.account ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.case_status ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.checkpoint ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.clock ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.cosignature ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.couple_card ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.couple_contact ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.deposit ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.event ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.evidence ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.exception ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.exposure ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.held_fee ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.invoice ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.journal_entry ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.journal_line ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.money_back ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.movement ENABLE ROW LEVEL SECURITY;

CREATE POLICY of_named_firm ON counterfoil.account TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.case_status TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.checkpoint TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.clock TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.cosignature TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.couple_card TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.couple_contact TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.deposit TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.event TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.evidence TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.exception TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.exposure TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.held_fee TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.invoice TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.journal_entry TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.journal_line TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.money_back TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.movement TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.payment TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.person TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.person_word TO counterfoil_service USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.projection TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.refused_link TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.request TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.signing_key TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.snapshot TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.suggested_link TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.tile TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

CREATE POLICY of_named_firm ON counterfoil.witness_key TO counterfoil_service, counterfoil_reader USING ((firm = counterfoil.named_firm()));

ALTER TABLE counterfoil.payment ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.person ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.person_word ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.projection ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.refused_link ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.request ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.signing_key ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.snapshot ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.suggested_link ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.tile ENABLE ROW LEVEL SECURITY;

ALTER TABLE counterfoil.witness_key ENABLE ROW LEVEL SECURITY;

GRANT USAGE ON SCHEMA counterfoil TO counterfoil_service;
GRANT USAGE ON SCHEMA counterfoil TO counterfoil_reader;

REVOKE ALL ON FUNCTION counterfoil.logged_firms() FROM PUBLIC;
GRANT ALL ON FUNCTION counterfoil.logged_firms() TO counterfoil_service;
GRANT ALL ON FUNCTION counterfoil.logged_firms() TO counterfoil_reader;

GRANT SELECT ON TABLE counterfoil._sqlx_migrations TO counterfoil_reader;
GRANT SELECT ON TABLE counterfoil._sqlx_migrations TO counterfoil_service;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.account TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.account TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.case_status TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.case_status TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.checkpoint TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.checkpoint TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.clock TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.clock TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.cosignature TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.cosignature TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.couple_card TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.couple_card TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.couple_contact TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.couple_contact TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.deposit TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.deposit TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.event TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.event TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE ON TABLE counterfoil.evidence TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.evidence TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.exception TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.exception TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.exposure TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.exposure TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.held_fee TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.held_fee TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.invoice TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.invoice TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.journal_entry TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.journal_entry TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.journal_line TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.journal_line TO counterfoil_reader;

GRANT SELECT,INSERT,UPDATE ON TABLE counterfoil.log_head TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.log_head TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.money_back TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.money_back TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.movement TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.movement TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.payment TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.payment TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.person TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.person TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE ON TABLE counterfoil.person_word TO counterfoil_service;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.projection TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.projection TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.refused_link TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.refused_link TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.request TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.request TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.signing_key TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.signing_key TO counterfoil_reader;

GRANT UPDATE(retired_at) ON TABLE counterfoil.signing_key TO counterfoil_service;

GRANT UPDATE(revoked_at) ON TABLE counterfoil.signing_key TO counterfoil_service;

GRANT UPDATE(sealed_private) ON TABLE counterfoil.signing_key TO counterfoil_service;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.snapshot TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.snapshot TO counterfoil_reader;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE counterfoil.suggested_link TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.suggested_link TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.tile TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.tile TO counterfoil_reader;

GRANT SELECT,INSERT ON TABLE counterfoil.witness_key TO counterfoil_service;
GRANT SELECT ON TABLE counterfoil.witness_key TO counterfoil_reader;

