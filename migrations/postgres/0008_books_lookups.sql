-- The entries of one client account in the order of a statement of account.
CREATE INDEX journal_entry_account
    ON journal_entry (firm, generation, account_id, posted_on, position);

-- The account that has a movement of a name: a match of a payout looks for each of its payments. With
-- the position, or the order of the answer is taken from another index and every movement is looked at.
DROP INDEX movement_name;
CREATE INDEX movement_name ON movement (firm, generation, name, position);
