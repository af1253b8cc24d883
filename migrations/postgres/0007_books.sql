-- The books. Like every read model they follow from the log: after this migration a rebuild fills
-- them for what was recorded before it.

-- One entry for each event that moves money, named by its position.
CREATE TABLE journal_entry (
    firm        uuid             NOT NULL,
    generation  bigint           NOT NULL,
    position    bigint           NOT NULL,
    kind        text COLLATE "C" NOT NULL,
    event_id    uuid             NOT NULL,
    posted_on   date             NOT NULL,
    occurred_on date             NOT NULL,
    recorded_at timestamptz NOT NULL,
    account_id  uuid,
    deposit_id  uuid,
    reference   text COLLATE "C",
    reverses    uuid,
    PRIMARY KEY (firm, generation, position)
);

CREATE INDEX journal_entry_posted ON journal_entry (firm, generation, posted_on, position);

-- Debits above zero, credits below; the lines of an entry sum to zero.
CREATE TABLE journal_line (
    firm         uuid             NOT NULL,
    generation   bigint           NOT NULL,
    position     bigint           NOT NULL,
    line         bigint           NOT NULL,
    book_account text COLLATE "C" NOT NULL,
    posted_on    date             NOT NULL,
    amount_minor bigint           NOT NULL CHECK (amount_minor <> 0),
    account_id   uuid,
    invoice      bigint,
    plan         text COLLATE "C",
    PRIMARY KEY (firm, generation, position, line)
);

-- Lines of bank statements, and payouts of the card processor.
CREATE TABLE deposit (
    firm          uuid             NOT NULL,
    generation    bigint           NOT NULL,
    deposit_id    uuid             NOT NULL,
    status        text COLLATE "C" NOT NULL CHECK (status IN ('open', 'matched', 'joined', 'booked', 'payout')),
    booked_on     date             NOT NULL,
    currency      text COLLATE "C" NOT NULL,
    amount_minor  bigint           NOT NULL,
    bank          text COLLATE "C",
    payout        text COLLATE "C",
    gross_minor   bigint,
    costs_minor   bigint,
    refs          text COLLATE "C" NOT NULL,
    return_reason text COLLATE "C",
    matched_to    uuid,
    match_rule    text COLLATE "C",
    movements     bigint,
    purpose       text COLLATE "C",
    note          text COLLATE "C",
    position      bigint           NOT NULL,
    last_position bigint           NOT NULL,
    PRIMARY KEY (firm, generation, deposit_id)
);

CREATE INDEX deposit_position ON deposit (firm, generation, position);

-- Money of clients on its way through the card processor: what stands behind deposits.
CREATE TABLE movement (
    firm         uuid             NOT NULL,
    generation   bigint           NOT NULL,
    account_id   uuid             NOT NULL,
    kind         text COLLATE "C" NOT NULL CHECK (kind IN ('payment', 'refund', 'chargeback', 'chargeback_won')),
    name         text COLLATE "C" NOT NULL,
    happened_on  date             NOT NULL,
    currency     text COLLATE "C" NOT NULL,
    amount_minor bigint           NOT NULL,
    deposit_id   uuid,
    position     bigint           NOT NULL,
    PRIMARY KEY (firm, generation, account_id, kind, name)
);

CREATE INDEX movement_position ON movement (firm, generation, position);
CREATE INDEX movement_name ON movement (firm, generation, name);

-- The grants of the service and of whoever only reads, and the fence between firms.
DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['journal_entry', 'journal_line', 'deposit', 'movement'] LOOP
        EXECUTE format('GRANT INSERT, SELECT, UPDATE, DELETE ON %I TO counterfoil_service', fenced);
        EXECUTE format('GRANT SELECT ON %I TO counterfoil_reader', fenced);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service, counterfoil_reader '
            'USING (firm = named_firm())', fenced);
    END LOOP;
END
$$;
