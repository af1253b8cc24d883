-- The entries of one client account in the order of a statement of account.
CREATE INDEX journal_entry_account
    ON journal_entry (firm, generation, account_id, posted_on, position);
