"""Statutory clocks: each met only by the act it waits for."""

import unittest

from examples import Client, document, on
from model import evaluate


class Clocks(unittest.TestCase):
    def setUp(self):
        self.client = Client().sign()

    def judged(self, today):
        answer = evaluate(document(today, self.client))["clients"]["c1"]
        self.found = answer["clocks"]
        return self.found

    def one(self, name, today, at=0):
        return [c for c in self.judged(today) if c["clock"] == name][at]

    def answered(self, sent, day, result="verified", **more):
        return self.client.tell(
            "answer", day, round=sent, bureau="B1", listing="L1", result=result, **more
        )

    def test_reinvestigation_runs_thirty_days_after_delivery(self):
        sent = self.client.round("2026-03-10")
        clock = self.one("reinvestigation", "2026-04-01")
        self.assertEqual((on("2026-03-15"), True), (clock["starts"], clock["estimated"]))
        self.client.tell("delivered", "2026-03-13", round=sent, bureau="B1")
        clock = self.one("reinvestigation", "2026-04-12")
        self.assertEqual(
            (on("2026-04-12"), "running", False), (clock["due"], clock["state"], clock["estimated"])
        )
        self.assertEqual("overdue", self.one("reinvestigation", "2026-04-13")["state"])

    def test_the_published_ends_of_thirty_and_forty_five_days(self):
        for received, thirty, forty_five in (
            ("2026-03-15", "2026-04-14", "2026-04-29"),
            ("2026-12-15", "2027-01-14", "2027-01-29"),
        ):
            client = self.client = Client().sign()
            letters = [
                {"bureau": "B1", "listings": ["L1"]},
                {"bureau": "B2", "listings": ["L1"], "free_report": True},
            ]
            sent = client.tell("work", received, type="round", letters=letters)
            for bureau in ("B1", "B2"):
                client.tell("delivered", received, round=sent, bureau=bureau)
                client.tell("supplement", received, round=sent, bureau="B2")
            self.assertEqual(
                [on(thirty), on(forty_five)],
                [c["due"] for c in self.judged("2027-03-01") if c["clock"] == "reinvestigation"],
            )

    def test_information_of_the_client_extends_once_and_not_after_a_finding(self):
        sent = self.client.round("2026-03-10")
        self.client.tell("delivered", "2026-03-12", round=sent, bureau="B1")
        self.client.tell("supplement", "2026-04-11", round=sent, bureau="B1")
        self.client.tell("supplement", "2026-04-12", round=sent, bureau="B1")
        self.assertEqual(on("2026-04-26"), self.one("reinvestigation", "2026-05-01")["due"])
        self.answered(sent, "2026-04-01", "deleted")
        self.assertEqual(on("2026-04-11"), self.one("reinvestigation", "2026-05-01")["due"])

    def test_no_answer_meets_nothing_and_a_late_answer_shows_its_days(self):
        sent = self.client.round("2026-03-10")
        self.client.tell("delivered", "2026-03-12", round=sent, bureau="B1")
        self.client.tell("no_answer", "2026-04-12", round=sent, bureau="B1")
        self.assertEqual("overdue", self.one("reinvestigation", "2026-04-15")["state"])
        self.answered(sent, "2026-04-20")
        clock = self.one("reinvestigation", "2026-04-25")
        self.assertEqual(("met late", 9), (clock["state"], clock["days_late"]))

    def test_a_second_dispute_begins_a_clock_of_its_own(self):
        first = self.client.round("2026-03-10")
        self.client.round("2026-04-10")
        self.answered(first, "2026-04-05")
        states = [c["state"] for c in self.judged("2026-04-20") if c["clock"] == "reinvestigation"]
        self.assertEqual(["met", "running"], states)

    def test_a_letter_to_a_furnisher_starts_no_clock(self):
        self.client.tell(
            "work",
            "2026-03-10",
            type="round",
            letters=[{"bureau": "F1", "to": "furnisher", "listings": ["L1"]}],
        )
        self.assertEqual([], self.judged("2026-05-01"))

    def test_results_within_five_business_days(self):
        sent = self.client.round("2026-03-10")
        self.answered(sent, "2026-04-21", completed_on="2026-04-10")
        clock = self.one("results notice", "2026-05-01")
        self.assertEqual(
            (on("2026-04-17"), "met late", 4), (clock["due"], clock["state"], clock["days_late"])
        )

    def test_frivolous_from_the_determination(self):
        sent = self.client.round("2026-03-10")
        self.answered(sent, "2026-03-27", "frivolous", determined_on="2026-03-20")
        clock = self.one("frivolous notice", "2026-05-01")
        self.assertEqual(
            (on("2026-03-20"), on("2026-03-27"), "met"),
            (clock["starts"], clock["due"], clock["state"]),
        )

    def test_each_reinsertion_starts_its_own_clock(self):
        for day, shown in (
            ("2026-03-08", {"L1": 1}),
            ("2026-04-08", {}),
            ("2026-05-08", {"L1": 1}),
            ("2026-06-08", {}),
            ("2026-07-08", {"L1": 1}),
        ):
            self.client.tell("import", day, bureau="B1", listings=shown)
        self.client.tell("notice", "2026-05-12", of="reinsertion", bureau="B1", listing="L1")
        states = [
            (c["starts"], c["state"])
            for c in self.judged("2026-08-01")
            if c["clock"] == "reinsertion notice"
        ]
        self.assertEqual([(on("2026-05-08"), "met"), (on("2026-07-08"), "overdue")], states)

    def test_an_import_without_a_known_list_shows_scores_only(self):
        self.client.tell("import", "2026-03-08", bureau="B1", listings={"L1": 1})
        self.client.tell("import", "2026-04-08", bureau="B1")
        self.client.tell("import", "2026-05-08", bureau="B1", listings={"L1": 1})
        self.assertEqual([], self.judged("2026-06-01"))

    def test_description_block_and_obsolescence(self):
        self.client.tell("description_requested", "2026-04-01", bureau="B1")
        self.client.tell("theft_papers", "2026-11-20", bureau="B1", listing="L1")
        self.client.tell(
            "listing", "2026-04-01", bureau="B1", listing="L2", delinquent_on="2019-09-04"
        )
        self.client.tell("notice", "2026-04-10", of="description", bureau="B1")
        due = {c["clock"]: (c["due"], c["state"]) for c in self.judged("2026-12-01")}
        self.assertEqual((on("2026-04-16"), "met"), due["description of procedure"])
        self.assertEqual((on("2026-11-27"), "overdue"), due["identity-theft block"])
        self.assertEqual((on("2027-03-03"), "running"), due["obsolescence"])


if __name__ == "__main__":
    unittest.main()
