-- The read model becomes an index: what no query filters by, sorts by or shows is dropped, and cases are listed from
-- their rows alone. The rows of before do not say what the new columns do, so they are dropped as well and the
-- projection begins anew: the service fills it again from the log, and answers meanwhile say how far it is.
DROP TABLE firm, readiness_step, listing, round_letter, score, invoice_line, case_status, invoice;
TRUNCATE clock, held_fee, couple_contact, couple_card, suggested_link, refused_link, account, payment,
    money_back, exposure, exception, journal_entry, journal_line, deposit, movement;
-- A rebuild that was begun is given up, and its number is not given to another.
UPDATE projection SET position = CASE WHEN active THEN 0 ELSE -1 END;

CREATE TABLE case_status (
    firm            uuid             NOT NULL,
    generation      bigint           NOT NULL,
    case_id         uuid             NOT NULL,
    state           text COLLATE "C" NOT NULL
        CHECK (state IN ('enrolled', 'signed', 'open', 'paused', 'ended', 'cancelled')),
    plan            text COLLATE "C" NOT NULL,
    seat            text COLLATE "C" NOT NULL CHECK (seat IN ('individual', 'couple')),
    name_sealed     text COLLATE "C",
    enrolled_on     date             NOT NULL,
    service_from    date,
    steps_done      bigint           NOT NULL,
    open_period     bigint,
    next_period_end date,
    periods_earned  bigint           NOT NULL,
    exposures       bigint           NOT NULL,
    listed          bigint           NOT NULL,
    deleted         bigint           NOT NULL,
    disputable      bigint           NOT NULL,
    rounds          bigint           NOT NULL,
    round_from      date,
    next_due_on     date,
    version         bigint           NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
);

-- What is over and not billed is few cases of many, unless nobody bills.
CREATE INDEX case_status_period_end ON case_status (firm, generation, next_period_end, case_id)
    WHERE next_period_end IS NOT NULL;
CREATE INDEX case_status_due
    ON case_status (firm, generation, COALESCE(next_due_on, DATE '9999-12-31'), case_id);
CREATE INDEX case_status_enrolled ON case_status (firm, generation, enrolled_on, case_id);

CREATE TABLE invoice (
    firm            uuid             NOT NULL,
    generation      bigint           NOT NULL,
    account_id      uuid             NOT NULL,
    number          bigint           NOT NULL,
    due_on          date             NOT NULL,
    open_minor      bigint           NOT NULL,
    state           text COLLATE "C" NOT NULL CHECK (state IN ('open', 'paid', 'closed')),
    charge_on       date,
    charge_asked_on date,
    charge_asked_at bigint,
    PRIMARY KEY (firm, generation, account_id, number)
);

CREATE INDEX invoice_number ON invoice (firm, generation, number);
CREATE INDEX invoice_state ON invoice (firm, generation, state, number);
CREATE INDEX invoice_charge_waiting ON invoice (firm, generation, number) WHERE charge_asked_at IS NOT NULL;

ALTER TABLE account DROP COLUMN invoices;
ALTER TABLE account DROP COLUMN version;
ALTER TABLE account DROP COLUMN last_position;
ALTER TABLE held_fee DROP COLUMN gates;
ALTER TABLE held_fee DROP COLUMN start_on;
ALTER TABLE exposure DROP COLUMN returned_minor;
ALTER TABLE exposure DROP COLUMN late;
ALTER TABLE deposit DROP COLUMN last_position;
ALTER TABLE payment DROP COLUMN received_on;
ALTER TABLE payment DROP COLUMN currency;
ALTER TABLE payment DROP COLUMN amount_minor;
ALTER TABLE payment DROP COLUMN unearned_minor;
ALTER TABLE payment DROP COLUMN returned_minor;
DROP INDEX money_back_position;
ALTER TABLE money_back DROP COLUMN payment;
ALTER TABLE money_back DROP COLUMN happened_on;
ALTER TABLE money_back DROP COLUMN currency;
ALTER TABLE money_back DROP COLUMN amount_minor;
ALTER TABLE money_back DROP COLUMN position;

-- The grants of the service and of whoever only reads, and the fence between firms.
DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['case_status', 'invoice'] LOOP
        EXECUTE format('GRANT INSERT, SELECT, UPDATE, DELETE ON %I TO counterfoil_service', fenced);
        EXECUTE format('GRANT SELECT ON %I TO counterfoil_reader', fenced);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service, counterfoil_reader '
            'USING (firm = named_firm())', fenced);
    END LOOP;
END
$$;
