""" "What must hold, exactly": judged on 2,000 random histories told in more than one order."""

import unittest
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta

from answers import HOLDS
from fees import Judge
from model import evaluate
from packs import Law
from random_histories import random_history
from story import Told

HISTORIES = 2000
WORKERS = 2


def grids_of(document):
    """Only the grid: enough to draw decisions from."""
    today = date.fromisoformat(document["today"])
    told, law = Told(document, today), Law(document["firm"], today)
    return {
        name: [(p.start, p.end) for p in Judge(facts, law, today, []).now.grid.periods]
        for name, facts in told.facts.items()
    }


def without_telling(answer):
    """A telling may change the list of corrections and of refusals. All else may not move."""
    answer.pop("refused")
    for client in answer["clients"].values():
        client.pop("corrections")
        for fee in client["open_fees"] + client["fees"]:
            for gate in fee["gates"].values():
                gate.pop("corrections")
    return answer


def judge_histories(seeds):
    """Runs in a worker: the counts of what was seen, and every seed that broke a property."""
    seen, broken = Counter(), []
    for seed in seeds:
        try:
            judge_history(seed, seen)
        except AssertionError as found:
            broken.append(f"seed {seed}: {found}")
    return seen, broken


def judge_history(seed, seen):
    true, told, stories = random_history(seed, grids_of)
    answer = evaluate(true)
    seen["histories"] += 1
    same_however_told(answer, evaluate(told))
    no_held_fee_is_claimable(answer, seen)
    the_grid_is_whole(answer)
    money_adds_up(answer)
    more_work_exposes_nothing(true, answer, stories, seen)
    if seed % 8 == 0:
        nothing_opens_in_the_past(true, answer, stories[0].random.randint(20, 100), seen)


def same_however_told(true, told):
    if without_telling(true) == without_telling(told):
        return
    for name, client in true["clients"].items():
        for part, value in client.items():
            other = told["clients"][name][part]
            assert value == other, f"{name} {part}: {value} against {other}"
    raise AssertionError("payments or sums differ")


def no_held_fee_is_claimable(answer, seen):
    for client in answer["clients"].values():
        standing = {f["stands_for"] for f in client["fees"] if not f["freed"]}
        for fee in client["open_fees"]:
            held = [g for g in fee["gates"].values() if g["answer"] != HOLDS]
            assert fee["claimable"] == (not held), fee
            assert fee["start"] not in standing, fee
            assert all(g["opens"] and g["says"] for g in held), held
            seen["claimable" if fee["claimable"] else "held"] += 1


def the_grid_is_whole(answer):
    """Periods follow each other without a gap, but for the first one after days without agreement."""
    for client in answer["clients"].values():
        for before, after in zip(client["periods"], client["periods"][1:]):
            follows = after["start"] - before["end"] == timedelta(days=1)
            assert follows or (after["first"] and after["start"] > before["end"]), (before, after)
            # Nothing but the end of its row, or the days of an old fee, makes a period short.
            whole = (before["end"] - before["start"]).days + 1 >= 28
            assert whole or before["cut_on"] or after["first"] or has_old_fees(client), before


def has_old_fees(client):
    return any(fee["old"] for fee in client["fees"])


def money_adds_up(answer):
    for client in answer["clients"].values():
        books = client["balances"]
        assert client["owed"] >= 0
        assert (
            books["cash"] + books["receivable"]
            == books["revenue"]
            - books["refunds_and_credits"]
            - books["bad_debt"]
            + books["owed_to_clients"]
        ), books


def more_work_exposes_nothing(true, answer, stories, seen):
    """One more lawful piece of work never exposes a claimed fee."""
    if not any(client["fees"] for client in answer["clients"].values()):
        return
    today = date.fromisoformat(true["today"])
    with_more = {**true, "clients": [{**c, "told": list(c["told"])} for c in true["clients"]]}
    added = False
    for story, client in zip(stories, with_more["clients"]):
        on = lawful_day(story, answer["clients"][story.name], today)
        if on is not None:
            added = True
            client["told"] += one_more_work(story, on)
    if not added:
        return
    seen["more work"] += 1
    rank = {"exposed": 0, "unproved": 1, "allowed": 2}
    for name, after in evaluate(with_more)["clients"].items():
        for old, new in zip(answer["clients"][name]["fees"], after["fees"]):
            seen[old["status"]] += 1
            seen["healed"] += rank[new["status"]] > rank[old["status"]]
            assert rank[new["status"]] >= rank[old["status"]], (old, new)
            assert new["owed"] <= max(old["owed"], old["unproved"]), (old, new)


def nothing_opens_in_the_past(true, answer, back, seen):
    """An earlier `as_of` never opens a gate that is closed today."""
    as_of = date.fromisoformat(true["today"]) - timedelta(days=back)
    then = evaluate({**true, "as_of": as_of.isoformat()})
    for name, client in then["clients"].items():
        today = {f["start"]: f for f in answer["clients"][name]["open_fees"]}
        for fee in client["open_fees"]:
            seen["as of"] += 1
            current = today.get(fee["start"])
            for gate, found in fee["gates"].items():
                open_today = current is not None and current["gates"][gate]["answer"] == HOLDS
                assert open_today or current is None or found["answer"] != HOLDS, (gate, fee)
            assert not fee["claimable"] or current["claimable"], fee


def one_more_work(story, on):
    basis = {"id": f"{story.name}-L9", "kind": "attested", "listing": "L9", "day": "2026-02-01"}
    work = {
        "id": f"{story.name}-more",
        "kind": "work",
        "day": on.isoformat(),
        "type": story.random.choice(("round", "progress_report")),
        "time": f"{on.isoformat()}T12:00:00-04:00",
        "completes_before": story.chance(0.5),
        "letters": [{"bureau": "B1", "listings": ["L9"]}],
    }
    return [basis, work]


class WhatMustHold(unittest.TestCase):
    def test_two_thousand_histories(self):
        shares = [range(n, HISTORIES, WORKERS) for n in range(WORKERS)]
        with ProcessPoolExecutor(WORKERS) as workers:
            results = list(workers.map(judge_histories, shares))
        broken = [seed for _, found in results for seed in found]
        self.assertEqual([], broken[:5], f"{len(broken)} histories broke a property")
        seen = sum((counts for counts, _ in results), Counter())
        self.assertEqual(HISTORIES, seen["histories"])
        for what in ("allowed", "unproved", "exposed", "claimable", "held", "more work"):
            self.assertGreater(seen[what], HISTORIES // 10, f"too few {what}: {seen}")
        self.assertGreater(seen["healed"], 0)


def lawful_day(story, client, today):
    """A day well inside running service, whatever zone its day is read in; best in days that a
    claimed fee stands for."""
    claimed = [f["stands_for"] for f in client["fees"] if f["stands_for"]]
    wanted = story.random.choice(claimed) if claimed and story.chance(0.7) else date.min
    for agreement in client["agreements"]:
        if agreement["cancelled"]:
            continue
        first = max(agreement["service_from"] + timedelta(days=1), wanted)
        last = min(agreement["last_day"] or today, today) - timedelta(days=1)
        if wanted > date.min:
            last = min(last, wanted + timedelta(days=32))
        if first <= last:
            return first + timedelta(days=story.random.randint(0, (last - first).days))
    return None


if __name__ == "__main__":
    unittest.main()
