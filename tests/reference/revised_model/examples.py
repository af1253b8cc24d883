"""Small builders for the tests: one client of the histories, told in plain words."""

from datetime import date

FIRM = {
    "zone": "America/New_York",
    "state": "ZA",
    "transit_days": 5,
    "packs": [
        {
            "id": "za",
            "state": "ZA",
            "version": 1,
            "in_force_from": "2020-01-01",
            "nothing_is_added": True,
        }
    ],
    "told": [
        {
            "id": "za-confirmed",
            "kind": "confirmed",
            "day": "2026-01-02",
            "pack": "za",
            "version": 1,
            "by": "counsel",
        }
    ],
}

READ = {
    name: None
    for name in (
        "cancellation",
        "service_bar",
        "statements",
        "contract_items",
        "estimate",
        "prohibited",
        "performance",
        "security",
        "registration",
        "perform_within",
        "monthly_statement",
        "fee_cap",
    )
}

TERMS = {
    "first_price": 9900,
    "price": 8900,
    "work": {"round": 1, "progress_report": 1},
    "grace": 10,
    "total": 200000,
}


def pack(state="ZB", version=1, **dimensions):
    """A state's pack, read in every dimension; what is not given adds nothing."""
    return {
        "id": state.lower(),
        "state": state,
        "version": version,
        "in_force_from": "2020-01-01",
        "dimensions": {**READ, **dimensions},
    }


def confirmed(of, day="2026-01-02"):
    return {
        "id": f"{of['id']}-{of['version']}-confirmed",
        "kind": "confirmed",
        "day": day,
        "pack": of["id"],
        "version": of["version"],
    }


def firm_of(*packs, told=()):
    return {
        **FIRM,
        "packs": FIRM["packs"] + list(packs),
        "told": FIRM["told"] + [confirmed(p) for p in packs] + list(told),
    }


def bond(state, first, through=None):
    record = {
        "id": f"bond-{state}-{first}",
        "kind": "standing",
        "what": "bond",
        "state": state,
        "day": first,
        "amount": 1000000,
    }
    return {**record, "through": through} if through else record


class Client:
    """Tells facts one after another and gives each a name."""

    def __init__(self, name="c1", state="ZA", zone="America/New_York"):
        self.name, self.told, self.decisions = name, [], []
        self.tell("enrolled", "2026-03-01", state=state, zone=zone, id=f"{name}-enrolled")
        self.tell("sale_evidence", "2026-03-01", shows="no_telephone", id=f"{name}-sale")
        self.tell("attested", "2026-03-01", listing="L1", basis="not mine", id=f"{name}-basis")

    def tell(self, kind, day, **more):
        name = more.pop("id", f"{self.name}-{kind}-{day}-{len(self.told)}")
        self.told.append({"id": name, "kind": kind, "day": day, **more})
        return name

    def sign(self, day="2026-03-02", agreement="A1", terms=None, **more):
        """The acknowledgement, the signing and the copies, told in one request in that order."""
        request = {"request": f"{self.name}-sign-{agreement}"}
        self.tell("acknowledged", day, id=f"{self.name}-ack-{agreement}", place=1, **request)
        self.tell(
            "signed",
            day,
            id=f"{self.name}-signed-{agreement}",
            agreement=agreement,
            terms=terms or TERMS,
            place=2,
            **request,
            **more,
        )
        self.tell(
            "copies",
            day,
            id=f"{self.name}-copies-{agreement}",
            agreement=agreement,
            place=3,
            **request,
        )
        return self

    def round(self, day, **more):
        return self.tell(
            "work", day, type="round", letters=[{"bureau": "B1", "listings": ["L1"]}], **more
        )

    def report(self, day, **more):
        return self.tell("work", day, type="progress_report", **more)

    def month(self, day):
        """A month's work in full."""
        self.round(day)
        self.report(day)

    def correct(self, name, **more):
        at = f"correction-{len(self.told)}-of-{name}"
        self.told.append(
            {
                "id": at,
                "kind": "correction",
                "names": name,
                "reason": "a mistake",
                "by": "a person",
                **more,
            }
        )
        return at

    def claim(self, start, end, amount, day, paid=None, asked=True, **more):
        """A fee claimed on a day, invoiced on it unless said otherwise, and paid."""
        name = f"{self.name}-fee-{start}"
        while any(d["id"] == name for d in self.decisions):
            name += "-again"
        self.decisions.append(
            {
                "id": name,
                "kind": "claim",
                "client": self.name,
                "start": start,
                "end": end,
                "amount": amount,
                "day": day,
                **more,
            }
        )
        if asked:
            self.decisions.append(
                {"id": f"invoice-{name}", "kind": "invoice", "day": day, "lines": [{"claim": name}]}
            )
        if paid:
            self.tell(
                "payment", paid, amount=amount, invoice=f"invoice-{name}", id=f"payment-{name}"
            )
        return name


def document(today, *clients, firm=FIRM, **more):
    decisions = [made for client in clients for made in client.decisions]
    return {
        "today": today,
        "firm": firm,
        "decisions": decisions,
        "clients": [{"id": c.name, "told": c.told} for c in clients],
        **more,
    }


def on(text):
    return date.fromisoformat(text)
