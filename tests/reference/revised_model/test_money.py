"""Exposures, payments, couples and the total: what is owed, and to whom."""

import unittest

from examples import TERMS, Client, document
from model import evaluate
from test_rules import P1, P2, P3, Rules


class Exposures(Rules):
    def no_work(self):
        client = Client().sign()
        client.claim(*P1, paid=P1[3])
        return client, client.decisions[0]["id"]

    def test_only_the_part_above_the_price_is_exposed(self):
        client = self.first_month()
        client.claim("2026-03-02", "2026-03-31", 12000, "2026-04-01", paid="2026-04-01")
        self.judged(client)
        self.assertEqual(("allowed", 2100), (self.status(), self.answer["owed"]))

    def test_a_claimed_fee_not_yet_asked_for_is_judged_on_today(self):
        client = Client().sign()
        client.report("2026-03-10")
        client.round("2026-04-05", completes_before=True)
        client.claim(*P1, asked=False)
        self.judged(client)
        self.assertEqual("allowed", self.status())
        client.decisions.append(
            {
                "id": "i",
                "kind": "invoice",
                "day": "2026-04-03",
                "lines": [{"claim": client.decisions[0]["id"]}],
            }
        )
        self.judged(client)
        self.assertEqual("exposed", self.status())

    def test_every_day_of_asking_counts(self):
        client = Client().sign()
        client.report("2026-03-10")
        client.round("2026-04-05", completes_before=True)
        fee = client.claim(*P1)
        client.decisions.append(
            {"id": "c", "kind": "charge_request", "day": "2026-04-20", "invoice": f"invoice-{fee}"}
        )
        self.judged(client)
        self.assertEqual(
            {"2026-04-01": "exposed", "2026-04-20": "allowed"},
            {str(k): v for k, v in self.answer["fees"][0]["by_day"].items()},
        )
        self.assertEqual("exposed", self.status())

    def test_a_fact_of_the_period_told_late_heals(self):
        client, _ = self.no_work()
        self.assertEqual(9900, self.judged(client)["owed"])
        client.month("2026-03-10")
        self.assertEqual(0, self.judged(client)["owed"])
        self.assertEqual("allowed", self.status())

    def test_an_exposed_fee_given_back_frees_its_period_for_a_person(self):
        client, fee = self.no_work()
        client.month("2026-04-03")
        for work in client.told[-2:]:
            work["completes_before"] = True
        client.tell("refund", "2026-04-20", claim=fee, amount=9900, reason="exposure")
        self.judged(client)
        self.assertEqual([P1[::2]], self.claimable())
        self.assertTrue(self.answer["open_fees"][0]["by_person_only"])
        for by, status in (("run", "exposed"), ("person", "allowed")):
            client.decisions = client.decisions[:2]
            client.claim(P1[0], P1[1], 9900, "2026-05-01", by=by)
            self.judged(client)
            self.assertEqual(status, self.status(1))

    def test_what_frees_no_period(self):
        client, fee = self.no_work()
        ways = {
            "goodwill": ("refund", {"claim": fee, "amount": 9900, "reason": "goodwill"}),
            "chargeback": ("chargeback", {"payment": f"payment-{fee}"}),
            "write-off": ("write_off", {"claim": fee, "amount": 9900}),
            "half": ("refund", {"claim": fee, "amount": 5000, "reason": "exposure"}),
        }
        told = list(client.told)
        for name, (kind, data) in ways.items():
            with self.subTest(name):
                client.told = list(told)
                client.tell(kind, "2026-04-20", **data)
                self.judged(client)
                self.assertFalse(self.answer["fees"][0]["freed"])
                self.assertNotIn("2026-03-02", [str(f["start"]) for f in self.answer["open_fees"]])

    def test_an_unpaid_exposed_fee_is_freed_by_a_credit_as_an_exposure(self):
        client = Client().sign()
        fee = client.claim(*P1)
        client.tell("credit", "2026-04-20", claim=fee, amount=9900, reason="exposure")
        self.judged(client)
        self.assertEqual(
            (True, 0), (self.answer["fees"][0]["freed"], self.answer["fees"][0]["open"])
        )

    def test_a_chargeback_opens_its_line_again(self):
        client = self.paid_first_month()
        fee = client.decisions[0]["id"]
        client.tell("chargeback", "2026-04-20", payment=f"payment-{fee}")
        self.judged(client)
        standing = self.answer["fees"][0]
        self.assertEqual(
            (0, 9900, True), (standing["collected"], standing["open"], standing["may_charge"])
        )

    def test_no_charge_request_for_an_exposed_fee(self):
        client = Client().sign()
        client.claim(*P1)
        self.judged(client)
        self.assertFalse(self.answer["fees"][0]["may_charge"])
        self.assertEqual(
            0, self.answer["balances"]["receivable"] + self.answer["balances"]["revenue"]
        )

    def test_a_payment_after_the_period_and_before_the_claim_is_no_exposure(self):
        client = self.first_month()
        client.claim(P1[0], P1[1], 9900, "2026-04-10", paid="2026-04-02")
        self.judged(client)
        self.assertEqual(("allowed", 0), (self.status(), self.answer["owed"]))

    def test_an_early_payment_given_back_lets_a_person_claim_anew(self):
        client = self.first_month()
        fee = client.claim(*P1, paid="2026-03-15")
        client.tell("refund", "2026-04-20", claim=fee, amount=9900, reason="exposure")
        self.assertEqual(0, self.judged(client)["owed"])
        client.claim(P1[0], P1[1], 9900, "2026-05-01", paid="2026-05-01", by="person")
        self.judged(client)
        self.assertEqual(
            (["allowed"] * 2, 0), ([f["status"] for f in self.answer["fees"]], self.answer["owed"])
        )

    def test_an_early_payment_of_an_unproved_fee_is_owed_all_the_same(self):
        client = self.first_month(state="ZQ")
        client.claim(*P1, paid="2026-03-15")
        self.judged(client)
        self.assertEqual(
            ("unproved", 9900, 0), (self.status(), self.answer["owed"], self.answer["unproved"])
        )

    def test_a_payment_that_no_fee_supports(self):
        client = self.first_month()
        client.tell("payment", "2026-03-15", amount=4000)
        self.assertEqual(4000, self.judged(client)["owed"])

    def test_the_total_less_what_was_credited_or_given_back(self):
        client = Client().sign(total=20000)
        for day in ("2026-03-10", "2026-04-10", "2026-05-10"):
            client.month(day)
        fees = [client.claim(*p, paid=p[3]) for p in (P1, P2, P3)]
        self.assertEqual(8900, self.judged(client)["owed"])
        told = list(client.told)
        client.tell("refund", "2026-06-01", claim=fees[1], amount=7700, reason="goodwill")
        self.assertEqual(0, self.judged(client)["owed"])
        client.told = told
        client.tell("write_off", "2026-06-01", claim=fees[1], amount=8900)
        self.assertEqual(8900, self.judged(client)["owed"])


class Lines(Rules):
    """A couple: two fees on one invoice, each under its own agreement, days and gates."""

    def couple(self, *done):
        terms = {**TERMS, "first_price": 19901, "price": 17801, "shares": [1, 1]}
        pair = [Client(f"c{seat}") for seat in (1, 2)]
        for seat, client in enumerate(pair):
            client.told[0]["seat"] = seat
            client.sign(terms=terms)
            if seat in done:
                client.month("2026-03-10")
        return pair

    def test_two_fees_that_add_up(self):
        answer = evaluate(document("2026-04-01", *self.couple(0, 1)))
        self.assertEqual(
            [9951, 9950], [c["claimable"][0]["amount"] for c in answer["clients"].values()]
        )

    def test_a_share_that_is_held_is_not_asked_for(self):
        answer = evaluate(document("2026-04-01", *self.couple(1)))
        self.assertEqual([0, 1], [len(c["claimable"]) for c in answer["clients"].values()])

    def invoiced(self, paid, *done):
        pair = self.couple(*done)
        lines = []
        for client, amount in zip(pair, (9951, 9950)):
            lines.append({"claim": client.claim(P1[0], P1[1], amount, P1[3], asked=False)})
        pair[0].decisions.append({"id": "invoice", "kind": "invoice", "day": P1[3], "lines": lines})
        pair[0].tell("payment", "2026-04-02", amount=paid, invoice="invoice")
        answer = evaluate(document("2026-05-15", *pair))
        return [c["fees"][0]["collected"] for c in answer["clients"].values()], answer["owed"]

    def test_a_payment_covers_lines_pro_rata(self):
        self.assertEqual(([5001, 5000], 0), self.invoiced(10001, 0, 1))

    def test_a_payment_covers_the_lines_that_are_not_exposed_first(self):
        self.assertEqual(([51, 9950], 51), self.invoiced(10001, 1))
        self.assertEqual(([9951, 9950], 9951 + 99), self.invoiced(20000, 1))


if __name__ == "__main__":
    unittest.main()
