"""G6 and G7: sales by telephone, and state law as pack dimensions."""

import unittest

from examples import FIRM, Client, bond, confirmed, firm_of, pack
from test_rules import Rules


class States(Rules):
    def in_state(self, firm, client=None, today="2026-04-15"):
        client = client or self.first_month(state="ZB")
        self.judged(client, today, firm=firm)
        fee = next(
            (
                f
                for f in self.answer["open_fees"] + self.answer["fees"]
                if str(f.get("start") or f.get("stands_for")) == "2026-03-02"
            ),
            None,
        )
        return fee["gates"]["G7"]["answer"]

    def test_closed_where_unknown(self):
        unread = pack("ZB")
        del unread["dimensions"]["fee_cap"]
        nothing = {**pack("ZB"), "nothing_is_added": True}
        risk = {"id": "risk", "kind": "own_risk", "day": "2026-04-10", "pack": "zb", "version": 1}
        old = {**pack("ZB"), "in_force_through": "2026-03-31"}
        for name, firm, expected in (
            ("no pack", firm_of(), "unknown"),
            ("a pack nobody confirmed", {**FIRM, "packs": FIRM["packs"] + [pack("ZB")]}, "unknown"),
            ("an unread dimension", firm_of(unread), "unknown"),
            (
                "at own risk",
                {**FIRM, "packs": FIRM["packs"] + [pack("ZB")], "told": FIRM["told"] + [risk]},
                "holds",
            ),
            (
                "nothing is added at own risk",
                {**FIRM, "packs": [nothing], "told": [risk]},
                "unknown",
            ),
            ("nothing is added, confirmed", firm_of(nothing), "holds"),
            ("no version on the day of asking", firm_of(old), "unknown"),
            ("confirmed and read", firm_of(pack("ZB")), "holds"),
        ):
            with self.subTest(name):
                self.assertEqual(expected, self.in_state(firm))

    def test_unknown_leaves_a_claimed_fee_unproved_and_names_the_state(self):
        client = self.paid_first_month(state="ZQ")
        self.judged(client)
        self.assertEqual(
            ("unproved", 0, 9900), (self.status(), self.answer["owed"], self.answer["unproved"])
        )
        self.assertIn("ZQ", self.answer["fees"][0]["gates"]["G7"]["says"])

    def test_a_confirmation_serves_every_day_of_asking(self):
        client = self.paid_first_month(state="ZB")
        firm = {
            **FIRM,
            "packs": FIRM["packs"] + [pack("ZB")],
            "told": FIRM["told"] + [confirmed(pack("ZB"), "2026-05-20")],
        }
        self.judged(client, "2026-05-19", firm=firm)
        self.assertEqual("unproved", self.status())
        self.judged(client, "2026-05-20", firm=firm)
        self.assertEqual("allowed", self.status())

    def test_the_stricter_of_signing_and_asking_wins(self):
        first = {**pack("ZB"), "in_force_through": "2026-03-15"}
        second = {**pack("ZB", version=2, fee_cap=5000), "in_force_from": "2026-03-16"}
        self.assertEqual("fails", self.in_state(firm_of(first, second)))
        first["dimensions"]["fee_cap"], second["dimensions"]["fee_cap"] = 5000, None
        self.assertEqual("fails", self.in_state(firm_of(first, second)))

    def test_security_always(self):
        secured = pack("ZB", security={"when": "always", "kinds": ["bond"], "amount": 1000})
        ended = {
            "id": "e",
            "kind": "standing_ended",
            "what": "bond",
            "state": "ZB",
            "day": "2026-03-09",
        }
        for name, told, expected in (
            ("no record", [], "unknown"),
            ("from before", [bond("ZB", "2026-01-01")], "holds"),
            ("first record after the signing", [bond("ZB", "2026-03-05")], "unknown"),
            ("ended before the work", [bond("ZB", "2026-01-01", "2026-03-09")], "fails"),
            ("cancelled by the surety", [bond("ZB", "2026-01-01"), ended], "fails"),
            ("too small", [{**bond("ZB", "2026-01-01"), "amount": 999}], "fails"),
        ):
            with self.subTest(name):
                self.assertEqual(expected, self.in_state(firm_of(secured, told=told)))

    def test_a_bond_found_to_have_ended_touches_the_fee_asked_for_after(self):
        secured = pack("ZB", security={"when": "always", "kinds": ["bond"], "amount": 1000})
        client = self.paid_first_month(state="ZB")
        for last, status in (("2026-04-01", "allowed"), ("2026-03-31", "exposed")):
            self.judged(client, firm=firm_of(secured, told=[bond("ZB", "2026-01-01", last)]))
            self.assertEqual(status, self.status())

    def test_security_if_paid_before_all_is_done(self):
        secured = pack("ZB", security={"when": "if_paid_before_all_done", "kinds": ["bond"]})
        late = [bond("ZB", "2026-04-01")]
        self.assertEqual("holds", self.in_state(firm_of(secured, told=late)))
        self.assertEqual("unknown", self.in_state(firm_of(secured)))

    def test_a_statement_of_the_periods_work(self):
        duty = firm_of(pack("ZB", monthly_statement={"within_days": 10}))
        for sent, of, expected in (
            (None, None, "fails"),
            ("2026-03-25", None, "holds"),
            ("2026-03-08", None, "fails"),
            ("2026-04-02", "2026-03-10", "fails"),
            ("2026-03-20", "2026-02-01", "fails"),
        ):
            with self.subTest(sent=sent, of=of):
                client = self.first_month(state="ZB")
                if sent:
                    client.tell("statement", sent, **({"of": of} if of else {}))
                self.assertEqual(expected, self.in_state(duty, client))
        client = self.first_month(state="ZB")
        client.round("2026-03-30")
        client.tell("statement", "2026-04-02", of="2026-03-10")
        self.assertEqual("holds", self.in_state(duty, client))

    def test_dimensions_of_signing(self):
        for said, more, expected in (
            ({"contract_items": ["agent"]}, {}, "fails"),
            ({"contract_items": ["agent"]}, {"items": ["agent"]}, "holds"),
            ({"estimate": {"max_days": 180}}, {}, "fails"),
            ({"estimate": {"max_days": 180}}, {"estimate_days": 180}, "holds"),
            ({"statements": ["of ZB"]}, {}, "fails"),
            ({"perform_within": {"days": 7}}, {}, "fails"),
            ({"prohibited": True}, {}, "fails"),
            ({"registration": {}}, {}, "unknown"),
        ):
            with self.subTest(said=said, more=more):
                client = Client(state="ZB").sign(**more)
                client.month("2026-03-10")
                self.assertEqual(expected, self.in_state(firm_of(pack("ZB", **said)), client))

    def test_a_longer_cancellation_and_a_bar_that_follows_it(self):
        longer = pack(
            "ZB",
            cancellation={"days": 5, "calendar": "federal_office"},
            service_bar="as_cancellation",
        )
        client = self.first_month(state="ZB")
        client.told[-1]["day"] = client.told[-2]["day"] = "2026-03-09"
        self.in_state(firm_of(longer), client)
        agreement = self.answer["agreements"][0]
        self.assertEqual(
            ("2026-03-09", "2026-03-10"),
            (str(agreement["cancel_through"]), str(agreement["service_from"])),
        )
        self.assertEqual("fails", self.open_gate("2026-03-02", "G3")["answer"])

    def test_reach_and_moves(self):
        elsewhere = {
            **pack("ZA", version=2, prohibited=True),
            "id": "za2",
            "reach": ["firm_located"],
        }
        self.assertEqual("fails", self.in_state(firm_of(pack("ZB"), elsewhere)))
        for on_move, expected in ((False, "holds"), (True, "fails")):
            client = self.first_month(state="ZB")
            client.tell("moved", "2026-03-20", state="ZC")
            new = {**pack("ZC", prohibited=True), "on_move": on_move}
            self.assertEqual(expected, self.in_state(firm_of(pack("ZB"), new), client))

    def test_the_whole_contract(self):
        whole = firm_of(pack("ZB", performance="whole_contract"))
        client = Client(state="ZB").sign(estimate_days=60)
        client.month("2026-03-10")
        client.month("2026-04-10")
        self.judged(client, "2026-04-30", firm=whole)
        self.assertEqual([], self.claimable())
        client.month("2026-05-01")
        self.judged(client, "2026-05-31", firm=whole)
        self.assertEqual(
            ["2026-03-02", "2026-04-01", "2026-05-01"], [f[0] for f in self.claimable()]
        )
        client.correct(client.told[-1]["id"], puts={"day": "2026-05-05"})
        self.judged(client, "2026-05-31", firm=whole)
        self.assertEqual([], self.claimable())


class Telephone(Rules):
    def sold_by_telephone(self, **more):
        client = Client().sign(frame_days=30, **more)
        client.correct("c1-sale")
        client.month("2026-03-10")
        for day, listed in (("2026-03-08", {"L1": 1}), ("2026-04-15", {})):
            client.tell("import", day, bureau="B1", listings=listed, id=f"import-{day}")
        return client

    wanted = {"promised": [{"listing": "L1", "bureau": "B1", "result": "deleted"}]}

    def g6(self, client, today):
        self.judged(client, today)
        return self.open_gate("2026-03-02", "G6")

    def test_covered_is_the_default(self):
        client = self.first_month()
        client.correct("c1-sale")
        self.assertEqual("fails", self.g6(client, "2026-04-15")["answer"])
        client.tell("sale_evidence", "2026-03-01", shows="face_to_face_before_authorization")
        self.assertEqual("holds", self.g6(client, "2026-04-15")["answer"])

    def test_a_later_report_that_still_shows_the_result(self):
        client = self.sold_by_telephone(**self.wanted)
        self.assertEqual("2026-10-17", str(self.g6(client, "2026-06-01")["until"]))
        client.tell("import", "2026-10-16", bureau="B1", listings={})
        self.assertEqual("fails", self.g6(client, "2026-10-16")["answer"])
        client.tell("import", "2026-10-17", bureau="B1", listings={})
        self.assertEqual("holds", self.g6(client, "2026-10-17")["answer"])

    def test_a_listing_that_came_back_shows_nothing(self):
        client = self.sold_by_telephone(**self.wanted)
        client.tell("import", "2026-07-01", bureau="B1", listings={"L1": 1})
        client.tell("import", "2026-10-20", bureau="B1", listings={})
        self.assertEqual("fails", self.g6(client, "2026-10-20")["answer"])

    def test_a_correction_shows_as_its_value(self):
        client = self.sold_by_telephone(
            promised=[{"listing": "L2", "bureau": "B1", "result": "corrected", "value": 7}]
        )
        client.tell("answer", "2026-04-01", bureau="B1", listing="L2", result="corrected", value=7)
        client.tell("import", "2026-10-20", bureau="B1", listings={"L2": 8})
        self.assertEqual("fails", self.g6(client, "2026-10-20")["answer"])
        client.tell("import", "2026-10-25", bureau="B1", listings={"L2": 7})
        self.assertEqual("fails", self.g6(client, "2026-10-25")["answer"])
        client.correct(client.told[-2]["id"])
        self.assertEqual("holds", self.g6(client, "2026-10-25")["answer"])

    def test_a_finding_waives_neither_the_frame_nor_the_six_months(self):
        client = self.sold_by_telephone()
        client.tell("import", "2026-10-16", bureau="B1", listings={}, id="soon")
        client.tell("import", "2026-10-17", bureau="B1", listings={}, id="late")
        for report, expected in (("soon", "fails"), ("late", "holds")):
            pairs = [{"result": "import-2026-04-15", "report": report}]
            finding = client.tell("finding", "2026-10-18", agreement="A1", shows=pairs)
            self.assertEqual(expected, self.g6(client, "2026-10-20")["answer"])
            client.correct(finding)
        client.tell(
            "finding",
            "2026-10-18",
            agreement="A1",
            shows=[{"result": "import-2026-04-15", "report": "late"}],
        )
        client.correct("c1-signed-A1", puts={"frame_days": 300})
        self.assertEqual("wait", self.g6(client, "2026-10-20")["opens"])


if __name__ == "__main__":
    unittest.main()
