#!/usr/bin/env python3
"""Federal holidays and business days from the PyPI package `holidays`, as JSON.

The same format is printed by `cargo run -p counterfoil-calendar --example business_days`; the two
outputs must be equal byte by byte. Only the lists of holidays come from the package: the counting
below is deliberately naive, one day at a time.

"closed": holidays and observed days of 2024 to 2030. "business_days": per calendar and N, one
base-36 digit for each start from 2024-01-01 to 2030-11-30: the calendar days to the Nth business
day after it.
"""

import datetime
import json

import holidays

YEARS = range(2023, 2033)
FIRST, LAST = datetime.date(2024, 1, 1), datetime.date(2030, 12, 31)
LAST_START = datetime.date(2030, 11, 30)
COUNTS = (1, 2, 3, 4, 5, 10)
DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"
DAY = datetime.timedelta(days=1)
SATURDAY, SUNDAY = 5, 6

# The package's name on the left, that of 5 USC 6103(a) on the right.
STATUTORY_NAMES = {"Martin Luther King Jr. Day": "Birthday of Martin Luther King, Jr."}

OBSERVED = holidays.US(years=YEARS, observed=True)
NAMED = holidays.US(years=YEARS, observed=False)
RESERVE = holidays.FederalReserve(years=YEARS)

CLOSED_WEEKDAYS_AND_DAYS = {
    "federal_office": ({SATURDAY, SUNDAY}, frozenset(OBSERVED)),
    "regulation_z_rescission": ({SUNDAY}, frozenset(NAMED)),
    "federal_reserve_banking": ({SATURDAY, SUNDAY}, frozenset(RESERVE)),
}


def nth_business_day_after(start, n, closed_weekdays, closed_days):
    day = start
    while n > 0:
        day += DAY
        if day.weekday() not in closed_weekdays and day not in closed_days:
            n -= 1
    return day


def distances(calendar, n):
    closed_weekdays, closed_days = CLOSED_WEEKDAYS_AND_DAYS[calendar]
    digits, start = [], FIRST
    while start <= LAST_START:
        end = nth_business_day_after(start, n, closed_weekdays, closed_days)
        digits.append(DIGITS[(end - start).days])
        start += DAY
    return "".join(digits)


def main():
    closed = {
        day.isoformat(): STATUTORY_NAMES.get(name, name)
        for day, name in sorted(OBSERVED.items())
        if FIRST <= day <= LAST
    }
    business_days = {
        calendar: {str(n): distances(calendar, n) for n in COUNTS}
        for calendar in CLOSED_WEEKDAYS_AND_DAYS
    }
    print(json.dumps({"closed": closed, "business_days": business_days}, indent=1))


if __name__ == "__main__":
    main()
