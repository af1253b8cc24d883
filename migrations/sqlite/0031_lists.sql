-- What an exposure is made of is read from the client's own facts, as they stand where its row was read: the row keeps what lists
-- choose and months sum. Each list gets an index in its own order, so that a page costs what it shows however much does not
-- belong to it.
ALTER TABLE exposure DROP COLUMN event_id;
ALTER TABLE exposure DROP COLUMN amount_minor;
ALTER TABLE exposure DROP COLUMN period;
ALTER TABLE exposure DROP COLUMN cites;

DROP INDEX exposure_position;
CREATE INDEX exposure_found ON exposure (firm, generation, found_on, position);
CREATE INDEX exposure_case ON exposure (firm, generation, case_id, found_on, position);
CREATE INDEX exposure_kind ON exposure (firm, generation, kind, found_on, position);

DROP INDEX exception_position;
CREATE INDEX exception_kind ON exception (firm, generation, kind, position, subject);

-- Few invoices of many, and few clients. What is the same for all of them stands before what they are listed by: without it the key of
-- the table would be as good, and that goes through everybody.
CREATE INDEX invoice_charge ON invoice (firm, generation, number) WHERE charge_on IS NOT NULL;
DROP INDEX case_status_died;
CREATE INDEX case_status_died ON case_status (firm, generation, charge_rule, case_id) WHERE charge_rule = 'death';
CREATE INDEX case_status_signed ON case_status (firm, generation, state, case_id) WHERE state = 'signed';
CREATE INDEX case_status_round ON case_status (firm, generation, state, round_from, case_id)
    WHERE state = 'open' AND round_from IS NOT NULL;
