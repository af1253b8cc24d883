"""Claimed fees, judged as of each day they were asked for, and the fees still to be claimed."""

import days
from answers import FAILS, HOLDS, UNKNOWN, over_readings, worst
from case import Case
from gates import CITES, Question, period_price
from story import in_order, read_otherwise

GATES = tuple(CITES)


class Judge:
    """One client: every question about a period, a day and an amount goes through here."""

    def __init__(self, facts, law, today, claims):
        self.facts, self.law, self.today = in_order(facts), law, today
        self.old_claims = [c for c in claims if c.get("old")]
        self.cases, self.read = {}, {None: self.facts}
        sittings = {f.sitting for f in facts if f.other_day}
        self.readings = [None] + sorted(sittings) + (["all"] if len(sittings) > 1 else [])
        self.now = self.case(today)
        self.claims = [self._with_period(c) for c in claims]

    def case(self, on, reading=None):
        if (on, reading) not in self.cases:
            if reading not in self.read:
                self.read[reading] = in_order(read_otherwise(self.facts, reading))
            self.cases[on, reading] = Case(self.read[reading], self.law, on, self.old_claims)
        return self.cases[on, reading]

    def _with_period(self, claim):
        period = self.now.grid.stands_for(claim["start"], claim["end"])
        agreement = period.agreement.id if period and period.agreement else None
        return {**claim, "period": period, "agreement": agreement}

    def ask(self, period, on, amount, claim=None):
        """The eight answers for a period of today's grid, as of the day `on`."""
        found = []
        has_begun = period and self._there(self.case(on), period)
        for reading in self.readings:
            case = self.case(on, reading)
            there = self._there(case, period) if period else None
            question = Question(
                case, there, on, amount, self.claims, claim, period.end if period else None
            )
            question.period_today_start = period.start if period else None
            if period and not has_begun and period.agreement:
                question.period = period  # not begun on that day: over it cannot be
            found.append(question)
        return {gate: over_readings(self._answers(gate, found)) for gate in GATES}

    @staticmethod
    def _answers(gate, found):
        """What a gate answers in each reading. Where one has no agreement for these days, there is no
        fee that the other gates could look at: that one says so in the gate of the agreement."""
        first, *others = found
        asked = [first] + [q for q in others if q.agreement or gate == "G2"]
        return [question.answers[gate] for question in asked]

    @staticmethod
    def _there(case, period):
        return case.grid.stands_for(period.start, period.end or days.FAR)

    # -- claimed fees ----------------------------------------------------------------------------

    def judge_claim(self, claim):
        """Each gate over every day the fee was asked for; today where it was not asked for yet."""
        asked = claim["asked"] or [self.today]
        by_day = {on: self.ask(claim["period"], on, claim["amount"], claim) for on in asked}
        gates = {gate: worst(by_day[on][gate] for on in asked) for gate in GATES}
        statuses = {on: status(by_day[on]) for on in asked}
        return {
            "gates": gates,
            "by_day": statuses,
            "status": worst_status(statuses.values()),
            "price": self.price_of(claim),
        }

    def price_of(self, claim):
        return period_price(self.now, claim["period"]) if claim["period"] else None

    def allowed_by(self, claim, on):
        """Whether the fee was allowed on that day or any day before: holds, unknown or fails."""
        period, found = claim["period"], []
        if period is None:
            return FAILS
        for candidate in [on] + self._days_between(period, on):
            found.append(status(self.ask(period, candidate, claim["amount"], claim)))
            if found[-1] == HOLDS:
                return HOLDS
        return UNKNOWN if UNKNOWN in found else FAILS

    def _days_between(self, period, on):
        """Gates change only on days of facts, so no other days need asking."""
        if period.end is None or period.end >= on:
            return []
        told = {f.day for f in self.facts} | {days.day(f["day"]) for f in self.law.told}
        between = {d for d in told if period.end < d < on}
        return sorted(between | {d for d in [days.plus(period.end, 1)] if d < on})

    # -- fees still to be claimed ------------------------------------------------------------------

    def open_fees(self):
        """Every period without a standing fee: what it would cost and what holds it back."""
        taken = {c["period"].start for c in self.claims if c["period"] and not c["freed"]}
        for period in self.now.grid.periods:
            if period.start in taken:
                continue
            amount = period_price(self.now, period)
            answers = self.ask(period, self.today, amount or 0)
            freed = any(c["period"] and c["period"].start == period.start for c in self.claims)
            yield {
                "period": period,
                "amount": amount,
                "gates": answers,
                "claimable": amount is not None and status(answers) == HOLDS,
                "by_person_only": freed,
            }


def status(answers):
    return worst(answers.values()).answer


def worst_status(found):
    found = set(found)
    return next(kind for kind in (FAILS, UNKNOWN, HOLDS) if kind in found)
