-- What puts the money of an account in the order of its days has an entry on each day that it changes: an entry is named by
-- its event and its day. The read model begins anew: the service fills it again from the log.
TRUNCATE case_status, invoice, clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
ALTER TABLE journal_entry DROP CONSTRAINT journal_entry_pkey;
ALTER TABLE journal_entry ADD PRIMARY KEY (firm, generation, position, posted_on);
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;
