"""Which lines of an invoice money is of: "Payments cover an invoice's lines pro rata by largest remainder; one
received while a line is exposed covers the other lines first." What goes back settles first what is owed, what
is forgiven first what nothing allowed, and "a chargeback opens its line again".

An event says which lines it is of, decided on what was known when it was recorded; older ones say nothing."""

import days

# What is reached first and what only then, by the sum that grows.
TURNS = {
    "paid": ("open", "exposed open"),
    "written_off": ("open", "exposed open"),
    "credited": ("exposed open", "open"),
    "refunded": ("owed", "allowed paid"),
}


def cents(money):
    return int(money["minor"])


def nothing():
    return {"paid": 0, "credited": 0, "refunded": 0, "written_off": 0}


def parts_of(invoice, number, name, amount, named):
    """What of an amount that is added to a sum is each line's."""
    amounts = [cents(line["amount"]) for line in invoice["lines"]]
    if named is None:
        before = days.largest_remainder(invoice[name], amounts)
        after = days.largest_remainder(invoice[name] + amount, amounts)
        return [now - then for now, then in zip(after, before)]
    parts = [0] * len(amounts)
    for part in named:
        if part["invoice"] == number:
            parts[part["line"] - 1] += cents(part["amount"]) if amount > 0 else -cents(part["amount"])
    if sum(parts) != amount:
        raise ValueError(f"the parts of invoice {number} are {parts}, not {amount}")
    return parts


def move(invoice, number, sums, named):
    """Adds to sums of an invoice and of its lines."""
    before = standing(invoice, number, named)
    for name, amount in sums.items():
        for share, part in zip(invoice["shares"], parts_of(invoice, number, name, amount, named)):
            share[name] += part
        invoice[name] += amount
    grown = [name for name, amount in sums.items() if amount > 0]
    if named is not None and grown:
        first, later = TURNS[grown[-1]]
        after = standing(invoice, number, named)
        is_reached = any(now[later] < then[later] for now, then in zip(after, before))
        if is_reached and any(now[first] for now in after):
            raise ValueError(f"invoice {number}: {later} was reached before all that was {first}")


def recover(invoice, number, amount, is_told_again):
    """What is paid beyond what is open had been given up, and is written off no more. Without a fact that was taken back since,
    less may have been given up by then: what it comes to is said behind."""
    wholes = [cents(line["amount"]) for line in invoice["lines"]]
    over = [max(0, sum(share.values()) - whole) for whole, share in zip(wholes, invoice["shares"])]
    parts = [min(most, share["written_off"]) for most, share in zip(over, invoice["shares"])]
    if sum(parts) != amount and not is_told_again:
        raise ValueError(f"{amount} is recovered of invoice {number}, and its lines are over by {over}")
    for share, part in zip(invoice["shares"], parts):
        share["written_off"] -= part
    invoice["written_off"] -= sum(parts)


def say(invoice, lines):
    """The sums of each line are what an event says. What was refunded is among what it calls credited."""
    for share, line in zip(invoice["shares"], lines):
        refunded = min(share["refunded"], cents(line["credited"]))
        share.update({name: cents(line[name]) for name in ("paid", "credited", "written_off")})
        share.update({"refunded": refunded, "credited": share["credited"] - refunded})
    for name in nothing():
        invoice[name] = sum(share[name] for share in invoice["shares"])


def standing(invoice, number, named):
    """What of each line is open and paid, and what of that is exposed, as the event says."""
    exposed = {
        part["line"]: cents(part["exposed"])
        for part in named or ()
        if part["invoice"] == number and "exposed" in part
    }
    found = []
    for at, (line, share) in enumerate(zip(invoice["lines"], invoice["shares"]), 1):
        amount, paid = cents(line["amount"]), share["paid"]
        allowed = amount - exposed.get(at, 0)
        unpaid = max(0, amount - sum(share.values()))
        other, owed = min(unpaid, max(0, allowed - paid)), max(0, paid - allowed)
        found.append(
            {"open": other, "exposed open": unpaid - other, "owed": owed, "allowed paid": paid - owed}
        )
    return found


def come_again(invoice, number, taken, named):
    """A chargeback that was won pays what it was taken of, as far as that is open; beyond it makes good what
    was written off. The rest is the client's."""
    if named is None:
        whole = sum(cents(line["amount"]) for line in invoice["lines"])
        due = min(taken, whole - sum(invoice[name] for name in nothing()))
        recovered = min(taken - due, invoice["written_off"])
        move(invoice, number, {"paid": due + recovered}, None)
        move(invoice, number, {"written_off": -recovered}, None)
        return
    parts = parts_of(invoice, number, "paid", taken, named)
    for line, share, part in zip(standing(invoice, number, None), invoice["shares"], parts):
        due = min(part, line["open"])
        recovered = min(part - due, share["written_off"])
        for sums in (share, invoice):
            sums["paid"] += due + recovered
            sums["written_off"] -= recovered
