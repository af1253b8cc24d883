"""Holds the reader of bank statements against other readers of the same XML.

Usage: statement_reference.py READER PROGRAM FOLDER

READER is `read_statement`, PROGRAM is `counterfoil`; FOLDER is emptied and filled.

1. Statements are generated in each version of ISO 20022 camt.053, 02 to 08, with batches, returns,
   reversals and entries that are not booked. Each is held against the bindings that were generated from
   the published schemas (PyPI `pyiso20022`, read strictly by PyPI `xsdata`): unknown elements, wrong
   types, missing required elements, and texts too long are refused there. PyPI `lxml` then says what it
   reads, and READER must read the same.
2. A published sample statement (PyPI `pain001`, its camt053_sample.xml) is read by both.
3. Hostile files go through PROGRAM into a real database: 200 MB, the largest file that is taken, one cut
   short. What is refused is refused with a clear error and in bounded memory, and nothing of it is kept.
"""

import dataclasses
import importlib
import io
import json
import os
import pathlib
import random
import shutil
import subprocess
import sys
import zipfile

from lxml import etree
from xsdata.formats.dataclass.parsers import XmlParser
from xsdata.formats.dataclass.parsers.config import ParserConfig

VERSIONS = ["02", "03", "04", "05", "06", "07", "08"]
SAMPLE = "pain001==0.0.74"
REASONS = ["AC04", "AM04", "MD07", "MS03"]


def cents(amount):
    return f"{amount // 100}.{amount % 100:02}"


def entry(rng, version, day, number, choice):
    amount, side = rng.randrange(3, 5_000_000), rng.choice(["CRDT", "CRDT", "DBIT"])
    status = rng.choice(["BOOK"] * 6 + ["PDNG", "INFO"])
    booked = f"2026-03-{day:02}"
    date = f"<Dt>{booked}</Dt>" if rng.random() < 0.7 else f"<DtTm>{booked}T09:30:00-05:00</DtTm>"
    returned = rng.random() < 0.2
    details = []
    count = rng.choice([0, 1, 1, 1, 3])
    for place in range(count):
        reason = f"<RtrInf><Rsn><Cd>{rng.choice(REASONS)}</Cd></Rsn></RtrInf>" if returned and place == 0 else ""
        name = rng.choice([f"INV-{number}-{place}", "NOTPROVIDED"])
        # From version 03 on each transaction of an entry says its own amount.
        share = 1 if place else amount - count + 1
        own = f'<Amt Ccy="USD">{cents(share)}</Amt><CdtDbtInd>{side}</CdtDbtInd>' if version != "02" else ""
        details.append(f"<TxDtls><Refs><InstrId>IN-{number}-{place}</InstrId><EndToEndId>{name}</EndToEndId></Refs>{own}"
                       f"<RmtInf><Ustrd>For &amp; about {number}</Ustrd></RmtInf>{reason}</TxDtls>")
    value = f"<ValDt><Dt>2026-03-{min(day + 1, 31):02}</Dt></ValDt>" if rng.random() < 0.5 else ""
    return status == "BOOK", amount if side == "CRDT" else -amount, (
        f'<Ntry><NtryRef>N{number}</NtryRef><Amt Ccy="USD">{cents(amount)}</Amt>'
        f"<CdtDbtInd>{side}</CdtDbtInd>"
        + ("<RvslInd>true</RvslInd>" if returned else "")
        + (f"<Sts><Cd>{status}</Cd></Sts>" if choice else f"<Sts>{status}</Sts>")
        + f"<BookgDt>{date}</BookgDt>{value}<AcctSvcrRef>BK{number}</AcctSvcrRef>"
        "<BkTxCd><Prtry><Cd>X</Cd></Prtry></BkTxCd>"
        + (f"<NtryDtls>{''.join(details)}</NtryDtls>" if details else "") + "</Ntry>")


def statement(rng, version, choice, entries):
    opening = total = rng.randrange(-100_000, 10_000_000)
    body = []
    for number in range(entries):
        booked, amount, text = entry(rng, version, rng.randrange(1, 32), number, choice)
        total += amount if booked else 0
        body.append(text)

    def balance(kind, amount, on):
        return (f'<Bal><Tp><CdOrPrtry><Cd>{kind}</Cd></CdOrPrtry></Tp><Amt Ccy="USD">{cents(abs(amount))}</Amt>'
                f"<CdtDbtInd>{'DBIT' if amount < 0 else 'CRDT'}</CdtDbtInd><Dt><Dt>{on}</Dt></Dt></Bal>")

    return (f'<?xml version="1.0" encoding="UTF-8"?>\n'
            f'<Document xmlns="urn:iso:std:iso:20022:tech:xsd:camt.053.001.{version}"><BkToCstmrStmt>'
            "<GrpHdr><MsgId>M1</MsgId><CreDtTm>2026-04-01T06:00:00</CreDtTm></GrpHdr>"
            "<Stmt><Id>S1</Id><CreDtTm>2026-04-01T06:00:00</CreDtTm>"
            "<Acct><Id><Othr><Id>000123456789</Id></Othr></Id><Ccy>USD</Ccy></Acct>"
            f"{balance('OPBD', opening, '2026-03-01')}{balance('CLBD', total, '2026-03-31')}{''.join(body)}"
            "</Stmt></BkToCstmrStmt></Document>\n")


def required(value, path):
    """What the schema demands and the parser lets pass."""
    for field in dataclasses.fields(value):
        here, rules = getattr(value, field.name), field.metadata
        at = f"{path}/{rules.get('name', field.name)}"
        if rules.get("required") and here is None:
            raise ValueError(f"{at} is missing")
        for one in here if isinstance(here, list) else [here]:
            if dataclasses.is_dataclass(one):
                required(one, at)
            elif isinstance(one, str) and len(one) > rules.get("max_length", len(one)):
                raise ValueError(f"{at} is too long")


def schema_accepts(version, text):
    module = importlib.import_module(f"pyiso20022.camt.camt_053_001_{version}.camt_053_001_{version}")
    strict = ParserConfig(fail_on_unknown_properties=True, fail_on_unknown_attributes=True,
                          fail_on_converter_warnings=True)
    try:
        document = XmlParser(config=strict).from_string(text, module.Document)
        required(document, "Document")
    except Exception as refused:  # Each kind of refusal has a class of its own.
        return str(refused)
    return None


def by_lxml(data):
    """What another reader finds: booked entries of the first statement."""
    root = etree.parse(io.BytesIO(data), etree.XMLParser(resolve_entities=False, no_network=True)).getroot()

    def texts(node, path):
        steps = "/".join(f"*[local-name()='{step}']" for step in path.split("/"))
        return [str(found) for found in node.xpath(f"{steps}/text()")]

    lines, pending = [], 0
    for found in root.xpath("//*[local-name()='Ntry']"):
        if (texts(found, "Sts/Cd") or texts(found, "Sts")) != ["BOOK"]:
            pending += 1
            continue
        whole, _, part = texts(found, "Amt")[0].partition(".")
        amount = int(whole) * 100 + int((part + "00")[:2])
        day = (texts(found, "BookgDt/Dt") or texts(found, "BookgDt/DtTm"))[0][:10]
        value = texts(found, "ValDt/Dt") + texts(found, "ValDt/DtTm")
        reason = texts(found, "NtryDtls/TxDtls/RtrInf/Rsn/Cd")
        names = texts(found, "NtryDtls/TxDtls/Refs/EndToEndId") + texts(found, "AcctSvcrRef")
        lines.append({
            "amount": amount if texts(found, "CdtDbtInd") == ["CRDT"] else -amount,
            "booked": day,
            "value": value[0][:10] if value else None,
            "reason": reason[0] if reason else None,
            "names": {name for name in names if name != "NOTPROVIDED"},
        })
    return lines, pending


def compare(reader, path):
    said = json.loads(subprocess.run([reader, path], check=True, capture_output=True).stdout)
    assert "statements" in said, f"{path}: {said}"
    (ours,) = said["statements"]
    lines, pending = by_lxml(path.read_bytes())
    assert ours["pending"] == pending, path
    assert len(ours["lines"]) == len(lines), path
    for mine, other in zip(ours["lines"], lines):
        for member in ("amount", "booked", "value", "reason"):
            assert mine[member] == other[member], f"{path}: {member}: {mine} {other}"
        assert other["names"] <= set(mine["references"]), f"{path}: {mine} {other}"
    return len(lines)


def versions(reader, folder):
    rng, read = random.Random(20022), 0
    for version in VERSIONS:
        # A status is a code of its own up to some version, and an element with a code after it.
        first = statement(random.Random(1), version, True, 8)
        choice = schema_accepts(version, first) is None
        for number in range(12):
            text = statement(rng, version, choice, rng.choice([0, 1, 7, 60]))
            refused = schema_accepts(version, text)
            assert refused is None, f"{version}: {refused}"
            path = folder / f"{version}-{number}.xml"
            path.write_text(text, encoding="utf-8")
            read += compare(reader, path)
        # The check can fail: an element out of the schema, and one that is missing.
        assert schema_accepts(version, text.replace("<MsgId>", "<Msg>").replace("</MsgId>", "</Msg>"))
        assert schema_accepts(version, text.replace("<MsgId>M1</MsgId>", ""))
    print(f"{len(VERSIONS) * 12} statements in {len(VERSIONS)} versions: {read} booked entries read alike")


def sample(reader, folder):
    # By itself: what its package needs is not needed here.
    subprocess.run([sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check",
                    "--no-deps", "--dest", folder, SAMPLE], check=True)
    (wheel,) = folder.glob("*.whl")
    path = folder / "sample.xml"
    path.write_bytes(zipfile.ZipFile(wheel).read("pain001/test_fixtures/camt053_sample.xml"))
    assert compare(reader, path) == 1
    print(f"the sample of {SAMPLE}: read alike")


def measured(arguments, env):
    """Exit code, what it said of errors, and its most memory in MiB."""
    with open(env["SAID"], "w+b") as said:
        child = subprocess.Popen(arguments, stdout=subprocess.DEVNULL, stderr=said, env=env)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        return child.returncode, said.read().decode(), usage.ru_maxrss / 1024


def hostile(program, folder):
    database = folder / "books.db"
    subprocess.run([program, "demo", "--brief", "--keep", database], check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)
    env = {**os.environ, "COUNTERFOIL_DATABASE": f"sqlite:{database}", "SAID": str(folder / "said")}

    def imported(path, *more):
        return measured([program, "books", "import-bank", path, "--bank", "operating", *more], env)

    def deposits():
        shown = subprocess.run([program, "books", "deposits", "--json"], check=True, capture_output=True, env=env)
        return json.loads(shown.stdout).get("deposits", [])

    before = deposits()
    small = statement(random.Random(3), "08", True, 400)
    path = folder / "small.xml"
    path.write_text(small)
    code, said, usual = imported(path, "--dry-run")
    assert code == 0, said

    huge = folder / "huge.xml"
    with huge.open("w") as file:
        file.write(small[: small.index("<Ntry>")])
        one = small[small.index("<Ntry>"): small.index("</Ntry>") + len("</Ntry>")]
        many = one * 1000
        while file.tell() < 200_000_000:
            file.write(many)
    code, said, most = imported(huge)
    assert code == 3 and "must be at most 64 MiB" in said, (code, said)
    assert most < usual + 16, f"a file of 200 MB took {most:.0f} MiB, a small one {usual:.0f}"
    print(f"200 MB: refused in {most:.0f} MiB (a small file: {usual:.0f} MiB)")

    # As large as is taken: the file in memory, its text, and its lines; nothing grows faster than it.
    large = huge.read_bytes()[: 60_000_000]
    large = large[: large.rindex(b"</Ntry>") + len(b"</Ntry>")]
    huge.write_bytes(large + small[small.index("</Stmt>"):].encode())
    code, said, most = imported(huge, "--dry-run")
    assert code == 3 and ("at most" in said or "balance" in said), (code, said)
    assert most < usual + 8 * 64, f"60 MB took {most:.0f} MiB"
    print(f"60 MB that does not add up: refused in {most:.0f} MiB: {said.strip()}")

    cut = folder / "cut.xml"
    cut.write_text(small[: len(small) // 2])
    code, said, _ = imported(cut)
    assert code == 3 and "Nothing was recorded" in said, (code, said)
    assert deposits() == before, "something of a refused file was kept"
    declare = [program, "books", "bank-account", "operating", "--name", "Operating account", "--opened-on", "2020-01-01",
               "--opening", "0"]
    subprocess.run(declare, check=True, stdout=subprocess.DEVNULL, env=env)
    code, said, _ = imported(path)
    assert code == 0 and len(deposits()) > len(before), said


def main(reader, program, folder):
    folder = pathlib.Path(folder).resolve()
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    versions(reader, folder)
    sample(reader, folder)
    hostile(program, folder)
    shutil.rmtree(folder)


if __name__ == "__main__":
    main(*sys.argv[1:])
