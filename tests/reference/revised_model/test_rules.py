"""Sentences of the trade's text that the fifteen histories do not reach."""

import unittest

from examples import FIRM, TERMS, Client, document, firm_of, on, pack
from model import evaluate

P1 = ("2026-03-02", "2026-03-31", 9900, "2026-04-01")
P2 = ("2026-04-01", "2026-04-30", 8900, "2026-05-01")
P3 = ("2026-05-01", "2026-05-30", 8900, "2026-05-31")


class Rules(unittest.TestCase):
    def judged(self, client, today="2026-06-01", **more):
        self.all = evaluate(document(today, client, **more))
        self.answer = self.all["clients"][client.name]
        return self.answer

    def first_month(self, **more):
        client = Client(**more).sign()
        client.month("2026-03-10")
        return client

    def paid_first_month(self, **more):
        client = self.first_month(**more)
        client.claim(*P1, paid=P1[3])
        return client

    def status(self, at=0):
        return self.answer["fees"][at]["status"]

    def gate(self, gate, at=0):
        return self.answer["fees"][at]["gates"][gate]["answer"]

    def open_gate(self, start, gate):
        fee = next(f for f in self.answer["open_fees"] if f["start"] == on(start))
        return fee["gates"][gate]

    def claimable(self):
        return [(f["start"].isoformat(), f["amount"]) for f in self.answer["claimable"]]


class FactsAndCorrections(Rules):
    def test_a_fact_is_refused_only_if_it_cannot_be_true(self):
        client = self.first_month()
        future = client.round("2026-06-02")
        nowhere = client.tell("ended", "2026-05-01", agreement="A9")
        client.told.append({"id": "bad", "kind": "payment", "day": "2026-05-01"})
        self.judged(client)
        self.assertEqual({future, nowhere, "bad"}, {r["id"] for r in self.all["refused"]})

    def test_a_correction_of_a_replaced_reading_is_refused_with_the_newer(self):
        client = self.first_month()
        first = client.correct("c1-signed-A1", puts={"total": 1000})
        late = client.correct("c1-signed-A1", puts={"total": 2000})
        self.judged(client)
        self.assertEqual(
            [{"id": late, "why": "names a replaced reading", "newer": first}], self.all["refused"]
        )

    def test_a_fact_of_the_wrong_client_moves_and_leaves_no_trace(self):
        wrong, right = self.first_month(), Client("c2").sign()
        right.report("2026-03-12")
        told = wrong.round("2026-03-14")
        wrong.correct(told, to_client="c2")
        answer = evaluate(document("2026-04-01", wrong, right))
        self.assertEqual(1, len(answer["clients"]["c2"]["claimable"]))
        self.assertEqual([], answer["clients"]["c1"]["corrections"])
        self.assertNotIn(told, [f["fact"] for f in answer["clients"]["c1"]["story"]])

    def test_a_corrected_signing_day_takes_the_plan_of_that_day(self):
        plans = [
            {"plan": "basic", "from": "2026-01-01", "terms": TERMS},
            {"plan": "basic", "from": "2026-03-03", "terms": {**TERMS, "first_price": 5000}},
        ]
        client = self.first_month()
        client.correct("c1-signed-A1", puts={"terms": None, "plan": "basic"})
        self.judged(client, "2026-04-03", firm={**FIRM, "plans": plans})
        self.assertEqual([("2026-03-02", 9900)], self.claimable())
        for name in ("c1-signed-A1", "c1-copies-A1"):
            at = [c["id"] for c in client.told if c.get("names") == name]
            client.correct(at[-1] if at else name, puts={"day": "2026-03-03"})
        self.judged(client, "2026-04-03", firm={**FIRM, "plans": plans})
        self.assertEqual([("2026-03-03", 5000)], self.claimable())

    def test_a_correction_that_helps_a_fee_is_shown_beside_its_gate(self):
        client = self.first_month()
        moved = client.correct("c1-work-2026-03-10-6", puts={"day": "2026-03-12"})
        early = client.round("2026-03-04")
        gone = client.correct(early)
        self.judged(client, explain=True)
        self.assertEqual([moved], self.open_gate("2026-03-02", "G4")["corrections"])
        self.assertEqual([], self.open_gate("2026-03-02", "G4")["helped_by"])
        self.assertEqual([gone], self.open_gate("2026-03-02", "G3")["helped_by"])

    def test_only_days_corrected_by_up_to_three_leave_a_fee_unproved(self):
        for moved, expected in (("2026-03-05", "unproved"), ("2026-03-06", "exposed")):
            with self.subTest(moved=moved):
                client = Client().sign()
                client.month("2026-03-20")
                client.claim(*P1, paid=P1[3])
                for name in ("c1-signed-A1", "c1-copies-A1"):
                    client.correct(name, puts={"day": moved})
                self.judged(client)
                self.assertEqual(expected, self.status())
                self.assertEqual(on(moved), self.answer["fees"][0]["stands_for"])

    def test_fees_of_the_first_edition_keep_the_days_they_name(self):
        client = self.first_month()
        client.month("2026-04-20")
        client.claim("2026-03-02", "2026-04-01", 9900, "2026-04-02", old=True)
        self.judged(client)
        self.assertEqual(
            [(on("2026-03-02"), on("2026-04-01")), (on("2026-04-02"), on("2026-05-01"))],
            [(p["start"], p["end"]) for p in self.answer["periods"][:2]],
        )
        self.assertEqual("allowed", self.status())
        client.claim("2026-04-28", "2026-05-27", 8900, "2026-05-28", old=True)
        self.judged(client)
        self.assertEqual(
            ["2026-04-01", "2026-04-27", "2026-05-27"],
            [str(p["end"]) for p in self.answer["periods"][:3]],
        )


class Agreements(Rules):
    def test_a_cancellation_in_its_days_counts_whenever_it_is_told(self):
        client = self.paid_first_month()
        client.tell("ended", "2026-04-20", agreement="A1")
        client.tell("cancelled", "2026-03-05", agreement="A1")
        self.judged(client)
        self.assertEqual([], self.answer["periods"])
        self.assertEqual(("exposed", 9900), (self.status(), self.answer["owed"]))

    def test_a_cancelled_renewal_leaves_the_earlier_as_it_was(self):
        client = self.first_month()
        before = self.judged(client)["periods"]
        client.sign("2026-03-20", agreement="A2")
        client.tell("cancelled", "2026-03-25", agreement="A2")
        self.assertEqual(before, self.judged(client)["periods"])

    def test_later_copies_cure_nothing_and_a_new_signing_does(self):
        client = self.first_month()
        client.correct("c1-copies-A1", puts={"day": "2026-03-03"})
        client.sign("2026-03-25", agreement="A2", terms={**TERMS, "price": 6900})
        client.month("2026-04-10")
        self.judged(client)
        self.assertEqual("never", self.open_gate("2026-03-02", "G2")["opens"])
        self.assertEqual([("2026-04-01", 6900)], self.claimable())

    def test_online_without_consent(self):
        client = Client().sign(online=True)
        client.month("2026-03-10")
        self.assertEqual([], self.judged(client)["claimable"])
        client.tell("consented", "2026-03-02")
        self.assertEqual(1, len(self.judged(client)["claimable"]))

    def test_service_before_the_first_signing_closes_its_gate_alone(self):
        client = self.first_month()
        client.round("2026-02-20")
        client.tell("ended", "2026-04-15", agreement="A1")
        client.sign("2026-05-01", agreement="A2")
        client.month("2026-05-12")
        self.judged(client)
        self.assertEqual("fails", self.open_gate("2026-03-02", "G3")["answer"])
        self.assertEqual([("2026-05-01", 9900)], self.claimable())

    def test_service_in_the_waiting_days_of_a_renewal_is_allowed_by_the_first(self):
        client = self.first_month()
        client.sign("2026-03-25", agreement="A2")
        client.round("2026-03-26")
        self.judged(client)
        self.assertEqual([], self.answer["breaches"])
        self.assertEqual([("2026-03-02", 9900)], self.claimable())

    def test_one_day_without_an_agreement_is_a_gap(self):
        for signed, starts in (
            ("2026-04-11", ["2026-03-02", "2026-04-01"]),
            ("2026-04-12", ["2026-03-02", "2026-04-01", "2026-04-12"]),
        ):
            with self.subTest(signed=signed):
                client = self.first_month()
                client.tell("ended", "2026-04-10", agreement="A1")
                client.sign(signed, agreement="A2")
                self.judged(client, "2026-04-20")
                self.assertEqual(starts, [p["start"].isoformat() for p in self.answer["periods"]])

    def test_a_period_that_no_agreement_governs_earns_nothing(self):
        client = self.first_month()
        client.tell("ended", "2026-03-31", agreement="A1")
        client.sign("2026-04-01", agreement="A2")
        client.month("2026-04-10")
        client.month("2026-05-10")
        self.judged(client)
        self.assertEqual(["A1", None, "A2", "A2"], [p["agreement"] for p in self.answer["periods"]])
        self.assertEqual([P1[::2], P3[::2]], self.claimable())

    def test_first_price_and_work_belong_to_no_renewal(self):
        client = Client().sign(terms={**TERMS, "first_work": {"progress_report": 1}})
        client.report("2026-03-10")
        client.sign("2026-03-20", agreement="A2", terms={**TERMS, "first_work": {}})
        self.judged(client, "2026-05-01")
        self.assertEqual([("2026-03-02", 9900)], self.claimable())


class PeriodsAndWork(Rules):
    def test_billing_day_of_a_shorter_month(self):
        client = self.first_month()
        client.tell("billing_day", "2026-03-02", on=31)
        self.judged(client, "2026-07-01")
        self.assertEqual(
            ["2026-03-30", "2026-04-29", "2026-05-30", "2026-06-29"],
            [p["end"].isoformat() for p in self.answer["periods"]][:4],
        )

    def test_three_rounds_in_three_days_never_earn_three_months(self):
        client = Client().sign()
        for day in ("2026-03-20", "2026-04-20", "2026-05-20"):
            client.report(day)
        for day in ("2026-05-01", "2026-05-02", "2026-05-03"):
            client.round(day, completes_before=day != "2026-05-03")
        self.judged(client)
        self.assertEqual([P2[::2], P3[::2]], self.claimable())

    def test_the_grace_is_what_the_agreement_of_that_period_printed(self):
        for day, earns in (("2026-04-05", True), ("2026-04-06", False)):
            with self.subTest(day=day):
                client = Client().sign(terms={**TERMS, "grace": 5})
                client.report("2026-03-10")
                client.round(day, completes_before=True)
                self.judged(client)
                self.assertEqual(earns, (P1[0], P1[2]) in self.claimable())

    def test_a_round_counts_on_what_has_a_basis(self):
        client = Client().sign()
        client.report("2026-03-10")
        both = [{"bureau": "B1", "listings": ["L1", "L2"]}]
        client.tell("work", "2026-03-11", type="round", letters=both)
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())
        self.assertEqual(1, len(self.answer["breaches"]))
        client.correct("c1-basis")
        self.assertEqual([], self.judged(client)["claimable"])
        client.tell("listing", "2026-03-01", listing="L2", bureau="B1", delinquent_on="2018-12-31")
        self.assertEqual([], self.judged(client)["claimable"])

    def test_an_obsolete_listing_is_a_basis_by_itself(self):
        client = self.first_month()
        client.correct("c1-basis")
        client.tell("listing", "2026-03-01", listing="L1", bureau="B1", delinquent_on="2018-01-31")
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())

    def test_work_in_a_pause_earns_nothing_and_is_no_breach(self):
        client = Client().sign()
        client.tell("pause", "2026-03-10")
        client.tell("resume", "2026-03-20")
        client.month("2026-03-12")
        self.judged(client)
        self.assertEqual(([], []), (self.answer["claimable"], self.answer["breaches"]))
        self.assertEqual(2, len(self.answer["work_in_pauses"]))

    def test_a_pause_without_an_end_leaves_the_period_open(self):
        client = self.first_month()
        client.tell("pause", "2026-03-20")
        self.judged(client)
        self.assertIsNone(self.answer["periods"][0]["end"])
        self.assertEqual("wait", self.open_gate("2026-03-02", "G4")["opens"])

    def test_work_told_late_reopens_a_period_and_a_person_may_give_it_up(self):
        client = Client().sign()
        client.report("2026-03-10")
        self.judged(client)
        self.assertEqual("never", self.open_gate("2026-03-02", "G4")["opens"])
        client.round("2026-03-11")
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())
        given_up = client.tell("given_up", "2026-04-12", of="2026-03-02")
        self.assertEqual([], self.judged(client)["claimable"])
        client.correct(given_up)
        self.assertEqual(1, len(self.judged(client)["claimable"]))

    def test_importing_a_first_report_is_preparation(self):
        client = self.first_month()
        client.tell("work", "2026-03-03", type="import")
        self.judged(client)
        self.assertEqual(([], [P1[::2]]), (self.answer["breaches"], self.claimable()))

    def test_two_fees_never_stand_for_one_period(self):
        client = self.paid_first_month()
        client.claim("2026-03-16", "2026-04-20", 8900, "2026-04-21", paid="2026-04-21")
        client.claim("2026-03-12", "2026-04-10", 8900, "2026-04-17", paid="2026-04-18")
        self.judged(client)
        self.assertEqual(
            ["2026-03-02", "2026-04-01", "2026-03-02"],
            [str(fee["stands_for"]) for fee in self.answer["fees"]],
        )
        self.assertEqual("fails", self.gate("G5", 2))
        self.assertEqual("exposed", self.status(2))

    def test_a_tie_of_days_goes_to_the_earlier(self):
        client = self.first_month()
        client.claim("2026-03-22", "2026-04-10", 8900, "2026-05-01")
        self.judged(client)
        self.assertEqual(on("2026-03-02"), self.answer["fees"][0]["stands_for"])


class Reasons(Rules):
    def test_uncertain_days_between_two_zones(self):
        west = {"zone": "America/Los_Angeles"}
        client = Client(**west).sign()
        client.month("2026-03-10")
        client.month("2026-03-31")
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())
        client.round("2026-03-06")  # there it may still have been the fifth
        self.judged(client)
        self.assertEqual("unknown", self.open_gate("2026-03-02", "G3")["answer"])
        client.correct(client.told[-1]["id"], puts={"time": "2026-03-06T09:00:00-05:00"})
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())

    def test_midnight_is_where_the_client_lives(self):
        client = Client(zone="America/Los_Angeles").sign()
        client.tell("cancelled", "2026-03-06", time="2026-03-06T02:30:00-05:00", agreement="A1")
        self.judged(client)
        self.assertEqual(on("2026-03-05"), self.answer["agreements"][0]["cancelled"])

    def test_as_of_never_opens_a_gate_that_is_closed_today(self):
        client = self.first_month()
        self.judged(client, "2026-06-01", as_of="2026-04-01")
        self.assertEqual([P1[::2]], self.claimable())
        client.claim(*P1)
        client.decisions[0]["day"] = client.decisions[1]["day"] = "2026-05-01"
        self.judged(client, "2026-06-01", as_of="2026-04-01")
        self.assertEqual([], self.claimable())
        self.judged(client, "2026-06-01", as_of="2026-03-15")
        self.assertEqual("wait", self.open_gate("2026-03-02", "G4")["opens"])

    def test_a_new_version_first_shows_what_it_would_expose(self):
        forbidding = {**pack("ZB", version=2, prohibited=True), "needs_review": True}
        old = pack("ZB")
        client = self.paid_first_month(state="ZB")
        firm = firm_of(old, forbidding)
        self.judged(client, firm=firm)
        self.assertEqual(("allowed", 0), (self.status(), self.answer["owed"]))
        self.assertEqual(
            (1, 9900, ["c1"]),
            tuple(self.all["would_expose"][k] for k in ("count", "amount", "cases")),
        )
        recorded = {
            "id": "r",
            "kind": "review_result",
            "day": "2026-05-30",
            "pack": "zb",
            "version": 2,
        }
        self.judged(client, firm=firm_of(old, forbidding, told=[recorded]))
        self.assertEqual(("exposed", 9900), (self.status(), self.answer["owed"]))


if __name__ == "__main__":
    unittest.main()
