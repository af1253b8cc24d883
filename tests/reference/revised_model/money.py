"""What was asked, paid, given back and kept: lines, payments, and what is owed to clients."""

import days
from answers import FAILS, HOLDS, UNKNOWN
from days import largest_remainder

EXPOSED, UNPROVED, ALLOWED = "exposed", "unproved", "allowed"
STATUS = {FAILS: EXPOSED, UNKNOWN: UNPROVED, HOLDS: ALLOWED}

# On one day: what changes a line's open part comes before what pays it.
MONEY = {"credit": 0, "write_off": 1, "payment": 2, "chargeback": 3, "refund": 4, "kept": 5}


def read_decisions(document, money, today):
    """The claims as recorded, each with the days it was asked for and what was given back."""
    decisions = [d for d in document.get("decisions", []) if days.day(d["day"]) <= today]
    invoices = {d["id"]: d for d in decisions if d["kind"] == "invoice"}
    claims = []
    for order, made in enumerate(d for d in decisions if d["kind"] == "claim"):
        claims.append(
            {
                **made,
                "order": order,
                "day": days.day(made["day"]),
                "start": days.day(made["start"]),
                "end": days.day(made["end"]),
                "asked": asked_days(made["id"], decisions, invoices),
                **given_back(made, money),
            }
        )
    return claims, invoices


def about_what_exists(money, claims):
    """(money facts, refusals): nothing is given back, kept or opened of a thing that is not there."""
    there = {c["id"] for c in claims} | {f.root for f in money if f.kind == "payment"}
    kept, refused = [], []
    for fact in money:
        named = fact.get("claim") or fact.get("payment")
        if fact.kind == "payment" or named in there:
            kept.append(fact)
        else:
            refused.append({"id": fact.id, "why": "about a fee or payment that does not exist"})
    return kept, refused


def asked_days(claim, decisions, invoices):
    """An invoice asks for its lines, and each charge request asks for them again."""
    found = []
    for made in decisions:
        invoice = made if made["kind"] == "invoice" else invoices.get(made.get("invoice"))
        if made["kind"] not in ("invoice", "charge_request") or invoice is None:
            continue
        lines = made.get("claims") or [line["claim"] for line in invoice["lines"]]
        if claim in lines:
            found.append(days.day(made["day"]))
    return sorted(set(found))


def given_back(claim, money):
    """`less`: what G8 leaves out of the total. `freed`: whether the fee frees its period (G5).

    A goodwill refund frees no period; a write-off and a chargeback free neither.
    """
    back = [f for f in money if f.kind in ("refund", "credit") and f.get("claim") == claim["id"]]
    as_exposure = sum(f.get("amount") for f in back if f.get("reason") == "exposure")
    goodwill_credit = sum(
        f.get("amount") for f in back if f.kind == "credit" and f.get("reason") != "exposure"
    )
    return {
        "less": min(claim["amount"], sum(f.get("amount") for f in back)),
        "freed": as_exposure > 0 and as_exposure + goodwill_credit >= claim["amount"],
    }


def money_order(fact):
    return (
        fact.day,
        MONEY[fact.kind],
        fact.time or "",
        fact.order or 0,
        fact.get("amount", 0),
        fact.root,
    )


class Books:
    """Follows every money fact in the order of its day. Amounts are minor units."""

    def __init__(self, claims, invoices, verdicts, money):
        self.claims = {c["id"]: c for c in claims}
        self.invoices, self.verdicts = invoices, verdicts
        self.covered = {c["id"]: 0 for c in claims}
        self.credited = {c["id"]: 0 for c in claims}
        self.written_off = {c["id"]: 0 for c in claims}
        self.refunded = {c["id"]: 0 for c in claims}
        self.payments = {}
        self.kept = {f.get("claim") or f.get("payment"): f for f in money if f.kind == "kept"}
        arrived = {f.root: f.day for f in money if f.kind == "payment"}
        for fact in sorted(money, key=lambda f: self._when(f, arrived)):
            getattr(self, "_" + fact.kind)(fact)

    @staticmethod
    def _when(fact, arrived):
        # A chargeback or refund cannot come before the payment it gives back.
        at = max(fact.day, arrived.get(fact.get("payment"), fact.day))
        return (at,) + money_order(fact)[1:]

    def is_kept(self, claim):
        """Counsel's reason is for the gates that counsel knew to be closed, where it names them."""
        if claim not in self.kept:
            return False
        known = self.kept[claim].get("gates")
        closed = {gate for gate, answer in self.verdicts[claim]["gates"].items() if not answer.holds}
        return known is None or closed <= set(known)

    def exposed_on(self, claim, on):
        """Whether the fee was exposed on that day, as judged on the facts known now."""
        verdict = self.verdicts[claim]
        if self.is_kept(claim) and self.kept[claim].day <= on:
            return False
        return any(day <= on and answer == FAILS for day, answer in verdict["by_day"].items())

    def open_part(self, claim):
        whole = self.claims[claim]["amount"]
        return max(0, whole - self.covered[claim] - self.credited[claim])

    def _credit(self, fact):
        if fact.get("claim") in self.claims:
            self.credited[fact.get("claim")] += fact.get("amount")

    def _write_off(self, fact):
        if fact.get("claim") in self.claims:
            self.written_off[fact.get("claim")] += fact.get("amount")

    def _kept(self, _):
        pass

    def _payment(self, fact):
        """ "pro rata by largest remainder; one received while a line is exposed covers the other
        lines first" """
        left, parts = fact.get("amount"), {}
        invoice = self.invoices.get(fact.get("invoice"))
        lines = [line["claim"] for line in invoice["lines"]] if invoice else []
        lines = [claim for claim in lines if claim in self.claims]
        exposed = [claim for claim in lines if self.exposed_on(claim, fact.day)]
        for group in ([c for c in lines if c not in exposed], exposed):
            open_parts = [self.open_part(claim) for claim in group]
            shares = largest_remainder(min(left, sum(open_parts)), open_parts)
            for claim, share in zip(group, shares):
                parts[claim] = share
                self.covered[claim] += share
                left -= share
        self.payments[fact.root] = {
            "fact": fact,
            "parts": parts,
            "unapplied": left,
            "given_back": 0,
        }

    def _chargeback(self, fact):
        """ "A chargeback opens its line again; it frees neither days nor total." """
        payment = self.payments.get(fact.get("payment"))
        if payment is None:
            return
        held = [payment["unapplied"]] + list(payment["parts"].values())
        taken = min(fact.get("amount", sum(held)), sum(held))
        shares = largest_remainder(taken, held)
        payment["unapplied"] -= shares[0]
        for claim, share in zip(payment["parts"], shares[1:]):
            payment["parts"][claim] -= share
            self.covered[claim] -= share

    def _refund(self, fact):
        if fact.get("claim") in self.claims:
            self.refunded[fact.get("claim")] += fact.get("amount")
        elif fact.get("payment") in self.payments:
            self.payments[fact.get("payment")]["given_back"] += fact.get("amount")

    # -- what is owed ----------------------------------------------------------------------------

    def early(self, claim, judge):
        """Payments received before the fee was allowed: {payment: (amount, exposed or unproved)}"""
        found = {}
        for root, payment in self.payments.items():
            part = payment["parts"].get(claim, 0)
            if part and root not in self.kept:
                answer = judge.allowed_by(self.claims[claim], payment["fact"].day)
                if answer != HOLDS:
                    found[root] = (part, STATUS[answer])
        return found

    def fee(self, claim, judge):
        """How one claimed fee stands: its status, what was collected, what is open, what is owed."""
        made, verdict = self.claims[claim], self.verdicts[claim]
        collected = self.covered[claim]
        net = max(0, collected - self.refunded[claim])
        kept = self.is_kept(claim)
        fee_status = STATUS[verdict["status"]]
        # Counsel's reason to keep a fee keeps what was paid for it.
        early = {} if kept or fee_status == EXPOSED else self.early(claim, judge)
        price = verdict["price"]
        above = max(0, made["amount"] - price) if price is not None else 0
        if fee_status == EXPOSED:
            # A reason that names an amount keeps so much of what was paid, and no more.
            owed = max(0, net - self.kept[claim].get("amount", net)) if kept else net
        else:
            early_part = sum(part for part, kind in early.values() if kind == EXPOSED)
            collected_above = max(0, collected - made["amount"] + above) if above else 0
            at_fault = min(collected, early_part + (0 if kept else collected_above))
            owed = max(0, at_fault - self.refunded[claim])
        return {
            "status": fee_status,
            "kept": kept,
            "collected": collected,
            "owed": owed,
            "refunded": self.refunded[claim],
            "above_price": above,
            "early_payments": early,
            "unproved": max(0, net - owed) if fee_status == UNPROVED else 0,
            "open": max(0, self.open_part(claim) - self.written_off[claim]),
            "credited": self.credited[claim],
            "written_off": self.written_off[claim],
        }

    def unsupported(self):
        """Payments, or parts of them, that no fee supports at all."""
        for root, payment in sorted(self.payments.items()):
            owed = max(0, payment["unapplied"] - payment["given_back"])
            if owed and root not in self.kept:
                yield {"payment": root, "client": payment["fact"].client, "owed": owed}


def balances(fees, unsupported):
    """Where the money stands: the exposed parts are out of revenue and out of receivable."""
    totals = {
        "cash": 0,
        "receivable": 0,
        "revenue": 0,
        "refunds_and_credits": 0,
        "bad_debt": 0,
        "owed_to_clients": 0,
    }
    for fee in fees:
        cash = fee["collected"] - fee["refunded"]
        totals["cash"] += cash
        totals["owed_to_clients"] += fee["owed"]
        if fee["status"] == EXPOSED and not fee["kept"]:
            # Out of revenue and receivable; only what was given back beyond the receipts remains.
            totals["refunds_and_credits"] += fee["owed"] - cash
            continue
        totals["receivable"] += fee["open"]
        totals["refunds_and_credits"] += fee["credited"] + fee["refunded"]
        totals["bad_debt"] += fee["written_off"]
        totals["revenue"] += (
            cash
            - fee["owed"]
            + fee["open"]
            + fee["credited"]
            + fee["refunded"]
            + fee["written_off"]
        )
    for payment in unsupported:
        totals["cash"] += payment["owed"]
        totals["owed_to_clients"] += payment["owed"]
    return totals
