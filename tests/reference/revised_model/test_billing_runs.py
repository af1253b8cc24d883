"""Billing runs over a story told on its days, against the same story told late.

"Against the true story told in order, a run told late may have asked for more, each such fee
exposed or unproved; it holds nothing the other allows, except periods already claimed and gates
that look at the day of asking (G7, G8)."
"""

import unittest
from collections import Counter
from datetime import date, timedelta
from random import Random

from model import evaluate
from random_histories import random_firm, Story

RUNS = 80


class Run:
    """Claims and invoices whatever is claimable, every few days, on what was told by then."""

    def __init__(self, story, firm, told_on):
        self.story, self.firm, self.told_on = story, firm, told_on
        self.decisions = []

    def document(self, on):
        told = [f for f in self.story.facts if self.told_on[f["id"]] <= on.isoformat()]
        return {
            "today": on.isoformat(),
            "firm": self.firm,
            "decisions": self.decisions,
            "clients": [{"id": self.story.name, "told": told}],
        }

    def bill(self, on):
        answer = evaluate(self.document(on))["clients"][self.story.name]
        ends = {p["start"]: p["end"] for p in answer["periods"]}
        for fee in answer["claimable"]:
            name = f"fee-{fee['start']}-{on}"
            self.decisions.append(
                {
                    "id": name,
                    "kind": "claim",
                    "client": self.story.name,
                    "by": "run",
                    "day": on.isoformat(),
                    "start": fee["start"].isoformat(),
                    "end": ends[fee["start"]].isoformat(),
                    "amount": fee["amount"],
                }
            )
            self.decisions.append(
                {
                    "id": f"invoice-{name}",
                    "kind": "invoice",
                    "day": on.isoformat(),
                    "lines": [{"claim": name}],
                }
            )

    def outcome(self, on):
        return evaluate(self.document(on))["clients"][self.story.name]


def two_runs(seed):
    random = Random(f"runs {seed}")
    story, firm = Story(random, "c0", 0, False), random_firm(random)
    story.live()
    in_order = {f["id"]: f["day"] for f in story.facts}
    # What speaks against a fee is the likelier to be told late.
    against = {f["id"] for f in story.facts if f["kind"] in ("ended", "pause", "cancelled")}
    late = {
        name: (
            day
            if random.random() < (0.2 if name in against else 0.7)
            else min(
                story.today, date.fromisoformat(day) + timedelta(days=random.randint(1, 60))
            ).isoformat()
        )
        for name, day in in_order.items()
    }
    runs = [Run(story, firm, told_on) for told_on in (in_order, late)]
    on = date(2026, 4, 1)
    while on <= story.today:
        for run in runs:
            run.bill(on)
        on += timedelta(days=random.choice((6, 8)))
    return [run.outcome(story.today) for run in runs]


class BillingRuns(unittest.TestCase):
    def test_a_run_told_late_against_one_told_in_order(self):
        seen = Counter()
        for seed in range(RUNS):
            with self.subTest(seed=seed):
                in_order, late = two_runs(seed)
                self.nothing_told_in_order_is_exposed(in_order)
                self.what_was_asked_for_more(in_order, late, seen)
                self.what_is_held_more(in_order, late)
                seen["fees"] += len(in_order["fees"])
        self.assertGreater(seen["fees"], RUNS // 4)
        self.assertGreater(seen["asked for more"], 0)

    def nothing_told_in_order_is_exposed(self, in_order):
        self.assertEqual([], [f for f in in_order["fees"] if f["status"] == "exposed"])

    def what_was_asked_for_more(self, in_order, late, seen):
        allowed = {f["stands_for"] for f in in_order["fees"]} | {
            f["start"] for f in in_order["claimable"]
        }
        for fee in late["fees"]:
            if fee["stands_for"] not in allowed:
                seen["asked for more"] += 1
                self.assertNotEqual("allowed", fee["status"], fee)

    def what_is_held_more(self, in_order, late):
        allowed = {f["stands_for"] for f in in_order["fees"] if f["status"] == "allowed"}
        allowed |= {f["start"] for f in in_order["claimable"]}
        standing = {f["stands_for"] for f in late["fees"]}
        for fee in late["open_fees"]:
            if fee["start"] in allowed - standing and not fee["claimable"]:
                held = {gate for gate, a in fee["gates"].items() if a["answer"] != "holds"}
                self.assertLessEqual(held, {"G7", "G8"}, fee)


if __name__ == "__main__":
    unittest.main()
