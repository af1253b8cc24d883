#!/usr/bin/env python3
"""Checks a bundle of the format counterfoil.example/bundle/1, described in FORMAT.md beside this file.

    python3 verify.py BUNDLE.zip [--public-key FILE] [--checkpoint FILE] [--not-before SIZE]

Needs Python 3.8 or later and nothing else; signatures go faster where the package `cryptography` is
installed. It was written from FORMAT.md, not from the software that writes bundles. Exit status: 0
nothing is wrong, 1 something is (named by file, row and position), 2 the command line makes no sense.
"""

import argparse
import base64
import hashlib
import json
import os
import re
import sys
import tempfile
import zipfile
import zlib
from datetime import date, datetime, timedelta, timezone

FORMAT = "counterfoil.example/bundle/1"
EVENT_BYTES_MAX, FINDINGS_MAX, OPENINGS_MAX, CASES_MAX = 65_535, 1_000, 100_000, 1_000
INTEGER_MAX = 2**53 - 1
FRONT = ("README.txt", "FORMAT.md", "verify.py", "data-dictionary.csv", "manifest.json", "manifest.note",
         "checkpoint.txt", "public-key.txt", "events.jsonl")
OF_PART = ("proofs/subtrees.txt", "proofs/streams.txt")
UUID = "[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"

COLUMNS = {
    "access": "Position Occurred_On Entered_By Case_ID What",
    "exposures": "Position Found_On Case_ID Customer_Account_ID Kind Citation Period Payment_ID Amount "
                 "Amount_Currency Stands",
    "fee_gates": "Case_ID Period Gate Asks Holds Finding Citation Evidence_Positions Not_Before",
    "fees": "Case_ID Period Period_Start Period_End Status Amount Amount_Currency Judged_As_Of Settled_On "
            "Settled_Position Customer_Account_ID Invoice_Number Work_Evidence Late_Evidence Rule_Packs",
    "invoice_lines": "Invoice_Number Invoice_Line_ID Case_ID Period Period_Start Period_End "
                     "Invoice_Line_Amount Invoice_Line_Amount_Currency",
    "invoices": "Invoice_Number Invoice_Date Invoice_Due_Date Customer_Account_ID Invoice_Amount "
                "Invoice_Amount_Currency Amount_Paid Amount_Credited Amount_Written_Off Balance_Amount Status "
                "Position",
    "papers": "Case_ID Enrolled_On Enrolled_Position Sale_Channel Disclosure_Delivered_On "
              "Disclosure_Delivered_Position Disclosure_Acknowledged_On Disclosure_Acknowledged_Position "
              "Disclosure_Document Contract_Signed_On Contract_Position Contract_Document Client_State "
              "Cancellation_Notice_Given Electronic_Consent Total_Of_Payments Amount_Currency Cancel_Through "
              "Service_From Cancelled_On Cancelled_Position First_Work_On First_Work_Position",
    "payments": "Position Transaction_Date Transaction_Type Customer_Account_ID Transaction_ID Payment_ID "
                "Invoice_Number Amount Amount_Currency Applied Unearned_Amount Attempt Reason Next_Date",
    "responses_and_clocks": "Case_ID Bureau Clock Citation Round Item Started_On Start_Estimated Due_On Done_On "
                            "Answer_Positions Outcomes",
    "rounds_and_letters": "Case_ID Round Sent_On Sent_Position Bureau Mail_Class Tracking Items Letter_Document "
                          "Contact_Position Delivered_On Delivered_Position Client_Information_On "
                          "Client_Information_Position",
    "timeline": "Position Event_ID Stream Stream_Version Event_Type Event_Type_Version Occurred_On Entered_Date "
                "Entered_Time Entered_By Late_Days Request_ID Caused_By Leaf_Hash",
}
COLUMNS = {name: columns.split() for name, columns in COLUMNS.items()}
GATES = ["G%d" % number for number in range(1, 9)]
WORK = {"report_import": "report_imported", "dispute_round": "round_sent",
        "progress_report": "progress_report_sent"}
ANY = None  # what this verifier does not derive


class Findings(list):
    """What does not agree."""
    left_out = 0

    def add(self, file, what, row=None, position=None):
        if len(self) >= FINDINGS_MAX:
            self.left_out += 1
            return
        text = file + ("" if row is None else ", row %d" % row)
        self.append(text + ("" if position is None else ", position %d" % position) + ": " + what)


# ---- Ed25519, RFC 8032 section 5.1 ------------------------------------------------------------------------

P = 2**255 - 19
ORDER = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT_OF_MINUS_1 = pow(2, (P - 1) // 4, P)


def _recover_x(y, sign):
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT_OF_MINUS_1 % P
    if (x * x - square) % P or (x == 0 and sign):
        return None
    return P - x if x & 1 != sign else x


def _point(encoded):
    number = int.from_bytes(encoded, "little")
    y, sign = number & ((1 << 255) - 1), number >> 255
    x = _recover_x(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


def _add(a, b):
    e, f = (a[1] - a[0]) * (b[1] - b[0]) % P, (a[1] + a[0]) * (b[1] + b[0]) % P
    g, h = 2 * a[3] * b[3] * D % P, 2 * a[2] * b[2] % P
    e, f, g, h = f - e, h - g, h + g, f + e
    return e * f % P, g * h % P, f * g % P, e * h % P


def _multiply(number, point):
    result = (0, 1, 1, 0)
    while number:
        if number & 1:
            result = _add(result, point)
        point, number = _add(point, point), number >> 1
    return result


BASE = _point((4 * pow(5, P - 2, P) % P).to_bytes(32, "little"))


def ed25519_holds_in_python(key, message, signature):
    """Whether an Ed25519 signature holds, without any library."""
    if len(key) != 32 or len(signature) != 64:
        return False
    a, r, s = _point(key), _point(signature[:32]), int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= ORDER:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + key + message).digest(), "little") % ORDER
    left, right = _multiply(s, BASE), _add(r, _multiply(k, a))
    return (left[0] * right[2] - right[0] * left[2]) % P == 0 == (left[1] * right[2] - right[1] * left[2]) % P


def ed25519_holds(key, message, signature):
    """The same, with the library `cryptography` where it is."""
    try:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    except Exception:  # not installed, or installed and broken
        return ed25519_holds_in_python(key, message, signature)
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


# ---- XChaCha20-Poly1305, RFC 8439 and draft-irtf-cfrg-xchacha-03 ------------------------------------------

CONSTANTS = [0x61707865, 0x3320646E, 0x79622D32, 0x6B206574]


def _words(data):
    return [int.from_bytes(data[at:at + 4], "little") for at in range(0, len(data), 4)]


def _rounds(state):
    s = list(state)

    def quarter(a, b, c, d):
        for left, right, into, by in ((a, b, d, 16), (c, d, b, 12), (a, b, d, 8), (c, d, b, 7)):
            s[left] = (s[left] + s[right]) & 0xFFFFFFFF
            mixed = s[into] ^ s[left]
            s[into] = ((mixed << by) | (mixed >> (32 - by))) & 0xFFFFFFFF

    for _ in range(10):
        for column in range(4):
            quarter(column, column + 4, column + 8, column + 12)
        quarter(0, 5, 10, 15), quarter(1, 6, 11, 12), quarter(2, 7, 8, 13), quarter(3, 4, 9, 14)
    return s


def chacha20_block(key, counter, nonce):
    state = CONSTANTS + _words(key) + [counter] + _words(nonce)
    mixed = (((a + b) & 0xFFFFFFFF).to_bytes(4, "little") for a, b in zip(state, _rounds(state)))
    return b"".join(mixed)


def chacha20(key, counter, nonce, data):
    out = bytearray()
    for at in range(0, len(data), 64):
        block = chacha20_block(key, counter + at // 64, nonce)
        out += bytes(a ^ b for a, b in zip(data[at:at + 64], block))
    return bytes(out)


def hchacha20(key, nonce):
    s = _rounds(CONSTANTS + _words(key) + _words(nonce))
    return b"".join(word.to_bytes(4, "little") for word in s[:4] + s[12:])


def poly1305(key, data):
    r = int.from_bytes(key[:16], "little") & 0x0FFFFFFC0FFFFFFC0FFFFFFC0FFFFFFF
    sum_ = 0
    for at in range(0, len(data), 16):
        sum_ = (sum_ + int.from_bytes(data[at:at + 16] + b"\x01", "little")) * r % (2**130 - 5)
    return ((sum_ + int.from_bytes(key[16:], "little")) % 2**128).to_bytes(16, "little")


def aead_open(key, nonce, sealed, data):
    """The text of a ChaCha20-Poly1305 ciphertext with its tag; None if it does not open."""
    text, tag = sealed[:-16], sealed[-16:]

    def padded(part):
        return part + bytes(-len(part) % 16)
    lengths = len(data).to_bytes(8, "little") + len(text).to_bytes(8, "little")
    made = poly1305(chacha20_block(key, 0, nonce)[:32], padded(data) + padded(text) + lengths)
    return chacha20(key, 1, nonce, text) if made == tag and len(sealed) >= 16 else None


def xaead_open(key, nonce, sealed, data):
    return aead_open(hchacha20(key, nonce[:16]), bytes(4) + nonce[16:], sealed, data)


# ---- Signed notes and checkpoints, C2SP -------------------------------------------------------------------

def sha256(data):
    return hashlib.sha256(data).digest()


def unbase64(text):
    try:
        data = base64.b64decode(text, validate=True)
    except ValueError:
        return None
    return data if base64.b64encode(data).decode() == text else None


def parse_key(text):
    """(name, id, key) of a verifier key, or None."""
    parts = text.split("+", 2)
    if len(parts) != 3 or not parts[0] or re.search(r"\s", parts[0]):
        return None
    typed = unbase64(parts[2])
    if typed is None or len(typed) != 33 or typed[0] != 1:
        return None
    key_id = sha256(parts[0].encode() + b"\n" + typed)[:4]
    return (parts[0], key_id, typed[1:]) if key_id.hex() == parts[1] else None


def parse_note(note):
    """(text, [(name, id, signature)]) of a signed note, or None."""
    text, blank, lines = note.rpartition("\n\n")
    if not blank or not lines.endswith("\n") or re.search("[\x00-\x09\x0b-\x1f]", note):
        return None
    signatures = []
    for line in lines[:-1].split("\n"):
        parts = line.split(" ")
        data = unbase64(parts[2]) if len(parts) == 3 and parts[0] == "\u2014" else None
        if data is None or len(data) < 5 or not parts[1]:
            return None
        signatures.append((parts[1], data[:4], data[4:]))
    return text + "\n", signatures


def is_signed(note, key):
    """At least one signature is of the key, and each that says so holds."""
    of_key = [data for name, key_id, data in note[1] if (name, key_id) == key[:2]]
    return bool(of_key) and all(ed25519_holds(key[2], note[0].encode(), data) for data in of_key)


def parse_checkpoint(text):
    """(origin, size, root) or None."""
    lines = text.split("\n")
    if len(lines) < 4 or not lines[0] or not re.fullmatch("0|[1-9][0-9]{0,18}", lines[1]):
        return None
    root = unbase64(lines[2])
    return (lines[0], int(lines[1]), root) if root is not None and len(root) == 32 else None


# ---- Canonical JSON, RFC 8785 (the part that events use) --------------------------------------------------

def canonical(value):
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def _no_number(text):
    raise ValueError("a number that is no integer")


def _integer(text):
    number = int(text)
    if abs(number) > INTEGER_MAX:
        raise ValueError("an integer beyond 2^53 - 1")
    return number


def read_canonical(data):
    """The value of canonical JSON, or None."""
    try:
        value = json.loads(data.decode(), parse_float=_no_number, parse_constant=_no_number, parse_int=_integer)
        return value if canonical(value) == data else None
    except (ValueError, RecursionError):
        return None


# ---- The tree, RFC 9162 -----------------------------------------------------------------------------------

def leaf_hash(data):
    return sha256(b"\x00" + data)


class Tree:
    """Leaves and perfect subtrees in order of index."""
    def __init__(self):
        self.size, self.stack = 0, []

    def push(self, level, hash_):
        self.size += 1 << level
        while self.stack and self.stack[-1][0] == level and (self.size - (2 << level)) % (2 << level) == 0:
            hash_ = sha256(b"\x01" + self.stack.pop()[1] + hash_)
            level += 1
        self.stack.append((level, hash_))

    def root(self):
        if not self.stack:
            return sha256(b"")
        root = self.stack[-1][1]
        for _, left in reversed(self.stack[:-1]):
            root = sha256(b"\x01" + left + root)
        return root


def cover(start, end):
    """Levels of the subtrees that cover leaves [start, end)."""
    while start < end:
        level = (end - start).bit_length() - 1
        if start:
            level = min(level, (start & -start).bit_length() - 1)
        yield level
        start += 1 << level


# ---- Tables -----------------------------------------------------------------------------------------------

def csv_row(fields):
    quoted = ('"' + f.replace('"', '""') + '"' if re.search('[,"\r\n]', f) else f for f in fields)
    return ",".join(quoted) + "\r\n"


class Table:
    """The rows of a table as they stand in the bundle, each in its only spelling."""
    def __init__(self, bundle, name):
        self.name, self.file, self.columns = name, "tables/%s.csv" % name, COLUMNS[name]
        self.findings, self.row, self.lines, self.peeked = bundle.findings, 0, None, None
        if self.file in bundle.names:
            self.lines = bundle.zip.open(self.file)
            if self.next() != self.columns:
                self.findings.add(self.file, "its first row does not name the columns", 1)

    def next(self):
        """The fields of the next row; None after the last."""
        if self.peeked is not None:
            fields, self.peeked = self.peeked, None
            return fields
        raw = self.lines.readline() if self.lines else b""
        if not raw:
            return None
        self.row += 1
        while raw.count(b'"') % 2:
            more = self.lines.readline()
            if not more:
                break
            raw += more
        text = raw.decode("utf-8", "replace")
        fields = re.findall(r'(?:^|,)("(?:[^"]|"")*"|[^",\r\n]*)', text[:-2] if text.endswith("\r\n") else text)
        fields = [f[1:-1].replace('""', '"') if f.startswith('"') else f for f in fields]
        if csv_row(fields) != text:
            self.findings.add(self.file, "the row is not spelled as RFC 4180 and the format have it", self.row)
        return fields

    def compare(self, expected, position=None):
        """Holds the next row against what the events make it."""
        if self.lines is None:
            return
        found = self.next()
        if found is None:
            self.findings.add(self.file, "a row is missing", self.row + 1, position)
            self.lines = None
            return
        self.hold(found, expected, position)

    def hold(self, found, expected, position=None):
        expected = ["" if v == "" else v if v is ANY else str(v) for v in expected]
        if len(found) != len(self.columns):
            self.findings.add(self.file, "the row has another number of fields than columns", self.row, position)
            return
        for column, is_, must in zip(self.columns, found, expected):
            if must is not ANY and is_ != must:
                shown = "%s is %r; the events make it %r" % (column, is_, must)
                self.findings.add(self.file, shown[:200], self.row, position)
                return

    def end(self):
        if self.lines is not None and self.next() is not None:
            self.findings.add(self.file, "there are more rows than the events make", self.row)


# ---- Money ------------------------------------------------------------------------------------------------

DIGITS = dict.fromkeys("JPY KRW CLP ISK VND".split(), 0)
DIGITS.update(dict.fromkeys("BHD KWD OMR JOD TND".split(), 3))


def minor(money):
    return int(money["minor"])


def decimal(number, currency):
    digits = DIGITS.get(currency, 2)
    text = str(abs(number)).rjust(digits + 1, "0")
    text = text if not digits else text[:-digits] + "." + text[-digits:]
    return ("-" if number < 0 else "") + text


def amount(money):
    return "" if money is None else decimal(minor(money), money["currency"])


def currency_of(money):
    return "" if money is None else money["currency"]


def day_before(day):
    return str(date.fromisoformat(day) - timedelta(days=1))


def plus_days(day, days):
    return str(date.fromisoformat(day) + timedelta(days=days))


CLOCKS = {"reinvestigation": "15 USC 1681i(a)(1)(A)", "reinvestigation_extended": "15 USC 1681i(a)(1)(B)",
          "free_report_reinvestigation": "15 USC 1681j(a)(3)", "results_notice": "15 USC 1681i(a)(6)",
          "reinsertion_notice": "15 USC 1681i(a)(5)(B)(ii)", "procedure_description": "15 USC 1681i(a)(7)",
          "theft_block": "15 USC 1681c-2(a)"}


def holidays(year):
    """5 USC 6103(a): the days themselves."""
    def nth(month, weekday, number):
        first = date(year, month, 1)
        return first + timedelta(days=(weekday - first.weekday()) % 7 + 7 * (number - 1))
    last_of_may = date(year, 5, 31)
    days = [date(year, 1, 1), nth(2, 0, 3), last_of_may - timedelta(days=last_of_may.weekday()), date(year, 7, 4),
            nth(9, 0, 1), nth(10, 0, 2), date(year, 11, 11), nth(11, 3, 4), date(year, 12, 25)]
    return days + [nth(1, 0, 3)] * (year >= 1986) + [date(year, 6, 19)] * (year >= 2021)


def is_business_day(day):
    """Of federal offices: 5 USC 6103 with the days on which a weekend's holiday is kept."""
    kept = set()
    for holiday in holidays(day.year) + holidays(day.year + 1)[:1]:
        kept.add(holiday + timedelta(days={5: -1, 6: 1}.get(holiday.weekday(), 0)))
    return day.weekday() < 5 and day not in kept


def plus_business_days(day, days):
    at = date.fromisoformat(day)
    while days:
        at += timedelta(days=1)
        days -= is_business_day(at)
    return str(at)


def yes(value):
    return "yes" if value else "no"


def spaced(values):
    return " ".join(str(value) for value in values)


# ---- The bundle -------------------------------------------------------------------------------------------

class Bundle:
    """One archive under examination."""
    def __init__(self, path, public_keys=(), earlier=None, not_before=None):
        self.findings = Findings()
        self.given_keys, self.earlier, self.not_before = public_keys, earlier, not_before
        self.zip = zipfile.ZipFile(path)
        self.names = set(self.zip.namelist())
        self.key = self.checkpoint = self.manifest = self.consistency = None
        self.events, self.streams, self.clients, self.moved = 0, {}, {}, {}
        self.openings, self.opened, self.invoice_numbers, self.in_days, self.transit_days = {}, 0, [], set(), 0
        self.looks, self.unnamed = [], {}
        self.lines = tempfile.TemporaryFile()

    def close(self):
        self.zip.close()
        self.lines.close()

    def examine(self):
        self.list_files()
        self.read_papers()
        if self.manifest is None or self.checkpoint is None or "events.jsonl" not in self.names:
            return
        self.read_openings()
        self.read_events()
        self.check_scope()
        self.hash_files()
        Derivation(self).run()

    # -- small files

    def list_files(self):
        if len(self.names) != len(self.zip.namelist()):
            self.findings.add("the archive", "two of its files have one name")
        tables = {"tables/%s.csv" % name for name in COLUMNS}
        for name in sorted(self.names):
            known = name in FRONT or name in OF_PART or name in tables or name == "openings.jsonl"
            document = re.fullmatch("evidence/(%s)/([0-9a-f]{64})" % UUID, name)
            if document:
                self.unnamed.setdefault("case/" + document[1], set()).add(document[2])
            if not known and not document and not re.fullmatch("report/%s[.]html" % UUID, name):
                self.findings.add(name, "the format has no file of this name")
        for name in sorted((set(FRONT) | tables) - self.names):
            self.findings.add(name, "it is missing")

    def read(self, name):
        return self.zip.read(name) if name in self.names else b""

    def read_text(self, name):
        try:
            return self.read(name).decode()
        except UnicodeDecodeError:
            self.findings.add(name, "it is not UTF-8")
            return ""

    def read_papers(self):
        bundled = self.read_text("public-key.txt")
        key = parse_key(bundled[:-1]) if bundled.endswith("\n") else None
        if key is None:
            self.findings.add("public-key.txt", "it is not one verifier key")
        if self.given_keys and key not in self.given_keys:
            self.findings.add("public-key.txt", "this is not a public key that was given")
            key = self.given_keys[0]
        self.key = key
        note = parse_note(self.read_text("checkpoint.txt"))
        self.checkpoint = parse_checkpoint(note[0]) if note else None
        if self.checkpoint is None:
            self.findings.add("checkpoint.txt", "it is not a signed checkpoint")
        elif self.key and not is_signed(note, self.key):
            self.findings.add("checkpoint.txt", "the signature does not hold")
        data = self.read("manifest.json")
        self.manifest = self.parse_manifest(data)
        if self.manifest is None:
            self.findings.add("manifest.json", "it is not a manifest in canonical form")
        if self.checkpoint and self.key:
            note = parse_note(self.read_text("manifest.note"))
            text = "%s\nlog %s\nmanifest %s\n" % (FORMAT, self.checkpoint[0], sha256(data).hex())
            if note is None or len(note[1]) != 1 or not is_signed(note, self.key):
                self.findings.add("manifest.note", "it is not a note with one signature by the key")
            elif note[0] != text:
                self.findings.add("manifest.note", "it was signed for another manifest")
        if self.manifest and self.checkpoint:
            if (self.manifest["tree_size"], self.manifest["root"]) != (self.checkpoint[1], self.checkpoint[2].hex()):
                self.findings.add("manifest.json", "size or root are not the checkpoint's")
            self.check_front(bundled.rstrip("\n"))
        with open(os.path.abspath(__file__), "rb") as own:
            if "verify.py" in self.names and self.read("verify.py") != own.read():
                self.findings.add("verify.py", "the bundle's copy is not the one that runs")
        self.read_earlier()

    @staticmethod
    def parse_manifest(data):
        value = read_canonical(data)
        members = ["data_dictionary", "events", "files", "firm", "format", "request", "root", "tree_size"]
        if not isinstance(value, dict) or sorted(value) != members or value["format"] != FORMAT:
            return None
        request, files = value["request"], value["files"]
        kinds = {"all": ["kind"], "cases": ["cases", "kind"], "days": ["from", "kind", "through"]}
        try:
            names = [file["name"] for file in files]
            rises = all(a < b for a, b in zip(names, names[1:]))
            whole = all(sorted(file) == ["bytes", "name", "sha256"] for file in files)
            request_is_one = sorted(request) == kinds[request["kind"]]
            if request["kind"] == "cases":
                cases = request["cases"]
                request_is_one &= 0 < len(cases) <= CASES_MAX and cases == sorted(set(cases))
            if request["kind"] == "days":
                request_is_one &= date.fromisoformat(request["from"]) <= date.fromisoformat(request["through"])
        except (TypeError, KeyError, ValueError):
            return None
        is_one = rises and whole and request_is_one and value["data_dictionary"] == "data-dictionary.csv"
        return value if is_one else None

    def check_front(self, key):
        request = self.manifest["request"]
        words = {"all": lambda: "the whole log", "cases": lambda: "cases " + " ".join(request["cases"]),
                 "days": lambda: "every case with an event that happened from %s through %s"
                                 % (request["from"], request["through"])}[request["kind"]]()
        facts = [("Firm", self.manifest["firm"]), ("Holds", words), ("Events", self.manifest["events"]),
                 ("Log's size", self.checkpoint[1]), ("Log's root", self.checkpoint[2].hex()), ("Public key", key)]
        lines = ["%-14s%s" % (name + ":", value) for name, value in facts]
        if self.read_text("README.txt").split("\n")[6:12] != lines:
            self.findings.add("README.txt", "it does not state what the manifest does", 7)

    def read_earlier(self):
        sizes = [] if self.not_before is None else [self.not_before]
        if self.earlier:
            note = parse_note(self.earlier)
            self.earlier = parse_checkpoint(note[0]) if note else None
            if self.earlier is None or (self.key and not is_signed(note, self.key)):
                self.findings.add("the earlier checkpoint", "it is not one that this key signed")
                self.earlier = None
            elif self.checkpoint and self.earlier[0] != self.checkpoint[0]:
                self.findings.add("the earlier checkpoint", "it is of another log")
                self.earlier = None
            else:
                sizes.append(self.earlier[1])
                if self.checkpoint and self.earlier[1] == self.checkpoint[1] and self.earlier[2] != self.checkpoint[2]:
                    self.findings.add("checkpoint.txt", "the firm signed two roots for this size")
        if self.checkpoint and any(size > self.checkpoint[1] for size in sizes):
            self.findings.add("checkpoint.txt", "it is stale: the log had %d events already" % max(sizes))

    def read_openings(self):
        if "openings.jsonl" not in self.names:
            return
        last = (0, -1)
        for row, line in enumerate(self.zip.open("openings.jsonl"), 1):
            value = read_canonical(line[:-1]) if line.endswith(b"\n") else None
            form = isinstance(value, dict) and sorted(value) == ["ordinal", "position", "value_key"]
            if not form or not re.fullmatch("[0-9a-f]{64}", str(value["value_key"])) or row > OPENINGS_MAX:
                self.findings.add("openings.jsonl", "the line is not an opening in canonical form", row)
                return
            place = (value["position"], value["ordinal"])
            if place <= last:
                self.findings.add("openings.jsonl", "the line does not come after the line before it", row)
                return
            last = place
            self.openings.setdefault(place[0], []).append((place[1], bytes.fromhex(value["value_key"])))

    # -- events

    def read_events(self):
        tree, size, is_part = Tree(), self.checkpoint[1], "proofs/subtrees.txt" in self.names
        subtrees = self.zip.open("proofs/subtrees.txt") if is_part else None
        timeline = Table(self, "timeline")
        self.broken, row, last, is_proved = False, 0, 0, False

        def fault(what):
            self.broken = True
            self.findings.add("events.jsonl", what, row, last or None)

        def meet():
            return self.earlier and (tree.size, tree.root()) == self.earlier[1:]

        def fill(start, end):
            for level in cover(start, end):
                line = subtrees.readline() if subtrees else b""
                if not re.fullmatch(b"[0-9a-f]{64}\n", line):
                    where = "proofs/subtrees.txt" if subtrees else "events.jsonl"
                    self.findings.add(where, "what stands for positions %d to %d is missing" % (start + 1, end),
                                      None if subtrees else row)
                    self.broken = True
                    return
                tree.push(level, bytes.fromhex(line[:64].decode()))

        is_proved = meet()
        with self.zip.open("events.jsonl") as lines:
            while True:
                line = lines.readline(EVENT_BYTES_MAX + 2)
                if not line:
                    break
                row += 1
                data = line[:-1]
                event = read_canonical(data) if line.endswith(b"\n") else None
                if not is_event(event):
                    fault("the line is not an event in canonical form")
                    if not line.endswith(b"\n"):
                        break
                    continue
                position = event["position"]
                if position <= last:
                    fault("position %d stands after this one" % position)
                    continue
                before, last = last, position
                if event["firm"] != self.manifest["firm"]:
                    fault("the event is of another firm")
                leaf = leaf_hash(data)
                if not self.broken:
                    if position > size:
                        fault("the event is behind the end of the checkpoint's log")
                    else:
                        fill(before, position - 1)
                        if not self.broken:
                            tree.push(0, leaf)
                            is_proved = is_proved or (self.earlier and tree.size == self.earlier[1] and meet())
                self.place(event, fault)
                self.lines.write(line)
                timeline.compare(timeline_row(event, leaf), position)
        self.events = row
        timeline.end()
        if not self.broken:
            fill(last, size)
        if not self.broken and subtrees and subtrees.read(1):
            self.broken = True
            self.findings.add("proofs/subtrees.txt", "there are more hashes than are needed")
        if not self.broken and (tree.size, tree.root()) != (size, self.checkpoint[2]):
            self.findings.add("events.jsonl", "these events do not make the root of the checkpoint")
        if self.events != self.manifest["events"]:
            self.findings.add("events.jsonl", "there are %d events, not %d" % (self.events, self.manifest["events"]))
        if sum(map(len, self.openings.values())) != self.opened:
            self.findings.add("openings.jsonl", "a key is of a value that is not in the bundle")
        if self.earlier:
            self.consistency = "cannot say" if is_part else "proved" if is_proved else "refuted"
            if self.consistency == "refuted":
                self.findings.add("events.jsonl", "the log does not begin with what it held at the earlier checkpoint")

    def place(self, event, fault):
        stream, offset = event["stream"], self.lines.tell()
        version = self.streams[stream] = self.streams.get(stream, 0) + 1
        if event["stream_version"] != version:
            fault("version %d of %s stands where version %d belongs" % (event["stream_version"], stream, version))
        kind, _, client = stream.partition("/")
        if kind in ("case", "account"):
            self.clients.setdefault(client, {}).setdefault(kind, []).append(offset)
            request = self.manifest["request"]
            if request["kind"] == "days" and request["from"] <= event["occurred_on"] <= request["through"]:
                self.in_days.add(client)
        if kind == "looks":
            self.clients.setdefault(client, {}).setdefault(kind, []).append(offset)
        if event["event"] == "payment_moved" and kind == "account":
            self.moved.setdefault(client, set()).add(event["payload"].get("to"))
        if event["event"] == "firm_registered":
            self.transit_days = event["payload"].get("transit_days", 0)
        if event["event"] == "access_used":
            looked = event["payload"]
            self.looks.append((event["position"], event["occurred_on"], event["actor"], looked["cases"],
                               looked["kind"] + " " + looked["what"]))
        if self.unnamed.get(stream):
            self.unnamed[stream] -= set(texts(event["payload"]))
        if event["event"] == "invoice_issued":
            self.invoice_numbers.append((event["payload"].get("number"), event["position"]))
        for ordinal, key in self.openings.get(event["position"], ()):
            self.opened += 1
            wrong = opening_fault(event, ordinal, key)
            if wrong:
                self.findings.add("openings.jsonl", "value %d: %s" % (ordinal, wrong), None, event["position"])

    def check_scope(self):
        request = self.manifest["request"]
        for stream, hashes in sorted(self.unnamed.items()):
            for name in sorted(hashes):
                self.findings.add("evidence/%s/%s" % (stream[5:], name), "no event of its case names it")
        for name in OF_PART:
            if (request["kind"] == "all") == (name in self.names):
                self.findings.add(name, "it is missing" if request["kind"] != "all" else "a whole log needs none")
        if request["kind"] == "all":
            for expected, (number, position) in enumerate(self.invoice_numbers, 1):
                if number != expected:
                    self.findings.add("events.jsonl", "invoice %s stands where %d belongs" % (number, expected),
                                      None, position)
                    break
            return
        cases = request.get("cases") or [c for c, kinds in self.clients.items() if "case" in kinds]
        expected = {"firm"} | {"case/" + case for case in cases}
        for case in cases:
            accounts = {case} | self.moved.get(case, set())
            may_be = {"account/%s" % account for account in accounts} | {"looks/" + case}
            expected |= may_be & set(self.streams)
            if request["kind"] == "days" and case not in self.in_days:
                self.findings.add("events.jsonl", "no event of case/%s happened in the days asked for" % case)
        for stream in sorted(expected ^ set(self.streams)):
            self.findings.add("events.jsonl", "%s: the request calls for it and it is not there, or not and it is"
                              % stream)
        stated = "".join(sorted("%s %d\n" % item for item in self.streams.items()))
        if self.read_text("proofs/streams.txt") != stated:
            self.findings.add("proofs/streams.txt", "the firm states another number of events than the bundle holds")

    def hash_files(self):
        listed = {file["name"]: file for file in self.manifest["files"]}
        for name in sorted(self.names - {"manifest.json", "manifest.note"}):
            if name not in listed:
                self.findings.add(name, "the manifest does not list it")
                continue
            hasher, length = hashlib.sha256(), 0
            with self.zip.open(name) as file:
                for block in iter(lambda: file.read(1 << 20), b""):
                    hasher.update(block)
                    length += len(block)
            if (length, hasher.hexdigest()) != (listed[name]["bytes"], listed[name]["sha256"]):
                self.findings.add(name, "length or SHA-256 are not the manifest's")
            if name.startswith("evidence/") and not name.endswith(hasher.hexdigest()):
                self.findings.add(name, "these are not the bytes of the document that it is named for")
        for name in sorted(set(listed) - self.names):
            self.findings.add(name, "the manifest lists it, and it is not there")
        reports = {"report/%s.html" % c for c, kinds in self.clients.items() if "case" in kinds}
        for name in sorted(reports ^ {name for name in self.names if name.startswith("report/")}):
            self.findings.add(name, "there is one report for each case of the bundle, and no other")


MEMBERS = {"actor": str, "event": str, "event_id": str, "event_version": int, "firm": str, "occurred_on": str,
           "payload": dict, "position": int, "recorded_at": int, "request_id": str, "stream": str,
           "stream_version": int}


def is_event(event):
    if not isinstance(event, dict) or set(event) - {"access", "causation", "late_days"} != set(MEMBERS):
        return False
    typed = all(type(event[name]) is type_ for name, type_ in MEMBERS.items())
    return typed and re.fullmatch("firm|(case|account|deposit|looks)/" + UUID, event["stream"]) is not None


def timeline_row(event, leaf):
    at = datetime(1970, 1, 1, tzinfo=timezone.utc) + timedelta(microseconds=event["recorded_at"])
    return [event["position"], event["event_id"], event["stream"], event["stream_version"], event["event"],
            event["event_version"], event["occurred_on"], at.strftime("%Y-%m-%d"), at.strftime("%H:%M:%S.%f"),
            event["actor"], event.get("late_days", ""), event["request_id"], event.get("causation", ""), leaf.hex()]


def texts(value):
    """Every text in a value."""
    if isinstance(value, str):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from texts(part)


def sealed_values(value):
    if isinstance(value, dict):
        if set(value) == {"sealed"} and isinstance(value["sealed"], str):
            yield value["sealed"]
        else:
            for key in sorted(value):
                yield from sealed_values(value[key])
    elif isinstance(value, list):
        for element in value:
            yield from sealed_values(element)


def opening_fault(event, ordinal, key):
    """What is wrong with the key of a sealed value; None if it opens it."""
    tokens = list(sealed_values(event["payload"]))
    if not 0 <= ordinal < len(tokens):
        return "the event has no such value"
    try:
        token = base64.urlsafe_b64decode(tokens[ordinal] + "=" * (-len(tokens[ordinal]) % 4))
    except ValueError:
        return "the value is not sealed as the format says"
    nonce, commitment, sealed = token[:24], token[24:56], token[56:]
    if nonce != bytes.fromhex(event["event_id"].replace("-", "")) + ordinal.to_bytes(8, "big"):
        return "the value was sealed for another place"
    if commitment != sha256(b"counterfoil/commitment/1" + key):
        return "the key is not the one the value is committed to"
    data = ("%s/%s" % (event["firm"], event["stream"])).encode()
    return "it does not open" if xaead_open(key, nonce, sealed, data) is None else None


# ---- What the events make ---------------------------------------------------------------------------------

class Derivation:
    """Every table, derived client by client, and held against the bundle's."""
    def __init__(self, bundle):
        self.bundle, self.findings = bundle, bundle.findings
        self.tables = {name: Table(bundle, name) for name in COLUMNS if name != "timeline"}
        self.fees, self.lines = {}, []

    def run(self):
        try:
            self.access()
        except (KeyError, TypeError, ValueError, AttributeError):
            self.findings.add("events.jsonl", "the events of the firm do not say what they should")
        for client, kinds in self.bundle.clients.items():
            case, account = self.load(kinds.get("case")), self.load(kinds.get("account"))
            try:
                if case:
                    self.papers(client, case)
                    self.letters(client, case)
                    self.responses(client, case)
                    self.fees_of(client, case, account)
                self.exposures(client, case, account)
                self.money(client, account)
                self.looked_at(client, self.load(kinds.get("looks")))
            except (KeyError, TypeError, ValueError, IndexError, AttributeError):
                self.findings.add("events.jsonl", "the events of client %s do not say what they should" % client)
        for table in self.tables.values():
            table.end()
        self.check_lines()

    def load(self, offsets):
        events = []
        for offset in offsets or ():
            self.bundle.lines.seek(offset)
            events.append(json.loads(self.bundle.lines.readline()))
        return events

    @staticmethod
    def of(events, *types):
        return [event for event in events if event["event"] in types]

    @staticmethod
    def day_and_position(event):
        return [event["occurred_on"], event["position"]] if event else ["", ""]

    def papers(self, case_id, case):
        first = {name: next(iter(self.of(case, name)), None)
                 for name in ("enrolled", "disclosure_delivered", "disclosure_acknowledged")}
        enrolled, acknowledged = first["enrolled"], first["disclosure_acknowledged"]
        head = [case_id] + self.day_and_position(self.of(case, "enrolled")[-1] if enrolled else None)
        head += [self.of(case, "enrolled")[-1]["payload"]["sale"]["channel"] if enrolled else ""]
        head += self.day_and_position(first["disclosure_delivered"]) + self.day_and_position(acknowledged)
        head += [acknowledged["payload"].get("document", "") if acknowledged else ""]
        service = self.of(case, "round_sent", "bureau_asked")
        tail = self.day_and_position(min(service, key=self.day_and_position, default=None))
        contracts = []
        for event in self.of(case, "consent_signed", "consent_cancelled"):
            if event["event"] == "consent_signed":
                contracts.append([event, None])
            elif contracts:
                contracts[-1][1] = event
        if not contracts:
            self.tables["papers"].compare(head + [""] * 12 + tail)
        for event, cancelled in contracts:
            p = event["payload"]
            self.tables["papers"].compare(
                head + self.day_and_position(event)
                + [p.get("document", ""), p["state"], yes(p["copies_given"]), yes(p["e_sign_consent"]),
                   amount(p["total_of_payments"]), currency_of(p["total_of_payments"]), p["cancel_through"],
                   p["service_from"]]
                + ([cancelled["payload"]["sent_on"], cancelled["position"]] if cancelled else ["", ""])
                + tail, event["position"])

    def letters(self, case_id, case):
        latest = {}
        for event in self.of(case, "letter_delivered", "client_information_sent"):
            p = event["payload"]
            latest[event["event"], p["round"], p["bureau"]] = event
        for event in self.of(case, "round_sent"):
            round_ = event["payload"]["round"]
            for letter in event["payload"]["letters"]:
                found = [latest.get((name, round_, letter["bureau"]))
                         for name in ("letter_delivered", "client_information_sent")]
                self.tables["rounds_and_letters"].compare(
                    [case_id, round_] + self.day_and_position(event)
                    + [letter["bureau"], letter["mail_class"], letter.get("tracking", ""), spaced(letter["items"]),
                       letter.get("document", ""), event["payload"]["contact"]["position"]]
                    + self.day_and_position(found[0]) + self.day_and_position(found[1]), event["position"])

    def responses(self, case_id, case):
        table, answers, status, since, reports, asked = self.tables["responses_and_clocks"], {}, {}, {}, {}, []
        letters, latest = [], {}
        for event in case:
            p, bureau, day = event["payload"], event["payload"].get("bureau"), event["occurred_on"]
            name, key = event["event"], (event["payload"].get("item"), bureau)
            if name == "item_listed":
                status[key] = "listed"
            elif name.startswith("item_") and key in status:
                status[key], since[key] = name[5:], (day, p.get("seen_by"))
            elif name == "report_imported":
                if bureau not in reports or reports[bureau][0] <= p["issued_on"]:
                    reports[bureau] = (p["issued_on"], p["free_annual"])
            elif name == "round_sent":
                for letter in p["letters"]:
                    free = reports.get(letter["bureau"], ("", False))[1]
                    letters.append((event, letter, free))
                    for item in letter["items"]:
                        if (item, letter["bureau"]) in status:
                            status[item, letter["bureau"]] = "in_dispute"
            elif name == "response_received":
                answers.setdefault((p["round"], bureau), []).append(event)
                for outcome in p["outcomes"]:
                    if outcome["outcome"] in ("frivolous", "no_answer") and (outcome["item"], bureau) in status:
                        status[outcome["item"], bureau] = outcome["outcome"]
            elif name in ("letter_delivered", "client_information_sent"):
                latest[name, p["round"], bureau] = day
            elif name == "bureau_asked":
                asked.append([event, ""])
            elif name == "bureau_answered":
                for open_ in asked:
                    if not open_[1] and [open_[0]["payload"][k] for k in ("ask", "bureau")] == [p["ask"], bureau]:
                        open_[1] = day
                        break
        for event, letter, free in letters:
            key = (event["payload"]["round"], letter["bureau"])
            found = answers.get(key, [])
            outcomes = [o for e in found for o in e["payload"]["outcomes"]]
            done = found and {o["item"] for o in outcomes} >= set(letter["items"]) and found[-1]["occurred_on"]
            tail = [done or "", spaced(e["position"] for e in found),
                    spaced("%s=%s" % (o["item"], o["outcome"]) for o in outcomes)]
            delivered = latest.get(("letter_delivered",) + key)
            by_post = letter["mail_class"] in ("first_class", "certified")
            start = delivered or plus_days(event["occurred_on"], self.bundle.transit_days if by_post else 0)
            told = latest.get(("client_information_sent",) + key)
            clock = "reinvestigation"
            if free:
                clock = "free_report_reinvestigation"
            elif told and told <= plus_days(start, 30) and (not found or told <= found[-1]["occurred_on"]):
                clock = "reinvestigation_extended"
            due = plus_days(start, 30 if clock == "reinvestigation" else 45)
            for clock, start, due in ((clock, start, due), ("results_notice", due, plus_business_days(due, 5))):
                table.compare([case_id, letter["bureau"], clock, CLOCKS[clock], key[0], "", start, yes(not delivered),
                               due] + tail, event["position"])
        for event, done in asked:
            ask, start = event["payload"]["ask"], event["occurred_on"]
            due = plus_days(start, 15) if ask == "procedure_description" else plus_business_days(start, 4)
            table.compare([case_id, event["payload"]["bureau"], ask, CLOCKS[ask], "", "", start, "no", due, done, "",
                           ""], event["position"])
        for (item, bureau), is_ in sorted(status.items()):
            if is_ == "reinserted":
                start, seen_by = since[item, bureau]
                table.compare([case_id, bureau, "reinsertion_notice", CLOCKS["reinsertion_notice"], "", item, start,
                               "yes", plus_business_days(start, 5), start if seen_by == "notice" else "", "", ""])

    def fees_of(self, case_id, case, account):
        payers = {case_id} | {event["payload"]["to"] for event in self.of(account, "payment_moved")}
        invoices = {}
        for payer in sorted(payers):
            events = account if payer == case_id else self.load(self.bundle.clients.get(payer, {}).get("account"))
            for event in self.of(events, "invoice_issued"):
                for line in event["payload"]["lines"]:
                    if line["case"] == case_id:
                        invoices[line["period"]] = event["payload"]["number"]
        settled, used = {}, {}
        by_position = {event["position"]: event for event in case}
        for event in self.of(case, "period_closed_without_fee", "fee_earned"):
            settled[event["payload"]["period"]] = event
            if event["event"] == "fee_earned":
                self.fees[case_id, event["payload"]["period"]] = event["payload"]["amount"]
                self.check_evidence(event, by_position, used)
        table, gates = self.tables["fees"], self.tables["fee_gates"]
        rows = self.rows_of(table, case_id)
        found = {row[1]: (row, at) for row, at in rows}
        periods = [row[1] for row, _ in rows]
        if len(found) != len(periods) or periods != sorted(periods, key=lambda p: int(p) if p.isdigit() else 0):
            self.findings.add(table.file, "periods of case %s do not rise" % case_id)
        for period, event in settled.items():
            if str(period) not in found:
                self.findings.add(table.file, "period %d of case %s is missing" % (period, case_id), None,
                                  event["position"])
        for period, (row, at) in found.items():
            event = settled.get(int(period)) if period.isdigit() else None
            end = table.row
            table.row = at
            table.hold(row, self.fee_row(case_id, row, event, invoices), event and event["position"])
            table.row = end
            status = row[4] if len(row) > 4 else ""
            closed = 0
            for gate in GATES:
                must_hold = "yes" if status in ("earned", "claimable") else ANY
                must_hold = "no" if status == "given_up" and gate == "G5" else must_hold
                fields = gates.next()
                if fields is None:
                    self.findings.add(gates.file, "a row is missing", gates.row + 1)
                    break
                gates.hold(fields, [case_id, period, gate, ANY, must_hold, ANY, ANY, ANY, ANY])
                closed += fields[4:5] == ["no"]
            if status == "held" and not closed:
                self.findings.add(gates.file, "a fee is held and every gate holds", gates.row)

    def rows_of(self, table, case_id):
        """The rows of a case, which stand together: peeks at the next and stops behind the last."""
        rows = []
        while table.lines is not None:
            fields = table.next()
            if fields is None or fields[0] != case_id:
                table.peeked = fields
                break
            rows.append((fields, table.row))
        return rows

    def fee_row(self, case_id, row, event, invoices):
        rest = [ANY] * 15
        if event is None:
            rest[8], rest[9] = "", ""
            rest[4] = row[4] if row[4:5] in (["claimable"], ["held"]) else "claimable or held"
            return [case_id] + rest[1:]
        p = event["payload"]
        if event["event"] == "period_closed_without_fee":
            return [case_id, p["period"], ANY, ANY, "given_up", ANY, ANY, ANY, event["occurred_on"],
                    event["position"]] + [ANY] * 5
        return [case_id, p["period"], p["start"], day_before(p["end"]), "earned", amount(p["amount"]),
                currency_of(p["amount"]), p["as_of"], event["occurred_on"], event["position"], p["account"],
                invoices.get(p["period"], ""),
                spaced("%s@%d" % (e["work"], e["event"]["position"]) for e in p["evidence"]),
                sum(e["late"] for e in p["evidence"]),
                spaced("%s@%d" % (pack["code"], pack["version"]) for pack in p["rules"])]

    def check_evidence(self, fee, by_position, used):
        name = "the fee of period %d" % fee["payload"]["period"]
        if not fee["payload"]["evidence"]:
            self.findings.add("events.jsonl", name + " names no work", None, fee["position"])
        for evidence in fee["payload"]["evidence"]:
            at = evidence["event"]["position"]
            event = by_position.get(at)
            wrong = None
            if event is None:
                wrong = "is no event of its case"
            elif at >= fee["position"]:
                wrong = "comes after it"
            elif event["event_id"] != evidence["event"]["id"] or event["event"] != WORK.get(evidence["work"]):
                wrong = "is not the work it says"
            elif event["occurred_on"] != evidence["on"] or ("late_days" in event) != evidence["late"]:
                wrong = "has another day than that event's"
            elif at in used:
                wrong = "evidences two pieces of work"
            used[at] = True
            if wrong:
                self.findings.add("events.jsonl", "%s rests on position %d, which %s" % (name, at, wrong), None,
                                  fee["position"])

    def access(self):
        for position, on, actor, cases, what in self.bundle.looks:
            for case in cases or [""]:
                self.tables["access"].compare([position, on, actor, case, what], position)

    def looked_at(self, client, looks):
        for event in self.of(looks, "client_looked_at"):
            what = event["payload"]["kind"] + " " + event["payload"]["what"]
            self.tables["access"].compare([event["position"], event["occurred_on"], event["actor"], client, what],
                                          event["position"])

    def exposures(self, client, case, account):
        table = self.tables["exposures"]
        for event in self.of(case, "exposure_found"):
            p = event["payload"]
            table.compare([event["position"], event["occurred_on"], client, "", p["kind"], p["cites"],
                           p.get("period", ""), "", amount(p.get("amount")), currency_of(p.get("amount")), ANY],
                          event["position"])
        for event in self.of(account, "unearned_payment_found"):
            p = event["payload"]
            table.compare([event["position"], event["occurred_on"], client, client, "payment_unearned", p["cites"],
                           "", p["payment"], amount(p["amount"]), currency_of(p["amount"]), ""], event["position"])

    def money(self, account_id, account):
        invoices, payments, backs = {}, {}, {}

        def take_back(name, sum_):
            payment = payments[name]
            unearned = min(sum_, payment["unearned"])
            payment["unearned"] -= unearned
            left, parts = sum_ - unearned, []
            for number, applied in payment["applied"]:
                if number in invoices:
                    parts.append((invoices[number], min(left, applied, invoices[number]["paid"])))
                    left -= parts[-1][1]
            return unearned, parts

        for event in account:
            p, name = event["payload"], event["event"]
            row = self.payment_row(account_id, event)
            if row:
                self.tables["payments"].compare(row, event["position"])
            if name == "invoice_issued":
                invoices[p["number"]] = {"event": event, "paid": 0, "credited": 0, "written_off": 0, "back": 0}
                if minor(p["total"]) != sum(minor(line["amount"]) for line in p["lines"]):
                    self.findings.add("events.jsonl", "invoice %d is not the sum of its lines" % p["number"], None,
                                      event["position"])
                self.lines += [(event["position"], p["number"], line) for line in p["lines"]]
            elif name == "payment_settled":
                applied = [(a["invoice"], minor(a["amount"])) for a in p["applied"]]
                if minor(p["amount"]) != sum(part for _, part in applied) + minor(p["unearned"]):
                    self.findings.add("events.jsonl", "the payment is not what it pays and what is unearned", None,
                                      event["position"])
                payments[p["payment"]] = {"applied": applied, "unearned": minor(p["unearned"])}
                for number, part in applied:
                    if number in invoices:
                        invoices[number]["paid"] += part
            elif name in ("refund_issued", "chargeback_opened") and p["payment"] in payments:
                into = "credited" if name == "refund_issued" else "back"
                unearned, parts = take_back(p["payment"], minor(p["amount"]))
                for invoice, part in parts:
                    invoice["paid"] -= part
                    invoice[into] += part
                if name == "chargeback_opened":
                    backs[p["chargeback"]] = (p["payment"], unearned, parts)
            elif name == "chargeback_won" and p["chargeback"] in backs:
                payment, unearned, parts = backs[p["chargeback"]]
                for invoice, part in parts:
                    settled = invoice["paid"] + invoice["credited"] + invoice["written_off"]
                    due = min(part, minor(invoice["event"]["payload"]["total"]) - settled)
                    recovered = min(part - due, invoice["written_off"])
                    invoice["back"] -= part
                    invoice["paid"] += due + recovered
                    invoice["written_off"] -= recovered
                    unearned += part - due - recovered
                payments[payment]["unearned"] += unearned
            elif name in ("credit_granted", "written_off") and p["invoice"] in invoices:
                invoices[p["invoice"]]["credited" if name == "credit_granted" else name] += minor(p["amount"])
        for number in sorted(invoices):
            self.invoice(account_id, number, invoices[number])

    def invoice(self, account_id, number, invoice):
        event, p = invoice["event"], invoice["event"]["payload"]
        currency = p["total"]["currency"]
        settled = [invoice["paid"], invoice["credited"], invoice["written_off"]]
        balance = minor(p["total"]) - sum(settled)
        if balance > 0:
            status = "partly_paid" if settled[0] > 0 else "open"
        else:
            status = "written_off" if settled[0] == 0 and settled[2] > 0 else "paid"
        self.tables["invoices"].compare(
            [number, event["occurred_on"], p["due_on"], account_id, amount(p["total"]), currency]
            + [decimal(part, currency) for part in settled + [balance]] + [status, event["position"]],
            event["position"])
        for line_id, line in enumerate(p["lines"], 1):
            self.tables["invoice_lines"].compare(
                [number, line_id, line["case"], line["period"], line["start"], day_before(line["end"]),
                 amount(line["amount"]), currency_of(line["amount"])], event["position"])

    @staticmethod
    def payment_row(account_id, event):
        p, name = event["payload"], event["event"]
        ids = {"payment_settled": "payment", "refund_issued": "refund", "chargeback_opened": "chargeback",
               "chargeback_won": "chargeback", "chargeback_lost": "chargeback", "charge_requested": None,
               "payment_failed": None, "credit_granted": None, "written_off": None}
        if name not in ids:
            return None
        applied = spaced("%d@%s" % (a["invoice"], amount(a["amount"])) for a in p.get("applied", ()))
        return [event["position"], event["occurred_on"], name, account_id, p[ids[name]] if ids[name] else "",
                p["payment"] if name in ("refund_issued", "chargeback_opened") else "", p.get("invoice", ""),
                amount(p.get("amount")), currency_of(p.get("amount")), applied, amount(p.get("unearned")),
                p.get("attempt", ""), p["reason"] if name == "payment_failed" else "",
                p.get("next_try_on", p.get("respond_by", ""))]

    def check_lines(self):
        is_all = self.bundle.manifest["request"]["kind"] == "all"
        billed = set()
        for position, number, line in self.lines:
            key = (line["case"], line["period"])
            fee = self.fees.get(key)
            if fee is None and not is_all and "case" not in self.bundle.clients.get(line["case"], {}):
                continue
            if fee != line["amount"] or key in billed:
                self.findings.add("events.jsonl", "a line of invoice %d has no earned fee of its own behind it" % number,
                                  None, position)
            billed.add(key)


# ---- The command line -------------------------------------------------------------------------------------

def verify(path, public_keys=None, earlier=None, not_before=None):
    """Examines an archive: (findings, bundle). `public_keys` has verifier keys, one a line; `earlier` is a note."""
    keys = [parse_key(line.strip()) for line in (public_keys or "").split("\n") if line.strip()]
    if None in keys or (public_keys is not None and not keys):
        raise ValueError("the public keys given are not verifier keys")
    try:
        bundle = Bundle(path, keys, earlier, not_before)
    except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
        findings = Findings()
        findings.add("the archive", "it is not a zip file that can be read: %s" % error)
        return findings, None
    try:
        bundle.examine()
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError) as error:
        bundle.findings.add("the archive", "a file of it cannot be read: %s" % error)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        bundle.findings.add("the bundle", "it is not of this format: a %s stopped the examination" % type(error).__name__)
    finally:
        bundle.close()
    return bundle.findings, bundle


def main():
    parser = argparse.ArgumentParser(description="Checks a bundle of the format %s." % FORMAT)
    parser.add_argument("bundle", help="the archive")
    parser.add_argument("--public-key", metavar="FILE", help="the firm's keys, one a line, from elsewhere than the bundle")
    parser.add_argument("--checkpoint", metavar="FILE", help="an earlier checkpoint of the same log")
    parser.add_argument("--not-before", metavar="SIZE", type=int, help="the log had at least so many events")
    arguments = parser.parse_args()

    def text(path):
        if path is None:
            return None
        with open(path, encoding="utf-8") as file:
            return file.read()
    try:
        findings, bundle = verify(arguments.bundle, text(arguments.public_key), text(arguments.checkpoint),
                                  arguments.not_before)
    except (OSError, ValueError) as error:
        parser.error(str(error))
    for finding in findings:
        print(finding)
    if findings.left_out:
        print("and %d more" % findings.left_out)
    if findings:
        print("\nNOT SOUND: %d findings." % (len(findings) + findings.left_out))
        return 1
    print("Sound: %d events of a log of %d, root %s." % (bundle.events, bundle.checkpoint[1],
                                                        bundle.checkpoint[2].hex()))
    print("Signed by %s+%s." % (bundle.key[0], bundle.key[1].hex()))
    if arguments.public_key is None:
        print("CAUTION: that key came with the bundle. Compare it with one got elsewhere.")
    if bundle.manifest["request"]["kind"] != "all":
        print("A part of a log: that each stream ends here is the firm's statement (FORMAT.md, What is complete).")
    if bundle.consistency == "proved":
        print("The log begins with what it held at the earlier checkpoint.")
    elif bundle.consistency == "cannot say":
        print("A part of a log cannot show that it extends the earlier checkpoint.")
    print("Texts of gates, clocks' days and reports are as the firm signed them; counterfoil verify makes them again.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
