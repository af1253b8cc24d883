"""Reconciles the accounts at banks of a random firm with another engine, and compares to the cent.

Usage: reconciliation_reference.py FOLDER

FOLDER holds log.jsonl, the events of the firm, and ours.json, a reconciliation for the end of each month
(`tests/examples/reconcile_export.rs`). Everything is made again in SQL (Python's sqlite3) from the events alone, day by day
and not statement by statement: of each day one statement speaks, the one that begins first, and those that go on from it on that day; the balance per statement is
that statement's opening balance and its own lines; the balance per ledger is what entries make of it, each on the day it
counts for (what belongs into a closed month counts on the first day that is open, as its lock says; of older locks on the day of telling).
"""

import json
import sqlite3
import sys
from datetime import date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

DAY = timedelta(days=1)


def minor(money):
    return int(money["minor"])


class Log:
    """The tables that the events make."""

    def __init__(self, events):
        self.db = sqlite3.connect(":memory:")
        self.db.executescript("""
            CREATE TABLE entry (account TEXT, bank TEXT, deposit TEXT, posted TEXT, minor INTEGER);
            CREATE TABLE line (deposit TEXT PRIMARY KEY, bank TEXT, booked TEXT, minor INTEGER, in_force INTEGER);
            CREATE TABLE statement (id TEXT PRIMARY KEY, bank TEXT, first TEXT, last TEXT, opening INTEGER);
            CREATE TABLE listed (id TEXT, deposit TEXT, booked TEXT, minor INTEGER);
        """)
        self.zone = timezone.utc
        self.locks, self.facts, self.matches, self.bookings, self.declared = [], {}, {}, {}, {}
        self.seen = {}
        for event in events:
            self.take(event, event["payload"])

    def posted(self, event, on):
        """The day an event of a day counts for."""
        if not self.locks or on > self.locks[-1]["through"]:
            return on
        first = (date.fromisoformat(self.locks[-1]["through"]) + DAY).isoformat()
        if self.locks[-1].get("first_open"):
            return first
        told = datetime.fromtimestamp(event["recorded_at"] / 1e6, timezone.utc).astimezone(self.zone).date()
        return max(told.isoformat(), first)

    def enter(self, event, account, amount, on=None, bank=None, deposit=None):
        day = self.posted(event, on or event["occurred_on"])
        self.db.execute("INSERT INTO entry VALUES (?, ?, ?, ?, ?)", (account, bank, deposit, day, amount))

    def moved(self, event, amount):
        """Money of a client on its way through the processor."""
        self.facts[event["position"]] = (amount, event["occurred_on"])
        self.enter(event, "clearing", amount)

    def take(self, event, of):
        kind, on = event["event"], event["occurred_on"]
        stream, _, deposit = event["stream"].partition("/")
        if kind == "firm_registered":
            self.zone = ZoneInfo(of["zone"])
        elif kind == "period_locked":
            self.locks.append(of)
        elif kind == "bank_account_declared":
            self.declared[of["bank"]] = (on, minor(of["opening"]))
            self.enter(event, "bank", minor(of["opening"]), bank=of["bank"])
        elif kind == "bank_account_taken_back":
            del self.declared[of["bank"]]
            self.enter(event, "bank", -minor(of["opening"]), bank=of["bank"])
        elif kind == "payment_settled":
            self.moved(event, minor(of["amount"]))
        elif kind == "refund_issued":
            self.moved(event, -minor(of["amount"]))
        elif kind == "chargeback_opened":
            self.facts[("chargeback", of["chargeback"])] = minor(of["amount"])
            self.moved(event, -minor(of["amount"]))
        elif kind == "chargeback_won":
            self.moved(event, self.facts[("chargeback", of["chargeback"])])
        elif kind == "money_corrected" and of["fact"]["position"] in self.facts:
            amount, day = self.facts[of["fact"]["position"]]
            self.enter(event, "clearing", -amount, on=day)
        elif stream == "deposit":
            self.take_deposit(event, of, kind, deposit)

    def take_deposit(self, event, of, kind, deposit):
        bank = self.seen.get(deposit)
        if kind == "statement_line_seen":
            bank = self.seen[deposit] = of["bank"]
            amount = minor(of["amount"])
            self.db.execute("INSERT OR REPLACE INTO line VALUES (?, ?, ?, ?, 1)",
                            (deposit, bank, event["occurred_on"], amount))
            self.enter(event, "bank", amount, bank=bank, deposit=deposit)
            self.enter(event, "open", amount, bank=bank, deposit=deposit)
        elif kind == "line_taken_back":
            self.db.execute("UPDATE line SET in_force = 0 WHERE deposit = ?", (deposit,))
            self.enter(event, "bank", -minor(of["amount"]), bank=bank, deposit=deposit)
            self.enter(event, "open", -minor(of["amount"]), bank=bank, deposit=deposit)
        elif kind in ("deposit_matched", "match_reversed"):
            sign = -1 if kind == "deposit_matched" else 1
            if sign < 0:
                self.matches[deposit] = of
            told = self.matches[deposit]
            self.enter(event, "clearing", sign * minor(told["gross"]))
            self.enter(event, "open", sign * minor(told["net"]), bank=bank)
        elif kind in ("line_booked", "booking_reversed"):
            sign = -1 if kind == "line_booked" else 1
            if sign < 0:
                self.bookings[deposit] = of
            self.enter(event, "open", sign * minor(self.bookings[deposit]["amount"]), bank=bank)
        elif kind == "statement_seen":
            self.db.execute("INSERT INTO statement VALUES (?, ?, ?, ?, ?)",
                            (deposit, of["bank"], of["from"], event["occurred_on"], minor(of["opening"])))
        elif kind == "statement_lines_listed":
            self.db.executemany("INSERT INTO listed VALUES (?, ?, ?, ?)",
                                [(deposit, line["line"], line["booked_on"], minor(line["amount"])) for line in of["lines"]])
        elif kind == "statement_taken_back":
            self.db.execute("DELETE FROM statement WHERE id = ?", (deposit,))
            self.db.execute("DELETE FROM listed WHERE id = ?", (deposit,))

    def sum(self, query, *values):
        return self.db.execute(query, values).fetchone()[0] or 0

    def ledger(self, account, through, bank=None):
        of_bank = "" if bank is None else "AND bank = ?"
        return self.sum(f"SELECT SUM(minor) FROM entry WHERE account = ? AND posted <= ? {of_bank}",
                        account, through, *([] if bank is None else [bank]))


def in_chains(log, statements, opening):
    """Statements of the same days in the order in which they go on from each other."""
    ends = {name: begins + log.sum("SELECT SUM(minor) FROM listed WHERE id = ?", name) for _, _, name, begins in statements}
    found, left = [], list(statements)
    while left:
        alike = [of for of in left if of[:2] == left[0][:2]]
        goes_on = [of for of in alike if of[3] == (ends[found[-1][2]] if found else opening)]
        begins = [of for of in alike if all(ends[other[2]] != of[3] for other in alike if other is not of)]
        found.append((goes_on or begins or alike)[0])
        left.remove(found[-1])
    return found


def reconcile(log, bank, through):
    """One account at the end of a day: what ours.json has of it."""
    opened_on, opening = log.declared[bank]
    found = {"bank": bank, "ledger": log.ledger("bank", through, bank), "statement": None, "stated_on": None,
             "items": {}, "difference": 0}
    statements = log.db.execute("SELECT first, last, id, opening FROM statement WHERE bank = ? AND first <= ?"
                                " ORDER BY first, last, id", (bank, through)).fetchall()
    def listed(name, through):
        return log.sum("SELECT SUM(minor) FROM listed WHERE id = ? AND booked <= ?", name, through)

    openings = {name: amount for _, _, name, amount in statements}
    speaks = {}
    for first, last, name, amount in in_chains(log, statements, opening):
        day, spoken = max(first, opened_on), speaks.get(first)
        # It goes on on the last day that is spoken of, with the balance there and other lines.
        if spoken and first == max(speaks) and openings[spoken[-1]] + listed(spoken[-1], first) == amount and not log.sum(
                "SELECT COUNT(*) FROM listed a JOIN listed b ON a.deposit = b.deposit WHERE a.id = ? AND b.id = ?", name, spoken[-1]) \
                and log.sum("SELECT COUNT(*) FROM listed WHERE id = ?", name):
            spoken.append(name)
        while day <= min(last, through):
            speaks.setdefault(day, [name])
            day = (date.fromisoformat(day) + DAY).isoformat()
    if not speaks:
        return found
    begins, stated_on = min(speaks), max(speaks)
    last = speaks[stated_on][-1]
    balance = openings[last] + log.sum("SELECT SUM(minor) FROM listed WHERE id = ? AND booked <= ?", last, stated_on)
    items, per_ledger = {}, {}
    entries = log.db.execute("SELECT deposit, SUM(minor) FROM entry WHERE account = 'bank' AND bank = ? AND posted <= ?"
                             " AND deposit IS NOT NULL GROUP BY 1", (bank, through))
    lines = {name: (booked, amount, in_force) for name, booked, amount, in_force in
             log.db.execute("SELECT deposit, booked, minor, in_force FROM line WHERE bank = ?", (bank,))}
    for name, amount in entries:
        per_ledger[name] = amount
    stated = {}
    for name, booked, amount, of in log.db.execute(
            "SELECT l.deposit, l.booked, l.minor, l.id FROM listed l JOIN statement s ON s.id = l.id WHERE s.bank = ?",
            (bank,)):
        if of in speaks.get(booked, ()):
            stated[name] = amount
    for name, (booked, amount, in_force) in lines.items():
        # On days between the declared opening and the last statement that none covers, lines stand for themselves.
        if in_force and opened_on <= booked <= stated_on and booked not in speaks:
            stated[name] = amount

    def add(kind, amount):
        if amount:
            items[kind] = items.get(kind, 0) + amount

    for name in stated.keys() | per_ledger.keys():
        booked, _, in_force = lines[name]
        if name in stated:
            kind = "counts_later" if in_force else "on_statement_only"
        elif not in_force:
            kind = "taken_back_later"
        elif booked < opened_on:
            kind = "before_opening"
        elif booked > stated_on:
            kind = "after_last_statement"
        else:
            kind = "in_ledger_only"
        add(kind, stated.get(name, 0) - per_ledger.get(name, 0))
    posted = log.sum("SELECT SUM(minor) FROM entry WHERE account = 'bank' AND bank = ? AND posted <= ?"
                     " AND deposit IS NULL", bank, through)
    add("opening_counts_later", opening - posted)
    # What is left over is between statements: the first one's beginning, and the others'.
    before = (date.fromisoformat(begins) - DAY).isoformat()
    first = speaks[begins][0]
    first_begins = openings[first] + log.sum("SELECT SUM(minor) FROM listed WHERE id = ? AND booked <= ?", first, before)
    earlier = sum(amount for booked, amount, in_force in lines.values() if in_force and opened_on <= booked < begins)
    add("opening_differs", first_begins - opening - earlier)
    left = balance - found["ledger"] - sum(items.values())
    add("statement_does_not_continue", left)
    found.update(statement=balance, stated_on=stated_on, items=items, difference=balance - found["ledger"])
    return found


def net(items):
    return {kind: amount for kind, amount in items.items() if amount}


def main(folder):
    with open(f"{folder}/log.jsonl", encoding="utf-8") as file:
        log = Log(json.loads(line) for line in file)
    with open(f"{folder}/ours.json", encoding="utf-8") as file:
        months = json.load(file)
    failures, kinds, held = [], {}, 0
    for month in months:
        through = month["through"]
        clearing = log.ledger("clearing", through)
        if not clearing == month["clearing"] == month["in_transit"]:
            failures.append(f"{through}: clearing {clearing}, ours {month['clearing']}, in transit {month['in_transit']}")
        if log.ledger("open", through) != month["not_explained"]:
            failures.append(f"{through}: not explained {log.ledger('open', through)}, ours {month['not_explained']}")
        for ours in month["banks"]:
            mine = reconcile(log, ours["bank"], through)
            for kind in ours["items"]:
                kinds[kind] = kinds.get(kind, 0) + 1
            ours["items"] = net(ours["items"])
            mine["items"] = net(mine["items"])
            held += 1
            if mine != ours:
                failures.append(f"{through}: {mine}, ours {ours}")
    missing = {"opening_differs", "statement_does_not_continue", "in_ledger_only", "after_last_statement"} - kinds.keys()
    if missing:
        failures.append(f"the firm's life has no {sorted(missing)}")
    for failure in failures[:20]:
        print(failure)
    print(f"{len(months)} months, {held} reconciliations, items of {kinds}: {len(failures)} failures")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
