"""Which lines of an invoice the money of a log is of, worked by hand."""

import unittest

import lines


def usd(minor):
    return {"currency": "USD", "minor": str(minor)}


def part(line, minor, exposed=None):
    named = {"invoice": 1, "line": line, "amount": usd(minor)}
    return {**named, "exposed": usd(exposed)} if exposed else named


class Lines(unittest.TestCase):
    def setUp(self):
        amounts = (19900, 9900, 9900)
        of_lines = {"lines": [{"amount": usd(minor)} for minor in amounts]}
        self.invoice = {**of_lines, "shares": [lines.nothing() for _ in amounts], **lines.nothing()}

    def move(self, named, **sums):
        lines.move(self.invoice, 1, sums, named)

    def of(self, name):
        return [share[name] for share in self.invoice["shares"]]

    def test_an_older_event_is_of_all_lines_pro_rata(self):
        self.move(None, paid=20000)
        # 10,025.19 and twice 4,987.41.
        self.assertEqual([10025, 4988, 4987], self.of("paid"))
        self.move(None, paid=-20000, refunded=20000)
        self.assertEqual(([0, 0, 0], [10025, 4988, 4987]), (self.of("paid"), self.of("refunded")))

    def test_a_payment_covers_the_other_lines_first(self):
        self.move([part(1, 19900), part(2, 5000), part(3, 0, 9900)], paid=24900)
        with self.assertRaisesRegex(ValueError, "exposed open was reached before all that was open"):
            self.move([part(2, 4800), part(3, 100, 9900)], paid=4900)

    def test_a_payment_beyond_them_is_of_the_exposed_one(self):
        self.move([part(1, 19900), part(2, 9900), part(3, 9900, 9900)], paid=39700)
        self.assertEqual([19900, 9900, 9900], self.of("paid"))

    def test_a_refund_settles_what_is_owed_first(self):
        self.move([part(1, 19900), part(2, 9900), part(3, 9900, 9900)], paid=39700)
        with self.assertRaisesRegex(ValueError, "allowed paid was reached before all that was owed"):
            self.move([part(1, 5000), part(3, 4900, 9900)], paid=-9900, refunded=9900)

    def test_a_credit_lowers_what_nothing_allowed_first(self):
        self.move([part(3, 9900, 9900)], credited=9900)
        self.assertEqual([0, 0, 9900], self.of("credited"))
        with self.assertRaisesRegex(ValueError, "open was reached before all that was exposed open"):
            self.move([part(1, 100), part(2, 0, 9900)], credited=100)

    def test_a_chargeback_that_was_won_goes_back_to_its_lines(self):
        taken = [part(1, 19900), part(2, 9900)]
        self.move(taken, paid=29800)
        self.move(taken, paid=-29800)
        self.move([part(1, 10000)], written_off=10000)
        lines.come_again(self.invoice, 1, 29800, taken)
        self.assertEqual([19900, 9900, 0], self.of("paid"))
        self.assertEqual(0, self.invoice["written_off"])

    def test_parts_come_to_the_whole(self):
        with self.assertRaisesRegex(ValueError, "not 100"):
            self.move([part(1, 99)], paid=100)


if __name__ == "__main__":
    unittest.main()
