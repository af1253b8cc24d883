"""A log judged by this model: `log_cases.py FOLDER`.

FOLDER/events.jsonl holds canonical events in the log's order; FOLDER/days.jsonl says on which days to judge
every case, and through which position the log was then known. One line of JSON for each day and case.
"""

import json
import pathlib
import sys
from collections import Counter
from datetime import date

import days
import results
from answers import NEVER, PUT_RIGHT, fails, holds, unknown
from model import evaluate, plain
from money import EXPOSED
from packs import Law
from service_log import Firm, read
from statelaw import UNSECURED


def decisions(told, case, accounts, freeing):
    """(what was claimed and asked for, what was paid and given back)"""
    made, money, seen = [], [], []
    for claim in told.claims:
        days_of = (claim["account"], claim["start"], claim["end"])
        nth = seen.count(days_of)
        seen.append(days_of)
        line = accounts[claim["account"]].line_of(case, claim, nth)
        asked, name = line["days"], f"{claim['id']}-invoice"
        ours = ("account", "position", "kept")
        made.append({key: value for key, value in claim.items() if key not in ours})
        of_claim = [{"claim": claim["id"]}]
        made.append({"id": name, "kind": "invoice", "day": asked[0], "lines": of_claim})
        for at, on in enumerate(asked[1:]):
            again = {"id": f"{name}-{at}", "kind": "charge_request", "invoice": name, "day": on}
            made.append(again)
        reason = "exposure" if claim["id"] in freeing else "goodwill"
        back = {"day": asked[0], "claim": claim["id"], "reason": reason}
        for kind, amount in (("refund", line["refunded"]), ("credit", line["credited"])):
            if amount:
                of_kind = {"id": f"{claim['id']}-{kind}", "kind": kind, "amount": amount}
                money.append({**back, **of_kind})
        if "kept" in claim:
            on, amount, gates = claim["kept"]
            kept = {"id": f"{claim['id']}-kept", "kind": "kept", "day": on, "amount": amount, "gates": gates}
            money.append({**kept, "claim": claim["id"], "reason": "counsel's", "counsel": "C"})
        received = line["paid"] + line["refunded"]
        paid = {"id": f"{claim['id']}-paid", "kind": "payment", "day": asked[0]}
        money.append({**paid, "invoice": name, "amount": received})
    return made, money


class Service:
    """The promised results on the service's log: those of the agreement's list, or those of a person's finding.

    It differs from `results.py` in three things. A result has to stand on the day of asking, not only up to
    the report that shows it ("still shows it" can be read either way). The report has to be given to the client:
    310.4(a)(2)(ii) says that the seller "has provided" it, and the log knows it by a progress report. And where
    nobody said which results were promised, though all there are were shown, it is unknown, not failed.
    """

    told = None

    def __call__(self, question):
        on, agreement = question.on.isoformat(), question.agreement.id
        stood = [
            result
            for result in self.told.results
            if result["since"] <= on and (result["undone"] is None or on < result["undone"])
        ]
        promised = self.told.promised.get(agreement)
        findings = [
            f for f in self.told.findings if f["agreement"] == agreement and f["day"] <= on
        ]
        if promised is not None:
            shown = [
                self.shown(promise, number, stood, findings, on)
                for number, promise in enumerate(promised, 1)
            ]
        elif findings:
            shown = [self.found(findings, None, stood, on)]
        else:
            return self.nobody_found(question, stood)
        if None in shown:
            return fails("a promised result is not shown", PUT_RIGHT)
        return self.given(question, max(shown))

    def shown(self, promise, number, stood, findings, on):
        """The day of the report that shows it, or None."""
        showing = promise.get("showing")
        if not showing:
            return self.found(findings, number, stood, on)
        (kind, wanted), *_ = showing.items()
        if kind in ("deleted", "deletions"):
            count, name = 1, None
            if kind == "deletions":
                count = wanted
            else:
                name = f"{wanted['item']}@{wanted['bureau']}"
            days_of = {
                result["listing"]: result["shown"]
                for result in stood
                if result["what"] == "deleted" and name in (None, result["listing"])
            }
            shown = sorted(day for day in days_of.values() if day and day <= on)
            return shown[count - 1] if len(shown) >= count else None
        said = []
        if kind == "corrected":
            name = f"{wanted['item']}@{wanted['bureau']}"
            said += [
                (day, 1 if balance == wanted["balance"] else 2)
                for day, balance in self.told.file.balances(wanted["item"], wanted["bureau"])
            ]
            said += [
                (result["since"], 0)
                for result in self.told.results
                if result["listing"] == name and result["what"] == "corrected"
            ]
        else:
            said += [
                (day, 1 if value >= wanted["at_least"] else 2)
                for bureau, day, model, value in self.told.file.scores
                if (bureau, model) == (wanted["bureau"], wanted["model"])
            ]
        return still_shown(sorted(pair for pair in said if pair[0] <= on))

    def found(self, findings, number, stood, on):
        """The day of the last report of the finding that names the earliest, or None."""
        good = []
        for finding in findings:
            named = [f for f in finding["found"] if f.get("promise") == number]
            reports = [self.evidence(found, stood, on) for found in named]
            if reports and None not in reports:
                good.append(max(reports))
        return min(good, default=None)

    def evidence(self, found, stood, on):
        results = [r for r in stood if r["listing"] == f"{found['item']}@{found['bureau']}"]
        report = found["report_on"]
        if not results or report > on or not self.told.file.has_report(found["bureau"], report):
            return None
        since = date.fromisoformat(results[0]["since"])
        first = days.first_report_after_six_months(since).isoformat()
        return report if report >= first else None

    def nobody_found(self, question, stood):
        if not stood:
            return fails("no result stands", PUT_RIGHT)
        shown = [result["shown"] for result in stood]
        if any(on is None or date.fromisoformat(on) > question.on for on in shown):
            return fails("a result was not shown by a later report", NEVER)
        given = self.given(question, max(shown))
        return unknown("nobody found what was promised") if given.holds else given

    @staticmethod
    def given(question, latest):
        latest = date.fromisoformat(latest)
        reports = [w for w in question.case.of("work") if w.get("type") == "progress_report"]
        if any(latest <= report.day <= question.on for report in reports):
            return holds()
        return fails("the client was not told", PUT_RIGHT)

    def frame(self, question):
        """The time frame was promised in the sale, and runs from it."""
        enrolled = self.told.enrolled
        last = days.plus(date.fromisoformat(enrolled["day"]), enrolled["sale"]["promised_days"])
        return fails("the time frame runs", PUT_RIGHT) if question.on <= last else holds()


def still_shown(said):
    """The first report late enough after the value came about, unless a later one shows another value.

    It comes about with the bureau's answer (0), or with a report that shows it (1) after one that did not (2).
    """
    since = shown = None
    was_other = False
    for day, what in said:
        if what == 2:
            since, shown, was_other = None, None, True
        elif since is None:
            since = day if what == 0 or was_other else None
        elif what == 1 and shown is None:
            first = days.first_report_after_six_months(date.fromisoformat(since))
            shown = day if day >= first.isoformat() else None
    return shown


def seat_of(accounts, case):
    """Who opened the account that pays is first; a member whose other half is not linked owes the smaller
    share."""
    own = accounts[case]
    paying = accounts[own.moved] if own.moved else own
    return 0 if len(paying.members) == 2 and paying.members[0] == case else 1


def judge(firm, document, case, told, today):
    law = Law(document, days.day(today))
    facts = told.all_facts(law, document)
    for fact in facts:
        if fact["kind"] == "enrolled":
            fact["seat"] = seat_of(firm.accounts, case)
    results.results.told = told
    freeing = set()
    for at in range(len(told.claims) + 1):
        made, money = decisions(told, case, firm.accounts, freeing)
        asked = {
            "today": today,
            "firm": document,
            "decisions": made,
            "clients": [{"id": "c", "told": [*facts, *money]}],
        }
        answer = evaluate(asked)["clients"]["c"]
        if told.enrolled["seat"] == "couple":
            # Which member had the larger share when a fee was claimed is not known any more once they are linked
            # otherwise: up to it, a claimed fee is not above its price.
            larger = [
                {**fact, "seat": 0} if fact["kind"] == "enrolled" else fact
                for fact in asked["clients"][0]["told"]
            ]
            asked["clients"][0]["told"] = larger
            answer["fees"] = evaluate(asked)["clients"]["c"]["fees"]
        # Freed one after the other: an earlier one that was given back may leave a later one allowed.
        given_back = Counter()
        for fact in money:
            if fact["kind"] not in ("payment", "kept"):
                given_back[fact["claim"]] += fact["amount"]
        freed = next(
            (
                fee
                for fee in answer["fees"]
                if fee["status"] == EXPOSED
                and given_back[fee["claim"]] >= fee["amount"]
                and fee["claim"] not in freeing
            ),
            None,
        )
        if freed is None:
            break
        freeing.add(freed["claim"])
    return answer


def gates(fee):
    return {name: gate["answer"] for name, gate in fee["gates"].items()}


def exposed(fee):
    return fee["amount"] if fee["status"] == EXPOSED else fee["above_price"]


def line(case, today, answer):
    fees = [
        {
            "status": fee["status"],
            "exposed": exposed(fee),
            "owed": fee["owed"] if fee["status"] == EXPOSED else None,
            "gates": gates(fee),
        }
        for fee in answer["fees"]
    ]
    open_fees = [
        {"start": fee["start"], "amount": fee["amount"], "gates": gates(fee)}
        for fee in answer["open_fees"]
    ]
    # One for each piece of work, under however many agreements and packs.
    unsecured = {
        breach["fact"]: breach["day"]
        for breach in answer["breaches"]
        if breach["what"].startswith(UNSECURED)
    }
    return {
        "case": case,
        "today": today,
        "periods": [period["start"] for period in answer["periods"]],
        "open": open_fees,
        "fees": fees,
        "claimable": sum(fee["amount"] for fee in answer["claimable"]),
        "held": sum(answer["held"].values()),
        "unsecured": sorted(unsecured.values()),
    }


def main(folder):
    events = read((folder / "events.jsonl").read_text("utf-8").split("\n"))
    results.results = Service()
    results.frame = results.results.frame
    firm, seen = Firm(), 0
    for asked in read((folder / "days.jsonl").read_text("utf-8").split("\n")):
        for event in events[seen : asked["through"]]:
            firm.apply(event)
        seen = asked["through"]
        document = firm.document()
        for case, told in sorted(firm.cases.items()):
            if told.enrolled:
                answer = judge(firm, document, case, told, asked["today"])
                print(json.dumps(plain(line(case, asked["today"], answer))))


if __name__ == "__main__":
    main(pathlib.Path(sys.argv[1]))
