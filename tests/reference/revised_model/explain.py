""" "a correction that helps a fee through is shown beside that gate wherever the fee is explained"

Whether a correction helps is found by leaving it out and judging once more.
"""

from answers import WORST_FIRST


def show_helping_corrections(document, answer, judge):
    """Adds `helped_by` to every gate of every fee: the corrections without which it were worse."""
    for client in answer["clients"].values():
        for fee in client["open_fees"] + client["fees"]:
            for gate in fee["gates"].values():
                gate["helped_by"] = []
    for correction in all_corrections(document):
        without = judge(left_out(document, correction))
        for name, client in answer["clients"].items():
            other = without["clients"][name]
            for fee in client["open_fees"] + client["fees"]:
                compare(fee["gates"], gates_without(fee, other), correction)


def all_corrections(document):
    return [
        item["id"]
        for client in document["clients"]
        for item in client["told"]
        if item["kind"] == "correction"
    ]


def left_out(document, name):
    """The document without one correction; those that name its reading fall with it."""
    clients = [
        {**c, "told": [i for i in c["told"] if i["id"] != name]} for c in document["clients"]
    ]
    return {**document, "clients": clients}


def gates_without(fee, other):
    """The gates of the same fee, or of the period that shares most of its days."""
    if "claim" in fee:
        return next(f["gates"] for f in other["fees"] if f["claim"] == fee["claim"])
    end = fee["end"] or fee["start"]
    shared = [
        ((min(end, f["end"] or end) - max(fee["start"], f["start"])).days, f)
        for f in other["open_fees"]
    ]
    nearest = max(shared, key=lambda pair: pair[0], default=(-1, None))
    return nearest[1]["gates"] if nearest[0] >= 0 else None


def compare(gates, without, correction):
    for name, gate in gates.items():
        worse = without is None or (
            WORST_FIRST.index(without[name]["answer"]) < WORST_FIRST.index(gate["answer"])
        )
        if worse:
            gate["helped_by"].append(correction)
