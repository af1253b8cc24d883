-- What puts the money of an account in the order of its days has an entry on each day that it changes: an entry is named by
-- its event and its day. The read model begins anew: the service fills it again from the log.
DROP TABLE journal_entry;

CREATE TABLE journal_entry (
    firm        BLOB    NOT NULL,
    generation  INTEGER NOT NULL,
    position    INTEGER NOT NULL,
    posted_on   TEXT    NOT NULL,
    kind        TEXT    NOT NULL,
    event_id    BLOB    NOT NULL,
    occurred_on TEXT    NOT NULL,
    recorded_at INTEGER NOT NULL,
    account_id  BLOB,
    deposit_id  BLOB,
    reference   TEXT,
    reverses    BLOB,
    PRIMARY KEY (firm, generation, position, posted_on)
) STRICT, WITHOUT ROWID;

CREATE INDEX journal_entry_posted ON journal_entry (firm, generation, posted_on, position);
CREATE INDEX journal_entry_account
    ON journal_entry (firm, generation, account_id, posted_on, position);

DELETE FROM case_status;
DELETE FROM invoice;
DELETE FROM clock;
DELETE FROM held_fee;
DELETE FROM couple_contact;
DELETE FROM couple_card;
DELETE FROM suggested_link;
DELETE FROM refused_link;
DELETE FROM account;
DELETE FROM payment;
DELETE FROM money_back;
DELETE FROM exposure;
DELETE FROM exception;
DELETE FROM journal_line;
DELETE FROM deposit;
DELETE FROM movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE active WHEN 1 THEN 0 ELSE -1 END;
