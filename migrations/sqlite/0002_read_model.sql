-- The read model: everything here follows from the log and can be dropped and rebuilt.
-- Keys begin with firm, generation and the stream a row is made from. Dates are YYYY-MM-DD, amounts
-- minor units. There are no foreign keys: a projection step writes tables in no order of its own.
CREATE TABLE firm (
    firm             BLOB    NOT NULL,
    generation       INTEGER NOT NULL,
    name             TEXT    NOT NULL,
    zone             TEXT    NOT NULL,
    currency         TEXT    NOT NULL,
    transit_days     INTEGER NOT NULL,
    invoice_due_days INTEGER NOT NULL,
    version          INTEGER NOT NULL,
    PRIMARY KEY (firm, generation)
) STRICT, WITHOUT ROWID;

CREATE TABLE case_status (
    firm            BLOB    NOT NULL,
    generation      INTEGER NOT NULL,
    case_id         BLOB    NOT NULL,
    state           TEXT    NOT NULL
        CHECK (state IN ('enrolled', 'signed', 'open', 'paused', 'ended', 'cancelled')),
    plan            TEXT    NOT NULL,
    plan_version    INTEGER NOT NULL,
    seat            TEXT    NOT NULL CHECK (seat IN ('individual', 'couple')),
    enrolled_on     TEXT    NOT NULL,
    signed_on       TEXT,
    service_from    TEXT,
    steps_done      INTEGER NOT NULL,
    open_period     INTEGER,
    next_period_end TEXT,
    periods_earned  INTEGER NOT NULL,
    earned_minor    INTEGER NOT NULL,
    exposures       INTEGER NOT NULL,
    disputable      INTEGER NOT NULL,
    rounds          INTEGER NOT NULL,
    last_round_on   TEXT,
    letters_due_on  TEXT,
    round_from      TEXT,
    late_work       INTEGER NOT NULL,
    version         INTEGER NOT NULL,
    last_position   INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
) STRICT, WITHOUT ROWID;

-- What is over and not billed is few cases of many, unless nobody bills.
CREATE INDEX case_status_period_end ON case_status (firm, generation, next_period_end, case_id)
    WHERE next_period_end IS NOT NULL;

CREATE TABLE readiness_step (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    case_id    BLOB    NOT NULL,
    step       TEXT    NOT NULL,
    done_since TEXT,
    PRIMARY KEY (firm, generation, case_id, step)
) STRICT, WITHOUT ROWID;

CREATE TABLE listing (
    firm             BLOB    NOT NULL,
    generation       INTEGER NOT NULL,
    case_id          BLOB    NOT NULL,
    item             TEXT    NOT NULL,
    bureau           TEXT    NOT NULL,
    kind             TEXT    NOT NULL,
    furnisher        TEXT    NOT NULL,
    balance_minor    INTEGER,
    delinquent_since TEXT,
    basis            TEXT,
    status           TEXT    NOT NULL,
    since_on         TEXT    NOT NULL,
    listed_on        TEXT    NOT NULL,
    notice_seen      INTEGER NOT NULL CHECK (notice_seen IN (0, 1)),
    shown_on         TEXT,
    PRIMARY KEY (firm, generation, case_id, item, bureau)
) STRICT, WITHOUT ROWID;

CREATE TABLE round_letter (
    firm           BLOB    NOT NULL,
    generation     INTEGER NOT NULL,
    case_id        BLOB    NOT NULL,
    round          INTEGER NOT NULL,
    bureau         TEXT    NOT NULL,
    sent_on        TEXT    NOT NULL,
    mail_class     TEXT    NOT NULL,
    tracking       TEXT,
    delivered_on   TEXT,
    information_on TEXT,
    answered_on    TEXT,
    items          INTEGER NOT NULL,
    outcomes       INTEGER NOT NULL,
    free_report    INTEGER NOT NULL CHECK (free_report IN (0, 1)),
    PRIMARY KEY (firm, generation, case_id, round, bureau)
) STRICT, WITHOUT ROWID;

CREATE TABLE clock (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    case_id    BLOB    NOT NULL,
    clock      TEXT    NOT NULL,
    bureau     TEXT    NOT NULL,
    round      INTEGER NOT NULL,
    item       TEXT    NOT NULL,
    nth        INTEGER NOT NULL,
    started_on TEXT    NOT NULL,
    due_on     TEXT    NOT NULL,
    estimated  INTEGER NOT NULL CHECK (estimated IN (0, 1)),
    done_on    TEXT,
    PRIMARY KEY (firm, generation, case_id, clock, bureau, round, item, nth)
) STRICT, WITHOUT ROWID;

CREATE INDEX clock_running ON clock (firm, generation, due_on) WHERE done_on IS NULL;

CREATE TABLE score (
    firm               BLOB    NOT NULL,
    generation         INTEGER NOT NULL,
    case_id            BLOB    NOT NULL,
    bureau             TEXT    NOT NULL,
    first_issued_on    TEXT    NOT NULL,
    first_value        INTEGER,
    first_model        TEXT,
    latest_issued_on   TEXT    NOT NULL,
    latest_value       INTEGER,
    latest_model       TEXT,
    card_balance_minor INTEGER,
    card_limit_minor   INTEGER,
    inquiries          INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, case_id, bureau)
) STRICT, WITHOUT ROWID;

CREATE TABLE held_fee (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    case_id    BLOB    NOT NULL,
    period     INTEGER NOT NULL,
    gates      TEXT    NOT NULL,
    start_on   TEXT,
    end_on     TEXT,
    PRIMARY KEY (firm, generation, case_id, period)
) STRICT, WITHOUT ROWID;

CREATE TABLE couple_contact (
    firm        BLOB    NOT NULL,
    generation  INTEGER NOT NULL,
    case_id     BLOB    NOT NULL,
    PRIMARY KEY (firm, generation, case_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE couple_card (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    account_id BLOB    NOT NULL,
    card_key   BLOB CHECK (length(card_key) = 32),
    PRIMARY KEY (firm, generation, account_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE suggested_link (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    account_id BLOB    NOT NULL,
    member     BLOB    NOT NULL,
    since_on   TEXT    NOT NULL,
    phone      INTEGER NOT NULL CHECK (phone IN (0, 1)),
    address    INTEGER NOT NULL CHECK (address IN (0, 1)),
    card       INTEGER NOT NULL CHECK (card IN (0, 1)),
    PRIMARY KEY (firm, generation, account_id, member)
) STRICT, WITHOUT ROWID;

CREATE TABLE refused_link (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    account_id BLOB    NOT NULL,
    member     BLOB    NOT NULL,
    PRIMARY KEY (firm, generation, account_id, member)
) STRICT, WITHOUT ROWID;

CREATE TABLE account (
    firm           BLOB    NOT NULL,
    generation     INTEGER NOT NULL,
    account_id     BLOB    NOT NULL,
    member2        BLOB,
    moved_to       BLOB,
    card_on_file   INTEGER NOT NULL CHECK (card_on_file IN (0, 1)),
    open_minor     INTEGER NOT NULL,
    unearned_minor INTEGER NOT NULL,
    invoices       INTEGER NOT NULL,
    version        INTEGER NOT NULL,
    last_position  INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE invoice (
    firm               BLOB    NOT NULL,
    generation         INTEGER NOT NULL,
    account_id         BLOB    NOT NULL,
    number             INTEGER NOT NULL,
    issued_on          TEXT    NOT NULL,
    due_on             TEXT    NOT NULL,
    currency           TEXT    NOT NULL,
    total_minor        INTEGER NOT NULL,
    paid_minor         INTEGER NOT NULL,
    credited_minor     INTEGER NOT NULL,
    written_off_minor  INTEGER NOT NULL,
    charged_back_minor INTEGER NOT NULL,
    open_minor         INTEGER NOT NULL,
    status             TEXT    NOT NULL
        CHECK (status IN ('open', 'partly_paid', 'paid', 'written_off')),
    tries              INTEGER NOT NULL,
    charge_waiting     INTEGER,
    failed             TEXT,
    charge_on          TEXT,
    position           INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id, number)
) STRICT, WITHOUT ROWID;

CREATE INDEX invoice_number ON invoice (firm, generation, number);

CREATE TABLE invoice_line (
    firm         BLOB    NOT NULL,
    generation   INTEGER NOT NULL,
    account_id   BLOB    NOT NULL,
    number       INTEGER NOT NULL,
    line         INTEGER NOT NULL,
    case_id      BLOB    NOT NULL,
    period       INTEGER NOT NULL,
    start_on     TEXT    NOT NULL,
    end_on       TEXT    NOT NULL,
    amount_minor INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id, number, line)
) STRICT, WITHOUT ROWID;

CREATE TABLE payment (
    firm           BLOB    NOT NULL,
    generation     INTEGER NOT NULL,
    account_id     BLOB    NOT NULL,
    payment        TEXT    NOT NULL,
    received_on    TEXT    NOT NULL,
    currency       TEXT    NOT NULL,
    amount_minor   INTEGER NOT NULL,
    unearned_minor INTEGER NOT NULL,
    returned_minor INTEGER NOT NULL,
    position       INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id, payment)
) STRICT, WITHOUT ROWID;

CREATE INDEX payment_position ON payment (firm, generation, position);
CREATE INDEX payment_name ON payment (firm, generation, payment);

CREATE TABLE money_back (
    firm         BLOB    NOT NULL,
    generation   INTEGER NOT NULL,
    account_id   BLOB    NOT NULL,
    reference    TEXT    NOT NULL,
    payment      TEXT    NOT NULL,
    happened_on  TEXT    NOT NULL,
    currency     TEXT    NOT NULL,
    amount_minor INTEGER NOT NULL,
    status       TEXT CHECK (status IN ('open', 'won', 'lost')),
    position     INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id, reference)
) STRICT, WITHOUT ROWID;

CREATE INDEX money_back_position ON money_back (firm, generation, position);
CREATE INDEX money_back_reference ON money_back (firm, generation, reference);

CREATE TABLE exposure (
    firm           BLOB    NOT NULL,
    generation     INTEGER NOT NULL,
    case_id        BLOB    NOT NULL,
    source         TEXT    NOT NULL CHECK (source IN ('case', 'account')),
    position       INTEGER NOT NULL,
    event_id       BLOB    NOT NULL,
    kind           TEXT    NOT NULL,
    amount_minor   INTEGER,
    returned_minor INTEGER NOT NULL,
    period         INTEGER,
    found_on       TEXT    NOT NULL,
    cites          TEXT    NOT NULL,
    late           INTEGER NOT NULL CHECK (late IN (0, 1)),
    PRIMARY KEY (firm, generation, case_id, source, position)
) STRICT, WITHOUT ROWID;

CREATE INDEX exposure_position ON exposure (firm, generation, position);

CREATE TABLE exception (
    firm       BLOB    NOT NULL,
    generation INTEGER NOT NULL,
    case_id    BLOB    NOT NULL,
    source     TEXT    NOT NULL CHECK (source IN ('case', 'account')),
    kind       TEXT    NOT NULL,
    subject    TEXT    NOT NULL,
    since_on   TEXT    NOT NULL,
    position   INTEGER NOT NULL,
    other      BLOB,
    due_on     TEXT,
    detail     TEXT    NOT NULL,
    PRIMARY KEY (firm, generation, case_id, source, kind, subject)
) STRICT, WITHOUT ROWID;

CREATE INDEX exception_position ON exception (firm, generation, position);
