-- The books. Like every read model they follow from the log: after this migration a rebuild fills
-- them for what was recorded before it.

-- One entry for each event that moves money, named by its position.
CREATE TABLE journal_entry (
    firm        BLOB    NOT NULL,
    generation  INTEGER NOT NULL,
    position    INTEGER NOT NULL,
    kind        TEXT    NOT NULL,
    event_id    BLOB    NOT NULL,
    posted_on   TEXT    NOT NULL,
    occurred_on TEXT    NOT NULL,
    recorded_at INTEGER NOT NULL,
    account_id  BLOB,
    deposit_id  BLOB,
    reference   TEXT,
    reverses    BLOB,
    PRIMARY KEY (firm, generation, position)
) STRICT, WITHOUT ROWID;

CREATE INDEX journal_entry_posted ON journal_entry (firm, generation, posted_on, position);

-- Debits above zero, credits below; the lines of an entry sum to zero.
CREATE TABLE journal_line (
    firm         BLOB    NOT NULL,
    generation   INTEGER NOT NULL,
    position     INTEGER NOT NULL,
    line         INTEGER NOT NULL,
    book_account TEXT    NOT NULL,
    posted_on    TEXT    NOT NULL,
    amount_minor INTEGER NOT NULL CHECK (amount_minor <> 0),
    account_id   BLOB,
    invoice      INTEGER,
    plan         TEXT,
    PRIMARY KEY (firm, generation, position, line)
) STRICT, WITHOUT ROWID;

-- Lines of bank statements, and payouts of the card processor.
CREATE TABLE deposit (
    firm          BLOB    NOT NULL,
    generation    INTEGER NOT NULL,
    deposit_id    BLOB    NOT NULL,
    status        TEXT    NOT NULL CHECK (status IN ('open', 'matched', 'joined', 'booked', 'payout')),
    booked_on     TEXT    NOT NULL,
    currency      TEXT    NOT NULL,
    amount_minor  INTEGER NOT NULL,
    bank          TEXT,
    payout        TEXT,
    gross_minor   INTEGER,
    costs_minor   INTEGER,
    refs          TEXT    NOT NULL,
    return_reason TEXT,
    matched_to    BLOB,
    match_rule    TEXT,
    movements     INTEGER,
    purpose       TEXT,
    note          TEXT,
    position      INTEGER NOT NULL,
    last_position INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, deposit_id)
) STRICT, WITHOUT ROWID;

CREATE INDEX deposit_position ON deposit (firm, generation, position);

-- Money of clients on its way through the card processor: what stands behind deposits.
CREATE TABLE movement (
    firm         BLOB    NOT NULL,
    generation   INTEGER NOT NULL,
    account_id   BLOB    NOT NULL,
    kind         TEXT    NOT NULL CHECK (kind IN ('payment', 'refund', 'chargeback', 'chargeback_won')),
    name         TEXT    NOT NULL,
    happened_on  TEXT    NOT NULL,
    currency     TEXT    NOT NULL,
    amount_minor INTEGER NOT NULL,
    deposit_id   BLOB,
    position     INTEGER NOT NULL,
    PRIMARY KEY (firm, generation, account_id, kind, name)
) STRICT, WITHOUT ROWID;

CREATE INDEX movement_position ON movement (firm, generation, position);
CREATE INDEX movement_name ON movement (firm, generation, name);
