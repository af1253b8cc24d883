#!/usr/bin/env python3
"""A second opinion on billing runs: the billing rules once more, naively, in plain Python.

Usage: naive_billing.py FOLDER

FOLDER/events.jsonl holds canonical events in log order; FOLDER/runs.jsonl the answers of the
program under test, one billing run a line: "as_of" (civil date), "before" (the last position the
run saw) and "invoices". For each run this model decides which (case, period, amount) lines could
be claimed on that day, and says where the two differ. Amounts are in minor units of one currency.
Exit status: 0 all runs agree, 1 they differ, 2 there was nothing to compare. Made from the written
rules only, the model shares no code with the program; it is slow on purpose.

The gates (section numbers of 15 USC unless said):
G1 disclosure acknowledged before the agreement (1679c(a))   G2 an agreement in force (1679d, 1679e)
G3 no service before the cancellation days end (1679d(a)(2)) G4 period over, all work done (1679b(b))
G5 not claimed or given up before                            G6 telemarketing (16 CFR 310.4(a)(2))
G7 the conditions of the client's state (1679j)              G8 total of payments (1679d(b)(1))
"""

import calendar
import json
import pathlib
import sys
from datetime import date, timedelta
from itertools import count, islice

DAY = timedelta(days=1)
MOST_PERIODS_PER_CASE = 60
WORK_OF_EVENT = {"report_imported": "report_import", "round_sent": "dispute_round",
                 "progress_report_sent": "progress_report"}
STATUS_OF_EVENT = {"item_listed": "listed", "item_deleted": "deleted", "item_corrected": "corrected",
                   "item_verified": "verified", "item_reinserted": "reinserted"}
STATUS_OF_OUTCOME = {"frivolous": "refused", "no_answer": "unanswered"}
RESULTS = ("deleted", "corrected")


def cents(money):
    return int(money["minor"])


def billing_day_from(day, day_of_month):
    while day.day != min(day_of_month, calendar.monthrange(day.year, day.month)[1]):
        day += DAY
    return day


def first_report_day_that_shows(result_on):
    """"More than six months after": the later of two readings of six months."""
    year, month = result_on.year + (result_on.month > 6), (result_on.month + 5) % 12 + 1
    six_months = date(year, month, min(result_on.day, calendar.monthrange(year, month)[1]))
    return max(six_months + DAY, result_on + 185 * DAY)


class Schedule:
    """Service periods [start, end). `fixed` are those up to the last change or pause."""
    def __init__(self, start, rule):
        self.start, self.rule, self.fixed, self.paused_on = start, rule, [], None

    def periods(self):
        """(start, end, rule) from period 1 on, without end; a pause in force is not looked at."""
        yield from self.fixed
        start = self.fixed[-1][1] if self.fixed else self.start
        while True:
            end = start + self.rule.get("every_days", 28) * DAY
            end = billing_day_from(end, self.rule["monthly_on"]) if "monthly_on" in self.rule else end
            yield start, end, self.rule
            start = end

    def period(self, number):
        return next(islice(self.periods(), number - 1, None))

    def waits_for_resumption(self, number):
        return self.paused_on is not None and number >= len(self.fixed)

    def fix_through(self, day, closed):
        """Fixes the periods up to the one that holds `day`, and returns the day that counts. What is
        fixed or closed does not move any more; the period of a pause in force holds every later day."""
        day = max([day] + [self.period(number)[1] for number in closed])
        if self.paused_on is None:
            number = len(self.fixed) or 1
            while self.period(number)[1] <= day:
                number += 1
            self.fixed = list(islice(self.periods(), number))
        return day

    def resume(self, day):
        """The paused period ends later; on a monthly rule then at the client's current billing day."""
        start, end, began_under = self.fixed[-1]
        rule = self.rule
        end += max(day - self.paused_on, 0 * DAY)
        end = billing_day_from(end, rule["monthly_on"]) if "monthly_on" in rule else end
        self.fixed[-1], self.paused_on = (start, end, began_under), None


class Case:
    """What the log says of one case."""
    def __init__(self, on, payload):
        self.enrolled_on, self.sale = on, payload["sale"]
        self.schedule = Schedule(on, payload["billing"])
        self.acknowledged = None  # (day, position) of the first acknowledgement
        self.agreements = []  # those not cancelled
        self.services, self.ended_on = [], None
        self.work = []  # (day, position, kind)
        self.closed, self.earned = set(), 0  # periods claimed or given up, fees
        self.used = set()  # positions of work that a fee names as its evidence
        self.listings = {}  # (item, bureau) -> status, since, shown_on

    def apply(self, name, on, position, payload):
        if name in WORK_OF_EVENT:
            self.work.append((on, position, WORK_OF_EVENT[name]))
        if name in ("round_sent", "bureau_asked"):
            self.services.append(on)
        if name == "disclosure_acknowledged":
            self.acknowledged = self.acknowledged or (on, position)
        elif name == "consent_signed":
            facts = {"signed": (on, position), "from": date.fromisoformat(payload["service_from"])}
            self.agreements.append(payload | facts)
        elif name == "consent_cancelled":
            self.agreements.pop()
        elif name == "billing_day_changed":
            self.schedule.fix_through(on, self.closed)
            self.schedule.rule = payload["billing"]
        elif name == "service_paused":
            self.schedule.paused_on = self.schedule.fix_through(on, self.closed)
        elif name == "service_resumed":
            self.schedule.resume(on)
        elif name == "service_ended":
            self.ended_on = on
        elif name == "fee_earned":
            self.closed.add(payload["period"])
            self.used.update(piece["event"]["position"] for piece in payload["evidence"])
            self.earned += cents(payload["amount"])
        elif name == "period_closed_without_fee":
            self.closed.add(payload["period"])
        elif name == "report_imported":
            self.show_results(payload["bureau"], date.fromisoformat(payload["issued_on"]), on)
        elif name == "round_sent":
            for letter in payload["letters"]:
                for item in letter["items"]:
                    self.set_status(item, letter["bureau"], "in dispute", on)
        elif name == "response_received":
            for answer in payload["outcomes"]:
                if answer["outcome"] in STATUS_OF_OUTCOME:
                    status = STATUS_OF_OUTCOME[answer["outcome"]]
                    self.set_status(answer["item"], payload["bureau"], status, on)
        elif name in STATUS_OF_EVENT:
            self.set_status(payload["item"], payload["bureau"], STATUS_OF_EVENT[name], on)

    def set_status(self, item, bureau, status, on):
        self.listings[item, bureau] = {"status": status, "since": on, "shown_on": None}

    def show_results(self, reporting_bureau, issued_on, on):
        for (_, bureau), listing in self.listings.items():
            if bureau == reporting_bureau and listing["status"] in RESULTS and not listing["shown_on"]:
                if issued_on >= first_report_day_that_shows(listing["since"]):
                    listing["shown_on"] = on

    def reported_between(self, first, last):
        return any(kind == "progress_report" and first <= on <= last for on, _, kind in self.work)


class Firm:
    def __init__(self):
        self.cases, self.standings = {}, []
        self.members, self.moved = {}, set()  # of accounts, by UUID

    def apply(self, event):
        name, payload = event["event"], event["payload"]
        kind, _, key = event["stream"].partition("/")
        on = date.fromisoformat(event["occurred_on"])
        if name == "standing_recorded":
            self.standings.append(payload)
        elif name == "standing_ended":
            for standing in self.standings:
                if all(standing[member] == payload[member] for member in ("kind", "state", "valid_from")):
                    standing["valid_through"] = min(standing["valid_through"], payload["last_day"])
        elif name == "enrolled":
            self.cases[key] = Case(on, payload)
        elif name == "account_opened":
            self.members[key] = [payload["owner"]]
        elif name == "member_linked":
            self.members[key].append(payload["member"])
        elif name == "member_unlinked":
            self.members[key].remove(payload["member"])
        elif name == "payment_moved":
            self.moved.add(key)
        elif name == "payment_moved_back":
            self.moved.discard(key)
        elif kind == "case" and key in self.cases:
            self.cases[key].apply(name, on, event["position"], payload)

    def standing(self, kind, state, as_of):  # ISO dates sort as text
        return [s for s in self.standings if (s["kind"], s["state"]) == (kind, state)
                and s["valid_from"] <= str(as_of) <= s["valid_through"]]


class Bill:
    """One case in one run: what the log says, and the lines this run has already written."""
    def __init__(self, firm, case, as_of, has_first_share):
        self.firm, self.case, self.as_of, self.has_first_share = firm, case, as_of, has_first_share
        self.closed, self.used, self.earned = set(case.closed), set(case.used), case.earned

    def agreement(self, start):
        """The governing one: the newest whose service had begun, else the first."""
        in_time = [a for a in self.case.agreements if a["from"] <= start]
        return next(iter(in_time[-1:] + self.case.agreements[:1]), None)

    def promised(self, number, start):
        agreement = self.agreement(start)
        return agreement["terms"]["first_work" if number == 1 else "monthly_work"] if agreement else []

    def work_of(self, wanted):
        """The pieces of work that fall to the period `wanted`, None for each one missing."""
        used = set(self.used)
        for number, (start, _, _) in enumerate(self.case.schedule.periods(), 1):
            taken = []
            if number not in self.closed:
                for kind in self.promised(number, start):
                    fit = [w for w in sorted(self.case.work) if w[2] == kind and w[1] not in used
                           and start <= w[0] <= self.as_of]
                    taken.append(fit[0] if fit else None)
                    used.update(w[1] for w in fit[:1])
            if number == wanted:
                return taken

    def amount(self, number, terms):
        """Two equal shares by largest remainder: the odd cent is the first share's."""
        price = cents(terms["prices"]["first_fee" if number == 1 else "monthly_fee"])
        share = price - price // 2 if self.has_first_share else price // 2
        return price if terms["seat"] == "individual" else share

    def held(self, number):
        """The gates that hold this period's fee, each with its reason; empty if claimable."""
        case, schedule = self.case, self.case.schedule
        start, end, _ = schedule.period(number)
        work, agreement = self.work_of(number), self.agreement(start)
        held = ["G5 claimed or given up"] if number in self.closed else []
        if schedule.waits_for_resumption(number):
            held.append(f"G4 service is paused since {schedule.paused_on}")
        elif self.as_of < end:
            held.append(f"G4 period from {start} not over before {end}")
        if case.ended_on is not None and case.ended_on < end:
            held.append(f"G4 service ended on {case.ended_on}, the period on {end}")
        for kind, piece in zip(self.promised(number, start), work):
            held += [f"G4 no {kind} since {start}"] if piece is None else []
        held += [f"G3 service on {on}" for on in case.services
                 if not any(a["from"] <= on for a in case.agreements)]
        if agreement is None:
            return held + ["G2 no agreement"]
        if case.acknowledged is None or case.acknowledged >= agreement["signed"]:
            held.append(f"G1 acknowledged {case.acknowledged}, signed {agreement['signed']}")
        held += self.held_by_telemarketing(agreement["rules"])
        held += self.held_by_state(agreement["rules"], agreement, start, work)
        total, most = self.earned + self.amount(number, agreement["terms"]), cents(agreement["total_of_payments"])
        held += [f"G8 would be {total} of {most}"] if total > most else []
        return held

    def held_by_telemarketing(self, rules):
        case, as_of, sale = self.case, self.as_of, self.case.sale
        if sale["channel"] in rules["telemarketing"]["exempt"] and sale.get("evidence"):
            return []
        promised_by = case.enrolled_on + sale["promised_days"] * DAY
        held = [f"G6 promised time runs to {promised_by}"] if as_of <= promised_by else []
        results = [r for r in case.listings.values() if r["status"] in RESULTS and r["since"] <= as_of]
        unshown = [str(r["since"]) for r in results if not r["shown_on"] or r["shown_on"] > as_of]
        if not results or unshown:
            return held + [f"G6 no report shows the results of {unshown}" if unshown else "G6 no results"]
        if not case.reported_between(max(r["shown_on"] for r in results), as_of):
            held.append("G6 the report that shows the results was not sent on")
        return held

    def held_by_state(self, rules, agreement, start, work):
        state, as_of = agreement["state"], self.as_of
        held = [f"G7 prohibited in {state}"] if "prohibited" in rules else []
        if "registration" in rules and not self.firm.standing("registration", state, as_of):
            held.append(f"G7 no registration in {state}")
        if "bond" in rules:
            bonds = [cents(s["amount"]) for s in self.firm.standing("bond", state, as_of)]
            if not bonds or max(bonds) < cents(rules["bond"]["amount"]):
                held.append(f"G7 bonds in {state}: {bonds}")
        if "perform_within" in rules:
            last = agreement["signed"][0] + rules["perform_within"]["days"] * DAY
            held += [f"G7 work on {w[0]}, to be done by {last}" for w in work if w and w[0] > last]
        if "monthly_statement" in rules and not self.case.reported_between(start, as_of):
            held.append(f"G7 no statement since {start}")
        return held

    def lines(self):
        """The claimable (period, amount) in order; each takes its work and money from the next."""
        open_periods = (number for number in count(1) if number not in self.closed)
        for number in islice(open_periods, MOST_PERIODS_PER_CASE):
            start, end, _ = self.case.schedule.period(number)
            if end > self.as_of or self.case.schedule.waits_for_resumption(number):
                return
            if not self.held(number):
                amount = self.amount(number, self.agreement(start)["terms"])
                self.used.update(piece[1] for piece in self.work_of(number))
                self.closed.add(number)
                self.earned += amount
                yield number, amount


def differences(firm, run):
    model, product, bills, told = {}, {}, {}, []
    for account in firm.members.keys() - firm.moved:
        members = firm.members[account]
        for member in [m for m in members if m in firm.cases]:
            first = len(members) == 2 and member == members[0]
            one = Bill(firm, firm.cases[member], date.fromisoformat(run["as_of"]), first)
            bills[account, member] = one
            model.setdefault(account, []).extend((member, *line) for line in one.lines())
    for invoice in run["invoices"]:
        account = invoice["account"].removeprefix("account/")
        lines = [(line["case"], line["period"], line["amount"]) for line in invoice["lines"]]
        if account in product or not lines or invoice["total"] != sum(line[2] for line in lines):
            told.append(f"account {account}: second or empty invoice, or wrong total: {invoice}")
        product.setdefault(account, []).extend(lines)
    for account in sorted(model.keys() | product.keys()):
        ours, theirs = model.get(account, []), product.get(account, [])
        pairs = sorted({line[:2] for line in set(ours) ^ set(theirs)})
        for case, period in pairs:
            mine, yours = ([x[2] for x in lines if x[:2] == (case, period)] for lines in (ours, theirs))
            verdict = f"claimable, {mine}" if mine else "this account does not pay for this case"
            if not mine and (account, case) in bills:
                verdict = "held: " + "; ".join(bills[account, case].held(period))
            told.append(f"account {account} case {case} period {period}\n    model: {verdict}\n"
                        f"    product: {f'invoiced, {yours}' if yours else 'no line'}")
        if not pairs and ours != theirs:
            told.append(f"account {account}: order or repetition\n    model: {ours}\n    product: {theirs}")
    return told


def main(folder):
    texts = [(folder / name).read_text("utf-8") for name in ("runs.jsonl", "events.jsonl")]
    runs, events = ([json.loads(line) for line in text.split("\n") if line] for text in texts)
    invoices = [invoice for run in runs for invoice in run["invoices"]]
    if not invoices:
        print(f"no invoices in {folder}: nothing to compare")
        return 2
    firm, seen, told = Firm(), 0, []
    for run in sorted(runs, key=lambda run: run["before"]):
        for event in events:
            if seen < event["position"] <= run["before"]:
                firm.apply(event)
        seen = run["before"]
        told += [f"run as of {run['as_of']} (before {run['before']}): {t}" for t in differences(firm, run)]
    lines = sum(len(invoice["lines"]) for invoice in invoices)
    print("\n".join(told + [f"{len(told)} differences in {len(runs)} runs"]) if told
          else f"{len(runs)} runs agree: {len(invoices)} invoices, {lines} lines")
    return 1 if told else 0


if __name__ == "__main__":
    sys.exit(main(pathlib.Path(sys.argv[1])) if len(sys.argv) == 2 else __doc__)
