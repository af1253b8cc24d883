#!/usr/bin/env python3
"""Writes scenario.jsonl: fourteen months of an invented firm, one request a line, in date order.

    python3 scenario.py            writes scenario.jsonl beside this file
    python3 scenario.py --check    compares, and fails if the file is not what this script writes

Every person, bureau, furnisher, address and number is invented. A line is played on the latest day
it names; a line about an earlier day that also logs a message of a later one was told late.

Payment lines name invoices, whose numbers the service gives. invoices.csv holds the numbers of the
invoices that a story is about; if the stories change, play the demo with --keep, read the numbers
from it and write them there. A wrong number is refused, because the invoice is another account's.

Only the standard library is used, and no randomness: the same script writes the same bytes.
"""

import csv
import hashlib
import json
import sys
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

sys.dont_write_bytecode = True

from people import PEOPLE  # noqa: E402

HERE = Path(__file__).parent
LAST_DAY = date(2026, 10, 31)
# What the papers hold where a state's pack asks for it.
ITEMS = {
    "CA": ["agent", "dispute_authorization", "email", "estimate", "items_listed", "physical_address",
           "refund_promises", "state_statement"],
    "TX": ["agent", "estimate", "physical_address", "refund_promises", "state_statement"],
}
BUREAUS = ("meridian", "harbor", "summit")

# 5 USC 6103(a) and (b): the legal public holidays that fall into these months, as observed.
HOLIDAYS = {
    date(2025, 9, 1), date(2025, 10, 13), date(2025, 11, 11), date(2025, 11, 27),
    date(2025, 12, 25), date(2026, 1, 1), date(2026, 1, 19), date(2026, 2, 16),
    date(2026, 5, 25), date(2026, 6, 19), date(2026, 7, 3), date(2026, 9, 7), date(2026, 10, 12),
}


def is_business_day(day):
    return day.weekday() < 5 and day not in HOLIDAYS


def business_day_from(day):
    while not is_business_day(day):
        day += timedelta(1)
    return day


def add_business_days(day, count):
    while count:
        day += timedelta(1)
        count -= is_business_day(day)
    return day


def plus(day, days):
    return day + timedelta(days)


def on(day):
    return {"year": day.year, "month": day.month, "day": day.day}


def money(cents):
    amount = {"currencyCode": "USD", "units": str(cents // 100)}
    if cents % 100:
        amount["nanos"] = cents % 100 * 10_000_000
    return amount


def digest(text):
    return hashlib.sha256(text.encode()).hexdigest()


def number_from(text, count):
    """A number below count that depends on nothing but the text."""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big") % count


def case_id(number):
    return f"00000000-0000-7000-8000-{number:012d}"


FURNISHERS = [
    ("COLLECTION", "Example Collections", "example-collections"),
    ("CHARGE_OFF", "Northgate Card Bank", "northgate-card"),
    ("LATE_PAYMENTS", "Plumtree Auto Finance", "plumtree-auto"),
    ("COLLECTION", "Bellwether Recovery", "bellwether"),
    ("LATE_PAYMENTS", "Quarry Street Credit Union", "quarry-street"),
    ("INQUIRY", "Hillcrest Furniture Credit", "hillcrest-inquiry"),
    ("CHARGE_OFF", "Saltmarsh Store Card", "saltmarsh-card"),
    ("PUBLIC_RECORD", "Example County Court", "county-judgment"),
]
BASES = ["BALANCE_WRONG", "NOT_MINE", "DATES_WRONG", "STATUS_WRONG", "DUPLICATE", "PAID"]

# What a bureau answers to one dispute after another. "import": the next report shows the deletion
# before the letter comes; "silent": no answer in time; "never": none by the end of the scenario.
ORDINARY_FATES = [
    ["verified", "deleted"],
    ["deleted"],
    ["verified", "verified", "corrected"],
    ["import"],
    ["corrected"],
    ["verified", "verified", "verified", "deleted"],
    ["verified", "import"],
    ["verified", "verified", "verified", "verified", "verified"],
]


class Listing:
    """One item at one bureau: what the script knows of it."""

    def __init__(self, item, bureau, fates):
        self.item, self.bureau, self.fates = item, bureau, list(fates)
        self.gone = False       # not on a report any more
        self.settled = False    # nothing to dispute
        self.pending = False    # in a letter that waits for its answer

    def disputable(self):
        return bool(self.fates) and not (self.gone or self.settled or self.pending)


class Item:
    def __init__(self, code, kind, furnisher, balance, since, basis):
        self.code, self.kind, self.furnisher = code, kind, furnisher
        self.balance, self.since, self.basis = balance, since, basis

    def seen(self, is_corrected=False):
        """As a report shows it: a correction shows as another balance, of an inquiry as another name."""
        furnisher = f"{self.furnisher} Inc." if is_corrected and self.kind == "INQUIRY" else self.furnisher
        seen = {"item": self.code, "kind": f"ITEM_KIND_{self.kind}", "furnisher": furnisher}
        if self.kind != "INQUIRY":
            seen["balance"] = money(self.balance * 9 // 10 if is_corrected else self.balance)
            seen["delinquentSince"] = on(self.since)
        return seen


class Client:
    """Plays one client's months. Each method adds the actions of a step."""

    def __init__(self, script, number):
        self.script, self.number, self.person = script, number, PEOPLE[number]
        self.enrolled = date.fromisoformat(self.person["enrolled"])
        self.period = 1
        self.start = self.enrolled
        self.billing_day = None
        self.rounds = 0
        self.imports = 0
        self.over = False
        self.bureaus = BUREAUS[: self.person.get("bureaus", 3)]
        self.items = self.make_items()
        self.listings = self.make_listings()

    # What the client has on file -----------------------------------------------------------------

    def make_items(self):
        count = self.person.get("items", 3)
        items = []
        for at in range(count):
            kind, furnisher, code = FURNISHERS[(self.number * 3 + at) % len(FURNISHERS)]
            key = f"{self.number}/{code}"
            balance = 12_000 + number_from(key, 400_000)
            since = date(2021, 1, 4) + timedelta(number_from(key + "/since", 1_300))
            items.append(Item(code, kind, furnisher, balance, since, BASES[number_from(key, len(BASES))]))
        return items

    def make_listings(self):
        listings = []
        fates = self.person.get("fates", ORDINARY_FATES)
        for at, item in enumerate(self.items):
            for place, bureau in enumerate(self.bureaus):
                fate = fates[(self.number + at * 2 + place) % len(fates)]
                listings.append(Listing(item, bureau, fate))
        return listings

    def listing(self, item_at, bureau):
        code = self.items[item_at].code
        return next(l for l in self.listings if l.item.code == code and l.bureau == bureau)

    # Recording ------------------------------------------------------------------------------------

    def act(self, day, action, told=None):
        told = told or day
        if "zone" in self.person:
            # Where midnight comes at another hour than the firm's, a day alone would be in doubt.
            morning = datetime(day.year, day.month, day.day, 9, 30, tzinfo=ZoneInfo(self.person["zone"]))
            action = {"occurredAt": morning.isoformat(), **action}
        if told <= LAST_DAY:
            self.script.add(self.number, day, action, told)

    def contact(self, **changes):
        person = {**self.person, **changes}
        return {
            "displayName": person["name"],
            "email": person["email"],
            "phone": person["phone"],
            "address": {
                "line1": person["line1"],
                **({"line2": person["line2"]} if person.get("line2") else {}),
                "city": person["city"],
                "stateCode": person["state"],
                "zip": person["zip"],
            },
        }

    # Steps ----------------------------------------------------------------------------------------

    def enrol(self):
        person = self.person
        channel = person.get("channel", "ONLINE")
        sale = {"channel": f"CHANNEL_{channel}", "promisedDays": person.get("promised_days", 180)}
        if channel != "TELEPHONE" and not person.get("no_evidence"):
            sale["evidenceSha256"] = digest(f"sale {self.number}")
        enrol = {
            "plan": person.get("plan", "steady"),
            "seat": f"SEAT_{person.get('seat', 'INDIVIDUAL')}",
            "contact": self.contact(),
            "birthDate": on(date.fromisoformat(person["born"])),
            "ssnLast4": f"{1000 + number_from(f'ssn {self.number}', 9000)}",
            "sale": sale,
            "card": {"token": person["card"], "last4": person["last4"], "expires": "2028-06"},
        }
        if "zone" in person:
            enrol["timeZone"] = person["zone"]
        self.act(self.enrolled, {"enrol": enrol})

    def total(self):
        """What the agreement states: every period of the plan at the price of the day."""
        if "total" in self.person:
            return self.person["total"]
        newer = self.enrolled >= date(2026, 3, 1)
        if self.person.get("plan") == "watch":
            return 12 * 2_900
        if self.person.get("seat") == "COUPLE":
            return 10_450 + 11 * 8_000 if newer else 9_950 + 11 * 7_500
        later = 5 if self.person.get("plan") == "steady-six" else 11
        return 11_900 + later * (9_500 if newer else 8_900)

    def sign(self, day=None, total=None):
        day = day or self.enrolled
        self.signed = day
        if total is None:
            self.act(day, {"disclosureDelivered": {"documentSha256": digest("disclosure form of 2025")}})
            acknowledged = digest(f"disclosure {self.number}")
            self.act(day, {"disclosureAcknowledged": {"documentSha256": acknowledged}})
        promised = [
            {"words": f"Your listing with Quarry Street is deleted at {bureau}.",
             "deletion": {"bureau": bureau, "item": self.person["promised"]}}
            for bureau in self.bureaus if "promised" in self.person
        ]
        self.act(day, {"signConsent": {
            "totalOfPayments": money(total or self.total()),
            "copiesGiven": True,
            "eSignConsent": True,
            "documentSha256": digest(f"agreement {self.number} of {day}"),
            **({"promisedResults": promised} if promised else {}),
            **({"contractItems": ITEMS[self.person["state"]]} if self.person["state"] in ITEMS else {}),
        }})

    def papers(self, day=None):
        day = day or plus(self.enrolled, 1)
        for paper, kind in (("photo-id", "PHOTO_ID"), ("utility-bill", "RESIDENCE")):
            self.act(day, {"identityPaperReceived": {"paper": paper, "kind": f"PAPER_KIND_{kind}"}})
            self.act(plus(day, 1), {"identityPaperAccepted": {"paper": paper}})

    def connect(self, day=None):
        self.act(day or plus(self.enrolled, 1), {"reportSourceConnected": {"source": "Clearpane Reports"}})

    def import_reports(self, day, bureaus=None, free_annual=False, told=None):
        self.imports += 1
        for bureau in bureaus or self.bureaus:
            # A report shows the deletion of what the bureau dropped without having written yet.
            for listing in self.listings:
                if listing.bureau == bureau and listing.pending == "import":
                    listing.gone = True
            items = [l.item.seen(l.settled) for l in self.listings if l.bureau == bureau and not l.gone]
            dropped = sum(1 for l in self.listings if l.bureau == bureau and (l.gone or l.settled))
            report = {
                "bureau": bureau,
                "issuedOn": on(day),
                "score": {
                    "model": "Example Score 4",
                    "value": 560 + number_from(f"{self.number}/{bureau}", 60) + 14 * dropped + self.imports,
                },
                "inquiries": sum(1 for seen in items if seen["kind"] == "ITEM_KIND_INQUIRY"),
                "cardBalance": money(310_000 - 9_000 * min(self.imports, 12)),
                "cardLimit": money(450_000),
            }
            if free_annual:
                report["freeAnnual"] = True
            if items:
                report["items"] = items
            self.act(day, {"importReport": report}, told)

    def attest(self, day, bureaus=None):
        for listing in self.listings:
            if listing.fates and listing.bureau in (bureaus or self.bureaus):
                self.attest_one(day, listing, listing.item.basis)

    def attest_one(self, day, listing, basis):
        self.act(day, {"attestBasis": {
            "bureau": listing.bureau, "item": listing.item.code, "basis": f"BASIS_{basis}",
        }})

    def service_day(self):
        """The first business day after the cancellation days: three, in California five."""
        days = 5 if self.person["state"] == "CA" else 3
        return business_day_from(plus(add_business_days(self.signed, days), 1))

    def send_round(self, day, bureaus=None, action="sendRound", told=None):
        letters = []
        for bureau in bureaus or self.bureaus:
            disputed = [l for l in self.listings if l.bureau == bureau and l.disputable()]
            if disputed:
                certified = number_from(f"{self.number}/{bureau}/{self.rounds}", 3) > 0
                letter = {"bureau": bureau, "items": [l.item.code for l in disputed]}
                letter["mailClass"] = f"MAIL_CLASS_{'CERTIFIED' if certified else 'FIRST_CLASS'}"
                if certified:
                    letter["tracking"] = f"DEMO-{self.number:02d}-{self.rounds + 1:02d}-{bureau[:3].upper()}"
                letters.append((letter, disputed, certified))
        if not letters:
            return False
        # Nobody has read what Georgia asks of letters, and the service writes none there: what left is noted.
        if self.person["state"] == "GA":
            action = "noteRoundSent"
        self.rounds += 1
        self.act(day, {action: {"letters": [letter for letter, _, _ in letters]}}, told)
        for letter, disputed, certified in letters:
            received = plus(day, 3)
            if certified:
                delivered = {"round": self.rounds, "bureau": letter["bureau"]}
                self.act(received, {"letterDelivered": delivered}, max(received, told or received))
            self.answer(received, letter["bureau"], disputed)
        return True

    def answer(self, received, bureau, disputed):
        """What the bureau will say, and when."""
        answered = plus(received, 14 + number_from(f"{self.number}/{bureau}/{self.rounds}/a", 7))
        outcomes, after_import = [], []
        for listing in disputed:
            fate = listing.fates.pop(0)
            if fate == "import":
                listing.pending = "import"
                after_import.append({"item": listing.item.code, "outcome": "OUTCOME_DELETED"})
            elif fate in ("silent", "never"):
                listing.pending = fate
            else:
                listing.gone = fate == "deleted"
                listing.settled = fate == "corrected"
                outcomes.append({"item": listing.item.code, "outcome": f"OUTCOME_{fate.upper()}"})
        response = {"round": self.rounds, "bureau": bureau}
        if outcomes:
            self.act(answered, {"receiveResponse": {
                **response, "outcomes": outcomes,
            }})
        if after_import:
            self.act(plus(received, 28), {"receiveResponse": {**response, "outcomes": after_import}})
        silent = [l for l in disputed if l.pending == "silent"]
        if silent:
            noted = plus(received, 36)
            self.act(noted, {"receiveResponse": {**response, "outcomes": [
                {"item": l.item.code, "outcome": "OUTCOME_NO_ANSWER"} for l in silent
            ]}})
            for listing in silent:
                self.attest_one(noted, listing, "UNVERIFIED")
                self.script.later(lambda listing=listing: setattr(listing, "pending", False), self, noted)

    def progress(self, day, told=None, completes_before=False):
        sent = {"completesBefore": True} if completes_before else {}
        self.act(day, {"progressReportSent": sent}, told)

    def message(self, day, text, incoming=True, complaint=False):
        message = {"direction": f"DIRECTION_{'INCOMING' if incoming else 'OUTGOING'}", "text": text}
        if complaint:
            message["complaint"] = True
        self.act(day, {"messageLogged": message})

    def end(self, day, by="CLIENT", reason="Everything I came for is done."):
        self.act(day, {"endService": {"endedBy": f"ENDED_BY_{by}", "reason": reason}})
        self.over = True

    # Months ---------------------------------------------------------------------------------------

    def period_end(self):
        if self.billing_day is None:
            return plus(self.start, 30)
        day = plus(self.start, 28)
        while day.day != self.billing_day:
            day += timedelta(1)
        return day

    def next_period(self, end=None):
        self.start = end or self.period_end()
        self.period += 1
        self.script.run_later(self, self.start)

    def open_up(self, papers=True, connect=True, free_annual=False, sign=True):
        """Everything from enrolment to open work, without a hitch."""
        self.enrol()
        if sign:
            self.sign()
        if papers:
            self.papers()
        if connect:
            self.connect()
            self.import_reports(plus(self.enrolled, 2), free_annual=free_annual)

    def first_month(self, progress=True):
        day = self.service_day()
        self.act(day, {"openWork": {}})
        self.attest(day)
        self.send_round(day)
        if progress:
            self.progress(plus(self.start, 27))
        self.next_period()

    def month(self, reports=True, round_=True, progress=True):
        """One ordinary month; false once nothing is left to dispute."""
        if self.start > LAST_DAY:
            return False
        if reports:
            self.import_reports(plus(self.start, 2))
        if round_ and not self.send_round(business_day_from(plus(self.start, 4))):
            self.end(plus(self.start, 4))
            return False
        if progress:
            self.progress(plus(self.start, 27))
        self.next_period()
        return True

    def months(self, count):
        for _ in range(count):
            if self.over or not self.month():
                return

    def watch_month(self):
        """A month of the plan that promises a report and a progress report, and no letters."""
        self.import_reports(plus(self.start, 2))
        self.progress(plus(self.start, 26))
        self.next_period()


class Script:
    """Collects actions and writes them as lines."""

    def __init__(self):
        self.entries = []
        self.waiting = []

    def add(self, number, day, action, told):
        self.entries.append((told, 0, number, len(self.entries), day, action))

    def later(self, change, client, day):
        self.waiting.append((client, day, change))

    def run_later(self, client, day):
        due = [w for w in self.waiting if w[0] is client and w[1] <= day]
        self.waiting = [w for w in self.waiting if w not in due]
        for _, _, change in due:
            change()

    def pay(self, number, day, event):
        if day <= LAST_DAY:
            self.entries.append((day, 1, number, len(self.entries), day, event))

    def lines(self):
        grouped = {}
        for told, kind, number, order, day, action in sorted(self.entries, key=lambda e: e[:4]):
            # Each outcome of money is a request of its own; actions of one day are one request.
            key = (told, kind, number, order if kind else 0)
            grouped.setdefault(key, []).append((day, action))
        for at, ((_, kind, number, _), actions) in enumerate(sorted(grouped.items()), start=1):
            request_id = f"00000000-0000-7000-9000-{at:012d}"
            if kind:
                (day, event), = actions
                yield {
                    "name": f"firms/-/accounts/{case_id(number)}",
                    "requestId": request_id,
                    "occurredOn": on(day),
                    **event,
                }
            else:
                yield {
                    "name": f"firms/-/cases/{case_id(number)}",
                    "requestId": request_id,
                    "actions": [{"occurredOn": on(day), **action} for day, action in actions],
                }

    def text(self):
        return "".join(json.dumps(line, separators=(",", ":"), ensure_ascii=False) + "\n" for line in self.lines())


class Invoices:
    """The numbers the service gave, for the invoices that a story is about."""

    def __init__(self):
        with open(HERE / "invoices.csv", newline="", encoding="utf-8") as table:
            rows = list(csv.DictReader(table))
        self.rows = {(int(row["client"]), int(row["period"])): row for row in rows}

    def find(self, client, period):
        row = self.rows[client, period]
        return int(row["invoice"]), date.fromisoformat(row["issued_on"]), int(row["total_cents"])


def invoice_name(number):
    return f"firms/-/invoices/{number}"


def settled(number, attempt, cents):
    return {"settled": {
        "payment": f"pay-{number}-{attempt}", "amount": money(cents), "invoice": invoice_name(number),
    }}


def failed(number, reason):
    return {"failed": {"invoice": invoice_name(number), "reason": f"FAILURE_REASON_{reason}"}}


def main():
    import stories

    script = Script()
    stories.play(script)
    stories.pay(script, Invoices())
    text = script.text()
    target = HERE / "scenario.jsonl"
    if "--check" in sys.argv[1:]:
        if target.read_text(encoding="utf-8") != text:
            sys.exit("scenario.jsonl is not what scenario.py writes; run scenario.py")
        return
    target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
