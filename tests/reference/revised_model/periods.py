"""The grid of service periods, and which agreement governs each."""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Optional

import days
from agreements import Agreement

DEFAULT_DAYS = 30
LEAST_DAYS = 28


@dataclass
class Period:
    start: date
    end: Optional[date]  # None while a pause without an end stops the count
    agreement: Optional[Agreement]
    first: bool  # the first period of the first agreement or of one after a gap
    cut_on: Optional[date] = None  # the day of the end that cut it short

    def contains(self, on):
        return self.start <= on <= (self.end or days.FAR)


@dataclass
class Grid:
    periods: list
    ends: dict  # agreement id -> its last day in effect, or None
    anchors: list  # the days on which counting began anew

    def period_of(self, on):
        return next((p for p in self.periods if p.contains(on)), None)

    def stands_for(self, start, end):
        """ "the period of today's grid with which it shares most days (the earlier on a tie)" """
        best, most = None, 0
        for period in self.periods:
            shared = (min(end, period.end or days.FAR) - max(start, period.start)).days + 1
            if shared > most:
                best, most = period, shared
        return best


def lay_grid(case_facts, agreements, kept_days, until):
    """Every period that begins on or before `until`."""
    grid, segment = Grid([], {}, []), []
    live = [a for a in agreements if a.cancelled is None]
    for agreement in live:
        if segment and is_gap_before(case_facts, segment, kept_days, agreement):
            close(grid, case_facts, segment, kept_days, days.plus(agreement.signed, -1))
            segment = []
        segment.append(agreement)
    if segment:
        close(grid, case_facts, segment, kept_days, until)
    return grid


def is_gap_before(facts, segment, kept_days, agreement):
    """ "A gap is at least one day on which no agreement ... is signed and unended." """
    _, ends = lay_segment(facts, segment, kept_days, days.plus(agreement.signed, -1))
    last_days = list(ends.values())
    return None not in last_days and max(last_days) < days.plus(agreement.signed, -1)


def close(grid, facts, segment, kept_days, until):
    periods, ends = lay_segment(facts, segment, kept_days, until)
    if periods and None not in ends.values():
        # Nothing runs on after the last end, so its days stop there too.
        periods[-1].end = periods[-1].cut_on or periods[-1].end
        if periods[-1].end:
            periods[-1].end = min(periods[-1].end, max(max(ends.values()), periods[-1].start))
    grid.periods += periods
    grid.ends.update(ends)
    grid.anchors.append(segment[0].signed)


def lay_segment(facts, segment, kept_days, until):
    """The periods from the first signing of an unbroken row of agreements."""
    anchor = segment[0].signed
    paused = pauses(facts, anchor)
    billing = [f for f in facts if f.kind == "billing_day"]
    ends = {a.id: a.ended for a in segment}
    periods, at, start = [], 0, anchor
    while start <= until:
        for later in range(at + 1, len(segment)):
            if segment[later].service_from <= start and unended(segment[later], start):
                # "the earlier ends there and does not revive"
                for earlier in segment[at:later]:
                    last = days.plus(start, -1)
                    ends[earlier.id] = min(ends[earlier.id] or last, last)
                at = later
        governor = segment[at] if unended(segment[at], start) else None
        if governor is None and not any(unended(a, start) for a in segment[at + 1 :]):
            break
        asked = [f for f in billing if f.day <= start]
        wanted = asked[-1].get("on") if asked else None
        end = period_end(start, wanted, paused, kept_days)
        period = Period(start, end, governor, first=start == anchor)
        if governor and governor.ended and governor.ended < (end or days.FAR):
            period.cut_on = governor.ended
        periods.append(period)
        if end is None:
            break
        start = days.plus(end, 1)
    return periods, ends


def unended(agreement, on):
    return agreement.ended is None or agreement.ended >= on


def pauses(facts, anchor):
    """Pauses as (first day, last day or None). One before the anchor belongs to an earlier row."""
    found, open_since, ended_nothing = [], None, None
    for fact in facts:
        if fact.kind == "pause" and fact.day == ended_nothing:
            continue  # ended on its own day, whichever of the two was told first
        if fact.kind == "pause" and fact.day >= anchor and open_since is None:
            open_since = fact
        elif fact.kind == "resume" and open_since is not None:
            if fact.day > open_since.day:
                found.append((open_since.day, days.plus(fact.day, -1)))
            open_since = None
        elif fact.kind == "resume":
            ended_nothing = fact.day
    if open_since is not None:
        found.append((open_since.day, None))
    return tuple(found)


def is_paused(on, paused):
    return any(first <= on <= (last or days.FAR) for first, last in paused)


@lru_cache(maxsize=None)
def period_end(start, wanted, paused, kept_days):
    """The last day of the period that begins on `start`, with the billing day `wanted` if any."""
    for first, last in kept_days:
        if first <= start <= last:
            return last
    # A fee of the first edition keeps its days: the period before it ends where they begin.
    kept = min((first for first, _ in kept_days if first > start), default=days.FAR)
    counted, on = 0, start
    while True:
        if days.plus(on, 1) == kept:
            return on
        if not is_paused(on, paused):
            counted += 1
        elif any(first <= on and last is None for first, last in paused):
            return None  # nobody has said when the pause ends
        if wanted is None and counted == DEFAULT_DAYS:
            return on
        # One rule serves a new billing day, the months after it and a pause between: the first
        # day before a billing day that leaves at least 28 counted days.
        if (
            wanted is not None
            and counted >= LEAST_DAYS
            and is_billing_day(days.plus(on, 1), wanted)
        ):
            return on
        on = days.plus(on, 1)


def is_billing_day(on, wanted):
    return on.day == min(wanted, days.last_of_month(on.year, on.month))
