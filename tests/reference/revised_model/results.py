"""G6: fees of a sale by telephone wait for the frame, the result and a report that shows it."""

import days
from answers import PUT_RIGHT, WAIT, best, fails, holds, worst

LEAVES_THE_RULE = ("no_telephone", "face_to_face_before_authorization")


def g6(question):
    case = question.case
    # "Covered is the default; leaving it needs recorded evidence."
    for fact in case.of("sale_evidence"):
        if fact.get("shows") in LEAVES_THE_RULE:
            return holds(fact.root)
    return worst([frame(question), results(question)])


def frame(question):
    """The promised time frame, the longest that was represented, has expired."""
    signed = question.agreement.fact
    frames = [signed.get(name) for name in ("frame_days", "estimate_days") if signed.get(name)]
    if not frames:
        return fails("no promised time frame is recorded", PUT_RIGHT, signed.root)
    last = days.plus(signed.day, max(frames))
    if question.on <= last:
        return fails("the promised time frame has not expired", WAIT, until=days.plus(last, 1))
    return holds(signed.root)


def results(question):
    promised = question.agreement.fact.get("promised")
    if promised:
        return worst(one_result(question.case, wanted) for wanted in promised)
    findings = [
        f for f in question.case.of("finding") if f.get("agreement") == question.agreement.id
    ]
    return best(one_finding(question.case, f) for f in findings) or fails(
        "no list was promised and no person's finding names results and reports", PUT_RIGHT
    )


def shows(report, wanted):
    """Whether a report shows the promised result: a correction as its value, a deletion as absence.

    None where the report cannot say: another bureau's, or one whose list is not known.
    """
    listings = report.get("listings")
    if report.get("bureau") != wanted["bureau"] or listings is None:
        return None
    if wanted["result"] == "deleted":
        return wanted["listing"] not in listings
    return listings.get(wanted["listing"]) == wanted["value"]


def undoes(fact, wanted):
    """The listing stands there again, or with another value: the result was undone by then."""
    if fact.kind == "reinserted":
        same = fact.get("listing") == wanted["listing"] and fact.get("bureau") == wanted["bureau"]
        return same and wanted["result"] == "deleted"
    if fact.kind != "import" or shows(fact, wanted) is not False:
        return False
    return wanted["listing"] in fact.get("listings")


def achieved(case, wanted):
    """The facts that show the result come about: an answer, or an import that first shows it."""
    for fact in case.facts:
        if (
            fact.kind == "answer"
            and fact.get("listing") == wanted["listing"]
            and fact.get("bureau") == wanted["bureau"]
            and fact.get("result") == wanted["result"]
            and fact.get("value") == wanted.get("value")
        ):
            yield fact
    before = None
    for report in case.of("import"):
        now = shows(report, wanted)
        if now and before is False:
            yield report
        before = now if now is not None else before


def one_result(case, wanted):
    """The result, and a report issued long enough after it that still shows it."""
    reports, first_day = case.of("import"), None
    for result in achieved(case, wanted):
        first = days.first_report_after_six_months(result.day)
        for report in reports:
            undone = any(
                result.day <= other.day <= report.day and undoes(other, wanted)
                for other in case.facts
                if other is not result
            )
            if report.day >= first and shows(report, wanted) and not undone:
                return holds(result.root, report.root)
        first_day = min(first_day or first, first)
    if first_day is None:
        return fails(f"{wanted['listing']} is not yet {wanted['result']}", PUT_RIGHT)
    return fails(
        f"no report from {first_day} on shows {wanted['listing']} {wanted['result']}",
        WAIT,
        until=first_day,
    )


def one_finding(case, finding):
    """ "it judges evidence and waives neither the frame nor the six months" """
    pairs = finding.get("shows")
    if not pairs:
        return fails("the finding names no results", PUT_RIGHT, finding.root)
    by_root = {f.root: f for f in case.facts}
    for pair in pairs:
        result, report = by_root.get(pair["result"]), by_root.get(pair["report"])
        if result is None or report is None or report.kind != "import":
            return fails("the finding names evidence that is not there", PUT_RIGHT, finding.root)
        first = days.first_report_after_six_months(result.day)
        if report.day < first:
            return fails(
                "the report was issued too soon after the result", WAIT, finding.root, until=first
            )
    return holds(finding.root)
