"""The fifteen histories worked by hand in the trade's text, each with every figure it gives."""

import unittest

from examples import Client, bond, document, firm_of, on, pack
from model import evaluate

P1, P2, P3, P4 = "2026-03-02", "2026-04-01", "2026-05-01", "2026-05-31"
ENDS = {P1: "2026-03-31", P2: "2026-04-30", P3: "2026-05-30", P4: "2026-06-29"}
ASKED = {P1: "2026-04-01", P2: "2026-05-01", P3: "2026-05-31", P4: "2026-06-30"}


class Histories(unittest.TestCase):
    def given(self, **more):
        """Signed Monday 2026-03-02; what is not mentioned is done."""
        return Client(**more).sign()

    def reports(self, client, *starts):
        for start in starts:
            client.report(start[:8] + "20" if start != P4 else "2026-06-10")

    def paid(self, client, start, amount):
        return client.claim(start, ENDS[start], amount, ASKED[start], paid=ASKED[start])

    def when(self, today, client, **more):
        self.answer = evaluate(document(today, client, **more))["clients"][client.name]
        return self.answer

    def assert_claimable(self, *fees):
        self.assertEqual(
            [(on(start), amount) for start, amount in fees],
            [(f["start"], f["amount"]) for f in self.answer["claimable"]],
        )

    def gate(self, start, gate):
        fee = next(f for f in self.answer["open_fees"] if f["start"] == on(start))
        return fee["gates"][gate]

    def statuses(self):
        return [fee["status"] for fee in self.answer["fees"]]

    def test_the_days_all_histories_share(self):
        client = self.given()
        self.when("2026-06-01", client)
        agreement = self.answer["agreements"][0]
        self.assertEqual(on("2026-03-05"), agreement["cancel_through"])
        self.assertEqual(on("2026-03-06"), agreement["service_from"])
        self.assertEqual(
            [
                (on(P1), on(ENDS[P1])),
                (on(P2), on(ENDS[P2])),
                (on(P3), on(ENDS[P3])),
                (on(P4), on(ENDS[P4])),
            ],
            [(p["start"], p["end"]) for p in self.answer["periods"]],
        )

    def test_h1_rounds_of_the_grace_days(self):
        for says, fees in (
            ((), ((P2, 8900), (P3, 8900))),
            ((1,), ((P1, 9900), (P3, 8900))),
            ((1, 2), ((P1, 9900), (P2, 8900))),
        ):
            with self.subTest(says=says):
                client = self.given()
                self.reports(client, P1, P2, P3)
                client.round("2026-04-09", completes_before=1 in says)
                client.round("2026-05-08", completes_before=2 in says)
                self.when("2026-05-31", client)
                self.assert_claimable(*fees)
                self.assertEqual(17800 if not says else 18800, sum(f[1] for f in fees))

    def test_h2_a_report_told_late_moves_nothing(self):
        client = self.given()
        client.round("2026-04-09")
        client.report("2026-04-20")
        self.paid(client, P2, 8900)
        before = self.when("2026-05-20", client)
        client.report("2026-04-02")
        after = self.when("2026-05-20", client)
        self.assertEqual(["allowed"], self.statuses())
        self.assert_claimable()
        for same in ("claimable", "owed", "periods", "balances"):
            self.assertEqual(before[same], after[same])

    def test_h3_a_renewal_governs_from_the_next_period(self):
        client = self.given()
        client.month("2026-03-10")
        client.month("2026-04-10")
        client.sign(
            "2026-05-18",
            agreement="A2",
            terms={
                "first_price": 9900,
                "price": 6900,
                "work": {"round": 1, "progress_report": 1},
                "total": 100000,
            },
        )
        client.month("2026-05-10")
        client.month("2026-06-01")
        self.when("2026-06-30", client)
        self.assertEqual(on("2026-05-22"), self.answer["agreements"][1]["service_from"])
        self.assert_claimable((P1, 9900), (P2, 8900), (P3, 8900), (P4, 6900))
        self.assertEqual(
            ["A1", "A1", "A1", "A2"], [p["agreement"] for p in self.answer["periods"]][:4]
        )

    def test_h4_a_bond_that_ends_touches_no_fee_asked_for_before(self):
        state = pack("ZB", security={"when": "always", "kinds": ["bond"], "amount": 1000000})
        firm = firm_of(state, told=[bond("ZB", "2026-01-01", "2026-12-31")])
        client = self.given(state="ZB")
        starts = [on(P1).fromordinal(on(P1).toordinal() + 30 * n) for n in range(10)]
        for n, start in enumerate(starts):
            client.month(start.fromordinal(start.toordinal() + 8).isoformat())
            if n < 9:
                end = start.fromordinal(start.toordinal() + 29)
                asked = start.fromordinal(start.toordinal() + 30).isoformat()
                client.claim(
                    start.isoformat(), end.isoformat(), 9900 if n == 0 else 8900, asked, paid=asked
                )
        client.tell("contact", "2027-01-04", telephone="told")
        self.when("2027-01-04", client, firm=firm)
        self.assertEqual(["allowed"] * 9, self.statuses())
        self.assertEqual(0, self.answer["owed"])
        self.assert_claimable()
        self.assertEqual("fails", self.gate(starts[9].isoformat(), "G7")["answer"])

    def test_h5_the_total_of_all_payments(self):
        client = Client().sign(total=30000)
        for day in ("2026-03-10", "2026-04-10", "2026-05-10", "2026-06-10"):
            client.month(day)
        for start, amount in ((P1, 9900), (P2, 8900), (P3, 8900)):
            client.claim(start, ENDS[start], amount, ASKED[start])
        self.when("2026-06-30", client)
        self.assertEqual(["allowed"] * 3, self.statuses())
        self.assert_claimable()
        gate = self.gate(P4, "G8")
        self.assertEqual(
            ("fails", {"sum": 36600, "total": 30000}), (gate["answer"], gate["detail"])
        )

    def test_h6_service_after_an_end_taints_no_later_agreement(self):
        client = self.given()
        for day in ("2026-03-10", "2026-04-10", "2026-05-10", "2026-06-10"):
            client.month(day)
        client.tell("ended", "2026-06-30", agreement="A1")
        late = client.round("2026-07-10")
        client.sign("2026-07-20", agreement="A2")
        client.month("2026-07-28")
        self.when("2026-08-19", client)
        self.assertEqual([late], [b["fact"] for b in self.answer["breaches"]])
        self.assert_claimable((P1, 9900), (P2, 8900), (P3, 8900), (P4, 8900), ("2026-07-20", 9900))

    def test_h7_asked_before_the_work_was_done(self):
        client = self.given()
        client.report("2026-03-20")
        fee = self.paid(client, P1, 9900)
        client.round("2026-04-05", completes_before=True)
        self.assertEqual(9900, self.when("2026-05-15", client)["owed"])
        self.assertEqual(["exposed"], self.statuses())
        given_back = list(client.told)
        client.tell("refund", "2026-05-10", claim=fee, amount=9900, reason="exposure")
        self.assertEqual(0, self.when("2026-05-15", client)["owed"])
        client.told = given_back
        client.tell("kept", "2026-05-10", claim=fee, reason="counsel's", counsel="C")
        self.assertEqual(0, self.when("2026-05-15", client)["owed"])
        self.assertTrue(self.answer["fees"][0]["kept"])

    def test_h8_early_service_told_after_payment(self):
        client = self.given()
        client.month("2026-03-10")
        client.month("2026-04-10")
        self.paid(client, P1, 9900)
        self.paid(client, P2, 8900)
        self.assertEqual(0, self.when("2026-05-15", client)["owed"])
        early = client.round("2026-03-04")
        self.assertEqual(18800, self.when("2026-05-15", client)["owed"])
        self.assertEqual([early], [b["fact"] for b in self.answer["breaches"]])
        self.assertEqual(["fails"] * 2, [f["gates"]["G3"]["answer"] for f in self.answer["fees"]])

    def test_h9_another_billing_day(self):
        client = self.given()
        client.tell("billing_day", "2026-03-20", on=15)
        for day in ("2026-03-10", "2026-04-10", "2026-05-10"):
            client.month(day)
        self.when("2026-05-15", client)
        self.assertEqual(
            (on(P2), on("2026-05-14")),
            tuple(self.answer["periods"][1][k] for k in ("start", "end")),
        )
        self.assert_claimable((P1, 9900), (P2, 8900))

    def test_h10_a_period_cut_short_earns_nothing(self):
        client = self.given()
        client.month("2026-03-10")
        client.month("2026-04-05")
        client.tell("ended", "2026-04-20", agreement="A1")
        self.when("2026-05-15", client)
        self.assert_claimable((P1, 9900))
        self.assertEqual(on("2026-04-20"), self.answer["last_day"])
        self.assertIsNone(self.answer["running"])

    def test_h11_a_pause_stops_the_count(self):
        client = self.given()
        client.tell("pause", "2026-04-10")
        client.tell("resume", "2026-04-20")
        for day in ("2026-03-10", "2026-04-05", "2026-04-25"):
            client.month(day)
        self.when("2026-05-11", client)
        self.assertEqual(on("2026-05-10"), self.answer["periods"][1]["end"])
        self.assert_claimable((P1, 9900), (P2, 8900))

    def test_h12_a_payment_before_its_fee_was_allowed(self):
        client = self.given()
        client.month("2026-03-10")
        client.claim(P1, ENDS[P1], 9900, "2026-04-01", paid="2026-03-15")
        self.when("2026-04-02", client)
        self.assertEqual(["allowed"], self.statuses())
        self.assertEqual(9900, self.answer["owed"])
        self.assertEqual(
            {"payment-c1-fee-2026-03-02": (9900, "exposed")},
            self.answer["fees"][0]["early_payments"],
        )

    def test_h13_work_beyond_the_promise_without_security(self):
        state = pack("ZB", security={"when": "always", "kinds": ["bond"], "amount": 1000000})
        firm = firm_of(
            state, told=[bond("ZB", "2026-01-01", "2026-04-12"), bond("ZB", "2026-04-21")]
        )
        client = self.given(state="ZB")
        client.month("2026-03-10")
        client.month("2026-04-10")
        self.paid(client, P2, 8900)
        beyond = client.round("2026-04-15")
        self.when("2026-05-15", client, firm=firm)
        self.assertEqual(0, self.answer["owed"])
        self.assertEqual(["allowed"], self.statuses())
        self.assertEqual([beyond], [b["fact"] for b in self.answer["breaches"]])

    def test_h14_the_total_corrected_downwards(self):
        client = Client().sign(total=300000)
        for day in ("2026-03-10", "2026-04-10", "2026-05-10"):
            client.month(day)
        for start, amount in ((P1, 9900), (P2, 8900), (P3, 8900)):
            self.paid(client, start, amount)
        self.assertEqual(0, self.when("2026-06-15", client)["owed"])
        client.correct("c1-signed-A1", puts={"total": 20000})
        self.assertEqual(8900, self.when("2026-06-15", client)["owed"])
        self.assertEqual(["allowed", "allowed", "exposed"], self.statuses())

    def test_h15_two_facts_of_one_day_without_an_order(self):
        client = self.given()
        for fact in client.told:
            fact.pop("request", None)
        client.month("2026-03-10")
        client.month("2026-04-10")
        self.paid(client, P1, 9900)
        self.when("2026-05-01", client)
        self.assertEqual(["unproved"], self.statuses())
        self.assertEqual((0, 9900), (self.answer["owed"], self.answer["unproved"]))
        self.assert_claimable()
        self.assertEqual("unknown", self.gate(P2, "G1")["answer"])
        client.correct("c1-ack-A1", puts={"order": 1})
        client.correct("c1-signed-A1", puts={"order": 2})
        self.when("2026-05-01", client)
        self.assertEqual(["allowed"], self.statuses())
        self.assert_claimable((P2, 8900))


if __name__ == "__main__":
    unittest.main()
