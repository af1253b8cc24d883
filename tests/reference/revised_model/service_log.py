"""The service's log in this model's words: which event tells which fact.

Read from the written form of events alone (FORMAT.md). Where the service cannot say yet what the trade's
text asks for, the reading taken stands at its place:

- ends and late cancellations name no agreement: they end every one that was signed before them;
- nobody says of a refund or credit why it was given: one that gives back an exposed fee in full frees it.
"""

import json
from datetime import date, datetime, timezone

import days
import lines
from agreements import read_agreements
from credit_file import CreditFile
from packs import FEES, SIGNING
from story import in_order, read_fact

WORK = {"dispute_round": "round", "progress_report": "progress_report", "report_import": "import"}
WORK_OF_EVENT = {
    "round_sent": "round",
    "progress_report_sent": "progress_report",
    "report_imported": "import",
    # Service that no plan promises.
    "bureau_asked": "asked",
}
DIMENSIONS = {
    "cancellation": ("cancellation", "service_bar"),
    "monthly_statement": ("monthly_statement",),
    "perform_within": ("perform_within",),
    "performance": ("performance",),
    "prohibited": ("prohibited",),
    "registration": ("registration",),
    "security": ("security",),
    "contract_items": ("contract_items",),
    "estimate_cap": ("estimate",),
    "fee_cap": ("fee_cap",),
    "statement": ("statements",),
}
# The service's packs have no such dimensions; nothing is asked in them.
ALWAYS_READ = [name for name in SIGNING + FEES if name not in sum(DIMENSIONS.values(), ())]


def cents(money):
    return int(money["minor"])


def day_before(text):
    return days.plus(date.fromisoformat(text), -1).isoformat()


class Firm:
    """What a firm recorded, up to some position."""

    def __init__(self):
        self.packs, self.told, self.standings, self.cases, self.accounts = [], [], [], {}, {}
        self.money, self.of_itself = {}, []
        self.zone, self.stories, self.plans = None, {}, []

    def document(self):
        newest_first = sorted(self.packs, key=lambda pack: -pack["version"])
        packs = []
        for pack in newest_first:
            newer = [p["in_force_from"] for p in packs if p["id"] == pack["id"]]
            through = [day_before(on) for on in newer if on > pack["in_force_from"]]
            through += [pack["in_force_through"]] if pack["in_force_through"] else []
            packs.append({**pack, "in_force_through": min(through, default=None)})
        return {"zone": self.zone, "packs": packs, "told": self.told + list(self.filed())}

    def filed(self):
        """Standings with the last day that is known of them."""
        for at, filed in enumerate(self.standings):
            if filed["through"] >= filed["day"]:
                yield {"id": f"standing-{at}", "kind": "standing", **filed}

    def apply(self, event):
        name, payload = event["event"], event["payload"]
        kind, _, key = event["stream"].partition("/")
        if kind == "firm":
            self.of_firm(name, payload, event)
        elif kind == "case":
            story = self.stories.setdefault(key, [])
            story.append(event)
            if name == "fact_corrected":
                self.cases[key] = Told(self.plans)
                for told in in_force(story):
                    self.cases[key].apply(told)
            else:
                self.cases.setdefault(key, Told(self.plans)).apply(event)
        elif kind == "account":
            story = self.money.setdefault(key, [])
            story.append(event)
            if name == "money_corrected":
                self.accounts[key] = Account()
            told = standing(story) if name == "money_corrected" else [event]
            account = self.accounts.setdefault(key, Account())
            if name == "money_corrected":
                account.corrected_by = event["request_id"]
            account.is_told_again = account.corrected_by == event["request_id"]
            for fact in told:
                account.apply(fact["event"], fact["payload"], fact["occurred_on"])

    def filed_as(self, payload):
        what = (payload["kind"], payload["state"], payload["valid_from"])
        return [s for s in self.standings if (s["what"], s["state"], s["day"]) == what]

    def of_firm(self, name, payload, event):
        self.of_itself.append(event)
        if name == "firm_corrected":
            gone = {e["payload"]["fact"]["position"] for e in self.of_itself if e["event"] == name}
            story = [e for e in self.of_itself if e["position"] not in gone and e["event"] != name]
            self.packs, self.told, self.standings, self.of_itself = [], [], [], []
            for told in story:
                self.of_firm(told["event"], told["payload"], told)
            self.of_itself = story + [e for e in [event] if e not in story]
            return
        at = {"id": f"firm-{event['position']}", "day": event["occurred_on"]}
        if name == "firm_registered":
            self.zone = payload["zone"]
        elif name == "plan_published":
            self.plans.append((event["occurred_on"], payload["plan"]))
        elif name == "pack_adopted" and payload["pack"].get("state"):
            self.packs.append(pack(payload["pack"]))
        elif name in ("pack_confirmed", "pack_used_at_own_risk"):
            said = "confirmed" if name == "pack_confirmed" else "own_risk"
            named = {"pack": payload["code"], "version": payload["version"]}
            self.told.append({**at, "kind": said, **named})
        elif name == "standing_recorded":
            self.standings.append(
                {
                    "what": payload["kind"],
                    "state": payload["state"],
                    "day": payload["valid_from"],
                    "through": payload["valid_through"],
                    "amount": cents(payload["amount"]) if "amount" in payload else 0,
                }
            )
        elif name == "standing_ended":
            for filed in self.filed_as(payload):
                filed["through"] = min(filed["through"], payload["last_day"])


def in_force(story):
    """What was told of a case with its corrections worked in: each reading in the place of its fact."""
    corrections = {
        event["payload"]["fact"]["position"]: event
        for event in story
        if event["event"] == "fact_corrected"
    }
    for event in story:
        correction = corrections.get(event["position"])
        if event["event"] == "fact_corrected":
            continue
        if correction is None:
            yield event
        elif "reading" in correction["payload"]:
            reading = correction["payload"]["reading"]
            kept = correction["payload"].get("order_of")
            yield {
                **event,
                "occurred_on": reading["occurred_on"],
                "occurred_at": reading.get("occurred_at"),
                "payload": reading["payload"],
                "request_id": kept or correction["request_id"],
                "order": event["position"] if kept else correction["position"],
            }


def standing(story):
    """What was told of an account without what was taken back: what is told in its stead is among the rest."""
    gone = {e["payload"]["fact"]["position"] for e in story if e["event"] == "money_corrected"}
    return [e for e in story if e["position"] not in gone and e["event"] != "money_corrected"]


def pack(adopted):
    """A state's pack; the federal rules are built in here."""
    read = set(adopted.get("read", ()))
    if not adopted.get("nothing_is_added") and "telemarketing" not in read:
        # This model has no such dimension: one that it has is left unread for it.
        read -= {"performance"}
    dimensions = {name: None for name in ALWAYS_READ}
    for theirs, ours in DIMENSIONS.items():
        if theirs in read:
            dimensions |= {name: None for name in ours}
    if "cancellation" in adopted:
        count = adopted["cancellation"]
        dimensions["cancellation"] = {"days": count["days"], "calendar": count["calendar"]}
        dimensions["service_bar"] = "as_cancellation"
    if "bond" in adopted:
        bond = adopted["bond"]
        when = bond.get("when", "always")
        dimensions["security"] = {"when": when, "kinds": ["bond"], "amount": cents(bond["amount"])}
    if "perform_within" in adopted:
        dimensions["perform_within"] = {"days": adopted["perform_within"]["days"]}
    if "monthly_statement" in adopted:
        within = adopted["monthly_statement"].get("within_days", 0)
        dimensions["monthly_statement"] = {"within_days": within}
    for duty in ("prohibited", "registration"):
        if duty in adopted:
            dimensions[duty] = True
    if "performance" in adopted:
        dimensions["performance"] = adopted["performance"]["reading"]
    return {
        "id": adopted["code"],
        "state": adopted["state"],
        "version": adopted["version"],
        "in_force_from": adopted["in_force_from"],
        "in_force_through": adopted.get("in_force_through"),
        "nothing_is_added": adopted.get("nothing_is_added", False),
        "dimensions": dimensions,
    }


class Told:
    """What was told of one case."""

    def __init__(self, plans):
        self.plans = plans
        self.facts, self.endings, self.claims = [], [], []
        self.promised, self.findings = {}, []
        self.file = CreditFile()
        self.enrolled = None

    def is_covered(self):
        """Whether the sale is under the telemarketing rule."""
        sale = self.enrolled["sale"]
        return sale["channel"] == "telephone" or not sale.get("evidence")

    def add(self, event, kind, place=0, **data):
        position = event["position"]
        fact = {
            "id": f"{position:09}-{place}",
            "kind": kind,
            "day": event["occurred_on"],
            "request": event["request_id"],
            "place": event.get("order", position) * 10 + place,
            "time": instant(event),
            **data,
        }
        self.facts.append({name: value for name, value in fact.items() if value is not None})

    def apply(self, event):
        name, payload = event["event"], event["payload"]
        if name in WORK_OF_EVENT:
            self.work(event, WORK_OF_EVENT[name])
        elif name == "enrolled":
            self.enroll(event)
        elif name == "contact_changed":
            self.add(event, "moved", state=payload["contact"]["address"]["state"])
        elif name == "disclosure_acknowledged":
            self.add(event, "acknowledged")
        elif name == "consent_signed":
            self.sign(event)
        elif name == "billing_day_changed":
            self.add(event, "billing_day", on=payload["billing"]["monthly_on"])
        elif name == "circumstance_changed":
            if payload["kind"] == "authority_revoked":
                self.add(event, "authority", revoked=payload["holds"])
        elif name == "basis_attested":
            self.add(event, "attested", listing=listing(payload))
        elif name in ("service_paused", "service_resumed"):
            self.add(event, "pause" if name == "service_paused" else "resume")
        elif name in ("service_ended", "consent_cancelled"):
            self.endings.append(event)
        elif name == "period_closed_without_fee":
            last = day_before(payload["end"])
            self.add(event, "given_up", start=payload["start"], end=last)
        elif name == "results_found":
            self.findings.append(
                {
                    "day": event["occurred_on"],
                    "agreement": f"{payload['agreement']['position']:09}",
                    "found": payload["found"],
                }
            )
        elif name == "fee_earned":
            self.claims.append(
                {
                    "id": f"fee-{len(self.claims)}",
                    "kind": "claim",
                    "client": "c",
                    "day": payload["as_of"],
                    "start": payload["start"],
                    "end": day_before(payload["end"]),
                    "amount": cents(payload["amount"]),
                    "account": payload["account"],
                    "position": event["position"],
                }
            )
        elif name == "fee_kept":
            # The last decision of a fee says how much of it is kept in all.
            made = next(c for c in self.claims if c["position"] == payload["fee"]["position"])
            made["kept"] = (event["occurred_on"], cents(payload["amount"]), payload["gates"])
        elif name == "item_listed" and payload.get("delinquent_since"):
            since = payload["delinquent_since"]
            self.add(event, "listing", 3, listing=listing(payload), delinquent_on=since)
        self.file.apply(event)

    def enroll(self, event):
        payload = event["payload"]
        self.enrolled = {**payload, "day": event["occurred_on"]}
        home = payload["contact"]["address"]["state"]
        self.add(event, "enrolled", state=home, zone=payload["zone"])
        billing = payload["billing"]
        if "monthly_on" in billing:
            # The day agreed at the enrolment holds from the beginning, even for a signing told before it.
            begun = {key: value for key, value in event.items() if key != "occurred_at"}
            begun["occurred_on"] = "2000-01-01"
            self.add(begun, "billing_day", 1, on=billing["monthly_on"])
        elif billing != {"every_days": 30}:
            raise ValueError(f"this model knows no periods of {billing}")
        if not self.is_covered():
            in_person = payload["sale"]["channel"] == "in_person"
            shows = "face_to_face_before_authorization" if in_person else "no_telephone"
            self.add(event, "sale_evidence", 2, shows=shows)

    def sign(self, event):
        payload = event["payload"]
        name = f"{event['position']:09}"
        if payload["e_sign_consent"]:
            self.add(event, "consented", 0, agreement=name)
        self.add(
            event,
            "signed",
            1,
            agreement=name,
            online=self.enrolled["sale"]["channel"] == "online",
            total=cents(payload["total_of_payments"]),
            terms=(
                payload["terms"]["seat"],
                event["occurred_on"],
                payload["plan"]["code"] if "plan" in payload else None,
            ),
        )
        self.promised[name] = payload.get("promised")
        if payload["copies_given"]:
            self.add(event, "copies", 2, agreement=name)

    def work(self, event, kind):
        payload = event["payload"]
        letters = [
            {
                "bureau": letter["bureau"],
                "listings": [f"{item}@{letter['bureau']}" for item in letter["items"]],
            }
            for letter in payload.get("letters", ())
        ]
        self.add(
            event,
            "work",
            type=kind,
            completes_before=payload.get("completes_before", False),
            letters=letters,
            # A progress report is the statement of the work of its period.
            states=kind == "progress_report",
        )

    def terms(self, seat, on, plan):
        """Those of the plan's version of the signing day, whenever it was told: of the agreement's own plan, or of
        the one enrolled on."""
        code = plan or self.enrolled["plan"]
        own = [(day, at, plan) for at, (day, plan) in enumerate(self.plans)
               if plan["code"] == code]
        by_day = sorted(own, key=lambda version: version[:2])
        plan = ([p for day, _, p in by_day if day <= on] or [by_day[0][2]])[-1]
        first, monthly = (
            {WORK[kind]: plan[name].count(kind) for kind in plan[name]}
            for name in ("first_work", "monthly_work")
        )
        return {
            "first_price": cents(plan[seat]["first_fee"]),
            "price": cents(plan[seat]["monthly_fee"]),
            "first_work": first,
            "work": monthly,
            "grace": plan.get("grace_days", 10),
            "periods": plan.get("periods"),
            **({"shares": [1, 1]} if seat == "couple" else {}),
        }

    @property
    def results(self):
        """Deletions and corrections, for what was sold by telephone."""
        return self.file.results()

    def all_facts(self, law, firm):
        """With each end and cancellation naming what it ends."""
        for fact in self.facts:
            if fact["kind"] == "signed" and isinstance(fact["terms"], tuple):
                fact["signed_as"] = fact["terms"]
            if fact["kind"] == "signed":
                fact["terms"] = self.terms(*fact["signed_as"])
        read = [read_fact(f, "c", "c", f["id"], None, [], firm["zone"]) for f in self.facts]
        agreements = read_agreements(in_order([f for f in read if f.kind != "cancelled"]), law)
        found = list(self.facts)
        for event in self.endings:
            named = self.ended_by(event, agreements)
            kind = "ended" if event["event"] == "service_ended" else "cancelled"
            on = event["payload"].get("sent_on", event["occurred_on"])
            # The moment of a letter that came says nothing of the day on which it was sent.
            time = instant(event) if on == event["occurred_on"] else None
            if event["payload"].get("by") == "death":
                found.append(
                    {
                        "id": f"{event['position']:09}-died",
                        "kind": "died",
                        "day": on,
                        "request": event["request_id"],
                        "place": order_of(event),
                        "time": time,
                    }
                )
            for at, agreement in enumerate(named):
                found.append(
                    {
                        "id": f"{event['position']:09}-{at}",
                        "kind": kind,
                        "day": on,
                        "request": event["request_id"],
                        "place": order_of(event),
                        "time": time,
                        "agreement": agreement.id,
                    }
                )
        return found

    @staticmethod
    def ended_by(event, agreements):
        on = date.fromisoformat(event["payload"].get("sent_on", event["occurred_on"]))
        if event["event"] == "consent_cancelled":
            in_days = [a for a in agreements if a.signed <= on <= a.cancel_through]
            if in_days:
                return in_days
        before = [a for a in agreements if a.signed < on]
        for agreement in (a for a in agreements if a.signed == on):
            signed = agreement.fact
            first = signed.request == event["request_id"] and order_of(event) < signed.place
            before += [] if first else [agreement]
        return before


def order_of(event):
    return event.get("order", event["position"]) * 10


def instant(event):
    """The moment, where the log has one."""
    if event.get("occurred_at") is None:
        return None
    seconds, micros = divmod(event["occurred_at"], 1_000_000)
    return datetime.fromtimestamp(seconds, timezone.utc).replace(microsecond=micros).isoformat()


def listing(payload):
    return f"{payload['item']}@{payload['bureau']}"


class Account:
    """Invoices with what asked for them, and what of them was given back."""

    def __init__(self):
        self.invoices, self.payments, self.owner, self.members = {}, {}, None, []
        self.moved = self.is_told_again = False
        self.corrected_by = None

    def apply(self, name, payload, on):
        if name == "account_opened":
            self.owner, self.members = payload["owner"], [payload["owner"]]
        elif name == "member_linked":
            self.members.append(payload["member"])
        elif name == "member_unlinked":
            self.members.remove(payload["member"])
        elif name in ("payment_moved", "payment_moved_back"):
            self.moved = payload["to"] if name == "payment_moved" else False
        elif name == "invoice_issued":
            of_lines = {"lines": payload["lines"], "shares": [lines.nothing() for _ in payload["lines"]]}
            self.invoices[payload["number"]] = {**of_lines, "days": [on], **lines.nothing()}
        elif name == "charge_requested":
            self.invoices[payload["invoice"]]["days"].append(on)
        elif name in ("credit_granted", "written_off"):
            into = "credited" if name == "credit_granted" else name
            self.move(payload["invoice"], {into: cents(payload["amount"])}, payload)
        elif name == "payment_settled":
            applied = [(a["invoice"], cents(a["amount"])) for a in payload["applied"]]
            unearned = cents(payload["unearned"])
            self.payments[payload["payment"]] = {"applied": applied, "unearned": unearned}
            for invoice, amount in applied:
                of = self.invoices[invoice]
                whole = sum(cents(line["amount"]) for line in of["lines"])
                over = amount - max(0, whole - sum(of[name] for name in lines.nothing()))
                self.move(invoice, {"paid": amount}, payload)
                lines.recover(of, invoice, max(0, over), self.is_told_again)
        elif name in ("refund_issued", "chargeback_opened"):
            self.go_back(payload, frees=name == "refund_issued")
        elif name == "chargeback_won":
            self.come_again(payload)
        elif name == "lines_shared":
            lines.say(self.invoices[payload["invoice"]], payload["lines"])
        elif name == "money_restated":
            for of in payload["invoices"]:
                lines.say(self.invoices[of["invoice"]], of["lines"])
            for of in payload["payments"]:
                # One that was taken back since is in force no more.
                if of["payment"] in self.payments:
                    self.payments[of["payment"]]["unearned"] = cents(of["unearned"])

    def move(self, number, sums, payload):
        lines.move(self.invoices[number], number, sums, payload.get("lines"))

    def go_back(self, payload, frees):
        """First what nothing earned stood behind, then what paid invoices."""
        payment, left = self.payments[payload["payment"]], cents(payload["amount"])
        unearned = min(left, payment["unearned"])
        payment["unearned"] -= unearned
        left -= unearned
        taken = []
        for number, amount in payment["applied"]:
            invoice = self.invoices[number]
            part = min(left, amount, invoice["paid"])
            self.move(number, {"paid": -part, "refunded": part} if frees else {"paid": -part}, payload)
            left -= part
            taken.append((number, part))
        if not frees:
            self.payments[payload["chargeback"]] = {"taken": taken, "lines": payload.get("lines")}

    def come_again(self, payload):
        back = self.payments[payload["chargeback"]]
        for number, part in back["taken"]:
            lines.come_again(self.invoices[number], number, part, back["lines"])

    def line_of(self, case, claim, nth):
        """The line of a claim: its invoice, the days of asking, and its share of each of the sums."""
        found = []
        for number, invoice in sorted(self.invoices.items()):
            for line, share in zip(invoice["lines"], invoice["shares"]):
                days_of = (line["case"], line["start"], day_before(line["end"]))
                if days_of == (case, claim["start"], claim["end"]):
                    found.append({"days": invoice["days"], **share})
        return found[nth]


def read(lines):
    return [json.loads(line) for line in lines if line.strip()]
