-- Since when a charge waits for its answer, and which event asked for it. Rows of before do not say until
-- they are rebuilt or the charge is answered.
ALTER TABLE invoice ADD COLUMN charge_asked_on date;
ALTER TABLE invoice ADD COLUMN charge_asked_at bigint;
CREATE INDEX invoice_charge_waiting ON invoice (firm, generation, number) WHERE charge_waiting IS NOT NULL;
