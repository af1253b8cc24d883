"""The gates G1 to G5 and G8, each as the trade's text words it."""

from functools import cached_property

import days
from agreements import price
from answers import FINISH, HOLDS, NEVER, PUT_RIGHT, WAIT, best, fails, holds, unknown
from case import missing
from results import g6
from statelaw import applicable, g7
from story import known_before

# "only because days were corrected by up to three"
TOLERATED_DAYS = 3

CITES = {
    "G1": "15 USC 1679c(a)",
    "G2": "15 USC 1679d, 1679e, 1679f, 7001(c)",
    "G3": "15 USC 1679d(a)",
    "G4": "15 USC 1679b(b)",
    "G5": "one fee for one period",
    "G6": "16 CFR 310.4(a)(2)",
    "G7": "state law, 15 USC 1679j",
    "G8": "15 USC 1679d(b)(1)",
}


class Question:
    """One period, asked about on one day, for a fee that may already be claimed."""

    def __init__(self, case, period, asked_on, amount, claims, claim=None, end_today=None):
        self.case, self.period, self.on = case, period, asked_on
        self.amount, self.claims, self.claim = amount, claims, claim
        self.end_today = end_today  # the end of the period on today's grid

    @property
    def agreement(self):
        return self.period.agreement if self.period else None

    @cached_property
    def answers(self):
        if self.agreement is None:
            nothing = fails("no agreement in force governs these days", NEVER)
            return {gate: nothing if gate == "G2" else holds() for gate in CITES}
        return {
            "G1": g1(self),
            "G2": g2(self),
            "G3": g3(self),
            "G4": g4(self),
            "G5": g5(self),
            "G6": g6(self),
            "G7": g7(self),
            "G8": g8(self),
        }


def acknowledged_before(case, agreement, statement):
    """Whether that statement was acknowledged before the agreement was signed."""
    found = []
    for fact in case.of("acknowledged"):
        if fact.get("statement", "federal") != statement:
            continue
        before = known_before(fact, agreement.fact)
        if before is True:
            found.append(holds(fact.root, agreement.fact.root))
        elif before is None:
            found.append(
                unknown(
                    f"{statement}: nobody said which of the two came first",
                    fact.root,
                    agreement.fact.root,
                )
            )
        else:
            found.append(
                fails(
                    f"{statement}: acknowledged after the signing",
                    NEVER,
                    fact.root,
                    agreement.fact.root,
                )
            )
    return best(found) or fails(
        f"{statement}: no acknowledgement before the signing", NEVER, agreement.fact.root
    )


def g1(question):
    """The disclosure was acknowledged before the agreement was signed."""
    return acknowledged_before(question.case, question.agreement, "federal")


def g2(question):
    """The agreement is in force and complete."""
    case, agreement = question.case, question.agreement
    signed, rests_on = agreement.fact, [agreement.fact.root]
    if signed.get("dated", True) is False:
        return fails("the agreement bears no date", NEVER, *rests_on)
    for paper in ("contract", "notice"):
        given = [
            f
            for f in case.of("copies")
            if f.get("agreement") == agreement.id
            and f.day == signed.day
            and paper in f.get("what", ["contract", "notice"])
        ]
        if not given:
            return fails(
                f"the copy of the {paper} was not given on the day of signing; "
                "a new signing cures it, a later copy does not",
                NEVER,
                *rests_on,
            )
        rests_on.append(given[0].root)
    if signed.get("online"):
        consents = [
            f
            for f in case.of("consented")
            # "An agreement has a life of its own: ... consent to electronic records"
            if f.get("agreement", agreement.id) == agreement.id
            and known_before(signed, f) is not True
            and f.day <= signed.day
        ]
        if not consents:
            return fails("signed online without consent to electronic records", NEVER, *rests_on)
        rests_on.append(consents[0].root)
    return holds(*rests_on)


def g3(question):
    """No service in that agreement's waiting days."""
    early = question.case.early_service(question.agreement)
    if early:
        return fails("service before the agreement allowed it", NEVER, *[f.root for f in early])
    return holds(question.agreement.fact.root)


def g4(question):
    """The period is over and all work promised for it is evidenced by work that counts."""
    undone = contract_undone(question) if whole_contract(question) else None
    month = month_done(question)
    return undone if undone and month.answer == HOLDS else month


def month_done(question):
    case, period, on = question.case, question.period, question.on
    if period.cut_on:
        return fails("cut short by an end", NEVER, period.agreement.end.root)
    given_up = [f for f in case.of("given_up") if is_given_up(case, period, f)]
    if given_up:
        return fails("the period was given up", PUT_RIGHT, given_up[0].root)
    works = case.work_of(period)
    undone = missing(period, works)
    if undone:
        last = case.last_day_to_finish(period)
        open_still = last is None or on <= last
        return fails(
            "promised work is missing",
            FINISH if open_still else NEVER,
            *[f.root for f in works],
            until=last,
            detail=undone,
        )
    over = period.end is not None and period.end < on
    if not over:
        claim, end = question.claim, question.end_today
        if claim and end and claim["end"] < on and 0 < (end - claim["end"]).days <= TOLERATED_DAYS:
            return unknown(
                "not over when asked for, by a correction of days alone",
                *[f.root for f in works],
                opens=WAIT,
                until=days.plus(end, 1),
            )
        return fails(
            "the period is not over",
            WAIT,
            *[f.root for f in works],
            until=days.plus(period.end, 1) if period.end else None,
        )
    return holds(*[f.root for f in works])


def is_given_up(case, period, fact):
    """By its days, if the note names them; else by any day of it."""
    if fact.get("start"):
        return case.grid.stands_for(days.day(fact.get("start")), days.day(fact.get("end"))) is period
    return period.contains(days.day(fact.get("of")) or fact.day)


def whole_contract(question):
    """Counsel may read "fully performed" as the whole contract; the pack says which."""
    law = question.case.law
    return any(
        law.usable(p) and law.dimension(p, "performance")[1] == "whole_contract"
        for p in applicable(question)
    )


def contract_undone(question):
    """What the whole contract still lacks, or None where its promised work is done.

    "all its fees become claimable when its promised work is done, at the latest by the end of
    its estimate": the promise is that of every period up to the end of the estimate, and work
    after that end is not the estimated work.
    """
    case, agreement = question.case, question.agreement
    estimate = agreement.fact.get("estimate_days")
    if not estimate:
        return fails("the whole contract must be performed, and it names no estimate", PUT_RIGHT)
    last = days.plus(agreement.signed, estimate)
    own = [p for p in case.grid.periods if p.agreement is agreement and p.start <= last]
    reached = own and own[-1].end is not None and own[-1].end >= last and not own[-1].cut_on
    short = [p for p in own if missing(p, [w for w in case.work_of(p) if w.day <= last])]
    if short or not reached:
        late = question.on > last
        return fails("the whole contract is not performed", NEVER if late else FINISH, until=last)
    return None


def g5(question):
    """No other claimed fee stands for the period."""
    period_fees = [
        c
        for c in question.claims
        if c["period"] is not None
        and question.period
        and c["period"].start == question.period_today_start
    ]
    claim = question.claim
    if claim:
        period_fees = [c for c in period_fees if c["order"] < claim["order"]]
    standing = [c for c in period_fees if not c["freed"]]
    if standing:
        return fails("another claimed fee stands for the period", PUT_RIGHT, standing[0]["id"])
    if period_fees and claim and claim.get("by") == "run":
        return fails(
            "a freed period is for a person's claim, never for a billing run",
            PUT_RIGHT,
            period_fees[0]["id"],
        )
    return holds()


def g8(question):
    """The fees claimed under the agreement up to and with this one stay within its total."""
    total = question.agreement.total()
    if total is None:
        return fails(
            "the agreement states no total of all payments", NEVER, question.agreement.fact.root
        )
    claim = question.claim
    before = [
        c
        for c in question.claims
        if c["agreement"] == question.agreement.id
        and (claim is None or c["order"] < claim["order"])
    ]
    counted = sum(c["amount"] - c["less"] for c in before)
    own = question.amount - (claim["less"] if claim else 0)
    if counted + own > total:
        return fails(
            f"{counted + own} of {total}",
            PUT_RIGHT,
            question.agreement.fact.root,
            detail={"sum": counted + own, "total": total},
        )
    return holds(question.agreement.fact.root)


def period_price(case, period):
    return price(period.agreement, period.first, case.seat()) if period.agreement else None
