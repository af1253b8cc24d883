"""Statutory clocks. A clock is met only by the act it waits for."""

import days

NOT_EXTENDED = ("deleted", "corrected", "unverifiable")


def clocks(case, law):
    """Every clock of the story, with its start, its due day and what became of it."""
    found = reinvestigations(case, law) + notices(case, law) + reinsertions(case, law)
    found += requests(case, law) + obsolescence(case)
    return sorted(
        found,
        key=lambda c: (
            c["starts"],
            c["clock"],
            c["bureau"] or "",
            c["listing"] or "",
            c["round"] or "",
        ),
    )


def business(law, clock, start, count):
    """The latest-ending of the four calendars, unless the firm's pack names one for this clock."""
    for pack in law.packs:
        named = pack.get("clock_calendars", {}).get(clock)
        if named and law.usable(pack):
            return days.after(start, count, named)
    return days.latest_business_day(start, count)


def clock(name, starts, due, today, done=None, bureau=None, listing=None, of=None, estimated=False):
    late = (done - due).days if done and done > due else 0
    if done:
        state = "met late" if late else "met"
    else:
        state = "overdue" if today > due else "running"
    return {
        "clock": name,
        "bureau": bureau,
        "listing": listing,
        "round": of,
        "starts": starts,
        "due": due,
        "state": state,
        "done": done,
        "days_late": late,
        "estimated": estimated,
    }


def reinvestigations(case, law):
    """1681i(a)(1): thirty days from receipt, fifteen more once, forty-five after a free report."""
    started = []
    for sent in case.of("work"):
        for letter in sent.get("letters", []):
            # A direct dispute to a furnisher starts no furnisher clock.
            if letter.get("to", "bureau") != "bureau":
                continue
            for listing in letter["listings"]:
                started.append((sent, letter, listing))
    found, used = [], set()
    for sent, letter, listing in started:
        bureau = letter["bureau"]
        start, estimated = received(case, law, sent, bureau)
        free = letter.get("free_report", False)
        due = days.plus(start, 45 if free else 30)
        done = answer_to(case, sent, bureau, listing, start, used)
        if not free and extended(case, sent, bureau, listing, start):
            due = days.plus(due, 15)
        found.append(
            clock(
                "reinvestigation",
                start,
                due,
                case.today,
                done,
                bureau,
                listing,
                sent.root,
                estimated,
            )
        )
    return found


def received(case, law, sent, bureau):
    """The delivery scan, else the mailing date and the assumed days in transit."""
    for fact in case.of("delivered"):
        if fact.get("round") == sent.root and fact.get("bureau") == bureau:
            return fact.day, False
    return days.plus(sent.day, law.firm.get("transit_days", 5)), True


def answer_to(case, sent, bureau, listing, start, used):
    """The day of the answer to this dispute; an answer serves one dispute and no more."""
    for fact in results_for(case, bureau, listing):
        named = fact.get("round")
        if fact.root in used or (named or sent.root) != sent.root:
            continue
        if named or fact.day >= min(start, sent.day):
            used.add(fact.root)
            return fact.day
    return None


def results_for(case, bureau, listing):
    """Answers, and deletions seen by import, in the order of their days."""
    seen, found = None, []
    for fact in case.facts:
        if fact.get("bureau") != bureau:
            continue
        if fact.kind == "answer" and fact.get("listing") == listing:
            found.append(fact)
            seen = False if fact.get("result") == "deleted" else seen
        elif fact.kind == "import" and fact.get("listings") is not None:
            shown = listing in fact.get("listings")
            if seen and not shown:
                found.append(fact)
            seen = shown
    return found


def extended(case, sent, bureau, listing, start):
    """Relevant information sent by the client inside the thirty days, nothing yet found."""
    for fact in case.of("supplement"):
        if fact.get("round") != sent.root or fact.get("bureau") != bureau:
            continue
        if not start <= fact.day <= days.plus(start, 30):
            continue
        settled = any(
            a.kind == "import" or a.get("result") in NOT_EXTENDED
            for a in results_for(case, bureau, listing)
            if sent.day <= a.day <= fact.day
        )
        if not settled:
            return True
    return False


def notice_day(case, of, bureau, listing, start):
    given = [
        f.day
        for f in case.of("notice")
        if f.get("of") == of
        and f.get("bureau") == bureau
        and f.get("listing", listing) == listing
        and f.day >= start
    ]
    return min(given, default=None)


def notices(case, law):
    """The results notice and the frivolous notice, five business days each."""
    found = []
    for fact in case.of("answer"):
        bureau, listing = fact.get("bureau"), fact.get("listing")
        completed = days.day(fact.get("completed_on"))
        determined = days.day(fact.get("determined_on"))
        if completed and fact.get("result") != "frivolous":
            # The answer itself is the written notice of results.
            found.append(
                clock(
                    "results notice",
                    completed,
                    business(law, "results notice", completed, 5),
                    case.today,
                    fact.day,
                    bureau,
                    listing,
                    fact.get("round"),
                )
            )
        if determined and fact.get("result") == "frivolous":
            done = notice_day(case, "frivolous", bureau, listing, determined)
            found.append(
                clock(
                    "frivolous notice",
                    determined,
                    business(law, "frivolous notice", determined, 5),
                    case.today,
                    done or fact.day,
                    bureau,
                    listing,
                    fact.get("round"),
                )
            )
    return found


def reinsertions(case, law):
    """A deleted listing that comes back starts its own rule, each time it does."""
    found, shown, gone = [], set(), {}
    for fact in case.facts:
        bureau, listing = fact.get("bureau"), fact.get("listing")
        if fact.kind == "answer" and fact.get("result") == "deleted":
            gone[bureau, listing] = True
        elif fact.kind == "reinserted":
            # One that an import has already shown to be back is the same reinsertion.
            if gone.get((bureau, listing)) is not False:
                found.append((fact.day, bureau, listing, False))
            gone[bureau, listing] = False
        elif fact.kind == "import" and fact.get("listings") is not None:
            now = {(bureau, name) for name in fact.get("listings")}
            for back in sorted(key for key in now if gone.get(key)):
                # It came back on some day before the import that first shows it.
                found.append((fact.day, *back, True))
                gone[back] = False
            for key in shown - now:
                if key[0] == bureau:
                    gone[key] = True
            shown |= now
    return [
        clock(
            "reinsertion notice",
            on,
            business(law, "reinsertion notice", on, 5),
            case.today,
            notice_day(case, "reinsertion", bureau, listing, on),
            bureau,
            listing,
            estimated=seen,
        )
        for on, bureau, listing, seen in found
    ]


def requests(case, law):
    """The description of procedure and the identity-theft block."""
    found = []
    for fact in case.of("description_requested"):
        done = notice_day(case, "description", fact.get("bureau"), None, fact.day)
        found.append(
            clock(
                "description of procedure",
                fact.day,
                days.plus(fact.day, 15),
                case.today,
                done,
                fact.get("bureau"),
            )
        )
    for fact in case.of("theft_papers"):
        bureau, listing = fact.get("bureau"), fact.get("listing")
        done = [
            f.day
            for f in case.of("blocked")
            if f.get("bureau") == bureau and f.get("listing") == listing and f.day >= fact.day
        ]
        found.append(
            clock(
                "identity-theft block",
                fact.day,
                business(law, "identity-theft block", fact.day, 4),
                case.today,
                min(done, default=None),
                bureau,
                listing,
            )
        )
    return found


def obsolescence(case):
    """The first day on which a listing may not be reported any more."""
    found = []
    for fact in case.of("listing"):
        for name, count in (
            ("delinquent_on", days.obsolete_from),
            ("bankrupt_on", days.bankruptcy_obsolete_from),
        ):
            if fact.get(name):
                began = days.day(fact.get(name))
                found.append(
                    clock(
                        "obsolescence",
                        began,
                        count(began),
                        case.today,
                        None,
                        fact.get("bureau"),
                        fact.get("listing"),
                    )
                )
    return found
