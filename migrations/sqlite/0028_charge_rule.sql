-- What stands before charges of a client's card beside the gates: a signed authorization and its notices, or a death. The rows of
-- before do not say it, so the read model begins anew: the service fills it again from the log.
ALTER TABLE case_status ADD COLUMN charge_rule TEXT NOT NULL DEFAULT 'nothing'
    CHECK (charge_rule IN ('nothing', 'authorization', 'death'));
-- Clients who died are few of many.
CREATE INDEX case_status_died ON case_status (firm, generation, case_id) WHERE charge_rule = 'death';
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
DELETE FROM journal_entry;
DELETE FROM journal_line;
DELETE FROM deposit;
DELETE FROM movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE active WHEN 1 THEN 0 ELSE -1 END;
