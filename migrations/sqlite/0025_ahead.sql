-- What comes within 45 days, and what a client stopped, is listed of every case. The rows of before have neither, so the read
-- model begins anew: the service fills it again from the log.
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
