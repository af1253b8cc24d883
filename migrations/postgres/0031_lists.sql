-- What an exposure is made of is read from the client's own facts, as they stand where its row was read: the row keeps what lists
-- choose and months sum. Each list gets an index in its own order, so that a page costs what it shows however much does not
-- belong to it.
ALTER TABLE exposure
    DROP COLUMN event_id, DROP COLUMN amount_minor, DROP COLUMN period, DROP COLUMN cites;

DROP INDEX exposure_position;
CREATE INDEX exposure_found ON exposure (firm, generation, found_on, position);
CREATE INDEX exposure_kind ON exposure (firm, generation, kind, found_on, position);

DROP INDEX exception_position;
CREATE INDEX exception_kind ON exception (firm, generation, kind, position, subject);

-- Few accounts of many, and few invoices.
CREATE INDEX account_open ON account (firm, generation, account_id) WHERE open_minor > 0;
CREATE INDEX invoice_charge ON invoice (firm, generation, number) WHERE charge_on IS NOT NULL;
CREATE INDEX case_status_bound ON case_status (firm, generation, case_id) WHERE charge_rule = 'authorization';
