-- What waits for a person says what is owed of an exposed fee and what of it is kept, and no more that what is owed is all
-- that was collected. The rows of before say otherwise, so the read model begins anew: the service fills it again from the log.
TRUNCATE case_status, invoice, clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;
