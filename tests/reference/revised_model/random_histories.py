"""Random histories: the true facts of one or two clients, the decisions taken, and the many ways
in which one and the same story can be told."""

from datetime import date, timedelta
from random import Random

from examples import READ, TERMS, bond, confirmed, pack

START = date(2026, 3, 2)
ZONES = ("America/New_York",) * 23 + ("America/Los_Angeles",)


def text(on):
    return on.isoformat()


def random_firm(random):
    secured = pack(
        "ZB",
        security={"when": "always", "kinds": ["bond"], "amount": 1000},
        monthly_statement={"within_days": 10},
    )
    later = {**pack("ZA", version=2, fee_cap=9500), "in_force_from": "2026-06-01"}
    packs = [
        pack("ZA"),
        secured,
        pack("ZC"),
        pack(
            "ZE",
            cancellation={"days": 5, "calendar": "federal_office"},
            service_bar="as_cancellation",
            perform_within={"days": 180},
        ),
        {**pack("ZF"), "dimensions": {n: v for n, v in READ.items() if n != "fee_cap"}},
    ]
    if random.random() < 0.3:
        packs.append(later)
    told = [confirmed(p) for p in packs if p["state"] != "ZC"]
    if random.random() < 0.5:
        told.append(
            {"id": "zc-risk", "kind": "own_risk", "day": "2026-05-01", "pack": "zc", "version": 1}
        )
    gap = START + timedelta(days=random.randint(20, 120))
    told.append(bond("ZB", "2026-01-01", text(gap)))
    if random.random() < 0.6:
        told.append(bond("ZB", text(gap + timedelta(days=random.randint(1, 12)))))
    return {
        "zone": "America/New_York",
        "state": "ZA",
        "transit_days": 4,
        "packs": packs,
        "told": told,
    }


class Story:
    """The true facts of one client. Every fact gets a name; nobody has told it yet."""

    def __init__(self, random, name, seat, couple):
        self.random, self.name, self.facts = random, name, []
        self.seat, self.couple = seat, couple
        self.state = random.choice(["ZA"] * 6 + ["ZB"] * 4 + ["ZC", "ZD", "ZE", "ZE", "ZF"])
        self.today = START + timedelta(days=random.randint(45, 125))
        self.add(
            "enrolled",
            START - timedelta(days=3),
            state=self.state,
            seat=seat,
            zone=random.choice(ZONES),
        )
        if random.random() < 0.97:
            self.add("sale_evidence", START - timedelta(days=3), shows="no_telephone")
        for listing in ("L1", "L2"):
            if random.random() < 0.95:
                self.add("attested", START - timedelta(days=random.randint(0, 3)), listing=listing)

    def chance(self, of):
        return self.random.random() < of

    def add(self, kind, day, **data):
        name = f"{self.name}-{len(self.facts)}"
        fact = {"id": name, "kind": kind, "day": text(day), **data}
        if kind in ("work", "signed", "acknowledged", "ended", "pause") and self.chance(0.2):
            fact["time"] = f"{text(day)}T{self.random.randint(8, 20):02d}:00:00-04:00"
        self.facts.append(fact)
        return name

    def sign(self, on, agreement):
        random = self.random
        request = f"{self.name}-{agreement}" if self.chance(0.9) else None
        in_order = {"request": request} if request else {}
        if self.chance(0.95):
            before = 0 if self.chance(0.7) else random.randint(1, 3)
            self.add("acknowledged", on - timedelta(days=before), place=1, **in_order)
        terms = {
            **TERMS,
            "price": random.choice((8900, 6900)),
            "grace": random.choice((10, 10, 5)),
            "total": random.choice((60000, 30000, 200000, 200000)),
        }
        if self.couple:
            terms["shares"] = [1, 1]
        if self.chance(0.4):
            terms["first_work"] = {"progress_report": 1}
        online = self.chance(0.3)
        if online and self.chance(0.9):
            self.add("consented", on, place=2, **in_order)
        self.add(
            "signed",
            on,
            agreement=agreement,
            terms=terms,
            online=online,
            estimate_days=180,
            place=3,
            **in_order,
        )
        if self.chance(0.95):
            self.add("copies", on, agreement=agreement, place=4, **in_order)
        if self.chance(0.05):
            self.add("cancelled", on + timedelta(days=random.randint(0, 6)), agreement=agreement)

    def live(self):
        """A case from its signing on."""
        random, on, length = self.random, START, (self.today - START).days
        self.sign(on, "A1")
        if self.chance(0.3):
            renewed = on + timedelta(days=random.randint(20, length))
            if self.chance(0.4):
                gap = random.randint(0, 20)
                self.add("ended", renewed - timedelta(days=gap), agreement="A1")
            self.sign(renewed, "A2")
        elif self.chance(0.3):
            self.add("ended", on + timedelta(days=random.randint(10, length)), agreement="A1")
        if self.chance(0.3):
            paused = on + timedelta(days=random.randint(5, length))
            self.add("pause", paused)
            if self.chance(0.9):
                self.add("resume", paused + timedelta(days=random.randint(1, 25)))
        if self.chance(0.2):
            self.add(
                "billing_day",
                on + timedelta(days=random.randint(0, length)),
                on=random.randint(1, 31),
            )
        if self.chance(0.15):
            self.add(
                "moved",
                on + timedelta(days=random.randint(1, length)),
                state="ZA",
                zone=random.choice(ZONES),
            )
        self.work(length)
        if self.chance(0.1):
            self.add("given_up", on + timedelta(days=random.randint(1, length)))
        self.facts = [f for f in self.facts if f["day"] <= text(self.today)]

    def work(self, length):
        random, at = self.random, random_early(self.random)
        while at < length:
            on = START + timedelta(days=at)
            if self.chance(0.93):
                listings = random.choice((["L1"], ["L1", "L2"], ["L2"]))
                sent = self.add(
                    "work",
                    on,
                    type="round",
                    completes_before=self.chance(0.2),
                    letters=[{"bureau": "B1", "listings": listings}],
                )
                if self.chance(0.5):
                    self.add("delivered", on + timedelta(days=3), round=sent, bureau="B1")
                if self.chance(0.4):
                    self.add(
                        "answer",
                        on + timedelta(days=random.randint(10, 45)),
                        round=sent,
                        bureau="B1",
                        listing=listings[0],
                        result=random.choice(("deleted", "verified")),
                    )
            if self.chance(0.93):
                self.add(
                    "work",
                    on + timedelta(days=random.randint(0, 9)),
                    type="progress_report",
                    completes_before=self.chance(0.2),
                )
            if self.chance(0.8):
                self.add("statement", on + timedelta(days=random.randint(0, 14)))
            if self.chance(0.15):
                shown = {"L1": 1} if self.chance(0.5) else {}
                self.add("import", on, bureau="B1", listings=shown)
            at += random.randint(12, 28)


def random_early(random):
    return random.randint(0, 3) if random.random() < 0.05 else random.randint(4, 28)


def random_decisions(random, stories, grids, today):
    """Fees claimed on the grid, a few of them too early, on wrong days, twice, or too dear."""
    decisions, money = [], []
    for story in stories:
        for start, end in grids[story.name]:
            if random.random() < 0.35 or end is None or end + timedelta(days=1) > today:
                continue
            made_on = end + timedelta(days=random.choice((1, 1, 1, 2, 5, 11, 11, 0, -3)))
            shift = timedelta(days=random.choice((0, 0, 0, 0, 0, 1, -2, 4)))
            name = f"fee-{story.name}-{start}"
            decisions.append(
                {
                    "id": name,
                    "kind": "claim",
                    "client": story.name,
                    "day": text(made_on),
                    "start": text(start - shift),
                    "end": text(end - shift),
                    "amount": random.choice((6900, 6900, 6900, 8900, 9900, 3450)),
                    "by": random.choice(("run", "person")),
                    "old": random.random() < 0.05,
                }
            )
            bill(random, name, made_on, today, decisions, story, money)
            if random.random() < 0.06:
                decisions.append(
                    {
                        **decisions[0],
                        "id": name + "-again",
                        "client": story.name,
                        "start": text(start),
                        "end": text(end),
                        "day": text(made_on),
                    }
                )
    decisions = [d for d in decisions if d["day"] <= text(today)]
    return decisions, [(story, f) for story, f in money if f["day"] <= text(today)]


def bill(random, name, made_on, today, decisions, story, money):
    if random.random() < 0.15:
        return
    invoice = f"invoice-{name}"
    decisions.append(
        {"id": invoice, "kind": "invoice", "day": text(made_on), "lines": [{"claim": name}]}
    )
    if random.random() < 0.3:
        decisions.append(
            {
                "id": f"charge-{name}",
                "kind": "charge_request",
                "invoice": invoice,
                "day": text(made_on + timedelta(days=random.randint(0, 9))),
            }
        )
    if random.random() < 0.8:
        paid = made_on + timedelta(days=random.choice((0, 1, 3, -12)))
        payment = {
            "id": f"paid-{name}",
            "kind": "payment",
            "day": text(paid),
            "invoice": invoice,
            "amount": random.choice((8900, 8900, 9900, 5000)),
        }
        money.append((story, payment))
        back = text(paid + timedelta(days=random.randint(2, 30)))
        drawn = random.random()
        if drawn < 0.1:
            money.append(
                (
                    story,
                    {
                        "id": f"back-{name}",
                        "kind": "refund",
                        "day": back,
                        "claim": name,
                        "amount": payment["amount"],
                        "reason": random.choice(("exposure", "goodwill")),
                    },
                )
            )
        elif drawn < 0.15:
            money.append(
                (
                    story,
                    {
                        "id": f"charged-back-{name}",
                        "kind": "chargeback",
                        "day": back,
                        "payment": payment["id"],
                    },
                )
            )
        elif drawn < 0.2:
            money.append(
                (
                    story,
                    {
                        "id": f"kept-{name}",
                        "kind": "kept",
                        "day": back,
                        "claim": name,
                        "reason": "counsel's reason",
                        "counsel": "C",
                    },
                )
            )


def told_badly(random, stories):
    """The same truth out of order, with mistakes that were corrected, perhaps twice, and with
    facts of the wrong client that moved to the right one."""
    told = {story.name: [] for story in stories}
    corrections = {story.name: [] for story in stories}
    for story in stories:
        for fact in story.facts:
            if random.random() < 0.3:
                tell_wrong_first(random, fact, story.name, told, corrections)
            else:
                told[story.name].append(fact)
        if random.random() < 0.5:
            tell_and_take_back(random, story, told, corrections)
    for name in told:
        both = told[name] + corrections[name]
        random.shuffle(both)
        told[name] = both
    return told


def tell_wrong_first(random, fact, client, told, corrections):
    name, right = fact["id"], {k: v for k, v in fact.items() if k != "id"}
    wrong_day = date.fromisoformat(fact["day"]) + timedelta(days=random.randint(-9, 3))
    wrong = {**fact, "day": text(wrong_day)}
    wrong.pop("time", None)
    others = [other for other in told if other != client]
    home = random.choice(others) if others and random.random() < 0.3 else client
    told[home].append(wrong)
    step = {"kind": "correction", "reason": "a mistake", "by": "a person"}
    if random.random() < 0.3:
        corrections[home].append(
            {
                **step,
                "id": f"{name}-first",
                "names": name,
                "puts": {"day": text(wrong_day - timedelta(days=1))},
            }
        )
        name = f"{name}-first"
    moved = {"to_client": client} if home != client else {}
    corrections[home].append(
        {**step, "id": f"{fact['id']}-right", "names": name, "puts": right, **moved}
    )


def tell_and_take_back(random, story, told, corrections):
    copied = {**random.choice(story.facts), "id": f"{story.name}-never"}
    copied["day"] = text(START + timedelta(days=random.randint(0, 30)))
    copied.pop("time", None)
    told[story.name].append(copied)
    corrections[story.name].append(
        {
            "kind": "correction",
            "id": f"{story.name}-taken-back",
            "names": copied["id"],
            "reason": "of another person",
            "by": "a person",
        }
    )


def random_history(seed, evaluate):
    """(the true document, the same story told badly, the stories)"""
    random = Random(seed)
    couple = random.random() < 0.25
    firm = random_firm(random)
    stories = [Story(random, f"c{n}", n, couple) for n in range(2 if couple else 1)]
    for story in stories:
        story.live()
    today = max(story.today for story in stories)
    true = {
        "today": text(today),
        "firm": firm,
        "decisions": [],
        "clients": [{"id": s.name, "told": s.facts} for s in stories],
    }
    grids = evaluate(true)
    decisions, money = random_decisions(random, stories, grids, today)
    for story, fact in money:
        story.facts.append(fact)
    true["decisions"] = decisions
    badly = told_badly(random, stories)
    told = {**true, "clients": [{"id": name, "told": items} for name, items in badly.items()]}
    return true, told, stories
