-- The read model becomes an index: what no query filters by, sorts by or shows is dropped, and cases are listed from
-- their rows alone. The rows of before do not say what the new columns do, so they are dropped as well and the
-- projection begins anew: the service fills it again from the log, and answers meanwhile say how far it is.
DROP TABLE firm;
DROP TABLE readiness_step;
DROP TABLE listing;
DROP TABLE round_letter;
DROP TABLE score;
DROP TABLE invoice_line;
DROP TABLE case_status;
DROP TABLE invoice;
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
DELETE FROM journal_entry;
DELETE FROM journal_line;
DELETE FROM deposit;
DELETE FROM movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE active WHEN 1 THEN 0 ELSE -1 END;

CREATE TABLE case_status (
    firm            BLOB    NOT NULL,
    generation      INTEGER NOT NULL,
    case_id         BLOB    NOT NULL,
    state           TEXT    NOT NULL
        CHECK (state IN ('enrolled', 'signed', 'open', 'paused', 'ended', 'cancelled')),
    plan            TEXT    NOT NULL,
    seat            TEXT    NOT NULL CHECK (seat IN ('individual', 'couple')),
    name_sealed     TEXT,
    enrolled_on     TEXT    NOT NULL,
    service_from    TEXT,
    steps_done      INTEGER NOT NULL,
    open_period     INTEGER,
    next_period_end TEXT,
    periods_earned  INTEGER NOT NULL,
    exposures       INTEGER NOT NULL,
    listed          INTEGER NOT NULL,
    deleted         INTEGER NOT NULL,
    disputable      INTEGER NOT NULL,
    rounds          INTEGER NOT NULL,
    round_from      TEXT,
    next_due_on     TEXT,
    version         INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
) STRICT, WITHOUT ROWID;

-- What is over and not billed is few cases of many, unless nobody bills.
CREATE INDEX case_status_period_end ON case_status (firm, generation, next_period_end, case_id)
    WHERE next_period_end IS NOT NULL;
CREATE INDEX case_status_due
    ON case_status (firm, generation, COALESCE(next_due_on, '9999-12-31'), case_id);
CREATE INDEX case_status_enrolled ON case_status (firm, generation, enrolled_on, case_id);

CREATE TABLE invoice (
    firm            BLOB    NOT NULL,
    generation      INTEGER NOT NULL,
    account_id      BLOB    NOT NULL,
    number          INTEGER NOT NULL,
    due_on          TEXT    NOT NULL,
    open_minor      INTEGER NOT NULL,
    state           TEXT    NOT NULL CHECK (state IN ('open', 'paid', 'closed')),
    charge_on       TEXT,
    charge_asked_on TEXT,
    charge_asked_at INTEGER,
    PRIMARY KEY (firm, generation, account_id, number)
) STRICT, WITHOUT ROWID;

CREATE INDEX invoice_number ON invoice (firm, generation, number);
CREATE INDEX invoice_state ON invoice (firm, generation, state, number);
CREATE INDEX invoice_charge_waiting ON invoice (firm, generation, number) WHERE charge_asked_at IS NOT NULL;

ALTER TABLE account DROP COLUMN invoices;
ALTER TABLE account DROP COLUMN version;
ALTER TABLE account DROP COLUMN last_position;
ALTER TABLE held_fee DROP COLUMN gates;
ALTER TABLE held_fee DROP COLUMN start_on;
ALTER TABLE exposure DROP COLUMN returned_minor;
ALTER TABLE exposure DROP COLUMN late;
ALTER TABLE deposit DROP COLUMN last_position;
ALTER TABLE payment DROP COLUMN received_on;
ALTER TABLE payment DROP COLUMN currency;
ALTER TABLE payment DROP COLUMN amount_minor;
ALTER TABLE payment DROP COLUMN unearned_minor;
ALTER TABLE payment DROP COLUMN returned_minor;
DROP INDEX money_back_position;
ALTER TABLE money_back DROP COLUMN payment;
ALTER TABLE money_back DROP COLUMN happened_on;
ALTER TABLE money_back DROP COLUMN currency;
ALTER TABLE money_back DROP COLUMN amount_minor;
ALTER TABLE money_back DROP COLUMN position;
