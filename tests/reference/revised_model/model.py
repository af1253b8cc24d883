"""The model: a document of what was told in, and what follows from it out.

`python3 model.py document.json` prints the answer as JSON.
"""

import json
import sys
from datetime import date

import days
from answers import HARDEST_FIRST, HOLDS, PUT_RIGHT, WORST_FIRST
from clocks import clocks
from fees import Judge, status, worst_status
from explain import show_helping_corrections
from gates import CITES
from money import (
    ALLOWED,
    EXPOSED,
    MONEY,
    STATUS,
    Books,
    about_what_exists,
    balances,
    read_decisions,
)
from packs import Law
from statelaw import unsecured_work
from story import Told


def evaluate(document):
    """What holds today; with `as_of`, what was so then, never opening a gate closed today."""
    today = days.day(document["today"])
    now = answer_on(document, today)
    if document.get("explain"):
        show_helping_corrections(document, now, lambda other: answer_on(other, today))
    if not document.get("as_of"):
        return now
    then = answer_on(document, days.day(document["as_of"]))
    close_what_is_closed(then, now)
    return {**then, "as_of": days.day(document["as_of"]), "today": today, "refused": now["refused"]}


def answer_on(document, today):
    pending = [p for p in document["firm"].get("packs", []) if p.get("needs_review")]
    if pending and any(Law(document["firm"], today).waits_for_review(p) for p in pending):
        # "first shows count, amount and cases ... and the books move only then"
        answer = judge_all(document, today, with_pending=False)
        answer["would_expose"] = newly_exposed(answer, judge_all(document, today))
        for client in answer["clients"].values():
            for fee in client["open_fees"]:
                fee["claimable"] = False
            for fee in client["fees"]:
                fee["may_charge"] = False
        return answer
    return judge_all(document, today)


def newly_exposed(before, after):
    found = []
    for name, client in before["clients"].items():
        for old, new in zip(client["fees"], after["clients"][name]["fees"]):
            if new["status"] == EXPOSED and old["status"] != EXPOSED:
                found.append({"client": name, "claim": old["claim"], "amount": new["amount"]})
    return {
        "count": len(found),
        "amount": sum(f["amount"] for f in found),
        "cases": sorted({f["client"] for f in found}),
        "fees": found,
    }


def judge_all(document, today, with_pending=True):
    law = Law(document["firm"], today, with_pending)
    told = Told(document, today)
    money = [f for facts in told.facts.values() for f in facts if f.kind in MONEY]
    claims, invoices = read_decisions(document, money, today)
    money, refused = about_what_exists(money, claims)
    judges = {
        name: Judge(facts, law, today, [c for c in claims if c["client"] == name])
        for name, facts in told.facts.items()
    }
    verdicts = {c["id"]: judge.judge_claim(c) for judge in judges.values() for c in judge.claims}
    known = [c for judge in judges.values() for c in judge.claims]
    books = Books(known, invoices, verdicts, money)
    unsupported = list(books.unsupported())
    clients = {}
    for name, judge in judges.items():
        own = [u for u in unsupported if u["client"] == name]
        clients[name] = client_answer(name, judge, books, verdicts, own, told)
    return {
        "today": today,
        "as_of": None,
        "clients": clients,
        "unsupported_payments": unsupported,
        "refused": told.refused + refused,
        "owed": sum(c["owed"] for c in clients.values()),
    }


def client_answer(name, judge, books, verdicts, unsupported, told):
    case = judge.now
    corrected = {f.root: f.correction for f in judge.facts if f.correction}
    fees = [
        claim_answer(judge, claim, verdicts[claim["id"]], books, corrected)
        for claim in judge.claims
    ]
    open_fees = [open_answer(fee, corrected) for fee in judge.open_fees()]
    ended_on = case.last_day()
    return {
        "story": [{"fact": f.root, "kind": f.kind, "day": f.day} for f in case.facts],
        "corrections": [c for c in told.corrections if c["client"] == name],
        "agreements": [agreement_answer(a, case) for a in case.agreements],
        "periods": [period_answer(p) for p in case.grid.periods],
        "running": running_period(case),
        "last_day": ended_on,
        "open_fees": open_fees,
        "claimable": [
            {"start": f["start"], "amount": f["amount"]} for f in open_fees if f["claimable"]
        ],
        "held": held_sums(open_fees),
        "fees": fees,
        "breaches": [
            {"fact": f.root, "day": f.day, "what": what}
            for f, what in case.breaches() + unsecured_work(case)
        ],
        "work_in_pauses": [
            {"fact": f.root, "pause_from": p[0], "pause_through": p[1]}
            for f, p in case.paused_work()
        ],
        "unsupported_payments": unsupported,
        "owed": sum(f["owed"] for f in fees) + sum(u["owed"] for u in unsupported),
        "unproved": sum(f["unproved"] for f in fees),
        "balances": balances(fees, unsupported),
        "clocks": clocks(case, judge.law),
    }


def gates_answer(answers, corrected):
    """Each gate with its facts, its corrections, its citation and what would open it."""
    return {
        gate: {
            "answer": a.answer,
            "says": a.says,
            "facts": list(a.facts),
            "opens": a.opens,
            "until": a.until,
            "detail": a.detail,
            "cite": CITES[gate],
            "corrections": sorted(corrected[f]["id"] for f in a.facts if f in corrected),
        }
        for gate, a in answers.items()
    }


def claim_answer(judge, claim, verdict, books, corrected):
    period = claim["period"]
    fee = books.fee(claim["id"], judge)
    may_charge = False
    if fee["status"] == ALLOWED and fee["open"] > 0:
        # The gates stand again before every charge request.
        today = judge.ask(period, judge.today, claim["amount"], claim)
        may_charge = status(today) == HOLDS
    return {
        "claim": claim["id"],
        "amount": claim["amount"],
        "asked": claim["asked"],
        "stands_for": period.start if period else None,
        "agreement": claim["agreement"],
        "freed": claim["freed"],
        "old": bool(claim.get("old")),
        "by_day": {on: STATUS[s] for on, s in verdict["by_day"].items()},
        "gates": gates_answer(verdict["gates"], corrected),
        "may_charge": may_charge,
        **fee,
    }


def open_answer(fee, corrected):
    period = fee["period"]
    return {
        "start": period.start,
        "end": period.end,
        "amount": fee["amount"],
        "claimable": fee["claimable"],
        "by_person_only": fee["by_person_only"],
        "gates": gates_answer(fee["gates"], corrected),
    }


def held_sums(open_fees):
    """What is held back, summed by the hardest thing that would have to happen."""
    sums = {}
    for fee in open_fees:
        needed = [g["opens"] for g in fee["gates"].values() if g["answer"] != HOLDS]
        if needed:
            hardest = next(kind for kind in HARDEST_FIRST if kind in needed)
            sums[hardest] = sums.get(hardest, 0) + (fee["amount"] or 0)
    return sums


def agreement_answer(agreement, case):
    return {
        "agreement": agreement.id,
        "signed": agreement.signed,
        "state": agreement.state,
        "cancel_through": agreement.cancel_through,
        "service_from": agreement.service_from,
        "cancelled": agreement.cancelled.day if agreement.cancelled else None,
        "last_day": case.grid.ends.get(agreement.id),
    }


def period_answer(period):
    return {
        "start": period.start,
        "end": period.end,
        "first": period.first,
        "cut_on": period.cut_on,
        "agreement": period.agreement.id if period.agreement else None,
    }


def running_period(case):
    """ "An ended or cancelled case shows its last day and no running period." """
    period = case.grid.period_of(case.today)
    return None if case.last_day() or period is None else period.start


def close_what_is_closed(then, now):
    """An earlier `as_of` never opens a gate that is closed today."""
    for name, client in then["clients"].items():
        current = now["clients"][name]
        held = {f["start"]: f for f in current["open_fees"]}
        claimed = {f["claim"]: f for f in current["fees"]}
        standing = {f["stands_for"]: f for f in current["fees"]}
        for fee in client["open_fees"]:
            claimed_since = standing.get(fee["start"]) if fee["start"] not in held else None
            today = held.get(fee["start"]) or claimed_since
            worsen(fee["gates"], today["gates"] if today else None)
            if claimed_since:
                taken = {"answer": "fails", "says": "another claimed fee stands for the period"}
                fee["gates"]["G5"] = {**fee["gates"]["G5"], **taken, "opens": PUT_RIGHT}
            fee["claimable"] = (
                fee["claimable"]
                and fee["start"] in held
                and all(g["answer"] == HOLDS for g in fee["gates"].values())
            )
        client["claimable"] = [
            {"start": f["start"], "amount": f["amount"]}
            for f in client["open_fees"]
            if f["claimable"]
        ]
        for fee in client["fees"]:
            today = claimed[fee["claim"]]
            worsen(fee["gates"], today["gates"])
            fee["status"] = STATUS[worst_status(g["answer"] for g in fee["gates"].values())]
            fee["may_charge"] = fee["may_charge"] and today["may_charge"]


def worsen(gates, today):
    for gate, answer in gates.items():
        if today is None:
            gates[gate] = {**answer, "answer": "fails", "says": "no such period today"}
        elif WORST_FIRST.index(today[gate]["answer"]) < WORST_FIRST.index(answer["answer"]):
            gates[gate] = today[gate]


def plain(value):
    """The answer as JSON can say it."""
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    return value.isoformat() if isinstance(value, date) else value


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        print(json.dumps(plain(evaluate(json.load(file))), indent=1, sort_keys=True))


if __name__ == "__main__":
    main()
