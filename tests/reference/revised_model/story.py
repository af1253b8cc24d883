"""The story in force: what was told, less what was taken back, by the day on which it happened."""

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Optional

import days

# What a fact must carry to be a fact at all. Anything else is refused as malformed.
KINDS = {
    "enrolled": ("state",),
    "moved": ("state",),
    "sale_evidence": ("shows",),
    "acknowledged": (),
    "consented": (),
    "signed": ("agreement",),
    "copies": ("agreement",),
    "attested": ("listing",),
    "authority": ("revoked",),
    "listing": ("listing",),
    "work": ("type",),
    "statement": (),
    "import": ("bureau",),
    "pause": (),
    "resume": (),
    "ended": ("agreement",),
    "died": (),
    "cancelled": (),
    "given_up": (),
    "billing_day": ("on",),
    "finding": ("agreement", "shows"),
    "contact": (),
    "delivered": ("round", "bureau"),
    "supplement": ("round", "bureau"),
    "no_answer": (),
    "answer": ("bureau", "listing", "result"),
    "notice": ("of", "bureau"),
    "reinserted": ("bureau", "listing"),
    "description_requested": ("bureau",),
    "theft_papers": ("bureau", "listing"),
    "blocked": ("bureau", "listing"),
    "payment": ("amount",),
    "refund": ("amount",),
    "credit": ("claim", "amount"),
    "write_off": ("claim", "amount"),
    "chargeback": ("payment",),
    "kept": ("reason", "counsel"),
}

# "otherwise they stand in a fixed order of kinds (acknowledgement, consent, signing, copies,
# work, pause, end, cancellation)". The list names no place for the other kinds. They are put
# first: what enrolment, a basis or a resumed service allows, it allows on its own day.
RANK = {
    "acknowledged": 1,
    "consented": 2,
    "signed": 3,
    "copies": 4,
    "work": 5,
    "pause": 6,
    "ended": 7,
    "died": 7,
    "cancelled": 8,
}

# The kinds whose day may be doubtful between two zones. Money and answers bear their own dates.
DOUBTFUL = {
    "acknowledged",
    "consented",
    "signed",
    "copies",
    "attested",
    "work",
    "statement",
    "pause",
    "resume",
    "ended",
    "died",
    "cancelled",
}


@dataclass(frozen=True)
class Fact:
    id: str
    root: str
    kind: str
    client: str
    day: date
    data: dict = field(compare=False)
    time: Optional[str] = None
    order: Optional[int] = None
    request: Optional[str] = None
    place: int = 0
    other_day: Optional[date] = None
    correction: Optional[dict] = field(default=None, compare=False)

    def get(self, name, default=None):
        return self.data.get(name, default)

    @property
    def later_day(self):
        return max(self.day, self.other_day or self.day)

    @property
    def earlier_day(self):
        return min(self.day, self.other_day or self.day)

    @property
    def sitting(self):
        """Facts of one request on one day share their doubt; any other fact doubts alone."""
        return f"{self.request} {self.day}" if self.request else self.id


def known_before(first, second):
    """Whether `first` came before `second`: True, False, or None where nobody said so."""
    if first.day != second.day:
        return first.day < second.day
    if first.time and second.time and first.time != second.time:
        return days.instant(first.time) < days.instant(second.time)
    if first.order is not None and second.order is not None and first.order != second.order:
        return first.order < second.order
    if first.request and first.request == second.request and first.place != second.place:
        return first.place < second.place
    return None


def stands_before(first, second):
    """As `known_before`, and by the fixed order of kinds where nobody said so."""
    known = known_before(first, second)
    if known is not None:
        return known
    return (RANK.get(first.kind, 0), first.root) < (RANK.get(second.kind, 0), second.root)


def in_order(facts):
    """The facts by day; within a day, what is known to be earlier first."""
    by_day, ordered = {}, []
    for fact in facts:
        by_day.setdefault(fact.day, []).append(fact)
    for on in sorted(by_day):
        left = sorted(by_day[on], key=lambda f: (RANK.get(f.kind, 0), f.root))
        while left:
            free = [f for f in left if not any(known_before(g, f) for g in left if g is not f)]
            ordered.append((free or left)[0])
            left.remove(ordered[-1])
    return ordered


class Told:
    """Everything told of all clients, with the corrections worked in."""

    def __init__(self, document, today):
        self.refused, self.corrections = [], []
        self.readings, self.replaced_by = {}, {}
        asked = []
        for client in document["clients"]:
            for item in client["told"]:
                if item["kind"] == "correction":
                    asked.append((item, client["id"]))
                else:
                    self.readings[item["id"]] = (dict(item), client["id"], item["id"], None)
        self._correct(asked)
        taken = [reading for name, reading in self.readings.items() if name not in self.replaced_by]
        self.facts = self._facts(document, taken, today)

    def _correct(self, asked):
        # Only the order of corrections that name one reading matters: the first stands.
        waiting = sorted(asked, key=lambda pair: pair[0].get("recorded_at", ""))
        moved = True
        while waiting and moved:
            moved, still = False, []
            for item, client in waiting:
                if item["names"] not in self.readings:
                    still.append((item, client))
                    continue
                moved = True
                self._one_correction(item, client)
            waiting = still
        for item, _ in waiting:
            self.refused.append({"id": item["id"], "why": "names a thing that does not exist"})

    def _one_correction(self, item, client):
        named = item["names"]
        if named in self.replaced_by:
            newer = named
            while self.replaced_by.get(newer):
                newer = self.replaced_by[newer]
            self.refused.append(
                {"id": item["id"], "why": "names a replaced reading", "newer": newer}
            )
            return
        old, owner, root, _ = self.readings[named]
        puts, target = item.get("puts"), item.get("to_client")
        if puts is None and target is None:
            self.replaced_by[named] = None
        else:
            fresh = {**old, **(puts or {})}
            if "day" in (puts or {}):
                # The time and the stated order belonged to the day that was wrong.
                fresh.update({name: puts.get(name) for name in ("time", "order")})
            self.readings[item["id"]] = (fresh, target or owner, root, item)
            self.replaced_by[named] = item["id"]
        # What was taken back as another person's is opened to nobody again.
        if target in (None, owner):
            self.corrections.append(
                {
                    "id": item["id"],
                    "names": named,
                    "client": owner,
                    "reason": item.get("reason"),
                    "by": item.get("by"),
                }
            )

    def _facts(self, document, taken, today):
        well_formed = []
        for data, client, root, correction in taken:
            name = correction["id"] if correction else root
            why = refusal(data, today)
            if why:
                self.refused.append({"id": name, "why": why})
            else:
                well_formed.append((data, client, root, name, correction))
        homes = {client["id"]: [] for client in document["clients"]}
        for data, client, *_ in well_formed:
            if data["kind"] in ("enrolled", "moved") and data.get("zone") and client in homes:
                homes[client].append((days.day(data["day"]), data["zone"]))
        firm_zone = document["firm"].get("zone")
        facts = {name: [] for name in homes}
        for data, client, root, name, correction in well_formed:
            if client not in facts:
                self.refused.append({"id": name, "why": "about a client that does not exist"})
                continue
            facts[client].append(
                read_fact(data, client, root, name, correction, homes[client], firm_zone)
            )
        return {client: self._existing(of_client, today) for client, of_client in facts.items()}

    def _existing(self, facts, today):
        agreements = {f.get("agreement") for f in facts if f.kind == "signed"}
        kept = []
        for fact in facts:
            named = fact.get("agreement")
            if named is not None and named not in agreements:
                self.refused.append(
                    {"id": fact.id, "why": "about an agreement that does not exist"}
                )
            elif fact.day > today:
                self.refused.append({"id": fact.id, "why": "in the future"})
            else:
                kept.append(fact)
        return kept


def refusal(data, today):
    """A fact is refused only if it cannot be true."""
    needed = KINDS.get(data.get("kind"))
    if needed is None or any(name not in data for name in needed):
        return "malformed"
    try:
        told_day = days.day(data["day"])
        if data.get("time"):
            days.instant(data["time"])
    except (KeyError, ValueError, AttributeError):
        return "malformed"
    # A day of the firm may be one ahead of the client's; what is left is checked once read.
    return "in the future" if told_day > days.plus(today, 1) else None


def zone_on(homes, on):
    """Where the client lived on that day, by the last enrolment or move up to it."""
    at = [home for home in sorted(homes) if home[0] <= on] or sorted(homes)[:1]
    return at[-1][1] if at else None


def read_fact(data, client, root, name, correction, homes, firm_zone):
    """Midnight is midnight where the client lives."""
    told_day, other = days.day(data["day"]), None
    zone = zone_on(homes, told_day)
    if data.get("time") and zone:
        told_day = days.instant(data["time"]).astimezone(days.zone(zone)).date()
    elif not data.get("time") and zone and firm_zone and data["kind"] in DOUBTFUL:
        ahead = days.offset(zone, told_day) - days.offset(firm_zone, told_day)
        if ahead:
            other = days.plus(told_day, 1 if ahead.total_seconds() > 0 else -1)
    return Fact(
        id=name,
        root=root,
        kind=data["kind"],
        client=client,
        day=told_day,
        data=data,
        time=data.get("time"),
        order=data.get("order"),
        request=data.get("request"),
        place=data.get("place", 0),
        other_day=other,
        correction=correction,
    )


def read_otherwise(facts, sitting):
    """The same facts with the doubtful days of one sitting (or of `all`) read the other way."""
    return [
        (
            replace(f, day=f.other_day, other_day=f.day)
            if f.other_day and sitting in ("all", f.sitting)
            else f
        )
        for f in facts
    ]
