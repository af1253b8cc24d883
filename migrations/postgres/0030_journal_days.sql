-- What puts the money of an account in the order of its days has an entry on each day that it changes: an entry is named by
-- its event and its day. The read model begins anew: the service fills it again from the log.
TRUNCATE case_status, invoice, clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
ALTER TABLE journal_entry DROP CONSTRAINT journal_entry_pkey;
-- The columns of the key come first.
ALTER TABLE journal_entry
    DROP COLUMN kind, DROP COLUMN event_id, DROP COLUMN occurred_on, DROP COLUMN recorded_at,
    DROP COLUMN account_id, DROP COLUMN deposit_id, DROP COLUMN reference, DROP COLUMN reverses,
    ADD COLUMN kind        text COLLATE "C" NOT NULL,
    ADD COLUMN event_id    uuid             NOT NULL,
    ADD COLUMN occurred_on date             NOT NULL,
    ADD COLUMN recorded_at timestamptz      NOT NULL,
    ADD COLUMN account_id  uuid,
    ADD COLUMN deposit_id  uuid,
    ADD COLUMN reference   text COLLATE "C",
    ADD COLUMN reverses    uuid;
ALTER TABLE journal_entry ADD PRIMARY KEY (firm, generation, position, posted_on);
CREATE INDEX journal_entry_account
    ON journal_entry (firm, generation, account_id, posted_on, position);
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;
