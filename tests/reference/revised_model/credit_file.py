"""What reports, letters and answers come to, each by its day: deletions and corrections, and what shows them.

From the trade's text and FORMAT.md (*Listings*), for logs whose reports hold their lists.
"""

from datetime import date

import days

# On one day: as one request lists them, else in this order of kinds.
SENT, ANSWERED, NOTICED, REPORTED = range(4)
OUTCOMES = ("no_answer", "frivolous", "verified", "corrected", "deleted")


class CreditFile:
    """The facts of a case that its listings follow from."""

    def __init__(self):
        self.facts, self.scores = [], []

    def apply(self, event):
        name, payload = event["event"], event["payload"]
        at = (event["request_id"], event["position"])
        if name == "round_sent":
            for letter in payload["letters"]:
                for item in letter["items"]:
                    key = (item, letter["bureau"])
                    self.facts.append((event["occurred_on"], SENT, 0, at, key, payload["round"]))
        elif name == "response_received":
            for said in payload["outcomes"]:
                key, weight = (said["item"], payload["bureau"]), OUTCOMES.index(said["outcome"])
                more = (payload["round"], said["outcome"])
                self.facts.append((event["occurred_on"], ANSWERED, weight, at, key, more))
        elif name == "item_reinserted" and payload["seen_by"] == "notice":
            key = (payload["item"], payload["bureau"])
            self.facts.append((event["occurred_on"], NOTICED, 0, at, key, None))
        elif name == "report_imported":
            shows = {seen["item"]: seen for seen in payload["items"]}
            key = (None, payload["bureau"])
            self.facts.append((payload["issued_on"], REPORTED, 0, at, key, shows))
            if "score" in payload:
                score = (payload["issued_on"], payload["score"]["model"], payload["score"]["value"])
                self.scores.append((payload["bureau"], *score))

    def results(self):
        shown = {(i, key[1]) for _, kind, _, _, key, more in self.facts if kind == REPORTED for i in more}
        return [result for key in sorted(shown) for result in results(key, self.story(*key))]

    def has_report(self, bureau, day):
        return any((d, kind, key[1]) == (day, REPORTED, bureau) for d, kind, _, _, key, _ in self.facts)

    def balances(self, item, bureau):
        """(day, balance) of every report that shows the listing."""
        for day, kind, _, _, key, more in self.facts:
            if kind == REPORTED and key[1] == bureau and item in more:
                yield day, more[item].get("balance")

    def story(self, item, bureau):
        """(day, kind, more) of a listing, in order; of a report, how it shows it."""
        of_item, by_day = [], {}
        for day, kind, weight, at, key, more in self.facts:
            if kind == REPORTED and key[1] == bureau:
                by_day.setdefault(day, []).append((at, more.get(item)))
            elif key == (item, bureau):
                of_item.append((day, kind, weight, at, more))
        for day, reports in by_day.items():
            reports.sort(key=lambda report: report[0][1])
            at, seen = next((r for r in reports if r[1]), reports[0])
            of_item.append((day, REPORTED, 0, at, seen))
        of_item.sort(key=lambda fact: fact[:3] + (fact[3][1],))
        while of_item:
            first = next(n for n, fact in enumerate(of_item) if not waits(fact, of_item))
            day, kind, _, _, more = of_item.pop(first)
            yield day, kind, more


def waits(fact, others):
    """Whether its request lists another of its day before it."""
    request, position = fact[3]
    return any(o[0] == fact[0] and o[3][0] == request and o[3][1] < position for o in others)


def results(key, story):
    """Every deletion and correction, with what showed and what undid it."""
    found, status, seen, disputed, before, came_back = [], None, None, {}, None, False

    def undo(day):
        if found and not found[-1]["undone"]:
            found[-1]["undone"] = day

    def achieve(day, what):
        undo(day)
        listing = f"{key[0]}@{key[1]}"
        found.append(
            {"listing": listing, "what": what, "since": day, "shown": None, "undone": None}
        )

    for day, kind, more in story:
        gone = status == "deleted"
        if kind == SENT:
            disputed[more] = seen
            status = status if gone else "there"
        elif kind == ANSWERED and more[1] in ("deleted", "corrected"):
            if not (gone and more[1] == "deleted"):
                achieve(day, more[1])
            before = disputed.get(more[0]) if more[1] == "corrected" else before
            status = "deleted" if more[1] == "deleted" else "there"
        elif kind == ANSWERED and gone and more[1] == "verified":
            undo(day)
            status = "there"
        elif kind == NOTICED:
            # A notice of what is back already undoes nothing more.
            if gone or not came_back:
                undo(day)
                status, came_back = "there", True
        elif kind == REPORTED and more and gone:
            undo(day)
            status, seen, came_back = "there", more, True
        elif kind == REPORTED and not more:
            if status and not gone:
                achieve(day, "deleted")
            elif gone:
                show(found, day)
            status = status and "deleted"
        elif kind == REPORTED:
            seen, status = more, "there"
            if more == before and found and not found[-1]["undone"]:
                undo(day)
            else:
                show(found, day)
    return found


def show(found, day):
    if found and not found[-1]["undone"] and not found[-1]["shown"]:
        first = days.first_report_after_six_months(date.fromisoformat(found[-1]["since"]))
        if date.fromisoformat(day) >= first:
            found[-1]["shown"] = day
