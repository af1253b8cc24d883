-- What comes within 45 days, and what a client stopped, is listed of every case. The rows of before have neither, so the read
-- model begins anew: the service fills it again from the log.
TRUNCATE case_status, invoice, clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;
