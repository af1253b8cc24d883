"""Who does what. Each function is one client's story; narrative.md tells them in words."""

from datetime import date

from scenario import LAST_DAY, Client, business_day_from, failed, money, on, plus, settled

STUBBORN = ["verified"] * 12


def play(script):
    for number in sorted(STORIES):
        client = Client(script, number)
        STORIES[number](client)
        if client.rounds and not client.over and client.start < LAST_DAY:
            client.end(client.start, reason="Enough for now.")


def stubborn(client, *kept):
    """Listings that a bureau keeps verifying, so that there is something to do every month."""
    for listing in client.listings:
        if listing.item.code == client.items[-1].code or (listing.item.code, listing.bureau) in kept:
            listing.fates = list(STUBBORN)


def plain(client):
    client.open_up()
    client.first_month()
    client.months(9)


def bounced_paper(client):
    client.enrol()
    client.sign()
    first = plus(client.enrolled, 1)
    client.act(first, {"identityPaperReceived": {"paper": "photo-id", "kind": "PAPER_KIND_PHOTO_ID"}})
    client.act(first, {"identityPaperReceived": {"paper": "bank-statement", "kind": "PAPER_KIND_RESIDENCE"}})
    client.act(plus(first, 1), {"identityPaperAccepted": {"paper": "photo-id"}})
    client.act(plus(first, 1), {"identityPaperRejected": {
        "paper": "bank-statement",
        "reason": "Photographed through the window of its envelope; the address cannot be read.",
    }})
    again = plus(first, 4)
    client.act(again, {"identityPaperReceived": {"paper": "bank-statement", "kind": "PAPER_KIND_RESIDENCE"}})
    client.act(plus(again, 1), {"identityPaperAccepted": {"paper": "bank-statement"}})
    client.connect()
    client.import_reports(plus(client.enrolled, 2))
    client.signed = plus(client.signed, 4)  # the new picture came later than the waiting days
    client.first_month()
    client.months(6)


def failed_check_solved(client):
    client.enrol()
    client.sign()
    client.papers()
    client.act(plus(client.enrolled, 1), {"reportIdentityFailed": {"source": "Clearpane Reports"}})
    client.message(plus(client.enrolled, 6), "Called about the report questions: an old address was the reason.",
                   incoming=False)
    solved = plus(client.enrolled, 9)
    client.connect(solved)
    client.import_reports(solved)
    client.signed = plus(client.signed, 7)
    client.first_month()
    client.months(4)


def failed_check_open(client):
    client.enrol()
    client.sign()
    client.papers()
    client.act(plus(client.enrolled, 2), {"reportIdentityFailed": {"source": "Clearpane Reports"}})


def cancelled(client):
    client.enrol()
    client.sign()
    client.papers()
    sent = plus(client.enrolled, 2)
    client.act(plus(sent, 3), {"cancel": {"sentOn": on(sent), "reason": "Changed my mind."}})


def cancelled_told_late(client):
    """The letter is postmarked in the days, lies in the wrong tray, and comes to light after the first fee."""
    client.open_up()
    client.first_month()
    client.act(date(2026, 8, 4), {"cancel": {"sentOn": on(plus(client.enrolled, 2)), "reason": "Found in the wrong tray."}})
    client.over = True


def too_early(client):
    client.open_up()
    client.attest(plus(client.enrolled, 2))
    # Two days after signing: the cancellation days run. It happened, so it is recorded.
    client.send_round(plus(client.enrolled, 2), action="noteRoundSent")
    client.act(client.service_day(), {"openWork": {}})
    client.progress(plus(client.start, 27))
    client.next_period()
    client.months(3)
    if not client.over:
        client.end(client.start, by="FIRM", reason="Nothing of this contract may be charged; ended with an apology.")


def unfinished_month(client):
    client.open_up()
    client.first_month()
    start = client.start
    client.month(progress=False)
    # The month was over without it; sent in the days of grace, and it says which month it completes.
    client.progress(plus(start, 36), completes_before=True)
    client.months(4)


def given_up_month(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.month()
    number, end = client.period, client.period_end()
    client.month(round_=False)
    client.act(plus(end, 9), {"closePeriod": {
        "period": number, "reason": "No letters went out this month; the client owes nothing for it.",
    }})
    client.months(3)


def reinserted_silently(client):
    client.listing(0, "meridian").fates = ["deleted"]
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(2)
    back = client.listing(0, "meridian")
    back.gone = False  # the next report shows it again, and no letter said so
    back.fates = []
    client.months(12)


def reinserted_with_notice(client):
    client.listing(0, "harbor").fates = ["deleted"]
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(2)
    notice = plus(client.start, 1)
    client.act(notice, {"noteReinsertion": {"bureau": "harbor", "item": client.items[0].code}})
    client.act(notice, {"bureauAsked": {"bureau": "harbor", "ask": "ASK_PROCEDURE_DESCRIPTION"}})
    client.act(plus(notice, 12), {"bureauAnswered": {"bureau": "harbor", "ask": "ASK_PROCEDURE_DESCRIPTION"}})
    back = client.listing(0, "harbor")
    back.gone, back.fates = False, ["deleted"]
    sent = plus(client.start, 27)
    client.month(progress=False)
    # Entered with a day of November, in the cancellation days; firm.json corrects it on the next day.
    client.progress(plus(client.enrolled, 2), told=sent)
    client.message(sent, "This month's progress report is on its way.", incoming=False)
    client.months(3)


def overdue(client):
    stubborn(client)
    client.listing(0, "summit").fates = ["silent", "deleted"]
    client.listing(1, "summit").fates = ["verified"] * 6 + ["never"]
    client.open_up()
    client.first_month()
    client.months(8)


def long_case(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(8)


def telemarketing_held(client):
    stubborn(client)
    # The latest result is of June: no report of this year can be issued late enough to prove it.
    client.listing(0, "harbor").fates = ["verified"] * 5 + ["deleted"]
    client.open_up()
    client.first_month()
    client.months(10)


def telemarketing_proved(client):
    """Every result comes from the first round, so that six months later one report proves them all."""
    for listing in client.listings:
        listing.fates = ["deleted"] if listing.item.code == client.items[0].code else list(STUBBORN)
    for listing in client.listings:
        if listing.item.code in (client.items[1].code, client.items[2].code):
            listing.fates = ["verified", "verified"]
    client.open_up()
    client.first_month()
    client.months(12)


def no_evidence(client):
    client.open_up()
    client.first_month()
    client.months(4)


def couple_member(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(14)


def couple_short(client):
    if client.number in (28, 43):
        stubborn(client)
    client.open_up()
    client.first_month()
    client.months(12 if client.number in (28, 43) else 5)


def california(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(4)
    # 180 days after signing the agreement reaches its end: a new one, before they are over, under the new bond.
    client.sign(date(2026, 5, 19), total=220_000)
    client.months(14)


def california_short(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(3)
    client.end(client.start, reason="Moving abroad.")


def texas_long(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(7)


def georgia(client):
    client.open_up()
    client.first_month()
    client.month()
    if not client.over:
        client.end(client.start, by="FIRM", reason="The firm may not serve clients who signed in this state.")


def paused(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.month()
    client.import_reports(plus(client.start, 2))
    client.send_round(business_day_from(plus(client.start, 4)))
    client.act(plus(client.start, 12), {"pauseService": {"reason": "In hospital; asks us to wait."}})
    client.act(plus(client.start, 33), {"resumeService": {}})
    client.progress(plus(client.start, 46))
    client.next_period(plus(client.period_end(), 21))
    client.months(12)


def billing_day(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.month()
    start, end = client.start, client.period_end()
    client.act(plus(start, 12), {"billingDayChanged": {"billing": {"dayOfMonth": 15}}})
    client.message(plus(start, 12), "Asked to be billed on the 15th, after payday.")
    client.month()
    assert client.start == end
    client.billing_day = 15
    client.months(14)


def moved(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.month()
    moved_in = plus(client.start, 1)
    client.person = {**client.person, "line1": "230 Birch Road", "line2": "Apt 1"}
    client.act(moved_in, {"contactChanged": {"contact": client.contact()}})
    client.months(12)


def left_halfway(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(2)
    client.import_reports(plus(client.start, 2))
    client.send_round(business_day_from(plus(client.start, 4)))
    client.end(plus(client.start, 13), reason="Cannot afford it any more.")


def told_late(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.import_reports(plus(client.start, 2))
    # Both were done in time and told late: the round by twelve days, the report by sixteen.
    sent = business_day_from(plus(client.start, 4))
    client.send_round(sent, action="noteRoundSent", told=plus(sent, 12))
    client.message(plus(sent, 12), "Entered from paper: the round of the week before last.", incoming=False)
    reported = plus(client.start, 27)
    client.progress(reported, told=plus(reported, 16))
    client.message(plus(reported, 16), "Entered from paper: last month's progress report.", incoming=False)
    client.next_period()
    client.months(12)


def identity_theft(client):
    stubborn(client)
    for listing in client.listings:
        if listing.item.code == client.items[0].code:
            listing.item.basis = "IDENTITY_THEFT"
            listing.fates = ["deleted"]
    client.open_up()
    client.first_month()
    received = plus(client.service_day(), 4)
    for bureau in client.bureaus:
        client.act(received, {"bureauAsked": {"bureau": bureau, "ask": "ASK_THEFT_BLOCK"}})
    client.act(plus(received, 3), {"bureauAnswered": {"bureau": "meridian", "ask": "ASK_THEFT_BLOCK"}})
    client.act(plus(received, 9), {"bureauAnswered": {"bureau": "harbor", "ask": "ASK_THEFT_BLOCK"}})
    client.act(plus(received, 6), {"bureauAnswered": {"bureau": "summit", "ask": "ASK_THEFT_BLOCK"}})
    client.months(12)


def watching(client):
    client.open_up()
    client.act(client.service_day(), {"openWork": {}})
    # The reports from before service began were preparation: the first month's own come now.
    client.import_reports(client.service_day())
    client.progress(plus(client.start, 26))
    client.next_period()
    for _ in range(5):
        client.watch_month()
    client.message(plus(client.start, 8), "Says that nobody called back for a week.", complaint=True)
    client.watch_month()


def total_reached(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(12)


def free_report(client):
    """The annual free report makes it 45 days; information sent by the client would, too; and one
    bureau calls a dispute frivolous."""
    stubborn(client)
    client.listing(0, "meridian").fates = ["frivolous", "deleted"]
    client.open_up(free_annual=True)
    client.first_month()
    informed = plus(client.start, 14)
    client.month()
    client.act(informed, {"clientInformationSent": {"round": 2, "bureau": "harbor"}})
    client.months(12)


def waits_for_link(client):
    client.listing(0, "summit").fates = []  # the client has not said why this one is wrong
    client.open_up()
    client.first_month()


def papers_missing(client):
    client.enrol()
    client.sign()
    came = plus(client.enrolled, 1)
    client.act(came, {"identityPaperReceived": {"paper": "photo-id", "kind": "PAPER_KIND_PHOTO_ID"}})
    client.act(plus(came, 1), {"identityPaperRejected": {
        "paper": "photo-id", "reason": "Too dark to read the name.",
    }})


def ready_to_open(client):
    client.open_up()
    client.attest(plus(client.enrolled, 3))


def short_case(client):
    client.open_up()
    client.first_month()
    client.months(4)


def lasting(client):
    stubborn(client)
    client.open_up()
    client.first_month()
    client.months(12)


STORIES = {
    1: plain, 2: bounced_paper, 3: failed_check_solved, 4: failed_check_open, 5: cancelled,
    6: too_early, 7: unfinished_month, 8: given_up_month, 9: reinserted_silently,
    10: reinserted_with_notice, 11: overdue, 12: short_case, 13: short_case, 14: short_case,
    15: short_case, 16: short_case, 17: short_case, 18: short_case, 19: telemarketing_held,
    20: telemarketing_proved, 21: no_evidence, 22: couple_member, 23: couple_member,
    24: couple_short, 25: couple_short, 26: couple_short, 27: couple_short, 28: couple_short,
    29: couple_short, 30: california, 31: california_short, 32: texas_long, 33: lasting,
    34: georgia, 35: paused, 36: billing_day, 37: moved, 38: left_halfway, 39: told_late,
    40: identity_theft, 41: watching, 42: total_reached, 43: couple_short, 44: free_report,
    45: waits_for_link, 46: waits_for_link, 47: papers_missing, 48: ready_to_open,
    49: cancelled_told_late,
}


# Money ------------------------------------------------------------------------------------------

def pay(script, invoices):
    """The outcomes that are not simply "settled on the day": every other charge settles."""
    retried(script, *invoices.find(12, 2))
    card_lost(script, *invoices.find(13, 2))
    three_times(script, *invoices.find(14, 2))
    refunded(script, *invoices.find(15, 2))
    chargeback(script, 16, *invoices.find(16, 1), won=True)
    chargeback(script, 17, *invoices.find(17, 2), won=False)
    taken_unearned(script)
    given_back(script, *invoices.find(49, 1))
    # Two that wait for a person on the last day.
    number, day, _ = invoices.find(40, 5)
    script.pay(40, day, failed(number, "CARD_EXPIRED"))
    number, day, cents = invoices.find(37, 6)
    script.pay(37, day, settled(number, 1, cents))
    script.pay(37, plus(day, 22), {"chargebackOpened": {
        "chargeback": f"dispute-{number}", "payment": f"pay-{number}-1", "amount": money(cents),
        "respondBy": on(plus(day, 36)),
    }})


def retried(script, number, day, _cents):
    script.pay(12, day, failed(number, "INSUFFICIENT_FUNDS"))
    script.pay(12, plus(day, 5), settled(number, 2, _cents))


def card_lost(script, number, day, cents):
    script.pay(13, day, failed(number, "LOST_OR_STOLEN"))
    # With the new card of firm.json, by telephone: the service does not try a dead card again.
    script.pay(13, plus(day, 9), settled(number, 2, cents))


def three_times(script, number, day, _cents):
    for later in (0, 5, 10):
        script.pay(14, plus(day, later), failed(number, "INSUFFICIENT_FUNDS"))


def refunded(script, number, day, cents):
    script.pay(15, day, settled(number, 1, cents))
    script.pay(15, plus(day, 11), {"refunded": {
        "refund": f"refund-{number}", "payment": f"pay-{number}-1", "amount": money(3_000),
        "reason": "Goodwill: a call was missed.",
    }})


def given_back(script, number, day, cents):
    """All of a fee that rested on an agreement which was cancelled in its days."""
    script.pay(49, day, settled(number, 1, cents))
    script.pay(49, date(2026, 8, 6), {"refunded": {
        "refund": f"refund-{number}", "payment": f"pay-{number}-1", "amount": money(cents),
        "reason": "Cancelled in the days, by its postmark: nothing was owed.",
    }})


def chargeback(script, client, number, day, cents, won):
    script.pay(client, day, settled(number, 1, cents))
    opened = plus(day, 12)
    script.pay(client, opened, {"chargebackOpened": {
        "chargeback": f"dispute-{number}", "payment": f"pay-{number}-1", "amount": money(cents),
        "respondBy": on(plus(opened, 10)),
    }})
    outcome = "chargebackWon" if won else "chargebackLost"
    script.pay(client, plus(opened, 13), {outcome: {"chargeback": f"dispute-{number}"}})


def taken_unearned(script):
    """The front desk took a card payment on the day of enrolment: nothing was earned."""
    script.pay(18, date(2026, 1, 6), {"settled": {"payment": "pay-front-desk-1", "amount": money(11_900)}})
    script.pay(18, date(2026, 1, 20), {"refunded": {
        "refund": "refund-front-desk-1", "payment": "pay-front-desk-1", "amount": money(6_900),
        "reason": "Part of what was taken too soon; the rest is still owed back.",
    }})
