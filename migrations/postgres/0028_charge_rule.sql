-- What stands before charges of a client's card beside the gates: a signed authorization and its notices, or a death. The rows of
-- before do not say it, so the read model begins anew: the service fills it again from the log.
ALTER TABLE case_status ADD COLUMN charge_rule TEXT COLLATE "C" NOT NULL DEFAULT 'nothing'
    CHECK (charge_rule IN ('nothing', 'authorization', 'death'));
-- Clients who died are few of many.
CREATE INDEX case_status_died ON case_status (firm, generation, case_id) WHERE charge_rule = 'death';
TRUNCATE case_status, invoice, clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;
