"""Random histories in the service's terms, with this model's answers: `service_cases.py COUNT SEED`.

The service has its own form for some facts, so the histories keep to what both can say: copies and
consents are given with the signing or not at all, an end comes on a day before the next signing and names
every agreement, one zone,
no fee caps, no statements apart from progress reports, no corrections, no money beside the asking. The
facts come in a random order of telling.
"""

import json
import sys
from datetime import date, timedelta
from random import Random

import random_histories
from examples import READ, bond, confirmed, pack
from model import evaluate, plain
from random_histories import START, Story, random_decisions, text

DIMENSIONS = {
    "cancellation": "cancellation",
    "monthly_statement": "monthly_statement",
    "perform_within": "perform_within",
    "performance": "performance",
    "prohibited": "prohibited",
    "registration": "registration",
    "security": "security",
}
KEPT = (
    "enrolled sale_evidence attested acknowledged consented signed copies cancelled ended pause resume"
    " billing_day moved work given_up"
).split()


def firm(random):
    gap = START + timedelta(days=random.randint(20, 120))
    secured = pack("ZB", security={"when": "always", "kinds": ["bond"], "amount": 1000})
    longer = {"days": 5, "calendar": "federal_office"}
    strict = pack(
        "ZE",
        cancellation=longer,
        service_bar="as_cancellation",
        perform_within={"days": random.choice((40, 180))},
    )
    unread = {**pack("ZF"), "dimensions": {n: v for n, v in READ.items() if n != "perform_within"}}
    packs = [pack("ZA"), secured, pack("ZC"), strict, unread]
    told = [confirmed(p) for p in packs if p["state"] != "ZC"]
    if random.random() < 0.5:
        risk = {"id": "zc-risk", "kind": "own_risk", "day": "2026-01-05", "pack": "zc", "version": 1}
        told.append(risk)
    told.append(bond("ZB", "2026-01-01", text(gap)))
    if random.random() < 0.6:
        told.append(bond("ZB", text(gap + timedelta(days=random.randint(1, 12)))))
    zone = {"zone": "America/New_York", "state": "ZA", "transit_days": 4}
    return {**zone, "packs": packs, "told": told}


def live(random):
    story = Story(random, "c0", 0, False)
    story.live()
    facts = [f for f in story.facts if f["kind"] in KEPT]
    signed = {f["agreement"]: f for f in facts if f["kind"] == "signed"}
    kept = []
    for fact in facts:
        fact.pop("time", None)
        if fact["kind"] in ("acknowledged", "consented", "copies", "signed") and "place" in fact:
            of = fact.get("agreement") or fact.get("request", "").rpartition("-")[2]
            if of in signed and fact["day"] == signed[of]["day"]:
                fact["request"] = f"c0-{of}"
            elif fact["kind"] != "acknowledged":
                continue
            else:
                fact.pop("request", None)
        if fact["kind"] == "cancelled" and len(signed) > 1:
            # The service's cancellations name no agreement: late ones end all.
            of = date.fromisoformat(signed[fact["agreement"]]["day"])
            if date.fromisoformat(fact["day"]) > of + timedelta(days=2):
                continue
        if fact["kind"] == "ended" and any(s["day"] == fact["day"] for s in signed.values()):
            continue
        kept.append(fact)
    story.facts = kept
    return story


def case(seed):
    random = Random(seed)
    told = firm(random)
    story = live(random)
    today = story.today
    document = {
        "today": text(today),
        "firm": told,
        "decisions": [],
        "clients": [{"id": "c0", "told": story.facts}],
    }
    grid = evaluate(document)["clients"]["c0"]["periods"]
    grids = {"c0": [(p["start"], p["end"]) for p in grid]}
    decisions, _ = random_decisions(random, [story], grids, today)
    for decision in decisions:
        decision.pop("by", None)
        if decision["kind"] == "claim":
            decision["old"] = False
    document["decisions"] = decisions
    answer = evaluate(document)["clients"]["c0"]
    random.shuffle(story.facts)
    gates = lambda fee: {name: gate["answer"] for name, gate in fee["gates"].items()}
    return plain(
        {
            "seed": seed,
            "document": document,
            "periods": [
                {"start": p["start"], "end": p["end"], "cut_on": p["cut_on"]}
                for p in answer["periods"]
            ],
            "open": [
                {"start": f["start"], "amount": f["amount"], "gates": gates(f)}
                for f in answer["open_fees"]
            ],
            "fees": [
                {"claim": f["claim"], "status": f["status"], "gates": gates(f)}
                for f in answer["fees"]
            ],
        }
    )


def main():
    random_histories.ZONES = ("America/New_York",)
    count, seed = int(sys.argv[1]), int(sys.argv[2])
    print(json.dumps([case(seed + n) for n in range(count)]))


if __name__ == "__main__":
    main()
