-- What waits for a person says what is owed of an exposed fee and what of it is kept, and no more that what is owed is all
-- that was collected. The rows of before say otherwise, so the read model begins anew: the service fills it again from the log.
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
