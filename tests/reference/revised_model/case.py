"""One client's story as it stands on one day: agreements, grid, and the work that counts."""

from collections import Counter

import days
from agreements import promise, read_agreements, state_on
from periods import lay_grid, pauses
from story import known_before, stands_before

OLD_GRACE = 10  # agreements of the first edition: within ten days


class Case:
    def __init__(self, facts, law, today, old_claims=()):
        """`facts` stand in order. Those after `today` are left out: "what begins later never
        reaches back"."""
        self.law, self.today = law, today
        self.facts = [f for f in facts if f.day <= today]
        self._by_kind = {}
        for fact in self.facts:
            self._by_kind.setdefault(fact.kind, []).append(fact)
        self.agreements = read_agreements(self.facts, law)
        kept_days = tuple((c["start"], c["end"]) for c in old_claims)
        self.old_evidence = {root: c["end"] for c in old_claims for root in c.get("evidence", [])}
        self.grid = lay_grid(self.facts, self.agreements, kept_days, today)
        self.delinquent = self.of("listing")
        self.bases = self.of("attested")
        self._work = self._belongings()

    def of(self, kind):
        return self._by_kind.get(kind, [])

    def seat(self):
        enrolled = self.of("enrolled")
        return enrolled[-1].get("seat", 0) if enrolled else 0

    def state_on(self, on):
        return state_on(self.facts, on)

    # -- running service -----------------------------------------------------------------------

    def pause_over(self, fact):
        """The pause in which this work was done, if any."""
        if not self.of("pause"):
            return None
        before = [a for a in self.grid.anchors if a <= fact.day]
        for first, last in pauses(self.facts, before[-1] if before else days.FAR):
            if not first <= fact.day <= (last or days.FAR):
                continue
            # On its first day a pause stands after work, unless somebody said otherwise.
            begun = [p for p in self.of("pause") if p.day == first]
            if fact.day == first and all(stands_before(fact, p) for p in begun):
                continue
            return first, last
        return None

    def running(self, fact):
        """The agreements that allowed service at the time of this work."""
        allowed = []
        for agreement in self.agreements:
            if agreement.cancelled or fact.day < agreement.service_from:
                continue
            last = self.grid.ends.get(agreement.id)
            if last is not None and fact.day > last:
                continue
            end = agreement.end
            if end is not None and end.day == fact.day and not stands_before(fact, end):
                continue
            allowed.append(agreement)
        return allowed

    def based_listings(self, fact):
        """(listings of a round with a basis, listings without one)"""
        named = [name for letter in fact.get("letters", []) for name in letter["listings"]]
        based = [name for name in named if self.has_basis(name, fact)]
        return based, [name for name in named if name not in based]

    def has_basis(self, listing, fact):
        for attested in self.bases:
            if attested.get("listing") != listing or attested.day > fact.day:
                continue
            if known_before(fact, attested) is not True:
                return True
        return any(
            f.get("listing") == listing and is_obsolete(f, fact.day) for f in self.delinquent
        )

    def is_authorized(self, on):
        """Whether the client had not taken back the authority to write, or gave it again by that day.

        A letter of the day of the revocation may have left before it. Of one day the turns behind
        which no other is known to come count, and a revocation among them wins. An agreement
        signed since then, and not cancelled in its days, carries the authority anew."""

        def revoked(by):
            signed = [a.fact for a in self.agreements if not a.cancelled and a.signed <= by]
            told = [f for f in self.of("authority") if f.day <= by]
            told = [f for f in told if not any(known_before(f, s) is True for s in signed)]
            last = [f for f in told if f.day == told[-1].day]
            last = [f for f in last if not any(known_before(f, other) is True for other in last)]
            return any(f.get("revoked") for f in last)

        return not (revoked(days.plus(on, -1)) and revoked(on))

    def counts(self, fact):
        """Whether this work can earn anything at all."""
        # What is asked of a bureau beside a round is service that no plan promises.
        if not self.running(fact) or self.pause_over(fact) or fact.get("type") == "asked":
            return False
        if fact.get("type") != "round":
            return True
        if not self.is_authorized(fact.day):
            return False
        # "a listing without one is a breach; the round counts if the rest fulfils the promise"
        based, _ = self.based_listings(fact)
        return len(based) >= fact.get("least_listings", 1)

    # -- which period a piece of work belongs to --------------------------------------------------

    def _belongings(self):
        found = {}
        for fact in self.of("work"):
            if self.counts(fact):
                period = self.belongs_to(fact)
                if period:
                    found.setdefault(period.start, []).append(fact)
        return found

    def belongs_to(self, fact):
        own = self.grid.period_of(fact.day)
        if own is None:
            return None
        at = self.grid.periods.index(own)
        before = self.grid.periods[at - 1] if at else None
        if before is None or before.agreement is None or days.plus(before.end, 1) != own.start:
            return own
        # Only the period just before can be completed, so that the days of one period complete
        # at most one earlier period.
        if fact.get("completes_before"):
            grace = before.agreement.grace
        elif before.contains(self.old_evidence.get(fact.root, days.FAR)):
            grace = OLD_GRACE
        else:
            return own
        return before if (fact.day - before.end).days <= grace else own

    def stated_by(self, fact):
        """The period whose work a report states: the one it counts for, else that of its day."""
        return self.belongs_to(fact) if self.counts(fact) else self.grid.period_of(fact.day)

    def work_of(self, period):
        return self._work.get(period.start, [])

    def last_day_to_finish(self, period):
        return days.plus(period.end, period.agreement.grace) if period.end else None

    # -- breaches -----------------------------------------------------------------------------

    def early_service(self, agreement):
        """Work that closes G3 for this agreement."""
        live = [a for a in self.agreements if not a.cancelled]
        found = []
        for fact in self.of("work"):
            if self.running(fact) or self.is_preparation(fact, agreement):
                continue
            is_first = bool(live) and agreement.id == live[0].id
            before_the_first = is_first and fact.day < agreement.signed
            if before_the_first or agreement.signed <= fact.day < agreement.service_from:
                found.append(fact)
        return found

    def is_preparation(self, fact, agreement):
        """Importing a first report is no service unless a pack says so."""
        if fact.get("type") != "import":
            return False
        return not any(p.get("import_is_service") for p in (agreement.packs if agreement else ()))

    def breaches(self):
        found = []
        for fact in self.of("work"):
            governing = next((a for a in self.agreements if a.signed <= fact.day), None)
            if not self.running(fact) and not self.is_preparation(fact, governing):
                found.append((fact, "service on a day that no agreement allowed"))
            if fact.get("type") == "round":
                based, without = self.based_listings(fact)
                for name in without:
                    found.append((fact, f"listing {name} was disputed without a basis"))
                if not based and not without:
                    found.append((fact, "a round that disputes no listing"))
        return found

    def paused_work(self):
        return [(f, self.pause_over(f)) for f in self.of("work") if self.pause_over(f)]

    # -- where the case stands ------------------------------------------------------------------

    def last_day(self):
        """The last day of an ended case; None while any agreement runs."""
        live = [self.grid.ends.get(a.id) for a in self.agreements if not a.cancelled]
        if live:
            return None if None in live else max(live)
        return max((a.cancelled.earlier_day for a in self.agreements), default=None)


def is_obsolete(listing, on):
    """An obsolete listing is a basis by itself."""
    if listing.get("delinquent_on"):
        return on >= days.obsolete_from(days.day(listing.get("delinquent_on")))
    if listing.get("bankrupt_on"):
        return on >= days.bankruptcy_obsolete_from(days.day(listing.get("bankrupt_on")))
    return False


def missing(period, works):
    """What of the period's promise these works leave undone."""
    done = Counter(work.get("type") for work in works)
    promised = Counter(promise(period.agreement, period.first))
    return {kind: count - done[kind] for kind, count in promised.items() if done[kind] < count}
