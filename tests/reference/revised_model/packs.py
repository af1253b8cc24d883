"""Law as data: packs with dimensions, who confirmed them, and what stands on which day.

No state's law is written here. A pack that does not say something is unread there, and unread
is unknown. A dimension that was read and adds nothing is written as null.
"""

import days
from answers import FAILS, HOLDS, UNKNOWN

SIGNING = ("cancellation", "service_bar", "statements", "contract_items", "estimate")
FEES = (
    "prohibited",
    "performance",
    "security",
    "registration",
    "perform_within",
    "monthly_statement",
    "fee_cap",
)

# 15 USC 1679d(a)(2) and 1679e(a): "the federal pack takes the later moment for both".
FEDERAL = {
    "id": "federal",
    "state": "US",
    "version": 1,
    "in_force_from": "1997-04-01",
    "dimensions": {
        **{name: None for name in SIGNING + FEES},
        "cancellation": {"days": 3, "calendar": "federal_office"},
        "service_bar": {"days": 3, "calendar": "federal_office"},
        "performance": "each_period",
    },
    "built_in": True,
}


class Law:
    """What the firm's packs and standings say, on the facts of the firm told up to `today`."""

    def __init__(self, firm, today, with_pending=True):
        self.firm, self.today = firm, today
        self.told = [f for f in firm_facts(firm) if days.day(f["day"]) <= today]
        self.packs = [
            p for p in firm.get("packs", []) if with_pending or not self.waits_for_review(p)
        ]
        if not any(p["state"] == "US" for p in self.packs):
            self.packs = self.packs + [FEDERAL]
        self._standings, self._in_force, self._usable, self._readings = {}, {}, {}, {}

    def waits_for_review(self, pack):
        """A new pack's exposures are shown first; the books move when the result is recorded."""
        return bool(pack.get("needs_review")) and not self._named(pack, "review_result")

    def _named(self, pack, kind):
        return any(
            f["kind"] == kind
            and f["pack"] == pack["id"]
            and f["version"] == pack["version"]
            and f.get("hash") == pack.get("hash")
            for f in self.told
        )

    def usable(self, pack):
        """Confirmed, or used at own risk; either serves every day of that version's force."""
        key = pack["id"], pack["version"]
        if key not in self._usable:
            self._usable[key] = (
                bool(pack.get("built_in"))
                or self._named(pack, "confirmed")
                or (not pack.get("nothing_is_added") and self._named(pack, "own_risk"))
            )
        return self._usable[key]

    def dimension(self, pack, name):
        """(whether it was read, what it says)"""
        if pack.get("nothing_is_added"):
            return True, None
        return name in pack["dimensions"], pack["dimensions"].get(name)

    def reading(self, pack, names):
        """(the dimensions that are unread, those that add something with what they say)"""
        key = pack["id"], pack["version"], names
        if key not in self._readings:
            said = [(name, *self.dimension(pack, name)) for name in names]
            self._readings[key] = (
                [name for name, read, _ in said if not read],
                [(name, says) for name, read, says in said if read and says is not None],
            )
        return self._readings[key]

    def in_force(self, on, state, activity=()):
        """The packs that reach a contract of a client of `state`, in force on that day."""
        key = on, state, tuple(activity)
        if key not in self._in_force:
            self._in_force[key] = self._reaching(on, state, activity)
        return self._in_force[key]

    def _reaching(self, on, state, activity):
        found = []
        for pack in self.packs:
            reach = pack.get("reach", ["client_resides"])
            reached = (
                pack["state"] == "US"
                or ("client_resides" in reach and pack["state"] == state)
                or ("firm_located" in reach and pack["state"] == self.firm.get("state"))
                or ("contract_activity" in reach and pack["state"] in activity)
            )
            if reached and covers(pack, on):
                found.append(pack)
        return found

    def moved_to(self, on, state):
        """A move adds the new state's packs only if counsel's pack says so."""
        return [p for p in self.packs if p["state"] == state and p.get("on_move") and covers(p, on)]

    def windows(self, signed, packs):
        """(last day to cancel, first day of service): the longest of every usable pack."""
        cancel, service = signed, days.plus(signed, 1)
        for pack in packs:
            if not self.usable(pack):
                continue
            right = self.dimension(pack, "cancellation")[1]
            last = window_end(signed, right) if right else signed
            bar = self.dimension(pack, "service_bar")[1]
            if bar == "as_cancellation":
                barred = last
            else:
                barred = window_end(signed, bar) if bar else signed
            cancel, service = max(cancel, last), max(service, days.plus(barred, 1))
        return cancel, service

    def stands(self, what, state, on, least=0):
        """Whether a standing (a bond, a registration) stands on a day.

        "After a recorded end it fails, before the first record it is unknown; a surety's
        cancellation ends a bond early."
        """
        key = (what, state, on, least)
        if key not in self._standings:
            self._standings[key] = self._stands(what, state, on, least)
        return self._standings[key]

    def _stands(self, what, state, on, least):
        about = [f for f in self.told if f.get("what") == what and f.get("state") == state]
        begins = [f for f in about if f["kind"] == "standing"]
        ends = [days.day(f["day"]) for f in about if f["kind"] == "standing_ended"]
        for record in begins:
            first = days.day(record["day"])
            last = min(
                [days.day(record.get("through")) or days.FAR] + [e for e in ends if e >= first]
            )
            if first <= on <= last and record.get("amount", 0) >= least:
                return HOLDS
        if not begins or on < min(days.day(f["day"]) for f in begins):
            return UNKNOWN
        return FAILS


def covers(pack, on):
    last = days.day(pack.get("in_force_through")) or days.FAR
    return days.day(pack["in_force_from"]) <= on <= last


def window_end(signed, count):
    closed = tuple(days.day(d) for d in count.get("closed_days", []))
    return days.after(signed, count["days"], count["calendar"], closed)


def firm_facts(firm):
    """The firm's own facts, with its own corrections worked in: take back, or put another."""
    readings, gone = {}, set()
    for item in sorted(firm.get("told", []), key=lambda f: f.get("recorded_at", "")):
        if item["kind"] != "correction":
            readings[item["id"]] = item
    for item in sorted(firm.get("told", []), key=lambda f: f.get("recorded_at", "")):
        if item["kind"] == "correction" and item["names"] not in gone:
            gone.add(item["names"])
            if item.get("puts"):
                readings[item["id"]] = {**readings.get(item["names"], {}), **item["puts"]}
    return [fact for name, fact in readings.items() if name not in gone]
