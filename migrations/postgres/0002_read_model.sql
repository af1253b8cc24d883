-- The read model: everything here follows from the log and can be dropped and rebuilt.
-- Keys begin with firm, generation and the stream a row is made from. Amounts are minor units. There
-- are no foreign keys: a projection step writes tables in no order of its own.
CREATE TABLE firm (
    firm             uuid             NOT NULL,
    generation       bigint           NOT NULL,
    name             text COLLATE "C" NOT NULL,
    zone             text COLLATE "C" NOT NULL,
    currency         text COLLATE "C" NOT NULL,
    transit_days     bigint           NOT NULL,
    invoice_due_days bigint           NOT NULL,
    version          bigint           NOT NULL,
    PRIMARY KEY (firm, generation)
);

CREATE TABLE case_status (
    firm            uuid             NOT NULL,
    generation      bigint           NOT NULL,
    case_id         uuid             NOT NULL,
    state           text COLLATE "C" NOT NULL
        CHECK (state IN ('enrolled', 'signed', 'open', 'paused', 'ended', 'cancelled')),
    plan            text COLLATE "C" NOT NULL,
    plan_version    bigint           NOT NULL,
    seat            text COLLATE "C" NOT NULL CHECK (seat IN ('individual', 'couple')),
    enrolled_on     date             NOT NULL,
    signed_on       date,
    service_from    date,
    steps_done      bigint           NOT NULL,
    open_period     bigint,
    next_period_end date,
    periods_earned  bigint           NOT NULL,
    earned_minor    bigint           NOT NULL,
    exposures       bigint           NOT NULL,
    disputable      bigint           NOT NULL,
    rounds          bigint           NOT NULL,
    last_round_on   date,
    letters_due_on  date,
    round_from      date,
    late_work       bigint           NOT NULL,
    version         bigint           NOT NULL,
    last_position   bigint           NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
);

-- What is over and not billed is few cases of many, unless nobody bills.
CREATE INDEX case_status_period_end ON case_status (firm, generation, next_period_end, case_id)
    WHERE next_period_end IS NOT NULL;

CREATE TABLE readiness_step (
    firm       uuid             NOT NULL,
    generation bigint           NOT NULL,
    case_id    uuid             NOT NULL,
    step       text COLLATE "C" NOT NULL,
    done_since date,
    PRIMARY KEY (firm, generation, case_id, step)
);

CREATE TABLE listing (
    firm             uuid             NOT NULL,
    generation       bigint           NOT NULL,
    case_id          uuid             NOT NULL,
    item             text COLLATE "C" NOT NULL,
    bureau           text COLLATE "C" NOT NULL,
    kind             text COLLATE "C" NOT NULL,
    furnisher        text COLLATE "C" NOT NULL,
    balance_minor    bigint,
    delinquent_since date,
    basis            text COLLATE "C",
    status           text COLLATE "C" NOT NULL,
    since_on         date             NOT NULL,
    listed_on        date             NOT NULL,
    notice_seen      boolean          NOT NULL,
    shown_on         date,
    PRIMARY KEY (firm, generation, case_id, item, bureau)
);

CREATE TABLE round_letter (
    firm           uuid             NOT NULL,
    generation     bigint           NOT NULL,
    case_id        uuid             NOT NULL,
    round          bigint           NOT NULL,
    bureau         text COLLATE "C" NOT NULL,
    sent_on        date             NOT NULL,
    mail_class     text COLLATE "C" NOT NULL,
    tracking       text COLLATE "C",
    delivered_on   date,
    information_on date,
    answered_on    date,
    items          bigint           NOT NULL,
    outcomes       bigint           NOT NULL,
    free_report    boolean          NOT NULL,
    PRIMARY KEY (firm, generation, case_id, round, bureau)
);

CREATE TABLE clock (
    firm       uuid             NOT NULL,
    generation bigint           NOT NULL,
    case_id    uuid             NOT NULL,
    clock      text COLLATE "C" NOT NULL,
    bureau     text COLLATE "C" NOT NULL,
    round      bigint           NOT NULL,
    item       text COLLATE "C" NOT NULL,
    nth        bigint           NOT NULL,
    started_on date             NOT NULL,
    due_on     date             NOT NULL,
    estimated  boolean          NOT NULL,
    done_on    date,
    PRIMARY KEY (firm, generation, case_id, clock, bureau, round, item, nth)
);

CREATE INDEX clock_running ON clock (firm, generation, due_on) WHERE done_on IS NULL;

CREATE TABLE score (
    firm               uuid             NOT NULL,
    generation         bigint           NOT NULL,
    case_id            uuid             NOT NULL,
    bureau             text COLLATE "C" NOT NULL,
    first_issued_on    date             NOT NULL,
    first_value        bigint,
    first_model        text COLLATE "C",
    latest_issued_on   date             NOT NULL,
    latest_value       bigint,
    latest_model       text COLLATE "C",
    card_balance_minor bigint,
    card_limit_minor   bigint,
    inquiries          bigint           NOT NULL,
    PRIMARY KEY (firm, generation, case_id, bureau)
);

CREATE TABLE held_fee (
    firm       uuid             NOT NULL,
    generation bigint           NOT NULL,
    case_id    uuid             NOT NULL,
    period     bigint           NOT NULL,
    gates      text COLLATE "C" NOT NULL,
    start_on   date,
    end_on     date,
    PRIMARY KEY (firm, generation, case_id, period)
);

CREATE TABLE couple_contact (
    firm        uuid   NOT NULL,
    generation  bigint NOT NULL,
    case_id     uuid   NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
);

CREATE TABLE couple_card (
    firm       uuid   NOT NULL,
    generation bigint NOT NULL,
    account_id uuid   NOT NULL,
    card_key   bytea  CHECK (octet_length(card_key) = 32),
    PRIMARY KEY (firm, generation, account_id)
);

CREATE TABLE suggested_link (
    firm       uuid    NOT NULL,
    generation bigint  NOT NULL,
    account_id uuid    NOT NULL,
    member     uuid    NOT NULL,
    since_on   date    NOT NULL,
    phone      boolean NOT NULL,
    address    boolean NOT NULL,
    card       boolean NOT NULL,
    PRIMARY KEY (firm, generation, account_id, member)
);

CREATE TABLE refused_link (
    firm       uuid   NOT NULL,
    generation bigint NOT NULL,
    account_id uuid   NOT NULL,
    member     uuid   NOT NULL,
    PRIMARY KEY (firm, generation, account_id, member)
);

CREATE TABLE account (
    firm           uuid    NOT NULL,
    generation     bigint  NOT NULL,
    account_id     uuid    NOT NULL,
    member2        uuid,
    moved_to       uuid,
    card_on_file   boolean NOT NULL,
    open_minor     bigint  NOT NULL,
    unearned_minor bigint  NOT NULL,
    invoices       bigint  NOT NULL,
    version        bigint  NOT NULL,
    last_position  bigint  NOT NULL,
    PRIMARY KEY (firm, generation, account_id)
);

CREATE TABLE invoice (
    firm               uuid             NOT NULL,
    generation         bigint           NOT NULL,
    account_id         uuid             NOT NULL,
    number             bigint           NOT NULL,
    issued_on          date             NOT NULL,
    due_on             date             NOT NULL,
    currency           text COLLATE "C" NOT NULL,
    total_minor        bigint           NOT NULL,
    paid_minor         bigint           NOT NULL,
    credited_minor     bigint           NOT NULL,
    written_off_minor  bigint           NOT NULL,
    charged_back_minor bigint           NOT NULL,
    open_minor         bigint           NOT NULL,
    status             text COLLATE "C" NOT NULL
        CHECK (status IN ('open', 'partly_paid', 'paid', 'written_off')),
    tries              bigint           NOT NULL,
    charge_waiting     bigint,
    failed             text COLLATE "C",
    charge_on          date,
    position           bigint           NOT NULL,
    PRIMARY KEY (firm, generation, account_id, number)
);

CREATE INDEX invoice_number ON invoice (firm, generation, number);

CREATE TABLE invoice_line (
    firm         uuid   NOT NULL,
    generation   bigint NOT NULL,
    account_id   uuid   NOT NULL,
    number       bigint NOT NULL,
    line         bigint NOT NULL,
    case_id      uuid   NOT NULL,
    period       bigint NOT NULL,
    start_on     date   NOT NULL,
    end_on       date   NOT NULL,
    amount_minor bigint NOT NULL,
    PRIMARY KEY (firm, generation, account_id, number, line)
);

CREATE TABLE payment (
    firm           uuid             NOT NULL,
    generation     bigint           NOT NULL,
    account_id     uuid             NOT NULL,
    payment        text COLLATE "C" NOT NULL,
    received_on    date             NOT NULL,
    currency       text COLLATE "C" NOT NULL,
    amount_minor   bigint           NOT NULL,
    unearned_minor bigint           NOT NULL,
    returned_minor bigint           NOT NULL,
    position       bigint           NOT NULL,
    PRIMARY KEY (firm, generation, account_id, payment)
);

CREATE INDEX payment_position ON payment (firm, generation, position);
CREATE INDEX payment_name ON payment (firm, generation, payment);

CREATE TABLE money_back (
    firm         uuid             NOT NULL,
    generation   bigint           NOT NULL,
    account_id   uuid             NOT NULL,
    reference    text COLLATE "C" NOT NULL,
    payment      text COLLATE "C" NOT NULL,
    happened_on  date             NOT NULL,
    currency     text COLLATE "C" NOT NULL,
    amount_minor bigint           NOT NULL,
    status       text COLLATE "C" CHECK (status IN ('open', 'won', 'lost')),
    position     bigint           NOT NULL,
    PRIMARY KEY (firm, generation, account_id, reference)
);

CREATE INDEX money_back_position ON money_back (firm, generation, position);
CREATE INDEX money_back_reference ON money_back (firm, generation, reference);

CREATE TABLE exposure (
    firm           uuid             NOT NULL,
    generation     bigint           NOT NULL,
    case_id        uuid             NOT NULL,
    source         text COLLATE "C" NOT NULL CHECK (source IN ('case', 'account')),
    position       bigint           NOT NULL,
    event_id       uuid             NOT NULL,
    kind           text COLLATE "C" NOT NULL,
    amount_minor   bigint,
    returned_minor bigint           NOT NULL,
    period         bigint,
    found_on       date             NOT NULL,
    cites          text COLLATE "C" NOT NULL,
    late           boolean          NOT NULL,
    PRIMARY KEY (firm, generation, case_id, source, position)
);

CREATE INDEX exposure_position ON exposure (firm, generation, position);

CREATE TABLE exception (
    firm       uuid             NOT NULL,
    generation bigint           NOT NULL,
    case_id    uuid             NOT NULL,
    source     text COLLATE "C" NOT NULL CHECK (source IN ('case', 'account')),
    kind       text COLLATE "C" NOT NULL,
    subject    text COLLATE "C" NOT NULL,
    since_on   date             NOT NULL,
    position   bigint           NOT NULL,
    other      uuid,
    due_on     date,
    detail     text COLLATE "C" NOT NULL,
    PRIMARY KEY (firm, generation, case_id, source, kind, subject)
);

CREATE INDEX exception_position ON exception (firm, generation, position);

-- The grants of the service, and the fence between firms that the log has.
DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY[
        'firm', 'case_status', 'readiness_step', 'listing', 'round_letter', 'clock', 'score',
        'held_fee', 'couple_contact', 'couple_card', 'suggested_link', 'refused_link', 'account',
        'invoice', 'invoice_line', 'payment', 'money_back', 'exposure', 'exception'
    ] LOOP
        EXECUTE format('GRANT INSERT, SELECT, UPDATE, DELETE ON %I TO counterfoil_service', fenced);
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('CREATE POLICY of_named_firm ON %I TO counterfoil_service '
            'USING (firm = named_firm())', fenced);
    END LOOP;
END
$$;
