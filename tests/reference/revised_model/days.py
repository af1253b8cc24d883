"""Civil days, business days and the counts the trade's text names.

Every count is written out day by day. Nothing here is quick, and nothing needs to be.
"""

from datetime import date, datetime, timedelta, timezone
from functools import lru_cache
from zoneinfo import ZoneInfo

ONE = timedelta(days=1)
FAR = date(9999, 12, 31)


def day(text):
    """Reads `2026-03-02`."""
    return text if isinstance(text, date) or text is None else date.fromisoformat(text)


def plus(start, count):
    return start + timedelta(days=count)


def zone(name):
    """A zone is a name such as `America/Chicago` or a fixed offset such as `-05:00`."""
    if "/" in name:
        return ZoneInfo(name)
    sign = -1 if name[0] == "-" else 1
    hours, minutes = name[1:].split(":")
    return timezone(sign * timedelta(hours=int(hours), minutes=int(minutes)))


def offset(name, on):
    """The distance from UTC at noon of that day."""
    return datetime(on.year, on.month, on.day, 12, tzinfo=zone(name)).utcoffset()


def instant(text):
    """A time must carry its offset; without one it is no time but a guess."""
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    if moment.tzinfo is None:
        raise ValueError(f"{text} has no offset")
    return moment


def add_months(start, count):
    """Calendar months; a day that the month lacks becomes its last day."""
    month = start.month - 1 + count
    year, month = start.year + month // 12, month % 12 + 1
    return date(year, month, min(start.day, last_of_month(year, month)))


def last_of_month(year, month):
    first_of_next = date(year + month // 12, month % 12 + 1, 1)
    return (first_of_next - ONE).day


def add_years(start, count):
    return add_months(start, 12 * count)


def nth_weekday(year, month, weekday, n):
    first = date(year, month, 1)
    return plus(first, (weekday - first.weekday()) % 7 + 7 * (n - 1))


@lru_cache(maxsize=None)
def legal_holidays(year):
    """The eleven days of 5 USC 6103(a), without the observed days."""
    may = date(year, 5, 31)
    days = {
        date(year, 1, 1),
        nth_weekday(year, 1, 0, 3),
        nth_weekday(year, 2, 0, 3),
        plus(may, -may.weekday()),
        date(year, 7, 4),
        nth_weekday(year, 9, 0, 1),
        nth_weekday(year, 10, 0, 2),
        date(year, 11, 11),
        nth_weekday(year, 11, 3, 4),
        date(year, 12, 25),
    }
    if year >= 2021:
        days.add(date(year, 6, 19))
    return frozenset(days)


def is_legal_holiday(on):
    return on in legal_holidays(on.year)


def federal_office(on):
    """Monday to Friday, less the holidays and their observed Fridays and Mondays."""
    if on.weekday() >= 5 or is_legal_holiday(on):
        return False
    if on.weekday() == 4 and is_legal_holiday(on + ONE):
        return False
    return not (on.weekday() == 0 and is_legal_holiday(on - ONE))


def regz_rescission(on):
    """Monday to Saturday, less the holidays on their own dates."""
    return on.weekday() != 6 and not is_legal_holiday(on)


def fed_reserve(on):
    """Like federal offices, but open on the Friday before a Saturday holiday."""
    if on.weekday() >= 5 or is_legal_holiday(on):
        return False
    return not (on.weekday() == 0 and is_legal_holiday(on - ONE))


def every_day(_):
    return True


CALENDARS = {
    "federal_office": federal_office,
    "regz_rescission": regz_rescission,
    "fed_reserve": fed_reserve,
    "every_day": every_day,
}


@lru_cache(maxsize=None)
def after(start, count, calendar="every_day", closed=()):
    """The last of `count` open days after `start`; the start itself is not counted."""
    is_open, on = CALENDARS[calendar], start
    while count > 0:
        on += ONE
        if is_open(on) and on not in closed:
            count -= 1
    return on


def latest_business_day(start, count):
    """The latest-ending of the four calendars."""
    return max(after(start, count, name) for name in CALENDARS)


def first_report_after_six_months(achieved):
    """16 CFR 310.4(a)(2): more than six months, the later of calendar months and 185 days."""
    return max(add_months(achieved, 6) + ONE, plus(achieved, 185))


def obsolete_from(delinquent_on):
    """Seven years after delinquency and 180 days, one day later on the longer reading."""
    return add_years(plus(delinquent_on, 180), 7) + ONE


def bankruptcy_obsolete_from(ordered_on):
    return add_years(ordered_on, 10) + ONE


def largest_remainder(total, weights):
    """Shares that add up to the cent; ties go to the earlier."""
    whole = sum(weights)
    if whole <= 0:
        return [0] * len(weights)
    sign, size = (-1 if total < 0 else 1), abs(total)
    parts = [size * weight // whole for weight in weights]
    left = size - sum(parts)
    by_remainder = sorted(range(len(weights)), key=lambda i: (-(size * weights[i] % whole), i))
    for i in by_remainder[:left]:
        parts[i] += 1
    return [sign * part for part in parts]
