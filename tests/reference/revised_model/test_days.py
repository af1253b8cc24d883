"""Published check values: 5 USC 6103 days, business days on three calendars, six months, shares."""

import unittest
from datetime import date, timedelta

import days
from days import day

# start, count, federal office, Regulation Z rescission, Federal Reserve
BUSINESS_DAYS = """
2026-03-02,3,2026-03-05,2026-03-05,2026-03-05
2026-03-04,3,2026-03-09,2026-03-07,2026-03-09
2026-03-06,3,2026-03-11,2026-03-10,2026-03-11
2026-03-07,3,2026-03-11,2026-03-11,2026-03-11
2026-03-08,3,2026-03-11,2026-03-11,2026-03-11
2026-01-16,3,2026-01-22,2026-01-21,2026-01-22
2026-02-12,3,2026-02-18,2026-02-17,2026-02-18
2026-05-21,3,2026-05-27,2026-05-26,2026-05-27
2026-06-17,3,2026-06-23,2026-06-22,2026-06-23
2026-06-30,3,2026-07-06,2026-07-03,2026-07-03
2026-07-02,3,2026-07-08,2026-07-07,2026-07-07
2026-07-03,3,2026-07-08,2026-07-08,2026-07-08
2026-09-03,3,2026-09-09,2026-09-08,2026-09-09
2026-10-08,3,2026-10-14,2026-10-13,2026-10-14
2026-11-09,3,2026-11-13,2026-11-13,2026-11-13
2026-11-24,3,2026-11-30,2026-11-28,2026-11-30
2026-12-23,3,2026-12-29,2026-12-28,2026-12-29
2026-12-29,5,2027-01-06,2027-01-05,2027-01-06
2027-06-16,3,2027-06-22,2027-06-21,2027-06-21
2027-07-01,3,2027-07-07,2027-07-05,2027-07-07
2027-12-22,3,2027-12-28,2027-12-27,2027-12-27
2027-12-29,3,2028-01-04,2028-01-03,2028-01-03
2028-11-08,3,2028-11-14,2028-11-13,2028-11-13
2029-11-08,3,2029-11-14,2029-11-12,2029-11-14
2024-12-30,10,2025-01-14,2025-01-11,2025-01-14
2026-04-10,5,2026-04-17,2026-04-16,2026-04-17
2026-12-18,5,2026-12-28,2026-12-24,2026-12-28
2026-11-20,4,2026-11-27,2026-11-25,2026-11-27
""".split()

# Working days of a year: federal office, Federal Reserve, Regulation Z rescission.
OPEN_DAYS = {
    2024: (251, 251, 303),
    2025: (250, 250, 302),
    2026: (250, 251, 302),
    2027: (249, 252, 303),
    2028: (250, 251, 302),
    2029: (250, 250, 303),
    2030: (250, 250, 302),
}

SHARES = (
    (10000, [1, 1, 1], [3334, 3333, 3333]),
    (100, [1, 1, 1], [34, 33, 33]),
    (1, [1, 1, 1], [1, 0, 0]),
    (5, [3, 7], [2, 3]),
    (7, [1, 2, 3, 4], [1, 1, 2, 3]),
    (101, [0, 1, 1], [0, 51, 50]),
    (9999, [5000, 3000, 2000], [4999, 3000, 2000]),
    (-10000, [1, 1, 1], [-3334, -3333, -3333]),
    (0, [1, 2], [0, 0]),
    (100000000000001, [1, 1, 1], [33333333333334, 33333333333334, 33333333333333]),
)


class Days(unittest.TestCase):
    def test_business_days(self):
        for row in BUSINESS_DAYS:
            start, count, *ends = row.split(",")
            for name, end in zip(("federal_office", "regz_rescission", "fed_reserve"), ends):
                with self.subTest(start=start, calendar=name):
                    self.assertEqual(day(end), days.after(day(start), int(count), name))

    def test_open_days_of_each_year(self):
        for year, counts in OPEN_DAYS.items():
            whole = [date(year, 1, 1) + timedelta(days=n) for n in range(366)]
            for is_open, count in zip(
                (days.federal_office, days.fed_reserve, days.regz_rescission), counts
            ):
                self.assertEqual(count, sum(is_open(on) for on in whole if on.year == year))

    def test_five_state_days_and_three_federal_ones(self):
        for signed, end in (
            ("2026-03-04", "2026-03-09"),
            ("2026-03-06", "2026-03-11"),
            ("2026-07-02", "2026-07-08"),
            ("2026-11-24", "2026-11-30"),
        ):
            state = days.after(day(signed), 5, "every_day")
            federal = days.after(day(signed), 3, "federal_office")
            self.assertEqual(day(end), max(state, federal))

    def test_more_than_six_months(self):
        # The calendar reading gives 07-16, 08-29, 10-01, 03-01, 03-01; the 185 days end later or not.
        for achieved, first in (
            ("2026-01-15", "2026-07-19"),
            ("2026-02-28", "2026-09-01"),
            ("2026-03-31", "2026-10-02"),
            ("2025-08-31", "2026-03-04"),
            ("2027-08-29", "2028-03-01"),
        ):
            self.assertEqual(day(first), days.first_report_after_six_months(day(achieved)))

    def test_obsolete_on_the_longer_reading(self):
        for delinquent, first in (
            ("2018-12-31", "2026-06-30"),
            ("2019-03-15", "2026-09-12"),
            ("2019-09-04", "2027-03-03"),
            ("2020-02-29", "2027-08-28"),
        ):
            self.assertEqual(day(first), days.obsolete_from(day(delinquent)))

    def test_shares_add_up_to_the_cent(self):
        for total, weights, parts in SHARES:
            self.assertEqual(parts, days.largest_remainder(total, weights))


if __name__ == "__main__":
    unittest.main()
