"""Agreements: what was signed, when its rights and its service begin, and how it ends."""

from dataclasses import dataclass
from datetime import date
from typing import Optional

import days
from story import Fact, known_before, stands_before

DEFAULT_GRACE = 10


@dataclass
class Agreement:
    id: str
    fact: Fact
    signed: date
    state: Optional[str]
    terms: dict
    packs: list
    cancel_through: date
    service_from: date
    cancelled: Optional[Fact] = None
    end: Optional[Fact] = None

    @property
    def ended(self):
        return self.end.day if self.end else None

    @property
    def grace(self):
        return self.terms.get("grace", DEFAULT_GRACE)

    def total(self):
        return self.fact.get("total", self.terms.get("total"))


def read_agreements(facts, law):
    """Every agreement of the story, in the order of signing."""
    found = []
    for fact in facts:
        if fact.kind != "signed":
            continue
        state = state_on(facts, fact.day)
        packs = law.in_force(fact.day, state, fact.get("activity_states", ()))
        # "rights of the client are counted from the later reading"
        cancel, service = law.windows(fact.later_day, packs)
        agreement = Agreement(
            fact.get("agreement"),
            fact,
            fact.day,
            state,
            terms_of(fact, law.firm),
            packs,
            cancel,
            service,
        )
        find_ends(agreement, facts)
        found.append(agreement)
    return found


def find_ends(agreement, facts):
    for fact in facts:
        if fact.kind == "cancelled" and fact.get("agreement", agreement.id) == agreement.id:
            # A doubtful day of sending is a right of the client too: the earlier counts.
            if fact.later_day >= agreement.signed and fact.earlier_day <= agreement.cancel_through:
                agreement.cancelled = agreement.cancelled or fact
                continue
            # "An end or a late cancellation names its agreement." One that names none ends none.
            named = fact.get("agreement") == agreement.id
        elif fact.kind == "died":
            # Services need a contract "signed by the consumer" (15 USC 1679d(a)(1)): the dead sign none.
            if known_before(fact, agreement.fact) is True:
                agreement.cancelled = agreement.cancelled or fact
            continue
        else:
            named = fact.kind == "ended" and fact.get("agreement") == agreement.id
        if named and fact.day >= agreement.signed:
            if agreement.end is None or stands_before(fact, agreement.end):
                agreement.end = fact


def terms_of(fact, firm):
    """ "Terms are the plan's version of the signing day." Terms stated at the signing itself win."""
    if fact.get("terms"):
        return fact.get("terms")
    versions = [
        p
        for p in firm.get("plans", [])
        if p["plan"] == fact.get("plan") and days.day(p["from"]) <= fact.day
    ]
    return max(versions, key=lambda p: p["from"])["terms"] if versions else {}


def state_on(facts, on):
    """The client's state by the last enrolment or move up to that day, else by the first one."""
    homes = [f for f in facts if f.kind in ("enrolled", "moved")]
    at = [f for f in homes if f.day <= on] or homes[:1]
    return at[-1].get("state") if at else None


def price(agreement, first, seat):
    """The price of a period, in minor units; a couple's price is split by seat."""
    terms = agreement.terms
    whole = terms.get("first_price", terms.get("price")) if first else terms.get("price")
    if whole is None:
        return None
    shares = terms.get("shares")
    return days.largest_remainder(whole, shares)[seat] if shares else whole


def promise(agreement, first):
    """The work a period promises: how many of which kind."""
    terms = agreement.terms
    return terms.get("first_work", terms.get("work", {})) if first else terms.get("work", {})
