-- What clients are found by: keyed hashes of the words of their names beside those of telephone and
-- address, and of the card on file, which had lain as a plain hash in the read model. All of it goes with
-- the person's row. `complete` says that nothing is missing; rows from before are filled in by the program,
-- which has the keys.
ALTER TABLE person
    ADD COLUMN card_key bytea CHECK (octet_length(card_key) = 32),
    ADD COLUMN word_keys bytea CHECK (octet_length(word_keys) % 32 = 0 AND octet_length(word_keys) <= 384),
    ADD COLUMN complete boolean NOT NULL DEFAULT TRUE;
UPDATE person SET complete = FALSE WHERE phone_key IS NOT NULL;
CREATE INDEX person_incomplete ON person (firm, person) WHERE NOT complete;

-- The words, one a row: an index of person, kept by the database itself.
CREATE TABLE person_word (
    firm     uuid  NOT NULL,
    word_key bytea NOT NULL CHECK (octet_length(word_key) = 32),
    person   uuid  NOT NULL,
    PRIMARY KEY (firm, word_key, person)
);

CREATE INDEX person_word_person ON person_word (firm, person);

CREATE FUNCTION keep_words() RETURNS trigger LANGUAGE plpgsql SET search_path FROM CURRENT AS $$
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

CREATE TRIGGER words_come_and_go AFTER INSERT OR DELETE ON person
    FOR EACH ROW EXECUTE FUNCTION keep_words();
CREATE TRIGGER words_change AFTER UPDATE OF word_keys ON person
    FOR EACH ROW WHEN (NEW.word_keys IS DISTINCT FROM OLD.word_keys) EXECUTE FUNCTION keep_words();

GRANT INSERT, SELECT, DELETE ON person_word TO counterfoil_service;
ALTER TABLE person_word ENABLE ROW LEVEL SECURITY;
CREATE POLICY of_named_firm ON person_word TO counterfoil_service USING (firm = named_firm());

-- Truncated, so that no page keeps what the column held; rows are of the read model and come back.
CREATE TABLE kept AS SELECT firm, generation, account_id FROM couple_card;
TRUNCATE couple_card;
ALTER TABLE couple_card DROP COLUMN card_key;
INSERT INTO couple_card (firm, generation, account_id) SELECT firm, generation, account_id FROM kept;
DROP TABLE kept;
