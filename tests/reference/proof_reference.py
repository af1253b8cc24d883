#!/usr/bin/env python3
"""Trees, signed checkpoints and canonical JSON against other libraries.

Trees: the PyPI package `pymerkle`. Ed25519: the PyPI package `cryptography`. Canonical JSON: the PyPI
package `rfc8785`. Questions are drawn from a seed and put to the example `proofs` of crates/proof,
whose path is the one argument; every answer has to be the libraries'.
"""

import base64
import hashlib
import json
import random
import subprocess
import sys

import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from pymerkle import InmemoryTree

SEED = 9162
TREES = 1_000
NOTES = 200
DOCUMENTS = 3_000
# Larger integers than this share a double with another one, and are refused.
INTEGER_MAX = 2**53
EXPONENT_FROM = 1e21


def ask(program, questions):
    asked = "".join(json.dumps(question) + "\n" for question in questions)
    done = subprocess.run([program], input=asked, capture_output=True, text=True, check=True)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(answers) == len(questions), (len(answers), len(questions))
    return list(zip(questions, answers))


def trees(draw):
    for _ in range(TREES):
        # Some past the edges of tiles of 256 hashes.
        size = draw.choice([draw.randint(1, 40), draw.randint(41, 300), draw.randint(500, 800)])
        entries = [draw.randbytes(draw.randint(0, 40)).hex() for _ in range(size)]
        yield {
            "kind": "tree",
            "entries": entries,
            "index": draw.randrange(size),
            "old_size": draw.randint(1, size),
        }


def node(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def roots_of_consistency(first, second, first_root, path):
    """The two roots that a proof leads to: RFC 9162 section 2.1.4.2, step by step from its text."""
    if first == second:
        assert path == []
        return first_root, first_root
    if first & (first - 1) == 0:
        path = [first_root] + path
    fn, sn = first - 1, second - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for c in path[1:]:
        assert sn != 0
        if fn & 1 or fn == sn:
            fr, sr = node(c, fr), node(c, sr)
            while fn & 1 == 0 and fn != 0:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node(sr, c)
        fn, sn = fn >> 1, sn >> 1
    assert sn == 0
    return fr, sr


def check_tree(question, answer):
    tree = InmemoryTree(algorithm="sha256")
    for entry in question["entries"]:
        tree.append_entry(bytes.fromhex(entry))
    size, index, old = len(question["entries"]), question["index"], question["old_size"]
    assert answer["root"] == [tree.get_root(size).hex()], size
    # The package counts leaves from 1, and puts the leaf's own hash before the path.
    path = [digest.hex() for digest in tree.prove_inclusion(index + 1, size).path]
    assert answer["inclusion"] == path[1:], (index, size)
    # The package cuts the trees otherwise than RFC 9162 does, so what our proof leads to is compared.
    hashes = [bytes.fromhex(digest) for digest in answer["consistency"]]
    roots = (tree.get_root(old), tree.get_root(size))
    assert roots_of_consistency(old, size, roots[0], hashes) == roots, (old, size)


def note_by_hand(name, seed, body):
    """C2SP signed-note, from its text: the verifier key and the signed note."""
    key = Ed25519PrivateKey.from_private_bytes(seed)
    public = b"\x01" + key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    key_id = hashlib.sha256(name.encode() + b"\n" + public).digest()[:4]
    signature = base64.b64encode(key_id + key.sign(body.encode())).decode()
    verifier = f"{name}+{key_id.hex()}+{base64.b64encode(public).decode()}"
    return verifier, f"{body}\n\u2014 {name} {signature}\n"


def notes(draw):
    for number in range(NOTES):
        yield {
            "kind": "sign",
            "name": f"ledger{number}.example/firms/{draw.randint(0, 9)}",
            "seed": draw.randbytes(32).hex(),
            "size": draw.choice([0, 1, draw.randrange(2**63)]),
            "root": draw.randbytes(32).hex(),
        }


def check_note(question, answer):
    root = base64.b64encode(bytes.fromhex(question["root"])).decode()
    body = f"{question['name']}\n{question['size']}\n{root}\n"
    key, note = note_by_hand(question["name"], bytes.fromhex(question["seed"]), body)
    assert answer == {"key": key, "note": note}, question["name"]


def signed_elsewhere(draw):
    for number in range(NOTES):
        name = f"witness{number}.example"
        body = "".join(draw.choice(["a\n", "é\n", "\n", "x y\n"]) for _ in range(draw.randint(1, 9)))
        key, note = note_by_hand(name, draw.randbytes(32), body)
        holds = draw.random() < 0.5
        if not holds:
            # Another text under the same signature.
            note = "z" + note
        yield {"kind": "verify", "key": key, "note": note, "holds": holds}


def value(draw, depth):
    kinds = ["number", "text", "literal"] + (["list", "object"] if depth else [])
    kind = draw.choice(kinds)
    if kind == "number":
        return draw.choice(
            [
                draw.randint(-INTEGER_MAX + 1, INTEGER_MAX - 1),
                draw.randint(-100, 100),
                draw.uniform(-1e6, 1e6),
                draw.uniform(-1, 1) * 10 ** draw.randint(-320, 300),
                float(draw.randint(-(10**22), 10**22)),
            ]
        )
    if kind == "text":
        return text(draw)
    if kind == "literal":
        return draw.choice([True, False, None])
    if kind == "list":
        return [value(draw, depth - 1) for _ in range(draw.randint(0, 4))]
    return {text(draw): value(draw, depth - 1) for _ in range(draw.randint(0, 5))}


def text(draw):
    planes = [(0, 0x7F), (0x80, 0x7FF), (0x800, 0xD7FF), (0xE000, 0xFFFF), (0x10000, 0x10FFFF)]
    draw_one = lambda: chr(draw.randint(*draw.choice(planes)))
    return "".join(draw_one() for _ in range(draw.randint(0, 6)))


def has_large_integer(document):
    if isinstance(document, float):
        return INTEGER_MAX < abs(document) < EXPONENT_FROM
    if isinstance(document, list):
        return any(map(has_large_integer, document))
    if isinstance(document, dict):
        return any(map(has_large_integer, document.values()))
    return False


def documents(draw):
    for _ in range(DOCUMENTS):
        document = value(draw, 3)
        spelled = json.dumps(
            document, ensure_ascii=draw.random() < 0.5, indent=draw.choice([None, 1])
        )
        yield {"kind": "canonical", "json": spelled}


def check_document(question, answer):
    document = json.loads(question["json"])
    if has_large_integer(document):
        assert answer["canonical"] is None, question["json"]
    else:
        assert answer["canonical"] == rfc8785.dumps(document).hex(), question["json"]


def main():
    program, draw = sys.argv[1], random.Random(SEED)
    for question, answer in ask(program, list(trees(draw))):
        check_tree(question, answer)
    for question, answer in ask(program, list(notes(draw))):
        check_note(question, answer)
    for question, answer in ask(program, list(signed_elsewhere(draw))):
        assert answer["holds"] == question["holds"], question
    checked = [has_large_integer(json.loads(q["json"])) for q, _ in documents_checked(program, draw)]
    assert any(checked) and not all(checked), "both kinds of documents were asked"
    print(f"{TREES} trees, {2 * NOTES} notes and {DOCUMENTS} documents agree")


def documents_checked(program, draw):
    asked = ask(program, list(documents(draw)))
    for question, answer in asked:
        check_document(question, answer)
    return asked


if __name__ == "__main__":
    main()
