-- What clients are found by: keyed hashes of the words of their names beside those of telephone and
-- address, and of the card on file, which had lain as a plain hash in the read model. All of it goes with
-- the person's row. `complete` says that nothing is missing; rows from before are filled in by the program,
-- which has the keys.
PRAGMA secure_delete = ON;

ALTER TABLE person ADD COLUMN card_key BLOB CHECK (length(card_key) = 32);
ALTER TABLE person ADD COLUMN word_keys BLOB CHECK (length(word_keys) % 32 = 0 AND length(word_keys) <= 384);
ALTER TABLE person ADD COLUMN complete INTEGER NOT NULL DEFAULT 1 CHECK (complete IN (0, 1));
UPDATE person SET complete = 0 WHERE phone_key IS NOT NULL;
CREATE INDEX person_incomplete ON person (firm, person) WHERE complete = 0;

-- The words, one a row: an index of person, kept by the database itself.
CREATE TABLE person_word (
    firm     BLOB NOT NULL CHECK (length(firm) = 16),
    word_key BLOB NOT NULL CHECK (length(word_key) = 32),
    person   BLOB NOT NULL CHECK (length(person) = 16),
    PRIMARY KEY (firm, word_key, person)
) STRICT, WITHOUT ROWID;

CREATE INDEX person_word_person ON person_word (firm, person);

CREATE TRIGGER person_words_come AFTER INSERT ON person WHEN NEW.word_keys IS NOT NULL
BEGIN
    INSERT INTO person_word (firm, word_key, person)
        SELECT NEW.firm, substr(NEW.word_keys, 1 + 32 * j.value, 32), NEW.person
        FROM json_each('[0,1,2,3,4,5,6,7,8,9,10,11]') j WHERE 32 * j.value < length(NEW.word_keys);
END;

CREATE TRIGGER person_words_change AFTER UPDATE OF word_keys ON person
WHEN NEW.word_keys IS NOT OLD.word_keys
BEGIN
    DELETE FROM person_word WHERE firm = OLD.firm AND person = OLD.person;
    INSERT INTO person_word (firm, word_key, person)
        SELECT NEW.firm, substr(NEW.word_keys, 1 + 32 * j.value, 32), NEW.person
        FROM json_each('[0,1,2,3,4,5,6,7,8,9,10,11]') j WHERE 32 * j.value < length(NEW.word_keys);
END;

CREATE TRIGGER person_words_go AFTER DELETE ON person
BEGIN
    DELETE FROM person_word WHERE firm = OLD.firm AND person = OLD.person;
END;

UPDATE couple_card SET card_key = NULL;
ALTER TABLE couple_card DROP COLUMN card_key;
