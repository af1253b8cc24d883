"""G7: the packs of the client's state, each dimension read, each part of it met."""

import days
from answers import FAILS, FINISH, HOLDS, NEVER, PUT_RIGHT, UNKNOWN, fails, holds, unknown, worst
from case import missing
from packs import FEES, SIGNING


def packs_asked(question):
    """Packs in force on the day of asking, with those that a move brings along."""
    case, agreement = question.case, question.agreement
    found = case.law.in_force(
        question.on, agreement.state, agreement.fact.get("activity_states", ())
    )
    now = case.state_on(question.on)
    if now != agreement.state:
        found = found + [p for p in case.law.moved_to(question.on, now) if p not in found]
    return found


def applicable(question):
    """ "Dimensions of fees come from those and the packs in force on the day of asking" """
    asked = packs_asked(question)
    return question.agreement.packs + [p for p in asked if p not in question.agreement.packs]


def g7(question):
    agreement, law = question.agreement, question.case.law
    if agreement.state is None:
        return unknown("the client's state is not known")
    found = []
    for on, packs in ((agreement.signed, agreement.packs), (question.on, packs_asked(question))):
        if not any(p["state"] == agreement.state for p in packs):
            found.append(unknown(f"no pack for {agreement.state} in force on {on}"))
    for pack in applicable(question):
        of_signing = pack in agreement.packs
        found += pack_answers(question, law, pack, SIGNING + FEES if of_signing else FEES)
    return worst(found)


def pack_answers(question, law, pack, dimensions):
    name = f"{pack['id']} version {pack['version']}"
    if not law.usable(pack):
        yield unknown(f"{name} is neither confirmed nor used at own risk")
        return
    unread, active = law.reading(pack, dimensions)
    for dimension in unread:
        yield unknown(f"{name}: {dimension} is unread")
    for dimension, says in active:
        if dimension in RULES:
            yield RULES[dimension](question, pack, says)


def statements(question, _, names):
    from gates import acknowledged_before  # one wording serves G1 and the states' own statements

    return worst(acknowledged_before(question.case, question.agreement, n) for n in names)


def contract_items(question, _, items):
    absent = sorted(set(items) - set(question.agreement.fact.get("items", ())))
    signed = question.agreement.fact.root
    return (
        fails(f"the agreement lacks {', '.join(absent)}", NEVER, signed)
        if absent
        else holds(signed)
    )


def estimate(question, _, cap):
    signed = question.agreement.fact
    said = signed.get("estimate_days")
    if said is None or said > cap["max_days"]:
        return fails(
            f"the estimate must be stated and at most {cap['max_days']} days", NEVER, signed.root
        )
    return holds(signed.root)


def prohibited(_, pack, forbidden):
    return fails(f"{pack['state']} forbids it", NEVER) if forbidden else holds()


def registration(question, pack, _):
    law = question.case.law
    return worst(
        standing_answer(law, "registration", pack, on)
        for on in (question.agreement.signed, question.on)
    )


def standing_answer(law, what, pack, on, least=0):
    stands = law.stands(what, pack["state"], on, least)
    if stands == HOLDS:
        return holds()
    says = f"{what} of {pack['state']} on {on}"
    if stands == UNKNOWN:
        return unknown(f"{says}: before the first record")
    return fails(f"{says}: does not stand", PUT_RIGHT)


def security(question, pack, rule):
    """Security stands on the days its pack names."""
    law, least = question.case.law, rule.get("amount", 0)
    kinds = rule.get("kinds", ["bond"])

    def on_day(on):
        each = [standing_answer(law, kind, pack, on, least) for kind in kinds]
        return next(
            (a for wanted in (HOLDS, UNKNOWN, FAILS) for a in each if a.answer == wanted), each[0]
        )

    if rule["when"] == "if_paid_before_all_done":
        return holds() if all_done(question) else on_day(question.on)
    works = question.case.work_of(question.period)
    return worst(
        [
            on_day(question.agreement.signed),
            on_day(question.on),
            secured_work(question, works, on_day),
        ]
    )


def secured_work(question, works, on_day):
    """ "the days of some set of work that fulfils the promise" """
    by_answer = {w.root: on_day(w.day) for w in works}
    secured = [w for w in works if by_answer[w.root].answer == HOLDS]
    if not missing(question.period, secured):
        return holds(*[w.root for w in secured])
    perhaps = [w for w in works if by_answer[w.root].answer != FAILS]
    if not missing(question.period, perhaps):
        return unknown("work before the first record of security", *[w.root for w in perhaps])
    if missing(question.period, works):
        return holds()  # the promise itself is unfulfilled, and that is G4's to say
    return fails("work was done on days without security", NEVER, *[w.root for w in works])


def all_done(question):
    """Whether all that the agreement promised was done by the day of asking: the estimate says what all is."""
    from gates import Question, contract_undone, month_done

    agreement = question.agreement
    if agreement.fact.get("estimate_days"):
        return contract_undone(question) is None
    count = agreement.fact.get("terms").get("periods")
    if not count:
        return False
    own = [p for p in question.case.grid.periods if p.agreement is agreement][:count]
    asked = [Question(question.case, p, question.on, None, question.claims) for p in own]
    return len(own) == count and all(month_done(q).answer == HOLDS for q in [*asked, question])


def perform_within(question, _, rule):
    """Some set of work that fulfils the promise lies within so many days of the signing."""
    last = days.plus(question.agreement.signed, rule["days"])
    works = question.case.work_of(question.period)
    if missing(question.period, works):
        return holds()  # again G4's to say
    if missing(question.period, [w for w in works if w.day <= last]):
        return fails(f"performed after {last}", NEVER, *[w.root for w in works])
    return holds()


def monthly_statement(question, _, rule):
    """ "met once per period by a statement of that period's work, sent in it or within the pack's
    days after the last counted work" """
    case, period = question.case, question.period
    works = case.work_of(period)
    if not works:
        return holds()  # no work, no statement of it; G4 says so
    # A report sent before any other work was done states none.
    stated = [w for w in works if w.get("type") != "progress_report"] or works
    first, last = min(w.day for w in stated), max(w.day for w in works)
    limit = days.plus(last, rule["within_days"])
    for fact in [w for w in case.of("work") if w.get("states")]:
        # A progress report states the work of the period that it belongs to.
        in_time = period.contains(fact.day) or fact.day <= limit
        if case.stated_by(fact) is period and in_time and fact.day >= first:
            return holds(fact.root)
    for fact in case.of("statement"):
        of = days.day(fact.get("of")) or fact.day
        in_time = period.contains(fact.day) or fact.day <= limit
        # A statement sent before any work was done states no work.
        if period.contains(of) and in_time and fact.day >= first:
            return holds(fact.root)
    if period.end is None:
        return fails("no statement of the period's work", FINISH)
    limit = max(limit, period.end)
    return fails(
        "no statement of the period's work", FINISH if question.on <= limit else NEVER, until=limit
    )


def fee_cap(question, pack, cap):
    if question.amount > cap:
        return fails(f"{pack['state']} allows {cap} a period", PUT_RIGHT)
    return holds()


RULES = {
    "statements": statements,
    "contract_items": contract_items,
    "estimate": estimate,
    "prohibited": prohibited,
    "registration": registration,
    "security": security,
    "perform_within": perform_within,
    "monthly_statement": monthly_statement,
    "fee_cap": fee_cap,
}


UNSECURED = "work on a day without security"


def unsecured_work(case):
    """Work on a day without security is a breach, even where the fee holds: by the packs of the signing, and by
    those in force on its own day, which has no other day of asking."""
    found = []
    for work in case.of("work"):
        for agreement in case.running(work):
            activity = agreement.fact.get("activity_states", ())
            of_day = case.law.in_force(work.day, agreement.state, activity)
            for pack in agreement.packs + [p for p in of_day if p not in agreement.packs]:
                rule = case.law.dimension(pack, "security")[1]
                if not case.law.usable(pack) or not rule or rule["when"] != "always":
                    continue
                stands = {
                    case.law.stands(kind, pack["state"], work.day, rule.get("amount", 0))
                    for kind in rule.get("kinds", ["bond"])
                }
                if stands == {FAILS}:
                    found.append((work, f"{UNSECURED} of {pack['state']}"))
    return found
