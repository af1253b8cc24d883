#!/usr/bin/env python3
"""Checks a bundle of the format counterfoil.example/bundle/4, described in FORMAT.md beside this file.

    python3 -I verify.py BUNDLE.zip [--public-key FILE] [--checkpoint FILE] [--not-before SIZE]

Needs Python 3.8 or later and nothing else; signatures go faster where the package `cryptography` is
installed. It was written from FORMAT.md, not from the software that writes bundles. With -I Python
takes nothing beside this file for a part of itself. Exit status: 0 nothing is wrong, 1 something is
(named by file, row and position), 2 the command line makes no sense.
"""

import sys

if __name__ == "__main__" and not sys.flags.isolated and not getattr(sys.flags, "safe_path", False):
    # Python puts the folder of this file first on its path: a json.py beside it would be run instead of its own.
    del sys.path[0]

import argparse
import base64
import functools
import hashlib
import io
import json
import os
import re
import struct
import tempfile
import zipfile
import zlib
from datetime import date, datetime, timedelta, timezone

FORMAT, FORMAT_3, FORMAT_2, FORMAT_1 = ("counterfoil.example/bundle/%d" % number for number in (4, 3, 2, 1))
EVENT_BYTES_MAX, EVENTS_MAX, FINDINGS_MAX, OPENINGS_MAX, CASES_MAX = 65_535, 100_000_000, 1_000, 100_000, 1_000
INTEGER_MAX = 2**53 - 1
# What is held in memory at once: a row of a table, a small file, a manifest, the list of files.
ROW_BYTES_MAX, SMALL_BYTES_MAX, MANIFEST_BYTES_MAX, LIST_BYTES_MAX = 1 << 20, 1 << 20, 1 << 26, 1 << 26
IDS_AT_ONCE, CAUSES_MAX = 500_000, 100_000
WORK_MAX = 16
NOTE_BYTES_MAX, SIGNATURES_MAX, EXTENSION_LINES_MAX = 65_536, 64, 16
# Bytes of a client's events that are held at once; a line above the second counts without personal values.
HELD_BYTES_MAX, LONG_BYTES = 1 << 24, 4_096
FIRST = ("README.txt", "FORMAT.md", "manifest.json", "manifest.note")
FRONT = FIRST + ("verify.py", "data-dictionary.csv", "checkpoint.txt", "public-key.txt", "events.jsonl")
OF_PART = ("proofs/subtrees.txt", "proofs/streams.txt", "proofs/gaps.txt")
UUID = "[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"

COLUMNS = {
    "access": "Position Occurred_On Entered_By Case_ID What",
    "exposures": "Position Found_On Case_ID Customer_Account_ID Kind Citation Period Payment_ID Amount "
                 "Amount_Currency Stands",
    "fee_gates": "Case_ID Period Gate Asks Answer Finding Citation Evidence_Positions Not_Before",
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


def printable(text):
    """The text with everything escaped that a terminal might obey or show in another order."""
    return "".join(c if " " <= c <= "~" else "\\u{%x}" % ord(c) for c in text)


class Findings(list):
    """What does not agree."""
    left_out = 0

    def add(self, file, what, row=None, position=None):
        if len(self) >= FINDINGS_MAX:
            self.left_out += 1
            return
        text = file + ("" if row is None else ", row %d" % row)
        self.append(printable(text + ("" if position is None else ", position %d" % position) + ": " + what))


class Damaged(ValueError):
    """A file of the archive does not unpack to what is listed."""


# ---- The archive, APPNOTE.TXT 6.3.10 ----------------------------------------------------------------------

WIDE, MANY, FILES_MAX, NAME_BYTES_MAX = 0xFFFFFFFF, 0xFFFF, 10_000_000, 200


def le(bytes_, number):
    return number.to_bytes(bytes_, "little")


def at(data, place, bytes_):
    return int.from_bytes(data[place:place + bytes_], "little")


class Entry:
    """A file of the archive, as the list has it."""
    __slots__ = ("name", "is_packed", "crc", "packed", "bytes", "data")

    def __init__(self, name, is_packed, crc, packed, bytes_, data=0):
        self.name, self.is_packed, self.crc = name, is_packed, crc
        self.packed, self.bytes, self.data = packed, bytes_, data

    def is_wide(self):
        return max(self.packed, self.bytes) >= WIDE

    def version(self):
        return 45 if self.is_wide() else 20 if self.is_packed else 10

    def shared(self):
        sizes = (WIDE, WIDE) if self.is_wide() else (self.packed, self.bytes)
        return (le(2, self.version()) + le(2, 0) + le(2, 8 if self.is_packed else 0) + le(2, 0) + le(2, 0x21)
                + le(4, self.crc) + le(4, sizes[0]) + le(4, sizes[1]) + le(2, len(self.name)))

    def extra(self, offset=0):
        numbers = [self.bytes, self.packed] * self.is_wide() + [offset] * (offset >= WIDE)
        return le(2, 1) + le(2, 8 * len(numbers)) + b"".join(le(8, n) for n in numbers) if numbers else b""

    def local(self):
        extra = self.extra()
        return b"PK\x03\x04" + self.shared() + le(2, len(extra)) + self.name.encode() + extra

    def central(self, offset):
        extra = self.extra(offset)
        return (b"PK\x01\x02" + le(2, 0x0300 + self.version()) + self.shared() + le(2, len(extra)) + le(6, 0)
                + le(4, 0x81A40000) + le(4, min(offset, WIDE)) + self.name.encode() + extra)


def end_records(files, offset, length, version):
    is_wide = files > MANY or max(offset, length) > WIDE
    wide = b""
    if is_wide:
        wide = (b"PK\x06\x06" + le(8, 44) + le(2, version) * 2 + le(8, 0) + le(8, files) * 2 + le(8, length)
                + le(8, offset) + b"PK\x06\x07" + le(4, 0) + le(8, offset + length) + le(4, 1))
    return (wide + b"PK\x05\x06" + le(4, 0) + le(2, min(files, MANY)) * 2 + le(4, WIDE if is_wide else length)
            + le(4, min(offset, WIDE)) + le(2, 0))


def read_layout(file):
    """The entries of an archive of the one layout; a ValueError that says what is not laid out so."""
    length = file.seek(0, os.SEEK_END)
    file.seek(max(0, length - 98))
    tail = file.read()
    last = tail[-22:]
    files, size, offset, version = at(last, 10, 2), at(last, 12, 4), at(last, 16, 4), 0
    if size == WIDE and len(tail) == 98:
        files, size, offset, version = at(tail, 32, 8), at(tail, 40, 8), at(tail, 48, 8), at(tail, 12, 2)
    end = end_records(files, offset, size, version)
    if offset + size + len(end) != length:
        raise ValueError("its parts do not make its length: something stands before, between or behind them")
    if tail[-len(end):] != end:
        raise ValueError("its last record is not laid out as the format has it")
    if files > FILES_MAX or size > LIST_BYTES_MAX:
        raise ValueError("its list of files is longer than this program reads")
    file.seek(offset)
    listed, place, begin, entries = file.read(size), 0, 0, []
    for _ in range(files):
        header = listed[place:place + 46]
        name = listed[place + 46:place + 46 + at(header, 28, 2)]
        if len(header) < 46 or len(name) > NAME_BYTES_MAX or not re.fullmatch(rb"[A-Za-z0-9._/-]+", name):
            raise ValueError("it lists a file of a name that the format does not have, or its list ends too early")
        packed, bytes_, stated = at(header, 20, 4), at(header, 24, 4), at(header, 42, 4)
        wide = place + 46 + len(name) + 4
        if packed == bytes_ == WIDE:
            bytes_, packed, wide = at(listed, wide, 8), at(listed, wide + 8, 8), wide + 16
        if stated == WIDE:
            stated = at(listed, wide, 8)
        name = name.decode()
        entry = Entry(name, not name.startswith("evidence/"), at(header, 16, 4), packed, bytes_)
        central = entry.central(stated)
        if listed[place:place + len(central)] != central:
            raise ValueError(name + ": its entry is not laid out as the format has it")
        if stated != begin:
            raise ValueError(name + ": it does not begin where the file before it ends")
        if bytes_ > 200 * packed + (1 << 20):
            raise ValueError(name + ": it says to unpack to more than the format lets its packed bytes stand for")
        if not entry.is_packed and bytes_ != packed:
            raise ValueError(name + ": it is stored in another length")
        entry.data = begin + len(entry.local())
        place, begin = place + len(central), entry.data + packed
        entries.append(entry)
    if place != size or begin != offset:
        raise ValueError("its list of files is not of all that stands before it")
    if end[:4] == b"PK\x06\x06" and version != max(entry.version() for entry in entries):
        raise ValueError("its last record names another version than its files need")
    order = [(FIRST.index(e.name) if e.name in FIRST else len(FIRST), e.name) for e in entries]
    for before, after in zip(order, order[1:]):
        if before >= after:
            raise ValueError(after[1] + ": it is not in its place in the archive")
    for entry in entries:
        local = entry.local()
        file.seek(entry.data - len(local))
        if file.read(len(local)) != local:
            raise ValueError(entry.name + ": its header is not laid out as the format has it, or says other things "
                                          "than the list")
    return entries


def read_loosely(file):
    """The entries of any zip file: bundles of the first version have no one layout."""
    entries = []
    with zipfile.ZipFile(file) as archive:
        for info in archive.infolist():
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or info.flag_bits & 0x41:
                raise ValueError("a file of it is encrypted, or packed in a way that the format does not have")
            file.seek(info.header_offset)
            local = file.read(30)
            if local[:4] != b"PK\x03\x04":
                raise ValueError("a file of it has no header")
            data = info.header_offset + 30 + at(local, 26, 2) + at(local, 28, 2)
            entries.append(Entry(info.filename, info.compress_type == zipfile.ZIP_DEFLATED, info.CRC,
                                 info.compress_size, info.file_size, data))
    return entries


class Unpacked(io.RawIOBase):
    """The bytes of a file: exactly as many as are listed, of the checksum listed, from as many packed as listed."""
    def __init__(self, path, entry):
        super().__init__()
        self.file, self.packed, self.left, self.crc, self.entry = open(path, "rb"), entry.packed, entry.bytes, 0, entry
        self.file.seek(entry.data)
        self.inflate = zlib.decompressobj(-15) if entry.is_packed else None

    def readable(self):
        return True

    def close(self):
        self.file.close()
        super().close()

    def readinto(self, into):
        made = b""
        while not made:
            if self.inflate is None:
                made = self.file.read(min(len(into), self.packed))
                self.packed -= len(made)
                break
            if self.inflate.eof:
                break
            source = self.inflate.unconsumed_tail or self.file.read(min(1 << 16, self.packed))
            if not self.inflate.unconsumed_tail:
                self.packed -= len(source)
            try:
                made = self.inflate.decompress(source, len(into))
            except zlib.error:
                raise Damaged("its packed bytes are not deflated")
            if not source and not made and not self.inflate.eof:
                raise Damaged("its packed bytes end too early")
        self.left -= len(made)
        if self.left < 0:
            raise Damaged("it unpacks to more bytes than are listed")
        self.crc = zlib.crc32(made, self.crc)
        if not made:
            if self.left or self.packed or self.inflate is not None and self.inflate.unused_data:
                raise Damaged("its bytes, packed or not, are not as many as are listed")
            if self.crc != self.entry.crc:
                raise Damaged("its checksum is not the one that is listed")
        into[:len(made)] = made
        return len(made)


class Archive:
    """An archive, read file by file."""
    def __init__(self, path):
        self.path, self.fault = path, None
        with open(path, "rb") as file:
            try:
                entries = read_layout(file)
            except (ValueError, OverflowError) as fault:
                self.fault = str(fault)
                entries = read_loosely(file)
        self.entries = {entry.name: entry for entry in entries}
        self.repeats_names = len(self.entries) != len(entries)
        self.names = set(self.entries)

    def open(self, name):
        return io.BufferedReader(Unpacked(self.path, self.entries[name]), 1 << 16)

    def read(self, name, most=SMALL_BYTES_MAX):
        """A small file, whole."""
        with self.open(name) as file:
            data = file.read(most + 1)
        if len(data) > most:
            raise Damaged("it is longer than the format or this program lets it be")
        return data


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


def is_strong(encoded):
    """A point in its one spelling, and not of one of the low orders for which anybody signs."""
    point = _point(encoded)
    if point is None:
        return False
    for _ in range(3):
        point = _add(point, point)
    return (point[0] % P, (point[1] - point[2]) % P) != (0, 0)


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
    """The same, with the library `cryptography` where it is, and with no key and no first half of low order."""
    if len(key) != 32 or len(signature) != 64 or not is_strong(key) or not is_strong(signature[:32]):
        return False
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


class Given:
    """A key that the user got elsewhere than from the bundle, with the sizes that it signed as far as they are known."""
    def __init__(self, text):
        parts = text.split(" ")
        self.key, self.first, self.last = parse_key(parts[-1]), None, None
        self.is_sized = len(parts) == 3
        if not self.is_sized and len(parts) != 1 or not all(re.fullmatch("-|[0-9]{1,18}", p) for p in parts[:-1]):
            self.key = None
        elif self.is_sized:
            self.first, self.last = (None if part == "-" else int(part) for part in parts[:2])

    def covers(self, size):
        return (self.first is None or self.first <= size) and (self.last is None or size <= self.last)


def key_text(key):
    return "%s+%s+%s" % (key[0], key[1].hex(), base64.b64encode(b"\x01" + key[2]).decode())


def is_key_name(text):
    """C2SP signed-note: a name is not empty and has no space and no plus. Here it has at most 255 bytes."""
    return bool(text) and not re.search("[\\s+\0-\x1f\x7f-\x9f]", text) and len(text.encode(errors="replace")) <= 255


def parse_key(text):
    """(name, id, key) of a verifier key, or None."""
    parts = text.split("+", 2)
    if len(parts) != 3 or not is_key_name(parts[0]):
        return None
    typed = unbase64(parts[2])
    if typed is None or len(typed) != 33 or typed[0] != 1 or not is_strong(typed[1:]):
        return None
    key_id = sha256(parts[0].encode() + b"\n" + typed)[:4]
    return (parts[0], key_id, typed[1:]) if key_id.hex() == parts[1] else None


def parse_note(note):
    """(text, [(name, id, signature)]) of a signed note, or None."""
    if len(note.encode(errors="replace")) > NOTE_BYTES_MAX:
        return None
    text, blank, lines = note.rpartition("\n\n")
    if not blank or not lines.endswith("\n") or re.search("[\x00-\x09\x0b-\x1f]", note):
        return None
    signatures = []
    for line in lines[:-1].split("\n"):
        parts = line.split(" ")
        data = unbase64(parts[2]) if len(parts) == 3 and parts[0] == "\u2014" else None
        if data is None or len(data) < 5 or not is_key_name(parts[1]):
            return None
        signatures.append((parts[1], data[:4], data[4:]))
    return (text + "\n", signatures) if len(signatures) <= SIGNATURES_MAX else None


def signers(note, *keys):
    """The keys that signed: none if one of them did so wrongly."""
    signed = []
    for name, key_id, data in note[1]:
        named = [key for key in keys if (name, key_id) == key[:2]]
        if named:
            signed.append(next((key for key in named if ed25519_holds(key[2], note[0].encode(), data)), None))
    return [] if None in signed else signed


def is_signed(note, *keys):
    """At least one signature is of a key, and each that says so holds."""
    return bool(signers(note, *keys))


def parse_checkpoint(text):
    """(origin, size, root) or None."""
    lines = text.split("\n")
    if not 4 <= len(lines) <= 4 + EXTENSION_LINES_MAX or "" in lines[:-1] or lines[-1]:
        return None
    if not is_key_name(lines[0]) or not re.fullmatch("0|[1-9][0-9]{0,18}", lines[1]) or int(lines[1]) >= 2**63:
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


# ---- Events, FORMAT.md "Payloads" -------------------------------------------------------------------------

PAYLOADS = """\
case enrolled billing:Rule birth_date:personal contact:Contact plan:code plan_version:u32 sale:Sale seat:Seat ssn_last4?:personal zone:zone
case disclosure_delivered document?:hash
case disclosure_acknowledged document?:hash
case consent_signed activity?:{state} cancel_through:day copies_given:flag document?:hash e_sign_consent:flag items?:{ContractItem} languages?:Languages plan?:PlanSigned promised?:[PromisedResult] rules:Rules service_from:day state:state terms:Terms total_of_payments:money
case consent_cancelled reason?:personal sent_on:day
case identity_paper_received document?:hash kind:PaperKind paper:code
case identity_paper_accepted paper:code
case identity_paper_rejected paper:code reason:personal
case report_source_connected source:text
case report_identity_failed source:text
case report_imported bureau:code card_balance?:money card_limit?:money completes_before?:flag document?:hash free_annual:flag inquiries:u16 issued_on:day items?:[ItemSeen] listings:u32 score?:Score
case item_listed balance?:money bureau:code delinquent_since?:day furnisher:text item:code kind:ItemKind
case basis_attested basis:Basis bureau:code item:code statement?:personal
case work_opened
case round_sent completes_before?:flag contact:EventRef letters:[Letter] round:u32
case letter_delivered bureau:code round:u32
case client_information_sent bureau:code document?:hash round:u32
case response_received bureau:code determined_on?:day document?:hash outcomes:[ItemOutcome] round:u32
case item_deleted bureau:code item:code seen_by:SeenBy
case item_corrected bureau:code item:code seen_by:SeenBy
case item_verified bureau:code item:code
case item_reinserted bureau:code item:code seen_by:SeenBy
case bureau_asked ask:Ask bureau:code
case bureau_answered ask:Ask bureau:code refused?:BlockRefused
case progress_report_sent completes_before?:flag document?:hash
case contact_changed contact:Contact
case billing_day_changed billing:Rule
case circumstance_changed amount?:money charge_on?:day document?:hash holds:flag kind:Circumstance least?:money who?:personal
case message_logged complaint:flag direction:Direction text:personal
case service_paused reason:personal
case service_resumed
case service_ended by:EndedBy reason?:personal
case period_closed_without_fee end?:day period:u32 reason:personal start?:day
case results_found agreement:EventRef document?:hash found:[FoundResult] found_by:personal reason:personal
case fee_earned account:id agreement?:EventRef amount:money as_of:day earned_on?:day end:day evidence:[WorkEvidence] period:u32 plan?:code rules:[PackRef] start:day
case fee_held end?:day gates:{Gate} period:u32 start?:day
case fee_kept amount:money counsel:text document?:hash exposed:money fee:EventRef gates:{Gate} reason:personal
case fee_marked account:id asked_on:day exposed:money exposed_before:money fee:EventRef gates:{Gate} given_back:money given_back_before?:money invoice?:u64 kept?:money kept_before?:money lost?:Loss lost_before?:Loss open:money open_before:money owed:money owed_before:money plan?:code returned?:money returned_before?:money standing:FeeStanding
case exposure_found amount?:money cites:text kind:ExposureKind period?:u32
case correction_noted corrects:u64 moved?:flag note:personal
case fact_corrected about_another?:flag fact:EventRef kind:FactKind order_of?:id reading?:Reading reason:personal replaces:EventRef said_by:personal
case legal_hold_placed matter:text
case legal_hold_lifted matter:text
case client_erased basis:ErasureBasis
account account_opened owner:id
account card_on_file_changed card:Card same?:flag
account link_suggested matches:{Match} member:id
account link_refused member:id
account member_linked by:LinkedBy matches:{Match} member:id
account member_unlinked member:id
account payment_moved to:id
account payment_moved_back
account invoice_issued due_on:day lines:[InvoiceLine] number:u64 total:money
account charge_requested amount:money attempt:u32 invoice:u64
account payment_settled amount:money applied:[Applied] lines?:[LinePart] meant?:u64 payment:code unearned:money
account payment_failed attempt:u32 invoice:u64 next_try_on?:day reason:FailureReason
account refund_failed number:u32 reason:RefundFailureReason
account refund_issued amount:money lines?:[LinePart] owed?:[LinePart] payment:code reason?:personal refund:code request?:u32
account refund_requested amount:money lines?:[LinePart] number:u32 payment:code reason:personal
account chargeback_opened amount:money chargeback:code lines?:[LinePart] payment:code respond_by?:day
account chargeback_won chargeback:code whole?:flag
account chargeback_lost chargeback:code
account credit_granted amount:money invoice:u64 lines?:[LinePart] reason:personal
account written_off amount:money invoice:u64 lines?:[LinePart] reason:personal
account unearned_payment_found amount:money cites:text payment:code
account money_deposited deposit:id movements:[Movement]
account money_undeposited deposit:id movements:[Movement]
account money_corrected again?:id fact:EventRef kind:MoneyFact reason:personal said_by:personal
account lines_shared invoice:u64 lines:[LineShare]
account money_restated beyond:money edition?:u32 invoices:[InvoiceRestated] payments:[PaymentRestated]
deposit statement_line_seen amount:money bank:code line:hash references:[code] return_reason?:code value_on?:day
deposit payout_reported costs:money gross:money lines:u32 net:money payout:code
deposit payout_lines_reported lines:[PayoutLine]
deposit deposit_matched costs:money count:u32 gross:money joined:[id] net:money payout?:id policy?:id rule:MatchRule
deposit match_joined amount:money to:id
deposit match_reversed reverses:id
deposit match_left reverses:id
deposit match_refused joined:[id] movements:[Movement] payout?:id
deposit line_booked amount:money note?:text purpose:Purpose
deposit booking_reversed reverses:id
deposit line_taken_back amount:money reason?:text reverses:id
deposit payout_taken_back reason?:text reverses:id
deposit statement_seen bank:code closing:money file:hash from:day lines:u32 opening:money part:u32 source:StatementSource
deposit statement_lines_listed lines:[StatementLine]
deposit statement_taken_back reason?:text reverses:id
firm firm_registered currency:currency invoice_due_days:u16 name:text transit_days:u16 zone:zone
firm plan_published plan:Plan
firm pack_adopted pack:RulePack
firm pack_confirmed code:code counsel:text document?:hash hash:hash version:u32
firm pack_used_at_own_risk code:code reason:text version:u32
firm bureau_registered address:text bureau:code name:text
firm standing_recorded amount?:money document?:hash kind:StandingKind state:state valid_from:day valid_through:day
firm standing_ended document?:hash kind:StandingKind last_day:day reason:StandingEndReason state:state valid_from:day
firm security_event_recorded consumers:u32 discovered_on:day document?:hash name:text notified_on?:day
firm fees_reviewed edition:u32 marked:u32 through:u64
firm access_granted access:id bounds?:AccessBounds expires_on?:day label:text scopes:{Scope} token_hash:hash
firm access_revoked access:id
firm access_used access?:id cases:{id} kind:LookKind what:text
firm chart_revised accounts:[ChartAccount]
firm bank_account_declared bank:code closed_on?:day last_four?:text ledger_account?:code name:text opening:money
firm bank_account_taken_back bank:code declared:EventRef opening:money
firm close_accepted amount:money count:u64 items:hash reason:text rule:CloseRule through:day
firm close_acceptance_withdrawn acceptance:EventRef reason:text rule:CloseRule through:day
firm period_locked accepted?:[EventRef] checked_at:u64 first_open?:flag through:day
firm match_policy_set automatic:AutomaticMatches
firm firm_corrected again?:flag fact:EventRef kind:FirmFact reason:text said_by:text
looks client_looked_at access?:id kind:LookKind what:text
part AccessBounds cases:{id} from?:day through?:day
part Address city:personal line1:personal line2?:personal state:state zip:personal
part Applied amount:money invoice:u64
part BlockRefused determined_on:day how:BlockRefusal is_notice:flag reason?:BlockRefusedFor
part Bond amount:money cites:text when?:BondWhen
part CancelAnyTime cites:text notice_days?:u16
part Cancellation anchor?:Anchor calendar:Calendar cites:text closed_days?:{day} days:u16 form?:text
part Card expires:text last4:personal token:personal
part ChartAccount account:BookAccount accountant_code?:code name:text number:code
part Contact address:Address email:personal name:personal phone:personal
part ContractItems cites:text items:{ContractItem}
part DaysAfter calendar?:Calendar cites:text days:u16
part DisputeConsent after_removal_days?:u16 cites:text identifiers_cut?:flag rule:ConsentRule
part Duty cites:text
part EarlyFee cites:text plan_months?:u16 rule:EarlyFeeRule
part EventRef id:id position:u64
part Exempt cites:text kinds:{ExemptKind} only?:text
part FeeCap cites:text most:money of:FeeKind per_creditor?:money
part FoundResult bureau:code item:code promise?:u32 report_on:day
part InvoiceLine amount:money case:id end:day period:u32 start:day
part ItemOutcome item:code outcome:Outcome
part ItemSeen balance?:money delinquent_since?:day furnisher:text item:code kind:ItemKind
part Keep cites:text from:KeepFrom what:KeepWhat years:u16
part Language cites:text rule:LanguageRule
part Languages agreement?:code negotiation?:code notice?:code
part Letter bureau:code document?:hash items:[code] mail_class:MailClass tracking?:code
part LinePart amount:money exposed?:money invoice:u64 line:u32
part InvoiceRestated invoice:u64 lines:[LineShare]
part PaymentRestated payment:code unearned:money
part KeptSince amount:money at:u64 on:day
part LineShare credited:money exposed?:money kept?:[KeptSince] lost?:money paid:money unproved?:money written_off:money
part ListingCorrected balance:money bureau:code item:code
part ListingDeleted bureau:code item:code
part Loss bad_debt:money charged_back:money
part Movement kind:MovementKind name:code
part PackRef code:code version:u32
part PayoutLine amount:money movement:Movement
part PerformWithin cites:text days:u16 unless_ongoing?:flag
part Performance cites:text reading:FullyPerformed
part Plan code:code couple?:Prices first_work:[Work] grace_days?:u16 individual:Prices monthly_work:[Work] name:text periods:u32 version:u32
part PlanSigned code:code version:u32
part Prices first_fee:money monthly_fee:money
part PromisedResult showing?:Showing words:personal
part Reach cites:text limbs:{Limb}
part Registration approval_days?:u16 bars?:{Barred} cites:text ends_on?:YearDay kind?:RegistrationKind term_years?:u16 update_days?:u16 with?:text
part Remedy cites:text paid_times?:u16 says:text wilful_adds?:u16
part RulePack advertising?:Shown agent?:Duty bond?:Bond cancel_any_time?:CancelAnyTime cancellation?:Cancellation code:code confirmed_by_counsel:flag contract_items?:ContractItems dispute_consent?:DisputeConsent early_fee?:EarlyFee estimate_cap?:DaysAfter exempt?:Exempt fee_caps?:[FeeCap] in_force_from:day in_force_through?:day keep?:[Keep] language?:Language monthly_statement?:StatementDuty note:text nothing_is_added?:flag perform_within?:PerformWithin performance?:Performance prohibited?:Duty questions?:[text] reach?:Reach read?:{Dimension} refund_within?:DaysAfter registration?:Registration remedy?:Remedy security?:[Security] sources?:[Source] state?:state statement?:StateStatement telemarketing?:Telemarketing text_read_on?:day version:u32
part Rules bond?:Bond cancellation:Cancellation monthly_statement?:StatementDuty packs:[PackRef] perform_within?:PerformWithin performance:Performance prohibited?:Duty registration?:Registration telemarketing:Telemarketing
part Sale channel:Channel evidence?:hash promised_days:u16
part Score model:text value:u16
part ScoreRaised at_least:u16 bureau:code model:text
part Security adjusted_by_day?:u16 all_of?:flag amount:SecurityAmount cites:text filed_with?:text kinds:{StandingKind} per_location?:flag tail_years?:u16 when:BondWhen
part SecurityAmount least:money most?:money of?:AmountOf per_cent?:u32 step?:money
part Showing corrected?:ListingCorrected deleted?:ListingDeleted deletions?:u32 score?:ScoreRaised
part Shown cites:text says:text
part Source dimensions:{Dimension} edition:text source:text
part StateStatement cites:text own_text?:flag separate?:flag signed?:flag
part StatementDuty cites:text contents?:{StatementContent} within_days?:u16
part StatementLine amount:money booked_on:day line:id
part Telemarketing cites:text exempt:{Channel}
part Terms first_work:[Work] grace_days?:u16 monthly_work:[Work] periods:u32 prices:Prices seat:Seat
part WorkEvidence event:EventRef late:flag on:day work:Work
part YearDay day:u16 month:u16
word AmountOf average_client_money client_money standard_fee yearly_fees
word Anchor after_signing from_signing
word Ask procedure_description theft_block
word AutomaticMatches nothing certain
word Barred advertise business contract money
word Basis not_mine balance_wrong dates_wrong status_wrong obsolete identity_theft duplicate paid unverified
word BlockRefusal declined rescinded
word BlockRefusedFor error misrepresentation benefit_obtained
word BookAccount bank suspense clearing receivable unbilled owed_to_clients elsewhere fee_revenue refunds_and_credits processor_costs bank_costs chargeback_losses bad_debt
word BondWhen always if_paid_before_all_done
word Channel telephone in_person online post
word Circumstance authority_revoked charge_mandate charge_notice debit_card do_not_call electronic_records_withdrawn represented
word CloseRule lines_open suspense payouts_late clearing_late fees_unbilled exposures_open bank_undeclared statement_missing statement_broken bank_differs
word ConsentRule knowledge contract_authorization item_basis item_basis_and_statement
word ContractItem agent bond_notice both_sign cancel_any_time credit_record_only denied_credit_sentence dispute_authorization email estimate free_first_session item_dates item_nature items_listed no_advance_sentence periodic_payments physical_address refund_promises report_annexed_marked results rights_text signature_approval state_statement web
word Dimension advertising agent cancel_any_time cancellation contract_items dispute_consent estimate_cap exempt fee_cap keep language monthly_statement perform_within performance prohibited reach refund_within registration remedy security statement telemarketing
word Direction outgoing incoming
word EarlyFeeRule per_service subscription plan with_security ban
word EndedBy client firm death
word ErasureBasis asked retention_over
word ExemptKind accountant attorney bank broker_dealer consumer_reporting_agency lender nonprofit real_estate_broker
word ExposureKind early_service dispute_without_basis no_agreement papers_missing fee_asked_unearned payment_unearned dispute_without_authority signed_after_death charge_unauthorized charge_after_death signed_against_law work_unsecured
word FactKind enrolled disclosure_delivered disclosure_acknowledged consent_signed consent_cancelled identity_paper_received identity_paper_accepted identity_paper_rejected report_source_connected report_identity_failed report_imported basis_attested work_opened round_sent letter_delivered client_information_sent response_received item_reinserted bureau_asked bureau_answered progress_report_sent contact_changed circumstance_changed billing_day_changed message_logged service_paused service_resumed service_ended period_closed_without_fee results_found
word FailureReason insufficient_funds card_expired declined lost_or_stolen account_closed authorization_revoked
word FeeKind monthly one_time report_single report_joint education
word FullyPerformed each_period whole_contract
word Gate G1 G2 G3 G4 G5 G6 G7 G8
word ItemKind late_payments collection charge_off bankruptcy public_record inquiry
word FirmFact pack_adopted pack_confirmed pack_used_at_own_risk standing_recorded standing_ended
word LinkedBy rule person
word LookKind read export open
word MailClass first_class certified portal fax
word Match phone address card
word MatchRule reference amount person
word MoneyFact payment_settled payment_failed refund_issued chargeback_opened chargeback_won chargeback_lost credit_granted written_off
word MovementKind payment refund chargeback chargeback_won
word Outcome deleted corrected verified frivolous no_answer
word PaperKind photo_id residence
word Purpose bank_costs processor_costs elsewhere
word RefundFailureReason insufficient_funds declined account_closed payment_too_old disputed withdrawn
word Scope record read bill examine administer correct accept
word Seat individual couple
word SeenBy response import notice
word StandingEndReason surety_cancelled revoked surrendered recorded_wrongly
word FeeStanding allowed unproved exposed
word KeepFrom acknowledgement agreement_end last_transaction signing
word KeepWhat contract records statement suit
word LanguageRule as_contract as_negotiated
word Limb client_resides contract_activity firm_located
word RegistrationKind statement certificate licence
word StandingKind registration bond letter_of_credit deposit trust_account office exemption
word StatementContent letters money services
word StatementSource camt053 csv
word Work report_import dispute_round progress_report
"""

STATES = set("AK AL AR AS AZ CA CO CT DC DE FL FM GA GU HI IA ID IL IN KS KY LA MA MD ME MH MI MN MO MP MS MT NC ND NE "
             "NH NJ NM NV NY OH OK OR PA PR PW RI SC SD TN TX UT VA VI VT WA WI WV WY AA AE AP".split())
CALENDARS = ("federal_office", "regulation_z_rescission", "federal_reserve_banking", "every_day")
MINOR_MAX = 10**12
MEMBERS = {"access": str, "actor": str, "causation": str, "event": str, "event_id": str, "event_version": int,
           "firm": str, "late_days": int, "occurred_at": int, "occurred_on": str, "payload": dict, "position": int, "recorded_at": int,
           "request_id": str, "stream": str, "stream_version": int}
OPTIONAL = {"access", "causation", "late_days", "occurred_at"}
MICROS = (-2_208_988_800_000_000, 32_503_680_000_000_000)


def known_zones():
    """Names of time zones; none where Python does not know them."""
    try:
        from zoneinfo import available_timezones
        return available_timezones() - {"Factory", "localtime", "posixrules"}
    except Exception:
        return set()


# What earlier software put into its bundles: the last listing of the format.
DOCUMENTS = """\
counterfoil.example/bundle/1 FORMAT.md 0f0c53ea74018aad6507f13fbda5e084a1243f43e2c358a19b51da39ff5c72ff
counterfoil.example/bundle/1 FORMAT.md 29f9077a3de1304e0d7959cc984820e784bdaa9f3e90ec4b688bf98405eaf638
counterfoil.example/bundle/1 FORMAT.md 630d34fe842ecdf2874dbae61b5b464d0437cec7d63611c45be4f2983852fcae
counterfoil.example/bundle/1 FORMAT.md 94b48647a73df758b6c701dd110fdc04678652522296fd86c306a6cf2473e274
counterfoil.example/bundle/1 FORMAT.md b4267a7871329ec379021f292a7ca47f5a252d675f64ece473cd8f0e3f9403b9
counterfoil.example/bundle/1 FORMAT.md c00f128c34c27b309c22ecce91e1ca480ce1041d216ab8172ef12528be830903
counterfoil.example/bundle/1 FORMAT.md c1d2784c27fcde319ea1a1d199e50c8e8ffc2c52b63a42b5bb6653c923158b33
counterfoil.example/bundle/1 FORMAT.md e972654ad24a9ac5fc2c3d9068dd3a3db0ffb53f4181f470ae36879e7c5b33bc
counterfoil.example/bundle/1 verify.py 09651d7bf2ff3790c74b0c048ae623045c6a9a02ddeb85a05dcd9cd780a0fe51
counterfoil.example/bundle/1 verify.py 580f7d413a9b9cc4c61674316b850328d64d900f69c8944a6c052d5e34348e0d
counterfoil.example/bundle/1 verify.py 769a18b95f854922739990925b1627d7f89d02d8ec5fbd849a32610b90dda146
counterfoil.example/bundle/1 verify.py acd137659a0859d5332bdb4707cf04fa08ae53f075382b6cbfca82b27164025d
counterfoil.example/bundle/1 verify.py b60319a977ef4dac9bfba7c5a61771de1ee0e38e7c0186f29c2c591c83da3723
counterfoil.example/bundle/1 verify.py b902064353c187ffab07eada52a05b9fea0865c92c489fc9700fe3320559d78e
counterfoil.example/bundle/1 verify.py c0c9b9302b13e547070824b61b78a17389436959bc88fb5a9d248dc7bbbaa2f7
counterfoil.example/bundle/1 verify.py d112aca24f64f8765452f83ded9c0cc3b13ef12123bc51e654d44aea9af02b45
counterfoil.example/bundle/1 verify.py e4a7999dd1e8d6ad3ca01f93dbe9e5e1d7c324592966a0e7f17a43af5c064c57
counterfoil.example/bundle/1 verify.py f9624d8e25ea602968ba69d8c9985a793b0c9a017a28bdf648926aa35de0c6bb
counterfoil.example/bundle/2 FORMAT.md 2e633a14956a512b020134c78810cd3b683c68db930f182525cc3594291e0c50
counterfoil.example/bundle/2 FORMAT.md 55cabb7163f50392193ed0f739e5680901a820ef3714c25d7f1358ff578c2599
counterfoil.example/bundle/2 FORMAT.md 94c00d1612981513dacd947ee8aa995d9fd8ed79ed06b4fba18211e987cb7ed8
counterfoil.example/bundle/2 FORMAT.md ac0189a86b96b9609206c1acf1f08d755be96e249cf77314ed4cee5394126795
counterfoil.example/bundle/2 FORMAT.md ea748aa9e40f2f413dfd17b6fe14c30c697453e74c0de60c4c87108d62ed94bb
counterfoil.example/bundle/2 FORMAT.md ef3878f1a790d75d97f59418ba1858337b85c54a82dbf6490705a1482e9c9742
counterfoil.example/bundle/2 verify.py 0f07c4e30d9e8d888590ce3e3ef42fb0cd2dcfdfd1023cf44dffd7275e61ab91
counterfoil.example/bundle/2 verify.py 18624c9861ae0f7304e30eabaa74a0d55405409114103c9de022eb21cb21f8ac
counterfoil.example/bundle/2 verify.py 1d4e055d015f6e7dd0d719cc6e43b901b7d9b20252317d146bf0af49d0726e4a
counterfoil.example/bundle/2 verify.py be92c78a5f4f71996c13fee203b9826614b8086e7843806d57d8f89173e646a0
counterfoil.example/bundle/2 verify.py c90b7d701c2c65b7c99f0a33faabe05944f7a0483cedec0fe66720b02ed5f8c5
counterfoil.example/bundle/2 verify.py dc75624ffbb9cc453c9b52fef4557d8735524f5f4959fc82f3d8c7233565a31f
counterfoil.example/bundle/2 verify.py f14280653b1d2dbfbd670980e63afddff2e33dfd164e66c9b0af480c56bc3525
counterfoil.example/bundle/3 FORMAT.md 3ef397071eafe2a6e69cc9f88dceff97d8bbd3b745910839661aca3f930c31ec
counterfoil.example/bundle/3 FORMAT.md 4bc9191ee3596ef1555368ec633d9c51418b4b54afc5872a98d73fab08758c8c
counterfoil.example/bundle/3 FORMAT.md e7a6c6b1b055a730c5aa0fa04ea1cf50c05337eb0f51e8c30d4ddadd210990b3
counterfoil.example/bundle/3 FORMAT.md ebeba77820e15ea9839b0c86f563dc63e4a1c615e3f93f914db303e5a9e800c4
counterfoil.example/bundle/3 verify.py 28f3543b522d5c4dd272fb9a107c497a0273e3b1146625016a9d1506e295c941
counterfoil.example/bundle/3 verify.py 5157724cd9f02648c007e7735861d064cf3d4a0c03c04ac09eed51eba9c48a2b
counterfoil.example/bundle/3 verify.py 937e3bf5f5b517943fbd2391dc0165026897bed4a3d4aa14dbb97bdd1c91f9b5
counterfoil.example/bundle/3 verify.py dd51f3c038a407dd6a1a2b095b7432828d660d7407e5355cbe970f0674170f21
counterfoil.example/bundle/4 FORMAT.md 191d87d26a551ac13a50e51478b5382ea57aa84125f75b4ceb8633f80fcae582
counterfoil.example/bundle/4 FORMAT.md d8ed737847306b0754723aa4373244fcf06109dca95f1bf4e5b0b062fd91bdef
counterfoil.example/bundle/4 verify.py ba0c0c4971d287176683da784437df8a2893274ede4db1bcbf6bb8ca390f86da
counterfoil.example/bundle/4 verify.py e561b30e0f6dad0aca008a058527457e74bbd710cdacecce0685529d4e1706fa
"""


def is_uuid(value):
    return type(value) is str and re.fullmatch(UUID, value) is not None


def is_day(value):
    if type(value) is not str or not re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
        return False
    try:
        return bool(date(int(value[:4]), int(value[5:7]), int(value[8:])))
    except ValueError:
        return False


def is_integer(most):
    return lambda value: type(value) is int and 0 <= value <= most


def is_only(name, least, most):
    return lambda value: (type(value) is dict and list(value) == [name] and type(value[name]) is int
                          and least <= value[name] <= most)


def is_money(value):
    return (type(value) is dict and set(value) == {"currency", "minor"} and type(value["currency"]) is str
            and re.fullmatch("[A-Z]{3}", value["currency"]) is not None and type(value["minor"]) is str
            and re.fullmatch("0|-?[1-9][0-9]{0,12}", value["minor"]) is not None and abs(int(value["minor"])) <= MINOR_MAX)


KINDS_OF_FIRM = next(line for line in PAYLOADS.splitlines() if line.startswith("word FirmFact ")).split(" ")[2:]
KINDS_OF_MONEY = next(line for line in PAYLOADS.splitlines() if line.startswith("word MoneyFact ")).split(" ")[2:]
KINDS_OF_FACT = next(line for line in PAYLOADS.splitlines() if line.startswith("word FactKind ")).split(" ")[2:]


class Payloads:
    """The forms of payloads, as the lines of the format give them."""
    def __init__(self):
        zones = known_zones()
        self.events, self.parts, self.words = {}, {}, {}
        self.plain = {
            "text": lambda v: type(v) is str, "id": is_uuid, "day": is_day,
            "code": lambda v: type(v) is str and re.fullmatch("[A-Za-z0-9._:-]{1,64}", v) is not None,
            "hash": lambda v: type(v) is str and re.fullmatch("[0-9a-f]{64}", v) is not None,
            "flag": lambda v: type(v) is bool, "u16": is_integer(2**16 - 1), "u32": is_integer(2**32 - 1),
            "u64": is_integer(INTEGER_MAX), "money": is_money,
            "zone": lambda v: type(v) is str and (v in zones or not zones),
            "currency": lambda v: type(v) is str and re.fullmatch("[A-Z]{3}", v) is not None,
            "state": lambda v: type(v) is str and v in STATES,
            "personal": lambda v: type(v) is str or (type(v) is dict and list(v) == ["sealed"]
                                                     and type(v["sealed"]) is str),
            "Rule": lambda v: is_only("every_days", 28, 92)(v) or is_only("monthly_on", 1, 31)(v),
            "Calendar": lambda v: type(v) is str and v in CALENDARS,
        }
        for line in PAYLOADS.splitlines():
            kind, name, *rest = line.split(" ")
            if kind == "word":
                self.words[name] = {word: number for number, word in enumerate(rest)}
                continue
            members = {}
            for member in rest:
                label, type_ = member.split(":")
                members[label.rstrip("?")] = (type_, label.endswith("?"))
            if kind == "part":
                self.parts[name] = members
            else:
                self.events[name] = (kind, members)

    def fault(self, type_, value, path):
        """Where a value is not of a type; None if it is."""
        if type_[0] in "[{":
            if type(value) is not list:
                return path
            inner = type_[1:-1]
            if inner in ("Work", "WorkEvidence") and len(value) > WORK_MAX:
                return path + ", which has more than %d pieces of work of one period" % WORK_MAX
            for number, element in enumerate(value):
                wrong = self.fault(inner, element, "%s[%d]" % (path, number))
                if wrong:
                    return wrong
            rank = self.words.get(inner)
            order = [rank[v] for v in value] if rank else value
            rises = type_[0] == "[" or all(a < b for a, b in zip(order, order[1:]))
            return None if rises else path
        if type_ == "Reading":
            return self.reading_fault(value, path)
        if type_ in self.parts:
            return self.members_fault(self.parts[type_], value, path)
        if type_ in self.words:
            return None if type(value) is str and value in self.words[type_] else path
        return None if self.plain[type_](value) else path

    def members_fault(self, members, value, path):
        if type(value) is not dict:
            return path
        for name in value:
            if name not in members:
                return path + ", which has a member that the format does not know"
        for name, (type_, may_be_absent) in members.items():
            if name in value:
                wrong = self.fault(type_, value[name], path + "." + name)
                if wrong:
                    return wrong
            elif not may_be_absent:
                return path + "." + name
        return None

    def reading_fault(self, value, path):
        """Where the fact inside a correction is not of its form."""
        if type(value) is not dict or sorted(value.keys() - {"occurred_at"}) != ["event", "event_version", "occurred_on", "payload"]:
            return path
        if type(value.get("occurred_at", 0)) is not int:
            return path + ".occurred_at"
        if value["event"] not in KINDS_OF_FACT or type(value["event_version"]) is not int or value["event_version"] != 1:
            return path + ".event"
        if not is_day(value["occurred_on"]):
            return path + ".occurred_on"
        return self.members_fault(self.events[value["event"]][1], value["payload"], path + ".payload")

    def drop_personal(self, members, value):
        """Takes the personal values out of a value that is of its form."""
        for name, part in list(value.items()):
            type_ = members[name][0].strip("[]{}")
            if type_ == "personal":
                value[name] = {"sealed": ""}
            elif type_ == "Reading":
                self.drop_personal(self.events[part["event"]][1], part["payload"])
            elif type_ in self.parts:
                for element in part if isinstance(part, list) else [part]:
                    self.drop_personal(self.parts[type_], element)

    def event_fault(self, event):
        """What is wrong with an event of canonical form and known place; None if nothing is."""
        if not is_uuid(event["event_id"]) or not is_uuid(event["request_id"]):
            return "the event or its request has no UUID"
        if not all(is_uuid(event.get(name, event["event_id"])) for name in ("access", "causation")):
            return "access or causation is no UUID"
        if not is_day(event["occurred_on"]) or not "1900" <= event["occurred_on"][:4] <= "2999":
            return "the event did not happen on a day of the years 1900 to 2999"
        if not MICROS[0] <= event["recorded_at"] < MICROS[1]:
            return "the event was not recorded between the years 1900 and 2999"
        if "occurred_at" in event:
            apart = event["occurred_at"] // 86_400_000_000 - (date.fromisoformat(event["occurred_on"]) - date(1970, 1, 1)).days
            if abs(apart) > 1 or event["occurred_at"] > event["recorded_at"]:
                return "occurred_at is not on its day, or behind its recording"
        late = (recorded(event).date() - date.fromisoformat(event["occurred_on"])).days
        days = event.get("late_days")
        is_first = event["event"] == "firm_registered"
        if days is not None if is_first else late > 8 if days is None else days <= 7 or abs(days - late) > 1:
            return "late_days is not what lies between its day and its recording"
        kind, members = self.events.get(event["event"], (None, None))
        if kind is None or event["event_version"] != 1:
            return "the format knows no event of this type and version"
        if kind != event["stream"].partition("/")[0]:
            return "the event does not belong to its kind of stream"
        wrong = self.members_fault(members, event["payload"], "payload")
        return wrong and "not as the format has it: " + wrong


def recorded(event):
    return datetime(1970, 1, 1, tzinfo=timezone.utc) + timedelta(microseconds=event["recorded_at"])


class Repeats:
    """Ids that come twice, in memory of one size: ids lie in a file and are looked at share by share."""
    def __init__(self):
        self.file, self.number = tempfile.TemporaryFile(), 0

    def add(self, id_):
        self.file.write(id_)
        self.number += 1

    def shares(self):
        shares = self.number // IDS_AT_ONCE + 1
        for share in range(shares):
            self.file.seek(0)
            for block in iter(lambda: self.file.read(16 << 12), b""):
                for place in range(0, len(block), 16):
                    id_ = block[place:place + 16]
                    if zlib.crc32(id_) % shares == share:
                        yield share, id_

    def find(self, wanted=()):
        """(ids that come twice, which of those wanted come at all)."""
        twice, there, seen, now = [], set(), set(), 0
        wanted = set(wanted)
        for share, id_ in self.shares():
            if share != now:
                seen, now = set(), share
            if id_ in seen:
                twice.append(id_)
            seen.add(id_)
            if id_ in wanted:
                there.add(id_)
        return twice, there


def uuid_text(id_):
    text = id_.hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


# ---- Tables -----------------------------------------------------------------------------------------------

# What is not shown: control characters and what FORMAT.md, "Tables", lists beside them.
HIDDEN = re.compile("[\0-\x1f\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
                    "\ufff9-\ufffb\U000e0000-\U000e007f]")


def cell(text):
    """Text as a table has it: nothing of it is hidden, and no spreadsheet calculates it."""
    if re.fullmatch("-?[0-9]+([.][0-9]+)?", text):
        return text
    text = HIDDEN.sub("\ufffd", text)
    return "'" + text if re.match("'*[=+@\uff1d\uff0b\uff0d\uff20-]", text) else text


def csv_row(fields):
    quoted = ('"' + f.replace('"', '""') + '"' if re.search('[,"\r\n]', f) else f for f in fields)
    return ",".join(quoted) + "\r\n"


class Table:
    """The rows of a table as they stand in the bundle, each in its only spelling."""
    def __init__(self, bundle, name):
        self.name, self.file, self.columns = name, "tables/%s.csv" % name, COLUMNS[name]
        self.findings, self.row, self.lines, self.last, self.ahead = bundle.findings, 0, None, 0, []
        self.cell = cell if bundle.guards_text() else str
        self.edited = None if bundle.judges_fees() else {"fees": settled_row, "exposures": unjudged_row}.get(name)
        is_left_out = name in ("fee_gates", "responses_and_clocks") and not bundle.judges_fees()
        if self.file in bundle.archive.names and not is_left_out:
            self.lines = bundle.archive.open(self.file)
            if self.next() != self.columns:
                self.findings.add(self.file, "its first row does not name the columns", 1)

    def next(self):
        """The fields of the next row that is compared; None after the last."""
        self.row, fields = self.ahead.pop(0) if self.ahead else self.read()
        return fields

    def next_of(self, key, most):
        """The rows that come next and are of a key, at most so many: they stay the next ones."""
        while len(self.ahead) < most and all(fields[:1] == [key] for _, fields in self.ahead):
            row, fields = self.read()
            if fields is None:
                break
            self.ahead.append((row, fields))
            if sum(map(len, fields)) > LONG_BYTES:
                break
        return [fields for _, fields in self.ahead if fields[:1] == [key]]

    def read(self):
        """The number and the fields of the next row."""
        while True:
            fields = self.read_row()
            if fields is None or self.edited is None:
                return self.last, fields
            fields = self.edited(fields)
            if fields is not None:
                return self.last, fields

    def read_row(self):
        raw = self.line()
        if not raw:
            return None
        self.last += 1
        while raw.count(b'"') % 2 and len(raw) < ROW_BYTES_MAX:
            more = self.line()
            if not more:
                break
            raw += more
        if len(raw) >= ROW_BYTES_MAX:
            self.findings.add(self.file, "a row is too long: neither it nor what is behind it was compared", self.last)
            self.lines = None
            return None
        text = raw.decode("utf-8", "replace")
        fields = re.findall(r'(?:^|,)("(?:[^"]|"")*"|[^",\r\n]*)', text[:-2] if text.endswith("\r\n") else text)
        fields = [f[1:-1].replace('""', '"') if f.startswith('"') else f for f in fields]
        if csv_row(fields) != text:
            self.findings.add(self.file, "the row is not spelled as RFC 4180 and the format have it", self.last)
        return fields

    def line(self):
        """The next line, or as much of it as a row may have; nothing at the end."""
        try:
            return self.lines.readline(ROW_BYTES_MAX) if self.lines else b""
        except Damaged as fault:
            # That the file cannot be read is found where its bytes are hashed.
            self.findings.add(self.file, "its rows were compared up to here: %s" % fault, self.last)
            self.lines = None
            return b""

    def compare(self, expected, position=None):
        """Holds the next row against what the events make it."""
        if self.lines is None and not self.ahead:
            return None
        found = self.next()
        if found is None:
            if self.lines is not None:
                self.findings.add(self.file, "a row is missing", self.row + 1, position)
            self.lines = None
            return None
        self.hold(found, expected, position)
        return found

    def hold(self, found, expected, position=None):
        expected = [v if v is ANY else self.cell(str(v)) for v in expected]
        if len(found) != len(self.columns):
            self.findings.add(self.file, "the row has another number of fields than columns", self.row, position)
            return
        for column, is_, must in zip(self.columns, found, expected):
            if must is not ANY and is_ != must:
                shown = "%s is %.80r; the events make it %.80r" % (column, is_, must)
                self.findings.add(self.file, shown, self.row, position)
                return

    def end(self):
        if (self.ahead or self.lines is not None) and self.next() is not None:
            self.findings.add(self.file, "there are more rows than the events make", self.row)


def settled_row(row):
    """A row of fees of an earlier edition of the rules: nothing of what was open, and of what was given up only that."""
    if row[4:5] in (["held"], ["claimable"]):
        return None
    if row[4:5] == ["given_up"]:
        return [value if place in (0, 1, 4, 8, 9) else "" for place, value in enumerate(row)]
    return row


def unjudged_row(row):
    """A row of exposures of an earlier edition of the rules: without whether it stands."""
    return row[:-1] + [""] if row[-1:] in (["yes"], ["no"]) else row


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
          "frivolous_notice": "15 USC 1681i(a)(3)(B)",
          "reinsertion_notice": "15 USC 1681i(a)(5)(B)(ii)", "procedure_description": "15 USC 1681i(a)(7)",
          "theft_block": "15 USC 1681c-2(a)", "block_notice": "15 USC 1681c-2(c)(2), 1681i(a)(5)(B)"}


def holidays(year):
    """5 USC 6103(a): the days themselves."""
    def nth(month, weekday, number):
        first = date(year, month, 1)
        return first + timedelta(days=(weekday - first.weekday()) % 7 + 7 * (number - 1))
    last_of_may = date(year, 5, 31)
    days = [date(year, 1, 1), nth(2, 0, 3), last_of_may - timedelta(days=last_of_may.weekday()), date(year, 7, 4),
            nth(9, 0, 1), nth(10, 0, 2), date(year, 11, 11), nth(11, 3, 4), date(year, 12, 25)]
    return days + [nth(1, 0, 3)] * (year >= 1986) + [date(year, 6, 19)] * (year >= 2021)


@functools.lru_cache(maxsize=4096)
def closed_days(year, calendar):
    """The days of 5 USC 6103 of a year, and those on which a weekend's holiday is kept instead."""
    named = set(holidays(year))
    kept = {"federal_office": {5: -1, 6: 1}, "federal_reserve_banking": {6: 1}}.get(calendar, {})
    around = holidays(year) + (holidays(year + 1)[:1] if year < 9999 else [])
    moved = {day + timedelta(days=kept[day.weekday()]) for day in around if day.weekday() in kept}
    return named | moved


def is_business_day(day, calendar="federal_office"):
    if calendar == "every_day":
        return True
    last = 6 if calendar == "regulation_z_rescission" else 5
    return day.weekday() < last and day not in closed_days(day.year, calendar)


def plus_business_days(day, days, calendar="federal_office"):
    at = date.fromisoformat(day)
    while days:
        at += timedelta(days=1)
        days -= is_business_day(at, calendar)
    return str(at)


@functools.lru_cache(maxsize=4096)
def cancellation_days(signed, days, calendar, anchor, closed):
    def last(begin):
        at, left = date.fromisoformat(begin), days
        while left:
            at += timedelta(days=1)
            left -= is_business_day(at, calendar) and str(at) not in closed
        return str(at)
    through = max(last(day_before(signed) if anchor == "from_signing" else signed), signed)
    bar = last(day_before(signed)) if days else signed
    return through, plus_days(max(through, bar), 1)


def cancellation_window(signed, rule):
    """The last day to cancel (15 USC 1679e(a)), and the first day of service (15 USC 1679d(a)(2))."""
    return cancellation_days(signed, rule["days"], rule["calendar"], rule.get("anchor"), tuple(rule.get("closed_days", ())))


def yes(value):
    return "yes" if value else "no"


def spaced(values):
    return " ".join(str(value) for value in values)


# ---- The bundle -------------------------------------------------------------------------------------------

class Bundle:
    """One archive under examination."""
    def __init__(self, path, public_keys=(), earlier=None, not_before=None):
        self.findings, self.remarks = Findings(), Findings()
        self.given_keys, self.earlier, self.not_before = list(public_keys), earlier, not_before
        self.archive = Archive(path)
        self.names = self.archive.names
        self.key = self.checkpoint = self.manifest = self.consistency = self.spans = None
        self.signed = []
        self.events, self.streams, self.clients, self.moved = 0, {}, {}, {}
        self.readings = {}
        self.openings, self.opened, self.last_invoice, self.in_days, self.transit_days = {}, 0, 0, set(), 0
        self.access, self.unnamed, self.last_day, self.gaps = None, {}, "", {}
        self.with_documents = set()
        self.lines, self.payloads = tempfile.TemporaryFile(), Payloads()
        self.ids, self.requests, self.request = Repeats(), Repeats(), None
        self.unfound, self.latest, self.run_back = [], None, None
        self.record = FirmRecord()

    def close(self):
        for file in (self.lines, self.ids.file, self.requests.file):
            file.close()

    def examine(self):
        self.list_files()
        self.read_papers()
        if self.archive.fault:
            self.findings.add("the archive", self.archive.fault)
        if self.manifest is None or self.checkpoint is None or "events.jsonl" not in self.names:
            self.findings.add("the bundle", "no event and no table was looked at: manifest, checkpoint or events "
                                            "are not there")
            self.hash_files()
            return
        self.read_openings()
        self.read_events()
        self.check_order()
        self.check_scope()
        self.hash_files()
        Derivation(self).run()

    # -- small files

    def list_files(self):
        if self.archive.repeats_names:
            self.findings.add("the archive", "two of its files have one name")
        tables = {"tables/%s.csv" % name for name in COLUMNS}
        for name in sorted(self.names):
            known = name in FRONT or name in OF_PART or name in tables or name in ("openings.jsonl", "keys.txt")
            document = re.fullmatch("evidence/(%s)/([0-9a-f]{64})" % UUID, name)
            if document:
                self.unnamed.setdefault("case/" + document[1], set()).add(document[2])
                self.with_documents.add("case/" + document[1])
            if not known and not document and not re.fullmatch("report/%s[.]html" % UUID, name):
                self.findings.add(name, "the format has no file of this name")
        for name in sorted((set(FRONT) | tables) - self.names):
            self.findings.add(name, "it is missing")

    def read(self, name, most=SMALL_BYTES_MAX):
        if name not in self.names:
            return b""
        try:
            return self.archive.read(name, most)
        except Damaged as fault:
            self.findings.add(name, "it cannot be read: %s" % fault)
            return b""

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
        if self.given_keys and self.given(key) is None:
            if key is not None:
                self.findings.add("public-key.txt", "this is not a public key that was given")
            key = self.given_keys[0].key
        self.key = key
        data = self.read("manifest.json", MANIFEST_BYTES_MAX)
        self.manifest = self.parse_manifest(data)
        if self.manifest is None:
            self.findings.add("manifest.json", "it is not a manifest in canonical form")
        text = self.read_text("checkpoint.txt")
        if len(set(text.split("\n")[:-1])) != text.count("\n"):
            self.findings.add("checkpoint.txt", "it has a line twice")
        note = parse_note(text)
        self.checkpoint = parse_checkpoint(note[0]) if note else None
        self.spans = self.read_spans()
        if self.checkpoint is None:
            self.findings.add("checkpoint.txt", "it is not a signed checkpoint")
        else:
            self.check_signed(note)
        if self.checkpoint and self.key:
            note = parse_note(self.read_text("manifest.note"))
            format_ = self.manifest["format"] if self.manifest else FORMAT
            text = "%s\nlog %s\nmanifest %s\n" % (format_, self.checkpoint[0], sha256(data).hex())
            if note is None or len(note[1]) != 1 or not is_signed(note, self.key):
                self.findings.add("manifest.note", "it is not a note with one signature by the key")
            elif note[0] != text:
                self.findings.add("manifest.note", "it was signed for another manifest")
        if self.manifest and self.checkpoint:
            if (self.manifest["tree_size"], self.manifest["root"]) != (self.checkpoint[1], self.checkpoint[2].hex()):
                self.findings.add("manifest.json", "size or root are not the checkpoint's")
            self.check_front(bundled.rstrip("\n"))
        if self.is_earlier_version():
            for name in ("FORMAT.md", "verify.py"):
                line = "%s %s %s" % (self.manifest["format"], name, sha256(self.read(name)).hex())
                if name in self.names and line not in DOCUMENTS.split("\n"):
                    self.findings.add(name, "it is not what any software of this version of the format wrote")
            version = {FORMAT_1: "first", FORMAT_2: "second", FORMAT_3: "third"}[self.manifest["format"]]
            self.remarks.add("manifest.json", "of the %s version of the format: the words of its README.txt and data "
                             "dictionary are those of the software that wrote it and were not compared%s" % (
                                 version, "" if self.guards_text() else
                                 ", and its text may hide characters or be calculated by a spreadsheet"))
            self.remarks.add("manifest.json", "the judgement of fees in it follows an earlier edition of the rules and was not "
                             "made again: of fees.csv only claimed fees were compared, and that periods were given up, and "
                             "neither fee_gates.csv nor whether exposures stand")
        else:
            with open(os.path.abspath(__file__), "rb") as own:
                found = self.read("verify.py") if "verify.py" in self.names else None
                if found is not None and found != own.read():
                    if "%s verify.py %s" % (FORMAT, sha256(found).hex()) in DOCUMENTS.split("\n"):
                        self.remarks.add("verify.py", "the bundle's copy is that of earlier software of this version")
                    else:
                        self.findings.add("verify.py", "the bundle's copy is not the one that runs")
        self.read_earlier()

    def is_first_version(self):
        return self.manifest is not None and self.manifest["format"] == FORMAT_1

    def is_earlier_version(self):
        return self.manifest is not None and self.manifest["format"] != FORMAT

    def guards_text(self):
        """Whether tables have text so that it deceives nobody who opens them."""
        return self.manifest is None or self.manifest["format"] not in (FORMAT_1, FORMAT_2)

    def judges_fees(self):
        """Whether fees are judged by the rules of this edition."""
        return not self.is_earlier_version()

    def read_spans(self):
        """[(first, last, key, is revoked)]; None in the first version of the format."""
        if self.is_first_version():
            if "keys.txt" in self.names:
                self.findings.add("keys.txt", "the format has no file of this name")
            return None
        if "keys.txt" not in self.names:
            self.findings.add("keys.txt", "it is missing")
            return []
        text, spans = self.read_text("keys.txt"), []
        number = "([1-9][0-9]{0,15})"
        for line in text.split("\n")[:-1]:
            parts = re.fullmatch("%s %s ([^ ]+)( revoked)?" % (number, number), line)
            key = parse_key(parts[3]) if parts else None
            spans.append((int(parts[1]), int(parts[2]), key, parts[4] is not None) if key else None)
        is_list = text == "" or text.endswith("\n") and None not in spans
        if is_list and None not in spans:
            is_list = all(first <= last for first, last, _, _ in spans)
            is_list &= self.checkpoint is None or all(span[1] <= self.checkpoint[1] for span in spans)
            is_list &= all(a[0] < b[0] and a[1] <= b[0] for a, b in zip(spans, spans[1:]))
            is_list &= len({span[2] for span in spans}) == len(spans)
        if not is_list:
            self.findings.add("keys.txt", "it is not a list of keys, each once, by the first size they signed, none "
                                          "beyond the log's, and none behind the first of the next")
            return []
        return spans

    def given(self, key):
        """What the user knows of a key from elsewhere."""
        return next((given for given in self.given_keys if given.key == key), None)

    def keys_of(self, size):
        """The keys that may have signed a checkpoint of a size, without those of which the user knows better."""
        listed = [self.key] if self.spans is None else \
            [key for first, last, key, _ in self.spans if first <= size <= last]
        return [key for key in listed if key and (self.given(key) is None or self.given(key).covers(size))]

    def tell_of(self, file, signed):
        """What is worth knowing of the keys that signed something."""
        revoked = [key for _, _, key, is_revoked in self.spans or () if is_revoked]
        for key in signed:
            if key in revoked:
                self.remarks.add(file, "the firm took back the key that signed it, %s, since" % key[1].hex())
            if self.given_keys and self.given(key) is None:
                self.remarks.add(file, "it is signed by %s, which is none of the keys that were given: only keys.txt, and "
                                       "so the key of the manifest, says that it is the firm's" % key_text(key))

    def check_signed(self, note):
        """Holds the checkpoint's signature, the key in force and the list against each other and what the user knows."""
        size = self.checkpoint[1]
        self.signed = signers(note, *self.keys_of(size))
        if not self.signed:
            self.findings.add("checkpoint.txt", "the signature does not hold, or is of a key that did not sign at this "
                                                "size")
        self.tell_of("checkpoint.txt", self.signed)
        own = self.given(self.key)
        if own is not None and own.last is not None and own.last < size:
            self.findings.add("public-key.txt", "%s signed nothing behind size %d, as the keys that were given say"
                              % (key_text(own.key), own.last))
        for given in self.given_keys if self.spans is not None else ():
            if given.first is None:
                continue
            span = next((span for span in self.spans if span[2] == given.key), None)
            if span is None:
                is_wrong = given.first <= size and given.key[0] == self.checkpoint[0]
            else:
                is_wrong = span[0] != given.first or given.last is not None and (
                    span[1] > given.last or given.last <= size and span[1] != given.last)
            if is_wrong:
                self.findings.add("keys.txt", "it does not say of %s what the keys that were given say"
                                  % key_text(given.key))

    @staticmethod
    def parse_manifest(data):
        value = read_canonical(data)
        members = ["data_dictionary", "events", "files", "firm", "format", "request", "root", "tree_size"]
        if not isinstance(value, dict) or sorted(value) != members or value["format"] not in (FORMAT, FORMAT_3, FORMAT_2, FORMAT_1):
            return None
        request, files = value["request"], value["files"]
        kinds = {"all": ["kind"], "cases": ["cases", "kind"], "days": ["from", "kind", "through"]}
        hash_, count = "[0-9a-f]{64}", is_integer(INTEGER_MAX)
        try:
            names = [file["name"] for file in files]
            is_one = all(type(name) is str for name in names) and all(a < b for a, b in zip(names, names[1:]))
            is_one &= all(sorted(file) == ["bytes", "name", "sha256"] and count(file["bytes"])
                          and re.fullmatch(hash_, file["sha256"]) is not None for file in files)
            is_one &= sorted(request) == kinds[request["kind"]]
            if request["kind"] == "cases":
                cases = request["cases"]
                is_one &= 0 < len(cases) <= CASES_MAX and cases == sorted(set(cases)) and all(map(is_uuid, cases))
            if request["kind"] == "days":
                is_one &= is_day(request["from"]) and is_day(request["through"]) \
                    and request["from"] <= request["through"]
            is_one &= is_uuid(value["firm"]) and re.fullmatch(hash_, value["root"]) is not None
        except (TypeError, KeyError, ValueError, AttributeError):
            return None
        is_one = is_one and count(value["events"]) and count(value["tree_size"])
        return value if is_one and value["data_dictionary"] == "data-dictionary.csv" else None

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
        if self.not_before is not None:
            self.check_stale(self.not_before)
        if not self.earlier:
            return
        note, size = parse_note(self.earlier), self.checkpoint[1] if self.checkpoint else None
        self.earlier = parse_checkpoint(note[0]) if note else None
        is_later = self.earlier is not None and (size is None or self.earlier[1] > size)
        listed, known = [span[2] for span in self.spans or ()], []
        if self.earlier:
            known = [given.key for given in self.given_keys
                     if given.covers(self.earlier[1]) and (is_later or given.key not in listed)]
            if not is_later:
                known += self.keys_of(self.earlier[1])
            elif self.key and self.given(self.key) is None:
                known.append(self.key)
        by = signers(note, *known) if self.earlier else []
        if not by:
            self.findings.add("the earlier checkpoint", "it is not one that a key given, or one listed for its size, "
                                                        "signed")
            self.earlier = None
            return
        self.tell_of("the earlier checkpoint", by)
        if self.checkpoint is None:
            self.earlier = None
        elif self.earlier[0] != self.checkpoint[0]:
            self.findings.add("the earlier checkpoint", "it is of another log")
            self.earlier = None
        elif is_later:
            self.check_stale(self.earlier[1])
            self.earlier = None
        else:
            if self.earlier[1] == size and self.earlier[2] != self.checkpoint[2]:
                self.findings.add("checkpoint.txt", "the log had another root at this size: the firm signed two "
                                                    "histories")
            self.check_succession(by, listed)

    def check_stale(self, size):
        if self.checkpoint and size > self.checkpoint[1]:
            self.findings.add("checkpoint.txt", "it is stale: the log had %d events already, not %d"
                              % (size, self.checkpoint[1]))

    def check_succession(self, by, listed):
        """The list has every key of this log that signed an earlier checkpoint, and no key goes on signing where one
        that came after it has begun."""
        for key in by:
            if self.spans is not None and key[0] == self.earlier[0] and key not in listed:
                self.findings.add("keys.txt", "it does not list %s, which signed the log at size %d"
                                  % (key_text(key), self.earlier[1]))
        order = [given.key for given in self.given_keys]
        newest = max((order.index(key) for key in by if key in order), default=-1)
        for key in self.signed:
            if key in order and order.index(key) < newest and key not in by:
                self.findings.add("checkpoint.txt", "%s signed it, and of the keys that were given, oldest first, one "
                                  "after that had signed the log at size %d already" % (key_text(key), self.earlier[1]))
                break

    def read_openings(self):
        if "openings.jsonl" not in self.names:
            return
        last, row = (0, -1), 0
        try:
            if self.archive.entries["openings.jsonl"].bytes == 0:
                self.findings.add("openings.jsonl", "its last line does not end")
            with self.archive.open("openings.jsonl") as lines:
                for line in iter(lambda: lines.readline(1 << 10), b""):
                    row += 1
                    value = read_canonical(line[:-1]) if line.endswith(b"\n") else None
                    form = isinstance(value, dict) and sorted(value) == ["ordinal", "position", "value_key"] \
                        and is_integer(INTEGER_MAX)(value["ordinal"]) and is_integer(INTEGER_MAX)(value["position"])
                    if not form or not re.fullmatch("[0-9a-f]{64}", str(value["value_key"])) or row > OPENINGS_MAX:
                        self.findings.add("openings.jsonl", "the line is not an opening in canonical form, and neither "
                                                            "it nor what is behind it was tried", row)
                        return
                    place = (value["position"], value["ordinal"])
                    if place <= last:
                        self.findings.add("openings.jsonl", "the line does not come after the line before it", row)
                    last = max(last, place)
                    self.openings.setdefault(place[0], []).append((place[1], bytes.fromhex(value["value_key"])))
        except Damaged as fault:
            self.findings.add("openings.jsonl", "not all of it was tried: %s" % fault, row)

    # -- events

    def event_lines(self):
        """The lines of the events, each whole or None where it is longer than an event can be."""
        try:
            with self.archive.open("events.jsonl") as lines:
                while True:
                    line = lines.readline(EVENT_BYTES_MAX + 2)
                    if not line:
                        return
                    if line.endswith(b"\n") or len(line) < EVENT_BYTES_MAX + 2:
                        yield line
                        continue
                    while line and not line.endswith(b"\n"):
                        line = lines.readline(1 << 16)
                    yield None
        except Damaged as fault:
            self.findings.add("events.jsonl", "it was read up to here: %s" % fault, self.events + 1)

    def read_events(self):
        tree, size, is_part = Tree(), self.checkpoint[1], "proofs/subtrees.txt" in self.names
        subtrees = self.archive.open("proofs/subtrees.txt") if is_part else None
        timeline, self.access = Table(self, "timeline"), Table(self, "access")
        last, is_proved = 0, False
        self.rootless = False

        def fault(what):
            self.findings.add("events.jsonl", what, self.events, last or None)

        def meet():
            return self.earlier and (tree.size, tree.root()) == self.earlier[1:]

        def fill(start, end):
            for level in cover(start, end):
                try:
                    line = subtrees.readline(65) if subtrees else b""
                except Damaged:
                    line = b""
                if not re.fullmatch(b"[0-9a-f]{64}\n", line):
                    where = "proofs/subtrees.txt" if subtrees else "events.jsonl"
                    self.findings.add(where, "what stands for positions %d to %d is missing" % (start + 1, end),
                                      None if subtrees else self.events)
                    self.rootless = True
                    return
                tree.push(level, bytes.fromhex(line[:64].decode()))

        is_proved = meet()
        for line in self.event_lines():
            self.events += 1
            if self.events > EVENTS_MAX:
                fault("there are more than %d events: this one and those behind it were not looked at" % EVENTS_MAX)
                self.rootless = True
                break
            event = read_canonical(line[:-1]) if line is not None and line.endswith(b"\n") else None
            if not is_event(event):
                fault("the line is not an event in canonical form")
                self.rootless = True
                continue
            position, leaf = event["position"], leaf_hash(line[:-1])
            if position <= last:
                fault("position %d stands after this one" % position)
                self.rootless = True
            else:
                before, last = last, position
                if not self.rootless and position > size:
                    fault("the event is behind the end of the checkpoint's log")
                    self.rootless = True
                if not self.rootless:
                    fill(before, position - 1)
                if not self.rootless:
                    tree.push(0, leaf)
                    is_proved = is_proved or (self.earlier and tree.size == self.earlier[1] and meet())
            if event["firm"] != self.manifest["firm"]:
                fault("the event is of another firm")
            wrong = self.payloads.event_fault(event)
            if wrong:
                fault(wrong)
            if self.is_first_version() and "access" in event:
                fault("the first version of the format has no member access")
            self.order(event, fault)
            self.place(event, fault, wrong is None)
            self.lines.write(line)
            timeline.compare(timeline_row(event, leaf), position)
        timeline.end()
        if self.events == 0:
            self.findings.add("events.jsonl", "there is no event")
        untold = [self.record.told_anew[0]] if self.record.told_anew else []
        for position in self.record.not_anew + untold:
            self.findings.add("events.jsonl", NOT_ANEW, None, position)
        if not self.record.is_begun:
            self.findings.add("events.jsonl", "the firm is not registered, without which nothing is recorded")
        if not self.rootless:
            fill(last, size)
        if not self.rootless and subtrees and subtrees.read(1):
            self.rootless = True
            self.findings.add("proofs/subtrees.txt", "there are more hashes than are needed")
        if self.rootless:
            self.findings.add("events.jsonl", "no root was made of these events, for what was found before")
        elif (tree.size, tree.root()) != (size, self.checkpoint[2]):
            self.findings.add("events.jsonl", "these events do not make the root of the checkpoint")
        if self.events != self.manifest["events"]:
            self.findings.add("events.jsonl", "there are %d events, not %d" % (self.events, self.manifest["events"]))
        if sum(map(len, self.openings.values())) != self.opened:
            self.findings.add("openings.jsonl", "a key is of a value that is not in the bundle")
        if self.earlier:
            self.consistency = "cannot say" if is_part else "proved" if is_proved else "refuted"
            if self.consistency == "refuted":
                self.findings.add("events.jsonl", "the log does not begin with what it held at the earlier checkpoint")

    def order(self, event, fault):
        """What holds between events whatever they tell."""
        time = event["recorded_at"]
        if self.latest is not None and time < self.latest:
            self.run_back = self.run_back or [self.events, event["position"], 0]
            self.run_back[2] += 1
        self.latest = time if self.latest is None else max(time, self.latest)
        if not is_uuid(event["event_id"]) or not is_uuid(event["request_id"]):
            return
        id_ = bytes.fromhex(event["event_id"].replace("-", ""))
        self.ids.add(id_)
        facts = [event.get("access"), event["actor"], time]
        if self.request is None or self.request[0] != event["request_id"]:
            self.requests.add(bytes.fromhex(event["request_id"].replace("-", "")))
            self.request = (event["request_id"], facts, set())
        elif self.request[1] != facts:
            fault("its request's events before it have another actor or time")
        cause = event.get("causation")
        if cause is not None and is_uuid(cause) and cause not in self.request[2]:
            if len(self.unfound) == CAUSES_MAX:
                fault("which events led to this one and those behind it was not judged: too many causes are left out")
            if len(self.unfound) <= CAUSES_MAX:
                self.unfound.append((self.events, event["position"], cause))
        if len(self.request[2]) < CAUSES_MAX:
            self.request[2].add(event["event_id"])

    def check_order(self):
        causes = {cause: bytes.fromhex(cause.replace("-", "")) for _, _, cause in self.unfound}
        twice, there = self.ids.find(causes.values())
        for id_ in twice:
            self.findings.add("events.jsonl", "two events have the id " + uuid_text(id_))
        for id_ in self.requests.find()[0]:
            self.findings.add("events.jsonl", "events of other requests stand between those of request "
                              + uuid_text(id_))
        for row, position, cause in self.unfound:
            if causes[cause] in there or self.manifest["request"]["kind"] == "all":
                self.findings.add("events.jsonl", "event %s, which led to it, is none before it of its request" % cause,
                                  row, position)
        if self.run_back:
            self.remarks.add("events.jsonl", "recorded before the event before it, as %d are: the clock ran back, which "
                                             "older versions let happen" % self.run_back[2], *self.run_back[:2])

    def place(self, event, fault, is_right):
        stream, offset = event["stream"], self.lines.tell()
        self.streams[stream] = self.streams.get(stream, 0) + 1
        version = self.streams[stream] + self.gaps.get(stream, 0)
        may_have_gaps = self.manifest["format"] != FORMAT_1 and self.manifest["request"]["kind"] != "all" \
            and stream.partition("/")[0] in ("firm", "account")
        if event["stream_version"] > version and may_have_gaps:
            self.gaps[stream] = self.gaps.get(stream, 0) + event["stream_version"] - version
        elif event["stream_version"] != version:
            fault("version %d of %s stands where version %d belongs" % (event["stream_version"], stream, version))
        kind, _, client = stream.partition("/")
        if kind in ("case", "account", "looks"):
            # Nothing is made of an event that is not what it should be, but there is a client.
            self.clients.setdefault(client, {}).setdefault(kind, []).extend([offset] * is_right)
        for ordinal, key in self.openings.get(event["position"], ()):
            self.opened += 1
            wrong = opening_fault(event, ordinal, key) if is_right else "its event is not as the format has it"
            if wrong:
                self.findings.add("openings.jsonl", "value %d: %s" % (ordinal, wrong), None, event["position"])
        if not is_right:
            return
        payload, day = event["payload"], event["occurred_on"]
        if date.fromisoformat(day) <= recorded(event).date() + timedelta(days=1):
            self.last_day = max(self.last_day, day)
        for what in self.record.take(event):
            fault(what)
        if kind in ("case", "account"):
            request = self.manifest["request"]
            if request["kind"] == "days" and request["from"] <= day <= request["through"]:
                self.in_days.add(client)
        if event["event"] == "payment_moved":
            self.moved.setdefault(client, set()).add(payload["to"])
        if event["event"] == "firm_registered":
            self.transit_days = payload["transit_days"]
        if event["event"] == "access_used":
            for case in payload["cases"] or [""]:
                self.access.compare([event["position"], day, event["actor"], case,
                                     payload["kind"] + " " + payload["what"]], event["position"])
        if event["event"] == "fact_corrected":
            readings = self.readings.setdefault(payload["fact"]["position"], [payload["fact"]["position"]])
            if payload.get("about_another") and any(position in self.openings for position in readings):
                fault("it was taken back as another person's, and a value of it is opened here")
            readings.append(event["position"])
        if event["event"] == "client_erased" and stream in self.with_documents:
            fault("the client was erased, and documents of the case are here")
        if self.unnamed.get(stream):
            self.unnamed[stream] -= set(texts(payload))
        if event["event"] == "invoice_issued":
            number, before = payload["number"], self.last_invoice
            if number != before + 1 and (number < before + 1 or self.manifest["request"]["kind"] == "all"):
                fault("another invoice than the next after %d stands here" % before)
            self.last_invoice = max(number, before)

    def check_scope(self):
        request = self.manifest["request"]
        for stream, hashes in sorted(self.unnamed.items()):
            for name in sorted(hashes):
                self.findings.add("evidence/%s/%s" % (stream[5:], name), "no event of its case names it")
        for name in OF_PART[:2] if self.is_first_version() else OF_PART:
            if (request["kind"] == "all") == (name in self.names):
                self.findings.add(name, "it is missing" if request["kind"] != "all" else "a whole log needs none")
        if request["kind"] == "all":
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
        left_out = self.check_gaps(set(cases))
        counts = {stream: held + left_out.get(stream, 0) for stream, held in self.streams.items()}
        if self.guards_text():
            # That nobody looked at a client is stated too.
            for stream in [stream for stream in counts if stream.startswith("case/")]:
                counts.setdefault("looks/" + stream[5:], 0)
        stated = "".join(sorted("%s %d\n" % item for item in counts.items())).encode()
        if self.read("proofs/streams.txt", max(len(stated), SMALL_BYTES_MAX)) != stated:
            self.findings.add("proofs/streams.txt", "the firm states another number of events than the bundle holds")

    def check_gaps(self, cases):
        """How many events of each stream the firm states to have left out, since they tell of somebody else."""
        stated, is_list = {}, True
        if not self.is_first_version():
            for line in self.read_text("proofs/gaps.txt").split("\n")[:-1]:
                stream, _, count = line.partition(" ")
                if not re.fullmatch("[1-9][0-9]{0,15}", count) or stream in stated:
                    is_list = False
                else:
                    stated[stream] = int(count)
            text = "".join(sorted("%s %d\n" % item for item in stated.items()))
            if not is_list or text != self.read_text("proofs/gaps.txt"):
                self.findings.add("proofs/gaps.txt", "it is no list of streams and counts")
        for stream in sorted(stated):
            kind, _, owner = stream.partition("/")
            if stream not in self.streams or kind not in ("firm", "account") or owner in cases:
                self.findings.add("proofs/gaps.txt", "nothing is left out of %s for telling of others" % stream)
        for stream, missing in sorted(self.gaps.items()):
            if missing > stated.get(stream, 0):
                self.findings.add("proofs/gaps.txt", "%d events of %s are missing, and %d are stated"
                                  % (missing, stream, stated.get(stream, 0)))
        return stated

    def hash_files(self):
        listed = {file["name"]: file for file in self.manifest["files"]} if self.manifest else {}
        for name in sorted(self.names - {"manifest.json", "manifest.note"}):
            hasher, length = hashlib.sha256(), 0
            try:
                with self.archive.open(name) as file:
                    for block in iter(lambda: file.read(1 << 20), b""):
                        hasher.update(block)
                        length += len(block)
            except Damaged as fault:
                self.findings.add(name, "it cannot be read: %s" % fault)
                continue
            if name not in listed:
                self.findings.add(name, "the manifest does not list it")
            elif (length, hasher.hexdigest()) != (listed[name]["bytes"], listed[name]["sha256"]):
                self.findings.add(name, "length or SHA-256 are not the manifest's")
            if name.startswith("evidence/") and not name.endswith(hasher.hexdigest()):
                self.findings.add(name, "these are not the bytes of the document that it is named for")
        for name in sorted(set(listed) - self.names):
            self.findings.add(name, "the manifest lists it, and it is not there")
        reports = {"report/%s.html" % c for c, kinds in self.clients.items() if "case" in kinds}
        for name in sorted(reports ^ {name for name in self.names if name.startswith("report/")}):
            self.findings.add(name, "there is one report for each case of the bundle, and no other")


def is_event(event):
    """An event whose place is known: what it tells is looked at by itself."""
    if not isinstance(event, dict) or not set(MEMBERS) - OPTIONAL <= set(event) <= set(MEMBERS):
        return False
    typed = all(type(event[name]) is type_ for name, type_ in MEMBERS.items() if name in event)
    return typed and re.fullmatch("firm|(case|account|deposit|looks)/" + UUID, event["stream"]) is not None


def timeline_row(event, leaf):
    try:
        at_ = recorded(event)
        entered = [at_.strftime("%Y-%m-%d"), at_.strftime("%H:%M:%S.%f")]
    except OverflowError:
        entered = [ANY, ANY]  # no time of these years: a finding says so
    return [event["position"], event["event_id"], event["stream"], event["stream_version"], event["event"],
            event["event_version"], event["occurred_on"]] + entered + [
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
    text = xaead_open(key, nonce, sealed, data)
    if text is None:
        return "it does not open"
    try:
        text.decode()
    except UnicodeDecodeError:
        return "what it opens is no UTF-8"
    return None


# ---- Periods and work, FORMAT.md ---------------------------------------------------------------------------

PERIODS_MAX, OPEN_PERIODS_MAX, GRACE_DAYS = 4_096, 60, 10
# The edition of the rules that first asked whether an agreement was signed behind its client's death.
DEATH_ASKED_SINCE = 6


def day_of(event):
    return date.fromisoformat(event["occurred_on"])


def plan_signed(enrolment, agreement):
    """An enrolment with the plan of an agreement in the place of its own, where that says another."""
    plan = agreement.get("plan")
    return dict(enrolment, plan=plan["code"], plan_version=plan["version"]) if enrolment and plan else enrolment


def by_day(events):
    return sorted(events, key=lambda event: (event["occurred_on"], event["position"]))


def is_before(event, other):
    """Whether one happened before another: by their days; on one day by their times, or as one request lists them."""
    if event["occurred_on"] != other["occurred_on"]:
        return event["occurred_on"] < other["occurred_on"]
    times = [e.get("occurred_at") for e in (event, other)]
    if None not in times and times[0] != times[1]:
        return times[0] < times[1]
    order = [e.get("order", e["position"]) for e in (event, other)]
    return order[0] < order[1] if event["request_id"] == other["request_id"] else None


FOLLOWING = ("early_service", "no_agreement", "dispute_without_basis", "papers_missing", "dispute_without_authority",
             "signed_after_death", "charge_unauthorized", "charge_after_death",
             "signed_against_law", "work_unsecured")


def has_authority(changes, agreements, letter):
    """Whether the client's authority to write stood when a letter left; None if nobody said what came first that day.
    Each of the agreements, of those that stand, carries it anew."""
    signed = [agreement for agreement in agreements if is_before(letter, agreement) is not True]
    told = [event for event in by_day(changes) if event["payload"]["kind"] == "authority_revoked"
            and not any(is_before(event, agreement) is True for agreement in signed)]
    before = [event for event in told if is_before(event, letter) is True]
    last = [event for event in before if event["occurred_on"] == before[-1]["occurred_on"]]
    last = [event for event in last if not any(is_before(event, other) is True for other in last)]
    is_revoked = any(event["payload"]["holds"] for event in last)
    if any(is_before(event, letter) is None and event["payload"]["holds"] != is_revoked for event in told):
        return None
    return not is_revoked


def last_told(changes, kind, day):
    """What was told last of a circumstance by the end of a day; of that day what is not known to come before other of it,
    and of several the one that protects the client."""
    told = [event for event in by_day(changes) if event["payload"]["kind"] == kind and event["occurred_on"] <= day]
    last = [event for event in told if event["occurred_on"] == told[-1]["occurred_on"]]
    last = [event for event in last if not any(is_before(event, other) is True for other in last)]
    protects = [event for event in last if event["payload"]["holds"] == (kind == "debit_card")]
    return (protects or last or [None])[0]


def is_unauthorized(changes, charged, day):
    """Whether no authorization of the client covers a charge, neither by the evening before its day nor by that day."""
    def is_announced(event):
        p, sent = event["payload"], day_of(event)
        return (p["kind"] == "charge_notice" and p["holds"] and p.get("amount") == charged
                and (sent + timedelta(days=10)).isoformat() <= p["charge_on"] <= day)
    def is_barred(by):
        mandate = last_told(changes, "charge_mandate", by)
        if mandate is None:
            card = last_told(changes, "debit_card", by)
            return card is not None and card["payload"]["holds"]
        p = mandate["payload"]
        if not p["holds"]:
            return True
        most = minor(p.get("amount", charged))
        is_agreed = minor(p.get("least", p.get("amount", charged))) <= minor(charged) <= most
        return not is_agreed and not any(map(is_announced, changes))
    return is_barred((date.fromisoformat(day) - timedelta(days=1)).isoformat()) and is_barred(day)


def in_force(case):
    """The events of a case as if each fact had been told at first as it is in force, FORMAT.md "Corrections"."""
    last, told, cause = {}, None, {}
    for event in case:
        p = event["payload"]
        if event["event"] == "fact_corrected":
            last[p["fact"]["position"]] = event
        if event["event"] == "exposure_found" and p["kind"] in FOLLOWING and told and told[1] == event["request_id"]:
            cause[event["position"]] = told[0], told[2]
        if event["event"] in KINDS_OF_FACT:
            told = event["position"], event["request_id"], event["position"]
        elif event["event"] == "fact_corrected":
            told = p["fact"]["position"], event["request_id"], event["position"]
    story = []
    for event in case:
        fact, reading_at = cause.get(event["position"], (None, None))
        if event["event"] == "fact_corrected" or fact in last and reading_at != last[fact]["position"]:
            continue
        correction = last.get(event["position"])
        if correction is None:
            story.append(event if fact is None else dict(event, cause=fact))
        elif "reading" in correction["payload"]:
            story.append(as_corrected(event, correction))
    return story


def money_in_force(account):
    """The events of an account without what was taken back, what was found of that, and the corrections."""
    corrected = {event["payload"]["fact"]["position"] for event in account if event["event"] == "money_corrected"}
    story, is_taken_back = [], False
    for event in account:
        is_found = event["event"] == "unearned_payment_found"
        is_taken_back = event["position"] in corrected or is_found and is_taken_back
        if not is_taken_back and event["event"] != "money_corrected":
            story.append(event)
    return story


def as_corrected(event, correction):
    """A fact with the reading that a correction tells."""
    p, late = correction["payload"], "late_days" in correction
    now = {name: value for name, value in event.items() if name not in ("late_days", "occurred_at")}
    if "occurred_at" in p["reading"]:
        now["occurred_at"] = p["reading"]["occurred_at"]
    now.update(payload=p["reading"]["payload"], occurred_on=p["reading"]["occurred_on"],
               request_id=p.get("order_of", correction["request_id"]))
    if late:
        now["late_days"] = correction["late_days"]
    if "order_of" not in p:
        now["order"] = correction["position"]
    return now


def billing_day_from(day, day_of_month):
    """The first day on or after one that is this day of the month, or the last of a shorter month."""
    while True:
        last = (date(day.year + day.month // 12, day.month % 12 + 1, 1) - timedelta(days=1)).day
        wanted = min(day_of_month, last)
        if day.day <= wanted:
            return day.replace(day=wanted)
        day = day.replace(day=last) + timedelta(days=1)


def plus_years(day, years):
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)


def obsolete_from(listing):
    """First day on which a listing may not be reported any more (15 USC 1681c(a), (c)); None if it never is."""
    if listing["kind"] == "inquiry" or "delinquent_since" not in listing:
        return None
    since, years = date.fromisoformat(listing["delinquent_since"]), 10 if listing["kind"] == "bankruptcy" else 7
    if listing["kind"] in ("collection", "charge_off"):
        since += timedelta(days=180)
    return max(plus_years(since, years) + timedelta(days=1), plus_years(since + timedelta(days=1), years))


class Agreement:
    """One that was neither cancelled in its days nor signed behind the client's death."""
    def __init__(self, event, rules, window):
        self.event, self.rules, self.terms, self.last_day = event, rules, event["payload"]["terms"], None
        self.ended_by = []
        self.signed, self.service_from = day_of(event), date.fromisoformat(window[1])

    def serves(self, event):
        """Work of the last day was done before the end, unless it is known to have come later."""
        day = day_of(event)
        if day < self.service_from or self.last_day is not None and self.last_day < day:
            return False
        return day != self.last_day or not any(is_before(end, event) is True for end in self.ended_by)


class Period:
    def __init__(self, number, start, end, agreement, is_first, cut_on, is_paused):
        self.number, self.start, self.end, self.agreement = number, start, end, agreement
        self.is_first, self.cut_on, self.is_paused = is_first, cut_on, is_paused

    def work(self):
        return self.agreement.terms["first_work" if self.is_first else "monthly_work"] if self.agreement else []

    def shared_days(self, start, end):
        return max(0, (min(self.end, end) - max(self.start, start)).days)


class Service:
    """What the facts of a case come to, by their days, on a day: `case` has the events that are known of it."""
    def __init__(self, case, record, before, today):
        self.today, facts = today, by_day(case)
        self.of = lambda *names: [event for event in facts if event["event"] in names]
        self.billing = [(day_of(event), event["payload"]["billing"]) for event in self.of("enrolled", "billing_day_changed")]
        self.fees = [event for event in case if event["event"] == "fee_earned"]
        self.old_fees = [event["payload"] for event in self.fees if "agreement" not in event["payload"]]
        self.given_up = [event for event in case if event["event"] == "period_closed_without_fee"]
        self.zones = [zone_of(event["payload"]["zone"]) for event in self.of("enrolled")[:1]] + [record.zone]
        self.agreements, undoing = [], []
        cancellations = self.of("consent_cancelled")
        for event in self.of("consent_signed"):
            p, signed = event["payload"], event["occurred_on"]
            deaths = [end for end in self.of("service_ended") if end["payload"]["by"] == "death"]
            if record.edition(before) >= DEATH_ASKED_SINCE and any(is_before(died, event) is True for died in deaths):
                continue
            state = self.state(case, signed, p["state"])
            rules = record.rules_of_signing(state, p.get("activity", ()), signed, before) or p["rules"]
            window = cancellation_window(self.readings(event, signed)[1], rules["cancellation"])
            sent = [(c, self.readings(c, c["payload"]["sent_on"])) for c in cancellations]
            undone = next((c for c, (first, last) in sent if signed <= last and first <= window[0]), None)
            if undone is None:
                self.agreements.append(Agreement(event, rules, window))
                for enrolled in self.of("enrolled")[:1]:
                    on = plan_signed(enrolled["payload"], p)
                    offered = record.terms(dict(on, seat=p["terms"]["seat"]), before, signed)
                    self.agreements[-1].terms = offered or p["terms"]
            else:
                undoing.append(undone["position"])
        late = [c for c in cancellations if c["position"] not in undoing]
        for event, on in [(e, e["occurred_on"]) for e in self.of("service_ended")] + \
                [(e, e["payload"]["sent_on"]) for e in late]:
            last = date.fromisoformat(on)
            for agreement in self.agreements:
                is_same = agreement.signed == last and is_before(event, agreement.event) is not True
                if agreement.signed < last or is_same:
                    if agreement.last_day is None or last < agreement.last_day:
                        agreement.last_day, agreement.ended_by = last, []
                    if last == agreement.last_day:
                        agreement.ended_by.append(event)
        self.rows = self.rows_of_agreements()
        self.pauses = self.paused()
        self.periods = self.grid()
        self.work = self.place(case)

    def readings(self, event, day):
        """The earlier and the later reading of a day that was told without its time."""
        if "occurred_at" in event or len(self.zones) < 2 or None in self.zones:
            return day, day
        noon = datetime.combine(date.fromisoformat(day), datetime.min.time()) + timedelta(hours=12)
        client, firm = [noon.replace(tzinfo=zone).utcoffset() for zone in self.zones]
        other = str(noon.date() + timedelta(days=(client > firm) - (client < firm)))
        return min(day, other), max(day, other)

    @staticmethod
    def state(case, signed, told):
        """Where the client lived that day, whenever it was told; an erased client's address is gone."""
        contacts = []
        for event in case:
            if event["event"] in ("enrolled", "contact_changed"):
                contacts.append((event["occurred_on"], event["payload"]["contact"]["address"]["state"]))
            elif event["event"] == "client_erased":
                contacts = []
        known = [(day, place) for place, (day, _) in enumerate(contacts) if day <= signed]
        return contacts[max(known)[1] if known else 0][1] if contacts else told

    def rows_of_agreements(self):
        """Agreements between which no day was without one: [first, last, last day of service or None]."""
        rows = []
        for agreement in self.agreements:
            last = rows[-1][2] if rows else None
            if rows and (last is None or agreement.signed <= last + timedelta(days=1)):
                rows[-1][1:] = [agreement, agreement.last_day]
            else:
                rows.append([agreement, agreement, agreement.last_day])
        return rows

    def turns(self):
        """Beginnings and ends of pauses. On one day an end is of the pause that was open before that day."""
        turns, days = [], {}
        for event in self.of("service_paused", "service_resumed"):
            days.setdefault(event["occurred_on"], []).append(event)
        for of_day in days.values():
            is_open = turns and turns[-1]["event"] == "service_paused"
            first = "service_resumed" if is_open else "service_paused"
            turns += sorted(of_day, key=lambda event: event["event"] != first)
        return turns

    def paused(self):
        """[what began a pause, what ended it or None]; one ends at the latest where the next row of agreements begins."""
        def next_row(began):
            return next((row[0].event for row in self.rows if began["occurred_on"] < row[0].event["occurred_on"]), None)
        pauses = []
        for turn in self.turns():
            open_ = pauses[-1] if pauses and pauses[-1][1] is None else None
            row = next_row(open_[0]) if open_ else None
            forgotten = row if row and row["occurred_on"] <= turn["occurred_on"] else None
            if open_ and (turn["event"] == "service_resumed" or forgotten):
                open_[1] = forgotten or turn
            if turn["event"] == "service_paused" and (open_ is None or forgotten):
                pauses.append([turn, None])
        if pauses and pauses[-1][1] is None:
            pauses[-1][1] = next_row(pauses[-1][0])
        return pauses

    def grid(self):
        periods = []
        for row in self.rows:
            start, is_first = row[0].signed, True
            while start <= self.today and (row[2] is None or start <= row[2]) and len(periods) < PERIODS_MAX:
                period = self.period(row, start, is_first, len(periods) + 1)
                if period.end <= start:
                    break
                periods.append(period)
                if period.is_paused:
                    break
                start, is_first = period.end, False
        return periods

    def period(self, row, start, is_first, number):
        agreement, begin = self.governing(row, start, is_first), start
        # A fee from before agreements were named with fees holds its days.
        named = [(date.fromisoformat(p["start"]), date.fromisoformat(p["end"])) for p in self.old_fees]
        named = [days for days in named if start < days[1]]
        around = next((days for days in named if days[0] <= start), None)
        if around:
            begin, end, is_paused = around[0], around[1], False
        else:
            end, is_paused = self.end_of(start)
            if named:
                until = min(days[0] for days in named)
                end, is_paused = min(end, until), is_paused and end <= until
        last = agreement.last_day if agreement and agreement.last_day else row[2]
        cut_on = last if last and last + timedelta(days=1) < end else None
        if cut_on and row[2] == cut_on:
            end = cut_on + timedelta(days=1)
        return Period(number, begin, end, agreement, is_first, cut_on, is_paused)

    def governing(self, row, start, is_first):
        """The newest whose service may begin by then; of the first period, the first."""
        of_row = self.agreements[self.agreements.index(row[0]):self.agreements.index(row[1]) + 1]
        serving = [a for a in of_row if a.service_from <= start or is_first and a is row[0]]
        newest = serving[-1] if serving else None
        return newest if newest and (newest.last_day is None or start <= newest.last_day) else None

    def end_of(self, start):
        """When a period ends by the rule of its first day, pauses left out, and whether a pause holds it open."""
        since = [rule for day, rule in self.billing if day <= start]
        if not self.billing:
            return start, False
        rule = since[-1] if since else self.billing[0][1]
        over = start + timedelta(days=rule.get("every_days", 28))
        for began, until in self.pauses:
            if day_of(began) < over:
                ended = day_of(until) if until else self.today + timedelta(days=1)
                over += max(timedelta(), ended - max(day_of(began), start))
        end = billing_day_from(over, rule["monthly_on"]) if "monthly_on" in rule else over
        return end, any(until is None and day_of(began) < end for began, until in self.pauses)

    def at(self, number):
        return self.periods[number - 1] if 0 < number <= len(self.periods) else None

    def period_of(self, day):
        return next((p for p in reversed(self.periods) if p.start <= day), None)

    def period_for(self, start, end):
        """The one with which other days share most; the earlier of two."""
        start, end = date.fromisoformat(start), date.fromisoformat(end)
        best = max(self.periods, key=lambda p: p.shared_days(start, end), default=None)
        return best if best and best.shared_days(start, end) else None

    def place(self, case):
        """[(event, kind, period)] of the work that counts for a period, by its days."""
        listings, placed, life = CreditFile(case).listings(), [], Life(case)
        kinds = {event: kind for kind, event in WORK.items()}
        for event in self.of(*kinds):
            kind = kinds[event["event"]]
            is_in_pause = any(self.is_in_pause(event, *pause) for pause in self.pauses)
            if any(a.serves(event) for a in self.agreements) and not is_in_pause \
                    and (kind != "dispute_round" or self.has_basis(event, listings)
                         and has_authority(life.changes, life.standing(), event)):
                period = self.completes(event)
                if period:
                    placed.append((event, kind, period))
        return placed

    @staticmethod
    def is_in_pause(event, began, until):
        """Work of a pause's first day was done before it, unless it is known to have come later."""
        on = event["occurred_on"]
        has_begun = began["occurred_on"] < on or began["occurred_on"] == on and is_before(began, event) is True
        return has_begun and (until is None or on < until["occurred_on"])

    @staticmethod
    def has_basis(event, listings):
        """Whether a round disputes something that its client said is wrong by then, or that was too old."""
        for letter in event["payload"]["letters"]:
            for item in letter["items"]:
                listing, attested = listings.get((item, letter["bureau"]), (None, None))
                too_old = listing and obsolete_from(listing)
                if attested and attested <= event["occurred_on"] or too_old and too_old <= day_of(event):
                    return True
        return False

    def completes(self, event):
        """The period of its day, or the one before if it says so in the days of grace."""
        day = day_of(event)
        own = self.period_of(day)
        if own is None or own.end <= day:
            return None
        before = self.at(own.number - 1)
        if before is None or before.end != own.start:
            return own
        if event["payload"].get("completes_before"):
            grace = before.agreement.terms.get("grace_days", GRACE_DAYS) if before.agreement else GRACE_DAYS
        elif any(piece["event"]["position"] == event["position"] and self.period_for(p["start"], p["end"]) is before
                 for p in self.old_fees for piece in p["evidence"]):
            grace = GRACE_DAYS
        else:
            return own
        return before if day < before.end + timedelta(days=grace) else own

    def promised(self, period, day):
        """The work promised for a period, and for each piece the earliest event that counts for it by a day or None."""
        left = [(event, kind) for event, kind, of in self.work if of is period and day_of(event) <= day]
        found = []
        for wanted in period.work():
            piece = next((piece for piece in left if piece[1] == wanted), None)
            if piece:
                left.remove(piece)
            found.append((wanted, piece and piece[0]))
        return found

    def is_given_up(self, period):
        return any(self.period_given_up(event) is period for event in self.given_up)

    def period_given_up(self, event):
        p = event["payload"]
        return self.period_for(p["start"], p["end"]) if "start" in p and "end" in p else self.at(p["period"])

    @staticmethod
    def price(period, case_id, accounts, payer):
        """The fee of a period: for a couple one of two shares, the account owner's with the odd cent."""
        if period.agreement is None:
            return None
        terms = period.agreement.terms
        price = dict(terms["prices"]["first_fee" if period.is_first else "monthly_fee"])
        if terms["seat"] == "couple":
            members = members_of(accounts.get(payer, []))
            half, has_odd_cent = minor(price) // 2, len(members) == 2 and members[0] == case_id
            price["minor"] = str(minor(price) - half if has_odd_cent else half)
        return price


def members_of(account):
    members = []
    for event in account:
        if event["event"] == "account_opened":
            members = [event["payload"]["owner"]]
        elif event["event"] == "member_linked":
            members.append(event["payload"]["member"])
        elif event["event"] == "member_unlinked":
            members = [member for member in members if member != event["payload"]["member"]]
    return members


def payer_of(case_id, account):
    """The account that pays for a case, by the events of its own."""
    moved = [event for event in account if event["event"] in ("payment_moved", "payment_moved_back")]
    return moved[-1]["payload"].get("to", case_id) if moved else case_id


class Claimed:
    """A claimed fee: the period that shares most of its days, and the line of an invoice on which it stands."""
    def __init__(self, event, period):
        self.event, self.period, self.invoice, self.asked_on, self.given_back = event, period, "", [], None

    def may_be_freed(self):
        """All of it was given back: whether that frees its period, only its gates say."""
        return self.given_back is not None and self.given_back >= minor(self.event["payload"]["amount"])


def claimed_fees(service, case_id, accounts):
    claimed, books = [], {account: Books.of(events) for account, events in accounts.items()}
    for at_, event in enumerate(service.fees):
        p = event["payload"]
        fee, key = Claimed(event, service.period_for(p["start"], p["end"])), (p["account"], p["start"], p["end"])
        # Days that were claimed twice stand on two lines.
        alike = sum((q["account"], q["start"], q["end"]) == key for q in (f["payload"] for f in service.fees[:at_]))
        invoices = books[p["account"]].invoices if p["account"] in books else {}
        lines = [(number, place) for number in sorted(invoices)
                 for place, line in enumerate(invoices[number]["event"]["payload"]["lines"])
                 if (line["case"], line["start"], line["end"]) == (case_id, p["start"], p["end"])]
        if alike < len(lines):
            number, place = lines[alike]
            invoice = invoices[number]
            fee.invoice, fee.asked_on = number, [invoice["event"]["occurred_on"]] + invoice["charges"]
            fee.given_back = invoice["lines"][place]["credited"]
        claimed.append(fee)
    return claimed


def shares(number, weights):
    """An amount in parts, by largest remainder."""
    if len(weights) == 1 or sum(weights) <= 0:
        return [number] * len(weights)
    parts = [abs(number) * weight // sum(weights) for weight in weights]
    order = sorted(range(len(weights)), key=lambda place: -(abs(number) * weights[place] % sum(weights)))
    for place in order[:abs(number) - sum(parts)]:
        parts[place] += 1
    return [part if number >= 0 else -part for part in parts]


class CreditFile:
    """What reports, letters, answers and notices of a case come to, each by its day."""
    def __init__(self, case):
        self.reports, self.rounds, self.answers, self.notices, self.bases = {}, [], {}, {}, {}
        self.delivered, self.informed, self.asked, self.done, self.gone = {}, {}, [], [], {}
        for event in case:
            self.apply(event)

    def apply(self, event):
        p, name = event["payload"], event["event"]
        bureau, item = p.get("bureau"), p.get("item")
        if name == "report_imported":
            self.imported(event)
        elif name == "item_listed":
            self.announced(event, dict(p), False)
        elif name == "item_deleted":
            self.announced(event, None, True)
        elif name == "item_reinserted" and p["seen_by"] != "notice":
            self.announced(event, None, False)
        elif name == "item_reinserted":
            self.notices.setdefault((item, bureau), []).append(event)
            self.gone[item, bureau] = False
        elif name in ("item_corrected", "item_verified"):
            self.gone[item, bureau] = False
        elif name == "basis_attested":
            self.bases.setdefault((item, bureau), []).append(event["occurred_on"])
        elif name == "round_sent":
            self.rounds = by_day(self.rounds + [event])
            for letter in p["letters"]:
                self.gone.update({(item, letter["bureau"]): False for item in letter["items"]})
        elif name == "response_received":
            self.answers[p["round"], bureau] = by_day(self.answers.get((p["round"], bureau), []) + [event])
            self.gone.update({(o["item"], bureau): False for o in p["outcomes"]
                              if o["outcome"] in ("frivolous", "no_answer")})
        elif name in ("letter_delivered", "client_information_sent"):
            told = self.delivered if name == "letter_delivered" else self.informed
            told[p["round"], bureau] = by_day(told.get((p["round"], bureau), []) + [event])
        elif name in ("bureau_asked", "bureau_answered"):
            (self.asked if name == "bureau_asked" else self.done).append(event)

    def imported(self, event):
        """A report with its list; one from before lists were kept has that of the log's order, if it was the latest."""
        p, listed = event["payload"], None
        known = self.reports.setdefault(p["bureau"], [])
        if "items" in p:
            listed = {seen["item"]: seen for seen in p["items"]}
        elif all(report["issued_on"] <= p["issued_on"] for report in known):
            there = sorted({item for report in known for item in report["list"] or ()})
            listed = {item: self.seen(item, p["bureau"]) for item in there if not self.gone.get((item, p["bureau"]))}
        known.append({"issued_on": p["issued_on"], "event": event, "list": listed, "is_told": "items" in p})
        known.sort(key=lambda report: (report["issued_on"], report["event"]["position"]))

    def announced(self, event, seen, is_gone):
        p = event["payload"]
        of_request = [report for report in self.reports.get(p["bureau"], ())
                      if report["event"]["request_id"] == event["request_id"] and not report["is_told"]]
        report = max(of_request, key=lambda report: report["event"]["position"], default=None)
        seen = seen or self.seen(p["item"], p["bureau"])
        if report and report["list"] is not None and seen and p.get("seen_by", "import") == "import":
            report["list"].pop(p["item"], None) if is_gone else report["list"].setdefault(p["item"], seen)
        self.gone[p["item"], p["bureau"]] = is_gone

    def seen(self, item, bureau):
        """An item as the latest report shows it that does; of several reports of a day the first."""
        shown = {}
        for report in self.reports.get(bureau, ()):
            if report["list"] and item in report["list"]:
                shown.setdefault(report["issued_on"], report["list"][item])
        return shown[max(shown)] if shown else None

    def keys(self):
        return sorted({(item, bureau) for bureau, reports in self.reports.items()
                       for report in reports for item in report["list"] or ()})

    def listings(self):
        """{(item, bureau): (values, first day of a basis)}"""
        shown = set(self.keys())
        return {key: (self.seen(*key) if key in shown else None, min(self.bases.get(key, []), default=None))
                for key in shown | set(self.bases)}

    def is_free(self, bureau, day):
        before = [report for report in self.reports.get(bureau, ()) if report["issued_on"] < day]
        of_day = [report for report in self.reports.get(bureau, ()) if report["issued_on"] == day]
        return any(report["event"]["payload"]["free_annual"] for report in of_day + before[-1:])

    def story(self, item, bureau):
        """What happened to a listing: (day, event, kind, more), in order."""
        weights, facts = ("no_answer", "frivolous", "verified", "corrected", "deleted"), []
        for event in self.rounds:
            if any(item in letter["items"] for letter in event["payload"]["letters"] if letter["bureau"] == bureau):
                number = event["payload"]["round"]
                facts.append((event["occurred_on"], 0, 0, event, number))
                facts += [(answer["occurred_on"], 1, weights.index(said["outcome"]), answer, (number, said["outcome"]))
                          for answer in self.answers.get((number, bureau), ())
                          for said in answer["payload"]["outcomes"] if said["item"] == item]
        facts += [(event["occurred_on"], 2, 0, event, None) for event in self.notices.get((item, bureau), ())]
        by_issue = {}
        for report in self.reports.get(bureau, ()):
            if report["list"] is not None:
                by_issue.setdefault(report["issued_on"], []).append(report)
        for day, reports in by_issue.items():
            showing = [report for report in reports if item in report["list"]]
            facts.append((day, 3, 0, (showing or reports)[0]["event"], bool(showing)))
        facts.sort(key=lambda fact: fact[:3] + (fact[3]["position"],))
        while facts:
            # What one request lists of a day keeps its order.
            at = next(n for n, fact in enumerate(facts) if not any(
                other[0] == fact[0] and other[3]["request_id"] == fact[3]["request_id"]
                and other[3]["position"] < fact[3]["position"] for other in facts))
            yield facts.pop(at)

    def concluded(self, item, bureau):
        """Where a listing stands, and every reinsertion: [first day there again, day of the notice]."""
        status, back, heard = None, [], set()
        for day, kind, _, _, more in self.story(item, bureau):
            is_gone = status == "deleted"
            if kind == 0:
                status = status if is_gone else "in_dispute"
            elif kind == 1:
                number, outcome = more
                if outcome == "no_answer" and (is_gone or number in heard):
                    continue
                heard |= set() if outcome == "no_answer" else {number}
                if outcome == "deleted":
                    status = "deleted"
                elif not (is_gone and outcome == "frivolous"):
                    status = "there"
            elif kind == 2 and back and not is_gone:
                back[-1][1] = back[-1][1] or day
            elif kind == 2 or more and is_gone:
                back.append([day, day if kind == 2 else ""])
                status = "there"
            elif more:
                status = status or "there"
            elif status:
                status = "deleted"
        return status, back

    def is_in_dispute(self):
        """The listings in dispute."""
        return [key for key in self.keys() if self.concluded(*key)[0] == "in_dispute"]

    def asks(self):
        """Each request to a bureau and the day it was met: by the first act after it that met none before."""
        asked, declined = [[event, ""] for event in by_day(self.asked)], set()
        for event in by_day(self.done):
            on, refused = event["occurred_on"], event["payload"].get("refused")
            if refused:
                decision = (event["payload"]["bureau"], refused["determined_on"])
                if refused["how"] == "rescinded" or decision in declined:
                    continue
                declined.add(decision)
                on = refused["determined_on"]
            for open_ in asked:
                asks = [e["payload"][k] for e in (open_[0], event) for k in ("ask", "bureau")]
                if not open_[1] and asks[:2] == asks[2:] and open_[0]["occurred_on"] <= on:
                    open_[1] = on
                    break
        return asked

    def block_notices(self):
        """Each decision of a bureau to decline or rescind a block: bureau, its day, the day its notice came, position."""
        found = {}
        for event in by_day(self.done):
            refused = event["payload"].get("refused")
            if refused:
                key = (event["payload"]["bureau"], refused["how"], refused["determined_on"])
                known = found.setdefault(key, [key[0], key[2], "", event["position"]])
                if refused["is_notice"]:
                    known[2] = known[2] or event["occurred_on"]
        return list(found.values())


class Life:
    """What the events of a case come to, one after another."""
    def __init__(self, case=()):
        self.enrolment, self.is_work_open, self.agreements, self.cancellations, self.ends = None, False, [], [], []
        self.settled, self.listed, self.attested, self.papers = set(), set(), set(), []
        self.letters, self.events, self.changes = set(), [], []
        for event in case:
            self.apply(event)

    def apply(self, event):
        p, name = event["payload"], event["event"]
        key = (p.get("item"), p.get("bureau"))
        self.events.append(event)
        if name == "enrolled":
            self.enrolment = p
        elif name == "work_opened":
            self.is_work_open = True
        elif name == "consent_signed":
            self.agreements = by_day(self.agreements + [event])
        elif name == "consent_cancelled":
            self.cancellations.append(event)
        elif name == "service_ended":
            self.ends.append(event)
        elif name in ("fee_earned", "period_closed_without_fee"):
            self.settled.add(p["period"])
        elif name == "item_listed":
            self.listed.add(key)
        elif name == "report_imported":
            self.listed |= {(seen["item"], p["bureau"]) for seen in p.get("items", ())}
        elif name == "basis_attested":
            self.attested.add(key)
        elif name == "round_sent":
            self.letters |= {(p["round"], letter["bureau"]) for letter in p["letters"]}
        elif name.startswith("identity_paper_"):
            self.papers.append(event)
        elif name == "circumstance_changed":
            self.changes.append(event)

    @staticmethod
    def is_in_days(cancellation, agreement):
        """Whether it was sent in the days of an agreement, as they were told at its signing."""
        return agreement["occurred_on"] <= cancellation["payload"]["sent_on"] <= agreement["payload"]["cancel_through"]

    def standing(self):
        """The agreements neither cancelled in their days nor signed behind the client's death, by the day of signing."""
        return [a for a in self.agreements if not any(self.is_in_days(c, a) for c in self.cancellations)
                and not self.is_behind_death(a)]

    def deaths(self):
        return [event for event in self.ends if event["payload"]["by"] == "death"]

    def is_behind_death(self, agreement):
        return any(is_before(died, agreement) is True for died in self.deaths())

    def is_served(self, day, done=None):
        """Whether an agreement was in force on a day of service; what was done on its last day unless known to be later."""
        ends = [(event, event["occurred_on"]) for event in self.ends]
        ends += [(c, c["payload"]["sent_on"]) for c in self.cancellations
                 if not any(self.is_in_days(c, a) for a in self.agreements)]
        def is_over(agreement):
            ending = [(event, on) for event, on in ends if agreement["occurred_on"] < on
                      or agreement["occurred_on"] == on and is_before(event, agreement) is not True]
            return any(on < day or on == day and done is not None and is_before(event, done) is True for event, on in ending)
        return any(a["payload"]["service_from"] <= day and not is_over(a) for a in self.standing())

    def stands(self, exposure):
        """Whether an exposure is not put right: no end and no cancellation does that."""
        p, day = exposure["payload"], exposure["occurred_on"]
        done = [e for e in self.events if e["event"] in ("bureau_asked", "round_sent") and e["occurred_on"] == day]
        if p["kind"] in ("early_service", "no_agreement"):
            return not self.is_served(day) or not all(self.is_served(day, event) for event in done)
        if p["kind"] == "dispute_without_basis":
            return any(key not in self.attested for key in CreditFile(self.events).is_in_dispute())
        if p["kind"] == "dispute_without_authority":
            alike = [e["position"] for e in self.events if e["event"] == "exposure_found" and "cause" in e
                     and e["payload"]["kind"] == p["kind"] and e["occurred_on"] == day]
            broken = [e for e in done if e["event"] == "round_sent"
                      and has_authority(self.changes, self.standing(), e) is False]
            return exposure["position"] not in alike[len(broken):]
        if p["kind"] == "signed_after_death":
            signed = [a for a in self.agreements if a["occurred_on"] == day]
            return "cause" not in exposure or any(map(self.is_behind_death, signed))
        if p["kind"] in ("charge_unauthorized", "charge_after_death") and not ("cause" in exposure and "amount" in p):
            return True
        if p["kind"] == "charge_after_death":
            return self.is_charged_after_death(day)
        if p["kind"] == "charge_unauthorized":
            return not self.is_charged_after_death(day) and is_unauthorized(self.changes, p["amount"], day)
        if p["kind"] == "papers_missing":
            return not self.has_papers()
        if p["kind"] == "signed_against_law":
            return any(agreement["occurred_on"] == day for agreement in self.agreements)
        if p["kind"] == "work_unsecured":
            return any(e["event"] in ("bureau_asked", *WORK.values()) and e["occurred_on"] == day for e in self.events)
        return p.get("period") not in self.settled

    def is_charged_after_death(self, day):
        return any(died["occurred_on"] < day for died in self.deaths())

    def is_early(self, day):
        return not any(agreement["payload"]["service_from"] <= day for agreement in self.standing())

    def has_papers(self):
        papers = {}
        for event in by_day(self.papers):
            p, name = event["payload"], event["event"]
            if name == "identity_paper_received":
                papers[p["paper"]] = (p["kind"], False)
            elif p["paper"] in papers:
                papers[p["paper"]] = (papers[p["paper"]][0], name == "identity_paper_accepted")
        return {("photo_id", True), ("residence", True)} <= set(papers.values())

    def exposures_of(self, event):
        """The exposures that are recorded with an event, for what it broke."""
        name, kinds = event["event"], []
        # A round in the days of a second agreement, after work was open, was not refused and is not told of as early.
        is_renewed = self.is_work_open and len(self.standing()) < len(self.agreements)
        if name == "bureau_asked" or name == "round_sent" and not is_renewed:
            if not self.standing():
                kinds.append("no_agreement")
            elif self.is_early(event["occurred_on"]):
                kinds.append("early_service")
        if name == "round_sent":
            keys = [(item, letter["bureau"]) for letter in event["payload"]["letters"] for item in letter["items"]]
            if not self.has_papers():
                kinds.append("papers_missing")
            if has_authority(self.changes, self.standing(), event) is False:
                kinds.append("dispute_without_authority")
            if any(key in self.listed and key not in self.attested for key in keys):
                kinds.append("dispute_without_basis")
        return kinds


# ---- What can have been recorded, FORMAT.md ---------------------------------------------------------------

LAWS = {"dispute_without_authority": "common law of agency", "signed_after_death": "15 USC 1679d(a)(1)",
        "charge_unauthorized": "12 CFR 1005.10(b) to (d)", "charge_after_death": "common law of agency",
        "early_service": "15 USC 1679d(a)(2)", "dispute_without_basis": "15 USC 1679b(a)(1)",
        "no_agreement": "15 USC 1679d(a)(1)", "papers_missing": "common practice, no source",
        "fee_asked_unearned": "15 USC 1679b(b); 16 CFR 310.4(a)(2)", "payment_unearned": "15 USC 1679b(b)",
        "signed_against_law": "15 USC 1679j", "work_unsecured": "15 USC 1679j"}


def following(events, place, name):
    """The events of one type that follow one in its stream at once, of the same request."""
    for event in events[place + 1:]:
        if event["event"] != name or event["request_id"] != events[place]["request_id"]:
            return
        yield event


def of_mark(before, mark):
    """What is wrong with what is concluded of a fee, beside the case's events before it."""
    fee = next((event for event in before if event["event"] == "fee_earned"
                and event["position"] == mark["fee"]["position"] and event["event_id"] == mark["fee"]["id"]), None)
    if fee is None:
        return ["it marks a fee that was not claimed before it"]
    wrong = []
    last = next((event["payload"] for event in reversed(before) if event["event"] == "fee_marked"
                 and event["payload"]["fee"] == mark["fee"]), None)
    for name in ("exposed", "owed", "open"):
        if minor(mark[name + "_before"]) != (minor(last[name]) if last else 0):
            wrong.append("its %s_before is not what was marked last" % name)
        if minor(mark[name]) < 0:
            wrong.append("its %s is below zero" % name)
    if "given_back_before" in mark and minor(mark["given_back_before"]) != (minor(last["given_back"]) if last else 0):
        wrong.append("its given_back_before is not what was marked last")
    if mark.get("returned_before") != (last or {}).get("returned"):
        wrong.append("its returned_before is not what was marked last")
    if "returned" in mark and minor(mark["returned"]) <= 0:
        wrong.append("its returned is not above zero")
    if mark.get("kept_before") != (last or {}).get("kept"):
        wrong.append("its kept_before is not what was marked last")
    kept = minor(mark["kept"]) if "kept" in mark else 0
    decided = kept_of(before, mark["fee"])
    if "kept" in mark and not 0 < kept <= (minor(decided["amount"]) if decided else 0):
        wrong.append("more is kept than counsel decided to keep")
    lost = {name: mark.get(name, {}) for name in ("lost", "lost_before")}
    if lost["lost_before"] != (last or {}).get("lost", {}):
        wrong.append("its lost_before is not what was marked last")
    if any(minor(part) < 0 for part in lost["lost"].values()):
        wrong.append("its lost is below zero")
    if mark["account"] != fee["payload"]["account"]:
        wrong.append("it names another account than the fee")
    if minor(mark["exposed"]) > minor(fee["payload"]["amount"]):
        wrong.append("more is exposed than the fee")
    if minor(mark["owed"]) + kept + minor(mark["open"]) + sum(map(minor, lost["lost"].values())) > minor(mark["exposed"]):
        wrong.append("more is owed, kept, open and lost than is exposed")
    if mark["standing"] == "exposed" and mark["exposed"] != fee["payload"]["amount"]:
        wrong.append("less than the whole of a fee that nothing allowed is exposed")
    return wrong


def stands(mark):
    """How a marked fee stands: the first mark of a run alike says since when."""
    return minor(mark["exposed"]) > 0, mark["standing"] == "unproved"


def kept_of(before, fee):
    """The last decision to keep money of a fee; nothing if there is none."""
    return next((event["payload"] for event in reversed(before) if event["event"] == "fee_kept"
                 and event["payload"]["fee"] == fee), None)


def of_keeping(before, kept):
    """What is wrong with a decision to keep money of a fee, beside the case's events before it."""
    fee = next((event for event in before if event["event"] == "fee_earned"
                and event["position"] == kept["fee"]["position"] and event["event_id"] == kept["fee"]["id"]), None)
    named = "of the fee claimed at position %d this could not be kept: " % kept["fee"]["position"]
    if fee is None:
        return [named + "it was not claimed before it"]
    wrong, last = [], kept_of(before, kept["fee"])
    if not minor(kept["amount"]) <= minor(kept["exposed"]) <= minor(fee["payload"]["amount"]):
        wrong.append(named + "it is more than is exposed, or more is exposed than the fee")
    if minor(kept["amount"]) < 0 or kept["amount"]["currency"] != fee["payload"]["amount"]["currency"]:
        wrong.append(named + "it is below zero or in another currency than the fee")
    if minor(kept["amount"]) == 0 and (last is None or minor(last["amount"]) == 0):
        wrong.append(named + "no decision that it takes back was in force")
    return wrong


class FirmRecord:
    """What clients' events name of the firm's, each with its position."""
    def __init__(self):
        self.is_begun, self.registered, self.zone, self.packs, self.plans = False, None, None, [], []
        self.backed, self.facts, self.ended, self.anew = [], {}, {}, None
        self.told_anew, self.not_anew, self.standings, self.reviews = None, [], [], []

    @property
    def currency(self):
        return self.registered and self.registered["currency"]

    def take(self, event):
        """Takes the next event of the log, of any stream: what is wrong with it."""
        wrong, name, p, position = [], event["event"], event["payload"], event["position"]
        if event["stream"] == "firm":
            is_first, self.is_begun = not self.is_begun, True
            if self.told_anew and self.told_anew != (position - 1, name):
                self.not_anew.append(self.told_anew[0])
            self.told_anew = (position, p["kind"]) if name == "firm_corrected" and p.get("again") else None
            if name == "firm_registered" and self.registered:
                wrong.append("the firm is registered a second time")
            elif name == "firm_registered":
                self.registered, self.zone = p, zone_of(p["zone"])
            elif name == "pack_adopted":
                # What is told anew stands behind what it is told in the stead of.
                places = [at for at, (_, known) in enumerate(self.packs) if self.ended.get(id(known)) == position - 1] \
                    if self.anew == position else []
                self.packs.insert(places[0] + 1 if places else len(self.packs), (position, p["pack"]))
            elif name in ("standing_recorded", "standing_ended"):
                self.standings.append((position, name, p))
            elif name in ("pack_confirmed", "pack_used_at_own_risk"):
                self.backed.append((position, p["code"], p["version"], float("inf")))
            elif name == "firm_corrected":
                at = p["fact"]["position"]
                if self.facts.pop(at, None) != (p["fact"]["id"], p["kind"]):
                    wrong.append("no fact in force of this kind stands there")
                if p["kind"] in ("standing_recorded", "standing_ended"):
                    self.ended["standing", at] = position
                for known, pack in self.packs:
                    if known == at:
                        self.ended[id(pack)] = position
                self.backed = [backed[:3] + (min(backed[3], position),) if backed[0] == at else backed for backed in self.backed]
                self.anew = position + 1 if p.get("again") else None
            elif name == "access_granted":
                if {"correct", "accept"} & set(p["scopes"]) and {"record", "bill"} & set(p["scopes"]):
                    wrong.append("a token that corrects or accepts also records or bills")
            elif name == "fees_reviewed":
                self.reviews.append((position, p["edition"]))
            elif name == "plan_published":
                self.plans.append((position, event["occurred_on"], p["plan"]))
            if name in KINDS_OF_FIRM:
                self.facts[position] = (event["event_id"], name)
            if name == "firm_registered" and position != 1:
                wrong.append("the firm is registered, and it is not the first thing in the log")
            if is_first and not self.registered:
                wrong.append("the firm was not registered before it")
        if self.registered:
            # Where zones are not known: no zone is more than a day before UTC.
            today = recorded(event).astimezone(self.zone).date() if self.zone \
                else recorded(event).date() + timedelta(days=1)
            if event["occurred_on"] > str(today):
                wrong.append("it happened after %s, the day on which it was recorded" % today)
        return wrong

    def adopted(self, before):
        end = float("inf") if before is None else before
        return [pack for position, pack in self.packs if position < end <= self.ended.get(id(pack), float("inf"))]

    def is_backed(self, pack, before):
        """Whether counsel or the firm itself stands for a pack; nobody has to for the federal one."""
        adopted = next(position for position, known in self.packs if known is pack)
        end = float("inf") if before is None else before
        return "state" not in pack or pack["confirmed_by_counsel"] or any(
            adopted < position < end <= until and (code, version) == (pack["code"], pack["version"])
            for position, code, version, until in self.backed)

    def pack_on(self, state, day, before):
        """The version of a jurisdiction's pack that is in force on a day: the newest, of the code adopted last."""
        known = self.adopted(before)

        def gives_way(pack):
            return any(newer["code"] == pack["code"] and newer["version"] > pack["version"] and newer["in_force_from"] <= day
                       and pack["in_force_from"] <= newer.get("in_force_through", pack["in_force_from"]) for newer in known)
        found = [pack for pack in known if pack.get("state") == state and not gives_way(pack)
                 and pack["in_force_from"] <= day <= pack.get("in_force_through", day)]
        return max((pack for pack in found if pack["code"] == found[-1]["code"]), key=lambda pack: pack["version"], default=None)

    def stands(self, kind, state, day, before):
        """Whether something is on file with a state on a day."""
        end = float("inf") if before is None else before
        told = [(at, name, p) for at, name, p in self.standings
                if at < end <= self.ended.get(("standing", at), float("inf")) and (p["kind"], p["state"]) == (kind, state)]
        ends = [p for _, name, p in told if name == "standing_ended"]
        return any(p["valid_from"] <= day <= min([p["valid_through"]] + [
            e["last_day"] for e in ends if e["valid_from"] == p["valid_from"]]) for _, name, p in told if name == "standing_recorded")

    def reaching(self, state, activity, signed, before):
        """The packs of states whose law reaches an agreement, the client's own first."""
        offices = {p["state"] for _, _, p in self.standings
                   if p["kind"] == "office" and self.stands("office", p["state"], signed, before)}
        for other in [state] + sorted((offices | set(activity)) - {state}):
            pack = self.pack_on(other, signed, before)
            limbs = pack and pack.get("reach", {}).get("limbs", ())
            if pack is None or "exempt" in pack and self.stands("exemption", other, signed, before):
                continue
            if other == state or "contract_activity" in limbs or other in offices and "firm_located" in limbs:
                yield pack

    def rules_of_signing(self, state, activity, signed, before):
        """What an agreement of a day is judged by; None without a federal pack."""
        packs = [pack for pack in self.reaching(state, activity, signed, before) if self.is_backed(pack, before)]
        return self.merged(self.pack_on(None, signed, before), packs, signed)

    def edition(self, before):
        """The edition of the rules that fees were claimed by before a position: nothing is claimed before a review was noted
        under it. Without one, and at the end, the newest."""
        return next((edition for at, edition in reversed(self.reviews) if at < before), DEATH_ASKED_SINCE) \
            if before is not None else DEATH_ASKED_SINCE

    def has_pack(self, wanted, before):
        return any(wanted == {"code": pack["code"], "version": pack["version"]} for pack in self.adopted(before))

    def terms(self, enrolment, before, on=None, as_told=False):
        """What the plan of an enrolment promises, in the version enrolled on or in that of a day; None if it was not
        offered. Older software took the version of a day in the order of telling."""
        known = [(day, plan) for position, day, plan in self.plans
                 if (before is None or position < before) and plan["code"] == enrolment["plan"]]
        if not as_told:
            known.sort(key=lambda version: version[0])
        if on is None:
            found = [plan for _, plan in known if plan["version"] == enrolment["plan_version"]][:1]
        else:
            found = [plan for day, plan in known if day <= on][-1:] or [plan for _, plan in known][:1]
        for plan in found:
            if enrolment["seat"] in plan:
                terms = {name: plan[name] for name in ("first_work", "grace_days", "monthly_work", "periods") if name in plan}
                return dict(terms, prices=plan[enrolment["seat"]], seat=enrolment["seat"])
        return None

    def rules(self, state, signed, before):
        """What an agreement's own rules are: of the packs followed before a position, and as earlier software took them,
        which went by the order of adoption alone."""
        def in_force(of):
            found = [p for p in self.adopted(before) if p.get("state") == of
                     and p["in_force_from"] <= signed <= p.get("in_force_through", signed)]
            return found[-1] if found else None
        for own, federal in ((self.pack_on(state, signed, before), self.pack_on(None, signed, before)),
                             (in_force(state), in_force(None))):
            yield self.merged(federal, [own] if own else [], signed)

    @staticmethod
    def merged(federal, states, signed):
        """The federal pack and the states': of each what protects most."""
        if federal is None or not {"cancellation", "performance", "telemarketing"} <= set(federal):
            return None
        packs = [federal] + states
        rules = {"packs": [{"code": pack["code"], "version": pack["version"]} for pack in packs]}

        def stated(name):
            return [pack[name] for pack in packs if name in pack]
        for name in ("monthly_statement", "prohibited", "registration"):
            rules[name] = stated(name)[-1:]
        # Of two alike the state's bond, and the federal of all others.
        rules["bond"] = sorted(stated("bond"), key=lambda bond: minor(bond["amount"]))[-1:]
        rules["perform_within"] = sorted(stated("perform_within"), key=lambda rule: rule["days"])[:1]
        rules = {name: value[0] if name != "packs" else value for name, value in rules.items() if value}
        rules["cancellation"] = max(stated("cancellation"), key=lambda rule: cancellation_window(signed, rule))
        whole = [rule for rule in stated("performance")[1:] if rule["reading"] == "whole_contract"]
        rules["performance"] = (whole or [federal["performance"]])[-1]
        sales = federal["telemarketing"]
        for rule in stated("telemarketing")[1:]:
            is_wider = set(rule["exempt"]) >= set(sales["exempt"])
            sales = {"cites": (sales if is_wider else rule)["cites"],
                     "exempt": [channel for channel in sales["exempt"] if channel in rule["exempt"]]}
        rules["telemarketing"] = sales
        return rules


NOT_ANEW = "it says that the fact is told anew, and it is not"


def zone_of(name):
    try:
        from zoneinfo import ZoneInfo
        return ZoneInfo(name)
    except Exception:
        return None


class Books:
    """What the events of an account come to."""
    def __init__(self):
        self.is_opened, self.invoices, self.payments, self.backs, self.refunds = False, {}, {}, {}, {}
        self.told, self.places, self.deposited, self.beyond = {}, {}, set(), 0

    @classmethod
    def of(cls, events):
        books = cls()
        for event in events:
            books.apply(event)
        return books

    def open(self, number):
        """What is open on an invoice; nothing on one that was not issued."""
        invoice = self.invoices.get(number)
        if invoice is None:
            return 0
        return minor(invoice["event"]["payload"]["total"]) - invoice["paid"] - invoice["credited"] - invoice["written_off"]

    def not_credited(self, number):
        """What was not credited of an invoice."""
        invoice = self.invoices[number]
        return max(0, minor(invoice["event"]["payload"]["total"]) - invoice["credited"])

    def due(self, number):
        """What nobody paid or forgave of an invoice: what was given up is recovered by a payment."""
        return self.open(number) + self.invoices.get(number, {"written_off": 0})["written_off"]

    def split(self, number, name, sum_, named):
        """What of a sum is each line's: as the event names it, else its share of the whole sum."""
        invoice = self.invoices[number]
        lines = invoice["event"]["payload"]["lines"]
        if named is None:
            weights = [minor(line["amount"]) for line in lines]
            before, after = shares(invoice[name], weights), shares(invoice[name] + sum_, weights)
            return [b - a for a, b in zip(before, after)]
        parts = [0] * len(lines)
        for part in named:
            if part["invoice"] == number and 0 < part["line"] <= len(parts):
                parts[part["line"] - 1] += minor(part["amount"])
        return parts

    def add(self, number, name, sum_, named, sign=1):
        """Adds to a sum of an invoice and of its lines, or takes from it."""
        parts = self.split(number, name, sum_ * (sign if named is None else 1), named)
        parts = parts if named is None else [sign * part for part in parts]
        self.invoices[number][name] += sign * sum_
        for line, part in zip(self.invoices[number]["lines"], parts):
            line[name] += part
        return parts

    def shared(self, event):
        """The invoices that an event's money is of, and how much: what their lines share."""
        p, name = event["payload"], event["event"]
        if name == "payment_settled":
            return [(a["invoice"], minor(a["amount"])) for a in p["applied"]]
        if name in ("refund_requested", "refund_issued", "chargeback_opened"):
            return self.taken_back(p["payment"], minor(p["amount"]))[1] if p["payment"] in self.payments else []
        return [(p["invoice"], minor(p["amount"]))] if name in ("credit_granted", "written_off") else []

    def cover(self, event):
        """The lines that money is of, if what it says of them was exposed; nothing if each invoice has one alone."""
        p, name, found, several = event["payload"], event["event"], [], False
        exposed = {(part["invoice"], part["line"]): minor(part["exposed"]) for part in p.get("lines", ())
                   if "exposed" in part}
        for number, sum_ in self.shared(event):
            if number not in self.invoices:
                continue
            lines, turns = self.invoices[number]["event"]["payload"]["lines"], []
            several |= len(lines) > 1
            for place, (line, sums) in enumerate(zip(lines, self.invoices[number]["lines"]), 1):
                open_ = max(0, minor(line["amount"]) - sums["paid"] - sums["credited"] - sums["written_off"])
                allowed = max(0, minor(line["amount"]) - exposed.get((number, place), 0))
                owed = max(0, sums["paid"] - allowed)
                of_exposed = max(0, open_ - max(0, allowed - sums["paid"]))
                if name in ("payment_settled", "written_off"):
                    beyond = max(0, sums["written_off"] if name == "payment_settled" else minor(line["amount"]) - open_)
                    turns.append((max(0, open_ - of_exposed), of_exposed, beyond))
                elif name == "credit_granted":
                    turns.append((of_exposed, max(0, open_ - of_exposed), max(0, minor(line["amount"]) - open_)))
                elif name in ("refund_requested", "refund_issued"):
                    turns.append((owed, max(0, sums["paid"] - owed)))
                else:
                    held = min(self.payments[p["payment"]]["held"].get((number, place), 0), max(0, sums["paid"]))
                    turns.append((held, max(0, sums["paid"] - held)))
            for place, part in enumerate(in_turns(sum_, turns), 1):
                part_exposed = exposed.get((number, place), 0)
                if part > 0 or part_exposed > 0:
                    found.append((number, place, part, max(0, part_exposed)))
        return found if several else None

    def owed(self, event):
        """What a refund gives back of what is owed, if what it says of lines was exposed."""
        p, found = event["payload"], []
        exposed = {(part["invoice"], part["line"]): minor(part["exposed"]) for part in p["owed"] if "exposed" in part}
        for number, sum_ in self.shared(event):
            invoice = self.invoices.get(number)
            wholes = invoice["event"]["payload"]["lines"] if invoice else []
            for place, (line, sums) in enumerate(zip(wholes, invoice["lines"] if invoice else []), 1):
                if (number, place) not in exposed:
                    continue
                share = sum_ if "lines" not in p else sum(
                    minor(part["amount"]) for part in p["lines"] if (part["invoice"], part["line"]) == (number, place))
                owed = max(0, sums["paid"] - max(0, minor(line["amount"]) - exposed[number, place]))
                if min(share, owed) > 0:
                    found.append((number, place, min(share, owed), exposed[number, place]))
        return found

    def taken_back(self, name, sum_):
        """What goes back of what is unearned, and of what pays invoices."""
        payment = self.payments[name]
        holds = min(sum_, max(0, payment["amount"] - payment["returned"]))
        unearned = min(holds, max(0, payment["unearned"]))
        left, parts = holds - unearned, []
        for number, applied in payment["applied"]:
            if number in self.invoices:
                parts.append((number, min(left, applied, max(0, self.invoices[number]["paid"]))))
                left -= parts[-1][1]
        return unearned, parts

    def take_back(self, name, sum_, named):
        unearned, parts = self.taken_back(name, sum_)
        payment = self.payments[name]
        payment["unearned"] -= unearned
        payment["returned"] += sum_
        for part in named or ():
            key = (part["invoice"], part["line"])
            if key in payment["held"]:
                payment["held"][key] = max(0, payment["held"][key] - minor(part["amount"]))
        return unearned, parts

    def instead(self, name, sum_):
        """What a refund gives back that chargebacks told before it had taken: of what was unearned, and of invoices."""
        standing = sorted((back["on"], key) for key, back in self.backs.items()
                          if back["payment"] == name and back["status"] in ("open", "lost"))
        found, opened = [], {}
        for _, key in standing:
            back, of_invoices = self.backs[key], []
            unearned = min(sum_, back["unearned"])
            sum_ -= unearned
            for number, part in back["parts"]:
                opened.setdefault(number, max(0, self.open(number)))
                part = min(sum_, part, opened[number])
                opened[number], sum_ = opened[number] - part, sum_ - part
                if part > 0:
                    of_invoices.append((number, part))
            found.append((key, of_invoices, unearned))
        return found

    def take_instead(self, instead, sign):
        """What a refund gave back instead, a chargeback took of nothing."""
        for key, of_invoices, unearned in instead:
            back, taken = self.backs[key], dict(of_invoices)
            back["unearned"] -= sign * unearned
            back["parts"] = [(number, part - sign * taken.get(number, 0)) for number, part in back["parts"]]
            for number, part in of_invoices:
                self.invoices[number]["back"] -= sign * part

    def waits(self, number):
        """Whether nobody said what became of a request for a refund."""
        request = self.refunds.get(number)
        return request is not None and not request["failed"] and not request["refund"]

    def sums(self):
        """Every sum of invoices and payments, by where it stands."""
        for number, invoice in self.invoices.items():
            for name in ("paid", "credited", "written_off", "back", "lost"):
                yield (invoice, name), invoice[name]
            for line in invoice["lines"]:
                for name in line:
                    yield (line, name), line[name]
        for payment in self.payments.values():
            for name in ("returned", "unearned"):
                yield (payment, name), payment[name]
            for line in payment["held"]:
                yield (payment["held"], line), payment["held"][line]

    def apply(self, event):
        """Takes an event in; of a fact about money also what it moved, so that it can be taken back."""
        p, name = event["payload"], event["event"]
        if name == "money_corrected":
            return self.take_out(event)
        if name not in KINDS_OF_MONEY:
            return self.take_in(event)
        return self.note(event, lambda: self.take_in(event))

    def note(self, event, tell):
        """Tells a fact about money, and keeps what it moved."""
        p, name, self.beyond = event["payload"], event["event"], 0
        before = {(id(of), at): sum_ for (of, at), sum_ in self.sums()}
        tell()
        moved = [(of, at, sum_ - before.get((id(of), at), 0)) for (of, at), sum_ in self.sums()]
        own = p.get({"payment_settled": "payment", "refund_issued": "refund"}.get(name, "chargeback"))
        self.told[event["position"]] = {
            "event": event, "moved": [part for part in moved if part[2] != 0], "name": own, "beyond": self.beyond,
            "place": self.places.get(event["position"], event["position"])}

    def take_out(self, event):
        """A fact that was told wrongly moved nothing."""
        p = event["payload"]
        fact = self.told.pop(p["fact"]["position"], None)
        if fact is None:
            return
        name, kind = fact["name"], fact["event"]["event"]
        for of, at, sum_ in fact["moved"]:
            # What a credit made unearned of payments stays so until all is gone through by its days.
            if kind != "credit_granted" or at != "unearned":
                of[at] -= sum_
        if kind == "payment_settled":
            self.payments.pop(name, None)
        elif kind in ("refund_issued", "chargeback_opened"):
            for key, of_invoices, unearned in self.backs.get(name, {}).get("instead", ()):
                back, given = self.backs[key], dict(of_invoices)
                back["unearned"] += unearned
                back["parts"] = [(number, part + given.get(number, 0)) for number, part in back["parts"]]
            self.backs.pop(name, None)
            answered = self.refunds.get(fact["event"]["payload"].get("request"))
            if answered is not None:  # that refund was never made: its request waits again
                answered["refund"] = False
        elif kind in ("chargeback_won", "chargeback_lost") and name in self.backs:
            was_lost = kind == "chargeback_won" and any(
                told["event"]["event"] == "chargeback_lost" and told["name"] == name for told in self.told.values())
            self.backs[name]["status"] = "lost" if was_lost else "open"
        for invoice in self.invoices.values():
            invoice["steps"] = [step for step in invoice["steps"] if step[1] != p["fact"]["position"]]
        if "again" in p:
            self.places[event["position"] + 1] = fact["place"]

    def resting_on(self, position):
        """The facts of the same money told since, and whether it stands behind a line of the bank's."""
        fact = self.told[position]
        kind, name = fact["event"]["event"], fact["name"]
        payment = name if kind == "payment_settled" else self.backs.get(name, {}).get("payment")
        movement = {"payment_settled": "payment", "refund_issued": "refund", "chargeback_opened": "chargeback"}.get(kind, kind)
        since = [at for at, later in self.told.items()
                 if at != position and (at > position or later["place"] > fact["place"]) and later["event"]["event"] != "payment_settled"
                 and self.backs.get(later["name"], {}).get("payment") == payment] if payment is not None else []
        since += [number for number, request in self.refunds.items() if self.waits(number) and request["payment"] == payment]
        return since, (movement, name) in self.deposited

    def step(self, number, event, is_asked):
        """A charge is asked for, or answered."""
        place = self.places.get(event["position"], event["position"])
        steps = self.invoices[number]["steps"]
        steps.append((place, event["position"], is_asked))
        steps.sort(key=lambda step: step[0])

    def is_waiting(self, number):
        """Whether a charge of an invoice waits for its answer."""
        steps = self.invoices[number]["steps"] if number in self.invoices else []
        return bool(steps) and steps[-1][2]

    def take_in(self, event):
        p, name, invoices = event["payload"], event["event"], self.invoices
        self.is_opened = True
        if name == "invoice_issued":
            invoices[p["number"]] = {"event": event, "issued_on": event["occurred_on"], "paid": 0, "credited": 0, "written_off": 0, "back": 0, "lost": 0, "steps": [],
                                     "charges": [], "lines": [{"paid": 0, "credited": 0, "written_off": 0} for _ in p["lines"]]}
        elif name in ("charge_requested", "payment_failed") and p["invoice"] in invoices:
            self.step(p["invoice"], event, name == "charge_requested")
            invoices[p["invoice"]]["charges"] += [event["occurred_on"]] * (name == "charge_requested")
        elif name == "payment_settled":
            applied = [(a["invoice"], minor(a["amount"])) for a in p["applied"]]
            self.payments[p["payment"]] = {"amount": minor(p["amount"]), "applied": applied, "returned": 0,
                                           "on": event["occurred_on"], "meant": p.get("meant"), "unearned": minor(p["unearned"]), "found": minor(p["unearned"]),
                                           "held": {(part["invoice"], part["line"]): minor(part["amount"])
                                                    for part in p.get("lines", ())}}
            for number, part in applied:
                if number in invoices:
                    recovered = max(0, part - max(0, self.open(number)))
                    self.add(number, "paid", part, p.get("lines"))
                    self.make_good(number, recovered)
                    self.step(number, event, False)
        elif name == "refund_requested":
            self.refunds[p["number"]] = {"payment": p["payment"], "failed": False, "refund": False}
        elif name == "refund_failed" and p["number"] in self.refunds:
            self.refunds[p["number"]]["failed"] = True
        elif name in ("refund_issued", "chargeback_opened") and p["payment"] in self.payments:
            if p.get("request") in self.refunds:
                self.refunds[p["request"]]["refund"] = True
            into, as_ = ("credited", "refund") if name == "refund_issued" else ("back", "chargeback")
            unearned, parts = self.taken_back(p["payment"], minor(p["amount"]))
            instead = self.instead(p["payment"], minor(p["amount"]) - unearned - sum(part for _, part in parts)) \
                if name == "refund_issued" else []
            self.beyond = minor(p["amount"]) - unearned - sum(part for _, part in parts)
            self.take_back(p["payment"], minor(p["amount"]), p.get("lines"))
            self.take_instead(instead, 1)
            for _, of_invoices, _ in instead:
                for number, part in of_invoices:
                    wholes = invoices[number]["event"]["payload"]["lines"]
                    open_ = [(max(0, minor(whole["amount"]) - sum(line.values())),)
                             for line, whole in zip(invoices[number]["lines"], wholes)]
                    invoices[number]["credited"] += part
                    for line, of_line in zip(invoices[number]["lines"], in_turns(part, open_)):
                        line["credited"] += of_line
            for number, part in parts:
                self.add(number, "paid", part, p.get("lines"), -1)
                if into == "credited":
                    self.add(number, into, part, p.get("lines"))
                else:
                    invoices[number][into] += part
            self.backs[p[as_]] = {"payment": p["payment"], "lines": p.get("lines"), "amount": minor(p["amount"]),
                                  "unearned": unearned, "parts": parts, "status": "open" if as_ == "chargeback" else None,
                                  "on": event["occurred_on"], "instead": instead}
        elif name == "chargeback_won" and p["chargeback"] in self.backs:
            back = self.backs[p["chargeback"]]
            unearned, back["status"] = back["unearned"], "won"
            self.beyond = unearned + sum(part for _, part in back["parts"]) - back["amount"]
            for number, part in back["parts"]:
                invoice = invoices[number]
                invoice["back"] -= part
                if back["lines"] is None:
                    due = min(part, max(0, self.open(number)))
                    recovered = min(part - due, max(0, invoice["written_off"]))
                    self.add(number, "paid", due + recovered, None)
                    self.add(number, "written_off", recovered, None, -1)
                    invoice["lost"] -= recovered
                    unearned += part - due - recovered
                else:
                    unearned += part - self.give_again(number, back, part, "whole" in p)
            self.payments[back["payment"]]["unearned"] += unearned
            self.payments[back["payment"]]["returned"] -= back["amount"]
        elif name == "chargeback_lost" and p["chargeback"] in self.backs:
            if self.backs[p["chargeback"]]["status"] != "won":
                self.backs[p["chargeback"]]["status"] = "lost"
        elif name in ("money_deposited", "money_undeposited"):
            movements = {(movement["kind"], movement["name"]) for movement in p["movements"]}
            self.deposited = self.deposited | movements if name == "money_deposited" else self.deposited - movements
        elif name == "lines_shared" and p["invoice"] in invoices:
            for line, sums in zip(invoices[p["invoice"]]["lines"], p["lines"]):
                line.update((of, minor(sums[of])) for of in line)
        elif name == "money_restated":
            self.restate(p)
        elif name == "unearned_payment_found" and p["payment"] in self.payments:
            self.payments[p["payment"]]["found"] = minor(p["amount"])
        elif name in ("credit_granted", "written_off") and p["invoice"] in invoices:
            invoice = invoices[p["invoice"]]
            if name == "written_off":
                invoice["lost"] += min(minor(p["amount"]), max(0, invoice["back"] - invoice["written_off"]))
            self.add(p["invoice"], "credited" if name == "credit_granted" else name, minor(p["amount"]), p.get("lines"))

    def make_good(self, number, sum_):
        """So much of what was given up is paid or forgiven: bad debt before what a bank had taken."""
        invoice = self.invoices[number]
        if sum_ <= 0:
            return
        invoice["lost"] -= max(0, sum_ - max(0, invoice["written_off"] - invoice["lost"]))
        invoice["written_off"] -= sum_
        wholes = [minor(line["amount"]) for line in invoice["event"]["payload"]["lines"]]
        turns = []
        for line, whole in zip(invoice["lines"], wholes):
            first = min(max(0, sum(line.values()) - whole), max(0, line["written_off"]))
            turns.append((first, max(0, line["written_off"]) - first))
        for line, part in zip(invoice["lines"], in_turns(sum_, turns)):
            line["written_off"] -= part

    def place(self, fact):
        """Where a fact stands among the others by its day."""
        event, name, kind = fact["event"], fact["name"], fact["event"]["event"]
        on = event["occurred_on"]
        if kind != "payment_settled" and name in self.backs:
            back = self.backs[name]
            on = max(on, back["on"], self.payments[back["payment"]]["on"])
        size = minor(event["payload"]["amount"]) if kind in ("credit_granted", "written_off") else 0
        return on, ByDays.RANKS.get(kind, 6), name or "", size

    def by_days(self, edition):
        """The account as it would stand if everything had been told in the order of the days, by a reading of those."""
        anew, facts = Books(), sorted(self.told.values(), key=self.place)
        anew.places, anew.refunds, anew.deposited = self.places, {}, self.deposited
        for number, invoice in self.invoices.items():
            nothing = dict.fromkeys(("paid", "credited", "written_off", "back", "lost"), 0)
            lines = [{"paid": 0, "credited": 0, "written_off": 0} for _ in invoice["lines"]]
            anew.invoices[number] = dict(invoice, steps=[], charges=[], lines=lines, **nothing)
        for fact in facts:
            anew.tell(self, fact, edition)
            for payment in anew.payments.values():
                payment["found"] = max(payment["found"], payment["unearned"])
        for fact in facts:
            p = fact["event"]["payload"]
            if fact["event"]["event"] == "written_off":
                done = sum(sum_ for of, at, sum_ in anew.told[fact["event"]["position"]]["moved"]
                           if of is anew.invoices[p["invoice"]] and at == "written_off")
                more = min(minor(p["amount"]) - done, max(0, anew.open(p["invoice"])))
                if more > 0:
                    kept = anew.told[fact["event"]["position"]]["moved"]
                    anew.tell(self, fact, edition, more)
                    anew.told[fact["event"]["position"]]["moved"][:0] = kept
        for name, payment in anew.payments.items():
            for fact in anew.told.values():
                fact["moved"] = [part for part in fact["moved"] if part[0] is not payment["held"]]
            payment["held"] = self.payments[name]["held"]
            payment["found"] = min(payment["found"], self.payments[name]["found"])
        helds = [payment["held"] for payment in self.payments.values()]
        for position, fact in anew.told.items():
            before = self.told[position]
            fact["event"] = before["event"]
            fact["moved"] += [part for part in before["moved"] if any(part[0] is held for held in helds)]
        for name, back in anew.backs.items():
            back["lines"] = self.backs[name]["lines"]
        for number, invoice in anew.invoices.items():
            invoice["steps"], invoice["charges"] = self.invoices[number]["steps"], self.invoices[number]["charges"]
        anew.told = dict(sorted(anew.told.items()))
        return anew

    def tell(self, before, fact, edition, sum_=None):
        """Tells a fact of another reading of this account, lines unnamed; of a write-off what is left of it, if that is said."""
        event, name, kind = fact["event"], fact["name"], fact["event"]["event"]
        p = {key: value for key, value in event["payload"].items() if key not in ("lines", "owed", "request")}
        if kind == "payment_settled":
            number = next((number for number, _ in before.payments[name]["applied"]), before.payments[name]["meant"])
            is_early = number is not None and event["occurred_on"] < self.invoices[number]["issued_on"]
            due = 0 if number is None or is_early else max(0, self.open(number) + self.invoices[number]["written_off"])
            pays = min(minor(p["amount"]), due)
            money = lambda sum_: dict(p["amount"], minor=sum_)
            p["applied"] = [{"amount": money(pays), "invoice": number}] if pays > 0 else []
            p["unearned"] = money(minor(p["amount"]) - pays)
            p.pop("meant", None)
            if number is not None and not pays > 0:
                p["meant"] = number
        elif kind == "written_off":
            open_ = max(0, self.open(p["invoice"]))
            p["amount"] = dict(p["amount"], minor=min(minor(p["amount"]), open_) if sum_ is None else sum_)
        elif kind == "refund_issued" and edition >= 2:
            self.goes_back_of_what_was_paid_twice(p["payment"], minor(p["amount"]))
        elif kind == "chargeback_won":
            p.pop("whole", None)
            p.update({"whole": True} if before.backs[name]["lines"] is not None else {})
        told = dict(event, payload=p)
        self.note(told, (lambda: self.credit(p)) if kind == "credit_granted" else (lambda: self.take_in(told)))
        if kind == "chargeback_opened":
            self.backs[name]["lines"] = None if before.backs[name]["lines"] is None else []

    def goes_back_of_what_was_paid_twice(self, name, sum_):
        """Where an invoice was paid twice, a refund of the payment that pays it gives the other one its place."""
        payment = self.payments[name]
        for number, part in self.taken_back(name, sum_)[1]:
            others = [(of["on"], other) for other, of in self.payments.items()
                      if other != name and next((at for at, _ in of["applied"]), of["meant"]) == number
                      and of["on"] >= self.invoices[number]["issued_on"]]
            for _, other in sorted(others, reverse=True):
                takes = min(part, self.payments[other]["unearned"], dict(payment["applied"])[number],
                            max(0, payment["amount"] - payment["returned"] - payment["unearned"]))
                for of, more in ((payment, -takes), (self.payments[other], takes)):
                    applied = dict(of["applied"])
                    if takes or number in applied:
                        applied[number] = applied.get(number, 0) + more
                    of["applied"] = list(applied.items())
                    of["unearned"] -= more
                part -= takes

    def moved_on(self):
        """What its facts moved, day by day: of an invoice's sum, or of what is unearned."""
        numbers = {id(invoice): number for number, invoice in self.invoices.items()}
        payments, found = {id(payment) for payment in self.payments.values()}, {}
        for fact in self.told.values():
            for of, at, sum_ in fact["moved"]:
                if (at in ("paid", "credited", "written_off", "lost") and id(of) in numbers) or (at == "unearned" and id(of) in payments):
                    key = fact["event"]["occurred_on"], fact["event"]["event"], numbers.get(id(of)), at
                    found[key] = found.get(key, 0) + sum_
        return {key: sum_ for key, sum_ in found.items() if sum_ != 0}

    def credit(self, p):
        """A credit forgives what is open, then what was given up, then what was paid: that is owed."""
        number, invoice = p["invoice"], self.invoices[p["invoice"]]
        sum_ = min(minor(p["amount"]), max(0, minor(invoice["event"]["payload"]["total"]) - invoice["credited"]))
        given_up = min(max(0, sum_ - max(0, self.open(number))), invoice["written_off"])
        paid = left = max(0, sum_ - max(0, self.open(number) + invoice["written_off"]))
        for _, name in sorted(((payment["on"], name) for name, payment in self.payments.items()), reverse=True):
            payment = self.payments[name]
            of = next((of for at, of in payment["applied"] if at == number), 0)
            part = min(left, of, max(0, payment["amount"] - payment["returned"] - payment["unearned"]))
            payment["applied"] = [(at, of - part if at == number else of) for at, of in payment["applied"]]
            payment["unearned"] += part
            left -= part
        self.make_good(number, given_up)
        self.add(number, "paid", left - paid, None)
        self.add(number, "credited", sum_ - left, None)

    def otherwise(self, anew):
        """The invoices and payments that are otherwise by days, and what went out beyond what came in."""
        sums = ("paid", "credited", "written_off", "lost")
        invoices = [number for number, invoice in sorted(anew.invoices.items())
                    if any(invoice[name] != self.invoices[number][name] for name in sums)]
        payments = [(name, payment["unearned"]) for name, payment in sorted(anew.payments.items())
                    if payment["unearned"] != self.payments[name]["unearned"]]
        return invoices, payments, sum(fact["beyond"] for fact in anew.told.values())

    def restate(self, p):
        anew = self.by_days(p.get("edition", 1))
        changed = self.otherwise(anew)[0]
        for number, invoice in anew.invoices.items():
            if number not in changed:
                for line, before in zip(invoice["lines"], self.invoices[number]["lines"]):
                    line.update(before)
        for part in p["invoices"]:
            for line, sums in zip(anew.invoices.get(part["invoice"], {"lines": []})["lines"], part["lines"]):
                line.update((of, minor(sums[of])) for of in line)
        self.invoices, self.payments, self.told = anew.invoices, anew.payments, anew.told
        self.backs = anew.backs

    def give_again(self, number, back, sum_, is_whole):
        """A chargeback that was won goes back to lines that it named, or first to those; gives how much of it did."""
        invoice, held, given = self.invoices[number], self.payments[back["payment"]]["held"], 0
        wholes = [minor(line["amount"]) for line in invoice["event"]["payload"]["lines"]]
        taken, lines = self.split(number, "paid", sum_, back["lines"]), invoice["lines"]
        due_of = [min(part, max(0, whole - sum(line.values()))) for line, whole, part in zip(lines, wholes, taken)]
        good_of = [min(part - due, max(0, line["written_off"])) for line, due, part in zip(lines, due_of, taken)]
        if is_whole:
            written_off = max(0, invoice["written_off"])
            due = min(sum_ - min(sum_, max(0, invoice["lost"]), written_off), max(0, self.open(number)))
            opened = [max(0, whole - sum(line.values())) for line, whole in zip(lines, wholes)]
            due_of = in_turns(due, [(min(part, most), max(0, most - part)) for part, most in zip(taken, opened)])
            good_of = in_turns(min(sum_ - due, written_off), [
                (min(part, max(0, line["written_off"])), max(0, line["written_off"] - part)) for part, line in zip(taken, lines)])
        for place, (line, due, recovered) in enumerate(zip(lines, due_of, good_of), 1):
            invoice["lost"] -= recovered
            for sums in (line, invoice):
                sums["paid"] += due + recovered
                sums["written_off"] -= recovered
            held[number, place] = held.get((number, place), 0) + due + recovered
            given += due + recovered
        return given


def not_asked(lines):
    """What is said of each line that may not be asked for."""
    def of(line, name):
        return minor(line[name]) if name in line else 0
    return [(of(line, "exposed"), of(line, "unproved"), line.get("kept", [])) for line in lines]


def exposed_by(exposed, kept, day, position):
    """What of a line nothing allowed and counsel did not keep when a fact happened. Of one day what was told first came first."""
    if not kept:
        return exposed
    whole = exposed + minor(kept[-1]["amount"])
    by_then = [minor(one["amount"]) for one in kept if (one["on"], one["at"]) < (day, position)]
    return max(0, whole - by_then[-1]) if by_then else whole


class ByDays:
    """The lines of an invoice, as the facts of its money are gone through by their days."""
    RANKS = {"payment_settled": 0, "credit_granted": 1, "refund_issued": 2, "chargeback_opened": 3, "written_off": 4, "chargeback_won": 5}

    def __init__(self, books, number, not_asked):
        invoice = books.invoices[number]
        self.wholes = [minor(line["amount"]) for line in invoice["event"]["payload"]["lines"]]
        self.exposed, self.unproved = [exposed for exposed, _, _ in not_asked], [unproved for _, unproved, _ in not_asked]
        self.held, self.taken, self.late = {}, {}, []
        self.lines = [{"paid": 0, "credited": 0, "written_off": 0} for _ in self.wholes]
        facts = []
        for fact in books.told.values():
            moved = {"paid": 0, "credited": 0, "written_off": 0}
            for of, at, sum_ in fact["moved"]:
                if of is invoice and at in moved:
                    moved[at] += sum_
            is_of = any(moved.values()) or any(of is line for of, _, _ in fact["moved"] for line in invoice["lines"])
            if is_of and fact["event"]["event"] in self.RANKS:
                facts.append((fact["event"]["occurred_on"], self.RANKS[fact["event"]["event"]], fact["name"] or "", moved["paid"],
                              moved["credited"], moved["written_off"], fact["event"]["event"], fact["event"]["position"]))
        for day, _, name, paid, credited, written_off, kind, position in sorted(facts):
            self.exposed = [exposed_by(exposed, kept, day, position) for exposed, _, kept in not_asked]
            payment = books.backs.get(name, {}).get("payment")
            if kind == "payment_settled":
                self.recover(name, -written_off)
                self.add("paid", name, paid + written_off)
            elif kind == "credit_granted":
                self.forgive(-paid, -written_off)
                self.add("credited", None, credited)
            elif kind == "written_off":
                self.add("written_off", None, written_off)
            elif kind == "refund_issued":
                self.give_back(-paid)
                self.add("credited", None, credited + paid)
            elif kind == "chargeback_opened":
                self.charge_back(name, payment, -paid)
            else:
                self.give_again(name, payment, paid, -written_off)
        self.exposed = [exposed for exposed, _, _ in not_asked]
        late, self.late = self.late, []
        for kind, name, sum_ in late:
            self.add(kind, name, sum_)

    def open(self, at):
        line, whole, exposed, unproved = self.lines[at], self.wholes[at], self.exposed[at], self.unproved[at]
        open_, allowed = max(0, whole - sum(line.values())), max(0, whole - exposed)
        of_exposed = max(0, open_ - max(0, allowed - line["paid"]))
        of_unproved = min(open_ - of_exposed, unproved)
        return open_ - of_exposed - of_unproved, of_unproved, of_exposed

    def share(self, sum_, turns):
        parts = in_turns(sum_, turns)
        return parts, sum_ - sum(parts)

    def add(self, kind, name, sum_):
        turns = [self.open(at) for at in range(len(self.lines))]
        if kind == "credited":
            turns = [(exposed, asked + unproved) for asked, unproved, exposed in turns]
        parts, left = self.share(sum_, turns)
        for line, part in zip(self.lines, parts):
            line[kind] += part
        if name is not None:
            self.hold(name, parts)
        if left > 0:
            self.late.append([kind, name, left])

    def recover(self, name, sum_):
        """What was given up is paid: first of what may be asked for."""
        turns = []
        for line, whole, exposed in zip(self.lines, self.wholes, self.exposed):
            given_up = max(0, line["written_off"])
            first = min(max(0, max(0, whole - exposed) - line["paid"]), given_up)
            turns.append((first, given_up - first))
        parts, left = self.share(sum_, turns)
        for line, part in zip(self.lines, parts):
            line["written_off"] -= part
            line["paid"] += part
        self.hold(name, parts)
        self.never_covers("written_off", None, left)
        self.add("paid", name, left)

    def forgive(self, paid, given_up):
        """Makes room for a credit: what it forgives of what was paid, and of what was given up."""
        turns = []
        for line, whole, exposed in zip(self.lines, self.wholes, self.exposed):
            owed = max(0, line["paid"] - max(0, whole - exposed))
            turns.append((owed, max(0, line["paid"]) - owed))
        for kind, sum_, of in (("paid", paid, turns),
                               ("written_off", given_up, [(max(0, line["written_off"]),) for line in self.lines])):
            parts, left = self.share(sum_, of)
            for line, part in zip(self.lines, parts):
                line[kind] -= part
            self.never_covers(kind, None, left)

    def hold(self, payment, parts):
        held = self.held.get(payment, [0] * len(parts))
        self.held[payment] = [a + b for a, b in zip(held, parts)]

    def give_back(self, sum_):
        turns = []
        for line, whole, exposed in zip(self.lines, self.wholes, self.exposed):
            owed = max(0, line["paid"] - max(0, whole - exposed))
            turns.append((owed, max(0, line["paid"]) - owed))
        parts, left = self.share(sum_, turns)
        for line, part in zip(self.lines, parts):
            line["paid"] -= part
            line["credited"] += part
        self.never_covers("paid", None, left)
        self.add("credited", None, left)

    def charge_back(self, name, payment, sum_):
        left = self.never_covers("paid", payment, sum_)
        held = self.held.get(payment, [0] * len(self.lines))
        turns = [(min(part, max(0, line["paid"])), max(0, max(0, line["paid"]) - part)) for part, line in zip(held, self.lines)]
        parts, _ = self.share(left, turns)
        for line, part in zip(self.lines, parts):
            line["paid"] -= part
        if payment in self.held:
            self.held[payment] = [max(0, a - b) for a, b in zip(held, parts)]
        self.taken[name] = parts

    def never_covers(self, kind, payment, sum_):
        for late in self.late:
            if late[0] == kind and payment in (None, late[1]):
                part = min(sum_, late[2])
                late[2], sum_ = late[2] - part, sum_ - part
        return sum_

    def give_again(self, name, payment, paid, recovered):
        taken = self.taken.get(name, [0] * len(self.lines))
        turns = [(min(part, max(0, line["written_off"])), max(0, line["written_off"] - part)) for part, line in zip(taken, self.lines)]
        good, left = self.share(recovered, turns)
        self.never_covers("written_off", None, left)
        for line, part in zip(self.lines, good):
            line["written_off"] -= part
            line["paid"] += part
        turns = [(min(max(0, part - of_good), sum(self.open(at))),)
                 for at, (part, of_good) in enumerate(zip(taken, good))]
        again, left = self.share(paid - sum(good), turns)
        for line, part in zip(self.lines, again):
            line["paid"] += part
        if payment is not None:
            self.hold(payment, good)
            self.hold(payment, again)
        self.add("paid", payment, left)


def line_parts(parts):
    return [(part["invoice"], part["line"], minor(part["amount"]), minor(part["exposed"]) if "exposed" in part else 0)
            for part in parts]


def in_turns(sum_, lines):
    """A sum shared by lines: in each turn pro rata by largest remainder, the next turn once that is full."""
    parts = [0] * len(lines)
    for turn in range(len(lines[0]) if lines else 0):
        takes = [max(0, line[turn]) for line in lines]
        now = min(sum_, sum(takes))
        if now > 0:
            parts = [part + share for part, share in zip(parts, shares(now, takes))]
            sum_ -= now
    return parts


# ---- What the events make ---------------------------------------------------------------------------------

class TooMuch(Exception):
    """A client has more events than are held at once."""


class Derivation:
    """Every table, derived client by client, and held against the bundle's."""
    def __init__(self, bundle):
        self.bundle, self.findings = bundle, bundle.findings
        self.tables = {name: Table(bundle, name) for name in COLUMNS if name not in ("timeline", "access")}
        self.tables["access"] = bundle.access
        self.fees, self.lines, self.unnamed, self.named_from = {}, [], [], None
        self.unshared, self.shared_from = [], None
        self.names, self.moved, self.settled = [], [], set()

    def run(self):
        for client, kinds in self.bundle.clients.items():
            self.held = {}
            self.attempt(client, self.tell, client, kinds)
            for event, _ in self.each(kinds.get("looks")):
                self.attempt(client, self.looked_at, client, event)
        for table in self.tables.values():
            table.end()
        self.check_lines()

    def tell(self, client, kinds):
        case, account = self.load(kinds.get("case")), self.load(kinds.get("account"))
        self.accounts = {client: account} if kinds.get("account") else {}
        for other in sorted({event["payload"]["to"] for event in self.of(account, "payment_moved")} - {client}):
            if self.bundle.clients.get(other, {}).get("account"):
                self.accounts[other] = self.load(self.bundle.clients[other]["account"])
        story = in_force(case)
        for step in [self.papers, self.letters, self.responses] if case else []:
            self.attempt(client, step, client, story)
        self.attempt(client, self.recordable, client, case, account)
        for events in self.accounts.values() if case and self.bundle.judges_fees() else ():
            self.attempt(client, self.of_exposed, client, case, events)
        if case:
            self.attempt(client, self.fees_of, client, case, story, account)
        self.attempt(client, self.exposures, client, story, account)
        self.attempt(client, self.money, client, account)

    def attempt(self, client, step, *arguments):
        """Events of the right form can still contradict each other: then this step is not judged, and that is said."""
        try:
            step(*arguments)
        except TooMuch:
            self.findings.add("events.jsonl", "the events of client %s have more than %d bytes without personal values, so "
                              "not all of its tables were compared" % (client, HELD_BYTES_MAX))
        except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as error:
            self.findings.add("events.jsonl", "the events of client %s do not fit together, so its %s were not all "
                              "compared: %s" % (client, step.__name__.replace("_of", ""), type(error).__name__))

    def each(self, offsets):
        for offset in offsets or ():
            self.bundle.lines.seek(offset)
            line = self.bundle.lines.readline()
            yield json.loads(line), len(line) - 1

    def load(self, offsets):
        """The events of a stream without personal values, which nothing is made of."""
        events, payloads, held = [], self.bundle.payloads, 0
        others = sum(held for of, held in self.held.items() if of != id(offsets))
        for event, line_bytes in self.each(offsets):
            payloads.drop_personal(payloads.events[event["event"]][1], event["payload"])
            held += len(canonical(event)) if line_bytes > LONG_BYTES else line_bytes
            if held + others > HELD_BYTES_MAX:
                raise TooMuch
            events.append(event)
        self.held[id(offsets)] = held
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
        if self.bundle.judges_fees():
            for name in ("disclosure_delivered", "disclosure_acknowledged"):
                first[name] = next(iter(by_day(self.of(case, name))), None)
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
            elif contracts and not self.bundle.judges_fees():
                contracts[-1][1] = event
        for event in self.of(case, "consent_cancelled") if self.bundle.judges_fees() else ():
            for contract in contracts:
                if Life.is_in_days(event, contract[0]):
                    contract[1] = event
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
        first = {}
        for event in by_day(self.of(case, "letter_delivered", "client_information_sent")):
            p = event["payload"]
            first.setdefault((event["event"], p["round"], p["bureau"]), event)
        for event in self.of(case, "round_sent"):
            round_ = event["payload"]["round"]
            for letter in event["payload"]["letters"]:
                found = [first.get((name, round_, letter["bureau"]))
                         for name in ("letter_delivered", "client_information_sent")]
                self.tables["rounds_and_letters"].compare(
                    [case_id, round_] + self.day_and_position(event)
                    + [letter["bureau"], letter["mail_class"], letter.get("tracking", ""), spaced(letter["items"]),
                       letter.get("document", ""), event["payload"]["contact"]["position"]]
                    + self.day_and_position(found[0]) + self.day_and_position(found[1]), event["position"])

    def responses(self, case_id, case):
        """Clocks: a clock is met only by the act it waits for."""
        if not self.bundle.judges_fees():
            return
        table, file, answers = self.tables["responses_and_clocks"], CreditFile(case), {}
        for event in self.of(case, "response_received"):
            answers.setdefault((event["payload"]["round"], event["payload"]["bureau"]), []).append(event)
        for event in file.rounds:
            for letter in event["payload"]["letters"]:
                key = (event["payload"]["round"], letter["bureau"])
                found = answers.get(key, [])
                tail = [spaced(e["position"] for e in found), spaced(
                    "%s=%s" % (o["item"], o["outcome"]) for e in found for o in e["payload"]["outcomes"])]
                for clock, start, is_estimated, due, done in self.letter_clocks(file, event, letter, key):
                    table.compare([case_id, letter["bureau"], clock, CLOCKS[clock], key[0], "", start, is_estimated, due,
                                   done] + tail, event["position"])
        for event, done in file.asks():
            ask, start = event["payload"]["ask"], event["occurred_on"]
            due = plus_days(start, 15) if ask == "procedure_description" else plus_business_days(start, 4)
            table.compare([case_id, event["payload"]["bureau"], ask, CLOCKS[ask], "", "", start, "no", due, done, "",
                           ""], event["position"])
        for bureau, start, done, position in file.block_notices():
            table.compare([case_id, bureau, "block_notice", CLOCKS["block_notice"], "", "", start, "no",
                           plus_business_days(start, 5), done, "", ""], position)
        for item, bureau in file.keys():
            for start, notice in file.concluded(item, bureau)[1]:
                table.compare([case_id, bureau, "reinsertion_notice", CLOCKS["reinsertion_notice"], "", item, start,
                               "yes", plus_business_days(start, 5), notice, "", ""])

    def letter_clocks(self, file, event, letter, key):
        """(clock, start, whether that is estimated, due day, day it was met)"""
        first = {}
        heard = [(answer["occurred_on"], said) for answer in file.answers.get(key, ())
                 for said in answer["payload"]["outcomes"] if said["outcome"] != "no_answer"]
        for on, said in heard:
            first.setdefault(said["item"], on)
        done = max(first[item] for item in letter["items"]) if set(letter["items"]) <= set(first) else ""
        delivered, told = file.delivered.get(key), file.informed.get(key)
        transit = self.bundle.transit_days if letter["mail_class"] in ("first_class", "certified") else 0
        start = delivered[0]["occurred_on"] if delivered else plus_days(event["occurred_on"], transit)
        clock = "reinvestigation"
        if file.is_free(letter["bureau"], event["occurred_on"]):
            clock = "free_report_reinvestigation"
        elif told and told[0]["occurred_on"] <= plus_days(start, 30) and (
                not heard or told[0]["occurred_on"] <= heard[-1][0]):
            clock = "reinvestigation_extended"
        due, is_estimated = plus_days(start, 30 if clock == "reinvestigation" else 45), yes(not delivered)
        yield clock, start, is_estimated, due, done
        yield "results_notice", due, is_estimated, plus_business_days(due, 5), done
        for answer in file.answers.get(key, ()):
            is_refused = any(said["outcome"] == "frivolous" for said in answer["payload"]["outcomes"])
            determined = answer["payload"].get("determined_on")
            if is_refused and determined:
                yield "frivolous_notice", determined, "no", plus_business_days(determined, 5), answer["occurred_on"]

    def fees_of(self, case_id, told, case, account):
        used, is_corrected = {}, any(event["event"] == "fact_corrected" for event in told)
        for place, event in enumerate(told):
            if event["event"] == "fee_earned":
                then = in_force(told[:place]) if is_corrected else told
                self.check_evidence(event, {known["position"]: known for known in then}, used)
        if not self.bundle.judges_fees():
            self.settled_fees(case_id, case)
            return
        today = date.fromisoformat(self.bundle.last_day)
        service, payer = Service(case, self.bundle.record, None, today), payer_of(case_id, account)
        fees = claimed_fees(service, case_id, self.accounts)
        told = self.tables["fees"].next_of(case_id, len(fees) + len(service.given_up) + OPEN_PERIODS_MAX)
        # Whether a fee that was given back still stands for its period, only its gates say.
        exposed = {row[9] for row in told if len(row) > 9 and row[4] == "exposed"}
        standing = [fee for fee in fees if not (fee.may_be_freed() and str(fee.event["position"]) in exposed)]
        rows = [self.claimed_row(case_id, fee.event, fee.invoice) for fee in fees]
        days = {fee.event["position"]: fee.asked_on or [str(today)] for fee in fees}
        for event in service.given_up:
            period = service.period_given_up(event)
            if period:
                row = self.open_row(service, case_id, period, payer, standing)
                row[4], row[8:10] = "given_up", [event["occurred_on"], event["position"]]
                rows.append(row)
        open_ = [period for period in service.periods if period.cut_on is None and not period.is_paused
                 and period.end <= today and not service.is_given_up(period)
                 and all(fee.period is not period for fee in standing)]
        rows += [self.open_row(service, case_id, period, payer, standing) for period in open_[:OPEN_PERIODS_MAX]]
        for row in sorted(rows, key=lambda row: (row[1], row[9] or 0)):
            self.fee(row, days.get(row[9]))

    def settled_fees(self, case_id, case):
        """What an earlier edition of the rules claimed, as the events tell it, and what was given up."""
        invoices, rows = {}, {}
        for account in sorted(self.accounts):
            for event in self.of(self.accounts[account], "invoice_issued"):
                for line in event["payload"]["lines"]:
                    if line["case"] == case_id:
                        invoices[line["period"]] = event["payload"]["number"]
        for event in self.of(case, "period_closed_without_fee"):
            period = event["payload"]["period"]
            rows.setdefault(period, [case_id, period, "", "", "given_up", "", "", "", event["occurred_on"],
                                     event["position"], "", "", "", "", ""])
        for event in self.of(case, "fee_earned"):
            period = event["payload"]["period"]
            rows[period] = self.claimed_row(case_id, event, invoices.get(period, ""))
            rows[period][4], rows[period][7] = "earned", event["payload"]["as_of"]
        for period in sorted(rows):
            self.tables["fees"].compare(rows[period], rows[period][9])

    def fee(self, row, asked_on):
        """A row of fees, and whether the answers of its gates are such as its status has."""
        table, gates = self.tables["fees"], self.tables["fee_gates"]
        found = table.compare(row, row[9] or None) or []
        status, answers = (found[4:5] or [""])[0], []
        known = ("earned", "unproved", "exposed") if asked_on else ("given_up",) if row[9] else ("claimable", "held")
        if found and status not in known:
            table.findings.add(table.file, "Status is %r; it is one of %s" % (status[:80], ", ".join(known)), table.row)
        if asked_on and found and found[7:8] and found[7] not in asked_on:
            table.findings.add(table.file, "Judged_As_Of is no day on which the fee was asked for", table.row)
        for gate in GATES:
            fields = gates.compare([row[0], row[1], gate] + [ANY] * 6, row[9] or None)
            answers += (fields or [])[4:5]
            if fields is not None and fields[4:5] not in (["holds"], ["fails"], ["unknown"]):
                self.findings.add(gates.file, "Answer is neither holds nor fails nor unknown", gates.row)
        # What is above its price alone leaves the rest of a fee allowed.
        but_price = answers[:-1] + [answer for answer in answers[-1:] if answer != "fails"]
        follows = {"earned": set(but_price) <= {"holds"}, "claimable": set(answers) <= {"holds"},
                   "unproved": "unknown" in answers and "fails" not in but_price, "exposed": "fails" in answers,
                   "held": set(answers) != {"holds"}}
        if len(answers) == len(GATES) and not follows.get(status, True):
            self.findings.add(gates.file, "the gates of a fee that is %s do not answer so" % status, gates.row)

    @staticmethod
    def claimed_row(case_id, event, invoice):
        p = event["payload"]
        return [case_id, p["period"], p["start"], day_before(p["end"]), ANY, amount(p["amount"]),
                currency_of(p["amount"]), ANY, event["occurred_on"], event["position"], p["account"], invoice,
                spaced("%s@%d" % (e["work"], e["event"]["position"]) for e in p["evidence"]),
                sum(e["late"] for e in p["evidence"]),
                spaced("%s@%d" % (pack["code"], pack["version"]) for pack in p["rules"])]

    def open_row(self, service, case_id, period, payer, standing):
        """A period that no fee is told of, as things stand on the bundle's last day."""
        fee = next((fee.event["payload"]["amount"] for fee in standing if fee.period is period), None)
        price = fee or service.price(period, case_id, self.accounts, payer)
        work = [(kind, event) for kind, event in service.promised(period, service.today) if event]
        packs = period.agreement.rules["packs"] if period.agreement else []
        return [case_id, period.number, period.start, period.end - timedelta(days=1), ANY, amount(price),
                currency_of(price), service.today, "", "", payer, "",
                spaced("%s@%d" % (kind, event["position"]) for kind, event in work),
                sum("late_days" in event for _, event in work),
                spaced("%s@%d" % (pack["code"], pack["version"]) for pack in packs)]

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

    def looked_at(self, client, event):
        what = event["payload"]["kind"] + " " + event["payload"]["what"]
        self.tables["access"].compare([event["position"], event["occurred_on"], event["actor"], client, what],
                                      event["position"])

    def exposures(self, client, case, account):
        table, life, is_judged = self.tables["exposures"], Life(case), self.bundle.judges_fees()
        for event in self.of(case, "exposure_found"):
            p = event["payload"]
            table.compare([event["position"], event["occurred_on"], client, "", p["kind"], p["cites"],
                           p.get("period", ""), "", amount(p.get("amount")), currency_of(p.get("amount")),
                           yes(life.stands(event)) if is_judged else ""],
                          event["position"])
        marks, since = {}, {}
        for event in self.of(case, "fee_marked") if is_judged else ():
            fee, last = event["payload"]["fee"]["position"], marks.get(event["payload"]["fee"]["position"])
            if last is None or stands(last["payload"]) != stands(event["payload"]):
                since[fee] = event["occurred_on"]
            marks[fee] = event
        for claim in self.of(case, "fee_earned"):
            event = marks.get(claim["position"])
            if event is None or minor(event["payload"]["exposed"]) <= 0:
                continue
            p = event["payload"]
            table.compare([event["position"], since[claim["position"]], client, p["account"], "fee_asked_unearned",
                           LAWS["fee_asked_unearned" if "G6" in p["gates"] else "payment_unearned"], claim["payload"]["period"], "", amount(p["owed"]),
                           currency_of(p["owed"]), yes(minor(p["owed"]) + minor(p["open"]) > 0)], event["position"])
        kept = self.of(case, "fee_kept") if is_judged else []
        for event in kept:
            p = event["payload"]
            claim = next((e for e in self.of(case, "fee_earned") if e["position"] == p["fee"]["position"]
                          and e["event_id"] == p["fee"]["id"]), None)
            last = [other for other in kept if other["payload"]["fee"]["id"] == p["fee"]["id"]][-1]
            table.compare([event["position"], event["occurred_on"], client, claim["payload"]["account"] if claim else "",
                           "fee_kept", LAWS["payment_unearned"], claim["payload"]["period"] if claim else "", "",
                           amount(p["amount"]), currency_of(p["amount"]),
                           yes(event is last and minor(p["amount"]) > 0)], event["position"])
        payments = Books.of(account).payments
        last = {event["payload"]["payment"]: event for event in self.of(money_in_force(account), "unearned_payment_found")}
        for event in sorted(last.values(), key=lambda event: event["position"]):
            p = event["payload"]
            most = payments.get(p["payment"], {"found": 0})["found"]
            if most > 0:
                table.compare([event["position"], event["occurred_on"], client, client, "payment_unearned", p["cites"], "", p["payment"],
                               amount(dict(p["amount"], minor=most)), currency_of(p["amount"]), ""], event["position"])

    def money(self, account_id, account):
        books = Books()
        for event in money_in_force(account):
            row = self.payment_row(account_id, event)
            if row:
                self.tables["payments"].compare(row, event["position"])
        for event in account:
            books.apply(event)
        for number in sorted(books.invoices):
            self.invoice(account_id, number, books.invoices[number])

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
                [number, line_id, self.named(line["case"]), line["period"], line["start"], day_before(line["end"]),
                 amount(line["amount"]), currency_of(line["amount"])], event["position"])

    def named(self, case):
        """A case as a table names it: a part of a log does not tell who a couple's other member is."""
        is_whole = self.bundle.manifest["request"]["kind"] == "all" or self.bundle.is_first_version()
        return case if is_whole or "case" in self.bundle.clients.get(case, {}) else "the other member"

    @staticmethod
    def payment_row(account_id, event):
        p, name = event["payload"], event["event"]
        ids = {"payment_settled": "payment", "refund_issued": "refund", "chargeback_opened": "chargeback",
               "chargeback_won": "chargeback", "chargeback_lost": "chargeback", "charge_requested": None,
               "payment_failed": None, "refund_requested": None, "refund_failed": None, "credit_granted": None,
               "written_off": None}
        if name not in ids:
            return None
        applied = spaced("%d@%s" % (a["invoice"], amount(a["amount"])) for a in p.get("applied", ()))
        return [event["position"], event["occurred_on"], name, account_id, p[ids[name]] if ids[name] else "",
                p["payment"] if name in ("refund_requested", "refund_issued", "chargeback_opened") else "",
                p.get("invoice", ""),
                amount(p.get("amount")), currency_of(p.get("amount")), applied, amount(p.get("unearned")),
                p.get("attempt", p.get("number", p.get("request", ""))),
                p["reason"] if name in ("payment_failed", "refund_failed") else "",
                p.get("next_try_on", p.get("respond_by", ""))]

    def check_lines(self):
        is_all = self.bundle.manifest["request"]["kind"] == "all"
        for position, number, account, line in self.lines:
            fees = self.fees.get((line["case"], line["period"]), [])
            own = next((fee for fee in fees if fee["position"] < position and fee["payload"]["account"] == account and all(
                fee["payload"][name] == line[name] for name in ("amount", "start", "end"))), None)
            if own is not None:
                fees.remove(own)
            elif is_all or "case" in self.bundle.clients.get(line["case"], {}):
                self.findings.add("events.jsonl", "a line of invoice %d has no earned fee of its own behind it" % number,
                                  None, position)
        for position in self.unnamed:
            if self.named_from is not None and self.named_from < position:
                self.findings.add("events.jsonl", "the fee names no agreement, and one before it does", None, position)
        for position, to in self.moved:
            if (is_all or "case" in self.bundle.clients.get(to, {})) and (position + 1, to) not in self.settled:
                self.findings.add("events.jsonl", NOT_ANEW, None, position)
        self.names.sort()
        for (kind, name, position, account), later in zip(self.names, self.names[1:]):
            if (kind, name) == later[:2]:
                self.findings.add("events.jsonl", "the %s %s is recorded on account %s at position %d too"
                                  % (kind, name, account, position), None, later[2])
        for position in self.unshared:
            if self.shared_from is not None and self.shared_from < position:
                self.findings.add("events.jsonl", "it does not say which lines it is of, and money before it does", None,
                                  position)

    # -- what can have been recorded

    def recordable(self, client, case, account):
        """Holds each event of a client against those before it. One that fits nothing is passed over."""
        def find(event, wrong):
            for what in wrong:
                self.findings.add("events.jsonl", what, None, event["position"])
        life = Life()
        for place, event in enumerate(case):
            find(event, self.of_case(life, event))
            if event["event"] == "fee_earned" and "agreement" in event["payload"]:
                wrong = self.of_fee(client, in_force(case[:place]), account, event)
                find(event, ["the fee of period %d %s" % (event["payload"]["period"], what) for what in wrong])
            if event["event"] == "fee_marked":
                find(event, of_mark(case[:place], event["payload"]))
            if event["event"] == "fee_kept":
                find(event, of_keeping(case[:place], event["payload"]))
            broke = life.exposures_of(event)
            if event["event"] == "fact_corrected":
                wrong, broke = self.of_correction(case[:place], event)
                find(event, wrong)
            told = [next_["payload"]["kind"] for next_ in following(case, place, "exposure_found")]
            find(event, ["no exposure %s was recorded with it" % kind for kind in broke if kind not in told])
            if event["event"] == "fee_earned":
                self.fees.setdefault((client, event["payload"]["period"]), []).append(event)
                if "agreement" not in event["payload"]:
                    self.unnamed.append(event["position"])
                else:
                    self.named_from = min(event["position"], self.named_from or event["position"])
            if event["event"] == "fact_corrected":
                life = Life(in_force(case[:place + 1]))
            elif event["event"] != "enrolled" or life.enrolment is None:
                life.apply(event)
        books = Books()
        for place, event in enumerate(account):
            p, wrong = event["payload"], self.of_account(client, books, event, case)
            wrong = wrong or self.of_shares(books, event)
            find(event, wrong)
            if event["event"] == "payment_settled" and minor(p["unearned"]) > 0:
                found = [(f["payload"]["payment"], f["payload"]["amount"])
                         for f in following(account, place, "unearned_payment_found")][:1]
                if found != [(p["payment"], p["unearned"])]:
                    find(event, ["it is unearned, and no unearned payment was recorded with it"])
            if event["event"] == "payment_settled":
                self.settled.add((event["position"], client))
            if event["event"] == "money_corrected" and p.get("again", client) != client:
                self.moved.append((event["position"], p["again"]))
            if event["event"] == "money_corrected" and p.get("again") == client:
                next_ = account[place + 1:place + 2]
                if [e["event"] for e in next_ if e["request_id"] == event["request_id"]] != [p["kind"]]:
                    find(event, [NOT_ANEW])
            if event["event"] == "invoice_issued":
                self.lines += [(event["position"], p["number"], client, line) for line in p["lines"]]
            if not wrong or not books.is_opened:
                books.apply(event)
        kinds = {"payment_settled": "payment", "refund_issued": "refund or chargeback",
                 "chargeback_opened": "refund or chargeback"}
        self.names += [(kinds[fact["event"]["event"]], fact["name"], position, client)
                       for position, fact in books.told.items() if fact["event"]["event"] in kinds]

    @staticmethod
    def is_restated(books, p):
        """Whether money comes by its days to what is said, if what of lines may not be asked for is as it says."""
        edition = p.get("edition", 1)
        if "edition" in p and edition != 2:
            return False
        anew = books.by_days(edition)
        invoices, payments, beyond = books.otherwise(anew)
        before = sum(fact["beyond"] for fact in books.told.values())
        is_all = [of["invoice"] for of in p["invoices"]] == invoices and minor(p["beyond"]) == beyond \
            and [(of["payment"], minor(of["unearned"])) for of in p["payments"]] == payments \
            and bool(invoices or payments or beyond != before or (edition >= 2 and anew.moved_on() != books.moved_on()))
        for of in p["invoices"] if is_all else ():
            invoice, lines = anew.invoices[of["invoice"]], of["lines"]
            if len(lines) != len(invoice["lines"]) or any(
                    minor(line[name]) == 0 for line in lines for name in ("exposed", "unproved", "lost") if name in line) \
                    or any(line.get("kept") == [] for line in lines):
                return False
            said = not_asked(lines)
            found = [{name: minor(line[name]) for name in ("paid", "credited", "written_off")} for line in lines]
            if len(lines) == 1:
                is_all &= found == invoice["lines"] and said == [(0, 0, [])]
            else:
                is_all &= found == ByDays(anew, of["invoice"], said).lines
            is_all &= sum(minor(line["lost"]) for line in lines if "lost" in line) == invoice["lost"]
        return is_all

    @staticmethod
    def of_sharing(books, p):
        """What is wrong with what is said of the lines of an invoice, if what of them may not be asked for is as it says."""
        invoice, lines = books.invoices.get(p["invoice"]), p["lines"]
        if invoice is None or len(lines) != len(invoice["lines"]) or len(lines) < 2:
            return ["it is not of the lines of an invoice that has several"]
        said = not_asked(lines)
        found = [{name: minor(line[name]) for name in ("paid", "credited", "written_off")} for line in lines]
        wrong = []
        if any(minor(line[name]) == 0 for line in lines for name in ("exposed", "unproved", "lost") if name in line) \
                or any(line.get("kept") == [] for line in lines):
            wrong.append("it says of a line what is nothing")
        is_all = all(sum(line[name] for line in found) == invoice[name] for name in found[0]) \
            and sum(minor(line["lost"]) for line in lines if "lost" in line) == invoice["lost"]
        if not is_all or all(found != ByDays(of, p["invoice"], said).lines for of in (books.by_days(2), books.by_days(1), books)):
            wrong.append("its money is of other lines by the days of what was told of it")
        return wrong

    def of_shares(self, books, event):
        """What is wrong with the lines that money names, if what it says was exposed of them was."""
        if event["event"] in ("invoice_issued", "lines_shared"):
            return []
        expected, named = books.cover(event), event["payload"].get("lines")
        if expected is None:
            return ["it names lines where there is one alone"] if named is not None else []
        if named is None:
            self.unshared.append(event["position"])
            return []
        self.shared_from = min(event["position"], self.shared_from or event["position"])
        found = line_parts(named)
        is_right = found == expected and all("exposed" not in part or minor(part["exposed"]) > 0 for part in named)
        return [] if is_right else ["it is not of the lines that it was to be of"]

    def of_exposed(self, client, case, account):
        """What money says of its lines, held against what was marked of a client's fees by then."""
        books = Books()
        for event in account:
            named = event["payload"].get("lines") if event["event"] not in ("invoice_issued", "lines_shared") else None
            said = {(part["invoice"], part["line"]): minor(part["exposed"]) for part in named or () if "exposed" in part}
            for part in event["payload"].get("owed", ()) if event["event"] == "refund_issued" else ():
                number, place = part["invoice"], part["line"]
                lines = books.invoices[number]["event"]["payload"]["lines"] if number in books.invoices else []
                if 0 < place <= len(lines) and lines[place - 1]["case"] == client \
                        and (minor(part["exposed"]) if "exposed" in part else 0) != self.marked(case, books, number, place, event):
                    self.findings.add("events.jsonl", "of line %d of invoice %d something else was exposed"
                                      % (place, number), None, event["position"])
            for number in [number for number, _ in books.shared(event)] if named is not None else []:
                lines = books.invoices[number]["event"]["payload"]["lines"] if number in books.invoices else []
                other = next((place for place, line in enumerate(lines, 1) if line["case"] == client
                              and said.get((number, place), 0) != self.marked(case, books, number, place, event)), None)
                if other is not None:
                    self.findings.add("events.jsonl", "of line %d of invoice %d something else was exposed"
                                      % (other, number), None, event["position"])
            books.apply(event)

    @staticmethod
    def marked(case, books, number, place, event):
        """What was exposed of a line and not kept, as its fee was marked last before an event."""
        lines = [(at_, line) for at_ in sorted(books.invoices)
                 for line in enumerate(books.invoices[at_]["event"]["payload"]["lines"], 1)]
        key = next((line["case"], line["start"], line["end"]) for at_, (to, line) in lines if (at_, to) == (number, place))
        alike = [(at_, to) for at_, (to, line) in lines if (line["case"], line["start"], line["end"]) == key]
        fees = [e for e in case if e["event"] == "fee_earned" and e["position"] < event["position"]
                and e["payload"]["account"] == event["stream"].split("/")[1]
                and (e["payload"]["start"], e["payload"]["end"]) == key[1:]]
        rank = alike.index((number, place))
        marks = [e["payload"] for e in case if e["event"] == "fee_marked" and e["position"] < event["position"]
                 and rank < len(fees) and e["payload"]["fee"]["position"] == fees[rank]["position"]]
        return minor(marks[-1]["exposed"]) - (minor(marks[-1]["kept"]) if "kept" in marks[-1] else 0) if marks else 0

    def of_case(self, life, event):
        """What is wrong with an event of a case beside those before it."""
        p, name, day, record = event["payload"], event["event"], event["occurred_on"], self.bundle.record
        wrong, position = [], event["position"]
        if life.enrolment is None and name != "enrolled":
            wrong.append("nobody had enrolled under the case before it")
        if name == "enrolled":
            if life.enrolment is not None:
                wrong.append("the client enrols a second time")
            if record.terms(p, position) is None:
                wrong.append("the client enrols on a plan that was not offered")
        elif name in ("letter_delivered", "client_information_sent", "response_received"):
            if (p["round"], p["bureau"]) not in life.letters:
                wrong.append("no letter of round %d to %s was sent before it" % (p["round"], p["bureau"]))
        elif name == "consent_signed":
            rules = p["rules"]["cancellation"]
            unknown = [pack for pack in p["rules"]["packs"] if not record.has_pack(pack, position)]
            if unknown:
                wrong.append("its rules are of %s@%d, which was not adopted" % (unknown[0]["code"], unknown[0]["version"]))
            elif p["rules"] not in record.rules(p["state"], day, position):
                wrong.append("its rules are not those of the packs that were in force")
            window = cancellation_window(day, rules)
            if (p["cancel_through"], p["service_from"]) != window:
                wrong.append("by its own rules the client can cancel through %s and service begins on %s" % window)
            # The version of the day; older logs have the one that the client enrolled on.
            on = plan_signed(life.enrolment, p)
            if on is None or p["terms"] not in (record.terms(on, position, day), record.terms(on, position, day, as_told=True),
                                                record.terms(on, position)):
                wrong.append("its terms are not those of the plan that it is of")
        elif name == "results_found":
            signed = [{"id": e["event_id"], "position": e["position"]} for e in life.agreements]
            if p["agreement"] not in signed:
                wrong.append("it finds results of an agreement that was not signed before it")
            if not p["found"]:
                wrong.append("it names no result")
        elif name == "consent_cancelled":
            if any(known["payload"]["sent_on"] == p["sent_on"] for known in life.cancellations):
                wrong.append("the same cancellation was recorded before it")
            if p["sent_on"] > day:
                wrong.append("it was sent after the day on which it came")
        elif name == "exposure_found" and p["cites"] != LAWS[p["kind"]]:
            wrong.append("an exposure %s cites %s" % (p["kind"], LAWS[p["kind"]]))
        return wrong

    def of_correction(self, before, event):
        """What is wrong with a correction beside the case's events before it, and what its reading broke."""
        p, wrong = event["payload"], []
        fact = next((e for e in before if e["position"] == p["fact"]["position"] and e["event_id"] == p["fact"]["id"]
                     and e["event"] == p["kind"] and e["payload"].get("seen_by", "notice") == "notice"), None)
        if fact is None:
            return ["it corrects no fact of the case before it"], []
        known = [e for e in before if e["event"] == "fact_corrected" and e["payload"]["fact"] == p["fact"]]
        latest = known[-1] if known else fact
        if p["replaces"] != {"id": latest["event_id"], "position": latest["position"]}:
            wrong.append("the reading that it replaces was not in force")
        if "reading" not in p:
            if p["kind"] == "enrolled" or known and "reading" not in latest["payload"]:
                wrong.append("it takes back what cannot be, or was")
            if "order_of" in p:
                wrong.append("it states an order for what it takes back")
            return wrong, []
        reading = p["reading"]
        if reading["event"] != p["kind"] or reading["occurred_on"] != event["occurred_on"] \
                or reading["payload"].get("seen_by", "notice") != "notice":
            wrong.append("what it tells is of another kind or another day than it says")
        if "order_of" in p and (p["order_of"] != fact["request_id"] or reading["occurred_on"] != fact["occurred_on"]):
            wrong.append("the order that it keeps is not that of the fact's day")
        if p["kind"] == "round_sent" and reading["payload"]["round"] != fact["payload"]["round"]:
            wrong.append("a round keeps its number")
        gone = dict(event, payload={name: value for name, value in p.items() if name != "reading"})
        life = Life(in_force(before + [gone]))
        now = dict(event, event=reading["event"], payload=reading["payload"])
        return wrong + self.of_case(life, now), life.exposures_of(now)

    def of_fee(self, client, case, account, event):
        """What of a claimed fee does not follow from what the ledger knew then; what its gates said is not judged."""
        p, position, record, wrong = event["payload"], event["position"], self.bundle.record, []

        def check(is_wrong, what):
            if is_wrong:
                wrong.append(what)
        as_of = date.fromisoformat(p["as_of"])
        today = recorded(event).astimezone(record.zone).date() if record.zone else as_of
        service = Service(case, record, position, today)
        check(p["as_of"] != event["occurred_on"], "was judged as of another day than it was claimed on")
        period = service.at(p["period"])
        if period is None:
            return wrong + ["is of a period that the case did not have"]
        accounts = {id_: [e for e in events if e["position"] < position] for id_, events in self.accounts.items()}
        payer = payer_of(client, accounts.get(client, []))
        stands = any(fee.period is period and not fee.may_be_freed() for fee in claimed_fees(service, client, accounts))
        check(stands or service.is_given_up(period), "is of a period that was settled")
        check((p["start"], p["end"]) != (str(period.start), str(period.end)), "has other days than its period")
        check(as_of < period.end or period.is_paused or period.cut_on, "was claimed before its period was over")
        check(p["account"] != payer, "is not on the account that paid")
        enrolment = next((e["payload"] for e in reversed(case) if e["event"] == "enrolled"), {})
        agreement, named = period.agreement, p["agreement"]
        if agreement is None:
            return wrong + ["has no agreement"]
        signed = agreement.event
        check(p.get("plan") != plan_signed(enrolment, signed["payload"]).get("plan"), "names another plan than its agreement")
        check((named["id"], named["position"]) != (signed["event_id"], signed["position"]),
              "names another agreement than that of its period")
        check(p["rules"] != agreement.rules["packs"], "names other rule packs than its agreement")
        sale, rule = enrolment["sale"], agreement.rules["telemarketing"]
        has_waited = not (sale["channel"] in rule["exempt"] and "evidence" in sale)
        done_on = max([day_before(p["end"])] + [piece["on"] for piece in p["evidence"]])
        check(p.get("earned_on") != (p["as_of"] if has_waited else min(done_on, p["as_of"])),
              "was earned on another day than it says")
        check(p["amount"] != service.price(period, client, accounts, payer), "is not the agreement's price")
        promised = [(kind, e and e["position"]) for kind, e in service.promised(period, as_of)]
        check([(piece["work"], piece["event"]["position"]) for piece in p["evidence"]] != promised,
              "does not name the work that was promised for it")
        return wrong

    def of_account(self, client, books, event, case):
        """What is wrong with an event of an account beside those before it."""
        p, name, wrong, currency = event["payload"], event["event"], [], self.bundle.record.currency

        def check(is_wrong, what):
            if is_wrong:
                wrong.append(what)

        def is_amount(money):
            return minor(money) > 0 and money["currency"] == currency
        check(not books.is_opened and name != "account_opened", "the account was not opened before it")
        if name == "account_opened":
            check(books.is_opened, "the account is opened a second time")
            check(p["owner"] != client, "the account is opened for another client than its own")
            check(case and case[0]["position"] > event["position"], "the account is opened before its client enrolled")
        elif name == "member_linked":
            check(p["member"] == client, "the account's own client is linked to it")
        elif name == "payment_moved":
            payer = self.load(self.bundle.clients.get(p["to"], {}).get("account"))
            is_taken_in = any(e["payload"]["member"] == client for e in self.of(payer, "member_linked")
                              if e["position"] < event["position"])
            check(p["to"] == client or not is_taken_in, "payments are moved to an account that this client was not linked to")
        elif name == "invoice_issued":
            amounts = [line["amount"] for line in p["lines"]]
            is_sum = amounts and sum(map(minor, amounts)) == minor(p["total"]) \
                and {money["currency"] for money in amounts + [p["total"]]} == {currency}
            check(not is_sum, "invoice %d is not its lines' sum" % p["number"])
            check(p["number"] in books.invoices, "invoice %d was issued before" % p["number"])
        elif name in ("charge_requested", "credit_granted", "written_off"):
            check(not is_amount(p["amount"]), "its amount is not above zero in the firm's currency")
            is_anew = name != "charge_requested" and event["position"] in books.places and p["invoice"] in books.invoices
            check(not is_anew and minor(p["amount"]) > books.open(p["invoice"]),
                  "it is more than was open on an invoice of this account")
            check(is_anew and minor(p["amount"]) > books.not_credited(p["invoice"]),
                  "it is more than was not credited of an invoice of this account")
        elif name == "payment_failed":
            is_anew = event["position"] in books.places
            check(not books.is_waiting(p["invoice"]) and not is_anew, "no charge of this invoice waited for an answer")
        elif name == "payment_settled":
            check(not is_amount(p["amount"]), "its amount is not above zero in the firm's currency")
            sum_ = sum(minor(a["amount"]) for a in p["applied"]) + minor(p["unearned"])
            check(sum_ != minor(p["amount"]) or p["unearned"]["currency"] != currency or minor(p["unearned"]) < 0,
                  "the payment is not what it pays and what is unearned")
            check(p["payment"] in books.payments, "the payment was recorded before")
            is_early = event["occurred_on"] < books.invoices.get(p.get("meant"), {}).get("issued_on", "")
            check("meant" in p and (p["applied"] or p["meant"] not in books.invoices
                                    or not is_early and books.due(p["meant"]) > 0),
                  "it was to pay an invoice that it pays, or could have")
            fits = [is_amount(a["amount"]) and minor(a["amount"]) <= books.due(a["invoice"]) for a in p["applied"]]
            check(len(fits) > 1 or not all(fits), "it pays more than was due on an invoice of this account")
        elif name == "refund_failed":
            check(not books.waits(p["number"]), "no request for a refund of its number waited for an answer")
        elif name in ("refund_requested", "refund_issued", "chargeback_opened"):
            payment = books.payments.get(p["payment"], {"amount": 0, "returned": 0})
            check(not is_amount(p["amount"]), "its amount is not above zero in the firm's currency")
            # A bank takes back what was refunded too, but nothing twice.
            # What was made was made; but a refund gives nothing back twice.
            gone = payment["returned"] if name == "refund_requested" else sum(
                back["amount"] for back in books.backs.values() if back["payment"] == p["payment"]
                and back["status"] in (("open", "lost") if name == "chargeback_opened" else (None,)))
            check(minor(p["amount"]) > payment["amount"] - gone, "it is more than was left of a payment of this account")
            check("owed" in p and p["payment"] in books.payments and books.owed(event) != line_parts(p["owed"]),
                  "it does not give back what was owed as it says")
            if name == "refund_requested":
                check(p["number"] != len(books.refunds) + 1, "requests for refunds are not counted from 1")
                check(any(request["payment"] == p["payment"] and books.waits(number)
                          for number, request in books.refunds.items()),
                      "a request for a refund of its payment waited")
            else:
                check(p["refund" if name == "refund_issued" else "chargeback"] in books.backs,
                      "money went back under its name before")
            if "request" in p:
                request = books.refunds.get(p["request"])
                check(request is None or request["refund"] or request["payment"] != p["payment"],
                      "it answers no request for its payment")
        elif name in ("chargeback_won", "chargeback_lost"):
            lost = [fact["event"]["occurred_on"] for fact in books.told.values()
                    if fact["event"]["event"] == "chargeback_lost" and fact["name"] == p["chargeback"]]
            status = books.backs.get(p["chargeback"], {}).get("status")
            is_lost = name == "chargeback_won" and status == "lost" and lost[:1] and lost[0] <= event["occurred_on"]
            check(status != "open" and not is_lost, "no chargeback of its name was open")
            check("whole" in p and books.backs.get(p["chargeback"], {}).get("lines") is None,
                  "it goes to all lines where there is one alone")
        elif name == "lines_shared":
            wrong += self.of_sharing(books, p)
        elif name == "money_restated":
            check(not self.is_restated(books, p), "its money is otherwise by the days of what was told of it")
        elif name == "money_corrected":
            fact = books.told.get(p["fact"]["position"])
            is_known = fact is not None and fact["event"]["event_id"] == p["fact"]["id"]
            check(not is_known, "no fact in force about money of this account stands there")
            if is_known:
                since, is_deposited = books.resting_on(p["fact"]["position"])
                check(fact["event"]["event"] != p["kind"], "the fact is of another kind")
                check(is_deposited, "it is taken back, and it stands behind the bank's line")
                check(since, "it is taken back, and what is of the same money is not")
        elif name == "unearned_payment_found":
            check(p["cites"] != LAWS["payment_unearned"], "an unearned payment cites " + LAWS["payment_unearned"])
        return wrong


# ---- The command line -------------------------------------------------------------------------------------

def verify(path, public_keys=None, earlier=None, not_before=None):
    """Examines an archive: (findings, bundle). `public_keys` has keys, one a line, oldest first, each with the first and
    the last size that it signed before it or alone; `earlier` is a note."""
    keys = [Given(line.strip()) for line in (public_keys or "").split("\n") if line.strip()]
    if any(given.key is None for given in keys) or (public_keys is not None and not keys):
        raise ValueError("the public keys given are not verifier keys")
    with open(path, "rb"):
        pass  # that it is there: what fails from here on is the archive's
    try:
        bundle = Bundle(path, keys, earlier, not_before)
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError, OSError, struct.error) as error:
        findings = Findings()
        findings.add("the archive", "it is not a zip file that can be read: %s" % error)
        return findings, None
    try:
        bundle.examine()
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError, MemoryError) as error:
        bundle.findings.add("the bundle", "it is not of this format: a %s stopped the examination" % type(error).__name__)
    finally:
        bundle.close()
    return bundle.findings, bundle


def main():
    parser = argparse.ArgumentParser(description="Checks a bundle of the format %s." % FORMAT)
    parser.add_argument("bundle", help="the archive")
    parser.add_argument("--public-key", metavar="FILE", help="the firm's keys, one a line, oldest first, each "
                        "behind the first and the last size it signed, from elsewhere than the bundle")
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
        parser.error(printable(str(error)))
    for finding in findings:
        print(finding)
    if findings.left_out:
        print("and %d more" % findings.left_out)
    if findings:
        print("\nNOT SOUND: %d findings." % (len(findings) + findings.left_out))
        return 1
    for remark in bundle.remarks:
        print("REMARK: " + remark)
    said = ["Everything that this program judges agrees: %d events of a log of %d, root %s."
            % (bundle.events, bundle.checkpoint[1], bundle.checkpoint[2].hex()),
            "Format %s, signed by %s." % (bundle.manifest["format"], ", ".join(map(key_text, bundle.signed)))]
    if bundle.key not in bundle.signed:
        said.append("Its files are listed by %s." % key_text(bundle.key))
    if arguments.public_key is None:
        said.append("CAUTION: that key came with the bundle. Compare it with one got elsewhere.")
    elif not all(given.is_sized for given in bundle.given_keys if given.key[0] == bundle.checkpoint[0]):
        said.append("CAUTION: a key was given without the sizes of the log that it signed. One that was retired before, and "
                    "stolen, would not be told from the one in force.")
    if bundle.consistency == "proved":
        said.append("The log begins with what it held at the earlier checkpoint.")
    said.append("It does not judge: what gates answer and say, and so whether a fee is held, claimable, earned, unproved or "
                "exposed, nor the day by which a claimed one was judged (fees, fee_gates; counterfoil verify judges them), the "
                "words of reports, README.txt and the data dictionary,")
    if not known_zones():
        said.append("names of time zones,")
    if bundle.manifest["request"]["kind"] != "all":
        said.append("whether each stream ends where the firm says, whether one has another event under a version that is "
                    "here, whether what is stated as left out tells of others, whether nobody looked at a client where "
                    "the firm says so (FORMAT.md, What is complete),")
    if bundle.manifest["request"]["kind"] == "days":
        said.append("whether a case with an event in these days is missing,")
    said.append("whether the firm signed another log (hold checkpoints that others were given against a whole one),")
    said.append("and whether what was recorded is true.")
    print("\n".join(printable(line) for line in said))
    return 0


if __name__ == "__main__":
    sys.exit(main())
