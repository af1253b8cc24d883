"""A gate's answer: holds, fails or unknown, the facts it rests on, and what would open it."""

from dataclasses import dataclass, field
from typing import Optional

HOLDS, UNKNOWN, FAILS = "holds", "unknown", "fails"
WORST_FIRST = (FAILS, UNKNOWN, HOLDS)

FINISH, WAIT, PUT_RIGHT, NEVER = "finish", "wait", "put_right", "never"
HARDEST_FIRST = (NEVER, PUT_RIGHT, FINISH, WAIT)


@dataclass(frozen=True)
class Answer:
    answer: str
    says: str = ""
    facts: tuple = ()
    opens: Optional[str] = None
    until: Optional[object] = None
    detail: dict = field(default_factory=dict, compare=False)

    @property
    def holds(self):
        return self.answer == HOLDS


def holds(*facts):
    return Answer(HOLDS, facts=tuple(facts))


def fails(says, opens, *facts, until=None, detail=None):
    return Answer(FAILS, says, tuple(facts), opens, until, detail or {})


def unknown(says, *facts, opens=PUT_RIGHT, until=None):
    return Answer(UNKNOWN, says, tuple(facts), opens, until)


def worst(found):
    """Every part must hold: one that fails decides, then one that is unknown."""
    found = list(found)
    for kind in WORST_FIRST:
        of_kind = [a for a in found if a.answer == kind]
        if of_kind and kind != HOLDS:
            return of_kind[0]
    rests_on = [fact for a in found for fact in a.facts]
    return holds(*dict.fromkeys(rests_on))


def best(found):
    """One part is enough."""
    found = list(found)
    for kind in reversed(WORST_FIRST):
        for answer in found:
            if answer.answer == kind:
                return answer
    return None


def over_readings(found):
    """ "a gate that fails on one reading alone is unknown" """
    kinds = {a.answer for a in found}
    if len(kinds) == 1:
        return found[0]
    doubtful = next(a for a in found if not a.holds)
    return unknown("a day is uncertain between two zones: " + doubtful.says, *doubtful.facts)
