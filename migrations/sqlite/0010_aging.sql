-- What is open on each invoice as of a day, a page of accounts at a time: without it every invoice looked
-- at every line of the journal.
CREATE INDEX journal_line_receivable
    ON journal_line (firm, generation, account_id, invoice, posted_on, amount_minor)
    WHERE book_account = 'receivable';
