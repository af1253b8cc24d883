"""Sums and ages a package of the books with another engine, and compares to the cent.

Usage: books_reference.py FOLDER

FOLDER holds GL_Detail, Trial_Balance, Open_Accounts_Receivable and Aging as CSV files, with the names
of the AICPA's Audit Data Standards (General Ledger and Order to Cash, July 2015). Everything is made
again by DuckDB (PyPI `duckdb`) in decimals: each entry balances; beginning + debits - credits = ending
for each account (the roll-forward that the standard's profiling asks for); and, if the journal begins
with nothing, what is open by invoice and how old it is (calendar days past due, day 30 in 1-30: common
practice, no source).
"""

import sys

import duckdb


def main(folder):
    db = duckdb.connect()

    def load(name, *columns):
        listed = ", ".join(columns)
        db.execute(f"CREATE TABLE {name} AS SELECT {listed} FROM "
                   f"read_csv('{folder}/{name}.csv', header = true, all_varchar = true)")

    cents = "CAST({0} AS DECIMAL(18, 2)) AS {0}".format
    load("GL_Detail", "CAST(Journal_ID AS BIGINT) AS Journal_ID", "CAST(Effective_Date AS DATE) AS Effective_Date",
         "GL_Account_Number", cents("Amount"), "Amount_Credit_Debit_Indicator AS side", "JE_Line_Description",
         "Segment02 AS client", "Segment03 AS invoice")
    load("Trial_Balance", "GL_Account_Number", "CAST(Balance_As_Of_Date AS DATE) AS last", cents("Amount_Beginning"),
         cents("Amount_Ending"), cents("Activity_Debit"), cents("Activity_Credit"))
    load("Open_Accounts_Receivable", "Customer_Account_ID", "Invoice_ID",
         "CAST(Transaction_Due_Date AS DATE) AS due", cents("Balance_Amount"), "CAST(Days_Past_Due AS BIGINT) AS past")
    load("Aging", "Customer_Account_ID", *map(cents, ["Current", "Days_1_30", "Days_31_60", "Days_61_90",
                                                      "Days_Over_90", "Total"]))
    failures = []

    def none(what, query):
        rows = db.execute(query).fetchall()
        if rows:
            failures.append("%s: %d, the first %s" % (what, len(rows), rows[0]))

    signed = "CASE side WHEN 'D' THEN Amount ELSE -Amount END"
    none("lines without a side or with an amount that is not above zero",
         "SELECT * FROM GL_Detail WHERE side NOT IN ('D', 'C') OR Amount <= 0")
    none("entries that do not balance",
         f"SELECT Journal_ID, SUM({signed}) AS s FROM GL_Detail GROUP BY 1 HAVING s <> 0")
    none("entries with two days", "SELECT Journal_ID FROM GL_Detail GROUP BY 1 HAVING COUNT(DISTINCT Effective_Date) > 1")
    none("accounts whose activity is not that of the journal", """
        SELECT t.GL_Account_Number, t.Activity_Debit, t.Activity_Credit, g.d, g.c FROM Trial_Balance t FULL JOIN (
            SELECT GL_Account_Number AS n, COALESCE(SUM(Amount) FILTER (side = 'D'), 0) AS d,
                   COALESCE(SUM(Amount) FILTER (side = 'C'), 0) AS c FROM GL_Detail GROUP BY 1) g
        ON g.n = t.GL_Account_Number
        WHERE COALESCE(g.d, 0) IS DISTINCT FROM t.Activity_Debit OR COALESCE(g.c, 0) IS DISTINCT FROM t.Activity_Credit""")
    none("accounts that do not roll forward", """
        SELECT * FROM Trial_Balance WHERE Amount_Beginning + Activity_Debit - Activity_Credit <> Amount_Ending""")
    none("a trial balance that does not balance",
         "SELECT SUM(Amount_Ending) AS s FROM Trial_Balance HAVING s <> 0")
    none("agings that do not sum", """
        SELECT * FROM Aging WHERE Current + Days_1_30 + Days_31_60 + Days_61_90 + Days_Over_90 <> Total""")

    begins = db.execute("SELECT COUNT(*) FROM Trial_Balance WHERE Amount_Beginning <> 0").fetchone()[0] == 0
    if begins:
        none("invoices with another amount open than their lines sum to", f"""
            SELECT * FROM Open_Accounts_Receivable o FULL JOIN (
                SELECT client, invoice, SUM({signed}) AS s FROM GL_Detail WHERE invoice IS NOT NULL
                GROUP BY 1, 2 HAVING s <> 0) g
            ON g.client = o.Customer_Account_ID AND g.invoice = o.Invoice_ID
            WHERE o.Balance_Amount IS DISTINCT FROM g.s""")
        as_of = "(SELECT MAX(last) FROM Trial_Balance)"
        none("accounts with another aging", f"""
            SELECT * FROM Aging a FULL JOIN (
                SELECT Customer_Account_ID AS c,
                    COALESCE(SUM(Balance_Amount) FILTER (p <= 0), 0) AS b0,
                    COALESCE(SUM(Balance_Amount) FILTER (p BETWEEN 1 AND 30), 0) AS b1,
                    COALESCE(SUM(Balance_Amount) FILTER (p BETWEEN 31 AND 60), 0) AS b2,
                    COALESCE(SUM(Balance_Amount) FILTER (p BETWEEN 61 AND 90), 0) AS b3,
                    COALESCE(SUM(Balance_Amount) FILTER (p > 90), 0) AS b4
                FROM (SELECT *, date_diff('day', due, {as_of}) AS p FROM Open_Accounts_Receivable) GROUP BY 1) g
            ON g.c = a.Customer_Account_ID
            WHERE (a.Current, a.Days_1_30, a.Days_31_60, a.Days_61_90, a.Days_Over_90)
                IS DISTINCT FROM (g.b0, g.b1, g.b2, g.b3, g.b4)""")
    none("receivables that are not the control account", """
        SELECT s, e FROM (SELECT COALESCE(SUM(Balance_Amount), 0) AS s FROM Open_Accounts_Receivable),
            (SELECT COALESCE(SUM(t.Amount_Ending), 0) AS e FROM Trial_Balance t WHERE t.GL_Account_Number IN
                (SELECT GL_Account_Number FROM GL_Detail WHERE JE_Line_Description = 'receivable'))
        WHERE s <> e AND EXISTS (SELECT 1 FROM GL_Detail WHERE JE_Line_Description = 'receivable')""")
    lines, entries = db.execute("SELECT COUNT(*), COUNT(DISTINCT Journal_ID) FROM GL_Detail").fetchone()
    if lines == 0:
        failures.append("the journal is empty: nothing was checked")
    for failure in failures:
        print("DIFFERS: " + failure)
    if failures:
        sys.exit(1)
    print("%d lines of %d entries%s: the same to the cent (DuckDB %s)"
          % (lines, entries, " from the first on" if begins else "", duckdb.__version__))


if __name__ == "__main__":
    main(*sys.argv[1:])
